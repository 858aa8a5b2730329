//! The posterior over wirings: prior x likelihood of every load level seen, and the groups that the evidence cannot
//! tell apart.
//!
//! Must never use a rule of the kind "if power is negative then reversed": every conclusion comes out of the posterior.

mod groups;
mod level;
mod reasons;
mod shares;
mod sum;

use serde::{Deserialize, Serialize};

use self::groups::groups;
use self::level::{Heard, Told, Weighed, negligible};
use self::reasons::reasons;
use self::shares::Shares;
use self::sum::Sum;
use super::assessment::{Diagnosis, EvidenceLevel, Verdict};
use super::bars;
use super::context::CircuitContext;
use super::crossing::Crossing;
use super::evidence::{Change, Evidence, Features, READINGS_FOR_WITNESS, counting};
use super::hypotheses::{Class, classes};
use super::joint::Alternatives;
use super::likelihood::lag_under_deg;
use super::magnitude::{self, Magnitudes};
use super::shared::Opinion;
use super::wiring::Registers;
use crate::reading::Rotation;

/// Two classes whose likelihoods differ by less than this factor cannot be told apart by the evidence so far.
pub(super) const INDISTINGUISHABLE: f64 = 3.0;
/// Steady readings needed before a verdict is given.
pub const READINGS_FOR_VERDICT: u64 = 3;

/// Posterior of one circuit, brought up to date reading by reading.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Diagnoser {
    evidence: Evidence,
    weighed: Vec<Weighed>,
    sizes: Option<Magnitudes>,
    #[serde(skip)]
    sum: Sum,
    /// What the windows say of what the circuit shares, once somebody asked for it.
    #[serde(skip)]
    opinion: Option<Opinion>,
    /// What follows for every class, as long as neither the windows nor what the circuit was told have changed.
    #[serde(skip)]
    shares: Option<Shares>,
    #[serde(skip)]
    latest: Option<Diagnosis>,
    #[serde(skip)]
    leading_class: Option<usize>,
    told: Opinion,
    crossing: Crossing,
    epoch: u32,
    /// Window of the latest steady reading.
    current: usize,
    /// Something has been weighed anew since the last conclusion.
    moved: bool,
    conclusions: u64,
}

/// How all classes stand at a conclusion.
struct Standing<'a> {
    known: &'a [Class],
    sum: &'a Sum,
    /// Prior by class, given what is known from elsewhere.
    prior: &'a [f64],
    posterior: &'a [f64],
    sizes: &'a Magnitudes,
    crossing: &'a Crossing,
    told: &'a Opinion,
}

impl Default for Diagnoser {
    fn default() -> Diagnoser {
        Diagnoser {
            evidence: Evidence::default(),
            weighed: Vec::new(),
            sizes: None,
            sum: Sum::default(),
            opinion: None,
            shares: None,
            latest: None,
            leading_class: None,
            told: Opinion::NONE,
            crossing: Crossing::NONE,
            epoch: 0,
            current: 0,
            moved: false,
            conclusions: 0,
        }
    }
}

impl Diagnoser {
    /// Works out again what follows from what was kept.
    pub fn resume(&mut self, context: &CircuitContext) {
        let foreign = self.crossing.foreign();
        let windows = self.evidence.windows();
        let counts = counting(windows);
        for (weighed, window) in self.weighed.iter_mut().zip(windows) {
            weighed.told = counts(window).then(|| Told::of(&weighed.at, context, foreign));
        }
        if !self.weighed.is_empty() {
            self.sum = self.summed(context);
            self.shares = None;
            self.latest = self.concluded(context);
        }
    }

    /// The evidence collected in this epoch.
    pub fn evidence(&self) -> &Evidence {
        &self.evidence
    }

    /// The latest diagnosis; `None` before any steady reading.
    pub fn diagnosis(&self) -> Option<&Diagnosis> {
        self.latest.as_ref()
    }

    /// Index of the most probable class.
    pub fn leading_class(&self) -> Option<usize> {
        self.leading_class
    }

    /// False while readings contradict what was collected, so that it is not known which wiring they belong to.
    pub fn settled(&self) -> bool {
        self.evidence.settled()
    }

    /// How often the wiring has been seen to change.
    pub fn epoch(&self) -> u32 {
        self.epoch
    }

    /// Lag at which the load must run at its present level for the leading class to be true, degrees.
    pub fn leading_lag_deg(&mut self, context: &CircuitContext) -> Option<f64> {
        let class = self.leading_class?;
        let weighed = self.weighed.get_mut(self.current)?;
        match weighed.lag {
            Some((of, lag_deg)) if of == class => Some(lag_deg),
            _ => {
                let lag_deg = lag_under_deg(&classes(context.service).all[class], &weighed.at, context);
                weighed.lag = Some((class, lag_deg));
                Some(lag_deg)
            }
        }
    }

    /// Takes the features of one steady reading, and the rotation measured beside them. False when the reading cannot be of the
    /// wiring that the evidence is of: it is left out until enough of them make a new epoch.
    pub fn observe(&mut self, features: &Features, rotation: Option<Rotation>, context: &CircuitContext) -> bool {
        match self.evidence.add(features, rotation) {
            Change::Contradiction => return false,
            Change::NewEpoch => {
                self.weighed.clear();
                self.sizes = None;
                self.epoch += 1;
                self.current = 0;
                self.weigh_window(0, context);
            }
            Change::Window(index) => {
                self.current = index;
                self.weigh_window(index, context);
            }
        }
        true
    }

    /// What it was last told from elsewhere.
    pub fn told(&self) -> Opinion {
        self.told
    }

    /// Takes note of which channels see other circuits; what was weighed without knowing is weighed anew.
    pub fn cross(&mut self, crossing: Crossing, context: &CircuitContext) {
        let foreign_changed = crossing.foreign() != self.crossing.foreign();
        if crossing != self.crossing {
            self.crossing = crossing;
            self.moved = true;
        }
        if foreign_changed {
            self.evidence.drop_foreign(self.crossing.foreign());
            self.current = 0;
            self.weighed.clear();
            self.sizes = None;
            for index in 0..self.evidence.windows().len() {
                self.weigh_window(index, context);
            }
        }
    }

    /// The load levels that count, as weighed and as collected.
    fn heard(&self) -> Vec<Heard<'_>> {
        let windows = self.evidence.windows();
        let counts = counting(windows);
        let heard = self.weighed.iter().zip(windows).filter(|(_, window)| counts(window));
        heard.filter_map(|(weighed, window)| weighed.heard(window)).collect()
    }

    fn summed(&self, context: &CircuitContext) -> Sum {
        Sum::of(&self.heard(), self.crossing.foreign(), context)
    }

    /// Weighs a window anew when its mean has moved by more than a fraction of what the likelihood can resolve. One that does
    /// not count yet is weighed when it does: most load levels are passed through and never seen again.
    fn weigh_window(&mut self, index: usize, context: &CircuitContext) {
        let windows = self.evidence.windows();
        let Some(window) = windows.get(index) else { return };
        let foreign = self.crossing.foreign();
        let counts = counting(windows)(window);
        let before = self.weighed.get(index);
        let counted = before.is_some_and(|w| w.told.is_some());
        let stands = before.is_some_and(|w| w.told.is_some() == counts && negligible(&w.at, &window.mean));
        // The mean of the first few is worth more than the first of them, however little it has moved.
        if stands && window.readings != READINGS_FOR_WITNESS {
            // Unrest shows in readings whose mean stands still: it is looked at ever more rarely.
            if window.readings.is_power_of_two() {
                self.sizes = Some(magnitude::weigh(windows, foreign, context.full_load_current_a));
                self.moved = true;
            }
            return;
        }
        let told = counts.then(|| Told::of(&window.mean, context, foreign));
        let fresh = Weighed { at: window.mean, told, lag: None };
        if index < self.weighed.len() {
            self.weighed[index] = fresh;
        } else {
            self.weighed.push(fresh);
        }
        self.moved = true;
        if counts || counted {
            self.sizes = Some(magnitude::weigh(windows, foreign, context.full_load_current_a));
            self.sum = self.summed(context);
            (self.opinion, self.shares) = (None, None);
        }
    }

    /// What this circuit's own readings say of what it shares with others; `None` while there is nothing to say.
    pub fn opinion(&mut self, context: &CircuitContext) -> Option<Opinion> {
        if self.weighed.is_empty() || self.crossing.foreign() != [false; 3] {
            return None;
        }
        let opinion = self.opinion.take().unwrap_or_else(|| self.sum.opinion(context));
        self.opinion = Some(opinion);
        self.opinion
    }

    /// What this circuit may be under a state of what is shared, for the joint ranking. `None` while there is nothing to say.
    pub fn alternatives(&self, voltage: usize, registers: Registers, context: &CircuitContext) -> Option<Alternatives> {
        let told = || self.sum.alternatives(voltage, registers, &self.crossing, context);
        (!self.weighed.is_empty()).then(told)
    }

    /// Counts conclusions, so that whoever depends on them knows when to look again.
    pub fn conclusions(&self) -> u64 {
        self.conclusions
    }

    /// Concludes, given what is known from elsewhere: the rotation, and what the monitor's other circuits found. Does nothing
    /// when nothing has changed since the last conclusion.
    pub fn conclude(&mut self, told: &Opinion, context: &CircuitContext) {
        let readings = self.evidence.readings();
        if self.moved || !self.told.is_near(told) {
            self.moved = false;
            if self.told != *told {
                self.told = *told;
                self.shares = None;
            }
            self.conclusions += 1;
            self.latest = self.concluded(context);
        }
        if let Some(latest) = &mut self.latest
            && latest.readings_used != readings
        {
            latest.readings_used = readings;
            latest.verdict = verdict(latest.level, latest.sound_probability, latest.unexplained_probability, readings);
        }
    }

    fn concluded(&mut self, context: &CircuitContext) -> Option<Diagnosis> {
        let sizes = self.sizes.as_ref()?;
        let known = classes(context.service);
        let shares = self.shares.take().unwrap_or_else(|| Shares::of(&self.sum, &self.told, &known.all));
        // What the sizes leave unexplained, and what does not speak for a crossing once one is taken for true.
        let fits = (1.0 - sizes.odd) * self.crossing.probability();
        let posterior: Vec<f64> = shares.mass.iter().map(|m| fits * m / shares.total).collect();
        let leading = (0..posterior.len()).max_by(|a, b| posterior[*a].total_cmp(&posterior[*b]))?;
        self.leading_class = Some(leading);
        let crossed = self.crossing.foreign() != [false; 3];
        let right: f64 = posterior.iter().zip(&known.all).filter(|(_, c)| c.power_right).map(|(p, _)| p).sum();
        let ratios_right = sizes.as_rated() / (1.0 - sizes.odd).max(f64::MIN_POSITIVE);
        let sound_probability = if crossed { 0.0 } else { (right * ratios_right).min(1.0) };
        let unexplained_probability = 1.0 - posterior.iter().sum::<f64>().min(1.0);
        let readings_used = self.evidence.readings();
        let level = self.evidence.windows().iter().map(|w| w.mean.level()).min().unwrap_or(EvidenceLevel::Insufficient);
        let standing = Standing {
            known: &known.all,
            sum: &self.sum,
            prior: &shares.prior,
            posterior: &posterior,
            sizes,
            crossing: &self.crossing,
            told: &self.told,
        };
        let groups = groups(&standing);
        let why = reasons(&standing, leading, &self.heard());
        self.shares = Some(shares);
        Some(Diagnosis {
            level,
            verdict: verdict(level, sound_probability, unexplained_probability, readings_used),
            groups: groups.into(),
            sound_probability,
            unexplained_probability,
            readings_used,
            load_levels: self.evidence.windows().len(),
            epoch: self.epoch,
            since: None,
            why: why.into(),
        })
    }
}

/// The verdict at these probabilities, after so many steady readings.
pub(super) fn verdict(level: EvidenceLevel, sound: f64, unexplained: f64, readings: u64) -> Verdict {
    let exact = level == EvidenceLevel::PerChannelPq;
    let enough = if exact { bars::VERDICT } else { bars::VERDICT_WITHOUT_ANGLES };
    if readings < READINGS_FOR_VERDICT {
        Verdict::NoEvidence
    } else if sound >= enough {
        Verdict::Sound
    } else if 1.0 - sound >= enough && unexplained <= bars::UNEXPLAINED_ALLOWED {
        Verdict::Fault
    } else {
        Verdict::Undecided
    }
}
