//! The API as its callers meet it.

use axum::Router;
use axum::body::Body;
use axum::http::{Method, Request, StatusCode, header};
use http_body_util::BodyExt;
use serde_json::{Value, json};
use tokio_util::sync::CancellationToken;
use tower::ServiceExt;

use super::*;
use crate::access::role::{Permission, Principal, Role};
use crate::alarm::id::{AlarmId, AlarmKind};
use crate::alarm::settings::AlarmsConfig;
use crate::desk::record::AlarmRecord;
use crate::desk::task::DeskTask;
use crate::desk::watched::Watched;
use crate::station::fixtures::{exchanged, snapshot_after, station_config};
use crate::station::snapshot::SnapshotReader;

const STATION: &str = "Alder Creek Lift";
const CIRCUIT: &str = "/api/v1/stations/Alder%20Creek%20Lift/circuits/Pump%201";

impl Api {
    /// An API of these stations, with a desk at which nobody sits.
    pub(crate) fn still(stations: Vec<Arc<StationSnapshot>>) -> Api {
        let readers = stations.into_iter().map(|snapshot| SnapshotReader::new(watch::channel(snapshot).1));
        let (_, config) = watch::channel(Arc::new(Config::of(vec![station_config(STATION)])));
        let clock = Clock::from_fn(|| crate::station::fixtures::instant(7200));
        Api {
            roster: Roster::fixed(readers.collect()),
            desk: Desk::still(Vec::new()),
            checks: CheckBook::open(config.clone(), None, None, clock.now().wall),
            config,
            reloader: Reloader::new().0,
            readers: Readers::new(None, None),
            events: Events::new(clock.now().wall),
            clock,
        }
    }
}

/// A running desk beside a miswired station.
struct Scene {
    router: Router,
    stop: CancellationToken,
}

impl Drop for Scene {
    fn drop(&mut self) {
        self.stop.cancel();
    }
}

fn scene() -> Scene {
    let mut api = Api::still(vec![snapshot_after(STATION, &exchanged())]);
    let watched = Watched::new(&AlarmsConfig::default(), &[station_config(STATION)]);
    let (task, desk, _) = DeskTask::new(&watched, api.roster.clone(), AlarmRecord::default(), api.clock.clone());
    let stop = CancellationToken::new();
    tokio::spawn(task.run(stop.clone()));
    api.desk = desk;
    Scene { router: router(api).0.layer(from_fn(problems)), stop }
}

struct Answer {
    status: StatusCode,
    headers: axum::http::HeaderMap,
    body: Value,
}

impl Scene {
    async fn ask(&self, method: Method, path: &str, who: Option<&str>, body: Option<Value>) -> Answer {
        let mut request = Request::builder().method(method).uri(path);
        if let Some(name) = who {
            request = request.extension(Principal { name: name.to_owned(), role: Role::Engineer });
        }
        let body = match body {
            Some(body) => {
                request = request.header(header::CONTENT_TYPE, "application/json");
                Body::from(body.to_string())
            }
            None => Body::empty(),
        };
        let response = self.router.clone().oneshot(request.body(body).unwrap()).await.unwrap();
        let (head, body) = response.into_parts();
        let bytes = body.collect().await.unwrap().to_bytes();
        let body = if bytes.is_empty() { Value::Null } else { serde_json::from_slice(&bytes).unwrap() };
        Answer { status: head.status, headers: head.headers, body }
    }

    async fn get(&self, path: &str) -> Answer {
        self.ask(Method::GET, path, None, None).await
    }

    async fn post(&self, path: &str, body: Value) -> Answer {
        self.ask(Method::POST, path, Some("J. Alvarez"), Some(body)).await
    }
}

#[test]
fn every_operation_says_who_may_use_it_and_how_it_fails() {
    let document = serde_json::to_value(document()).unwrap();
    let mut operations = 0;
    let mut ids = std::collections::HashSet::new();
    for (path, methods) in document["paths"].as_object().unwrap() {
        for (method, operation) in methods.as_object().unwrap() {
            operations += 1;
            let id = operation["operationId"].as_str().unwrap();
            assert!(ids.insert(id), "{method} {path}: the operation id {id} is taken");
            let word = operation["x-permission"].as_str();
            let word = word.unwrap_or_else(|| panic!("{method} {path} has no x-permission"));
            assert!(word == "none" || Permission::of_key(word).is_some(), "{method} {path}: {word}");
            assert!(
                method == "get" || word != "view" || path == "/api/v1/session",
                "{method} {path} changes something"
            );
            assert!(operation["summary"].is_string(), "{method} {path} has no summary");
        }
    }
    assert!(operations >= 17, "{operations}");
}

/// By the document, which is what the guard enforces: all that changes something and that a technician may do.
#[test]
fn a_technician_may_enter_findings_and_acknowledge_and_nothing_else() {
    let document = serde_json::to_value(document()).unwrap();
    let mut may = Vec::new();
    for methods in document["paths"].as_object().unwrap().values() {
        for (method, operation) in methods.as_object().unwrap() {
            let permission = Permission::of_key(operation["x-permission"].as_str().unwrap());
            if method != "get" && permission.is_some_and(|permission| Role::Field.may(permission)) {
                may.push(operation["operationId"].as_str().unwrap());
            }
        }
    }
    may.sort_unstable();
    assert_eq!(may, ["acknowledge_alarm", "enter_field_check", "log_out"]);
}

#[test]
fn the_committed_document_is_the_one_of_the_code() {
    let committed = std::fs::read_to_string("deploy/openapi.json").unwrap_or_default();
    let code = document().to_pretty_json().unwrap() + "\n";
    if std::env::var("UPDATE_OPENAPI").is_ok() {
        std::fs::write("deploy/openapi.json", &code).unwrap();
    } else {
        assert!(committed == code, "deploy/openapi.json is old: UPDATE_OPENAPI=1 cargo test --lib committed_document");
    }
}

#[tokio::test]
async fn stations_come_in_pages_with_their_verdicts() {
    let scene = scene();
    let list = scene.get("/api/v1/stations?limit=1").await;
    assert_eq!(list.status, StatusCode::OK);
    assert_eq!(list.body["total"], 1);
    assert_eq!(list.body["items"][0]["verdicts"], json!({ "fault": 1 }));
    assert!(list.headers.get(header::LINK).is_none(), "one page is all");
    let one = scene.get("/api/v1/stations/Alder%20Creek%20Lift").await;
    assert_eq!(one.body["station"]["name"], STATION);
    assert!(one.body["cautions"].as_array().is_some_and(|cautions| !cautions.is_empty()));
}

#[tokio::test]
async fn a_circuit_shows_reported_and_intended_phasors_and_a_plan() {
    let scene = scene();
    let circuit = scene.get(CIRCUIT).await;
    assert_eq!(circuit.status, StatusCode::OK, "{}", circuit.body);
    assert_eq!(circuit.body["circuit"]["verdict"], "fault");
    let angle = |picture: &str, k: usize| circuit.body["phasors"][picture]["current"][k]["angle_deg"].as_f64().unwrap();
    // Pairs 2 and 3 are exchanged: what channel 2 reports is a third of a turn from where it should be.
    let off = (angle("reported", 1) - angle("intended", 1)).rem_euclid(360.0);
    assert!((off - 240.0).abs() < 5.0 || (off - 120.0).abs() < 5.0, "{off}");
    let plan = scene.get(&format!("{CIRCUIT}/plan")).await;
    assert_eq!(plan.status, StatusCode::OK);
    let energies = scene.get("/api/v1/misregistration").await;
    assert_eq!(energies.body["items"][0]["circuit"], "Pump 1");
}

#[tokio::test]
async fn what_is_wrong_with_a_request_is_a_problem_that_names_it() {
    let scene = scene();
    for (method, path, status, parameter) in [
        (Method::GET, "/api/v1/stations/Nowhere", 404, Some("station")),
        (Method::GET, "/api/v1/stations/Alder%20Creek%20Lift/circuits/Pump%209", 404, Some("circuit")),
        (Method::GET, "/api/v1/stations?limit=0", 400, Some("limit")),
        (Method::GET, "/api/v1/stations?limit=many", 400, Some("limit")),
        (Method::GET, "/api/v1/stations?order=name", 400, Some("order")),
        (Method::GET, "/api/v1/stations?cursor=Nowhere", 400, Some("cursor")),
        (Method::GET, "/api/v1/alarms?state=loud", 400, Some("state")),
        (Method::GET, "/api/v1/alarms/nothing", 404, Some("alarm")),
        (Method::GET, "/api/v1/nothing", 404, None),
        (Method::DELETE, "/api/v1/stations", 405, None),
        (Method::DELETE, "/api/v1/field-checks/x", 400, None),
    ] {
        let answer = scene.ask(method.clone(), path, Some("J. Alvarez"), None).await;
        assert_eq!(answer.status.as_u16(), status, "{method} {path}: {}", answer.body);
        assert_eq!(answer.headers[header::CONTENT_TYPE], problem::CONTENT_TYPE, "{method} {path}");
        assert_eq!(answer.body["status"], status);
        assert_eq!(answer.body["parameter"].as_str(), parameter, "{method} {path}: {}", answer.body);
        assert_eq!(status == 405, answer.headers.contains_key(header::ALLOW));
    }
}

#[tokio::test]
async fn what_has_not_changed_is_not_sent_again() {
    let scene = scene();
    let first = scene.get("/api/v1/stations").await;
    let tag = first.headers[header::ETAG].clone();
    let request = Request::builder().uri("/api/v1/stations").header(header::IF_NONE_MATCH, &tag);
    let again = scene.router.clone().oneshot(request.body(Body::empty()).unwrap()).await.unwrap();
    assert_eq!(again.status(), StatusCode::NOT_MODIFIED);
    assert_eq!(again.headers()[header::ETAG], tag);
    assert!(again.into_body().collect().await.unwrap().to_bytes().is_empty());
    let request = Request::builder().uri("/api/v1/stations").header(header::IF_NONE_MATCH, "\"another\"");
    assert_eq!(scene.router.clone().oneshot(request.body(Body::empty()).unwrap()).await.unwrap().status(), 200);
}

#[tokio::test]
async fn an_alarm_is_acted_on_in_the_name_of_who_asks() {
    let scene = scene();
    let id = alarms::key(&AlarmId::circuit(STATION, "Pump 1", AlarmKind::MeteringMiswired));
    let path = |act: &str| format!("/api/v1/alarms/{id}/{act}");
    let nobody = scene.ask(Method::POST, &path("shelve"), None, Some(json!({ "remark": "x", "minutes": 5 }))).await;
    assert_eq!(nobody.status, StatusCode::UNAUTHORIZED);
    let nothing = scene.post(&path("acknowledge"), json!({})).await;
    assert_eq!(nothing.status, StatusCode::CONFLICT, "{}", nothing.body);
    let shelved = scene.post(&path("shelve"), json!({ "remark": "crew on site", "minutes": 5 })).await;
    assert_eq!(shelved.status, StatusCode::OK, "{}", shelved.body);
    assert_eq!(shelved.body["state"], "shelved");
    assert_eq!(shelved.body["shelved"]["by"], "J. Alvarez");
    assert_eq!(scene.get("/api/v1/alarms?state=shelved").await.body["total"], 1);
    assert_eq!(scene.get(&format!("/api/v1/alarms/{id}")).await.body["state"], "shelved");
    let too_long = scene.post(&path("shelve"), json!({ "remark": "x", "minutes": 500_000 })).await;
    assert_eq!(too_long.status, StatusCode::CONFLICT, "{}", too_long.body);
    let no_reason = scene.post(&path("out-of-service"), json!({})).await;
    assert_eq!(no_reason.status, StatusCode::UNPROCESSABLE_ENTITY);
    let unknown_key = scene.post(&path("unshelve"), json!({ "by": "somebody else" })).await;
    assert_eq!(unknown_key.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(scene.post(&path("unshelve"), json!({})).await.body["state"], "normal");
}

#[tokio::test]
async fn a_field_check_is_entered_listed_and_withdrawn() {
    let scene = scene();
    let path = format!("{CIRCUIT}/field-checks");
    let entered = scene.post(&path, json!({ "check": "polarity", "channel": 2, "shows": "right" })).await;
    assert_eq!(entered.status, StatusCode::CREATED, "{}", entered.body);
    assert_eq!(entered.body["by"], "J. Alvarez");
    let wrong = scene.post(&path, json!({ "check": "polarity", "channel": 2, "shows": "sideways" })).await;
    assert_eq!((wrong.status.as_u16(), wrong.body["parameter"].as_str()), (422, Some("shows")), "{}", wrong.body);
    let list = scene.get(&path).await;
    assert_eq!(list.body["entries"].as_array().unwrap().len(), 1);
    assert!(!list.body["cautions"].as_array().unwrap().is_empty());
    let path = format!("/api/v1/field-checks/{}", entered.body["id"]);
    assert_eq!(scene.ask(Method::DELETE, &path, Some("J. Alvarez"), None).await.status, StatusCode::OK);
    assert_eq!(scene.ask(Method::DELETE, &path, Some("J. Alvarez"), None).await.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn what_a_path_does_not_know_is_refused_by_name() {
    let scene = scene();
    for (path, parameter) in [
        ("/api/v1/stations?limits=1", "limits"),
        (&*format!("{CIRCUIT}?tail=1"), "tail"),
        ("/api/v1/stations?limit=1&limit=2", "limit"),
        ("/api/v1/alarms/x?state=any", "state"),
    ] {
        let told = scene.get(path).await;
        assert_eq!(
            (told.status, told.body["parameter"].as_str()),
            (StatusCode::BAD_REQUEST, Some(parameter)),
            "{path}"
        );
    }
    for (body, parameter) in [
        (json!({ "remark": 5 }), json!("remark")),
        (json!({ "remark": "x", "minutes": 5 }), json!("minutes")),
        (json!([]), Value::Null),
    ] {
        let told = scene.post("/api/v1/alarms/x/acknowledge", body).await;
        assert_eq!(
            (told.status, &told.body["parameter"]),
            (StatusCode::UNPROCESSABLE_ENTITY, &parameter),
            "{}",
            told.body
        );
    }
    let told = scene.get("/api/v1/stations/%FF").await;
    assert_eq!(told.status, StatusCode::BAD_REQUEST, "{}", told.body);
}
