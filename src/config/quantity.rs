//! Quantities written with their unit ("480 V", "60 hp", "500 ms") to numbers in SI units, and the units themselves.
//!
//! Must never guess a unit: a bare number is an error that shows how to write it.

use super::problem::quoted;

/// What kind of quantity a unit measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Dimension {
    /// V.
    Voltage,
    /// A.
    Current,
    /// W.
    ActivePower,
    /// var.
    ReactivePower,
    /// VA.
    ApparentPower,
    /// Wh.
    Energy,
    /// Hz.
    Frequency,
    /// Degrees.
    Angle,
    /// Seconds.
    Time,
    /// m3/s.
    Flow,
    /// m.
    Height,
    /// Pa.
    Pressure,
    /// A ratio.
    Ratio,
    /// Bytes.
    Size,
}

impl Dimension {
    /// The word for messages.
    pub fn word(self) -> &'static str {
        match self {
            Dimension::Voltage => "voltage",
            Dimension::Current => "current",
            Dimension::ActivePower => "active power",
            Dimension::ReactivePower => "reactive power",
            Dimension::ApparentPower => "apparent power",
            Dimension::Energy => "energy",
            Dimension::Frequency => "frequency",
            Dimension::Angle => "angle",
            Dimension::Time => "time",
            Dimension::Flow => "flow",
            Dimension::Height => "height",
            Dimension::Pressure => "pressure",
            Dimension::Ratio => "ratio",
            Dimension::Size => "size",
        }
    }

    /// The word with its article, for messages.
    fn phrase(self) -> String {
        match self {
            Dimension::Current
            | Dimension::Voltage
            | Dimension::Frequency
            | Dimension::Flow
            | Dimension::Height
            | Dimension::Pressure
            | Dimension::Ratio
            | Dimension::Size => {
                format!("a {}", self.word())
            }
            Dimension::Angle => "an angle".to_owned(),
            _ => self.word().to_owned(),
        }
    }

    /// The units a bare number is shown with, and a right writing to show. Where two units are common, both are
    /// shown, so that the message does not push towards one of them.
    fn example(self) -> (&'static [&'static str], &'static str) {
        match self {
            Dimension::Voltage => (&["V"], "\"480 V\" or \"0.48 kV\""),
            Dimension::Current => (&["A"], "\"77 A\""),
            Dimension::ActivePower => (&["kW", "hp"], "\"60 hp\" or \"45 kW\""),
            Dimension::ReactivePower => (&["kvar"], "\"20 kvar\""),
            Dimension::ApparentPower => (&["kVA"], "\"75 kVA\""),
            Dimension::Energy => (&["kWh"], "\"10 kWh\""),
            Dimension::Frequency => (&["Hz"], "\"60 Hz\""),
            Dimension::Angle => (&["deg"], "\"30 deg\""),
            Dimension::Time => (&["ms", "s"], "\"500 ms\", \"1 s\" or \"1 min\""),
            Dimension::Flow => (&["m3/h", "gpm"], "\"1500 gpm\" or \"340 m3/h\""),
            Dimension::Height => (&["m", "ft"], "\"30 m\" or \"100 ft\""),
            Dimension::Pressure => (&["kPa", "psi"], "\"300 kPa\" or \"43 psi\""),
            Dimension::Ratio => (&["%"], "\"2 %\""),
            Dimension::Size => (&["MB", "GB"], "\"500 MB\" or \"8 GB\""),
        }
    }
}

/// Watts in one mechanical horsepower (550 foot-pounds-force per second), the unit of motor nameplates.
pub const HORSEPOWER_W: f64 = 745.699_871_582_270_2;

/// Cubic metres in one US gallon: 231 cubic inches of 25.4 mm, exactly (NIST Handbook 44, appendix C; from memory).
pub const GALLON_M3: f64 = 3.785_411_784e-3;
/// Metres in one international foot, exactly.
const FOOT_M: f64 = 0.3048;
/// Pascals in one pound-force per square inch: 0.453 592 37 kg x 9.806 65 m/s2 over (25.4 mm)2.
const PSI_PA: f64 = 6_894.757_293_168_361;

/// Every unit, what it measures, and how many of the SI unit it is.
const UNITS: &[(&str, Dimension, f64)] = &[
    ("V", Dimension::Voltage, 1.0),
    ("kV", Dimension::Voltage, 1e3),
    ("mV", Dimension::Voltage, 1e-3),
    ("A", Dimension::Current, 1.0),
    ("kA", Dimension::Current, 1e3),
    ("mA", Dimension::Current, 1e-3),
    ("W", Dimension::ActivePower, 1.0),
    ("kW", Dimension::ActivePower, 1e3),
    ("MW", Dimension::ActivePower, 1e6),
    ("hp", Dimension::ActivePower, HORSEPOWER_W),
    ("var", Dimension::ReactivePower, 1.0),
    ("kvar", Dimension::ReactivePower, 1e3),
    ("VA", Dimension::ApparentPower, 1.0),
    ("kVA", Dimension::ApparentPower, 1e3),
    ("MVA", Dimension::ApparentPower, 1e6),
    ("Wh", Dimension::Energy, 1.0),
    ("kWh", Dimension::Energy, 1e3),
    ("MWh", Dimension::Energy, 1e6),
    ("Hz", Dimension::Frequency, 1.0),
    ("deg", Dimension::Angle, 1.0),
    ("ms", Dimension::Time, 1e-3),
    ("s", Dimension::Time, 1.0),
    ("min", Dimension::Time, 60.0),
    ("h", Dimension::Time, 3600.0),
    ("d", Dimension::Time, 86_400.0),
    ("m3/s", Dimension::Flow, 1.0),
    ("m3/h", Dimension::Flow, 1.0 / 3600.0),
    ("l/s", Dimension::Flow, 1e-3),
    ("l/min", Dimension::Flow, 1e-3 / 60.0),
    ("gpm", Dimension::Flow, GALLON_M3 / 60.0),
    ("MGD", Dimension::Flow, 1e6 * GALLON_M3 / 86_400.0),
    ("m", Dimension::Height, 1.0),
    ("ft", Dimension::Height, FOOT_M),
    ("Pa", Dimension::Pressure, 1.0),
    ("kPa", Dimension::Pressure, 1e3),
    ("bar", Dimension::Pressure, 1e5),
    ("psi", Dimension::Pressure, PSI_PA),
    ("1", Dimension::Ratio, 1.0),
    ("%", Dimension::Ratio, 0.01),
    ("MB", Dimension::Size, 1e6),
    ("GB", Dimension::Size, 1e9),
    ("TB", Dimension::Size, 1e12),
];

/// What `unit` measures and how many of the SI unit it is; exact case, since mW and MW differ.
pub fn unit(unit: &str) -> Option<(Dimension, f64)> {
    UNITS.iter().find(|(name, _, _)| *name == unit).map(|&(_, dimension, factor)| (dimension, factor))
}

/// The unit that differs from `unit` in case only and measures `dimension`.
fn same_but_for_case(unit: &str, dimension: Dimension) -> Option<&'static str> {
    let mut matches = UNITS.iter().filter(|(name, of, _)| *of == dimension && name.eq_ignore_ascii_case(unit));
    match (matches.next(), matches.next()) {
        (Some((name, _, _)), None) => Some(name),
        _ => None,
    }
}

/// Why a text is not a quantity.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{message}; {hint}")]
pub struct QuantityError {
    /// What is wrong.
    pub message: String,
    /// What would be right.
    pub hint: String,
}

impl QuantityError {
    fn new(message: String, dimension: Dimension) -> QuantityError {
        QuantityError { message, hint: format!("{} is written like {}", dimension.phrase(), dimension.example().1) }
    }

    /// The fault of a number that stands without a unit; `number` is as written.
    pub fn bare_number(number: &str, dimension: Dimension) -> QuantityError {
        let shown: Vec<String> = dimension.example().0.iter().map(|unit| format!("\"{number} {unit}\"")).collect();
        let names: Vec<&str> = UNITS.iter().filter(|(_, of, _)| *of == dimension).map(|(name, _, _)| *name).collect();
        QuantityError {
            message: format!("{number} has no unit"),
            hint: format!("write {} (units of {}: {})", shown.join(" or "), dimension.word(), names.join(", ")),
        }
    }
}

/// Reads a quantity and gives it in the SI unit (V, A, W, var, VA, Wh, Hz, degrees, seconds, m3/s, m, Pa, 1).
///
/// The blank between number and unit may be left out. Always finite.
pub fn parse(text: &str, dimension: Dimension) -> Result<f64, QuantityError> {
    let trimmed = text.trim();
    let split = number_length(trimmed);
    let (number, unit_text) = (&trimmed[..split], trimmed[split..].trim());
    if unit_text.starts_with(',') {
        return Err(QuantityError {
            message: format!("{} has a comma", quoted(text)),
            hint: "write the decimal sign as a point, and nothing between thousands".to_owned(),
        });
    }
    let Ok(value) = number.parse::<f64>() else {
        return Err(QuantityError::new(format!("{} does not begin with a number", quoted(text)), dimension));
    };
    if unit_text.is_empty() {
        return Err(QuantityError::bare_number(number, dimension));
    }
    let Some((found, factor)) = unit(unit_text) else {
        let message = format!("{} is not a unit known here", quoted(unit_text));
        return Err(match same_but_for_case(unit_text, dimension) {
            Some(near) => QuantityError { message, hint: format!("write \"{number} {near}\" (case matters)") },
            None => QuantityError::new(message, dimension),
        });
    };
    if found != dimension {
        let message = format!("{} is {}, expected {}", quoted(text), found.phrase(), dimension.phrase());
        return Err(QuantityError::new(message, dimension));
    }
    let si = value * factor;
    if si.is_finite() { Ok(si) } else { Err(QuantityError::new(format!("{} is too large", quoted(text)), dimension)) }
}

/// Bytes of the number `text` begins with: sign, digits, point, and an exponent only when digits follow it.
fn number_length(text: &str) -> usize {
    let bytes = text.as_bytes();
    let digits = |mut at: usize| {
        while bytes.get(at).is_some_and(u8::is_ascii_digit) {
            at += 1;
        }
        at
    };
    let mut at = usize::from(matches!(bytes.first(), Some(b'+' | b'-')));
    at = digits(at);
    if bytes.get(at) == Some(&b'.') {
        at = digits(at + 1);
    }
    if matches!(bytes.get(at), Some(b'e' | b'E')) {
        let sign = at + 1 + usize::from(matches!(bytes.get(at + 1), Some(b'+' | b'-')));
        let end = digits(sign);
        if end > sign {
            at = end;
        }
    }
    at
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn near(a: f64, b: f64) -> bool {
        (a - b).abs() <= 1e-12 * a.abs().max(b.abs())
    }

    #[test]
    fn reads_each_writing_of_the_manual() {
        for (text, dimension, si) in [
            ("480 V", Dimension::Voltage, 480.0),
            ("0.48 kV", Dimension::Voltage, 480.0),
            ("480V", Dimension::Voltage, 480.0),
            ("  480   V ", Dimension::Voltage, 480.0),
            ("77 A", Dimension::Current, 77.0),
            ("60 hp", Dimension::ActivePower, 44_741.992_294_936),
            ("45 kW", Dimension::ActivePower, 45_000.0),
            ("60 Hz", Dimension::Frequency, 60.0),
            ("500 ms", Dimension::Time, 0.5),
            ("1 min", Dimension::Time, 60.0),
            // 1 US gpm is 6.309 02e-5 m3/s, 1 MGD 694.4 gpm, 1 psi 6.894 757 kPa: NIST SP 811, appendix B (from memory).
            ("1500 gpm", Dimension::Flow, 0.094_635_294_6),
            ("1 MGD", Dimension::Flow, 0.043_812_636_388_888_89),
            ("3600 m3/h", Dimension::Flow, 1.0),
            ("90 l/min", Dimension::Flow, 0.0015),
            ("100 ft", Dimension::Height, 30.48),
            ("2 bar", Dimension::Pressure, 200_000.0),
            ("100 psi", Dimension::Pressure, 689_475.729_316_836_1),
            ("1.5e3 V", Dimension::Voltage, 1500.0),
            ("-3 A", Dimension::Current, -3.0),
        ] {
            let got = parse(text, dimension);
            assert!(got.as_ref().is_ok_and(|got| near(*got, si)), "{text}: {got:?}");
        }
    }

    fn fault(text: &str, dimension: Dimension) -> String {
        parse(text, dimension).map_or_else(|error| error.to_string(), |value| format!("read as {value}"))
    }

    #[test]
    fn each_fault_says_what_would_be_right() {
        for (text, dimension, message) in [
            ("480", Dimension::Voltage, "480 has no unit; write \"480 V\" (units of voltage: V, kV, mV)"),
            (
                "77 V",
                Dimension::Current,
                "\"77 V\" is a voltage, expected a current; a current is written like \"77 A\"",
            ),
            (
                "60 kVA",
                Dimension::ActivePower,
                "\"60 kVA\" is apparent power, expected active power; active power is written like \"60 hp\" or \"45 kW\"",
            ),
            ("45 kw", Dimension::ActivePower, "\"kw\" is not a unit known here; write \"45 kW\" (case matters)"),
            ("60 hz", Dimension::Frequency, "\"hz\" is not a unit known here; write \"60 Hz\" (case matters)"),
            (
                "1 fortnight",
                Dimension::Time,
                "\"fortnight\" is not a unit known here; time is written like \"500 ms\", \"1 s\" or \"1 min\"",
            ),
            (
                "1,5 A",
                Dimension::Current,
                "\"1,5 A\" has a comma; write the decimal sign as a point, and nothing between thousands",
            ),
            ("", Dimension::Current, "\"\" does not begin with a number; a current is written like \"77 A\""),
            (
                "inf V",
                Dimension::Voltage,
                "\"inf V\" does not begin with a number; a voltage is written like \"480 V\" or \"0.48 kV\"",
            ),
            ("NaN A", Dimension::Current, "\"NaN A\" does not begin with a number; a current is written like \"77 A\""),
            ("1e999 A", Dimension::Current, "\"1e999 A\" is too large; a current is written like \"77 A\""),
            (
                "1e308 kV",
                Dimension::Voltage,
                "\"1e308 kV\" is too large; a voltage is written like \"480 V\" or \"0.48 kV\"",
            ),
        ] {
            assert_eq!(fault(text, dimension), message);
        }
    }

    #[test]
    fn a_power_of_unclear_case_is_not_guessed() {
        // "mw" could be meant as MW only by guessing, and no mW is known here, so it is offered, not taken.
        assert!(parse("2 mw", Dimension::ActivePower).is_err());
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(value in -1e9f64..1e9, index in 0..UNITS.len(), blank in "[ ]{1,3}") {
            let (name, dimension, factor) = UNITS[index];
            let got = parse(&format!("{value}{blank}{name}"), dimension);
            prop_assert_eq!(got, Ok(value * factor));
        }

        #[test]
        fn any_text_is_a_finite_value_or_a_fault(text in any::<String>()) {
            for dimension in [Dimension::Voltage, Dimension::Time, Dimension::Ratio] {
                if let Ok(value) = parse(&text, dimension) {
                    prop_assert!(value.is_finite());
                }
            }
        }
    }
}
