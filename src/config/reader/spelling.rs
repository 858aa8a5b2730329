//! Words that are not known: the known word that was probably meant. It is offered in a hint; must never be taken for the word.

use super::field::Fault;
use crate::config::problem::quoted;

/// Words that people write for a choice, by key: the trade's other names, lower case, parts joined by hyphens. Each names one
/// choice; one that may mean two is left out.
const SYNONYMS: &[(&str, &[&str], &str)] = &[
    ("service", &["wye", "y", "star", "4-wire", "wye-4w", "3p4w", "480y/277", "208y/120", "600y/347"], "wye-4-wire"),
    ("service", &["wye-3-wire", "star-3-wire", "delta", "3-wire", "delta-3w", "3p3w", "three-wire"], "delta-3-wire"),
    ("service", &["two-element", "2-element", "two-wattmeter", "aron", "delta-2-element"], "delta-3-wire-two-element"),
    ("service", &["vee", "v-v", "open-delta-vt", "open-delta-pt"], "open-delta"),
    ("service", &["high-leg", "wild-leg", "red-leg", "stinger", "delta-4-wire", "4-wire-delta"], "high-leg-delta"),
    ("service", &["120/240", "1p3w", "single-phase-3-wire", "center-tapped"], "split-phase"),
    ("service", &["1p2w", "single-phase-2-wire"], "single-phase"),
    ("load", &["vfd", "vsd", "asd", "afd", "inverter", "variable-frequency-drive", "adjustable-speed-drive"], "drive"),
    ("load", &["softstart", "soft-start", "rvss", "ssrv", "reduced-voltage-starter"], "soft-starter"),
    ("load", &["motor", "pump", "dol", "fvnr", "across-the-line", "direct-on-line"], "induction-motor"),
    ("load", &["capacitor", "pfc", "motor-capacitor", "motor-and-capacitor"], "motor-with-capacitor"),
    ("load", &["heater", "heating", "resistor"], "resistive"),
    ("load", &["main", "incomer", "feeder", "panel", "other"], "unknown"),
    (
        "voltage_connection",
        &["vt", "vts", "pt", "pts", "transformer", "potential-transformers", "indirect"],
        "transformers",
    ),
    ("voltage_connection", &["none", "no", "line", "direct-connected"], "direct"),
    ("rotation", &["123", "l1-l2-l3"], "ABC"),
    ("rotation", &["cba", "321", "132", "l1-l3-l2"], "ACB"),
    ("transport", &["rtu", "modbus-rtu", "serial"], "rtu-over-tcp"),
    ("transport", &["modbus-tcp", "modbus"], "tcp"),
    ("run_status", &["status", "contact", "bit", "coil"], "register"),
    ("run_status", &["amps", "current-sensing"], "current"),
    ("type", &["uint16", "unsigned16"], "u16"),
    ("type", &["int16", "sint16", "signed16"], "i16"),
    ("type", &["uint32", "unsigned32"], "u32"),
    ("type", &["int32", "sint32", "signed32"], "i32"),
    ("type", &["uint64", "unsigned64"], "u64"),
    ("type", &["int64", "sint64", "signed64"], "i64"),
    ("type", &["float", "float32", "single", "real"], "f32"),
    ("type", &["double", "float64"], "f64"),
    ("type", &["bool", "boolean"], "bit"),
    ("byte_order", &["big-endian", "big"], "ABCD"),
    ("byte_order", &["little-endian", "little"], "DCBA"),
    ("byte_order", &["low-word-first", "word-swapped"], "CDAB"),
    ("byte_order", &["byte-swapped"], "BADC"),
    ("quantity", &["amps", "amperes"], "current"),
    ("quantity", &["watts", "kw", "real-power"], "active-power"),
    ("quantity", &["vars", "kvar"], "reactive-power"),
    ("quantity", &["va", "kva"], "apparent-power"),
    ("quantity", &["pf", "cos-phi"], "power-factor"),
    ("quantity", &["hz", "hertz"], "frequency"),
];

/// The choice of `key` that was probably meant by `word`, of those that `known` holds: by another name of the trade, else by a
/// slip of the pen.
pub(in crate::config) fn meant<'k>(
    key: &str,
    word: &str,
    known: impl IntoIterator<Item = &'k str> + Clone,
) -> Option<&'k str> {
    let plain = word.trim().to_lowercase().replace(['_', ' '], "-");
    let synonym = SYNONYMS.iter().find(|(of, words, _)| *of == key && words.contains(&plain.as_str()));
    let named = synonym.and_then(|(_, _, right)| known.clone().into_iter().find(|choice| choice == right));
    named.or_else(|| nearest(word, known))
}

/// What is said of a name that nothing has.
pub(in crate::config) fn not_there<'n>(what: &str, name: &str, known: impl Iterator<Item = &'n str> + Clone) -> Fault {
    let hint = match nearest(name, known.clone()) {
        Some(near) => format!("did you mean {near:?}?"),
        None => format!("the configuration has {}", known.map(quoted).collect::<Vec<_>>().join(", ")),
    };
    Fault::new(format!("there is no {what} named {}", quoted(name)), hint)
}

/// The word of `known` nearest to `word`, when it is near enough to be a slip of the pen.
pub(in crate::config) fn nearest<'k>(word: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
    const MAX_CHARS: usize = 64;
    if word.chars().count() > MAX_CHARS {
        return None;
    }
    let limit = (word.chars().count() / 3).max(1);
    known
        .into_iter()
        .map(|near| (edit_distance(&word.to_lowercase(), &near.to_lowercase()), near))
        .filter(|(distance, _)| *distance <= limit)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, near)| near)
}

/// Levenshtein distance in characters.
fn edit_distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, from) in a.chars().enumerate() {
        let mut diagonal = std::mem::replace(&mut row[0], i + 1);
        for (j, to) in b.iter().enumerate() {
            let substituted = diagonal + usize::from(from != *to);
            diagonal = row[j + 1];
            row[j + 1] = substituted.min(diagonal + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distance_is_the_number_of_slips() {
        assert_eq!(edit_distance("kitten", "sitting"), 3);
        assert_eq!(edit_distance("", "abc"), 3);
        assert_eq!(edit_distance("abc", "abc"), 0);
    }

    #[test]
    fn another_name_of_the_trade_goes_before_a_slip_of_the_pen() {
        let services = ["wye-4-wire", "delta-3-wire", "high-leg-delta"];
        assert_eq!(meant("service", "wye-3-wire", services), Some("delta-3-wire"));
        assert_eq!(meant("service", "wye-4-wir", services), Some("wye-4-wire"));
        assert_eq!(meant("service", "Wild Leg", services), Some("high-leg-delta"));
        let loads = ["induction-motor", "drive", "unknown"];
        for word in ["vfd", "VFD", "asd", "variable_frequency_drive"] {
            assert_eq!(meant("load", word, loads), Some("drive"), "{word}");
            assert_eq!(meant("service", word, loads), None, "{word} is no word of another key");
        }
        assert_eq!(meant("load", "vfd", ["unknown"]), None, "what is no choice is not offered");
    }

    /// A synonym that is itself a choice, or of two choices, would mislead.
    #[test]
    fn a_synonym_names_one_choice_and_is_none_itself() {
        for (key, words, right) in SYNONYMS {
            for word in *words {
                let of_key = SYNONYMS.iter().filter(|(of, ..)| of == key);
                let times = of_key.clone().filter(|(_, words, _)| words.contains(word)).count();
                assert_eq!(times, 1, "{key}: {word}");
                assert!(of_key.clone().all(|(_, _, choice)| choice != word), "{key}: {word} is a choice");
                assert_eq!(*word, word.to_lowercase().replace(['_', ' '], "-"), "{key}: {word} for {right}");
            }
        }
    }

    #[test]
    fn nearest_takes_slips_and_leaves_strangers() {
        let known = ["nominal_voltage", "name", "rotation"];
        assert_eq!(nearest("nominal_volatge", known), Some("nominal_voltage"));
        assert_eq!(nearest("Name", known), Some("name"));
        assert_eq!(nearest("colour", known), None);
        assert_eq!(nearest(&"x".repeat(10_000), known), None);
    }
}
