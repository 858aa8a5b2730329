//! Columns of recordings: wrong units told before any lead is accused, tables grouped by tag, a `hold` that is too short,
//! and columns files drafted from a heading. The recordings are of simulated stations.

use std::fmt::Write as _;

use serde_json::Value;

use crate::recorder::{columns_file, record};
use crate::replay::{Archive, circuit_of, gzip};
use crate::support::{Scene, told, wattassay};

const NAME: &str = "Alder Creek Lift";

/// What replay makes of a recording under a columns file: its exit code, its text and its JSON of the one circuit.
fn replayed(scene: &Scene, columns: &str, recording: &str) -> (i32, String, Value) {
    let mut archive = Archive::new(std::slice::from_ref(scene), columns);
    archive.add("alder.csv", recording.as_bytes());
    let (code, document) = archive.json();
    let text = String::from_utf8(archive.replay(&["--details"]).stdout).unwrap();
    (code, text, circuit_of(&document, NAME).clone())
}

/// Nothing of a lead, of corrected power or of a verdict may stand in what is printed.
fn accuses_nobody(code: i32, text: &str, circuit: &Value, what: &str) {
    assert_eq!(code, 2, "{what}: {text}");
    assert!(text.starts_with("COLUMNS THAT DO NOT FIT"), "{what}: {text}");
    for word in ["CT ", "reversed", "swapped", "CAUTION", "fault found"] {
        assert!(!text.contains(word), "{what}: {word} in {text}");
    }
    assert_eq!(circuit["verdict"], "undecided", "{what}");
    for key in ["diagnosis", "corrected", "energy", "fault_probability"] {
        assert_eq!(circuit[key], Value::Null, "{what}: {key}");
    }
}

/// Units declared wrong, by map: what is declared, the slip, and what must be named.
const SLIPS: &[(&str, &str, &str, &str)] = &[
    ("generic-full", "kW", "W", "kW"),
    ("generic-full", "kW", "MW", "kW"),
    ("generic-full", "kvar", "var", "kvar"),
    ("generic-full", "kVA", "VA", "kVA"),
    ("generic-full", "kVA", "MVA", "kVA"),
    ("generic-full", "V", "kV", "V"),
    ("generic-full", "V", "mV", "V"),
    ("generic-full", "A", "mA", "A"),
    ("generic-full", "1", "%", "1"),
    ("generic-watts", "kW", "W", "kW"),
    ("generic-watts", "kW", "MW", "kW"),
    ("generic-watts", "V", "kV", "V"),
    ("generic-watts", "A", "mA", "A"),
    ("generic-blanking", "kW", "W", "kW"),
    ("generic-blanking", "kW", "MW", "kW"),
    ("generic-blanking", "kVA", "VA", "kVA"),
    ("generic-blanking", "A", "mA", "A"),
];

#[test]
fn every_slip_of_a_unit_is_told_and_no_lead_is_accused() {
    for (map, declared, slip, fits) in SLIPS {
        let what = format!("{map}: {declared} declared as {slip}");
        let scene = Scene::sound(NAME, map);
        let columns = columns_file(map, "");
        let slipped = columns.replace(&format!("unit = \"{declared}\"\n"), &format!("unit = \"{slip}\"\n"));
        assert_ne!(columns, slipped, "{what}");
        let (code, text, circuit) = replayed(&scene, &slipped, &record(&scene, 60, 200));
        accuses_nobody(code, &text, &circuit, &what);
        let doubt = &circuit["columns_doubted"][0];
        // From totals alone in sixty rows no one mistake may be sure; it is told all the same.
        let totals_alone = *map == "generic-blanking";
        assert!(doubt["kind"] == "scale" || totals_alone && doubt["kind"] == "unclear", "{what}: {text}");
        let named = doubt["kind"] == "scale";
        let sentence = doubt["text"].as_str().unwrap();
        let shown = if *fits == "1" { "a ratio (unit \"1\")" } else { fits };
        let to_write = format!("unit = \"{fits}\"");
        for part in [format!("declared in {slip}"), format!("{shown} fits all values"), to_write.clone()] {
            assert!(!named && part == to_write || sentence.contains(&part), "{what}: {part} is not in {sentence}");
        }
        assert_eq!(doubt["file"].as_str().map(|file| file.ends_with("alder.csv")), Some(true), "{what}");
    }
}

/// The columns file is right and the export is not: tens, a lost unit in one column, quantities taken for each other.
#[test]
fn slips_of_the_export_are_told_and_no_lead_is_accused() {
    let scene = Scene::sound(NAME, "generic-full");
    let columns = columns_file("generic-full", "");
    let recording = record(&scene, 60, 200);
    let scaled = |names: &[&str], factor: f64| {
        let heading: Vec<&str> = recording.lines().next().unwrap().split(',').collect();
        let mut text = format!("{}\n", heading.join(","));
        for line in recording.lines().skip(1) {
            let cells = line.split(',').zip(&heading).map(|(cell, name)| {
                if names.contains(name) {
                    format!("{:.6}", cell.parse::<f64>().unwrap() * factor)
                } else {
                    cell.to_owned()
                }
            });
            text += &(cells.collect::<Vec<_>>().join(",") + "\n");
        }
        text
    };
    for (names, factor, expected) in [
        (&["V1", "V2", "V3"][..], 0.1, "10 times the values fits"),
        (&["I1", "I2", "I3"], 10.0, "0.1 times the values fits"),
        (&["kW1", "kW2", "kW3", "kW"], 0.1, "10 times the values fits"),
        (&["kvar1", "kvar2", "kvar3", "kvar"], 100.0, "0.01 times the values fits"),
        (&["kVA1", "kVA2", "kVA3", "kVA"], 0.1, "10 times the values fits"),
        (&["kW2"], 1000.0, "column \"kW2\" is declared in kW; W fits all values"),
        (&["kW"], 0.001, "column \"kW\" is declared in kW; MW fits all values"),
        (&["I3"], 1000.0, "column \"I3\" is declared in A; mA fits all values"),
    ] {
        let what = format!("{names:?} times {factor}");
        let (code, text, circuit) = replayed(&scene, &columns, &scaled(names, factor));
        accuses_nobody(code, &text, &circuit, &what);
        let sentence = circuit["columns_doubted"][0]["text"].as_str().unwrap();
        assert!(sentence.contains(expected), "{what}: {sentence}");
    }
    let swapped = columns
        .replace("\"active-power\"", "\"x\"")
        .replace("\"apparent-power\"", "\"active-power\"")
        .replace("\"x\"", "\"apparent-power\"");
    let swapped: String = swapped
        .split("[[columns]]")
        .map(|table| {
            if table.contains("apparent-power") {
                table.replace("unit = \"kW\"", "unit = \"kVA\"")
            } else if table.contains("active-power") {
                table.replace("unit = \"kVA\"", "unit = \"kW\"")
            } else {
                table.to_owned()
            }
        })
        .collect::<Vec<_>>()
        .join("[[columns]]");
    let (code, text, circuit) = replayed(&scene, &swapped, &recording);
    accuses_nobody(code, &text, &circuit, "kW and kVA");
    assert_eq!(circuit["columns_doubted"][0]["kind"], "quantity", "{text}");
}

/// A recording in the long layout: each column a tag, grouped or by time.
fn long(recording: &str, grouped: bool, second_apart: bool) -> String {
    let names: Vec<&str> = recording.lines().next().unwrap().split(',').collect();
    let rows: Vec<Vec<&str>> = recording.lines().skip(1).map(|line| line.split(',').collect()).collect();
    let mut cells: Vec<(usize, usize)> = (1..names.len()).flat_map(|c| (0..rows.len()).map(move |r| (c, r))).collect();
    if !grouped {
        cells.sort_by_key(|(column, row)| (*row, *column));
    }
    let mut text = "Tag,Time,Value\n".to_owned();
    for (column, row) in cells {
        let shift = if second_apart { 7 * column as i64 } else { 0 };
        let time = rows[row][0].parse::<i64>().unwrap() + shift;
        writeln!(text, "{},{time},{}", names[column], rows[row][column]).unwrap();
    }
    text
}

const LONG: &str = "[long]\ntag_column = \"Tag\"\nvalue_column = \"Value\"\n";

fn long_columns(hold: &str) -> String {
    columns_file("generic-full", "").replace("[timestamp]", &format!("{LONG}{hold}\n[timestamp]"))
}

/// A historian's export with all rows of one tag, then all of the next, gives what the wide table gives.
#[test]
fn a_table_grouped_by_tag_gives_the_verdict_of_the_wide_one() {
    let scene = Scene { current: ["A", "B", "-C"].map(str::to_owned), ..Scene::sound(NAME, "generic-full") };
    let recording = record(&scene, 120, 1000);
    let (_, _, wide) = replayed(&scene, &columns_file("generic-full", ""), &recording);
    assert_eq!(wide["verdict"], "fault");
    for grouped in [true, false] {
        let (code, text, circuit) = replayed(&scene, &long_columns(""), &long(&recording, grouped, false));
        assert_eq!(code, 1, "{text}");
        assert_eq!(circuit, wide, "grouped: {grouped}");
    }
    let mut packed = Archive::new(std::slice::from_ref(&scene), &long_columns("hold = \"2 s\""));
    packed.add("alder.csv.gz", &gzip(long(&recording, true, true).as_bytes()));
    let (code, document) = packed.json();
    assert_eq!(code, 1, "{document}");
    assert_eq!(circuit_of(&document, NAME)["verdict"], "fault");
}

/// Every tag once a minute at its own second, and 10 s of hold: what is wrong is told with what to write, and with that
/// the pump is judged.
#[test]
fn a_hold_shorter_than_the_step_is_told_with_what_to_write() {
    // One load: with several, values of different seconds are put side by side, and do not belong together.
    let scene = Scene { loads: vec![0.8], ..Scene::sound(NAME, "generic-full") };
    let table = long(&record(&scene, 60, 60_000), false, true);
    for (hold, is) in
        [("hold = \"50 ms\"", "hold is 50 ms"), ("", "hold is not set, so a value counts only at the time")]
    {
        let (code, text, _) = replayed(&scene, &long_columns(hold), &table);
        assert_eq!(code, 2, "{text}");
        let joined = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(joined.starts_with("THE COLUMNS FILE IS TOO STRICT"), "{text}");
        for part in [is, "come every 60 s (median)", "under [long] write hold = \"90 s\""] {
            assert!(joined.contains(part), "{part} is not in {text}");
        }
    }
    let (code, text, circuit) = replayed(&scene, &long_columns("hold = \"90 s\""), &table);
    assert_eq!((code, &circuit["verdict"]), (0, &Value::from("sound")), "{text}");
    assert!(!text.contains("TOO STRICT"), "{text}");
}

/// Draft, then replay, without a line written by hand.
#[test]
fn a_drafted_columns_file_replays_the_recording_it_was_drafted_from() {
    for map in ["generic-full", "generic-watts", "generic-blanking"] {
        for layout in ["wide", "grouped"] {
            let scene = Scene::sound(NAME, map);
            let recording = record(&scene, 60, 200);
            let table = if layout == "wide" { recording } else { long(&recording, true, false) };
            let mut archive = Archive::new(std::slice::from_ref(&scene), "");
            archive.add("alder.csv", table.as_bytes());
            let path = |name: &str| archive.folder.path().join(name);
            let output = wattassay()
                .arg("columns")
                .arg("--config")
                .arg(path("stations.toml"))
                .arg(path("alder.csv"))
                .output()
                .unwrap();
            assert_eq!(output.status.code(), Some(0), "{}", told(&output));
            archive.write("columns.toml", &output.stdout);
            let draft = String::from_utf8(output.stdout).unwrap();
            assert!(draft.contains("CHECK EACH LINE") && !draft.contains("# Not placed"), "{draft}");
            let output = archive.replay(&[]);
            assert_eq!(output.status.code(), Some(0), "{map} {layout}: {}\n{draft}", told(&output));
        }
    }
    let folder = tempfile::tempdir().unwrap();
    let nothing = folder.path().join("nothing.csv");
    std::fs::write(&nothing, "a,b\n1,2\n").unwrap();
    let output = wattassay().arg("columns").arg(&nothing).output().unwrap();
    assert_eq!(output.status.code(), Some(3));
    assert!(output.stdout.is_empty() && told(&output).contains("no column of times was found"), "{}", told(&output));
}
