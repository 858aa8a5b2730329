//! Whole files of rows against the readings and notes they must give.

use proptest::prelude::*;

use super::columns::{Columns, MonitorKey};
use super::notes::Fault;
use super::rows::{FileError, RowReader};
use super::session::Session;
use super::steps::TooShort;
use super::time::Timeline;
use crate::config::{MapLibrary, parse, parse_columns};
use crate::reading::Measured::{Failed, Good, NotAvailable, NotMapped, OutOfRange};
use crate::reading::{MonitorReading, RunStatus};

const STATIONS: &str = r#"
[[stations]]
name = "Alder Creek Lift"
service = "wye-4-wire"
nominal_voltage = "480 V"
[[stations.monitors]]
name = "PM-1"
address = "127.0.0.1:15021"
unit = 1
map = "generic-full"
[[stations.circuits]]
name = "Pump 1"
monitor = "PM-1"
load = "induction-motor"
[[stations.circuits]]
name = "Pump 2"
monitor = "PM-1"
slot = 2
load = "induction-motor"
"#;

const WIDE: &str = r#"
version = 1
not_available = ["", "Bad"]
circuit = "Pump 1"
[timestamp]
column = "Time"
format = "unix-seconds"
[[columns]]
column = "V1"
quantity = "voltage-ln"
channel = "1"
unit = "kV"
[[columns]]
column = "I1"
quantity = "current"
channel = "1"
unit = "A"
[[columns]]
column = "kW"
quantity = "active-power"
unit = "kW"
[[columns]]
column = "kW"
quantity = "active-power"
circuit = "Pump 2"
unit = "W"
[[columns]]
column = "Run"
quantity = "run-status"
"#;

fn long(hold: &str) -> String {
    WIDE.replace("[timestamp]", &format!("[long]\ntag_column = \"Tag\"\nvalue_column = \"Value\"\n{hold}\n[timestamp]"))
}

fn columns(text: &str) -> Columns {
    let config = parse("stations.toml", STATIONS, &MapLibrary::builtin()).unwrap();
    parse_columns("columns.toml", text, &config).unwrap_or_else(|problems| panic!("{problems}"))
}

struct Replayed {
    readings: Vec<(MonitorKey, MonitorReading)>,
    /// Counts of all faults, and the words of those kept.
    notes: Vec<String>,
    rows: u64,
}

fn replay(columns_text: &str, text: &str) -> Result<Replayed, FileError> {
    let columns = columns(columns_text);
    let mut reader = RowReader::new(&columns, 0, Timeline::default());
    let mut readings = Vec::new();
    let mut keep = |key, reading: &MonitorReading| readings.push((key, reading.clone()));
    for (n, line) in text.split('\n').enumerate() {
        reader.line(n as u64 + 1, line.as_bytes(), &mut keep)?;
    }
    reader.finish(&mut keep);
    let notes = Fault::ALL
        .into_iter()
        .flat_map(|fault| reader.notes().kept(fault).map(move |n| format!("{} {}: {}", fault.key(), n.line, n.text)))
        .collect();
    assert_eq!(reader.readings(), readings.len() as u64);
    Ok(Replayed { rows: reader.rows(), readings, notes })
}

#[test]
fn a_row_becomes_a_reading_in_si_units_with_what_the_file_lacks_not_mapped() {
    let found = replay(WIDE, "\u{feff}Time,V1,I1,kW,Run,Note\n1763588580.5,0.277,75.2,\"-12.5\",1,x y\n").unwrap();
    assert!(found.notes.is_empty(), "{:?}", found.notes);
    let [(key, reading)] = &found.readings[..] else { panic!("{} readings", found.readings.len()) };
    assert_eq!(*key, MonitorKey { station: 0, monitor: 0 });
    assert_eq!((reading.at.wall.0, reading.at.mono.0), (1_763_588_580_500, 0));
    assert_eq!(reading.voltage_ln_v, [Good(277.0), NotMapped, NotMapped]);
    assert_eq!(reading.circuits.len(), 2);
    assert_eq!(reading.circuits[0].current_a, [Good(75.2), NotMapped, NotMapped]);
    assert_eq!(reading.circuits[0].total_active_power_w, Good(-12_500.0));
    assert_eq!(reading.circuits[1].total_active_power_w, Good(-12.5), "one column may serve two circuits");
    assert_eq!(reading.circuits[0].run_status, RunStatus::Running);
    assert_eq!(reading.circuits[1].run_status, RunStatus::NotMapped);
}

#[test]
fn conventions_of_the_file_stand_before_those_of_the_map() {
    let text = format!("{WIDE}\n[conventions]\nactive_power = \"load-negative\"\n");
    let found = replay(&text, "Time,V1,I1,kW,Run\n1763588580,0.277,75.2,-12.5,0\n").unwrap();
    assert_eq!(found.readings[0].1.circuits[0].total_active_power_w, Good(12_500.0));
}

#[test]
fn cells_and_rows_that_cannot_be_read_are_noted_and_never_guessed() {
    let text = "Time,V1,I1,kW,Run\n\
                1763588580,0.277,,Bad,0\n\
                1763588581,n/a,75,NaN,auto\n\
                1763588582,0.277,75,1,0,\n\
                nonsense,0.277,75,1,0\n\
                1763588583,0.277,\"75,1,0\n\
                \n\
                1763588581,0.277,75,1,0\n\
                1763588580,0.277,75,1,0\n\
                1763588584,-0.277,75,1,0";
    let found = replay(WIDE, text).unwrap();
    assert_eq!(found.rows, 8, "blank lines are no rows");
    assert_eq!(
        found.notes,
        [
            "bad_rows 4: 6 cells where the heading has 5",
            "bad_rows 6: a quote is not closed, or the line breaks inside a cell",
            "bad_times 5: \"nonsense\" is not a time in the stated format",
            "rows_back_in_time 9: 1.000 s before the last row used",
            "rows_of_a_repeated_time 8: the same time as the last row used",
            "bad_cells 3: column \"V1\" holds \"n/a\"",
            "bad_cells 3: column \"kW\" holds \"NaN\"",
            "bad_cells 3: column \"kW\" holds \"NaN\"",
            "bad_cells 3: column \"Run\" holds \"auto\"",
        ]
    );
    let [first, second, third] = &found.readings[..] else { panic!("{} readings", found.readings.len()) };
    assert_eq!(first.1.circuits[0].current_a[0], NotAvailable);
    assert_eq!(first.1.circuits[0].total_active_power_w, NotAvailable);
    assert!(first.1.failures.is_empty());
    assert_eq!(second.1.voltage_ln_v[0], Failed);
    assert_eq!(second.1.circuits[0].current_a[0], Good(75.0), "the rest of the row is used");
    assert_eq!(second.1.circuits[0].run_status, RunStatus::Failed);
    assert_eq!(second.1.failures[0], "column \"V1\" holds what is not a number");
    assert_eq!(third.1.voltage_ln_v[0], OutOfRange(-277.0));
    assert!(third.1.failures.is_empty(), "failures are of one reading");
    assert_eq!(third.1.at.mono.0, 4000);
}

#[test]
fn a_heading_that_does_not_fit_is_told() {
    let told = |text: &str| replay(WIDE, text).err().map(|error| error.to_string()).unwrap_or_default();
    assert_eq!(told("Time,V1,kW\n1,2,3"), "line 1 does not name \"I1\", \"Run\"; it names \"Time\", \"V1\", \"kW\"");
    assert_eq!(told("\n\nTime,V1,I1,kW,Run,kW"), "line 3 names \"kW\" twice");
    assert_eq!(told("\"Time"), "line 1 should hold the names of the columns, but is not a row");
    let columns = columns(WIDE);
    let mut reader = RowReader::new(&columns, 0, Timeline::default());
    assert_eq!(reader.line(1, b"\xff\xfeT\0", |_, _| ()), Err(FileError::Utf16));
    assert!(replay(&format!("skip_lines = 2\n{WIDE}"), "Export\nof today\nTime,V1,I1,kW,Run\n").is_ok());
}

#[test]
fn rows_of_one_time_are_one_reading_in_the_long_layout() {
    let text = "Tag,Time,Value\n\
                I1,1763588580,75\n\
                kW,1763588580,12\n\
                V1,1763588580,0.277\n\
                Run,1763588580,1\n\
                I1,1763588590,76\n\
                Level,1763588590,3.2\n\
                I1,1763588590,77\n\
                I1,1763588560,70\n\
                I1,1763588600,78\n";
    let found = replay(&long(""), text).unwrap();
    assert_eq!(
        found.notes,
        [
            "bad_rows 8: \"I1\" is given twice for the same time",
            "rows_back_in_time 9: 30.000 s before the last row used",
            "rows_of_unknown_names 7: \"Level\"",
        ]
    );
    let currents: Vec<_> = found.readings.iter().map(|(_, r)| (r.at.mono.0, r.circuits[0].current_a[0])).collect();
    assert_eq!(currents, [(0, Good(75.0)), (10_000, Good(76.0)), (20_000, Good(78.0))]);
    let volts: Vec<_> = found.readings.iter().map(|(_, r)| r.voltage_ln_v[0]).collect();
    assert_eq!(volts, [Good(277.0), Failed, Failed], "without hold nothing is carried on");
    assert_eq!(found.readings[1].1.failures[0], "\"V1\" has no row of this time");

    let held = replay(&long("hold = \"15 s\""), text).unwrap();
    let volts: Vec<_> = held.readings.iter().map(|(_, r)| r.voltage_ln_v[0]).collect();
    assert_eq!(volts, [Good(277.0), Good(277.0), Failed]);
}

#[test]
fn a_second_file_of_a_station_goes_on_in_time() {
    let columns = columns(WIDE);
    let mut session = Session::new(&columns).unwrap();
    for file in [[1_763_588_580, 1_763_588_581], [1_763_588_590, 1_763_588_591]] {
        let mut reader = session.reader(0);
        reader.line(1, b"Time,V1,I1,kW,Run", |_, _| ()).unwrap();
        for (n, time) in file.iter().enumerate() {
            let line = format!("{time},0.277,75,12,1");
            reader.line(n as u64 + 2, line.as_bytes(), |key, reading| session.take(key, reading)).unwrap();
        }
        session.finished(&reader, "rows.csv");
    }
    let outcomes = session.ranked();
    assert_eq!(outcomes.len(), 2);
    for outcome in outcomes {
        assert_eq!(outcome.readings, 4, "{}", outcome.circuit);
        assert_eq!(outcome.period.map(|(from, to)| to.0 - from.0), Some(11_000));
        assert_eq!(outcome.assessment.map(|a| a.at.mono.0), Some(11_000));
    }
}

#[test]
fn a_run_status_may_be_a_word() {
    let text = "Time,V1,I1,kW,Run\n1763588580,0.277,75,1,ON\n1763588581,0.277,75,1,Stop\n1763588582,0.277,75,1,1\n";
    let states = |columns: &str| {
        let found = replay(columns, text).unwrap();
        found.readings.iter().map(|(_, reading)| reading.circuits[0].run_status).collect::<Vec<_>>()
    };
    assert_eq!(states(WIDE), [RunStatus::Running, RunStatus::Stopped, RunStatus::Running]);
    let own = format!("running = [\"stop\"]\nstopped = [\"1\"]\n{WIDE}");
    assert_eq!(states(&own), [RunStatus::Failed, RunStatus::Running, RunStatus::Stopped]);
}

#[test]
fn stations_that_share_no_file_are_taken_apart_and_put_together_again() {
    let second = STATIONS.replace("Alder Creek Lift", "Birch Hollow Lift").replace("unit = 1", "unit = 2");
    let config = parse("stations.toml", &format!("{STATIONS}{second}"), &MapLibrary::builtin()).unwrap();
    let of = |name: &str, station: &str| format!("[[files]]\nname = \"{name}\"\nstation = \"{station}\"\n");
    let files = of("alder-*", "Alder Creek Lift") + &of("birch-*", "Birch Hollow Lift");
    let columns = parse_columns("columns.toml", &(WIDE.to_owned() + &files), &config).unwrap();
    let mut session = Session::new(&columns).unwrap();
    assert_eq!(session.independent(&[1, 0, 1, 0, 0]), [vec![0, 2], vec![1, 3, 4]]);
    for (plan, rows) in [(1, 3u64), (0, 2)] {
        let mut part = session.part(&[plan]);
        let mut reader = part.reader(plan);
        reader.line(1, b"Time,V1,I1,kW,Run", |_, _| ()).unwrap();
        for n in 0..rows {
            let line = format!("{},0.277,75,12,1", 1_763_588_580 + n);
            reader.line(n + 2, line.as_bytes(), |key, reading| part.take(key, reading)).unwrap();
        }
        part.finished(&reader, "rows.csv");
        session.put_back(part);
    }
    let mut found: Vec<(String, u64)> = session.ranked().into_iter().map(|o| (o.station, o.readings)).collect();
    found.sort();
    let expected =
        [("Alder Creek Lift", 2), ("Alder Creek Lift", 2), ("Birch Hollow Lift", 3), ("Birch Hollow Lift", 3)];
    assert_eq!(found, expected.map(|(station, readings)| (station.to_owned(), readings)));
}

/// The same values sorted by time and grouped by tag.
fn by_time_and_by_tag(rows: &[(&str, i64, &str)]) -> (String, String) {
    let head = "Tag,Time,Value\n";
    let text = |rows: &[&(&str, i64, &str)]| {
        let lines: String = rows.iter().map(|(tag, at, value)| format!("{tag},{at},{value}\n")).collect();
        format!("{head}{lines}")
    };
    let mut by_time: Vec<&(&str, i64, &str)> = rows.iter().collect();
    by_time.sort_by_key(|(_, at, _)| *at);
    let mut by_tag: Vec<&(&str, i64, &str)> = rows.iter().collect();
    by_tag.sort_by_key(|(tag, at, _)| (*tag, *at));
    (text(&by_time), text(&by_tag))
}

#[test]
fn a_long_table_grouped_by_tag_gives_what_one_sorted_by_time_gives() {
    let mut rows = Vec::new();
    for at in (0..300).map(|n| 1_763_588_580 + 10 * n) {
        rows.push(("V1", at, "0.277"));
        rows.push(("I1", at + 3, if at % 70 == 0 { "x" } else { "75" }));
        if at % 30 == 0 {
            rows.push(("kW", at, if at % 90 == 0 { "" } else { "12" }));
            rows.push(("Run", at + 3, "on"));
        }
    }
    for hold in ["", "hold = \"10 s\"", "hold = \"1 min\""] {
        let (by_time, by_tag) = by_time_and_by_tag(&rows);
        assert_ne!(by_time, by_tag);
        let (one, other) = (replay(&long(hold), &by_time).unwrap(), replay(&long(hold), &by_tag).unwrap());
        assert!(one.readings.len() >= 600, "{}", one.readings.len());
        assert_eq!(one.readings, other.readings, "{hold}");
    }
}

#[test]
fn a_row_out_of_order_within_its_tag_is_told_by_line() {
    let text = "Tag,Time,Value\n\
                I1,1763588580,75\n\
                I1,1763588590,76\n\
                V1,1763588580,0.277\n\
                V1,1763588600,0.278\n\
                V1,1763588590,0.277\n\
                V1,1763588600,0.278\n";
    let found = replay(&long(""), text).unwrap();
    assert_eq!(
        found.notes,
        [
            "rows_back_in_time 6: 10.000 s before the last row used",
            "rows_of_a_repeated_time 7: the same time as the last row used",
        ]
    );
    let times: Vec<u64> = found.readings.iter().map(|(_, reading)| reading.at.mono.0).collect();
    assert_eq!(times, [0, 10_000, 20_000]);
}

/// Without its own limit a table of hundreds of millions of rows would take all memory.
#[test]
fn a_table_too_large_to_be_sorted_is_refused_with_its_line() {
    let columns = columns(&long(""));
    let mut reader = RowReader::new(&columns, 0, Timeline::default());
    reader.hold_at_most(20);
    reader.line(1, b"Tag,Time,Value", |_, _| ()).unwrap();
    let mut readings = 0;
    for n in 2..=30 {
        let line = format!("I1,{},75", 1_763_588_580 + n);
        let taken = reader.line(n, line.as_bytes(), |_, _| readings += 1);
        let expected = if n <= 21 { Ok(()) } else { Err(FileError::TooLargeToSort { line: n }) };
        assert_eq!(taken, expected);
    }
    assert_eq!(readings, 0, "nothing of such a file is used");
    let told = FileError::TooLargeToSort { line: 22 }.to_string();
    assert!(told.contains("line 22") && told.contains("10000000 values") && told.contains("each month"), "{told}");
}

fn too_short(columns_text: &str, text: &str) -> Vec<TooShort> {
    let columns = columns(columns_text);
    let mut reader = RowReader::new(&columns, 0, Timeline::default());
    for (n, line) in text.lines().enumerate() {
        reader.line(n as u64 + 1, line.as_bytes(), |_, _| ()).unwrap();
    }
    reader.finish(|_, _| ());
    reader.too_short()
}

#[test]
fn a_hold_shorter_than_the_rows_are_apart_is_told() {
    // Every value once a minute, each at its own second.
    let mut text = "Tag,Time,Value\n".to_owned();
    for minute in 0..20 {
        for (second, (tag, value)) in [("V1", "0.277"), ("I1", "69"), ("kW", "12"), ("Run", "1")].iter().enumerate() {
            text += &format!("{tag},{},{value}\n", 1_763_588_580 + 60 * minute + 13 * second as i64);
        }
    }
    let found = too_short(&long("hold = \"10 s\""), &text);
    let [TooShort::Hold { hold_ms: 10_000, step_ms: 60_000, enough_ms: Some(90_000), values, missing, readings, .. }] =
        found.as_slice()
    else {
        panic!("{found:?}")
    };
    assert!(*values >= 4 && *missing > 50 && *readings == 80, "{found:?}");
    let unset = too_short(&long(""), &text);
    assert!(matches!(unset.as_slice(), [TooShort::Hold { hold_ms: 0, .. }]), "{unset:?}");
    assert_eq!(too_short(&long("hold = \"90 s\""), &text), []);
}

#[test]
fn a_longest_gap_shorter_than_the_rows_are_apart_is_told() {
    let rows: String = (0..10).map(|n| format!("{},0.277,75,12,1\n", 1_763_588_580 + 300 * n)).collect();
    let text = format!("Time,V1,I1,kW,Run\n{rows}");
    let found = too_short(WIDE, &text);
    assert_eq!(found, [TooShort::Gap { longest_gap_ms: 60_000, step_ms: 300_000, enough_ms: Some(480_000) }]);
    assert_eq!(too_short(&format!("longest_gap = \"8 min\"\n{WIDE}"), &text), []);
}

fn survives(columns_text: &str, lines: &[Vec<u8>]) {
    let columns = columns(columns_text);
    let mut session = Session::new(&columns).unwrap();
    let mut reader = session.reader(0);
    for (n, line) in lines.iter().enumerate() {
        let taken = reader.line(n as u64 + 1, line, |key, reading| session.take(key, reading));
        if taken.is_err() {
            break;
        }
    }
    reader.finish(|key, reading| session.take(key, reading));
    session.finished(&reader, "rows.csv");
    assert!(session.ranked().iter().all(|outcome| outcome.failures == 0));
    assert!(reader.rows() <= lines.len() as u64);
}

/// A cell of a row, as recorders and slips write it; never with a quote or a delimiter in it.
fn odd_cell() -> impl Strategy<Value = String> {
    let odd = vec![
        "",
        "Bad",
        " 12.5 ",
        "NaN",
        "-0",
        "1e3",
        "1e400",
        ".5",
        "+7.",
        "1.2.3",
        "-",
        "on",
        "OFF",
        "\u{feff}1",
        "\u{e9}",
    ];
    prop_oneof![
        4 => (-1e6..1e6f64).prop_map(|n| format!("{n:.3}")),
        1 => any::<f64>().prop_map(|n| n.to_string()),
        1 => any::<i64>().prop_map(|n| n.to_string()),
        3 => proptest::sample::select(odd).prop_map(str::to_owned),
    ]
}

/// Times of rows that mostly go on, within an hour and over its end.
fn odd_times() -> impl Strategy<Value = Vec<String>> {
    let slip = proptest::sample::select(vec![
        "nonsense",
        "2025-11-19T21:43:60Z",
        "2025-11-19 21:43",
        "",
        "2025-11-19T21:43:00",
    ]);
    let step = prop_oneof![6 => (-2i64..900, 0i64..1000).prop_map(Ok), 1 => slip.prop_map(Err)];
    proptest::collection::vec(step, 1..40).prop_map(|steps| {
        let mut at_s = 1_763_588_580;
        let text = |step: Result<(i64, i64), &str>| match step {
            Ok((by_s, ms)) => {
                at_s += by_s;
                jiff::Timestamp::from_millisecond(1000 * at_s + ms).unwrap().to_string()
            }
            Err(slip) => slip.to_owned(),
        };
        steps.into_iter().map(text).collect()
    })
}

/// A cell that is often nearly right.
fn cell() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        any::<f64>().prop_map(|n| n.to_string().into_bytes()),
        (0i64..2_000_000_000_000).prop_map(|n| n.to_string().into_bytes()),
        (1_763_588_580i64..1_763_588_600).prop_map(|n| n.to_string().into_bytes()),
        proptest::sample::select(vec!["", "Bad", "1e400", "-", "\"", "I1", "kW", "V1", "Run", "1,2", "\u{e9}"])
            .prop_map(|text| text.as_bytes().to_vec()),
        proptest::collection::vec(any::<u8>(), 0..6),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn arbitrary_bytes_never_panic(lines in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 0..80), 0..20)) {
        survives(WIDE, &lines);
        survives(&long(""), &lines);
    }

    #[test]
    fn arbitrary_rows_below_a_right_heading_never_panic(
        rows in proptest::collection::vec(proptest::collection::vec(cell(), 5), 0..30)
    ) {
        let below = |heading: &str, cells: usize| {
            let lines = rows.iter().map(|row| row[..cells].join(&b','));
            std::iter::once(heading.as_bytes().to_vec()).chain(lines).collect::<Vec<_>>()
        };
        survives(WIDE, &below("Time,V1,I1,kW,Run", 5));
        survives(&long("hold = \"1 min\""), &below("Time,Tag,Value", 3));
    }

    /// The quick way of rows without quotes against the plain one of rows in quotes, and of rows alone: the same readings,
    /// the same notes.
    #[test]
    fn quick_rows_are_read_as_plain_ones(
        times in odd_times(),
        cells in proptest::collection::vec(proptest::collection::vec(odd_cell(), 4), 40),
        crlf in any::<bool>(),
    ) {
        let columns_text = WIDE.replace("unix-seconds", "rfc3339");
        let columns = columns(&columns_text);
        let end = if crlf { "\r" } else { "" };
        let rows: Vec<Vec<&str>> = times
            .iter()
            .zip(&cells)
            .map(|(time, cells)| std::iter::once(time.as_str()).chain(cells.iter().map(String::as_str)).collect())
            .collect();
        let quick: String = rows.iter().map(|row| row.join(",") + end + "\n").collect();
        let quoted = |row: &Vec<&str>| row.iter().map(|cell| format!("\"{cell}\"")).collect::<Vec<_>>().join(",");
        let plain: String = rows.iter().map(|row| quoted(row) + end + "\n").collect();
        let heading = format!("\u{feff}Time,V1,I1,kW,Run{end}\n");
        let quick = replay(&columns_text, &(heading.clone() + &quick)).unwrap();
        let plain = replay(&columns_text, &(heading + &plain)).unwrap();
        prop_assert_eq!(&quick.readings, &plain.readings);
        prop_assert_eq!((quick.rows, quick.notes), (plain.rows, plain.notes));

        // Each usable row once more, alone: nothing of it came from the rows before.
        let mut alone = Vec::new();
        for row in &rows {
            let mut reader = RowReader::new(&columns, 0, Timeline::default());
            reader.line(1, b"Time,V1,I1,kW,Run", |_, _| ()).unwrap();
            let line = quoted(row);
            reader.line(2, line.as_bytes(), |_, reading| alone.push(reading.clone())).unwrap();
        }
        for (_, reading) in &quick.readings {
            let same = |other: &&MonitorReading| {
                let mut other = (*other).clone();
                let wall = other.at.wall == reading.at.wall;
                other.at = reading.at;
                wall && other == *reading
            };
            prop_assert!(alone.iter().any(|other| same(&other)), "{:?}", reading);
        }
    }
}
