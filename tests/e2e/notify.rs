//! Notifications against real servers that share no code with wattassay (`tests/outside/notification_servers.py`), and under
//! kill -9. The first test needs WATTASSAY_PYTHON and WATTASSAY_RSYSLOGD and is run by `.ci/run`.

use std::collections::BTreeMap;
use std::env;
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;
use tempfile::TempDir;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use wattassay::alarm::id::{AlarmId, AlarmKind};
use wattassay::alarm::set::{AlarmSet, Step};
use wattassay::alarm::settings::{AlarmSettings, FloodSettings};
use wattassay::alarm::state::Condition;
use wattassay::alarm::words::supply_phase_lost;
use wattassay::audit::context::ServiceKind;
use wattassay::audit::installation::Installation;
use wattassay::clock::Clock;
use wattassay::config;
use wattassay::desk::Notice;
use wattassay::notify::Notifier;
use wattassay::notify::outbox_file::OutboxFile;
use wattassay::reading::Phase;

const STATION: &str = "Larkmoor [\"Nörth\\]";
const FOLDER: &str = "WATTASSAY_NOTIFY_FOLDER";
const CHILD: &str = "notify::child_that_tells_until_it_is_killed";
/// Far more than anything here takes; only a failure waits so long.
const LIMIT: Duration = Duration::from_mins(1);

/// A lost phase comes on a pump of a station with a name that is hard to write.
fn notices(clock: &Clock, pump: u32) -> Vec<Notice> {
    let id = AlarmId::circuit(STATION, &format!("Pump {pump}"), AlarmKind::SupplyPhaseLost);
    let settings = AlarmSettings { on_delay_ms: 0, ..AlarmSettings::of_kind(id.kind) };
    let (mut set, mut step) = (AlarmSet::new(FloodSettings::default()), Step::default());
    set.configure(clock.now(), [(id.clone(), settings)], FloodSettings::default(), &mut step);
    let story = supply_phase_lost(Phase::B, 0.993, &Installation::unknown(ServiceKind::Wye4, 480.0), &[]);
    set.tell(clock.now(), &id, Condition::True, Some(story), &mut step).unwrap();
    let entry = Box::new(set.get(&id).unwrap().clone());
    step.transitions.into_iter().map(|t| Notice::Alarm { transition: Box::new(t), entry: entry.clone() }).collect()
}

/// A configuration file with targets; gives its path.
fn configure(folder: &Path, targets: &str) -> std::path::PathBuf {
    let head = "[[stations]]\nname = \"Larkmoor North\"\nservice = \"wye-4-wire\"\nnominal_voltage = \"480 V\"\n\
                [[stations.monitors]]\nname = \"PM-1\"\naddress = \"127.0.0.1:1\"\nunit = 1\nmap = \"generic-full\"\n\
                [[stations.circuits]]\nname = \"Pump 1\"\nmonitor = \"PM-1\"\nload = \"induction-motor\"\n";
    let path = folder.join("wattassay.toml");
    fs::write(&path, format!("{head}[notifications]\nfolder = \"outbox\"\n{targets}")).unwrap();
    path
}

/// The servers, and what they have told.
struct Servers {
    child: Child,
    lines: std::io::Lines<BufReader<std::process::ChildStdout>>,
    ports: BTreeMap<String, u64>,
}

impl Servers {
    fn start(folder: &Path) -> Servers {
        let python =
            env::var("WATTASSAY_PYTHON").expect("WATTASSAY_PYTHON names a Python with tests/outside/requirements.txt");
        let rsyslogd = env::var("WATTASSAY_RSYSLOGD").expect("WATTASSAY_RSYSLOGD names rsyslogd");
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/outside/notification_servers.py");
        let mut child = Command::new(python)
            .args([script.as_ref(), folder.as_os_str(), rsyslogd.as_ref()])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let mut servers = Servers { child, lines, ports: BTreeMap::new() };
        servers.ports = serde_json::from_value(servers.next()["ports"].take()).unwrap();
        servers
    }

    fn next(&mut self) -> Value {
        serde_json::from_str(&self.lines.next().expect("the servers ended").unwrap()).unwrap()
    }

    /// Reads until every key of `wanted` was seen so often.
    fn until(&mut self, wanted: &[(&str, usize)]) -> BTreeMap<String, Vec<Value>> {
        let mut seen: BTreeMap<String, Vec<Value>> = BTreeMap::new();
        while wanted.iter().any(|(key, n)| seen.get(*key).map_or(0, Vec::len) < *n) {
            let event = self.next();
            let key = match event["server"].as_str().unwrap() {
                "webhook" => event["path"].as_str().unwrap().to_owned(),
                "mail" => event["name"].as_str().unwrap().to_owned(),
                _ => event["line"]["way"].as_str().unwrap().to_owned(),
            };
            seen.entry(key).or_default().push(event);
        }
        seen
    }
}

impl Drop for Servers {
    fn drop(&mut self) {
        drop(self.child.stdin.take());
        let _ = self.child.wait();
    }
}

fn targets(ports: &BTreeMap<String, u64>) -> String {
    let hooks = [("ok", "https"), ("fails", "http"), ("gone", "http"), ("moved", "http"), ("hangs", "http")];
    let hooks = hooks.map(|(name, scheme)| {
        format!(
            "[[notifications.webhook]]\nname = \"{name}\"\nurl = \"{scheme}://localhost:{}/{name}\"\n\
             secret_file = \"hook.secret\"\nca_file = \"ca.pem\"\ntimeout = \"1 s\"\n",
            ports[scheme]
        )
    });
    let mails = ["starttls", "tls"].map(|name| {
        format!(
            "[[notifications.email]]\nname = \"mail-{name}\"\nhost = \"localhost\"\nport = {}\nsecurity = \"{name}\"\n\
             from = \"Wattassay <wattassay@larkmoor.example>\"\nto = [\"on-call@larkmoor.example\", \"nobody@larkmoor.example\"]\n\
             user = \"wattassay\"\npassword_file = \"mail.password\"\nca_file = \"ca.pem\"\n",
            ports[name]
        )
    });
    let logs = ["udp", "tcp", "tls"].map(|way| {
        format!(
            "[[notifications.syslog]]\nname = \"log-{way}\"\nhost = \"localhost\"\nport = {}\ntransport = \"{way}\"\nca_file = \"ca.pem\"\n",
            ports[&format!("syslog_{way}")]
        )
    });
    hooks.concat() + &mails.concat() + &logs.concat()
}

#[tokio::test(flavor = "multi_thread")]
#[ignore = "needs Python and rsyslogd; .ci/run has them"]
async fn every_real_server_gets_what_it_should() {
    let folder = TempDir::new().unwrap();
    let mut servers = Servers::start(folder.path());
    let path = configure(folder.path(), &targets(&servers.ports));
    let settings = config::load(&path).unwrap().notifications.unwrap();
    let clock = Clock::system();
    let notifier = Notifier::open(&settings, clock.clone()).await.unwrap();
    let (cancel, tracker) = (CancellationToken::new(), TaskTracker::new());
    notifier.spawn(&cancel, &tracker);
    notifier.tell(&notices(&clock, 1)).await;
    let wanted = [
        ("/ok", 1),
        ("/fails", 3),
        ("/gone", 1),
        ("/moved", 1),
        ("/hangs", 2),
        ("starttls", 1),
        ("tls", 1),
        ("udp", 1),
        ("tcp", 1),
    ];
    let seen = tokio::task::spawn_blocking(move || {
        let mut wanted = wanted.to_vec();
        wanted.retain(|(key, _)| *key != "tls");
        // "tls" is both a mail server and a syslog receiver.
        wanted.push(("tls", 2));
        (servers.until(&wanted), servers)
    });
    let (seen, servers) = tokio::time::timeout(LIMIT, seen).await.unwrap().unwrap();

    for (path, events) in seen.iter().filter(|(key, _)| key.starts_with('/')) {
        assert!(events.iter().all(|event| event["good"] == true), "signature: {path} {events:?}");
        assert!(events.iter().all(|event| event["message"]["id"] == events[0]["message"]["id"]), "one id: {path}");
    }
    assert_eq!((seen["/ok"].len(), seen["/gone"].len(), seen["/moved"].len()), (1, 1, 1));
    let statuses: Vec<i64> = seen["/fails"].iter().map(|event| event["status"].as_i64().unwrap()).collect();
    assert_eq!(statuses, [503, 503, 200]);
    assert_eq!(seen["/ok"][0]["message"]["alarm"]["station"], STATION);

    let tls: Vec<&Value> = seen["tls"].iter().collect();
    let mails: Vec<&Value> = tls.iter().copied().chain(&seen["starttls"]).filter(|e| e["server"] == "mail").collect();
    assert_eq!(mails.len(), 2);
    for mail in mails {
        assert_eq!((&mail["tls"], &mail["login"]), (&Value::Bool(true), &Value::Bool(true)), "{mail}");
        assert_eq!(mail["to"], serde_json::json!(["on-call@larkmoor.example"]), "{mail}");
        assert_eq!(
            mail["subject"],
            format!("Critical: {STATION}, Pump 1: Supply phase lost: pump running on two phases")
        );
        assert_eq!((&mail["type"], &mail["automatic"]), (&"text/plain".into(), &"auto-generated".into()), "{mail}");
        let (text, id) = (mail["text"].as_str().unwrap(), mail["id"].as_str().unwrap());
        assert!(text.find("Before any work at a panel") < text.find("What to do"), "{text}");
        assert!(id.ends_with("@larkmoor.example>"), "{id}");
    }
    let lines: Vec<&Value> =
        tls.iter().copied().chain(&seen["udp"]).chain(&seen["tcp"]).filter(|e| e["server"] == "syslog").collect();
    assert_eq!(lines.len(), 3);
    for event in lines {
        let line = &event["line"];
        assert_eq!(
            (&line["pri"], &line["version"], &line["app"]),
            (&"26".into(), &"1".into(), &"wattassay".into()),
            "{line}"
        );
        assert_eq!(line["msgid"], "raised");
        assert!(line["data"].to_string().contains("supply_phase_lost"), "{line}");
        // The receiver gives the structured data it has read as a JSON text.
        let data: Value = serde_json::from_str(line["data"].as_str().unwrap()).unwrap();
        assert_eq!(data["wattassay@32473"]["station"], STATION, "{line}");
        assert!(line["text"].as_str().unwrap().contains("phase B lost, runs on two. Stop it."), "{line}");
    }

    // The servers have answered; what they answered is counted a moment later.
    let began = Instant::now();
    let counts = loop {
        let counts: BTreeMap<_, _> = notifier.counts().into_iter().map(|count| (count.target.clone(), count)).collect();
        let ended = counts.values().filter(|count| count.delivered + count.refused == 1).count();
        if ended == counts.len() - 1 {
            break counts;
        }
        assert!(began.elapsed() < LIMIT, "{counts:#?}");
        tokio::time::sleep(Duration::from_millis(20)).await;
    };
    let of = |name: &str| (counts[name].delivered, counts[name].refused, counts[name].waiting);
    assert_eq!([of("ok").0, of("fails").0, of("mail-tls").0, of("log-tls").0], [1, 1, 1, 1]);
    assert_eq!((counts["fails"].retried, of("gone").1, of("moved").1), (2, 1, 1));
    assert_eq!((of("hangs").0, of("hangs").1, of("hangs").2), (0, 0, 1));
    cancel.cancel();
    tracker.close();
    tokio::time::timeout(LIMIT, tracker.wait()).await.unwrap();

    let tried =
        Command::new(env!("CARGO_BIN_EXE_wattassay")).args(["notify", "test", "--config"]).arg(&path).output().unwrap();
    let said = String::from_utf8(tried.stdout).unwrap();
    assert_eq!(tried.status.code(), Some(1), "{said}");
    for (name, outcome) in [
        ("ok (webhook https://localhost:", "delivered in"),
        ("gone (webhook", "NOT delivered: answered 410"),
        ("hangs (webhook", "NOT delivered: no answer within 1 s"),
        ("mail-starttls (email", "delivered in"),
        ("log-tls (syslog", "delivered in"),
    ] {
        assert!(said.lines().any(|line| line.starts_with(name) && line.contains(outcome)), "{name}: {said}");
    }
    drop(servers);
}

/// Not a test by itself: the other process of the test below.
#[tokio::test]
#[ignore = "started by the test below"]
async fn child_that_tells_until_it_is_killed() {
    let Some(folder) = env::var_os(FOLDER) else { return };
    let settings = config::load(&Path::new(&folder).join("wattassay.toml")).unwrap().notifications.unwrap();
    let clock = Clock::system();
    let notifier = Notifier::open(&settings, clock.clone()).await.unwrap();
    for pump in 1.. {
        notifier.tell(&notices(&clock, pump)).await;
        std::io::stdout().write_all(format!("durable {pump}\n").as_bytes()).unwrap();
    }
}

#[test]
fn nothing_told_is_lost_by_kill_9() {
    let folder = TempDir::new().unwrap();
    fs::write(folder.path().join("secret"), "x").unwrap();
    let target = "[[notifications.webhook]]\nname = \"t\"\nurl = \"http://127.0.0.1:1/\"\nsecret_file = \"secret\"\nqueue = 100000\n";
    configure(folder.path(), target);
    let mut told = 0;
    for run in 0..5 {
        let mut child = Command::new(env::current_exe().unwrap())
            .args(["--exact", CHILD, "--ignored", "--nocapture"])
            .env(FOLDER, folder.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
        let mut acknowledged = lines.by_ref().filter(|line| line.contains("durable ")).take(3 + 4 * run).count();
        child.kill().unwrap();
        // What was printed before the kill; a last line may be cut.
        acknowledged += lines.filter(|line| line.contains("durable ")).count();
        child.wait().unwrap();
        told += acknowledged;
    }
    let (mut outbox, aside) = OutboxFile::open(&folder.path().join("outbox"), 0).unwrap();
    assert_eq!(aside, None);
    let (mut found, mut ids) = (0, std::collections::BTreeSet::new());
    while let Some(waiting) = outbox.next("t", &[]).unwrap() {
        outbox.remove("t", waiting.sequence).unwrap();
        found += 1;
        assert!(ids.insert(waiting.id));
    }
    // One more a run may be on the disk without its line having been printed.
    assert!((told..=told + 5).contains(&found), "{told} told, {found} kept");
}
