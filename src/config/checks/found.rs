//! What a check showed, in the words and numbers of its kind.
//!
//! Must never let a number between two meanings through as one of them.

use toml::de::DeValue;

use crate::audit::field_check::{FieldCheck, Finding};
use crate::audit::measured_check;
use crate::config::reader::{Fault, Field, Located, TableReader, float_of};
use crate::reading::Phase;

/// What kind of check an entry is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    TracePair,
    Polarity,
    LoopResistance,
    PhaseIdentity,
    VoltageMatrix,
    ClampCurrent,
    Display,
    Rotation,
}

pub(super) const KINDS: &[(&str, Kind)] = &[
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

/// What was found: one outcome, or one for each row of a matrix. `line_voltage_v` is that of the station, when there is one.
pub(super) fn read_found(
    table: &TableReader<'_>,
    kind: Kind,
    line_voltage_v: Option<f64>,
) -> Option<Vec<(FieldCheck, Finding)>> {
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
    let cells: Option<Vec<f64>> = cells.iter().map(|cell| float_of(cell.get_ref())).collect();
    cells?.try_into().ok()
}
