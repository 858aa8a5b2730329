//! A configuration read again by the running binary: what is left alone runs on, what is wrong changes nothing.

use serde_json::Value;

use crate::daemon::Daemon;
use crate::support::{Scene, Stage, station, told, wattassay};

fn snapshot(daemon: &Daemon) -> Value {
    serde_json::from_str(&daemon.get("/api/v1/snapshot")).unwrap()
}

fn polls(document: &Value, name: &str) -> u64 {
    let polls = &station(document, name)["monitors"][0]["poll"]["polls"];
    polls.as_u64().unwrap_or_else(|| panic!("no number of polls in {}", station(document, name)))
}

#[test]
fn stations_come_go_and_change_while_others_run_on() {
    let scenes = ["Kept", "Altered", "Gone", "New"].map(|name| Scene::sound(name, "generic-full"));
    let mut scenes = scenes.to_vec();
    scenes[1].current.swap(1, 2);
    let stage = Stage::set(&scenes);
    let whole = std::fs::read_to_string(&stage.config).unwrap();
    let (head, _) = whole.split_once("\n[[stations]]").unwrap();
    let block = |n: usize| scenes[n].config(&stage.addresses[n], 1);
    let write = |text: String| std::fs::write(&stage.config, text).unwrap();

    write(format!("{head}\n{}{}{}", block(0), block(1), block(2)));
    let mut daemon = Daemon::start(&stage.config);
    daemon.wait_for("Altered / Pump 1: ");
    let before = snapshot(&daemon);
    assert_eq!(station(&before, "Altered")["circuits"][0]["verdict"], "fault");

    // A file that is not right changes nothing and says what is wrong where.
    write(format!("{head}\n{}", block(0).replace("wye-4-wire", "wye-5-wire")));
    let refused = wattassay().args(["reload", "--config"]).arg(&stage.config).output().unwrap();
    assert_eq!(refused.status.code(), Some(3), "{}", told(&refused));
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert!(said.contains("nothing is changed") && said.contains("stations.service"), "{said}");
    let now = snapshot(&daemon);
    assert_eq!(now["stations"].as_array().unwrap().len(), 3);
    assert!(polls(&now, "Gone") >= polls(&before, "Gone"));

    // Another tariff is no reason to forget what was learnt; the signal does what the command does.
    let altered = block(1).replacen(
        "[[stations.monitors]]",
        "[stations.tariff]\ncurrency = \"USD\"\nprice_per_kwh = 0.2\n[[stations.monitors]]",
        1,
    );
    write(format!("{head}\n{}{altered}{}", block(3), block(0)));
    daemon.signal("HUP");
    let line = daemon.wait_for("Configuration read again");
    assert!(line.contains("1 stations go on untouched; altered: Altered; new: New; gone: Gone."), "{line}");
    let after = snapshot(&daemon);
    let names: Vec<&str> = after["stations"].as_array().unwrap().iter().filter_map(|s| s["name"].as_str()).collect();
    assert_eq!(names, ["New", "Altered", "Kept"]);
    assert_eq!(station(&after, "Altered")["circuits"][0]["verdict"], "fault", "known before the first new reading");
    assert!(polls(&after, "Altered") >= polls(&now, "Altered"));
    assert!(polls(&after, "Kept") >= polls(&now, "Kept"));
    // That its monitor answers may have been said before.
    daemon.wait_for("New / Pump 1");

    // Once more by the command, with nothing to do.
    let done = wattassay().args(["reload", "--config"]).arg(&stage.config).output().unwrap();
    assert!(done.status.success(), "{}", told(&done));
    let said = String::from_utf8_lossy(&done.stdout).into_owned();
    assert_eq!(said.trim(), "Configuration read again: 3 stations go on untouched.");
}
