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
            Dimension::ActivePower
            | Dimension::ReactivePower
            | Dimension::ApparentPower
            | Dimension::Energy
            | Dimension::Time => self.word().to_owned(),
            Dimension::Angle => "an angle".to_owned(),
            _ => format!("a {}", self.word()),
        }
    }

    /// How such a quantity is written, for a hint.
    pub(super) fn writing(self) -> String {
        format!("{} is written like {}", self.phrase(), self.example().1)
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

/// True where a unit in the wrong case can be no other unit. An m in front is a milli and an M a mega, known here or not; a b is
/// a bit and a B a byte.
fn case_is_unambiguous(written: &str, name: &str) -> bool {
    let prefix = name.starts_with(['m', 'M']) && written.chars().next() != name.chars().next();
    let byte = name.contains('B') && !written.contains('B');
    !prefix && !byte
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
        QuantityError { message, hint: dimension.writing() }
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
/// The blank between number and unit may be left out, and "HP" is hp: case matters where it tells units apart. Always finite.
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
    let near = same_but_for_case(unit_text, dimension).filter(|near| case_is_unambiguous(unit_text, near));
    let Some((found, factor)) = unit(unit_text).or_else(|| unit(near?)) else {
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
mod tests;
