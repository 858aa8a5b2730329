//! The events as their listeners meet them.

use axum::Router;
use axum::body::{Body, BodyDataStream};
use axum::http::{Request, StatusCode, header};
use axum::routing::get;
use futures_util::StreamExt;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::watch;
use tokio::task::yield_now;
use tokio::time::advance;
use tokio_util::task::TaskTracker;
use tower::ServiceExt;

use super::*;
use crate::audit::wiring::Wiring;
use crate::clock::Clock;
use crate::config::web_model::HttpLimits;
use crate::desk::Desk;
use crate::faces::server::BoundServer;
use crate::journal::{Entry, Journal, Kind};
use crate::station::fixtures::{exchanged, instant, snapshot_after};
use crate::station::roster::Roster;
use crate::station::snapshot::{SnapshotReader, StationSnapshot};

const STATION: &str = "Alder Creek Lift";
const BOOT: UnixMs = UnixMs(0xabc);

fn router(events: &Events) -> Router {
    Router::new().route("/api/v1/events", get(follow)).with_state(events.clone())
}

async fn ask(events: &Events, path: &str, last_seen: Option<&str>) -> Response {
    let mut request = Request::builder().uri(path);
    if let Some(seen) = last_seen {
        request = request.header("Last-Event-ID", seen);
    }
    router(events).oneshot(request.body(Body::empty()).unwrap()).await.unwrap()
}

/// What a listener receives, as text.
struct Heard(BodyDataStream);

async fn listen(events: &Events, last_seen: Option<&str>) -> Heard {
    let response = ask(events, "/api/v1/events", last_seen).await;
    assert_eq!(response.status(), StatusCode::OK);
    assert_eq!(response.headers()[header::CONTENT_TYPE], "text/event-stream");
    Heard(response.into_body().into_data_stream())
}

impl Heard {
    /// The next event's lines without their order; none at the end.
    async fn next(&mut self) -> Option<Vec<String>> {
        let bytes = self.0.next().await?.unwrap();
        let mut lines: Vec<String> = String::from_utf8(bytes.to_vec()).unwrap().lines().map(str::to_owned).collect();
        lines.retain(|line| !line.is_empty());
        lines.sort();
        Some(lines)
    }

    async fn expect(&mut self, name: &str, id: Option<&str>) -> Value {
        let lines = self.next().await.unwrap_or_else(|| panic!("the end instead of {name}"));
        let field = |key: &str| lines.iter().find_map(|line| line.strip_prefix(key)?.strip_prefix(": "));
        assert_eq!((field("event"), field("id")), (Some(name), id), "{lines:?}");
        serde_json::from_str(field("data").unwrap()).unwrap()
    }
}

fn tell(events: &Events, numbers: std::ops::Range<u64>) {
    numbers.for_each(|n| events.tell("journal", &json!({ "sequence": n })));
}

#[tokio::test]
async fn a_listener_is_greeted_and_told_what_happens() {
    let events = Events::new(BOOT);
    tell(&events, 0..3);
    let mut heard = listen(&events, None).await;
    assert_eq!(heard.expect("hello", Some("abc-3")).await, json!({ "id": "abc-3" }));
    tell(&events, 3..4);
    assert_eq!(heard.expect("journal", Some("abc-4")).await, json!({ "sequence": 3 }));
}

#[tokio::test]
async fn one_that_comes_back_gets_what_it_missed_and_nothing_twice() {
    let events = Events::new(BOOT);
    tell(&events, 0..5);
    let mut heard = listen(&events, Some("abc-3")).await;
    // Without an id, or one cut off after the greeting would never hear of 4 and 5.
    heard.expect("hello", None).await;
    heard.expect("journal", Some("abc-4")).await;
    heard.expect("journal", Some("abc-5")).await;
    tell(&events, 5..6);
    heard.expect("journal", Some("abc-6")).await;
    let mut up_to_date = listen(&events, Some("abc-6")).await;
    up_to_date.expect("hello", None).await;
    tell(&events, 6..7);
    up_to_date.expect("journal", Some("abc-7")).await;
}

#[tokio::test]
async fn what_is_not_remembered_is_a_gap_and_told_once() {
    let events = Events::new(BOOT);
    let many = REMEMBERED as u64 + 10;
    tell(&events, 0..many);
    let newest = format!("abc-{many}");
    let ahead = format!("abc-{}", many + 1);
    for seen in ["abc-9", "abb-1000", "abc-", "abc", "", "abc--1", &ahead, "abc-18446744073709551615"] {
        let mut heard = listen(&events, Some(seen)).await;
        heard.expect("hello", None).await;
        heard.expect("gap", Some(&newest)).await;
    }
    let mut oldest = listen(&events, Some("abc-10")).await;
    oldest.expect("hello", None).await;
    oldest.expect("journal", Some("abc-11")).await;
    assert_eq!(events.told().remembered.len(), REMEMBERED);
}

#[tokio::test]
async fn one_that_does_not_keep_up_is_cut_off_and_holds_nothing_up() {
    let events = Events::new(BOOT);
    let mut slow = listen(&events, None).await;
    let mut quick = listen(&events, None).await;
    quick.expect("hello", Some("abc-0")).await;
    let told = WAITING as u64 + 5;
    for n in 0..told {
        tell(&events, n..n + 1);
        quick.expect("journal", Some(&format!("abc-{}", n + 1))).await;
    }
    assert_eq!(events.told().listeners.len(), 1, "the slow one has given its place back");
    slow.expect("hello", Some("abc-0")).await;
    for n in 1..=WAITING {
        slow.expect("journal", Some(&format!("abc-{n}"))).await;
    }
    assert_eq!(slow.next().await, None, "the end");
    // It comes back with the last it had, and has lost nothing.
    let mut again = listen(&events, Some(&format!("abc-{WAITING}"))).await;
    again.expect("hello", None).await;
    again.expect("journal", Some(&format!("abc-{}", WAITING + 1))).await;
}

#[tokio::test]
async fn listeners_are_limited_and_one_that_goes_makes_room() {
    let events = Events::new(BOOT);
    let mut all = Vec::new();
    for _ in 0..MAX_LISTENERS {
        all.push(listen(&events, None).await);
    }
    let refused = ask(&events, "/api/v1/events", None).await;
    assert_eq!(refused.status(), StatusCode::SERVICE_UNAVAILABLE);
    assert_eq!(refused.headers()[header::CONTENT_TYPE], "application/problem+json");
    all.pop();
    listen(&events, None).await.expect("hello", Some("abc-0")).await;
    let unknown = ask(&events, "/api/v1/events?since=3", None).await;
    assert_eq!(unknown.status(), StatusCode::BAD_REQUEST);
}

#[tokio::test(start_paused = true)]
async fn silence_is_broken_by_a_comment() {
    let events = Events::new(BOOT);
    let mut heard = listen(&events, None).await;
    heard.expect("hello", Some("abc-0")).await;
    let began = tokio::time::Instant::now();
    assert_eq!(heard.next().await.unwrap(), [":"]);
    assert_eq!(began.elapsed().as_secs(), KEEP_ALIVE.as_secs());
}

/// A station whose snapshots the test gives out.
fn station(first: Arc<StationSnapshot>) -> (watch::Sender<Arc<StationSnapshot>>, Watched) {
    let (sender, receiver) = watch::channel(first);
    let watched = Watched {
        roster: Roster::fixed(vec![SnapshotReader::new(receiver)]),
        desk: Desk::still(Vec::new()),
        journal: None,
        clock: Clock::from_fn(|| instant(7200)),
    };
    (sender, watched)
}

#[tokio::test(start_paused = true)]
async fn only_changes_are_told_and_at_most_twice_a_second() {
    let (sender, watched) = station(snapshot_after(STATION, &Wiring::INTENDED));
    let (events, cancel) = (Events::new(BOOT), CancellationToken::new());
    let task = tokio::spawn(events.clone().run(watched, cancel.clone()));
    yield_now().await;
    let mut heard = listen(&events, None).await;
    heard.expect("hello", Some("abc-0")).await;
    // The same again is a reading, not a change.
    for _ in 0..4 {
        sender.send_replace(snapshot_after(STATION, &Wiring::INTENDED));
        advance(LOOK_EVERY).await;
        yield_now().await;
    }
    assert_eq!(events.told().last, 0);
    // Of two changes between two looks the last is told.
    let mut silent = (*snapshot_after(STATION, &Wiring::INTENDED)).clone();
    silent.monitors[0].health.silent = true;
    sender.send_replace(Arc::new(silent));
    sender.send_replace(snapshot_after(STATION, &exchanged()));
    let told = heard.expect("circuit", Some("abc-1")).await;
    assert_eq!((&told["station"], &told["circuit"]), (&json!(STATION), &json!("Pump 1")));
    assert_eq!((&told["verdict"], &told["run_state"]), (&json!("fault"), &json!("running")));
    assert!(told["since"].as_str().is_some_and(|since| since.starts_with("2023-11-14T")), "{told}");
    let mut silent = (*snapshot_after(STATION, &exchanged())).clone();
    silent.monitors[0].health.silent = true;
    sender.send_replace(Arc::new(silent));
    assert_eq!(heard.expect("circuit", Some("abc-2")).await["run_state"], "unknown");
    let told = heard.expect("monitor", Some("abc-3")).await;
    assert_eq!(told, json!({ "station": STATION, "monitor": "PM-1", "state": "stale" }));
    cancel.cancel();
    assert_eq!(heard.next().await, None, "a daemon that stops ends its streams");
    task.await.unwrap();
    assert_eq!(ask(&events, "/api/v1/events", None).await.status(), StatusCode::SERVICE_UNAVAILABLE);
}

#[test]
fn stations_that_go_and_come_are_told() {
    let reader = |name: &str| SnapshotReader::new(watch::channel(snapshot_after(name, &Wiring::INTENDED)).1);
    let (sender, receiver) = watch::channel(Arc::from([reader(STATION)]));
    let (_keep, watched) = station(snapshot_after(STATION, &Wiring::INTENDED));
    let mut looks = Looks::new(Watched { roster: Roster::new(receiver), ..watched });
    assert_eq!(looks.news(), []);
    sender.send_replace(Arc::from([reader("Quarry Road Booster")]));
    let news = looks.news();
    let of = |name: &str| news.iter().filter(|(event, _)| *event == name).map(|(_, data)| data).collect::<Vec<_>>();
    let (circuits, monitors) = (of("circuit"), of("monitor"));
    assert_eq!((circuits.len(), monitors.len(), news.len()), (2, 2, 4));
    assert_eq!(circuits[0]["station"], "Quarry Road Booster");
    assert_eq!(circuits[1], &json!({ "station": STATION, "circuit": "Pump 1", "gone": true }));
    assert_eq!(monitors[1], &json!({ "station": STATION, "monitor": "PM-1", "gone": true }));
    assert_eq!(looks.news(), []);
}

#[tokio::test]
async fn the_head_of_the_journal_is_told_when_it_moves() {
    let folder = tempfile::tempdir().unwrap();
    let (journal, _) = Journal::open(folder.path(), 0).unwrap();
    let (_keep, watched) = station(snapshot_after(STATION, &Wiring::INTENDED));
    let mut looks = Looks::new(Watched { journal: Some(journal.clone()), ..watched });
    assert_eq!(looks.news(), []);
    let head = journal.append(Entry::new(5, Kind::Program, "something")).await.unwrap();
    let told = json!({ "sequence": 1, "hash": head.hash.to_string() });
    assert_eq!(looks.news(), [("journal", told)]);
    assert_eq!(looks.news(), []);
}

#[tokio::test]
async fn alarms_that_change_are_named() {
    use crate::alarm::settings::AlarmsConfig;
    use crate::desk::record::AlarmRecord;
    use crate::desk::task::DeskTask;
    use crate::desk::watched::Watched as OfDesk;
    use crate::station::fixtures::station_config;

    let (_keep, watched) = station(snapshot_after(STATION, &exchanged()));
    let of_desk = OfDesk::new(&AlarmsConfig::default(), &[station_config(STATION)]);
    let (task, mut desk, _) =
        DeskTask::new(&of_desk, watched.roster.clone(), AlarmRecord::default(), watched.clock.clone());
    let mut looks = Looks::new(Watched { desk: desk.clone(), ..watched });
    let cancel = CancellationToken::new();
    let task = tokio::spawn(task.run(cancel.clone()));
    assert!(desk.changed().await);
    let news = looks.news();
    let [("alarms", told)] = &news[..] else { panic!("{news:?}") };
    let list = desk.list();
    assert_eq!(told["version"], list.version);
    let ids: Vec<&str> = told["ids"].as_array().unwrap().iter().map(|id| id.as_str().unwrap()).collect();
    let known: Vec<String> = list.entries.iter().map(|entry| entry.alarm.id().address()).collect();
    assert!(!ids.is_empty() && ids.iter().all(|id| known.iter().any(|known| known == id)), "{ids:?}");
    cancel.cancel();
    let _ = task.await;
}

#[tokio::test]
async fn over_a_real_socket_a_listener_hears_hangs_up_and_resumes() {
    let events = Events::new(BOOT);
    let server = BoundServer::bind("127.0.0.1:0".parse().unwrap()).await.unwrap();
    let (address, cancel, tracker) = (server.address(), CancellationToken::new(), TaskTracker::new());
    tracker.spawn(server.serve(router(&events), HttpLimits::default(), None, cancel.clone(), tracker.clone()));
    let connect = async |seen: &str| {
        let mut stream = TcpStream::connect(address).await.unwrap();
        let request = format!("GET /api/v1/events HTTP/1.1\r\nHost: x\r\n{seen}\r\n");
        stream.write_all(request.as_bytes()).await.unwrap();
        stream
    };
    let mut stream = connect("").await;
    let mut text = String::new();
    read_until(&mut stream, &mut text, "id: abc-0").await;
    assert!(text.starts_with("HTTP/1.1 200 OK\r\n") && text.contains("retry: 2000"), "{text}");
    tell(&events, 0..1);
    read_until(&mut stream, &mut text, "id: abc-1").await;
    drop(stream);
    tell(&events, 1..3);
    let mut stream = connect("Last-Event-ID: abc-1\r\n").await;
    let mut text = String::new();
    read_until(&mut stream, &mut text, "id: abc-3").await;
    assert!(text.contains("id: abc-2") && !text.contains("id: abc-1\n"), "{text}");
    cancel.cancel();
    tracker.close();
    tokio::time::timeout(Duration::from_secs(10), tracker.wait()).await.expect("no stream holds up the end");
}

async fn read_until(stream: &mut TcpStream, text: &mut String, wanted: &str) {
    let mut part = [0; 1024];
    while !text.contains(wanted) {
        let read = tokio::time::timeout(Duration::from_secs(20), stream.read(&mut part)).await.expect("an event");
        let read = read.unwrap();
        assert!(read > 0, "the end instead of {wanted}: {text}");
        text.push_str(std::str::from_utf8(&part[..read]).unwrap());
    }
}
