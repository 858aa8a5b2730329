//! Alarms of the real binary: raised from simulated stations, in the journal before they are shown, and there after a kill.

use std::path::Path;

use serde_json::Value;

use crate::daemon::Daemon;
use crate::support::{Scene, Stage, looked_for, told, wattassay};

const QUICK: &str = r#"
[journal]
folder = "journal"
[alarms.metering_miswired]
priority = "high"
on_delay = "1 s"
[alarms.monitor_silent]
on_delay = "1 s"
[alarms.voltage_leads_wrong]
on_delay = "1 s"
[alarms.phase_missing_stopped]
on_delay = "1 s"
"#;

fn reversed(name: &str) -> Scene {
    let mut scene = Scene::sound(name, "generic-full");
    scene.current[1] = String::from("-B");
    scene
}

fn journal(config: &Path) -> String {
    let folder = config.with_file_name("journal");
    let output = wattassay().args(["journal", "export", "--format", "csv"]).arg(&folder).output().unwrap();
    assert!(output.status.success(), "{}", told(&output));
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn an_alarm_comes_once_names_its_pump_and_outlives_a_kill() {
    let stage = Stage::set(&[reversed("Gravel Pit Lift"), Scene::sound("Orchard Street Lift", "generic-full")]);
    let text = std::fs::read_to_string(&stage.config).unwrap();
    std::fs::write(&stage.config, format!("{text}\n{QUICK}")).unwrap();
    let high = "wattassay_alarms{priority=\"high\",state=\"unacknowledged\"}";

    let mut daemon = Daemon::start(&stage.config);
    let line = daemon.wait_for("miswired): came");
    assert!(line.contains("Work order (high) Gravel Pit Lift, Pump 1"), "{line}");
    daemon.kill();

    // The kill came right after the alarm was told: it is in the journal, and the next start goes on from it.
    let came = |journal: &str| journal.lines().filter(|line| line.contains("miswired): came")).count();
    assert_eq!(came(&journal(&stage.config)), 1);
    let report = wattassay().args(["alarms", "report", "--json"]).arg(stage.config.with_file_name("journal")).output();
    let report: serde_json::Value = serde_json::from_slice(&report.unwrap().stdout).unwrap();
    let counted = [&report["raised"]["total"], &report["work_orders"], &report["unreadable"]];
    assert_eq!(counted, [0, 1, 0], "wrong wiring waits for a work order: {report}");
    let mut daemon = Daemon::start(&stage.config);
    daemon.wait_for("Gravel Pit Lift / Pump 1: ");
    assert_eq!(daemon.metric(high), 1.0);
    assert_eq!(daemon.metric("wattassay_alarm_flood"), 0.0);
    daemon.signal("TERM");
    daemon.wait_for("stopped");
    let journal = journal(&stage.config);
    assert_eq!(came(&journal), 1, "{journal}");
    assert!(!journal.contains("Orchard Street Lift, Pump 1"), "{journal}");
}

#[test]
fn voltage_leads_exchanged_at_two_pumps_are_one_alarm_of_their_monitor() {
    let mut scene = Scene::sound("Gravel Pit Lift", "generic-full");
    scene.voltage.swap(1, 2);
    scene.second = Some(scene.current.clone());
    let stage = Stage::set(&[scene]);
    let text = std::fs::read_to_string(&stage.config).unwrap();
    std::fs::write(&stage.config, format!("{text}\n{QUICK}")).unwrap();

    let mut daemon = Daemon::start(&stage.config);
    daemon.wait_for("Gravel Pit Lift / Pump 2: ");
    daemon.wait_for("Gravel Pit Lift, PM-1 (Meter voltage lead, fuse or order at fault)");
    // It is shown once it is recorded and told.
    let alarms = looked_for("an alarm", || {
        let list: Value = serde_json::from_str(&daemon.get("/api/v1/alarms")).unwrap();
        list["items"].as_array().filter(|items| !items.is_empty()).cloned()
    });
    let [alarm] = alarms.as_slice() else { panic!("{alarms:?}") };
    assert_eq!(
        (alarm["kind"].as_str(), alarm["part"].as_str()),
        (Some("voltage_leads_wrong"), Some("PM-1")),
        "{alarm}"
    );
    let story = |key: &str| alarm["story"][key].as_str().unwrap().to_owned();
    assert!(story("what").contains("voltage leads 2 and 3 are swapped"), "{alarm}");
    assert!(story("means").contains("Pump 1 and Pump 2"), "{alarm}");
    assert!(!alarm["cautions"].as_array().unwrap().is_empty() && story("action").contains("field sheet"), "{alarm}");
    daemon.signal("TERM");
    daemon.wait_for("stopped");
    let journal = journal(&stage.config);
    assert_eq!(journal.lines().filter(|line| line.contains(": came")).count(), 1, "{journal}");
}

/// Active alarms of the daemon, as the API gives them.
fn listed(daemon: &Daemon) -> Vec<Value> {
    let list: Value = serde_json::from_str(&daemon.get("/api/v1/alarms")).unwrap();
    list["items"].as_array().cloned().unwrap_or_default()
}

#[test]
fn a_supply_phase_lost_while_the_pump_is_stopped_is_told_before_its_next_start() {
    let mut scene = Scene::sound("Gravel Pit Lift", "generic-full");
    scene.loads = vec![0.0];
    scene.phase_scale = "[1.0, 0.995, 1.003]\nlost_phase = \"B\"";
    let stage = Stage::set(&[scene]);
    let text = std::fs::read_to_string(&stage.config).unwrap();
    std::fs::write(&stage.config, format!("{text}\n{QUICK}")).unwrap();

    let mut daemon = Daemon::start(&stage.config);
    daemon.wait_for("Gravel Pit Lift, PM-1 (Phase voltage missing, pumps stopped: supply or meter fuse)");
    let alarms = looked_for("an alarm", || Some(listed(&daemon)).filter(|alarms| !alarms.is_empty()));
    let [alarm] = alarms.as_slice() else { panic!("{alarms:#?}") };
    assert_eq!(
        (alarm["kind"].as_str(), alarm["class"].as_str(), alarm["priority"].as_str()),
        (Some("phase_missing_stopped"), Some("alarm"), Some("high")),
        "{alarm:#}"
    );
    let line = alarm["line"].as_str().unwrap();
    assert!(line.contains("no volts on phase B, pumps stopped") && line.chars().count() <= 140, "{line}");
    assert!(!alarm["cautions"].as_array().unwrap().is_empty(), "{alarm:#}");
    println!("{alarm:#}");
    daemon.signal("TERM");
    daemon.wait_for("stopped");
}
