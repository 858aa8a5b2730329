//! The checks at the panel as a plan that a person can follow: do this, and by what it shows go on there, until one wiring
//! is settled.
//!
//! Pure. Every step is the best check for what is known by then. Must never be shown without the cautions first.

use super::assessment::RankedWiring;
use super::bars;
use super::field_check::{self, FieldCheck, Finding};
use super::remedy;
use super::wiring::Wiring;
use super::words::{describe_wiring, percent};

/// Checks in a row before a plan stops and asks for what was found.
pub const DEPTH: usize = 4;
/// Probability at which a way ends. Higher than for a remedy from readings alone: rare mistakes start behind, and one good
/// sign for a common one must not end the search.
const SETTLED: f64 = bars::PLAN_SETTLED;
/// Ways less probable than this are not drawn out.
const PRUNE: f64 = bars::PLAN_PRUNED;

/// Where a way of the plan leads.
#[derive(Debug, Clone, PartialEq)]
pub enum Node {
    /// Do a check and go on by what it shows.
    Check(Step),
    /// One wiring is settled.
    Settled {
        /// The wiring.
        wiring: Wiring,
        /// Its probability once here.
        probability: f64,
    },
    /// The plan ends before anything is settled.
    Open {
        /// The most probable wiring here.
        leader: RankedWiring,
        /// Why it ends.
        why: End,
    },
}

/// A check with its ways on.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// The check.
    pub check: FieldCheck,
    /// What it may show, how probable that is, and where it leads.
    pub ways: Vec<Way>,
}

/// One result of a check.
#[derive(Debug, Clone, PartialEq)]
pub struct Way {
    /// What the check shows.
    pub finding: Finding,
    /// How probable this is at this step.
    pub probability: f64,
    /// Where it leads.
    pub then: Node,
}

/// Why a way ends unsettled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum End {
    /// Too many checks in a row to print.
    Depth,
    /// Too improbable to draw out.
    Improbable,
    /// No check tells the remaining wirings apart.
    NoCheckHelps,
}

/// The plan for what is still open; `None` when nothing is.
pub fn plan(wirings: &[RankedWiring], depth: usize) -> Option<Node> {
    let mut wirings = wirings.to_vec();
    wirings.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    let total: f64 = wirings.iter().map(|w| w.probability).sum();
    if total <= 0.0 {
        return None;
    }
    for w in &mut wirings {
        w.probability /= total;
    }
    grow(&wirings, depth, 1.0)
}

fn grow(wirings: &[RankedWiring], depth: usize, reached: f64) -> Option<Node> {
    let leader = wirings.first().copied()?;
    if leader.probability >= SETTLED {
        return Some(Node::Settled { wiring: leader.wiring, probability: leader.probability });
    }
    let open = |why| Some(Node::Open { leader, why });
    if reached < PRUNE {
        return open(End::Improbable);
    }
    if depth == 0 {
        return open(End::Depth);
    }
    let Some(best) = field_check::rank(wirings).first().copied() else { return open(End::NoCheckHelps) };
    let ways = best
        .check
        .possible()
        .iter()
        .filter_map(|&finding| {
            let probability = field_check::chance(wirings, best.check, finding);
            let after = field_check::update(wirings, best.check, finding);
            let then = grow(&after, depth - 1, reached * probability)?;
            Some(Way { finding, probability, then })
        })
        .collect();
    Some(Node::Check(Step { check: best.check, ways }))
}

/// The plan as numbered steps, lines of at most about 100 columns left to whoever prints it: each item is the step's number,
/// what to do, and the ways on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// Number of the step, from 1.
    pub step: usize,
    /// What to do.
    pub instruction: String,
    /// For each result: what is found, and what to do then.
    pub ways: Vec<(String, String)>,
}

/// The plan's steps in the order a person meets them, numbered so that a way can point to its step.
pub fn lines(root: &Node) -> Vec<Line> {
    let mut out = Vec::new();
    let mut waiting = std::collections::VecDeque::from([root]);
    let mut numbered = 1;
    while let Some(node) = waiting.pop_front() {
        let Node::Check(step) = node else { continue };
        let ways = step
            .ways
            .iter()
            .map(|way| {
                let found = format!("{} ({})", way.finding.words(), percent(way.probability));
                let then = match &way.then {
                    Node::Check(_) => {
                        numbered += 1;
                        waiting.push_back(&way.then);
                        format!("go to step {numbered}")
                    }
                    Node::Settled { wiring, probability } => settled(wiring, *probability),
                    Node::Open { leader, why } => ended(leader, *why),
                };
                (found, then)
            })
            .collect();
        out.push(Line { step: out.len() + 1, instruction: step.check.words(), ways });
    }
    out
}

fn settled(wiring: &Wiring, probability: f64) -> String {
    let found = format!("settled ({}): {}.", percent(probability), describe_wiring(wiring));
    match remedy::remedy(wiring) {
        None => format!("{found} No lead of the monitor mends this: look at the supply to the pump"),
        Some(moves) if moves.is_empty() => format!("{found} Nothing to move"),
        Some(moves) => {
            let moves: Vec<String> = moves.iter().map(|m| m.words()).collect();
            format!("{found} Remedy: {}", moves.join(" "))
        }
    }
}

fn ended(leader: &RankedWiring, why: End) -> String {
    let why = match why {
        End::Depth => "enter what was found, and print the plan again",
        End::Improbable => "unlikely: repeat the check, then enter what was found and print the plan again",
        End::NoCheckHelps => "no check at the panel tells the rest apart",
    };
    format!(
        "not settled yet (most likely: {}, {}): {why}",
        describe_wiring(&leader.wiring),
        percent(leader.probability)
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::context::ServiceKind;
    use crate::audit::testbench::{LoadState, Offer, audit, context_for, relative_wirings};

    fn open_wirings(truth: &Wiring) -> Vec<RankedWiring> {
        let context = context_for(Offer::Blanking);
        let states = [1.0, 0.7].map(|load| LoadState::motor(&context, load));
        let diagnosis = audit(&context, truth, Offer::Blanking, &states).diagnosis;
        diagnosis.groups.iter().flat_map(|g| g.members.clone()).collect()
    }

    fn deepest(node: &Node) -> usize {
        match node {
            Node::Check(step) => 1 + step.ways.iter().map(|w| deepest(&w.then)).max().unwrap_or(0),
            _ => 0,
        }
    }

    #[test]
    fn a_settled_wiring_needs_no_step() {
        let settled = [RankedWiring::of(Wiring::INTENDED, 0.99, ServiceKind::Wye4)];
        assert_eq!(plan(&settled, DEPTH), Some(Node::Settled { wiring: Wiring::INTENDED, probability: 1.0 }));
        assert_eq!(plan(&[], DEPTH), None);
    }

    #[test]
    fn the_plan_is_no_deeper_than_told_and_its_ways_are_all_there() {
        let wirings = open_wirings(&relative_wirings()[8]);
        for depth in [1, 3, DEPTH] {
            let plan = plan(&wirings, depth).unwrap();
            assert_eq!(deepest(&plan), depth);
            let Node::Check(step) = &plan else { panic!("nothing to check") };
            let sum: f64 = step.ways.iter().map(|w| w.probability).sum();
            assert!((sum - 1.0).abs() < 1e-9, "{sum}");
        }
    }

    /// Whoever follows the plan, entering what was found when it ends and printing it again, arrives at the truth; rare
    /// wirings may be passed over only as often as the plan's own probabilities say.
    #[test]
    fn following_the_plan_arrives_at_the_truth() {
        let start = open_wirings(&relative_wirings()[8]);
        let total: f64 = start.iter().map(|w| w.probability).sum();
        let mut right = 0.0;
        for truth in &start {
            let mut wirings = start.clone();
            for _ in 0..6 {
                let Some(mut node) = plan(&wirings, DEPTH) else { break };
                while let Node::Check(step) = node {
                    let shows = step.check.shows(&truth.wiring);
                    wirings = field_check::update(&wirings, step.check, shows);
                    node = step.ways.into_iter().find(|w| w.finding == shows).unwrap().then;
                }
                if let Node::Settled { wiring, .. } = node {
                    right += if wiring == truth.wiring { truth.probability / total } else { 0.0 };
                    break;
                }
            }
        }
        assert!(right > SETTLED, "{right}");
    }

    #[test]
    fn every_step_that_is_pointed_to_is_there() {
        let lines = lines(&plan(&open_wirings(&relative_wirings()[8]), DEPTH).unwrap());
        let mut pointed: Vec<usize> = lines
            .iter()
            .flat_map(|l| &l.ways)
            .filter_map(|(_, then)| then.strip_prefix("go to step ")?.parse().ok())
            .collect();
        pointed.sort_unstable();
        assert_eq!(pointed, (2..=lines.len()).collect::<Vec<_>>());
        assert!(lines.iter().enumerate().all(|(n, l)| l.step == n + 1));
    }
}
