//! Runs cases: every station at every level with one, two and three load states, through the core and through the optimum.
//!
//! Must never let the core see more than the readings and the nameplate.

use wattassay::audit::assessment::{Assessment, Diagnosis, Verdict};
use wattassay::audit::auditor::CircuitAuditor;

use super::faults::{Leads, Possible, alike};
use super::generator::{Draw, KINDS, draw};
use super::optimum::Optimum;
use super::score::{Answer, Tally};
use super::stations::{Level, Metered, context, meter_states, reading};

/// Numbers of load states every station is seen in.
pub const STATES: [usize; 3] = [1, 2, 3];
/// Readings a state, so far apart that a current as high as that of a start shows itself to be none.
const READINGS: u64 = 8;
const APART_MS: u64 = 10_000;

/// A case in which the answer was far from the truth.
#[derive(Debug, Clone)]
pub struct Miss {
    /// Station number.
    pub station: u64,
    /// Level.
    pub level: Level,
    /// Load states.
    pub states: usize,
    /// Truth in words, with what it feeds.
    pub truth: String,
    /// What the core said.
    pub core: Answer,
    /// What the optimum said.
    pub optimum: Option<Answer>,
}

impl Miss {
    /// One line.
    pub fn words(&self) -> String {
        let optimum = self.optimum.as_ref().map_or(String::new(), |o| {
            format!("; optimum: {} {:.3}, truth {:.3}", if o.lead_true { "truth" } else { &o.words }, o.lead, o.truth)
        });
        format!(
            "#{} {:?}, {} states: {} taken for \"{}\" {:.3} (truth {:.4}){optimum}",
            self.station, self.level, self.states, self.truth, self.core.words, self.core.lead, self.core.truth
        )
    }
}

/// Sums over stations.
#[derive(Debug, Clone, Default)]
pub struct Results {
    /// By level and number of states.
    pub core: [[Tally; 3]; 4],
    /// The same for the optimum.
    pub optimum: [[Tally; 3]; 4],
    /// The core on the cases the optimum judged.
    pub compared: [[Tally; 3]; 4],
    /// Core and optimum on these at two load states, by level and kind of load.
    pub by_kind: [[(Tally, Tally); KINDS.len()]; 4],
    /// Readings from the first one (of a station found wrong) to the verdict "fault", by level; `None`: never.
    pub from_start: [Vec<Option<u32>>; 4],
    /// Readings from a lead moved on a sound station to the verdict.
    pub from_change: [Vec<Option<u32>>; 4],
    /// Bad misses.
    pub misses: Vec<Miss>,
}

impl Results {
    /// Misses, those most sure of something that registers otherwise first.
    pub fn worst(&self) -> Vec<&Miss> {
        let mut misses: Vec<&Miss> = self.misses.iter().collect();
        misses.sort_by(|a, b| b.core.wrong_kind.total_cmp(&a.core.wrong_kind));
        misses
    }

    fn merge(&mut self, other: Results) {
        for level in 0..4 {
            for n in 0..3 {
                self.core[level][n].merge(&other.core[level][n]);
                self.optimum[level][n].merge(&other.optimum[level][n]);
                self.compared[level][n].merge(&other.compared[level][n]);
            }
            for (all, part) in self.by_kind[level].iter_mut().zip(&other.by_kind[level]) {
                all.0.merge(&part.0);
                all.1.merge(&part.1);
            }
            self.from_start[level].extend(&other.from_start[level]);
            self.from_change[level].extend(&other.from_change[level]);
        }
        self.misses.extend(other.misses);
    }
}

/// Runs a share of the work on every core of the machine and joins the results in order.
pub fn in_parallel<T: Send>(work: impl Fn(u64, u64) -> T + Sync) -> Vec<T> {
    let threads = std::thread::available_parallelism().map_or(1, |n| n.get() as u64);
    std::thread::scope(|scope| {
        let work = &work;
        let running: Vec<_> = (0..threads).map(|t| scope.spawn(move || work(t, threads))).collect();
        running.into_iter().map(|r| r.join().expect("no panic in a case")).collect()
    })
}

/// Runs so many stations from number `first`; the optimum judges the first `judged` of them.
pub fn run(first: u64, stations: u64, judged: u64, possible: &[Possible]) -> Results {
    let optimum = Optimum::new(possible);
    let mut all = Results::default();
    let parts = in_parallel(|thread, threads| {
        let mut results = Results::default();
        let mut n = thread;
        while n < stations {
            station(first + n, possible, (n < judged).then_some(&optimum), &mut results);
            n += threads;
        }
        results
    });
    for part in parts {
        all.merge(part);
    }
    all
}

fn station(n: u64, possible: &[Possible], optimum: Option<&Optimum>, results: &mut Results) {
    let draw = &draw(n, possible, STATES[2]);
    let metered = meter_states(draw);
    let slips = draw.truth.slips;
    let truths = Level::ALL.map(|level| draw.truth.leads.as_read(level.reads_q()));
    let alike = truths.map(|truth| alike(&truth, possible));
    for (at, states) in STATES.into_iter().enumerate() {
        let best = optimum.map(|o| o.judge(draw, &metered[..states]));
        for (l, level) in Level::ALL.into_iter().enumerate() {
            let (truth, alike) = (truths[l], &alike[l]);
            let sound = truth.power_right();
            let core = Answer::of_core(&diagnose(draw, &metered[..states], level), &truth, alike);
            results.core[l][at].add(&core, slips, sound);
            let best = best.as_ref().map(|b| b[l].answer(&truth));
            if let Some(best) = &best {
                results.compared[l][at].add(&core, slips, sound);
                results.optimum[l][at].add(best, slips, sound);
                if states == 2 {
                    let kind = KINDS.iter().position(|(kind, _)| *kind == draw.kind).expect("a kind that is drawn");
                    let by_kind = &mut results.by_kind[l][kind];
                    by_kind.0.add(&core, slips, sound);
                    by_kind.1.add(best, slips, sound);
                }
            }
            if !core.group_true || core.wrong_kind > 0.9 {
                let truth = format!("{} ({:?})", truth.words(), draw.kind);
                results.misses.push(Miss { station: n, level, states, truth, core, optimum: best });
            }
        }
    }
    if truths.iter().any(|truth| !truth.power_right()) {
        detection(draw, &metered[0], &truths, results);
    }
}

/// The core's diagnosis after all states.
pub fn diagnose(draw: &Draw, metered: &[Metered], level: Level) -> Diagnosis {
    assess(draw, metered, level).diagnosis
}

fn assess(draw: &Draw, metered: &[Metered], level: Level) -> Assessment {
    let mut auditor = CircuitAuditor::new(context(draw, level));
    let mut random = fastrand::Rng::with_seed(draw.seed);
    let mut last = None;
    for (state, metered) in metered.iter().enumerate() {
        for n in 0..READINGS {
            let at_ms = 1_000_000 * state as u64 + APART_MS * n;
            last = Some(auditor.observe(&reading(metered, level, at_ms, &mut random)));
        }
    }
    last.expect("readings")
}

/// Most readings a fault is waited for.
const PATIENCE: u32 = 60;
/// Readings of the station as it was before a lead is moved: more than the core's windows remember.
const SOUND_BEFORE: u64 = 90;

fn detection(draw: &Draw, wrong: &Metered, truths: &[Leads; 4], results: &mut Results) {
    let mut intended = draw.clone();
    intended.truth.leads = Leads::INTENDED;
    intended.states.truncate(1);
    let right = meter_states(&intended)[0];
    for (l, level) in Level::ALL.into_iter().enumerate() {
        if truths[l].power_right() {
            continue;
        }
        for before in [0, SOUND_BEFORE] {
            let mut auditor = CircuitAuditor::new(context(draw, level));
            let mut random = fastrand::Rng::with_seed(draw.seed ^ before);
            for second in 0..before {
                auditor.observe(&reading(&right, level, 1000 * second, &mut random));
            }
            let found = (1..=PATIENCE).find(|n| {
                let at_ms = 1000 * (before + u64::from(*n));
                auditor.observe(&reading(wrong, level, at_ms, &mut random)).diagnosis.verdict == Verdict::Fault
            });
            let into = if before == 0 { &mut results.from_start } else { &mut results.from_change };
            into[l].push(found);
        }
    }
}
