//! A plan as numbered steps for people, grouped by what has to be opened. Must never leave a result without where it leads.

use super::{Node, Step, Takes, Way};
use crate::audit::assessment::RankedWiring;
use crate::audit::field_check::Access;
use crate::audit::installation::Installation;
use crate::audit::remedy;
use crate::audit::wiring::Wiring;
use crate::audit::words::{describe_wiring, percent};

/// One step: its number, what to do, and where each result leads.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// Number of the step, from 1.
    pub step: usize,
    /// What has to be opened.
    pub access: Access,
    /// What to do.
    pub instruction: String,
    /// For each result: what is found, and what to do then.
    pub ways: Vec<(String, String)>,
}

/// The plan's steps: those with nothing opened first, then those of the outage, live ones last; within these in the order a person
/// meets them.
pub fn lines(root: &Node, installation: &Installation) -> Vec<Line> {
    let mut steps: Vec<&Step> = Vec::new();
    let mut waiting = std::collections::VecDeque::from([root]);
    while let Some(node) = waiting.pop_front() {
        if let Node::Check(step) = node {
            steps.push(step);
            waiting.extend(step.ways.iter().map(|way| &way.then));
        }
    }
    // A path never goes back to what is opened less but at its end, so the numbers mostly run on.
    steps.sort_by_key(|step| step.check.access());
    let number = |step: &Step| steps.iter().position(|other| std::ptr::eq(*other, step)).map_or(0, |n| n + 1);
    let line = |(n, step): (usize, &&Step)| Line {
        step: n + 1,
        access: step.check.access(),
        instruction: step.check.words(installation),
        ways: ways(step, &number),
    };
    steps.iter().enumerate().map(line).collect()
}

/// The ways on from a step; results that are too improbable to draw out are one line.
fn ways(step: &Step, number: &impl Fn(&Step) -> usize) -> Vec<(String, String)> {
    let improbable = |way: &&Way| matches!(way.then, Node::Open { takes: Takes::RepeatedChecks, .. });
    let mut lines: Vec<(String, String)> =
        step.ways.iter().filter(|w| !improbable(w)).map(|way| (found(way), then(&way.then, number))).collect();
    let rest: Vec<&Way> = step.ways.iter().filter(improbable).collect();
    if !rest.is_empty() {
        let probability: f64 = rest.iter().map(|way| way.probability).sum();
        let what = if lines.is_empty() { "whatever it shows" } else { "anything else" };
        lines.push((format!("{what} ({})", percent(probability)), REPEAT.to_owned()));
    }
    lines
}

const REPEAT: &str = "unlikely: repeat the check, then enter what was found and print the plan again";

fn found(way: &Way) -> String {
    let words: Vec<String> = way.findings.iter().map(|f| f.words()).collect();
    format!("{} ({})", words.join("; or "), percent(way.probability))
}

fn then(node: &Node, number: &impl Fn(&Step) -> usize) -> String {
    match node {
        Node::Check(step) => format!("go to step {}", number(step)),
        end => end_words(end),
    }
}

/// Where a path ends, in words; empty where it goes on.
pub fn end_words(node: &Node) -> String {
    match node {
        Node::Check(_) => String::new(),
        Node::Settled { wiring, probability } => settled(wiring, *probability),
        Node::Open { leader, takes } => ended(leader, *takes),
    }
}

fn settled(wiring: &Wiring, probability: f64) -> String {
    let found = format!("settled ({}): {}.", percent(probability), describe_wiring(wiring));
    match remedy::remedy(wiring) {
        None => format!("{found} No lead of the monitor mends this: look at the supply to the pump"),
        Some(moves) if moves.is_empty() => format!("{found} Nothing to move"),
        Some(_) => {
            format!("{found} Remedy: enter what was found and print the field sheet, which has the whole procedure")
        }
    }
}

fn ended(leader: &RankedWiring, takes: Takes) -> String {
    let takes = match takes {
        Takes::NewPlan => "enter what was found and print the plan again".to_owned(),
        Takes::RepeatedChecks => REPEAT.to_owned(),
        Takes::SecondPerson(check) => {
            let title = check.title();
            format!("enter what was found; to settle it a second person repeats \"{title}\"")
        }
        Takes::HighVoltageCrew => {
            "what is left is on the primary: work for the high-voltage crew under the utility's procedure".to_owned()
        }
        Takes::DeclaredConnection => {
            "what is left is at the conductors: declare voltage_connection in the configuration \
                                      (\"direct\" or \"transformers\") and print the plan again"
                .to_owned()
        }
        Takes::OpenCtRepaired => "a CT may be open: no live check beside it. Correct that first, then print the plan \
                                  again"
            .to_owned(),
        Takes::MoreReadings => {
            "no check at the panel tells the rest apart; readings at another load, or kW and kvar of each channel, may"
                .to_owned()
        }
    };
    format!(
        "not settled yet (most likely: {}, {}): {takes}",
        describe_wiring(&leader.wiring),
        percent(leader.probability)
    )
}
