//! Devices that misbehave: every protocol fault, over both transports, with a sound neighbour that must not notice.

use crate::support::{Scene, Stage, station};

struct Case {
    kind: &'static str,
    /// Lines of the fault beside its kind.
    extra: &'static str,
    /// The monitor still gives enough to be called sound.
    recovers: bool,
    /// A word the failure must be told with.
    word: &'static str,
}

/// Every kind, now and then and always.
const CASES: [Case; 14] = [
    Case { kind: "slow", extra: "ms = 40", recovers: true, word: "" },
    Case { kind: "slow", extra: "every = 7, ms = 150", recovers: true, word: "late" },
    Case { kind: "silent", extra: "every = 9", recovers: true, word: "no answer" },
    Case { kind: "silent", extra: "", recovers: false, word: "no answer" },
    Case { kind: "exception", extra: "every = 15, code = 6", recovers: true, word: "BUSY" },
    Case { kind: "exception", extra: "code = 2", recovers: false, word: "ILLEGAL DATA ADDRESS" },
    Case { kind: "drop", extra: "every = 11", recovers: true, word: "" },
    Case { kind: "wrong-transaction", extra: "every = 11", recovers: true, word: "" },
    Case { kind: "wrong-unit", extra: "every = 11", recovers: true, word: "" },
    Case { kind: "truncated", extra: "every = 11", recovers: true, word: "" },
    Case { kind: "garbage", extra: "every = 11", recovers: true, word: "" },
    Case { kind: "short-count", extra: "every = 11", recovers: true, word: "" },
    Case { kind: "late", extra: "every = 11, ms = 400", recovers: true, word: "" },
    Case { kind: "frozen", extra: "from_s = 3.0", recovers: true, word: "" },
];

fn staged(transport: &'static str) -> Vec<Scene> {
    let mut scenes = vec![Scene { transport, ..Scene::sound("Neighbour", "generic-full") }];
    for (n, case) in CASES.iter().enumerate() {
        let extra = if case.extra.is_empty() { String::new() } else { format!(", {}", case.extra) };
        let mut scene = Scene::sound(format!("Case {n}"), "generic-full");
        scene.transport = transport;
        scene.protocol = format!("faults = [{{ kind = \"{}\"{extra} }}]", case.kind);
        scene.loads = vec![0.8];
        scenes.push(scene);
    }
    scenes
}

fn every_fault_is_survived_and_told(transport: &'static str) {
    let scenes = staged(transport);
    // Long enough to reconnect several times after closed connections, which takes a second at least.
    let (_, document) = Stage::set(&scenes).audit(13);
    let neighbour = &station(&document, "Neighbour");
    assert_eq!(neighbour["circuits"][0]["verdict"], "sound");
    let poll = &neighbour["monitors"][0]["poll"];
    assert_eq!(poll["failed_polls"], 0, "the neighbour noticed: {poll}");
    for (n, case) in CASES.iter().enumerate() {
        let told = station(&document, &format!("Case {n}"));
        let circuit = &told["circuits"][0];
        let name = format!("{} {} over {transport}", case.kind, case.extra);
        let verdict = if case.recovers { "sound" } else { "no_evidence" };
        assert_eq!(circuit["verdict"], verdict, "{name}: {circuit}");
        assert!(told["audit_failures"] == 0, "{name}");
        let poll = &told["monitors"][0]["poll"];
        let failed = poll["failed_transactions"].as_u64().unwrap();
        if case.kind != "frozen" && !(case.kind == "slow" && case.extra == "ms = 40") {
            assert!(failed > 0, "{name} went unnoticed: {poll}");
        }
        if !case.recovers {
            let failures = told["monitors"][0]["failures"].to_string();
            assert!(failures.contains(case.word), "{name}: {failures}");
            assert!(failures.matches("not asked").count() <= 2, "{name}: reasons nest: {failures}");
        }
        // Whatever happened on the wire, no value of another register ever got into the reading.
        if case.recovers {
            let volts = circuit["reported"].as_object().map(|_| &told["monitors"][0]["voltage_ln_v"]);
            for k in 0..3 {
                if let Some(v) = volts.and_then(|v| v[k]["value"].as_f64()) {
                    assert!((260.0..290.0).contains(&v), "{name}: {v} V");
                }
            }
        }
    }
    let frozen = &station(&document, "Case 13")["circuits"][0];
    let finding = frozen["findings"].as_array().unwrap().iter().find(|f| f["check"] == "values_moving").unwrap();
    assert_eq!(finding["outcome"], "failed", "{finding}");
}

#[test]
fn every_fault_over_tcp() {
    every_fault_is_survived_and_told("tcp");
}

#[test]
fn every_fault_over_rtu_in_tcp() {
    every_fault_is_survived_and_told("rtu-over-tcp");
}

/// A server whose registers never change, as every newcomer's test server: since when is told, and what its one moment allows.
#[test]
fn a_device_that_repeats_one_moment_is_told_as_one() {
    let mut still = Scene::sound("Still", "generic-full");
    still.protocol = "faults = [{ kind = \"frozen\", from_s = 0.0 }]".to_owned();
    still.loads = vec![0.8];
    still.pump_extra = "start_s = 0.0".to_owned();
    let (code, document) = Stage::set(&[still]).audit(15);
    let circuit = &station(&document, "Still")["circuits"][0];
    assert_eq!((code, &circuit["verdict"]), (2, &serde_json::json!("no_evidence")), "{circuit}");
    let headline = circuit["headline"].as_str().unwrap();
    assert!(headline.starts_with("all readings are identical since 20"), "{headline}");
    assert!(headline.contains("From one moment only: metering is correct (confidence 9"), "{headline}");
    let finding = circuit["findings"].as_array().unwrap().iter().find(|f| f["check"] == "values_moving").unwrap();
    assert_eq!(finding["outcome"], "pending", "not frozen yet: {finding}");
}

/// The wrong map on a device: refused registers or nonsense, a plain sentence, never a verdict out of thin air.
#[test]
fn a_map_that_is_not_the_devices_is_told() {
    let mut wrong = Scene::sound("Wrong map", "generic-totals");
    wrong.simulated_map = "generic-watts";
    let mut no_model = Scene::sound("No model", "sunspec");
    no_model.simulated_map = "generic-full";
    let scenes = [wrong, no_model, Scene::sound("Right", "generic-full")];
    let (_, document) = Stage::set(&scenes).audit(5);
    for name in ["Wrong map", "No model"] {
        let told = station(&document, name);
        let circuit = &told["circuits"][0];
        assert!(circuit["verdict"] != "sound" && circuit["verdict"] != "fault", "{name}: {}", circuit["headline"]);
        let failures = told["monitors"][0]["failures"].to_string();
        let word = if name == "No model" { "SunSpec" } else { "ILLEGAL DATA ADDRESS" };
        assert!(failures.contains(word), "{name}: {failures}");
    }
    assert_eq!(station(&document, "Right")["circuits"][0]["verdict"], "sound");
}

/// SunSpec meters are found by their marker, integer and float models, and audited like any other.
#[test]
fn sunspec_meters_are_found_and_audited() {
    let mut scenes = Vec::new();
    for (n, model) in ["sunspec-203", "sunspec-213"].into_iter().enumerate() {
        let mut sound = Scene::sound(format!("Sound {n}"), "sunspec");
        sound.simulated_map = model;
        let mut reversed = Scene::sound(format!("Reversed {n}"), "sunspec");
        reversed.simulated_map = model;
        reversed.current = ["-A", "-B", "-C"].map(str::to_owned);
        scenes.extend([sound, reversed]);
    }
    let (code, document) = Stage::set(&scenes).audit(8);
    assert_eq!(code, 1);
    for n in 0..2 {
        let sound = &station(&document, &format!("Sound {n}"))["circuits"][0];
        assert_eq!(sound["verdict"], "sound", "{}", sound["headline"]);
        let reversed = &station(&document, &format!("Reversed {n}"))["circuits"][0];
        assert_eq!(reversed["verdict"], "fault", "{}", reversed["headline"]);
        let leading = reversed["diagnosis"]["groups"][0].to_string();
        assert!(leading.contains("all three CTs have reversed polarity"), "{leading}");
    }
}
