//! The checks as a plan that a person can follow: do this, and by what it shows go on there, until one wiring is settled.
//!
//! Pure. Every step is the best check for what is known by then, first those for which nothing is opened, then those of one outage, live
//! ones last. No check comes twice on one path; a path ends settled or with what it would take. Must never be shown without the
//! cautions first.

mod effort;
mod lines;
#[cfg(test)]
mod tests;

use super::assessment::RankedWiring;
use super::bars;
use super::field_check::{self, Access, FieldCheck, Finding};
use super::installation::{Installation, VoltageConnection};
use super::wiring::Wiring;

pub use effort::{Count, Effort};
pub use lines::{Line, end_words, lines};

/// Checks in a row before a plan stops and asks for what was found.
pub const DEPTH: usize = 12;
/// Probability at which a path ends. Higher than for a remedy from readings alone: rare mistakes start behind, and one good
/// sign for a common one must not end the search.
pub const SETTLED: f64 = bars::PLAN_SETTLED;
/// Paths less probable than this are not drawn out.
const PRUNE: f64 = bars::PLAN_PRUNED;
/// Two results after which every wiring is as probable as after the other are one.
const ALIKE: f64 = 1e-9;

/// A plan for what is still open.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Its first step.
    pub root: Node,
    /// What it takes.
    pub effort: Effort,
}

/// Where a path of the plan leads.
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
        /// What it would take.
        takes: Takes,
    },
}

/// A check with the ways on from it.
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
    /// What the check shows; more than one where they mean the same here.
    pub findings: Vec<Finding>,
    /// How probable this is at this step.
    pub probability: f64,
    /// Where it leads.
    pub then: Node,
}

/// What it would take to settle what a path leaves open.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Takes {
    /// The plan anew, with what was found entered: this path is too long to print.
    NewPlan,
    /// The checks of this path once more: what they showed is improbable together.
    RepeatedChecks,
    /// A second person who makes this check again.
    SecondPerson(FieldCheck),
    /// The high-voltage crew, for the primary.
    HighVoltageCrew,
    /// The configuration, which does not say how the monitor gets its voltage.
    DeclaredConnection,
    /// The repair of the CT that may be open, before anything live.
    OpenCtRepaired,
    /// Readings that the monitor has not given yet: another load, power and reactive power per channel.
    MoreReadings,
}

/// The plan for what is still open, with these checks done already; `None` when nothing is.
pub fn plan(wirings: &[RankedWiring], installation: &Installation, done: &[FieldCheck], depth: usize) -> Option<Plan> {
    let mut wirings = wirings.to_vec();
    wirings.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    let total: f64 = wirings.iter().map(|w| w.probability).sum();
    if total <= 0.0 {
        return None;
    }
    for w in &mut wirings {
        w.probability /= total;
    }
    let grower = Grower { installation, done_before: done };
    let mut done = done.to_vec();
    let root = grower.grow(&wirings, &mut done, Access::NothingOpened, depth, 1.0)?;
    let effort = Effort::of(&root);
    Some(Plan { root, effort })
}

struct Grower<'a> {
    installation: &'a Installation,
    done_before: &'a [FieldCheck],
}

impl Grower<'_> {
    /// `done`: the checks on the path so far and before it. `access`: what is open at this point of the path.
    fn grow(
        &self,
        wirings: &[RankedWiring],
        done: &mut Vec<FieldCheck>,
        access: Access,
        depth: usize,
        reached: f64,
    ) -> Option<Node> {
        let leader = wirings.first().copied()?;
        if leader.probability >= SETTLED {
            return Some(Node::Settled { wiring: leader.wiring, probability: leader.probability });
        }
        let open = |takes| Some(Node::Open { leader, takes });
        if reached < PRUNE {
            return open(Takes::RepeatedChecks);
        }
        let ranked = field_check::rank(wirings, self.installation, done);
        // Whoever has opened the panel does all that is to be done in that outage before it is closed.
        let after_live = access == Access::Live;
        let next = ranked.iter().find(|w| w.check.access() >= access).or(ranked.first().filter(|_| !after_live));
        let Some(check) = next.map(|worth| worth.check) else {
            // Live checks are the last of a plan: what they make worth a look without voltage is for another plan.
            return open(if ranked.is_empty() { self.takes(wirings, done) } else { Takes::NewPlan });
        };
        if depth == 0 {
            return open(Takes::NewPlan);
        }
        let possible = check.possible_at(self.installation);
        let sum: f64 = possible.iter().map(|f| field_check::chance(wirings, check, *f)).sum();
        done.push(check);
        let mut results: Vec<(Vec<Finding>, f64, Vec<RankedWiring>)> = Vec::new();
        for finding in possible {
            let probability = field_check::chance(wirings, check, finding) / sum;
            let after = field_check::update(wirings, check, finding);
            match results.iter_mut().find(|(_, _, same)| alike(same, &after)) {
                Some((findings, together, _)) => {
                    findings.push(finding);
                    *together += probability;
                }
                None => results.push((vec![finding], probability, after)),
            }
        }
        let ways = results
            .into_iter()
            .filter_map(|(findings, probability, after)| {
                let then = self.grow(&after, done, check.access(), depth - 1, reached * probability)?;
                Some(Way { findings, probability, then })
            })
            .collect();
        done.pop();
        Some(Node::Check(Step { check, ways }))
    }

    /// What would settle wirings that no check left here tells apart.
    fn takes(&self, wirings: &[RankedWiring], done: &[FieldCheck]) -> Takes {
        let direct = Installation {
            voltage_connection: VoltageConnection::Direct,
            nominal_voltage_v: 480.0,
            service: if self.installation.service == super::context::ServiceKind::OpenDelta {
                super::context::ServiceKind::TwoElement
            } else {
                self.installation.service
            },
            ..*self.installation
        };
        let splits = |installation: &Installation, done: &[FieldCheck]| {
            field_check::rank(wirings, installation, done).first().map(|worth| worth.check)
        };
        // On this path alone: what was entered before has been seen by whoever entered it.
        let on_path = &done[self.done_before.len().min(done.len())..];
        if !self.installation.direct_low_voltage() && splits(&direct, done).is_some() {
            if self.installation.has_voltage_transformers() {
                Takes::HighVoltageCrew
            } else {
                Takes::DeclaredConnection
            }
        } else if let Some(check) = splits(self.installation, self.done_before).filter(|c| on_path.contains(c)) {
            Takes::SecondPerson(check)
        } else if let Some(check) = splits(self.installation, &[]) {
            Takes::SecondPerson(check)
        } else if self.installation.direct_low_voltage() && field_check::ct_possibly_open(wirings, self.installation) {
            Takes::OpenCtRepaired
        } else {
            Takes::MoreReadings
        }
    }
}

/// True when every wiring is as probable in both.
fn alike(a: &[RankedWiring], b: &[RankedWiring]) -> bool {
    a.len() == b.len()
        && a.iter().zip(b).all(|(a, b)| a.wiring == b.wiring && (a.probability - b.probability).abs() < ALIKE)
}
