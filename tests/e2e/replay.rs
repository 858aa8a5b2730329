//! Recordings of simulated stations through `wattassay replay`: the verdict of the live audit, from files.

use std::io::Write as _;
use std::path::PathBuf;
use std::process::Output;

use flate2::Compression;
use flate2::write::GzEncoder;
use serde_json::Value;
use tempfile::TempDir;
use wattassay::audit::wiring::{CurrentSeen, Wiring};
use wattassay::audit::words::describe_wiring;
use wattassay::reading::Phase;

use crate::recorder::{columns_file, record};
use crate::support::{Scene, Stage, leading, station, told, wattassay};

/// A folder with a configuration, a columns file and recordings.
pub struct Archive {
    pub folder: TempDir,
    files: Vec<PathBuf>,
}

impl Archive {
    /// Scenes of one map as configured, and how their recordings are read.
    pub fn new(scenes: &[Scene], columns: &str) -> Archive {
        let archive = Archive { folder: tempfile::tempdir().unwrap(), files: Vec::new() };
        let config: String =
            scenes.iter().zip(1..).map(|(scene, unit)| scene.config("127.0.0.1:15021", unit)).collect();
        archive.write("stations.toml", config.as_bytes());
        archive.write("columns.toml", columns.as_bytes());
        archive
    }

    pub fn write(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        path
    }

    pub fn add(&mut self, name: &str, bytes: &[u8]) {
        self.files.push(self.write(name, bytes));
    }

    pub fn replay(&self, more: &[&str]) -> Output {
        let mut command = wattassay();
        command.arg("replay").args(more).arg("--config").arg(self.folder.path().join("stations.toml"));
        command.arg("--columns").arg(self.folder.path().join("columns.toml")).args(&self.files).output().unwrap()
    }

    pub fn json(&self) -> (i32, Value) {
        let output = self.replay(&["--json"]);
        let document = serde_json::from_slice(&output.stdout)
            .unwrap_or_else(|error| panic!("no JSON ({error}): {}", told(&output)));
        (output.status.code().unwrap_or(-1), document)
    }
}

pub fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut packer = GzEncoder::new(Vec::new(), Compression::fast());
    packer.write_all(bytes).unwrap();
    packer.finish().unwrap()
}

/// One `[[files]]` table for each scene.
fn files_tables(scenes: &[Scene]) -> String {
    let table = |s: &Scene| format!("[[files]]\nname = \"{}.*\"\nstation = \"{}\"\n", file_name(s), s.name);
    scenes.iter().map(table).collect::<Vec<_>>().concat()
}

fn file_name(scene: &Scene) -> String {
    scene.name.replace(' ', "-").to_lowercase()
}

/// Records all scenes of one map and replays them in one command.
fn replay_of(scenes: &[Scene], rows: u32, period_ms: u32) -> (i32, Value) {
    let columns = columns_file(scenes[0].map, "") + &files_tables(scenes);
    let mut archive = Archive::new(scenes, &columns);
    for (n, scene) in scenes.iter().enumerate() {
        let text = record(scene, rows, period_ms);
        if n % 2 == 0 {
            archive.add(&format!("{}.csv", file_name(scene)), text.as_bytes());
        } else {
            archive.add(&format!("{}.csv.gz", file_name(scene)), &gzip(text.as_bytes()));
        }
    }
    archive.json()
}

pub fn circuit_of<'a>(document: &'a Value, name: &str) -> &'a Value {
    let circuits = document["circuits"].as_array().unwrap_or_else(|| panic!("no circuits in {document}"));
    circuits.iter().find(|c| c["station"] == name).unwrap_or_else(|| panic!("no {name} in {document}"))
}

fn wired(current: [&str; 3]) -> [String; 3] {
    current.map(str::to_owned)
}

/// The same wiring served live and replayed from a recording: the same verdict, and with everything per channel the same
/// wiring at the head of the list.
#[test]
fn replay_gives_the_verdict_of_the_live_audit() {
    let wirings = [
        ("straight", ["A", "B", "C"], ["A", "B", "C"]),
        ("reversed", ["A", "B", "C"], ["A", "-B", "C"]),
        ("exchanged", ["A", "B", "C"], ["B", "A", "C"]),
        ("rotated", ["A", "B", "C"], ["B", "C", "A"]),
        ("open", ["A", "B", "C"], ["A", "B", "open"]),
        ("voltage leads", ["A", "C", "B"], ["A", "B", "C"]),
    ];
    let scenes = |map: &'static str| -> Vec<Scene> {
        let scene = |(name, voltage, current): &(&str, [&str; 3], [&str; 3])| Scene {
            voltage: wired(*voltage),
            current: wired(*current),
            loads: vec![1.0, 0.7, 0.42],
            ..Scene::sound(format!("{name} {map}"), map)
        };
        wirings.iter().map(scene).collect()
    };
    let maps = ["generic-full", "generic-watts", "generic-blanking"];
    let all: Vec<Scene> = maps.into_iter().flat_map(scenes).collect();
    let (_, live) = Stage::set(&all).audit(10);
    for map in maps {
        let (_, replayed) = replay_of(&scenes(map), 50, 200);
        for scene in scenes(map) {
            let before = &station(&live, &scene.name)["circuits"][0];
            let after = circuit_of(&replayed, &scene.name);
            assert_eq!(after["readings"], 50, "{}", scene.name);
            let (said, says) = (&before["headline"], &after["headline"]);
            assert_eq!(after["verdict"], before["verdict"], "{}: live {said}, replayed {says}", scene.name);
            if map == "generic-full" {
                assert_eq!(leading(after).first(), leading(before).first(), "{}", scene.name);
            }
        }
    }
}

/// Forty-eight stations' recordings in one command: every wiring found, the sound station last in the ranking.
#[test]
fn one_command_ranks_all_48_wirings() {
    let mut scenes = Vec::new();
    let mut truths = Vec::new();
    for order in [[0, 1, 2], [0, 2, 1], [2, 1, 0], [1, 0, 2], [1, 2, 0], [2, 0, 1]] {
        for polarity in 0..8u8 {
            let reversed = |k: usize| polarity & (1 << k) != 0;
            let phase = |k: usize| Phase::from_index(order[k]);
            let current = [0, 1, 2].map(|k| CurrentSeen::Conductor { phase: phase(k), reversed: reversed(k) });
            let told = [0, 1, 2].map(|k| format!("{}{}", if reversed(k) { "-" } else { "" }, phase(k).label()));
            let name = format!("Case {}", scenes.len());
            scenes.push(Scene { current: told, loads: vec![1.0, 0.6], ..Scene::sound(name, "generic-full") });
            truths.push(Wiring { current, ..Wiring::INTENDED });
        }
    }
    let (code, document) = replay_of(&scenes, 40, 200);
    assert_eq!(code, 1, "47 faults must give exit code 1");
    for (scene, truth) in scenes.iter().zip(&truths) {
        let circuit = circuit_of(&document, &scene.name);
        let truth_words = describe_wiring(truth);
        let verdict = if *truth == Wiring::INTENDED { "sound" } else { "fault" };
        assert_eq!(circuit["verdict"], verdict, "{truth_words}: {}", circuit["headline"]);
        assert_eq!(leading(circuit).first(), Some(&truth_words.as_str()), "{}", circuit["headline"]);
    }
    let circuits = document["circuits"].as_array().unwrap();
    assert_eq!(circuits.last().map(|c| &c["station"]), Some(&Value::from("Case 0")));
    let off = |c: &Value| c["fault_probability"].as_f64().unwrap();
    assert!(circuits.windows(2).all(|pair| off(&pair[0]) >= off(&pair[1])));
}

/// A reversed CT over ten minutes: what was registered is what the recording says, what is true is what a straight
/// monitor beside it would have recorded.
#[test]
fn misregistered_energy_is_told_by_the_table_and_cautions_come_first() {
    let base = || Scene { loads: vec![0.8], ..Scene::sound("Alder Creek Lift", "generic-full") };
    let reversed = Scene { current: wired(["A", "B", "-C"]), ..base() };
    let mut archive = Archive::new(&[base()], &columns_file("generic-full", "longest_gap = \"30 s\""));
    let recording = record(&reversed, 121, 5000);
    archive.add("alder.csv", recording.as_bytes());
    let (code, document) = archive.json();
    assert_eq!(code, 1);
    let energy = &circuit_of(&document, "Alder Creek Lift")["energy"];
    let (covered_ms, left_out_ms) = (energy["covered_ms"].as_u64().unwrap(), energy["left_out_ms"].as_u64().unwrap());
    assert_eq!(covered_ms + left_out_ms, 600_000);
    assert!(covered_ms > 500_000, "{energy}");
    let mean_w = |text: &str| {
        let at = text.lines().next().unwrap().split(',').position(|name| name == "kW").unwrap();
        let values: Vec<f64> =
            text.lines().skip(1).map(|line| line.split(',').nth(at).unwrap().parse::<f64>().unwrap()).collect();
        1000.0 * values.iter().sum::<f64>() / values.len() as f64
    };
    let hours = covered_ms as f64 / 3_600_000.0;
    let (registered, truth) = (mean_w(&recording) * hours, mean_w(&record(&base(), 121, 5000)) * hours);
    let near = |key: &str, expected: f64| {
        let value = energy[key].as_f64().unwrap();
        assert!((value / expected - 1.0).abs() < 0.01, "{key}: {value} Wh for {expected} Wh");
    };
    near("registered_wh", registered);
    near("true_wh", truth);
    assert!(registered < 0.4 * truth, "{registered} of {truth} Wh");

    let output = archive.replay(&["--details"]);
    let text = String::from_utf8(output.stdout.clone()).unwrap();
    assert!(text.starts_with("CAUTION"), "{text}");
    for part in
        ["Replayed 121 rows of 1 file: 2025-11-19T21:43:00Z to 2025-11-19T21:53:00Z", "fault found", "CT 3: WRONG"]
    {
        assert!(text.contains(part), "{part} is not in {text}");
    }
    assert!(output.stderr.is_empty(), "no progress where there is no terminal: {}", told(&output));
}

#[test]
fn a_sound_station_ends_with_0_and_without_cautions() {
    let scene = Scene::sound("Alder Creek Lift", "generic-full");
    let mut archive = Archive::new(std::slice::from_ref(&scene), &columns_file("generic-full", ""));
    archive.add("alder.csv", record(&scene, 60, 200).as_bytes());
    let output = archive.replay(&[]);
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    assert!(String::from_utf8_lossy(&output.stdout).starts_with("Replayed 60 rows of 1 file"), "{}", told(&output));
}

#[test]
fn what_cannot_be_read_is_told_and_ends_with_3() {
    let scene = Scene::sound("Alder Creek Lift", "generic-full");
    let columns = columns_file("generic-full", "");
    let recording = record(&scene, 60, 200);
    let packed = gzip(recording.as_bytes());

    let mut cut = Archive::new(std::slice::from_ref(&scene), &columns);
    cut.add("alder.csv.gz", &packed[..packed.len() / 2]);
    let output = cut.replay(&[]);
    assert_eq!(output.status.code(), Some(3), "{}", told(&output));
    assert!(String::from_utf8_lossy(&output.stderr).contains("cannot be read beyond line "), "{}", told(&output));

    let mut other = Archive::new(std::slice::from_ref(&scene), &columns);
    other.add("alder.csv", b"Date,Level\n2025-11-19,3.2\n");
    other.add("empty.csv", b"");
    let output = other.replay(&[]);
    assert_eq!(output.status.code(), Some(3), "{}", told(&output));
    let text = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(text.contains("line 1 does not name \"Time\", \"V1\""), "{}", told(&output));
    assert!(text.contains("empty.csv: holds no line of column names"), "{}", told(&output));

    let archive = Archive::new(std::slice::from_ref(&scene), &columns.replacen("unit = \"V\"", "unit = \"A\"", 1));
    let mut archive = archive;
    archive.add("alder.csv", recording.as_bytes());
    let output = archive.replay(&[]);
    assert_eq!(output.status.code(), Some(3), "{}", told(&output));
    assert!(
        String::from_utf8_lossy(&output.stderr).contains("columns.unit: voltage is in V, not A"),
        "{}",
        told(&output)
    );
}

/// A damaged recording: what is wrong is told by line, what is right is used, and the verdict stands.
#[test]
fn bad_rows_are_told_by_line_and_the_rest_is_used() {
    let scene = Scene::sound("Alder Creek Lift", "generic-full");
    let mut archive = Archive::new(std::slice::from_ref(&scene), &columns_file("generic-full", ""));
    let recording = record(&scene, 60, 200);
    let mut lines: Vec<String> = recording.lines().map(str::to_owned).collect();
    lines[10] = "shutdown".to_owned();
    lines[20] = lines[20].replacen("17635885", "x", 1);
    lines.swap(30, 31);
    archive.add("alder.csv", (lines.join("\r\n") + "\r\n").as_bytes());
    let output = archive.replay(&[]);
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    for part in
        ["60 rows, 57 readings", "line 11: 1 cells", "line 21: \"x", "line 32: 0.200 s before the last row used"]
    {
        assert!(text.contains(part), "{part} is not in {text}");
    }
}
