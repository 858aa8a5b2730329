//! What a lead of a monitor is really connected to: reads expressions such as `-A`, `open`, `Pump 2:B*0.5`, `A+B`.
//!
//! A current channel sees a signed, scaled sum of conductors (nothing: an empty sum); a voltage channel is on one
//! conductor or on none. Must never compute an electrical value.

use crate::error::SimError;

/// What a lead hanging in the air or behind a blown fuse still picks up, as a part of the conductor it is near.
const RESIDUAL: f64 = 0.03;

/// One conductor in a sum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Term {
    /// Index of the pump the conductor feeds; `None` for the incomer.
    pub(crate) pump: Option<usize>,
    /// Phase 0, 1, 2.
    pub(crate) phase: usize,
    /// Gain with sign.
    pub(crate) gain: f64,
    /// How much of the signal a loose contact loses at worst, 0 to 1.
    pub(crate) loose: f64,
}

/// What one current channel is around.
pub(crate) type Tap = Vec<Term>;

/// Where a voltage lead ends; phases are 0, 1, 2.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum End {
    /// Nowhere.
    Nothing,
    /// On a supply conductor.
    Supply(usize),
    /// In the air or behind a blown fuse, near a supply conductor: it reads, but carries no current.
    Floating(usize),
    /// Behind a blown fuse of this conductor, shared with motors like those that run: they feed the lead back.
    BackFed(usize),
    /// Behind the fuses of a pump: where its own conductor is lost, the pump's motor feeds the lead back.
    Behind {
        /// Index of the pump.
        pump: usize,
        /// The conductor.
        phase: usize,
    },
}

/// What one voltage channel is connected to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct VoltageTap {
    /// Where the lead ends.
    pub(crate) end: End,
    /// Gain with sign: polarity and ratio.
    pub(crate) gain: f64,
    /// How much of the signal a loose contact loses at worst, 0 to 1.
    pub(crate) loose: f64,
}

impl VoltageTap {
    /// Connected to nothing.
    pub(crate) const NOTHING: VoltageTap = VoltageTap { end: End::Nothing, gain: 0.0, loose: 0.0 };

    /// Conductor it is on or near.
    pub(crate) fn phase(self) -> Option<usize> {
        match self.end {
            End::Nothing => None,
            End::Supply(phase) | End::Floating(phase) | End::BackFed(phase) | End::Behind { phase, .. } => Some(phase),
        }
    }

    /// True when the lead can carry the current of the monitor's input.
    pub(crate) fn is_connected(self) -> bool {
        !matches!(self.end, End::Nothing | End::Floating(_))
    }
}

/// Reads a voltage lead: `A`, `-B`, `C*0.5`, `A~0.2`, `blown`, `blown B*0.05`, `off`, `off B*0.2`, `backfed B`,
/// `Pump 2:B`.
pub(crate) fn voltage_tap(text: &str, pump: impl Fn(&str) -> Option<usize>) -> Result<VoltageTap, SimError> {
    let trimmed = text.trim();
    if matches!(trimmed, "blown" | "off") {
        return Ok(VoltageTap::NOTHING);
    }
    let floating = trimmed.strip_prefix("blown ").or_else(|| trimmed.strip_prefix("off "));
    let back_fed = trimmed.strip_prefix("backfed ");
    let found = conductor(floating.or(back_fed).unwrap_or(trimmed), text)?;
    let end = match (found.name, floating.is_some(), back_fed.is_some()) {
        (None, true, _) => End::Floating(found.phase),
        (None, _, true) => End::BackFed(found.phase),
        (None, ..) => End::Supply(found.phase),
        (Some(name), false, false) => End::Behind { pump: named(name, pump, text)?, phase: found.phase },
        _ => return Err(lead(text, "a lead that is off, blown or fed back names a phase only")),
    };
    let gain = found.gain.unwrap_or(if floating.is_some() { RESIDUAL } else { 1.0 });
    Ok(VoltageTap { end, gain: found.sign * gain, loose: found.loose })
}

/// Reads a current lead. `own` is the pump the slot is meant to meter (`None`: the incomer); `pump` finds others.
pub(crate) fn current_tap(
    text: &str,
    own: Option<usize>,
    pump: impl Fn(&str) -> Option<usize>,
) -> Result<Tap, SimError> {
    if matches!(text.trim(), "open" | "shorted") {
        return Ok(Tap::new());
    }
    text.split('+')
        .map(|part| {
            let found = conductor(part, text)?;
            let pump = match found.name {
                None => own,
                Some("*") => None,
                Some(name) => Some(named(name, &pump, text)?),
            };
            let gain = found.sign * found.gain.unwrap_or(1.0);
            Ok(Term { pump, phase: found.phase, gain, loose: found.loose })
        })
        .collect()
}

fn named(name: &str, pump: impl Fn(&str) -> Option<usize>, whole: &str) -> Result<usize, SimError> {
    pump(name).ok_or_else(|| lead(whole, &format!("there is no pump \"{name}\"")))
}

fn lead(text: &str, problem: &str) -> SimError {
    SimError::Lead { text: text.to_owned(), problem: problem.to_owned() }
}

/// The parts of `-Pump 2:B*0.5~0.3`.
struct Conductor<'t> {
    sign: f64,
    name: Option<&'t str>,
    phase: usize,
    gain: Option<f64>,
    loose: f64,
}

fn conductor<'t>(part: &'t str, whole: &str) -> Result<Conductor<'t>, SimError> {
    let number = |text: &str, mark: char| match text.trim().parse::<f64>() {
        Ok(number) if number.is_finite() => Ok(number),
        Ok(_) => Err(lead(whole, &format!("the factor after {mark} is not finite"))),
        Err(_) => Err(lead(whole, &format!("the factor after {mark} is not a number"))),
    };
    let part = part.trim();
    let (sign, part) = match part.strip_prefix('-') {
        Some(rest) => (-1.0, rest.trim()),
        None => (1.0, part),
    };
    let (name, part) = match part.rsplit_once(':') {
        Some((name, rest)) => (Some(name.trim()), rest.trim()),
        None => (None, part),
    };
    let (part, loose) = match part.split_once('~') {
        Some((part, depth)) => (part.trim(), number(depth, '~')?),
        None => (part, 0.0),
    };
    if !(0.0..=1.0).contains(&loose) {
        return Err(lead(whole, "the factor after ~ is 0 to 1"));
    }
    let (phase, gain) = match part.split_once('*') {
        Some((phase, gain)) => (phase.trim(), Some(number(gain, '*')?)),
        None => (part, None),
    };
    let phase = phase_index(phase).ok_or_else(|| lead(whole, "a phase is A, B or C"))?;
    Ok(Conductor { sign, name, phase, gain, loose })
}

/// 0, 1, 2 for "A", "B", "C".
pub(crate) fn phase_index(text: &str) -> Option<usize> {
    ["A", "B", "C"].iter().position(|phase| *phase == text)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Tap, SimError> {
        current_tap(text, Some(0), |name| (name == "Pump-2").then_some(1))
    }

    fn term(pump: Option<usize>, phase: usize, gain: f64) -> Term {
        Term { pump, phase, gain, loose: 0.0 }
    }

    fn read_voltage(text: &str) -> Result<VoltageTap, SimError> {
        voltage_tap(text, |name| (name == "Pump-2").then_some(1))
    }

    fn on(end: End, gain: f64) -> VoltageTap {
        VoltageTap { end, gain, loose: 0.0 }
    }

    #[test]
    fn every_form_of_lead_is_read() {
        assert_eq!(read("A").unwrap(), [term(Some(0), 0, 1.0)]);
        assert_eq!(read(" -B ").unwrap(), [term(Some(0), 1, -1.0)]);
        assert_eq!(read("B*0.5").unwrap(), [term(Some(0), 1, 0.5)]);
        assert_eq!(read("-Pump-2:C*2").unwrap(), [term(Some(1), 2, -2.0)]);
        assert_eq!(read("A+-Pump-2:B").unwrap(), [term(Some(0), 0, 1.0), term(Some(1), 1, -1.0)]);
        assert_eq!(read("*:A").unwrap(), [term(None, 0, 1.0)]);
        assert_eq!(read("open").unwrap(), []);
        assert_eq!(read("shorted").unwrap(), []);
        assert_eq!(read("-A*0.5~0.3").unwrap(), [Term { loose: 0.3, ..term(Some(0), 0, -0.5) }]);
        assert_eq!(read_voltage("-C*0.5").unwrap(), on(End::Supply(2), -0.5));
        assert_eq!(read_voltage("blown").unwrap(), VoltageTap::NOTHING);
        assert_eq!(read_voltage("off").unwrap(), VoltageTap::NOTHING);
        assert_eq!(read_voltage("blown B").unwrap(), on(End::Floating(1), RESIDUAL));
        assert_eq!(read_voltage("off B*0.2").unwrap(), on(End::Floating(1), 0.2));
        assert_eq!(read_voltage("backfed C").unwrap(), on(End::BackFed(2), 1.0));
        assert_eq!(read_voltage("Pump-2:B").unwrap(), on(End::Behind { pump: 1, phase: 1 }, 1.0));
        assert_eq!(read_voltage("A~0.1").unwrap(), VoltageTap { loose: 0.1, ..on(End::Supply(0), 1.0) });
    }

    #[test]
    fn unreadable_leads_say_what_is_wrong() {
        for (text, words) in [
            ("D", "A, B or C"),
            ("", "A, B or C"),
            ("A*x", "not a number"),
            ("A*inf", "not finite"),
            ("Pump 9:A", "no pump \"Pump 9\""),
            ("A+", "A, B or C"),
            ("A~2", "0 to 1"),
            ("A~x", "after ~ is not a number"),
        ] {
            let error = read(text).unwrap_err().to_string();
            assert!(error.contains(words), "{text}: {error}");
        }
        for text in ["Pump 9:A", "off Pump-2:A", "open", "backfed", "A+B"] {
            assert!(read_voltage(text).is_err(), "{text}");
        }
    }
}
