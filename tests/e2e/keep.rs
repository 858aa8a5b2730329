//! What the real binary has learnt outlives its restart: after a stop, and after a kill.

use std::path::Path;

use rusqlite::{Connection, OpenFlags, OptionalExtension};
use serde_json::Value;
use wattassay::history::sqlite::FILE_NAME;

use crate::daemon::Daemon;
use crate::support::{Scene, Stage, looked_for, station};

const STATION: &str = "Gravel Pit Lift";
fn stage() -> Stage {
    let mut scene = Scene::sound(STATION, "generic-full");
    scene.current.swap(1, 2);
    let stage = Stage::set(&[scene]);
    let text = std::fs::read_to_string(&stage.config).unwrap();
    std::fs::write(&stage.config, format!("{text}\n[history]\nfolder = \"history\"\n")).unwrap();
    stage
}

/// The circuit as soon as anything is said of it.
fn first_said(daemon: &Daemon) -> Value {
    looked_for("an assessment", || {
        let document: Value = serde_json::from_str(&daemon.get("/api/v1/snapshot")).unwrap();
        let circuit = station(&document, STATION)["circuits"][0].clone();
        circuit["diagnosis"].is_object().then_some(circuit)
    })
}

/// True once the store holds an image in which the fault has been told.
fn is_kept(config: &Path) -> Option<()> {
    let file = config.with_file_name("history").join(FILE_NAME);
    let store = Connection::open_with_flags(file, OpenFlags::SQLITE_OPEN_READ_ONLY).ok()?;
    let select = "SELECT value FROM state WHERE key = ?1";
    let image: Option<Vec<u8>> =
        store.query_row(select, [format!("learnt/{STATION}/PM-1")], |row| row.get(0)).optional().ok()?;
    image?.windows(5).any(|name| name == b"Fault").then_some(())
}

/// Runs until the fault is told, ends as told, and runs again.
fn goes_on_after(end: impl FnOnce(&mut Daemon, &Path)) {
    let stage = stage();
    let mut daemon = Daemon::start(&stage.config);
    daemon.wait_for("Gravel Pit Lift / Pump 1: ");
    let before = first_said(&daemon);
    assert_eq!(before["verdict"], "fault", "{before}");
    end(&mut daemon, &stage.config);

    let mut daemon = Daemon::start(&stage.config);
    let after = first_said(&daemon);
    assert_eq!(after["verdict"], "fault", "{after}");
    assert!(before["diagnosis"]["since"].is_string(), "{before}");
    assert_eq!(after["diagnosis"]["since"], before["diagnosis"]["since"]);
    assert_eq!(after["diagnosis"]["epoch"], before["diagnosis"]["epoch"]);

    // Another nameplate gives the readings another meaning: the audit begins anew, and says so.
    daemon.signal("TERM");
    daemon.wait_for("stopped");
    let text = std::fs::read_to_string(&stage.config).unwrap();
    std::fs::write(&stage.config, text.replace("\"77 A\"", "\"76 A\"")).unwrap();
    let mut daemon = Daemon::start(&stage.config);
    daemon.wait_for("Gravel Pit Lift / Pump 1: ");
    let anew = first_said(&daemon);
    assert_ne!(anew["diagnosis"]["since"], before["diagnosis"]["since"]);
    let said = daemon.all_it_said();
    let told = said.matches("is not used: the settings of its circuits or its register map are not those").count();
    assert_eq!(told, 1, "{said}");
}

#[test]
fn a_diagnosis_outlives_a_stop() {
    goes_on_after(|daemon, _| {
        daemon.signal("TERM");
        daemon.wait_for("stopped");
    });
}

#[test]
fn a_diagnosis_outlives_a_kill() {
    goes_on_after(|daemon, config| {
        looked_for("what was learnt, in the store,", || is_kept(config));
        daemon.kill();
    });
}
