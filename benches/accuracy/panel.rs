//! A simulated technician at the panel: checks until one wiring is settled, by the plan and by the fixed order.
//!
//! Both ways start from the same diagnosis and weigh each finding by the same rule; only the order of the checks differs. The
//! technician gets a check wrong as often as the core states. Must never tell either way the truth but through a check.

use wattassay::audit::advice::open_wirings;
use wattassay::audit::assessment::{Diagnosis, RankedWiring, Verdict};
use wattassay::audit::field_check::{ERROR_RATE, FieldCheck, Finding, update};
use wattassay::audit::plan::{Node, plan};
use wattassay::audit::wiring::Wiring;
use wattassay::reading::Phase;

use super::cases::{diagnose, in_parallel};
use super::faults::Possible;
use super::generator::draw;
use super::stations::{Level, meter_states};

/// Probability at which a wiring is settled: the plan's own.
const SETTLED: f64 = 0.98;
/// A technician gives up after this many.
const PATIENCE: u32 = 30;

/// One way of checking.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Way {
    /// Visits.
    pub visits: u32,
    /// Checks done.
    pub checks: u32,
    /// Visits that settled one wiring.
    pub settled: u32,
    /// Visits that settled the true one.
    pub right: u32,
}

impl Way {
    fn note(&mut self, (checks, settled, right): (u32, bool, bool)) {
        self.visits += 1;
        self.checks += checks;
        self.settled += u32::from(settled);
        self.right += u32::from(right);
    }

    fn merge(&mut self, other: Way) {
        self.visits += other.visits;
        self.checks += other.checks;
        self.settled += other.settled;
        self.right += other.right;
    }

    /// Checks a visit.
    pub fn mean(&self) -> f64 {
        f64::from(self.checks) / f64::from(self.visits.max(1))
    }
}

/// The plan and the fixed order, by level.
pub type Visits = [[Way; 2]; 4];

/// Visits to every one of so many stations from number `first` that readings at two load levels do not settle.
pub fn run(first: u64, stations: u64, possible: &[Possible]) -> Visits {
    let parts = in_parallel(|thread, threads| {
        let mut visits = Visits::default();
        let mut n = thread;
        while n < stations {
            let draw = draw(first + n, possible, 2);
            let metered = meter_states(&draw);
            for (l, level) in Level::ALL.into_iter().enumerate() {
                if let Some(truth) = draw.truth.leads.as_read(level.reads_q()).to_core() {
                    let mut technician = Technician { truth, random: fastrand::Rng::with_seed(draw.seed ^ l as u64) };
                    if let Some(start) = unsettled(&diagnose(&draw, &metered, level)) {
                        visits[l][0].note(technician.by_plan(start.clone()));
                        visits[l][1].note(technician.in_fixed_order(start));
                    }
                }
            }
            n += threads;
        }
        visits
    });
    let mut all = Visits::default();
    for part in parts {
        for (all, part) in all.iter_mut().flatten().zip(part.into_iter().flatten()) {
            all.merge(part);
        }
    }
    all
}

/// What a visit starts from; `None` where nobody is sent: settled, sound, or nothing known.
fn unsettled(diagnosis: &Diagnosis) -> Option<Vec<RankedWiring>> {
    let mut wirings = open_wirings(diagnosis);
    let total: f64 = wirings.iter().map(|w| w.probability).sum();
    for w in &mut wirings {
        w.probability /= total;
    }
    let open = wirings.first().is_some_and(|w| w.probability < SETTLED);
    (open && matches!(diagnosis.verdict, Verdict::Fault | Verdict::Undecided)).then_some(wirings)
}

struct Technician {
    truth: Wiring,
    random: fastrand::Rng,
}

impl Technician {
    fn does(&mut self, check: FieldCheck) -> Finding {
        let right = check.shows(&self.truth);
        if self.random.f64() >= ERROR_RATE {
            return right;
        }
        let wrong: Vec<Finding> = check.possible().iter().copied().filter(|f| *f != right).collect();
        wrong[self.random.usize(..wrong.len())]
    }

    fn ends(&self, wirings: &[RankedWiring]) -> Option<(bool, bool)> {
        let leader = wirings.first()?;
        (leader.probability >= SETTLED).then_some((true, leader.wiring == self.truth))
    }

    fn by_plan(&mut self, mut wirings: Vec<RankedWiring>) -> (u32, bool, bool) {
        for checks in 0..PATIENCE {
            match plan(&wirings, 1) {
                Some(Node::Check(step)) => wirings = update(&wirings, step.check, self.does(step.check)),
                Some(Node::Settled { wiring, .. }) => return (checks, true, wiring == self.truth),
                _ => return (checks, false, false),
            }
        }
        (PATIENCE, false, false)
    }

    /// Phase identity, pairing, continuity, polarity; a terminal that is on another phase is tried on the next.
    fn in_fixed_order(&mut self, mut wirings: Vec<RankedWiring>) -> (u32, bool, bool) {
        let mut checks = 0;
        let mut order: Vec<Vec<FieldCheck>> = Vec::new();
        for k in 0..3 {
            order.push((0..3).map(|n| FieldCheck::PhaseIdentity(k, Phase::from_index(k + n))).collect());
        }
        for one in [FieldCheck::TracePair, FieldCheck::LoopResistance, FieldCheck::Polarity] {
            order.extend((0..3).map(|k| vec![one(k)]));
        }
        for step in order {
            for check in step {
                if let Some((settled, right)) = self.ends(&wirings) {
                    return (checks, settled, right);
                }
                let finding = self.does(check);
                checks += 1;
                wirings = update(&wirings, check, finding);
                if finding == Finding::SamePhase {
                    break;
                }
            }
        }
        let (settled, right) = self.ends(&wirings).unwrap_or((false, false));
        (checks, settled, right)
    }
}
