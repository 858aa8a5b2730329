//! What people found at the panel, from a TOML file: `[[checks]]` with station, circuit, check, what it shows, by whom, when.
//!
//! Every entry is checked against the configuration. Must never let a number between two meanings through as one of them.

use std::path::Path;

use toml::de::DeValue;

use super::document::{parse_document, read_text};
use super::model::{Config, StationConfig};
use super::problem::{Problem, Problems, quoted};
use super::reader::{Fault, Field, Located, TableReader, not_there};
use super::report::Report;
use super::station::MAX_NAME_CHARS;
use crate::audit::field_check::{ERROR_RATE, FieldCheck, Finding};
use crate::audit::measured_check;
use crate::audit::outcome::Outcome;
use crate::reading::{Phase, UnixMs};

/// One check as a person entered it.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordedCheck {
    /// Station, as configured.
    pub station: String,
    /// Circuit, as configured.
    pub circuit: String,
    /// What was found.
    pub outcome: Outcome,
    /// Who looked.
    pub by: String,
    /// When.
    pub at: UnixMs,
}

/// Reads a file of field checks for the stations of `config`.
pub fn load_checks(path: &Path, config: &Config) -> Result<Vec<RecordedCheck>, Problems> {
    let text = read_text(path).map_err(|problem| Problems::new(vec![*problem]))?;
    parse_checks(&path.display().to_string(), &text, config)
}

/// Checks the text of such a file.
pub fn parse_checks(file_name: &str, text: &str, config: &Config) -> Result<Vec<RecordedCheck>, Problems> {
    let report = Report::new(file_name, text);
    let mut all = Vec::new();
    if let Some(document) = &parse_document(&report, text) {
        let root = TableReader::new(&report, "", 0..0, document.get_ref());
        let tables = root.tables("checks");
        let tables = root.need("checks", tables, "write each check under a header [[checks]]");
        for table in tables.value().unwrap_or_default() {
            all.extend(read_entry(table, config, &all));
        }
        root.finish();
    }
    let problems: Vec<Problem> = report.into_problems();
    if problems.is_empty() { Ok(all) } else { Err(Problems::new(problems)) }
}

/// What kind of check an entry is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    TracePair,
    Polarity,
    LoopResistance,
    PhaseIdentity,
    VoltageMatrix,
    ClampCurrent,
    Display,
    Rotation,
}

const KINDS: &[(&str, Kind)] = &[
    ("trace-pair", Kind::TracePair),
    ("polarity", Kind::Polarity),
    ("loop-resistance", Kind::LoopResistance),
    ("phase-identity", Kind::PhaseIdentity),
    ("voltage-matrix", Kind::VoltageMatrix),
    ("clamp-current", Kind::ClampCurrent),
    ("display", Kind::Display),
    ("rotation", Kind::Rotation),
];

const PHASES: &[(&str, Phase)] = &[("A", Phase::A), ("B", Phase::B), ("C", Phase::C)];

fn read_entry(table: TableReader<'_>, config: &Config, before: &[RecordedCheck]) -> Vec<RecordedCheck> {
    let station = read_station(&table, config);
    let circuit = read_circuit(&table, station);
    let by = table.name("by", MAX_NAME_CHARS, "J. Alvarez");
    let by = table.need("by", by, "say who looked, for example by = \"J. Alvarez\"").value();
    let at = read_at(&table);
    let error_rate = table.number("error_rate", "0.05");
    let error_rate = table
        .check("error_rate", error_rate, |rate| {
            // A check that errs half the time says nothing; one that never errs does not exist.
            if (0.001..=0.4).contains(&rate) {
                Ok(rate)
            } else {
                Err(Fault::new("this rate is out of range", "error_rate is from 0.001 to 0.4; 0.02 unless given"))
            }
        })
        .or(ERROR_RATE);
    let kind = table.choice("check", KINDS);
    let place = if let Field::Good(kind) = &kind { kind.span.clone() } else { table.place().clone() };
    let kind = table.need("check", kind, "say what was checked, for example check = \"trace-pair\"");
    let found = kind.value().and_then(|kind| read_found(&table, kind, station.map(|s| s.nominal_voltage_v)));
    let mut entries = Vec::new();
    if let (Some(station), Some(circuit), Some(by), Some(at), Some(error_rate), Some(found)) =
        (station, circuit, by, at, error_rate, found)
    {
        for (check, finding) in found {
            let entry = RecordedCheck {
                station: station.name.clone(),
                circuit: circuit.clone(),
                outcome: Outcome { check, finding, error_rate },
                by: by.clone(),
                at,
            };
            // The same person looking twice repeats the same mistake: it is one piece of evidence, not two.
            let same = |e: &&RecordedCheck| {
                e.station == entry.station && e.circuit == entry.circuit && e.by == entry.by && e.outcome.check == check
            };
            if before.iter().any(|e| same(&e)) {
                table.fault(
                    "check",
                    &place,
                    Fault::new(
                        format!("{} is entered twice by {}", check.title(), quoted(&entry.by)),
                        "keep the later of the two; a second look counts only when another person takes it",
                    ),
                );
            }
            entries.push(entry);
        }
    }
    if kind_is_unknown(&table) {
        // The keys of a check that is not known cannot be judged.
        for key in ["channel", "phase", "shows", "volts", "ohms", "amps", "channel_amps"] {
            table.raw(key);
        }
    }
    table.finish();
    entries
}

fn kind_is_unknown(table: &TableReader<'_>) -> bool {
    let kind = table.raw("check").and_then(|value| value.get_ref().as_str());
    kind.is_none_or(|kind| KINDS.iter().all(|(word, _)| *word != kind))
}

fn read_station<'c>(table: &TableReader<'_>, config: &'c Config) -> Option<&'c StationConfig> {
    let field = table.text("station", "Alder Creek Lift");
    let field = table.need("station", field, "name the station as in the configuration");
    let names = || config.stations.iter().map(|s| s.name.as_str());
    table
        .check("station", field, |name| {
            config.stations.iter().find(|s| s.name == name).ok_or_else(|| not_there("station", name, names()))
        })
        .value()
}

fn read_circuit(table: &TableReader<'_>, station: Option<&StationConfig>) -> Option<String> {
    let field = table.text("circuit", "Pump 1");
    let field = table.need("circuit", field, "name the circuit as in the configuration");
    let station = station?;
    let names = || station.circuits.iter().map(|c| c.name.as_str());
    table
        .check("circuit", field, |name| {
            if names().any(|known| known == name) {
                Ok(name.to_owned())
            } else {
                Err(not_there("circuit", name, names()))
            }
        })
        .value()
}

fn read_at(table: &TableReader<'_>) -> Option<UnixMs> {
    let field = table.time("at");
    table.need("at", field, "write date, time and zone, for example at = \"2026-11-25T10:00:00Z\"").value()
}

fn read_found(table: &TableReader<'_>, kind: Kind, line_voltage_v: Option<f64>) -> Option<Vec<(FieldCheck, Finding)>> {
    match kind {
        Kind::VoltageMatrix => return read_matrix(table, line_voltage_v),
        Kind::Display => {
            let shows = [("agrees", Finding::DisplayAgrees), ("differs", Finding::DisplayDiffers)];
            return Some(vec![(FieldCheck::Display, shown(table, &shows)?)]);
        }
        Kind::Rotation => {
            let shows = [("expected", Finding::RotationExpected), ("opposite", Finding::RotationOpposite)];
            return Some(vec![(FieldCheck::Rotation, shown(table, &shows)?)]);
        }
        _ => {}
    }
    let channel = table.integer("channel", 1..=3);
    let channel = table.need("channel", channel, "say which channel, from 1, as on the monitor's terminals");
    let channel = channel.value().map(|k| (k - 1) as usize);
    let (check, finding) = match kind {
        Kind::TracePair => {
            let shows = [
                ("phase-A", Finding::FromPhase(Phase::A)),
                ("phase-B", Finding::FromPhase(Phase::B)),
                ("phase-C", Finding::FromPhase(Phase::C)),
                ("other-pump", Finding::FromOtherPump),
                ("several-conductors", Finding::FromSeveral),
            ];
            (FieldCheck::TracePair(channel.unwrap_or(0)), shown(table, &shows))
        }
        Kind::Polarity => {
            let shows = [("right", Finding::PolarityRight), ("reversed", Finding::PolarityReversed)];
            (FieldCheck::Polarity(channel.unwrap_or(0)), shown(table, &shows))
        }
        Kind::LoopResistance => {
            let shows =
                [("sound", Finding::LoopSound), ("open", Finding::LoopBroken), ("shorted", Finding::LoopBroken)];
            let ohms = table.number("ohms", "0.6");
            let ohms = table.check("ohms", ohms, |ohms| {
                measured_check::from_ohms(ohms).ok_or_else(|| {
                    Fault::new(
                        format!("{ohms} ohms is neither a sound loop nor an open or shorted one"),
                        "sound: 0.05 to 10; shorted: less; open: 100 or more; look for a bad joint and measure again",
                    )
                })
            });
            (FieldCheck::LoopResistance(channel.unwrap_or(0)), one_of(table, "ohms", ohms, &shows))
        }
        Kind::PhaseIdentity => {
            let shows = [("same-phase", Finding::SamePhase), ("other-phase", Finding::OtherPhase)];
            let phase = table.choice("phase", PHASES);
            let phase = table.need("phase", phase, "say which breaker phase, for example phase = \"B\"").value();
            let volts = table.number("volts", "481");
            let volts = match line_voltage_v {
                Some(line_v) => table.check("volts", volts, |volts| {
                    measured_check::from_volts(volts, line_v).ok_or_else(|| doubtful_volts(volts, line_v))
                }),
                None => Field::Bad,
            };
            let finding = one_of(table, "volts", volts, &shows);
            (FieldCheck::PhaseIdentity(channel.unwrap_or(0), phase?), finding)
        }
        Kind::ClampCurrent => {
            let shows = [
                ("agrees", Finding::CurrentAgrees),
                ("missing", Finding::CurrentMissing),
                ("differs", Finding::CurrentDiffers),
            ];
            (FieldCheck::ClampCurrent(channel.unwrap_or(0)), read_amps(table, &shows))
        }
        Kind::VoltageMatrix | Kind::Display | Kind::Rotation => return None,
    };
    channel?;
    Some(vec![(check, finding?)])
}

fn shown(table: &TableReader<'_>, shows: &[(&'static str, Finding)]) -> Option<Finding> {
    let field = table.choice("shows", shows);
    let example = shows.first().map_or("", |(word, _)| word);
    table.need("shows", field, &format!("say what was found, for example shows = \"{example}\"")).value()
}

/// What was found, as a word or as the number behind it, but not both.
fn one_of(
    table: &TableReader<'_>,
    number: &'static str,
    measured: Field<Finding>,
    shows: &[(&'static str, Finding)],
) -> Option<Finding> {
    if matches!(measured, Field::Absent) {
        let field = table.choice("shows", shows);
        return table.need("shows", field, &format!("write {number} = and the number measured, or shows =")).value();
    }
    if let Some(raw) = table.raw("shows") {
        let fault =
            Fault::new(format!("shows stands beside {number}"), format!("keep one of them; {number} is better"));
        table.fault("shows", &raw.span(), fault);
        return None;
    }
    measured.value()
}

fn read_amps(table: &TableReader<'_>, shows: &[(&'static str, Finding)]) -> Option<Finding> {
    let amps = table.number("amps", "61.5");
    if matches!(amps, Field::Absent) {
        return one_of(table, "amps", Field::Absent, shows);
    }
    let channel = table.number("channel_amps", "60.9");
    let channel = table.need(
        "channel_amps",
        channel,
        "write what the monitor showed on this channel at the same moment; a load moves, so a later reading will not do",
    );
    let compared = match (amps, channel) {
        (Field::Good(Located { value: clamp_a, span }), Field::Good(Located { value: channel_a, .. })) => {
            let both = Field::Good(Located { value: (clamp_a, channel_a), span });
            table.check("amps", both, |(clamp_a, channel_a)| {
                measured_check::from_amps(clamp_a, channel_a).ok_or_else(|| {
                    Fault::new(
                        format!("{clamp_a} A by clamp meter and {channel_a} A by the channel neither agree nor clearly differ"),
                        "two meters agree within 15 %, a wrong ratio makes 25 % or more: measure again on a steady load",
                    )
                })
            })
        }
        _ => Field::Bad,
    };
    one_of(table, "amps", compared, shows)
}

fn doubtful_volts(volts: f64, line_v: f64) -> Fault {
    Fault::new(
        format!("{volts} V is neither the same phase (near 0 V) nor another one (near {line_v} V)"),
        "look for an open fuse or a lead that is off, and measure again",
    )
}

/// Rows: monitor terminals 1 to 3. Columns: breaker phases A, B, C. A row is one look, so it counts once.
fn read_matrix(table: &TableReader<'_>, line_voltage_v: Option<f64>) -> Option<Vec<(FieldCheck, Finding)>> {
    const EXAMPLE: &str = "[[0.4, 481, 480], [480, 0.6, 482], [481, 479, 0.3]]";
    let shape = || {
        Fault::new(
            "expected three rows of three numbers",
            format!("a row for each terminal of the monitor, a column for each breaker phase: volts = {EXAMPLE}"),
        )
    };
    let field = table.array("volts", EXAMPLE);
    let field = table.need("volts", field, "write the nine voltages, a row for each terminal of the monitor");
    let line_v = line_voltage_v?;
    let rows = table.check("volts", field, |rows| {
        let rows: Vec<[f64; 3]> = rows.iter().filter_map(|row| row_of(row.get_ref())).collect();
        let rows: [[f64; 3]; 3] = rows.try_into().map_err(|_| shape())?;
        let mut phases = Vec::new();
        for (k, row) in rows.iter().enumerate() {
            if let Some(doubtful) = row.iter().find(|v| measured_check::from_volts(**v, line_v).is_none()) {
                let fault = doubtful_volts(*doubtful, line_v);
                return Err(Fault::new(format!("terminal {}: {}", k + 1, fault.message), fault.hint));
            }
            let phase = measured_check::phase_from_volts(*row, line_v).ok_or_else(|| {
                Fault::new(
                    format!("terminal {} is not on exactly one phase", k + 1),
                    "one voltage of the row is near 0 V, the other two near line voltage: measure again",
                )
            })?;
            if phases.contains(&phase) {
                return Err(Fault::new(
                    format!("two terminals are on phase {}", phase.label()),
                    "each terminal is on its own phase: measure again",
                ));
            }
            phases.push(phase);
        }
        Ok(phases)
    });
    let found = rows.value()?.into_iter().enumerate();
    Some(found.map(|(k, phase)| (FieldCheck::PhaseIdentity(k, phase), Finding::SamePhase)).collect())
}

fn row_of(value: &DeValue<'_>) -> Option<[f64; 3]> {
    let DeValue::Array(cells) = value else { return None };
    let cells: Option<Vec<f64>> = cells
        .iter()
        .map(|cell| match cell.get_ref() {
            DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok().map(|i| i as f64),
            DeValue::Float(f) => f.as_str().parse().ok(),
            _ => None,
        })
        .collect();
    cells?.try_into().ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::station::fixtures::station_config;

    fn config() -> Config {
        Config::of(vec![station_config("Alder Creek Lift")])
    }

    const HEAD: &str = "[[checks]]\nstation = \"Alder Creek Lift\"\ncircuit = \"Pump 1\"\nby = \"J. Alvarez\"\n\
                        at = \"2026-11-25T10:00:00Z\"\n";

    fn parsed(lines: &str) -> Result<Vec<(FieldCheck, Finding)>, String> {
        parse_checks("checks.toml", &format!("{HEAD}{lines}"), &config())
            .map(|all| all.iter().map(|c| (c.outcome.check, c.outcome.finding)).collect())
            .map_err(|problems| problems.to_string())
    }

    #[test]
    fn every_kind_of_check_is_read() {
        for (lines, check, finding) in [
            (
                "check = \"trace-pair\"\nchannel = 2\nshows = \"phase-C\"",
                FieldCheck::TracePair(1),
                Finding::FromPhase(Phase::C),
            ),
            (
                "check = \"polarity\"\nchannel = 3\nshows = \"reversed\"",
                FieldCheck::Polarity(2),
                Finding::PolarityReversed,
            ),
            ("check = \"loop-resistance\"\nchannel = 1\nohms = 0.6", FieldCheck::LoopResistance(0), Finding::LoopSound),
            (
                "check = \"loop-resistance\"\nchannel = 1\nshows = \"open\"",
                FieldCheck::LoopResistance(0),
                Finding::LoopBroken,
            ),
            (
                "check = \"phase-identity\"\nchannel = 1\nphase = \"B\"\nvolts = 481",
                FieldCheck::PhaseIdentity(0, Phase::B),
                Finding::OtherPhase,
            ),
            (
                "check = \"clamp-current\"\nchannel = 1\namps = 61.5\nchannel_amps = 0.0",
                FieldCheck::ClampCurrent(0),
                Finding::CurrentMissing,
            ),
        ] {
            assert_eq!(parsed(lines), Ok(vec![(check, finding)]), "{lines}");
        }
    }

    #[test]
    fn a_row_of_the_matrix_is_one_look() {
        let lines = "check = \"voltage-matrix\"\nvolts = [[0.4, 481, 480], [480, 482, 0.6], [481, 0.3, 479]]";
        let same = |k, phase| (FieldCheck::PhaseIdentity(k, phase), Finding::SamePhase);
        assert_eq!(parsed(lines), Ok(vec![same(0, Phase::A), same(1, Phase::C), same(2, Phase::B)]));
    }

    #[test]
    fn bad_entries_are_placed_and_explained() {
        for (lines, told) in [
            (
                "check = \"trace-pair\"\nchannel = 4\nshows = \"phase-C\"",
                "checks.toml:7:11: checks.channel: 4 is out of range",
            ),
            (
                "check = \"trace-pair\"\nchannel = 2\nshows = \"phase-D\"",
                "checks.toml:8:9: checks.shows: \"phase-D\" is not a choice",
            ),
            (
                "check = \"trace-pear\"\nchannel = 2",
                "checks.toml:6:9: checks.check: \"trace-pear\" is not a choice here; did you mean",
            ),
            ("check = \"trace-pair\"\nshows = \"phase-C\"", "checks.channel: this key is missing"),
            (
                "check = \"trace-pair\"\nchannel = 2\nshow = \"phase-C\"",
                "checks.toml:8:1: checks.show: this key is not known; did you mean shows?",
            ),
            ("check = \"loop-resistance\"\nchannel = 1\nohms = 40", "checks.toml:8:8: checks.ohms: 40 ohms is neither"),
            (
                "check = \"loop-resistance\"\nchannel = 1\nohms = 0.4\nshows = \"open\"",
                "checks.shows: shows stands beside ohms",
            ),
            ("check = \"phase-identity\"\nchannel = 1\nphase = \"A\"\nvolts = 277", "277 V is neither the same phase"),
            ("check = \"clamp-current\"\nchannel = 1\namps = 60", "checks.channel_amps: this key is missing"),
            ("check = \"clamp-current\"\nchannel = 1\namps = 60\nchannel_amps = 49", "measure again"),
            ("check = \"voltage-matrix\"\nvolts = [[0, 480, 480], [480, 0, 480]]", "three rows of three"),
            (
                "check = \"voltage-matrix\"\nvolts = [[0, 480, 480], [0, 480, 480], [480, 480, 0]]",
                "two terminals are on phase A",
            ),
            (
                "check = \"polarity\"\nchannel = 1\nshows = \"right\"\nerror_rate = 0.7",
                "checks.error_rate: this rate is out of range",
            ),
        ] {
            let error = parsed(lines).unwrap_err();
            assert!(error.contains(told), "{lines}\n{error}");
        }
        let trace = "check = \"trace-pair\"\nchannel = 2\nshows = \"phase-C\"\n";
        let twice = parsed(&format!("{trace}{HEAD}{trace}")).unwrap_err();
        assert!(twice.contains("checks.toml:14:9: checks.check: Trace of CT pair 2 is entered twice"), "{twice}");
        let elsewhere = HEAD.replace("Pump 1", "Pump 7").replace("10:00:00Z", "10 o'clock");
        let error = parse_checks("checks.toml", &format!("{elsewhere}{trace}"), &config()).unwrap_err().to_string();
        assert!(error.contains("checks.circuit: there is no circuit named \"Pump 7\""), "{error}");
        assert!(error.contains("checks.toml:5:6: checks.at: "), "{error}");
        assert!(parse_checks("checks.toml", "", &config()).is_err());
    }

    #[test]
    fn times_may_be_toml_times_too() {
        let text = HEAD.replace("at = \"2026-11-25T10:00:00Z\"", "at = 2026-11-25T10:00:00Z");
        let all = parse_checks("c", &format!("{text}check = \"polarity\"\nchannel = 1\nshows = \"right\""), &config());
        assert_eq!(all.unwrap()[0].at, UnixMs(1_795_600_800_000));
    }
}
