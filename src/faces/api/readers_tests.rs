//! The history and the journal as callers of the API meet them.

use std::path::Path;

use axum::Router;
use axum::body::Body;
use axum::http::{HeaderMap, Request, StatusCode, header};
use axum::middleware::from_fn_with_state;
use http_body_util::BodyExt;
use serde_json::{Value, json};
use tower::ServiceExt;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::*;
use crate::faces::api::{events, history, journal, query};
use crate::history::quantity::{COUNT, place};
use crate::history::sqlite::SqliteStore;
use crate::history::store::{Batch, Sample, Source, Store, Tier};
use crate::journal::{Entry, JournalFile, Kind};

/// 2026-11-25T00:00:00Z.
const START_MS: i64 = 1_795_564_800_000;
const HISTORY: &str = "/api/v1/history?station=Alder%20Creek%20Lift&from=2026-11-25T00:00:00Z";
const POWER: &str = "&quantities=total_active_power_w";

/// An hour of a reading a second of a pump; a monitor and a circuit that have the same name; seven entries.
fn readers(folder: &Path) -> (Readers, JournalFile) {
    let mut store = SqliteStore::open(folder, 0).unwrap().0;
    let of = |is_monitor, name: &str| Source { station: "Alder Creek Lift".into(), is_monitor, name: name.into() };
    let pump = store.source(&of(false, "Pump 1")).unwrap();
    store.source(&of(false, "Both")).unwrap();
    store.source(&of(true, "Both")).unwrap();
    let sample = |second: i64| {
        let mut values = Box::new([f64::NAN; COUNT]);
        values[place::TOTAL_ACTIVE_POWER_W] = second as f64;
        Sample { source: pump, at_ms: START_MS + second * 1000, values }
    };
    store.write(&Batch { samples: (0..3600).map(sample).collect(), ..Batch::default() }).unwrap();
    for tier in [Tier::Minute, Tier::QuarterHour] {
        store.roll_up(tier, START_MS, START_MS + 3_600_000).unwrap();
    }
    let (mut file, _) = JournalFile::open(folder, 0).unwrap();
    let entry = |n: i64| Entry::new(START_MS + n * 1000, Kind::Diagnosis, format!("entry {n}")).by("J. Alvarez");
    file.append(&(1..=6).map(entry).collect::<Vec<_>>()).unwrap();
    let other = Entry::new(START_MS + 7000, Kind::FieldCheck, "CT 2 looked at").about("Alder Creek Lift", "Pump 1");
    file.append(&[other.with(&json!({ "ct": 2 }))]).unwrap();
    (Readers::new(Some(JournalReader::new(folder)), Some(HistoryReader::folder(folder))), file)
}

fn routes() -> OpenApiRouter<Readers> {
    OpenApiRouter::new()
        .routes(routes!(history::sources))
        .routes(routes!(history::values))
        .routes(routes!(journal::list))
}

struct Answer {
    status: StatusCode,
    headers: HeaderMap,
    text: String,
}

impl Answer {
    fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap()
    }
}

async fn ask(readers: &Readers, path: &str, accept: &str) -> Answer {
    let (router, document) = routes().with_state(readers.clone()).split_for_parts();
    let known = query::Known::of(&document);
    let router: Router = router.layer(from_fn_with_state(known, query::refuse_unknown));
    let request = Request::builder().uri(path).header(header::ACCEPT, accept).body(Body::empty()).unwrap();
    let (head, body) = router.oneshot(request).await.unwrap().into_parts();
    let text = String::from_utf8(body.collect().await.unwrap().to_bytes().to_vec()).unwrap();
    Answer { status: head.status, headers: head.headers, text }
}

async fn get(readers: &Readers, path: &str) -> Value {
    let answer = ask(readers, path, "*/*").await;
    assert_eq!(answer.status, StatusCode::OK, "{path}: {}", answer.text);
    answer.json()
}

/// A refusal: its status and the parameter at fault.
async fn refused(readers: &Readers, path: &str) -> (u16, Option<String>) {
    let answer = ask(readers, path, "*/*").await;
    assert_eq!(answer.headers[header::CONTENT_TYPE], "application/problem+json", "{path}: {}", answer.text);
    let body = answer.json();
    for key in ["type", "title", "detail"] {
        assert!(body[key].as_str().is_some_and(|text| !text.is_empty()), "{path}: {body}");
    }
    assert_eq!(body["status"], answer.status.as_u16());
    (answer.status.as_u16(), body["parameter"].as_str().map(str::to_owned))
}

#[tokio::test]
async fn what_the_history_holds_is_listed() {
    let folder = tempfile::tempdir().unwrap();
    let (readers, _) = readers(folder.path());
    let body = get(&readers, "/api/v1/history/sources").await;
    assert_eq!(body["sources"].as_array().unwrap().len(), 3);
    assert_eq!(body["sources"][1], json!({ "station": "Alder Creek Lift", "kind": "circuit", "part": "Pump 1" }));
    assert_eq!(body["quantities"].as_array().unwrap().len(), COUNT);
    assert_eq!(refused(&readers, "/api/v1/history/sources?x=1").await.0, 400);
}

#[tokio::test]
async fn values_come_as_columns_in_the_detail_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    let (readers, _) = readers(folder.path());
    let path = format!("{HISTORY}&part=Pump%201&quantities=total_active_power_w,frequency_hz");
    let body = get(&readers, &path).await;
    assert_eq!((&body["tier"], &body["interval_ms"]), (&json!("minute"), &json!(60_000)));
    assert_eq!((&body["statistic"], &body["kind"]), (&json!("mean"), &json!("circuit")));
    assert_eq!(body["at_unix_ms"].as_array().unwrap().len(), 60);
    assert_eq!(body["at_unix_ms"][1], START_MS + 60_000);
    assert_eq!(body["columns"]["total_active_power_w"][1], 89.5);
    assert_eq!(body["columns"]["frequency_hz"][1], Value::Null);
    let body = get(&readers, &format!("{path}&points=2&statistic=highest")).await;
    assert_eq!((&body["tier"], &body["interval_ms"]), (&json!("quarter_hour"), &json!(1_800_000)));
    assert_eq!(body["columns"]["total_active_power_w"], json!([1799.0, 3599.0]));
    assert_eq!(body["samples"], json!([1800, 1800]));
    let body = get(&readers, &format!("{path}&tier=detail&to=2026-11-25T01:00:10%2B01:00")).await;
    assert_eq!(body["columns"]["total_active_power_w"].as_array().unwrap().len(), 10, "a time of another zone");
    assert_eq!(body["interval_ms"], Value::Null);
}

#[tokio::test]
async fn csv_is_sent_to_whoever_accepts_it_first() {
    let folder = tempfile::tempdir().unwrap();
    let (readers, _) = readers(folder.path());
    let path = format!("{HISTORY}&part=Pump%201{POWER}&tier=quarter_hour");
    let answer = ask(&readers, &path, "text/csv, application/json;q=0.5").await;
    assert_eq!(answer.headers[header::CONTENT_TYPE], "text/csv; charset=utf-8");
    assert_eq!(answer.headers[header::VARY], "accept");
    let start = "at,total_active_power_w\n2026-11-25T00:00:00.000Z,449.5\n";
    assert!(answer.text.starts_with(start), "{}", answer.text);
    let answer = ask(&readers, &path, "application/json, text/csv").await;
    assert_eq!(answer.headers[header::CONTENT_TYPE], "application/json");
}

#[tokio::test]
async fn bad_questions_to_the_history_name_what_is_wrong() {
    let folder = tempfile::tempdir().unwrap();
    let (readers, _) = readers(folder.path());
    let whole = format!("{HISTORY}&part=Pump%201{POWER}");
    for (path, status, parameter) in [
        (format!("{HISTORY}&part=Pump%209{POWER}"), 404, Some("part")),
        (
            "/api/v1/history?station=Nowhere&part=x&from=2026-11-25T00:00:00Z&quantities=running".into(),
            404,
            Some("station"),
        ),
        (format!("{HISTORY}&part=Both{POWER}"), 400, Some("kind")),
        (format!("{HISTORY}&part=Pump%201&kind=monitor{POWER}"), 404, Some("part")),
        (format!("{whole}&kind=pump"), 400, Some("kind")),
        (format!("{HISTORY}&part=Pump%201&quantities=colour"), 400, Some("quantities")),
        (format!("{HISTORY}&part=Pump%201&quantities="), 400, Some("quantities")),
        (format!("{HISTORY}&part=Pump%201&quantities=running,running"), 400, Some("quantities")),
        (format!("{whole}&to=2026-11-25T00:00:00Z"), 400, Some("to")),
        (format!("{whole}&to=yesterday"), 400, Some("to")),
        (format!("{whole}&points=0"), 400, Some("points")),
        (format!("{whole}&points=20001"), 400, Some("points")),
        (format!("{whole}&points=5&tier=minute"), 400, Some("tier")),
        (format!("{whole}&tier=hour"), 400, Some("tier")),
        (format!("{whole}&statistic=median"), 400, Some("statistic")),
        (format!("{whole}&colour=red"), 400, Some("colour")),
        (format!("{HISTORY}{POWER}"), 400, None),
    ] {
        assert_eq!(refused(&readers, &path).await, (status, parameter.map(str::to_owned)), "{path}");
    }
    let both = get(&readers, &format!("{HISTORY}&part=Both&kind=monitor{POWER}")).await;
    assert_eq!((&both["kind"], &both["at_unix_ms"]), (&json!("monitor"), &json!([])));
}

fn sequences(body: &Value) -> Vec<i64> {
    body["items"].as_array().unwrap().iter().map(|item| item["sequence"].as_i64().unwrap()).collect()
}

#[tokio::test]
async fn the_journal_leads_down_and_up_again() {
    let folder = tempfile::tempdir().unwrap();
    let (readers, file) = readers(folder.path());
    let first = ask(&readers, "/api/v1/journal?limit=3", "*/*").await;
    let link = first.headers[header::LINK].to_str().unwrap();
    assert_eq!(link, "</api/v1/journal?limit=3&cursor=before-5>; rel=\"next\"");
    let body = first.json();
    assert_eq!(sequences(&body), [7, 6, 5]);
    assert_eq!(body["head"], json!({ "sequence": 7, "hash": file.head().hash.to_string() }));
    assert_eq!(
        (&body["items"][0]["at"], &body["items"][0]["data"]),
        (&json!("2026-11-25T00:00:07.000Z"), &json!("{\"ct\":2}"))
    );
    let second = ask(&readers, "/api/v1/journal?limit=3&cursor=before-5", "*/*").await;
    let link = second.headers[header::LINK].to_str().unwrap();
    let both = "</api/v1/journal?limit=3&cursor=before-2>; rel=\"next\", </api/v1/journal?limit=3&cursor=after-4>; rel=\"prev\"";
    assert_eq!((sequences(&second.json()), link), (vec![4, 3, 2], both));
    let last = get(&readers, "/api/v1/journal?limit=3&cursor=before-2").await;
    assert_eq!((sequences(&last), &last["next"], &last["prev"]), (vec![1], &Value::Null, &json!("after-1")));
    let up = get(&readers, "/api/v1/journal?limit=3&cursor=after-4").await;
    assert_eq!((sequences(&up), &up["next"], &up["prev"]), (vec![7, 6, 5], &json!("before-5"), &Value::Null));
    let oldest = get(&readers, "/api/v1/journal?limit=3&begin=oldest").await;
    assert_eq!(
        (sequences(&oldest), &oldest["next"], &oldest["prev"]),
        (vec![3, 2, 1], &Value::Null, &json!("after-3"))
    );
}

#[tokio::test]
async fn the_journal_is_filtered_and_bad_questions_are_problems() {
    let folder = tempfile::tempdir().unwrap();
    let (readers, _) = readers(folder.path());
    for (filter, expected) in [
        ("kind=field_check", vec![7]),
        ("station=Alder%20Creek%20Lift", vec![7]),
        ("person=J.%20Alvarez&limit=2", vec![6, 5]),
        ("from=2026-11-25T00:00:02Z&to=2026-11-25T00:00:04Z", vec![3, 2]),
        ("person=Nobody", vec![]),
    ] {
        assert_eq!(sequences(&get(&readers, &format!("/api/v1/journal?{filter}")).await), expected, "{filter}");
    }
    for (query, parameter) in [
        ("kind=colour", Some("kind")),
        ("cursor=5", Some("cursor")),
        ("cursor=before--5", Some("cursor")),
        ("begin=middle", Some("begin")),
        ("limit=1001", Some("limit")),
        ("from=now", Some("from")),
        ("colour=red", Some("colour")),
    ] {
        let path = format!("/api/v1/journal?{query}");
        assert_eq!(refused(&readers, &path).await, (400, parameter.map(str::to_owned)), "{path}");
    }
}

#[tokio::test]
async fn what_is_not_kept_is_said_so_and_a_fault_inside_is_not_told() {
    let none = Readers::new(None, None);
    for path in ["/api/v1/journal".to_owned(), "/api/v1/history/sources".into(), format!("{HISTORY}&part=x{POWER}")] {
        assert_eq!(refused(&none, &path).await, (404, None), "{path}");
    }
    let folder = tempfile::tempdir().unwrap();
    let gone = Readers::new(Some(JournalReader::new(folder.path())), Some(HistoryReader::folder(folder.path())));
    for path in ["/api/v1/journal", "/api/v1/history/sources"] {
        let answer = ask(&gone, path, "*/*").await;
        assert_eq!(answer.status, StatusCode::INTERNAL_SERVER_ERROR);
        assert!(!answer.text.contains(&*folder.path().to_string_lossy()), "{}", answer.text);
    }
}

#[test]
fn every_operation_is_for_whoever_may_look() {
    let events = OpenApiRouter::<events::Events>::new().routes(routes!(events::follow));
    for document in [routes().into_openapi(), events.into_openapi()] {
        let document = serde_json::to_value(document).unwrap();
        for operations in document["paths"].as_object().unwrap().values() {
            assert_eq!(operations["get"]["x-permission"], "view");
            assert!(operations["get"]["summary"].is_string());
        }
    }
}
