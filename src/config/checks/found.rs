//! What a check showed, in the words and numbers of its kind.
//!
//! Must never let a number between two meanings through as one of them.

use toml::de::DeValue;

use crate::audit::check_words::{CheckKind, Measure, Panel, from_numbers, kinds};
use crate::audit::field_check::{FieldCheck, Finding};
use crate::audit::measured_check;
use crate::config::problem::quoted;
use crate::config::reader::{Fault, Field, Located, TableReader, float_of, nearest};

/// What kind of check an entry is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// One that the core knows.
    Of(CheckKind),
    /// The nine voltages between terminals and breaker phases: three looks in one entry.
    VoltageMatrix,
}

/// Word of the nine voltages.
pub(super) const VOLTAGE_MATRIX: &str = "voltage-matrix";
/// Keys that say what was found; which of them go with a check is for its kind to say.
pub(super) const FOUND_KEYS: [&str; 6] = ["channel", "shows", "volts", "ohms", "amps", "channel_amps"];

/// The words of all checks.
pub(super) fn check_words() -> Vec<&'static str> {
    kinds().iter().map(|kind| kind.key).chain([VOLTAGE_MATRIX]).collect()
}

/// The kind of check that a word names.
pub(super) fn kind_of(word: &str) -> Option<Kind> {
    if word.eq_ignore_ascii_case(VOLTAGE_MATRIX) {
        return Some(Kind::VoltageMatrix);
    }
    kinds().into_iter().find(|kind| kind.key.eq_ignore_ascii_case(word)).map(Kind::Of)
}

/// What was found: one outcome, or one for each row of a matrix. `panel` is that of the circuit, when there is one.
pub(super) fn read_found(
    table: &TableReader<'_>,
    kind: Kind,
    panel: Option<&Panel>,
) -> Option<Vec<(FieldCheck, Finding)>> {
    let Kind::Of(kind) = kind else { return read_matrix(table, panel) };
    let channel = if kind.of_channel {
        let channel = table.integer("channel", 1..=3);
        let channel = table.need("channel", channel, "say which channel, from 1, as on the monitor's terminals");
        Some(channel.value().map(|k| (k - 1) as usize))
    } else {
        None
    };
    let finding = read_finding(table, &kind, panel)?;
    // A key that is needed and is not there is told above.
    let channel = channel.map_or(Some(None), |k| k.map(Some))?;
    let check = FieldCheck::of(kind.key, channel)?;
    if let Some(panel) = panel.filter(|panel| !check.exists_in(panel.installation.service)) {
        let fault = Fault::new(
            format!("this circuit has no channel {} for a {}", channel.map_or(0, |k| k + 1), kind.key),
            format!("its service has {}", panel.channel_words(check)),
        );
        table.fault("channel", table.place(), fault);
        return None;
    }
    Some(vec![(check, finding)])
}

/// One of a few words, as the core reads it.
pub(super) fn word<T>(
    table: &TableReader<'_>,
    key: &'static str,
    accepted: &[&str],
    read: impl Fn(&str) -> Option<T>,
) -> Field<T> {
    let field = table.text(key, accepted.first().copied().unwrap_or_default());
    table.check(key, field, |text| {
        read(text).ok_or_else(|| {
            let all = accepted.join(", ");
            let hint = match nearest(text, accepted.iter().copied()) {
                Some(near) => format!("did you mean {near:?}? (choices: {all})"),
                None => format!("choose one of {all}"),
            };
            Fault::new(format!("{} is not a choice here", quoted(text)), hint)
        })
    })
}

/// What was found, as a word or as the numbers behind it, but not both.
fn read_finding(table: &TableReader<'_>, kind: &CheckKind, panel: Option<&Panel>) -> Option<Finding> {
    let measured = kind.measure.map_or(Field::Absent, |measure| read_numbers(table, measure, panel));
    if matches!(measured, Field::Absent) {
        let accepted = kind.example.accepted();
        let field = word(table, "shows", &accepted, |text| kind.example.finding_of(text));
        let hint = match kind.measure {
            Some(measure) => format!("write {} = and the number measured, or shows =", measure.keys()[0]),
            None => format!("say what was found, for example shows = \"{}\"", accepted.first().unwrap_or(&"")),
        };
        return table.need("shows", field, &hint).value();
    }
    if let (Some(raw), Some(measure)) = (table.raw("shows"), kind.measure) {
        let number = measure.keys()[0];
        let fault =
            Fault::new(format!("shows stands beside {number}"), format!("keep one of them; {number} is better"));
        table.fault("shows", &raw.span(), fault);
        return None;
    }
    measured.value()
}

/// What the numbers of a measure show; absent when the first of them is.
fn read_numbers(table: &TableReader<'_>, measure: Measure, panel: Option<&Panel>) -> Field<Finding> {
    let keys = measure.keys();
    let numbers = match measure {
        Measure::Volts => read_row(table, keys[0]),
        Measure::Ohms => table.check(keys[0], table.number(keys[0], "0.6"), |ohms| Ok(vec![ohms])),
        Measure::Amps => read_amps(table, keys[0], keys[1]),
    };
    match (panel, numbers) {
        (_, Field::Absent) => Field::Absent,
        // A station or circuit that is not known is told where it is named.
        (None, _) | (_, Field::Bad) => Field::Bad,
        (Some(panel), numbers) => table.check(keys[0], numbers, |numbers| {
            from_numbers(measure, &numbers, panel).ok_or_else(|| in_doubt(measure, &numbers, panel))
        }),
    }
}

/// The volts from one terminal to all phases.
fn read_row(table: &TableReader<'_>, key: &'static str) -> Field<Vec<f64>> {
    let array = table.array(key, ROW);
    table.check(key, array, |cells| {
        let numbers: Option<Vec<f64>> = cells.iter().map(|cell| float_of(cell.get_ref())).collect();
        numbers.filter(|n| (2..=3).contains(&n.len())).ok_or_else(|| {
            Fault::new(
                "expected the volts from this terminal to every phase at the same breaker",
                format!("one voltage alone shows nothing; for phases A, B, C: {key} = {ROW}"),
            )
        })
    })
}

fn read_amps(table: &TableReader<'_>, ammeter: &'static str, channel: &'static str) -> Field<Vec<f64>> {
    let first = table.number(ammeter, "61.5");
    if matches!(first, Field::Absent) {
        return Field::Absent;
    }
    let second = table.need(channel, table.number(channel, "60.9"), NOT_LATER);
    match (first, second) {
        (Field::Good(Located { value: a, span }), Field::Good(Located { value: b, .. })) => {
            Field::Good(Located { value: vec![a, b], span })
        }
        _ => Field::Bad,
    }
}

const ROW: &str = "[481, 0.4, 479]";
const NOT_LATER: &str =
    "write what the monitor showed on this channel at the same moment; a load moves, so a later reading will not do";

fn in_doubt(measure: Measure, numbers: &[f64], panel: &Panel) -> Fault {
    let number = |k: usize| numbers.get(k).copied().unwrap_or_default();
    match measure {
        Measure::Ohms => {
            let secondary = panel.installation.ct_secondary;
            let hint = match measured_check::closed_up_to_ohm(secondary) {
                Some(closed) => format!(
                    "closed: up to {closed}; open: {} or more; look for a bad joint and measure again, leads lifted at the monitor",
                    measured_check::open_from_ohm(secondary)
                ),
                None => "a Rogowski coil may have an integrator, through which nothing is measured".to_owned(),
            };
            Fault::new(format!("{} ohms is neither a closed loop nor an open one", number(0)), hint)
        }
        Measure::Volts => doubtful_volts(numbers, panel.installation.nominal_voltage_v),
        Measure::Amps => Fault::new(
            format!(
                "{} A by the ammeter and {} A by the channel neither agree nor clearly differ, or are too few for this CT",
                number(0),
                number(1)
            ),
            "from 20 % of the CT's rating two meters agree within 5 %, a wrong ratio makes 22 % or more: measure again on a steady load",
        ),
    }
}

fn doubtful_volts(volts: &[f64], line_v: f64) -> Fault {
    let volts: Vec<String> = volts.iter().map(f64::to_string).collect();
    Fault::new(
        format!("{} V are neither near 0 V nor near {line_v} V nor clearly between", volts.join(", ")),
        "below 5 V: same phase; within 10 % of line voltage: another phase; measure again",
    )
}

/// Rows: monitor terminals 1 to 3. Columns: breaker phases A, B, C. A row is one look, so it counts once.
fn read_matrix(table: &TableReader<'_>, panel: Option<&Panel>) -> Option<Vec<(FieldCheck, Finding)>> {
    const EXAMPLE: &str = "[[0.4, 481, 480], [480, 0.6, 482], [481, 479, 0.3]]";
    let shape = || {
        Fault::new(
            "expected three rows of three numbers",
            format!("a row for each terminal of the monitor, a column for each breaker phase: volts = {EXAMPLE}"),
        )
    };
    let field = table.array("volts", EXAMPLE);
    let field = table.need("volts", field, "write the nine voltages, a row for each terminal of the monitor");
    let line_v = panel?.installation.nominal_voltage_v;
    let rows = table.check("volts", field, |rows| {
        let rows: Vec<[f64; 3]> = rows.iter().filter_map(|row| row_of(row.get_ref())).collect();
        let rows: [[f64; 3]; 3] = rows.try_into().map_err(|_| shape())?;
        let mut found = Vec::new();
        for (k, row) in rows.iter().enumerate() {
            let finding = measured_check::from_terminal_volts(row, line_v).ok_or_else(|| {
                let fault = doubtful_volts(row, line_v);
                Fault::new(format!("terminal {}: {}", k + 1, fault.message), fault.hint)
            })?;
            let on_phase = matches!(finding, Finding::LeadOnPhase(_));
            if on_phase && found.contains(&finding) {
                return Err(Fault::new(
                    format!("terminal {} and another are on the same phase", k + 1),
                    "each terminal is on its own phase: measure again",
                ));
            }
            found.push(finding);
        }
        Ok(found)
    });
    let found = rows.value()?.into_iter().enumerate();
    Some(found.map(|(k, finding)| (FieldCheck::VoltageIdentity(k), finding)).collect())
}

fn row_of(value: &DeValue<'_>) -> Option<[f64; 3]> {
    let DeValue::Array(cells) = value else { return None };
    let cells: Option<Vec<f64>> = cells.iter().map(|cell| float_of(cell.get_ref())).collect();
    cells?.try_into().ok()
}
