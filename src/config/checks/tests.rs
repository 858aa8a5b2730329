//! Files of checks as people write them, rightly and wrongly.

use super::*;
use crate::audit::field_check::{FieldCheck, Finding};
use crate::reading::Phase;
use crate::station::fixtures::station_config;

fn config() -> Config {
    Config::of(vec![station_config("Alder Creek Lift")])
}

const HEAD: &str = "[[checks]]\nstation = \"Alder Creek Lift\"\ncircuit = \"Pump 1\"\nby = \"J. Alvarez\"\n\
                    at = \"2026-11-25T10:00:00Z\"\n";

fn parsed(lines: &str) -> Result<Vec<(FieldCheck, Finding)>, String> {
    parse_checks("checks.toml", &format!("{HEAD}{lines}"), &config())
        .map(|all| all.iter().map(|c| (c.outcome.check, c.outcome.finding)).collect())
        .map_err(|problems| problems.to_string())
}

#[test]
fn every_kind_of_check_is_read() {
    for (lines, check, finding) in [
        (
            "check = \"ct-lead-trace\"\nchannel = 2\nshows = \"phase-C\"",
            FieldCheck::CtLeadTrace(1),
            Finding::FromPhase(Phase::C),
        ),
        (
            "check = \"polarity\"\nchannel = 3\nshows = \"body-reversed\"",
            FieldCheck::Polarity(2),
            Finding::BodyReversed,
        ),
        ("check = \"loop-resistance\"\nchannel = 1\nohms = 0.6", FieldCheck::LoopResistance(0), Finding::LoopClosed),
        (
            "check = \"loop-resistance\"\nchannel = 1\nshows = \"open\"",
            FieldCheck::LoopResistance(0),
            Finding::LoopOpen,
        ),
        (
            "check = \"voltage-identity\"\nchannel = 1\nvolts = [481, 0.4, 479]",
            FieldCheck::VoltageIdentity(0),
            Finding::LeadOnPhase(Phase::B),
        ),
        (
            "check = \"voltage-identity\"\nchannel = 1\nvolts = [481, 277, 479]",
            FieldCheck::VoltageIdentity(0),
            Finding::LeadUnclear,
        ),
        (
            "check = \"clamp-current\"\nchannel = 1\namps = 61.5\nchannel_amps = 0.0",
            FieldCheck::ClampCurrent(0),
            Finding::CurrentMissing,
        ),
    ] {
        assert_eq!(parsed(lines), Ok(vec![(check, finding)]), "{lines}");
    }
}

/// Whatever check is added to the core is read from a file by its words, in any case, without more.
#[test]
fn every_word_of_every_check_is_read() {
    for check in FieldCheck::all() {
        let channel = check.channel().map_or_else(String::new, |k| format!("channel = {}\n", k + 1));
        for finding in check.possible() {
            for spelling in finding.spellings() {
                let words = [(*spelling).to_owned(), spelling.to_lowercase(), spelling.to_uppercase()];
                for word in &words {
                    let lines = format!("check = \"{}\"\n{channel}shows = \"{word}\"", check.key());
                    assert_eq!(parsed(&lines), Ok(vec![(check, *finding)]), "{lines}");
                }
            }
        }
    }
    assert_eq!(
        parsed("check = \"ct-lead-trace\"\nchannel = 2\nshows = \"a\""),
        Ok(vec![(FieldCheck::CtLeadTrace(1), Finding::FromPhase(Phase::A))])
    );
}

#[test]
fn a_row_of_the_matrix_is_one_look() {
    let lines = "check = \"voltage-matrix\"\nvolts = [[0.4, 481, 480], [480, 482, 0.6], [481, 0.3, 479]]";
    let same = |k, phase| (FieldCheck::VoltageIdentity(k), Finding::LeadOnPhase(phase));
    assert_eq!(parsed(lines), Ok(vec![same(0, Phase::A), same(1, Phase::C), same(2, Phase::B)]));
}

#[test]
fn bad_entries_are_placed_and_explained() {
    for (lines, told) in [
        (
            "check = \"ct-lead-trace\"\nchannel = 4\nshows = \"phase-C\"",
            "checks.toml:7:11: checks.channel: 4 is out of range",
        ),
        (
            "check = \"ct-lead-trace\"\nchannel = 2\nshows = \"phase-D\"",
            "checks.toml:8:9: checks.shows: \"phase-D\" is not a choice",
        ),
        (
            "check = \"ct-lead-trade\"\nchannel = 2",
            "checks.toml:6:9: checks.check: \"ct-lead-trade\" is not a choice here; did you mean",
        ),
        ("check = \"ct-lead-trace\"\nshows = \"phase-C\"", "checks.channel: this key is missing"),
        (
            "check = \"ct-lead-trace\"\nchannel = 2\nshow = \"phase-C\"",
            "checks.toml:8:1: checks.show: this key is not known; did you mean shows?",
        ),
        ("check = \"loop-resistance\"\nchannel = 1\nohms = 40", "checks.toml:8:8: checks.ohms: 40 ohms is neither"),
        (
            "check = \"loop-resistance\"\nchannel = 1\nohms = 0.4\nshows = \"open\"",
            "checks.shows: shows stands beside ohms",
        ),
        ("check = \"voltage-identity\"\nchannel = 1\nvolts = [481, 20, 479]", "481, 20, 479 V are neither near 0 V"),
        ("check = \"voltage-identity\"\nchannel = 1\nvolts = [481]", "one voltage alone shows nothing"),
        ("check = \"clamp-current\"\nchannel = 1\namps = 60", "checks.channel_amps: this key is missing"),
        ("check = \"clamp-current\"\nchannel = 1\namps = 60\nchannel_amps = 49", "measure again"),
        ("check = \"voltage-matrix\"\nvolts = [[0, 480, 480], [480, 0, 480]]", "three rows of three"),
        (
            "check = \"voltage-matrix\"\nvolts = [[0, 480, 480], [0, 480, 480], [480, 480, 0]]",
            "terminal 2 and another are on the same phase",
        ),
        (
            "check = \"polarity\"\nchannel = 1\nshows = \"right\"\nerror_rate = 0.7",
            "checks.error_rate: this rate is out of range",
        ),
    ] {
        let error = parsed(lines).unwrap_err();
        assert!(error.contains(told), "{lines}\n{error}");
    }
    let trace = "check = \"ct-lead-trace\"\nchannel = 2\nshows = \"phase-C\"\n";
    let twice = parsed(&format!("{trace}{HEAD}{trace}")).unwrap_err();
    assert!(twice.contains("checks.toml:14:9: checks.check: Trace of the CT 2 leads is entered twice"), "{twice}");
    let elsewhere = HEAD.replace("Pump 1", "Pump 7").replace("10:00:00Z", "10 o'clock");
    let error = parse_checks("checks.toml", &format!("{elsewhere}{trace}"), &config()).unwrap_err().to_string();
    assert!(error.contains("checks.circuit: there is no circuit named \"Pump 7\""), "{error}");
    assert!(error.contains("checks.toml:5:6: checks.at: "), "{error}");
    assert!(parse_checks("checks.toml", "", &config()).is_err());
}

#[test]
fn times_may_be_toml_times_too() {
    let text = HEAD.replace("at = \"2026-11-25T10:00:00Z\"", "at = 2026-11-25T10:00:00Z");
    let all = parse_checks("c", &format!("{text}check = \"polarity\"\nchannel = 1\nshows = \"right\""), &config());
    assert_eq!(all.unwrap()[0].at, UnixMs(1_795_600_800_000));
}

/// On two elements there is no CT on channel 2, and nobody has found anything of it.
#[test]
fn what_the_service_does_not_have_cannot_have_been_found() {
    let mut station = station_config("Alder Creek Lift");
    station.service = crate::config::model::Service::Delta3TwoElement;
    let config = Config::of(vec![station]);
    let parsed = |lines: &str| parse_checks("checks.toml", &format!("{HEAD}{lines}"), &config);
    let error = parsed("check = \"ct-lead-trace\"\nchannel = 2\nshows = \"A\"").unwrap_err().to_string();
    assert!(error.contains("no channel 2 for a ct-lead-trace") && error.contains("1 and 3"), "{error}");
    assert!(parsed("check = \"ct-lead-trace\"\nchannel = 3\nshows = \"B\"").is_ok());
    assert!(parsed("check = \"voltage-lead-trace\"\nchannel = 2\nshows = \"C\"").is_ok(), "voltage lead 2 is there");
}
