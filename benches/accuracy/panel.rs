//! A simulated technician at the panel: checks until one wiring is settled, by the plan and by the fixed order.
//!
//! Both ways start from the same diagnosis and weigh each finding by the same rule; only the order of the checks differs. The
//! technician gets a check wrong as often as the core states. Must never tell either way the truth but through a check.

use wattassay::audit::advice::open_wirings;
use wattassay::audit::assessment::{Diagnosis, RankedWiring, Verdict};
use wattassay::audit::context::{LoadBehaviour, ServiceKind};
use wattassay::audit::field_check::{ERROR_RATE, FieldCheck, Finding, rank, update};
use wattassay::audit::installation::{CtSecondary, Installation, VoltageConnection};
use wattassay::audit::plan;
use wattassay::audit::wiring::Wiring;

use super::cases::{diagnose, in_parallel};
use super::faults::Possible;
use super::generator::draw;
use super::stations::{Level, meter_states};

/// Probability at which a wiring is settled: the plan's own.
const SETTLED: f64 = plan::SETTLED;
/// The panel of every visit: 480 V, where a technician may work at the conductors de-energized.
const PANEL: Installation = Installation {
    service: ServiceKind::Wye4,
    nominal_voltage_v: 480.0,
    voltage_connection: VoltageConnection::Direct,
    ct_secondary: CtSecondary::Current { rated_ma: 5000 },
    load: LoadBehaviour::InductionMotor,
};

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
    /// What the check shows at a panel wired as the truth, or by error something else.
    fn does(&mut self, check: FieldCheck) -> Finding {
        let shown = check.chances(&self.truth);
        if self.random.f64() < ERROR_RATE {
            let wrong = |f: &Finding| shown.iter().all(|(shown, _)| shown != *f);
            let wrong: Vec<Finding> = check.possible().iter().copied().filter(wrong).collect();
            if !wrong.is_empty() {
                return wrong[self.random.usize(..wrong.len())];
            }
        }
        let mut left = self.random.f64();
        let drawn = shown.iter().find(|(_, chance)| {
            left -= chance;
            left < 0.0
        });
        drawn.map_or_else(|| check.shows(&self.truth), |(finding, _)| finding)
    }

    fn ends(&self, wirings: &[RankedWiring]) -> Option<(bool, bool)> {
        let leader = wirings.first()?;
        (leader.probability >= SETTLED).then_some((true, leader.wiring == self.truth))
    }

    /// The best check that is left, until one wiring is settled; when none is left a second person makes them again, once.
    fn by_plan(&mut self, mut wirings: Vec<RankedWiring>) -> (u32, bool, bool) {
        let mut checks = 0;
        for _person in 0..2 {
            let mut done = Vec::new();
            loop {
                if let Some((settled, right)) = self.ends(&wirings) {
                    return (checks, settled, right);
                }
                let Some(next) = rank(&wirings, &PANEL, &done).first().map(|worth| worth.check) else { break };
                done.push(next);
                checks += 1;
                wirings = update(&wirings, next, self.does(next));
            }
        }
        let (settled, right) = self.ends(&wirings).unwrap_or((false, false));
        (checks, settled, right)
    }

    /// Identity of every voltage terminal, then trace, loop and polarity of every CT.
    fn in_fixed_order(&mut self, mut wirings: Vec<RankedWiring>) -> (u32, bool, bool) {
        let mut checks = 0;
        for of_channel in
            [FieldCheck::VoltageIdentity, FieldCheck::CtLeadTrace, FieldCheck::LoopResistance, FieldCheck::Polarity]
        {
            for check in (0..3).map(of_channel) {
                if let Some((settled, right)) = self.ends(&wirings) {
                    return (checks, settled, right);
                }
                checks += 1;
                wirings = update(&wirings, check, self.does(check));
            }
        }
        let (settled, right) = self.ends(&wirings).unwrap_or((false, false));
        (checks, settled, right)
    }
}
