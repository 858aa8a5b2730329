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
            "check = \"trace-pair\"\nchannel = 2\nshows = \"phase-C\"",
            FieldCheck::TracePair(1),
            Finding::FromPhase(Phase::C),
        ),
        ("check = \"polarity\"\nchannel = 3\nshows = \"reversed\"", FieldCheck::Polarity(2), Finding::PolarityReversed),
        ("check = \"loop-resistance\"\nchannel = 1\nohms = 0.6", FieldCheck::LoopResistance(0), Finding::LoopSound),
        (
            "check = \"loop-resistance\"\nchannel = 1\nshows = \"open\"",
            FieldCheck::LoopResistance(0),
            Finding::LoopBroken,
        ),
        (
            "check = \"phase-identity\"\nchannel = 1\nphase = \"B\"\nvolts = 481",
            FieldCheck::PhaseIdentity(0, Phase::B),
            Finding::OtherPhase,
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

#[test]
fn a_row_of_the_matrix_is_one_look() {
    let lines = "check = \"voltage-matrix\"\nvolts = [[0.4, 481, 480], [480, 482, 0.6], [481, 0.3, 479]]";
    let same = |k, phase| (FieldCheck::PhaseIdentity(k, phase), Finding::SamePhase);
    assert_eq!(parsed(lines), Ok(vec![same(0, Phase::A), same(1, Phase::C), same(2, Phase::B)]));
}

#[test]
fn bad_entries_are_placed_and_explained() {
    for (lines, told) in [
        (
            "check = \"trace-pair\"\nchannel = 4\nshows = \"phase-C\"",
            "checks.toml:7:11: checks.channel: 4 is out of range",
        ),
        (
            "check = \"trace-pair\"\nchannel = 2\nshows = \"phase-D\"",
            "checks.toml:8:9: checks.shows: \"phase-D\" is not a choice",
        ),
        (
            "check = \"trace-pear\"\nchannel = 2",
            "checks.toml:6:9: checks.check: \"trace-pear\" is not a choice here; did you mean",
        ),
        ("check = \"trace-pair\"\nshows = \"phase-C\"", "checks.channel: this key is missing"),
        (
            "check = \"trace-pair\"\nchannel = 2\nshow = \"phase-C\"",
            "checks.toml:8:1: checks.show: this key is not known; did you mean shows?",
        ),
        ("check = \"loop-resistance\"\nchannel = 1\nohms = 40", "checks.toml:8:8: checks.ohms: 40 ohms is neither"),
        (
            "check = \"loop-resistance\"\nchannel = 1\nohms = 0.4\nshows = \"open\"",
            "checks.shows: shows stands beside ohms",
        ),
        ("check = \"phase-identity\"\nchannel = 1\nphase = \"A\"\nvolts = 277", "277 V is neither the same phase"),
        ("check = \"clamp-current\"\nchannel = 1\namps = 60", "checks.channel_amps: this key is missing"),
        ("check = \"clamp-current\"\nchannel = 1\namps = 60\nchannel_amps = 49", "measure again"),
        ("check = \"voltage-matrix\"\nvolts = [[0, 480, 480], [480, 0, 480]]", "three rows of three"),
        (
            "check = \"voltage-matrix\"\nvolts = [[0, 480, 480], [0, 480, 480], [480, 480, 0]]",
            "two terminals are on phase A",
        ),
        (
            "check = \"polarity\"\nchannel = 1\nshows = \"right\"\nerror_rate = 0.7",
            "checks.error_rate: this rate is out of range",
        ),
    ] {
        let error = parsed(lines).unwrap_err();
        assert!(error.contains(told), "{lines}\n{error}");
    }
    let trace = "check = \"trace-pair\"\nchannel = 2\nshows = \"phase-C\"\n";
    let twice = parsed(&format!("{trace}{HEAD}{trace}")).unwrap_err();
    assert!(twice.contains("checks.toml:14:9: checks.check: Trace of CT pair 2 is entered twice"), "{twice}");
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
