//! Spans of time as arguments: "500ms", "30s", "2 min". A bare number is refused, since its unit would be a guess.

use std::time::Duration;

const UNITS: [(&str, f64); 5] = [("ms", 0.001), ("s", 1.0), ("min", 60.0), ("m", 60.0), ("h", 3600.0)];
/// Longer than this is a mistake.
const LONGEST_S: f64 = 7.0 * 24.0 * 3600.0;

/// Reads a span.
pub(super) fn parse(text: &str) -> Result<Duration, String> {
    let text = text.trim();
    let split = text.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(text.len());
    let (number, unit) = (text[..split].trim(), &text[split..]);
    let value: f64 = number.parse().map_err(|_| format!("\"{text}\" is not a span of time; write for example 30s"))?;
    if unit.is_empty() {
        return Err(format!("\"{text}\" has no unit; write for example {text}s"));
    }
    let (_, scale) = UNITS
        .iter()
        .find(|(name, _)| *name == unit)
        .ok_or_else(|| format!("\"{unit}\" is not a unit of time; use ms, s, min or h"))?;
    let seconds = value * scale;
    if 0.0 < seconds && seconds <= LONGEST_S {
        Ok(Duration::from_secs_f64(seconds))
    } else {
        Err(format!("\"{text}\" must be more than 0 and at most 7 days"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_need_a_unit() {
        for (text, ms) in [("500ms", 500), ("30s", 30_000), ("2 min", 120_000), ("1.5h", 5_400_000), (" 1m ", 60_000)] {
            assert_eq!(parse(text), Ok(Duration::from_millis(ms)), "{text}");
        }
        for bad in ["30", "", "s", "30 parsecs", "-1s", "0s", "1e9h", "nans", "infs", "1_0s", "8 days", "é"] {
            assert!(parse(bad).is_err(), "{bad}");
        }
        assert_eq!(parse("30").unwrap_err(), "\"30\" has no unit; write for example 30s");
    }
}
