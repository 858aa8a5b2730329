//! Quantities as people write them, rightly and wrongly.

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
        ("77 V", Dimension::Current, "\"77 V\" is a voltage, expected a current; a current is written like \"77 A\""),
        (
            "60 kVA",
            Dimension::ActivePower,
            "\"60 kVA\" is apparent power, expected active power; active power is written like \"60 hp\" or \"45 kW\"",
        ),
        ("45 mw", Dimension::ActivePower, "\"mw\" is not a unit known here; write \"45 MW\" (case matters)"),
        ("333 MV", Dimension::Voltage, "\"MV\" is not a unit known here; write \"333 mV\" (case matters)"),
        ("8 gb", Dimension::Size, "\"gb\" is not a unit known here; write \"8 GB\" (case matters)"),
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
fn case_is_overlooked_where_it_tells_no_units_apart() {
    for (text, dimension, right) in [
        ("60 HP", Dimension::ActivePower, "60 hp"),
        ("60Hp", Dimension::ActivePower, "60 hp"),
        ("45 kw", Dimension::ActivePower, "45 kW"),
        ("45 KW", Dimension::ActivePower, "45 kW"),
        ("480 v", Dimension::Voltage, "480 V"),
        ("4.16 KV", Dimension::Voltage, "4.16 kV"),
        ("77 a", Dimension::Current, "77 A"),
        ("60 hz", Dimension::Frequency, "60 Hz"),
        ("1500 GPM", Dimension::Flow, "1500 gpm"),
    ] {
        assert_eq!(parse(text, dimension), parse(right, dimension), "{text}");
        assert!(parse(right, dimension).is_ok());
    }
}

/// "mw" could be meant as MW only by guessing, and no mW is known here, so it is offered, not taken.
#[test]
fn an_m_is_never_taken_for_an_m_of_another_case() {
    for (name, dimension, _) in UNITS.iter().filter(|(name, ..)| name.starts_with(['m', 'M'])) {
        let other = if name.starts_with('m') { name.to_uppercase() } else { name.to_lowercase() };
        assert!(parse(&format!("2 {other}"), *dimension).is_err(), "{other} for {name}");
    }
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
