//! What a lead of a monitor is really connected to: reads expressions such as `-A`, `open`, `Pump 2:B*0.5`, `A+B`.
//!
//! Every wiring fault is a signed, scaled sum of conductors; nothing (an open CT, a blown fuse) is an empty sum.
//! Must never compute an electrical value.

use crate::error::SimError;

/// One conductor in a sum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Term {
    /// Index of the pump the conductor feeds; `None` for a voltage lead or the incomer.
    pub(crate) pump: Option<usize>,
    /// Phase 0, 1, 2.
    pub(crate) phase: usize,
    /// Gain with sign.
    pub(crate) gain: f64,
}

/// What one channel is connected to.
pub(crate) type Tap = Vec<Term>;

/// Reads a voltage lead: `A`, `-B`, `C*0.5`, `blown`.
pub(crate) fn voltage_tap(text: &str) -> Result<Tap, SimError> {
    if text.trim() == "blown" {
        return Ok(Tap::new());
    }
    let (sign, name, phase, gain) = conductor(text, text)?;
    if name.is_some() {
        return Err(lead(text, "a voltage lead names a phase only"));
    }
    Ok(vec![Term { pump: None, phase, gain: sign * gain }])
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
            let (sign, name, phase, gain) = conductor(part, text)?;
            let pump = match name {
                None => own,
                Some("*") => None,
                Some(name) => Some(pump(name).ok_or_else(|| lead(text, &format!("there is no pump \"{name}\"")))?),
            };
            Ok(Term { pump, phase, gain: sign * gain })
        })
        .collect()
}

fn lead(text: &str, problem: &str) -> SimError {
    SimError::Lead { text: text.to_owned(), problem: problem.to_owned() }
}

/// Sign, pump name, phase and gain of `-Pump 2:B*0.5`.
fn conductor<'t>(part: &'t str, whole: &str) -> Result<(f64, Option<&'t str>, usize, f64), SimError> {
    let part = part.trim();
    let (sign, part) = match part.strip_prefix('-') {
        Some(rest) => (-1.0, rest.trim()),
        None => (1.0, part),
    };
    let (name, part) = match part.rsplit_once(':') {
        Some((name, rest)) => (Some(name.trim()), rest.trim()),
        None => (None, part),
    };
    let (phase, gain) = match part.split_once('*') {
        Some((phase, gain)) => {
            let gain: f64 = gain.trim().parse().map_err(|_| lead(whole, "the factor after * is not a number"))?;
            if !gain.is_finite() {
                return Err(lead(whole, "the factor after * is not finite"));
            }
            (phase.trim(), gain)
        }
        None => (part, 1.0),
    };
    Ok((sign, name, phase_index(phase).ok_or_else(|| lead(whole, "a phase is A, B or C"))?, gain))
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
        Term { pump, phase, gain }
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
        assert_eq!(voltage_tap("-C*0.5").unwrap(), [term(None, 2, -0.5)]);
        assert_eq!(voltage_tap("blown").unwrap(), []);
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
        ] {
            let error = read(text).unwrap_err().to_string();
            assert!(error.contains(words), "{text}: {error}");
        }
        assert!(voltage_tap("Pump-2:A").is_err());
        assert!(voltage_tap("open").is_err());
    }
}
