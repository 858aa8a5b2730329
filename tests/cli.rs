//! The program as a person or a service manager meets it: arguments, exit codes, output, start and stop.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

use tempfile::TempDir;
use tokio_util::sync::CancellationToken;
use wattassay_simulators::StepFile;

/// Far above anything seen; only a hang reaches it.
const LIMIT: Duration = Duration::from_mins(1);

struct Ran {
    code: Option<i32>,
    out: String,
    err: String,
}

fn program() -> Command {
    Command::new(assert_cmd::cargo::cargo_bin!("wattassay"))
}

fn run(arguments: &[&str]) -> Ran {
    let output = program().args(arguments).stdin(Stdio::null()).output().unwrap();
    Ran {
        code: output.status.code(),
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
    }
}

/// One station with one monitor at `monitor`, pages at `listen`.
fn config(folder: &TempDir, listen: &str, monitor: &str) -> PathBuf {
    let path = folder.path().join("station.toml");
    let text = format!(
        r#"
[http]
listen = "{listen}"

[[stations]]
name = "Alder Creek Lift"
service = "wye-4-wire"
nominal_voltage = "480 V"
voltage_connection = "direct"

[[stations.monitors]]
name = "PM-1"
address = "{monitor}"
unit = 1
map = "generic-full"
poll_period = "200 ms"
timeout = "100 ms"

[[stations.circuits]]
name = "Pump 1"
monitor = "PM-1"
load = "induction-motor"
rated_power = "60 hp"
rated_voltage = "460 V"
full_load_current = "77 A"
full_load_power_factor = 0.86
ct_ratio = "200:5"
"#
    );
    std::fs::write(&path, text).unwrap();
    path
}

/// An address nobody listens on; the listener is kept so that nobody else can take it, but it never accepts.
fn silent_monitor() -> (TcpListener, String) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    (listener, address)
}

/// A running program that is killed when a test fails half way.
struct Running {
    child: Child,
    log: BufReader<std::process::ChildStderr>,
}

impl Running {
    fn start(arguments: &[&str]) -> Running {
        let mut child = program().args(arguments).stdin(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
        let log = BufReader::new(child.stderr.take().unwrap());
        Running { child, log }
    }

    /// The first log line that holds `text`; fails when the log ends first.
    fn line_with(&mut self, text: &str) -> String {
        let mut seen = String::new();
        loop {
            let mut line = String::new();
            assert!(self.log.read_line(&mut line).unwrap() > 0, "no line with \"{text}\" in:\n{seen}");
            if line.contains(text) {
                return line;
            }
            seen += &line;
        }
    }

    fn pages(&mut self) -> String {
        let line = self.line_with("http://");
        line.split("http://").nth(1).unwrap().split('/').next().unwrap().to_owned()
    }

    fn signal(&self, name: &str) {
        let sent = Command::new("kill").args([name, &self.child.id().to_string()]).status().unwrap();
        assert!(sent.success());
    }

    fn ended(mut self) -> ExitStatus {
        let end = Instant::now() + LIMIT;
        while Instant::now() < end {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status;
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        panic!("did not end within {LIMIT:?}");
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn get(address: &str, path: &str) -> String {
    let mut stream = TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(LIMIT)).unwrap();
    write!(stream, "GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n").unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    answer
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[test]
fn help_names_every_command_and_every_exit_code() {
    let help = run(&["--help"]);
    assert_eq!(help.code, Some(0));
    for word in ["run", "check", "audit", "demo", "maps", "Exit codes", "3  error", "only ever reads"] {
        assert!(help.out.contains(word), "{word}: {}", help.out);
    }
    for command in ["run", "check", "audit", "demo", "maps", "replay", "columns"] {
        let help = run(&[command, "--help"]);
        assert_eq!(help.code, Some(0), "{command}");
        assert!(help.out.contains("Usage: wattassay"), "{command}");
    }
    assert_eq!(run(&["--version"]).out, format!("wattassay {}\n", env!("CARGO_PKG_VERSION")));
}

#[test]
fn bad_arguments_are_errors_and_never_look_like_a_verdict() {
    for arguments in [
        &[][..],
        &["audits"],
        &["run"],
        &["check"],
        &["audit"],
        &["audit", "--config", "x.toml", "--for", "30"],
        &["audit", "--config", "x.toml", "--for", "-1s"],
        &["demo", "--port", "70000"],
        &["demo", "--listen", "0.0.0.0:0"],
        &["maps", "try", "generic-full", "--address", "127.0.0.1:1", "--unit", "256"],
        &["--log-format", "xml", "maps"],
        &["--log-filter", "=!=", "maps"],
    ] {
        let ran = run(arguments);
        assert_eq!(ran.code, Some(3), "{arguments:?}: {}{}", ran.out, ran.err);
        assert!(!ran.err.is_empty(), "{arguments:?}");
    }
}

#[test]
fn a_missing_file_is_an_error_for_every_command() {
    for command in ["run", "audit"] {
        let ran = run(&[command, "--config", "/nowhere/station.toml"]);
        assert_eq!(ran.code, Some(3), "{command}");
        assert!(ran.err.contains("/nowhere/station.toml"), "{}", ran.err);
    }
    let ran = run(&["check", "/nowhere/station.toml"]);
    assert_eq!(ran.code, Some(1));
    assert!(ran.err.contains("/nowhere/station.toml") && ran.err.contains("1 problem"), "{}", ran.err);
}

#[test]
fn check_tells_what_was_understood() {
    let folder = TempDir::new().unwrap();
    let path = config(&folder, "127.0.0.1:0", "192.0.2.1:502");
    let ran = run(&["check", text(&path)]);
    assert_eq!(ran.code, Some(0), "{}", ran.err);
    let written = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, format!("tariff = {{ currency = \"USD\", price_per_kwh = 0.11 }}\n{written}")).unwrap();
    let priced = run(&["check", text(&path)]);
    assert!(priced.out.contains("energy at 0.11 USD a kWh"), "{} {}", priced.out, priced.err);
    for word in ["nothing wrong", "Alder Creek Lift", "480 V", "192.0.2.1:502 unit 1", "77 A", "CTs 200:5", "44.7 kW"] {
        assert!(ran.out.contains(word), "{word}: {}", ran.out);
    }
}

#[test]
fn check_tells_every_problem_of_every_file() {
    let folder = TempDir::new().unwrap();
    let good = config(&folder, "127.0.0.1:0", "192.0.2.1:502");
    let bad = folder.path().join("bad.toml");
    let spoiled = std::fs::read_to_string(&good)
        .unwrap()
        .replace("\"480 V\"", "480")
        .replace("unit = 1", "unit = 700")
        .replace("\"77 A\"", "\"77 V\"");
    std::fs::write(&bad, spoiled).unwrap();
    let ran = run(&["check", text(&good), text(&bad), "/nowhere.toml"]);
    assert_eq!(ran.code, Some(1));
    assert!(ran.out.contains("station.toml: nothing wrong"), "{}", ran.out);
    for word in ["nominal_voltage", "unit", "full_load_current", "/nowhere.toml", "4 problems"] {
        assert!(ran.err.contains(word), "{word}: {}", ran.err);
    }
}

/// A warning refuses nothing: the exit code is that of a right file, and the daemon says it and runs.
#[test]
fn what_contradicts_itself_is_warned_of_and_used() {
    let folder = TempDir::new().unwrap();
    let (_monitor, address) = silent_monitor();
    let path = config(&folder, "127.0.0.1:0", &address);
    let odd = std::fs::read_to_string(&path).unwrap().replace("\"77 A\"", "\"770 A\"");
    std::fs::write(&path, odd).unwrap();
    let ran = run(&["check", text(&path)]);
    assert_eq!(ran.code, Some(0), "{}", ran.err);
    assert!(ran.out.contains("station.toml: no problem, 2 warnings\n") && ran.out.contains("770 A"), "{}", ran.out);
    let place =
        "station.toml:25:21: warning: stations.circuits.full_load_current: 770 A does not belong to 60 hp (44.7 kW)";
    assert!(ran.err.contains(place), "{}", ran.err);
    assert!(ran.err.contains("25 | full_load_current = \"770 A\"\n"), "{}", ran.err);
    let mut daemon = Running::start(&["run", "--config", text(&path)]);
    let logged = daemon.line_with("warning: stations.circuits.full_load_current");
    assert!(logged.contains("770 A does not belong to 60 hp"), "{logged}");
    daemon.pages();
}

#[test]
fn a_missing_users_file_names_the_command_that_makes_it() {
    let folder = TempDir::new().unwrap();
    let path = config(&folder, "127.0.0.1:0", "192.0.2.1:502");
    let with = std::fs::read_to_string(&path).unwrap() + "\n[access]\nusers = \"users.toml\"\n";
    std::fs::write(&path, with).unwrap();
    let command = format!("wattassay users add NAME --role engineer --config {}", text(&path));
    let ran = run(&["check", text(&path)]);
    assert_eq!(ran.code, Some(1));
    assert!(ran.err.contains("users.toml: there is no such file") && ran.err.contains(&command), "{}", ran.err);
    let ran = run(&["run", "--config", text(&path)]);
    assert_eq!(ran.code, Some(3));
    assert!(ran.err.contains("wattassay users add NAME --role engineer --config"), "{}", ran.err);
}

/// A server that answers every read of registers with one word, as test servers do.
fn constant_monitor(word: u16) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let mut stream = stream.unwrap();
            std::thread::spawn(move || {
                let mut request = [0; 12];
                while stream.read_exact(&mut request).is_ok() {
                    let count = u16::from_be_bytes([request[10], request[11]]);
                    let bytes = u8::try_from(2 * count).unwrap();
                    let length = (u16::from(bytes) + 3).to_be_bytes();
                    let mut answer =
                        vec![request[0], request[1], 0, 0, length[0], length[1], request[6], request[7], bytes];
                    (0..count).for_each(|_| answer.extend(word.to_be_bytes()));
                    if stream.write_all(&answer).is_err() {
                        return;
                    }
                }
            });
        }
    });
    address
}

#[test]
fn a_device_that_gives_one_word_for_everything_is_told_and_not_well() {
    for (word, map, told) in [
        (0, "generic-watts", "registers read are 0: the device answers and gives no measured value"),
        (
            0xFFFF,
            "generic-watts",
            "registers read are the same, 0xffff: the device answers and gives no measured value",
        ),
    ] {
        let tried = run(&["maps", "try", map, "--address", &constant_monitor(word)]);
        assert_eq!(tried.code, Some(2), "{}{}", tried.out, tried.err);
        assert!(tried.out.contains(told), "{}", tried.out);
    }
}

#[test]
fn the_daemon_serves_its_pages_and_ends_on_either_signal() {
    let folder = TempDir::new().unwrap();
    let (_monitor, address) = silent_monitor();
    let path = config(&folder, "127.0.0.1:0", &address);
    for signal in ["-TERM", "-INT"] {
        let mut daemon = Running::start(&["run", "--config", text(&path)]);
        let pages = daemon.pages();
        assert!(get(&pages, "/healthz").starts_with("HTTP/1.1 200"));
        assert!(get(&pages, "/metrics").contains("wattassay_build_info"));
        let cause = daemon.line_with("gives no values");
        assert!(cause.contains("Alder Creek Lift / PM-1") && cause.contains(&address), "{cause}");
        let ready = get(&pages, "/readyz");
        assert!(ready.starts_with("HTTP/1.1 200") && ready.contains("gives no values: "), "{ready}");
        daemon.signal(signal);
        assert_eq!(daemon.ended().code(), Some(0), "{signal}");
    }
}

#[test]
fn logs_can_be_json() {
    let folder = TempDir::new().unwrap();
    let (_monitor, address) = silent_monitor();
    let path = config(&folder, "127.0.0.1:0", &address);
    let mut daemon = Running::start(&["--log-format", "json", "run", "--config", text(&path)]);
    let line: serde_json::Value = serde_json::from_str(&daemon.line_with("gives no values")).unwrap();
    assert_eq!(line["level"], "WARN");
    assert_eq!(line["station"], "Alder Creek Lift");
    assert_eq!(line["monitor"], "PM-1");
    daemon.signal("-TERM");
    assert_eq!(daemon.ended().code(), Some(0));
}

#[test]
fn a_taken_address_is_an_error_at_the_start() {
    let folder = TempDir::new().unwrap();
    let (taken, address) = silent_monitor();
    let path = config(&folder, &address, "192.0.2.1:502");
    let ran = run(&["run", "--config", text(&path)]);
    assert_eq!(ran.code, Some(3));
    assert!(ran.err.contains(&format!("cannot listen on {address}")), "{}", ran.err);
    drop(taken);
}

#[test]
fn an_audit_of_a_silent_monitor_could_not_tell_and_says_why() {
    let folder = TempDir::new().unwrap();
    let (_monitor, address) = silent_monitor();
    let path = config(&folder, "127.0.0.1:0", &address);
    let ran = run(&["audit", "--config", text(&path), "--for", "1s"]);
    assert_eq!(ran.code, Some(2), "{}{}", ran.out, ran.err);
    assert!(ran.out.contains("HAS NEVER ANSWERED") && ran.out.contains("read failed: "), "{}", ran.out);
    let ran = run(&["audit", "--config", text(&path), "--for", "1s", "--json"]);
    assert_eq!(ran.code, Some(2));
    let document: serde_json::Value = serde_json::from_str(&ran.out).unwrap();
    assert_eq!(document["stations"][0]["monitors"][0]["state"], "never_answered");
    let ran = run(&["audit", "--config", text(&path), "--station", "Nowhere"]);
    assert_eq!(ran.code, Some(3));
    assert!(ran.err.contains("Alder Creek Lift"), "{}", ran.err);
}

#[test]
fn maps_are_listed_printed_and_tried() {
    let list = run(&["maps"]);
    assert_eq!(list.code, Some(0));
    for map in ["generic-full", "generic-watts", "generic-totals", "generic-blanking", "sunspec"] {
        assert!(list.out.contains(map), "{}", list.out);
        assert_eq!(run(&["maps", map]).code, Some(0), "{map}");
    }
    let unknown = run(&["maps", "nothing"]);
    assert_eq!(unknown.code, Some(3));
    assert!(unknown.err.contains("generic-full"), "{}", unknown.err);
    let (_monitor, address) = silent_monitor();
    let tried = run(&["maps", "try", "generic-full", "--address", &address, "--unit", "1"]);
    assert_eq!(tried.code, Some(3), "{}{}", tried.out, tried.err);
    assert!(tried.out.contains("failed: "), "{}", tried.out);
}

/// Simulated stations by name, served on free ports, their pumps running from the first second; the daemon's
/// configuration for them beside it. They end with the value.
struct Simulated {
    stop: CancellationToken,
    config: PathBuf,
    served: Option<std::thread::JoinHandle<()>>,
    _folder: TempDir,
}

impl Simulated {
    fn start(names: &[&str]) -> Simulated {
        let mut stations = wattassay_simulators::demo_stations();
        stations.retain(|station| names.contains(&station.name.as_str()));
        assert_eq!(stations.len(), names.len());
        for station in &mut stations {
            for pump in &mut station.pumps {
                pump.schedule = vec![StepFile { at_s: 0.0, load: Some(0.8), stop: false }];
                pump.repeat_s = None;
                pump.start_s = 0.1;
            }
            for monitor in &mut station.monitors {
                "127.0.0.1:0".clone_into(&mut monitor.listen);
            }
        }
        let stop = CancellationToken::new();
        let (addresses, addressed) = std::sync::mpsc::channel();
        let token = stop.clone();
        let served = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
            runtime.block_on(async {
                let running = wattassay_simulators::start(stations, token.clone()).await.unwrap();
                let all: Vec<_> = running.monitors.iter().map(|m| (m.station.clone(), m.address)).collect();
                addresses.send(all).unwrap();
                token.cancelled().await;
            });
        });
        let addresses = addressed.recv_timeout(LIMIT).unwrap();
        let folder = TempDir::new().unwrap();
        let config = folder.path().join("simulated.toml");
        std::fs::write(&config, demo_config_for(&addresses)).unwrap();
        Simulated { stop, config, served: Some(served), _folder: folder }
    }
}

impl Drop for Simulated {
    fn drop(&mut self) {
        self.stop.cancel();
        if let Some(served) = self.served.take() {
            let _ = served.join();
        }
    }
}

/// The bundled configuration, cut down to the stations served and pointed to where they are.
fn demo_config_for(addresses: &[(String, std::net::SocketAddr)]) -> String {
    let all: toml::Table = include_str!("../config/demo.toml").parse().unwrap();
    let mut stations = all["stations"].as_array().unwrap().clone();
    stations.retain(|station| addresses.iter().any(|(name, _)| station["name"].as_str() == Some(name)));
    for station in &mut stations {
        let (_, address) = addresses.iter().find(|(name, _)| station["name"].as_str() == Some(name)).unwrap();
        let monitor = station["monitors"][0].as_table_mut().unwrap();
        monitor.insert("address".to_owned(), address.to_string().into());
        monitor.insert("poll_period".to_owned(), "250 ms".into());
    }
    let mut cut = toml::Table::new();
    cut.insert("stations".to_owned(), stations.into());
    cut.to_string()
}

#[test]
fn an_audit_names_the_wrong_lead_behind_the_cautions() {
    let simulated = Simulated::start(&["Cooper Flats Pumping", "Saltgrass Intake"]);
    let path = text(&simulated.config);
    let ran = run(&["audit", "--config", path, "--until-decided", "--for", "60s"]);
    assert_eq!(ran.code, Some(1), "{}{}", ran.out, ran.err);
    assert!(ran.out.starts_with("CAUTION"), "{}", ran.out);
    for word in [
        "Cooper Flats Pumping / Pump 1: OK",
        "Saltgrass Intake / Pump 1: FAULT FOUND",
        "voltage leads 2 and 3 are swapped",
        "voltage lead 2: WRONG, on phase C, should be on B",
        "Failing checks",
        "Corrected power (as the intended wiring would meter it)",
    ] {
        assert!(ran.out.contains(word), "{word}: {}", ran.out);
    }

    let sound =
        run(&["audit", "--config", path, "--until-decided", "--for", "60s", "--station", "Cooper Flats Pumping"]);
    assert_eq!(sound.code, Some(0), "{}{}", sound.out, sound.err);
    assert!(!sound.out.contains("CAUTION") && !sound.out.contains("Saltgrass"), "{}", sound.out);

    let json = run(&["audit", "--config", path, "--until-decided", "--for", "60s", "--json"]);
    assert_eq!(json.code, Some(1));
    let document: serde_json::Value = serde_json::from_str(&json.out).unwrap();
    let verdicts: Vec<_> = document["stations"]
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|station| station["circuits"].as_array().unwrap())
        .map(|circuit| circuit["verdict"].as_str().unwrap())
        .collect();
    assert_eq!(verdicts, ["fault", "fault", "sound"]);
}

#[test]
fn a_field_sheet_is_given_as_text_and_as_a_page_and_counts_what_was_found() {
    let simulated = Simulated::start(&["Saltgrass Intake"]);
    let path = text(&simulated.config);
    let of = ["--config", path, "--station", "Saltgrass Intake", "--for", "8s"];
    let sheet = |more: &[&str]| run(&[&["sheet"], &of[..], more].concat());
    let folder = TempDir::new().unwrap();
    let checks = folder.path().join("checks.toml");
    let entry = "[[checks]]\nstation = \"Saltgrass Intake\"\ncircuit = \"Pump 1\"\ncheck = \"voltage-identity\"\n\
                 channel = 2\nvolts = [481, 479, 1.5]\nby = \"J. Alvarez\"\nat = \"2026-11-25T10:00:00Z\"\n";
    std::fs::write(&checks, entry).unwrap();
    let ran = sheet(&["--circuit", "Pump 1", "--checks", text(&checks)]);
    assert_eq!(ran.code, Some(1), "{}{}", ran.out, ran.err);
    for word in ["CAUTION", "voltage leads 2 and 3 are swapped", "J. Alvarez", "Remedy, only if every check confirms"] {
        assert!(ran.out.contains(word), "{word}: {}", ran.out);
    }
    let page = folder.path().join("sheet.html");
    let ran = sheet(&["--circuit", "Pump 1", "--html", text(&page)]);
    assert_eq!((ran.code, ran.out.as_str()), (Some(1), ""), "{}", ran.err);
    let html = std::fs::read_to_string(&page).unwrap();
    assert!(html.starts_with("<!DOCTYPE html>") && html.contains("Saltgrass Intake / Pump 1") && html.contains("<svg"));

    std::fs::write(&checks, entry.replace("1.5", "20")).unwrap();
    let ran = sheet(&["--circuit", "Pump 1", "--checks", text(&checks)]);
    assert_eq!(ran.code, Some(3));
    assert!(ran.err.contains("checks.toml:6:9: checks.volts: 481, 479, 20 V are neither"), "{}", ran.err);
    let ran = sheet(&["--circuit", "Pump 9"]);
    assert_eq!(ran.code, Some(3));
    assert!(ran.err.contains("has no circuit \"Pump 9\"; it has \"Pump 1\""), "{}", ran.err);
}

#[test]
fn a_finding_is_added_to_its_file_and_shows_how_the_diagnosis_moved() {
    let simulated = Simulated::start(&["Saltgrass Intake"]);
    let folder = TempDir::new().unwrap();
    let checks = folder.path().join("findings.toml");
    let place = ["finding", "--config", text(&simulated.config), "--checks", text(&checks)];
    let mut child = program()
        .args(place)
        .args(["--for", "8s"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // A wrong word is asked again.
    child.stdin.take().unwrap().write_all(b"1\nvoltage-lead-trace\n2\nphase-D\nc\nJ. Alvarez\n").unwrap();
    let output = child.wait_with_output().unwrap();
    let (out, err) = (String::from_utf8(output.stdout).unwrap(), String::from_utf8(output.stderr).unwrap());
    assert_eq!(output.status.code(), Some(0), "{out}{err}");
    assert!(err.contains("\"phase-D\" is not a choice here"), "{err}");
    for word in ["added to ", "before: ", "after:  ", "Saltgrass Intake / Pump 1", "voltage leads 2 and 3 are swapped"]
    {
        assert!(out.contains(word), "{word}: {out}");
    }
    let held = std::fs::read_to_string(&checks).unwrap();
    assert!(held.contains("check = \"voltage-lead-trace\"") && held.contains("shows = \"c\""), "{held}");

    let given = ["--circuit", "Pump 1", "--check", "polarity", "--channel", "1", "--by", "R. Osei", "--no-reading"];
    let refused = run(&[&place[..], &given, &["--shows", "backwards"]].concat());
    assert_eq!(refused.code, Some(3));
    assert!(refused.err.contains("right, body-reversed"), "{}", refused.err);
    assert_eq!(std::fs::read_to_string(&checks).unwrap(), held, "what is refused changes nothing");
    let added = run(&[&place[..], &given, &["--shows", "Right"]].concat());
    assert_eq!(added.code, Some(0), "{}", added.err);
    assert!(std::fs::read_to_string(&checks).unwrap().starts_with(&held), "what was there stays");
}

#[test]
fn a_map_tried_on_a_simulated_monitor_shows_its_values() {
    let simulated = Simulated::start(&["Cooper Flats Pumping"]);
    let config: toml::Table = std::fs::read_to_string(&simulated.config).unwrap().parse().unwrap();
    let address = config["stations"][0]["monitors"][0]["address"].as_str().unwrap().to_owned();
    let tried = run(&["maps", "try", "generic-full", "--address", &address]);
    assert_eq!(tried.code, Some(0), "{}{}", tried.out, tried.err);
    for word in ["0 failed", "voltage to neutral (V)", "circuit slot 1", "total active power (W)"] {
        assert!(tried.out.contains(word), "{word}: {}", tried.out);
    }
}

#[test]
fn the_demo_serves_what_it_says_and_ends_with_what_it_found() {
    let mut child = program()
        .args(["demo", "--listen", "127.0.0.1:0"])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut out = BufReader::new(child.stdout.take().unwrap());
    let log = BufReader::new(child.stderr.take().unwrap());
    let mut demo = Running { child, log };
    let mut seen = String::new();
    let pages = loop {
        let mut line = String::new();
        assert!(out.read_line(&mut line).unwrap() > 0, "no address in:\n{seen}");
        seen += &line;
        if let Some(rest) = line.trim().strip_prefix("http://") {
            break rest.split('/').next().unwrap().to_owned();
        }
    };
    for word in ["Nothing here touches a real monitor", "Alder Creek Lift", "CT leads of channels 2 and 3 swapped"] {
        assert!(seen.contains(word), "{word}: {seen}");
    }
    demo.line_with("answers every read");
    assert!(get(&pages, "/api/v1/snapshot").contains("Tannery Street Lift"));
    demo.signal("-INT");
    let mut rest = String::new();
    out.read_to_string(&mut rest).unwrap();
    assert!(rest.contains("What was found"), "{rest}");
    assert_eq!(demo.ended().code(), Some(0));
}

/// A journal of three entries, and its folder.
fn journal() -> TempDir {
    use wattassay::journal::{Entry, JournalFile, Kind};
    let folder = TempDir::new().unwrap();
    let (mut file, _) = JournalFile::open(folder.path(), 0).unwrap();
    let entries = ["up", "Pump 1: CT 1 reversed", "said \"later\", left"]
        .map(|text| Entry::new(1_795_000_000_000, Kind::Diagnosis, text).about("Alder Creek Lift", "Pump 1"));
    file.append(&entries).unwrap();
    folder
}

#[test]
fn a_journal_is_verified_and_exported_beside_its_writer() {
    let folder = journal();
    let path = folder.path().to_str().unwrap();
    let verified = run(&["journal", "verify", path]);
    assert_eq!(verified.code, Some(0), "{}", verified.err);
    let head = verified.out.lines().find_map(|line| line.strip_prefix("newest ")).unwrap();
    assert_eq!(run(&["journal", "verify", path, "--holds", head]).code, Some(0));
    let other = format!("3:{}", "0".repeat(64));
    assert_eq!(run(&["journal", "verify", path, "--holds", &other]).code, Some(1));
    let csv = run(&["journal", "export", path, "--after", "1"]).out;
    assert_eq!(csv.lines().count(), 3, "{csv}");
    assert!(csv.contains("\"said \"\"later\"\", left\""), "{csv}");
    let json = run(&["journal", "export", path, "--format", "json"]).out;
    let list: Vec<serde_json::Value> = serde_json::from_str(&json).unwrap();
    assert_eq!((list.len(), &list[1]["text"]), (3, &"Pump 1: CT 1 reversed".into()));
    assert_eq!(run(&["journal", "verify", "/nowhere"]).code, Some(3));
}

#[test]
fn an_altered_journal_is_told() {
    let folder = journal();
    let database = rusqlite::Connection::open(folder.path().join("journal.db")).unwrap();
    database
        .execute_batch("DROP TRIGGER entry_is_not_changed; UPDATE entry SET text = 'sound' WHERE sequence = 2")
        .unwrap();
    drop(database);
    let verified = run(&["journal", "verify", folder.path().to_str().unwrap()]);
    assert_eq!(verified.code, Some(1));
    assert!(verified.out.starts_with("altered: entry 2 "), "{}", verified.out);
}

#[test]
fn what_the_daemon_shows_is_in_the_journal_even_when_it_is_killed_the_next_moment() {
    let folder = TempDir::new().unwrap();
    let (_monitor, address) = silent_monitor();
    let path = config(&folder, "127.0.0.1:0", &address);
    let site = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, format!("[journal]\nfolder = \"j\"\n[history]\nfolder = \"h\"\n{site}")).unwrap();
    let journal = folder.path().join("j");
    let export = || run(&["journal", "export", text(&journal)]).out;

    let mut daemon = Running::start(&["run", "--config", text(&path)]);
    daemon.line_with("gives no values");
    daemon.signal("-KILL");
    daemon.ended();
    assert_eq!(run(&["journal", "verify", text(&journal)]).code, Some(0));
    let kinds = |csv: &str| csv.lines().skip(1).map(|l| l.split(',').nth(3).unwrap().to_owned()).collect::<Vec<_>>();
    let first = export();
    assert_eq!(kinds(&first), ["started", "configuration", "monitor"], "{first}");
    assert!(first.contains("Alder Creek Lift / PM-1"), "{first}");

    let mut daemon = Running::start(&["run", "--config", text(&path)]);
    daemon.line_with("http://");
    // Another daemon on the same journal would fork the chain.
    let second = run(&["run", "--config", text(&path)]);
    assert_eq!(second.code, Some(3));
    assert!(second.err.contains("another wattassay"), "{}", second.err);
    daemon.signal("-TERM");
    assert_eq!(daemon.ended().code(), Some(0));
    assert_eq!(kinds(&export()).last().map(String::as_str), Some("stopped"));
    let listed = run(&["history", "list", text(&folder.path().join("h"))]);
    assert!(listed.out.contains("Alder Creek Lift / circuit Pump 1"), "{}{}", listed.out, listed.err);
}

#[test]
fn readings_and_the_diagnosis_of_a_run_are_kept() {
    let simulated = Simulated::start(&["Quarry Road Booster"]);
    let folder = TempDir::new().unwrap();
    let site = std::fs::read_to_string(&simulated.config).unwrap();
    let path = folder.path().join("site.toml");
    std::fs::write(&path, format!("[journal]\nfolder = \"j\"\n[history]\nfolder = \"h\"\n{site}")).unwrap();
    let mut daemon = Running::start(&["run", "--config", text(&path)]);
    let told = daemon.line_with("Quarry Road Booster / Pump 1: ");
    daemon.signal("-TERM");
    assert_eq!(daemon.ended().code(), Some(0));

    let headline = told.split("Pump 1: ").nth(1).unwrap().trim();
    let journal = run(&["journal", "export", text(&folder.path().join("j")), "--format", "json"]).out;
    let journal: Vec<serde_json::Value> = serde_json::from_str(&journal).unwrap();
    let entry = journal.iter().find(|entry| entry["kind"] == "diagnosis").unwrap();
    assert!(entry["text"].as_str().unwrap().contains(headline), "{entry} is not {headline}");

    let history = folder.path().join("h");
    let of_pump = ["--station", "Quarry Road Booster", "--circuit", "Pump 1"];
    let changes = run(&[&["history", "changes", text(&history)][..], &of_pump].concat());
    assert!(changes.out.contains(",diagnosis,"), "{}{}", changes.out, changes.err);
    let wanted = ["--tier", "readings", "--quantities", "current_1_a,corrected_total_active_power_w,running"];
    let rows = run(&[&["history", "export", text(&history)][..], &of_pump, &wanted].concat());
    assert!(
        rows.out.starts_with("at,current_1_a,corrected_total_active_power_w,running\n"),
        "{}{}",
        rows.out,
        rows.err
    );
    let amperes = rows.out.lines().skip(1).filter_map(|line| line.split(',').nth(1)?.parse::<f64>().ok());
    assert!(amperes.filter(|a| *a > 10.0).count() >= 3, "{}", rows.out);
    let unknown = run(&["history", "export", text(&history), "--station", "Nowhere", "--circuit", "Pump 1"]);
    assert!(unknown.code == Some(3) && unknown.err.contains("Quarry Road Booster / circuit Pump 1"), "{}", unknown.err);
}

#[test]
fn the_kinds_of_alarms_are_listed_for_people_and_for_tables() {
    let csv = run(&["alarms", "kinds", "--format", "csv"]);
    assert_eq!(csv.code, Some(0), "{}", csv.err);
    assert!(csv.out.contains("\"phase_missing_stopped\",\"alarm\",") && csv.out.lines().count() > 15, "{}", csv.out);
    let json: serde_json::Value = serde_json::from_str(&run(&["alarms", "kinds", "--format", "json"]).out).unwrap();
    assert_eq!(json["items"].as_array().map(Vec::len), Some(csv.out.lines().count() - 1));
    let guide = run(&["alarms", "kinds"]).out;
    assert_eq!(guide, include_str!("../deploy/alarms.md"));
}
