//! How findings are written down: what each check is called, which words say what it showed, and what an entry looks like.
//!
//! Everything comes from the core's table, so that what is printed is what is accepted. Must never send anybody to a panel: it
//! says how a check is entered, not how it is done.

use std::fmt::Write;

use crate::audit::check_words::{Measure, kinds};
use crate::audit::field_check::FieldCheck;

/// The words that say what a check showed, and the numbers that may stand in their place.
pub fn accepted_words(check: FieldCheck) -> String {
    let finding = |spellings: &[&str]| match spellings {
        [key, others @ ..] if !others.is_empty() => format!("{key} (or {})", others.join(", ")),
        _ => spellings.join(""),
    };
    let words: Vec<String> = check.possible().iter().map(|f| finding(f.spellings())).collect();
    let numbers = match check.measure() {
        Some(Measure::Amps) => "; or amps = 61.5 by the other instrument with channel_amps = 60.9 by the monitor",
        Some(Measure::Volts) => "; or volts = [481, 0.4, 479] to phases A, B, C",
        Some(Measure::Ohms) => "; or ohms = 0.6",
        None => "",
    };
    format!("{}{numbers}", words.join(", "))
}

/// How one check is entered: its word, channel, and what is accepted.
pub fn entry_words(check: FieldCheck) -> String {
    let channel = check.channel().map_or_else(String::new, |k| format!(", channel = {}", k + 1));
    format!("{}{channel}; shows: {}", check.key(), accepted_words(check))
}

/// An entry as it stands in a findings file, for the check; what was found is left to be filled in.
pub fn entry_lines(station: &str, circuit: &str, check: FieldCheck) -> Vec<String> {
    let text = |value: &str| toml::Value::from(value).to_string();
    let mut lines = vec![
        "[[checks]]".to_owned(),
        format!("station = {}", text(station)),
        format!("circuit = {}", text(circuit)),
        format!("check = {}", text(check.key())),
    ];
    lines.extend(check.channel().map(|k| format!("channel = {}", k + 1)));
    lines.extend([
        format!("shows = {}", text(PLACEHOLDER)),
        "by = \"J. Alvarez\"".to_owned(),
        "at = \"2026-11-25T10:00:00Z\"".to_owned(),
    ]);
    lines
}

/// Heads an example of an entry.
pub const HOW_TO_ENTER: &str = "How to enter what was found: run \"wattassay finding\", which asks for it, or add such lines to \
                                the findings file; then print this sheet again with --checks.";
/// Stands where the word for what was found belongs.
pub const PLACEHOLDER: &str = "...";

/// The format of the findings file, for `--help`.
pub fn format_help() -> String {
    let mut out = String::from(
        "Findings file (--checks): TOML, one [[checks]] for each finding; \"wattassay finding\" adds one.\n  [[checks]]\n  \
         station = \"Alder Creek Lift\"       # as configured\n  circuit = \"Pump 1\"                 # as configured\n  \
         check = \"ct-lead-trace\"\n  channel = 2                        # as numbered on the monitor's terminals\n  \
         shows = \"phase-C\"                  # or a number in its place, where the check has one\n  \
         by = \"J. Alvarez\"                  # who looked\n  at = \"2026-11-25T10:00:00Z\"        # when\n\n\
         Checks, what each needs, and what it may show (upper and lower case are the same):\n",
    );
    for kind in kinds() {
        let channel = if kind.of_channel { ", channel" } else { "" };
        let _ = writeln!(out, "  {}{channel}\n      {}", kind.key, accepted_words(kind.example));
    }
    out.push_str(
        "  voltage-matrix\n      volts = [[0.4, 481, 480], [480, 0.6, 482], [481, 479, 0.3]]: a row for each terminal of the monitor, a\n      \
         column for each breaker phase; in the file and over HTTP\n\
         error_rate = 0.02 may be added: how often such a check is got wrong, 0.001 to 0.4.\n",
    );
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::model::Config;
    use crate::config::parse_checks;
    use crate::station::fixtures::station_config;

    /// What is printed for a check is what is read for it, whatever check is added.
    #[test]
    fn every_printed_entry_is_accepted_with_every_printed_word() {
        let config = Config::of(vec![station_config("Alder \"Creek\" Lift")]);
        let help = format_help();
        for check in FieldCheck::all() {
            let entry = entry_lines("Alder \"Creek\" Lift", "Pump 1", check).join("\n");
            assert!(help.contains(&format!("\n  {}", check.key())), "{help}");
            for word in check.accepted() {
                assert!(entry_words(check).contains(word) && help.contains(word), "{word}");
                let checks = parse_checks("f", &entry.replace(PLACEHOLDER, word), &config);
                let checks = checks.unwrap_or_else(|problems| panic!("{entry}\n{problems}"));
                assert_eq!(checks[0].outcome.check, check);
                assert_eq!(Some(checks[0].outcome.finding), check.finding_of(word));
            }
            let unfilled = parse_checks("f", &entry, &config);
            assert!(unfilled.is_err(), "the placeholder is no finding");
        }
    }

    #[test]
    fn the_help_on_the_format() {
        insta::assert_snapshot!(format_help());
    }

    /// The example of the manual is one that is read.
    #[test]
    fn the_manuals_example_is_accepted() {
        let manual = include_str!("../../README.md");
        let blocks = manual.split("```").skip(1).step_by(2);
        let of_findings: Vec<&str> = blocks.filter(|block| block.contains("[[checks]]")).collect();
        assert_eq!(of_findings.len(), 1);
        let config = Config::of(vec![station_config("Alder Creek Lift")]);
        let text: Vec<&str> =
            of_findings[0].lines().skip_while(|line| !line.contains("[[checks]]")).map(str::trim).collect();
        let checks = parse_checks("README.md", &text.join("\n"), &config);
        assert_eq!(checks.unwrap_or_else(|problems| panic!("{problems}")).len(), 1);
    }
}
