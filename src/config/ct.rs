//! Current transformers as their plates say: "200:5", "200/5", "200 A : 333 mV", and the secondary alone.
//!
//! Must never take a bare number for a voltage, nor a voltage for a current: which of them a secondary is decides what is
//! dangerous.

use super::model::CtRatio;
use super::problem::quoted;
use super::quantity::{self, Dimension};
use super::reader::Fault;
use crate::audit::installation::CtSecondary;

/// Rated secondary currents, A: 5 A and 1 A, and down to those of CTs without a standard.
const SECONDARY_A: std::ops::RangeInclusive<f64> = 0.001..=20.0;
/// Rated secondary voltages, V.
const SECONDARY_V: std::ops::RangeInclusive<f64> = 0.001..=30.0;
/// Below this a bare secondary is as likely a voltage ("200:0.333").
const LEAST_BARE_A: f64 = 1.0;

const RATIO_HINT: &str = "write primary and secondary as printed on the CTs, for example ct_ratio = \"200:5\", or \
    ct_ratio = \"200 A : 333 mV\" for a voltage output";

/// A ratio as printed on a CT. Between primary and secondary stands a colon or a slash; a bare number is in A.
pub(super) fn parse_ct_ratio(text: &str) -> Result<CtRatio, Fault> {
    let fault = |message: &str| Err(Fault::new(format!("{} {message}", quoted(text)), RATIO_HINT));
    let mut parts = text.split([':', '/']).map(str::trim);
    let (Some(primary), Some(secondary), None) = (parts.next(), parts.next(), parts.next()) else {
        return fault("is not a CT ratio");
    };
    let bare = |part: &str| {
        let plain = !part.is_empty() && part.chars().all(|c| c.is_ascii_digit() || c == '.');
        part.parse::<f64>().ok().filter(|value| plain && value.is_finite())
    };
    let amperes = |part: &str| bare(part).or_else(|| quantity::parse(part, Dimension::Current).ok());
    let Some(primary_a) = amperes(primary).filter(|primary| *primary >= 0.0) else { return fault("is not a CT ratio") };
    if primary_a == 0.0 || amperes(secondary) == Some(0.0) {
        return fault("has a zero, which would make every current 0 or endless");
    }
    if let Some(secondary_a) = bare(secondary)
        && !(LEAST_BARE_A..=*SECONDARY_A.end()).contains(&secondary_a)
    {
        return if primary_a < secondary_a && (LEAST_BARE_A..=*SECONDARY_A.end()).contains(&primary_a) {
            Err(Fault::new(
                format!("{} has its primary below its secondary", quoted(text)),
                format!("the primary comes first: write \"{secondary_a}:{primary_a}\""),
            ))
        } else {
            fault("has a secondary that is no usual current, without its unit")
        };
    }
    let secondary = match bare(secondary) {
        Some(amps) => current(amps),
        None => rated_secondary(secondary),
    };
    let Some(secondary) = secondary else { return fault("is not a CT ratio") };
    if let CtSecondary::Current { rated_ma } = secondary
        && primary_a < f64::from(rated_ma) / 1000.0
    {
        return Err(Fault::new(
            format!("{} has its primary below its secondary", quoted(text)),
            format!("the primary comes first: write \"{}:{primary_a}\"", f64::from(rated_ma) / 1000.0),
        ));
    }
    Ok(CtRatio { primary_a, secondary })
}

/// The rated secondary as printed on a CT: a current ("5 A", "1 A", "100 mA"), a voltage ("333 mV", "1 V"), or a word.
pub(super) fn parse_ct_secondary(text: &str) -> Result<CtSecondary, Fault> {
    match text.trim() {
        "rogowski" => return Ok(CtSecondary::Rogowski),
        "unknown" => return Ok(CtSecondary::Unknown),
        _ => {}
    }
    rated_secondary(text).ok_or_else(|| {
        Fault::new(
            format!("{} is not a CT secondary", quoted(text)),
            "write what is printed on the CT: \"5 A\", \"1 A\", \"333 mV\", \"1 V\", or \"rogowski\", or \"unknown\"",
        )
    })
}

/// A current or a voltage with its unit, within what CTs have.
fn rated_secondary(text: &str) -> Option<CtSecondary> {
    if let Ok(amps) = quantity::parse(text, Dimension::Current) {
        return current(amps);
    }
    let volts = quantity::parse(text, Dimension::Voltage).ok().filter(|volts| SECONDARY_V.contains(volts))?;
    Some(CtSecondary::Voltage { rated_mv: (1000.0 * volts).round() as u32 })
}

fn current(amps: f64) -> Option<CtSecondary> {
    SECONDARY_A.contains(&amps).then(|| CtSecondary::Current { rated_ma: (1000.0 * amps).round() as u32 })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ct_secondaries_are_read_or_refused_with_a_reason() {
        for (text, expected) in [
            ("5 A", CtSecondary::Current { rated_ma: 5000 }),
            ("1A", CtSecondary::Current { rated_ma: 1000 }),
            ("100 mA", CtSecondary::Current { rated_ma: 100 }),
            ("333 mV", CtSecondary::Voltage { rated_mv: 333 }),
            ("1 V", CtSecondary::Voltage { rated_mv: 1000 }),
            ("rogowski", CtSecondary::Rogowski),
            ("unknown", CtSecondary::Unknown),
        ] {
            assert_eq!(parse_ct_secondary(text).ok(), Some(expected), "{text}");
        }
        for text in ["", "5", "200 A", "0 A", "-5 A", "5 kV", "CT", "333 MV"] {
            let fault = parse_ct_secondary(text).err().unwrap();
            assert!(fault.hint.contains("333 mV"), "{text}");
        }
    }

    fn judged(text: &str) -> String {
        parse_ct_ratio(text)
            .map_or_else(|fault| format!("{}; {}", fault.message, fault.hint), |ratio| ratio.to_string())
    }

    #[test]
    fn ct_ratios_are_read_as_people_write_them() {
        for (text, read) in [
            ("200:5", "200:5"),
            ("200/5", "200:5"),
            (" 100 : 1 ", "100:1"),
            ("5:5", "5:5"),
            ("200 A : 5 A", "200:5"),
            ("200A/5A", "200:5"),
            ("200:5A", "200:5"),
            ("1.2 kA : 1 A", "1200:1"),
            ("200:100 mA", "200 A : 100 mA"),
            ("200 A : 333 mV", "200 A : 333 mV"),
            ("200/333mV", "200 A : 333 mV"),
            ("200:0.333 V", "200 A : 333 mV"),
            ("400 a : 1 v", "400 A : 1 V"),
        ] {
            assert_eq!(judged(text), read, "{text}");
        }
        let voltage = parse_ct_ratio("200 A : 333 mV").ok().unwrap();
        assert_eq!((voltage.primary_a, voltage.secondary), (200.0, CtSecondary::Voltage { rated_mv: 333 }));
    }

    #[test]
    fn other_ct_ratios_are_refused_with_a_reason() {
        let hint = RATIO_HINT;
        let no_unit = "has a secondary that is no usual current, without its unit";
        for (text, verdict) in [
            ("0:5", format!("\"0:5\" has a zero, which would make every current 0 or endless; {hint}")),
            ("200:0", format!("\"200:0\" has a zero, which would make every current 0 or endless; {hint}")),
            (
                "5:200",
                "\"5:200\" has its primary below its secondary; the primary comes first: write \"200:5\"".to_owned(),
            ),
            (
                "1 A : 5 A",
                "\"1 A : 5 A\" has its primary below its secondary; the primary comes first: write \"5:1\"".to_owned(),
            ),
            ("200:0.333", format!("\"200:0.333\" {no_unit}; {hint}")),
            ("200:333", format!("\"200:333\" {no_unit}; {hint}")),
            ("200 : 333 MV", format!("\"200 : 333 MV\" is not a CT ratio; {hint}")),
            ("200 V : 5 A", format!("\"200 V : 5 A\" is not a CT ratio; {hint}")),
            ("-200:5", format!("\"-200:5\" is not a CT ratio; {hint}")),
            ("-200 A:5", format!("\"-200 A:5\" is not a CT ratio; {hint}")),
            ("inf:5", format!("\"inf:5\" is not a CT ratio; {hint}")),
            ("200:5:5", format!("\"200:5:5\" is not a CT ratio; {hint}")),
            ("200", format!("\"200\" is not a CT ratio; {hint}")),
            ("", format!("\"\" is not a CT ratio; {hint}")),
        ] {
            assert_eq!(judged(text), verdict);
        }
    }

    proptest::proptest! {
        #[test]
        fn any_text_is_a_usable_ratio_or_a_fault(text in "[0-9.:/ AamMvV-]{0,16}") {
            if let Ok(ratio) = parse_ct_ratio(&text) {
                proptest::prop_assert!(ratio.primary_a > 0.0 && ratio.primary_a.is_finite());
                // As written, so read.
                proptest::prop_assert_eq!(parse_ct_ratio(&ratio.to_string()).ok(), Some(ratio));
            }
        }
    }
}
