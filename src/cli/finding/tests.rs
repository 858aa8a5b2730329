//! Findings asked for and given, rightly and wrongly.

use clap::Parser;

use super::*;
use crate::audit::field_check::{FieldCheck, Finding};
use crate::station::fixtures::station_config;

#[derive(Parser)]
struct Line {
    #[command(flatten)]
    options: Options,
}

fn options(args: &[&str]) -> Options {
    let line = ["finding", "--config", "c.toml", "--checks", "f.toml"].iter().chain(args);
    Line::try_parse_from(line).unwrap_or_else(|error| panic!("{error}")).options
}

fn config() -> Config {
    let mut second = station_config("Quarry Road Booster");
    let mut pump = second.circuits[0].clone();
    pump.name = "Pump 2".to_owned();
    second.circuits.push(pump);
    Config::of(vec![station_config("Alder Creek Lift"), second])
}

/// The entry, or the error, and what was asked.
fn entered(args: &[&str], answers: &str) -> (Result<Entry, String>, String) {
    let mut asked = Vec::new();
    let mut asker = Asker::new(answers.as_bytes(), &mut asked);
    let entry = entry_of(&options(args), &config(), &mut asker).map_err(|error| format!("{error:#}"));
    (entry, String::from_utf8(asked).unwrap())
}

fn outcome(entry: &Entry) -> (FieldCheck, Finding) {
    let checks = parsed(entry, &config()).unwrap();
    (checks[0].outcome.check, checks[0].outcome.finding)
}

#[test]
fn everything_is_asked_for_and_wrong_answers_are_asked_again() {
    let answers = "9\nquarry road booster\nPump 3\n2\ntrace\nct-lead-trace\n4\n2\nphase-D\n\nc\n   \nJ. Alvarez\n";
    let (entry, asked) = entered(&[], answers);
    let entry = entry.unwrap();
    assert_eq!((entry.station.as_str(), entry.circuit.as_str()), ("Quarry Road Booster", "Pump 2"));
    assert_eq!(entry.by, "J. Alvarez");
    assert_eq!(outcome(&entry), (FieldCheck::CtLeadTrace(1), Finding::FromPhase(crate::reading::Phase::C)));
    for told in [
        "not one of these: Alder Creek Lift, Quarry Road Booster",
        "not one of these: Pump 1, Pump 2",
        "a number from 1 to 3",
        "\"phase-D\" is not a choice here",
        "phase-A (or A)",
    ] {
        assert!(asked.contains(told), "{told}\n{asked}");
    }
}

/// Whatever check is added to the core can be entered by its words, asked or given.
#[test]
fn every_check_and_finding_can_be_entered() {
    for check in FieldCheck::all() {
        for &finding in check.possible() {
            let channel = check.channel().map(|k| (k + 1).to_string());
            let mut given = vec!["--station", "Alder Creek Lift", "--circuit", "Pump 1", "--check", check.key()];
            let mut answers = format!("1\n{}\n", check.key());
            if let Some(channel) = &channel {
                given.extend(["--channel", channel]);
                answers += &format!("{channel}\n");
            }
            given.extend(["--shows", finding.key(), "--by", "R. Osei"]);
            answers += &format!("{}\nR. Osei\n", finding.key());
            let (by_options, asked) = entered(&given, "");
            assert_eq!(asked, "", "nothing is asked that was given");
            assert_eq!(outcome(&by_options.unwrap()), (check, finding));
            assert_eq!(outcome(&entered(&[], &answers).0.unwrap()), (check, finding));
        }
    }
}

#[test]
fn a_number_may_stand_for_the_word() {
    let given = |args: &[&str], answer: &str| {
        let place = ["--station", "Alder Creek Lift", "--circuit", "Pump 1", "--by", "R. Osei", "--channel", "1"];
        let args: Vec<&str> = place.into_iter().chain(args.iter().copied()).collect();
        let (entry, asked) = entered(&args, answer);
        (entry.map(|entry| outcome(&entry).1.key()), asked)
    };
    let volts = ["--check", "voltage-identity"];
    assert_eq!(given(&volts, "481 V, 1.5 V, 479 V\n").0.unwrap(), "phase-B");
    assert_eq!(given(&["--check", "voltage-identity", "--volts", "481,1.5,479"], "").0.unwrap(), "phase-B");
    assert_eq!(given(&["--check", "clamp-current"], "61.5 / 60.9\n").0.unwrap(), "agrees");
    assert_eq!(given(&["--check", "clamp-current", "--amps", "61", "--channel-amps", "0"], "").0.unwrap(), "missing");
    let (entry, asked) = given(&volts, "481\n[481, 1.5, 479]\n");
    assert_eq!(entry.unwrap(), "phase-B", "one voltage alone shows nothing, and is asked for again");
    assert!(asked.contains("one voltage alone shows nothing"), "{asked}");
}

#[test]
fn bad_options_are_refused_with_what_is_accepted() {
    let place = ["--station", "Alder Creek Lift", "--circuit", "Pump 1", "--by", "R. Osei"];
    for (args, told) in [
        (vec!["--check", "smell"], "--check: \"smell\" is not one of these: settings, display"),
        (vec!["--check", "display", "--channel", "1", "--shows", "agrees"], "leave --channel out"),
        (vec!["--check", "ct-lead-trace", "--channel", "7", "--shows", "A"], "channel: 7 is out of range"),
        (vec!["--check", "polarity", "--channel", "1", "--shows", "backwards"], "choose one of right, body-reversed"),
        (vec!["--check", "polarity", "--channel", "1"], "give --shows"),
        (vec!["--check", "display", "--shows", "agrees", "--at", "2999-01-01T00:00:00Z"], "has not come yet"),
    ] {
        let args: Vec<&str> = place.into_iter().chain(args).collect();
        let error = entered(&args, "").0.unwrap_err();
        assert!(error.contains(told), "{error}");
    }
    let unknown = entered(&["--station", "Nowhere"], "").0.unwrap_err();
    assert!(unknown.contains("Alder Creek Lift, Quarry Road Booster"), "{unknown}");
}

#[test]
fn names_in_addresses_are_encoded() {
    assert_eq!(percent_encoded("Alder Creek/Lift é"), "Alder%20Creek%2FLift%20%C3%A9");
}
