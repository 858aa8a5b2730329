//! The posterior over wirings: prior x likelihood of every load level seen, and the groups that the evidence cannot
//! tell apart.
//!
//! Must never use a rule of the kind "if power is negative then reversed": every conclusion comes out of the posterior.

use super::assessment::{Diagnosis, EvidenceLevel, RankedWiring, Verdict, WiringGroup};
use super::context::CircuitContext;
use super::evidence::{Change, Evidence, Features, UNEVEN_CURRENT_SHARE};
use super::hypotheses::{CLASSES, UNEXPLAINED_PRIOR};
use super::likelihood::{WindowLikelihood, lag_under_deg, weigh};
use crate::reading::Rotation;

/// Two classes whose likelihoods differ by less than this factor cannot be told apart by the evidence so far.
pub(super) const INDISTINGUISHABLE: f64 = 3.0;
/// Groups and members below this probability are not worth a person's time.
pub(super) const WORTH_TELLING: f64 = 1e-3;
/// Members of a group below this share of it are left out.
const MEMBER_SHARE: f64 = 1e-5;
/// Steady readings needed before a verdict is given.
pub const READINGS_FOR_VERDICT: u64 = 3;
/// Probability at which a verdict is given.
pub const CONFIDENT: f64 = 0.95;
/// Probability at which a verdict is given where kvar per channel is not known: several wrong wirings can imitate sound
/// watts or a sound total, and a motor that idles has the low total of a wrong one, so more is asked before either is said.
const CONFIDENT_WITHOUT_ANGLES: f64 = 0.99;
/// A fault is called only while most of what speaks against "sound" is a wiring; beyond this it may be the load or the map.
const UNEXPLAINED_ALLOWED: f64 = 0.2;
/// Log-likelihood of a measured rotation that contradicts a wiring: a monitor's own sequence check errs rarely.
const LN_WRONG_ROTATION: f64 = -9.2;
/// Log-odds a load level against every wiring considered when the channels' currents differ, at every load level seen, as
/// those of one load never do. No wiring here changes a magnitude, so only "none of these" is left. More than angles
/// alone can say for a wiring.
const LN_UNEVEN: f64 = -25.0;
/// The log-odds above grow to their full size within this much of evenness about its limit, so that a load near the
/// limit does not flicker.
const UNEVEN_RAMP: f64 = 0.05;

/// Posterior of one circuit, brought up to date reading by reading.
#[derive(Debug, Clone, Default)]
pub struct Diagnoser {
    evidence: Evidence,
    weighed: Vec<Weighed>,
    latest: Option<Diagnosis>,
    leading_class: Option<usize>,
    rotation_used: Option<Rotation>,
    /// Window of the latest steady reading.
    current: usize,
}

#[derive(Debug, Clone)]
struct Weighed {
    at: Features,
    likelihood: WindowLikelihood,
    /// Lag of the load under a class, once somebody asked for it.
    lag: Option<(usize, f64)>,
}

impl Diagnoser {
    /// The evidence collected in this epoch.
    pub fn evidence(&self) -> &Evidence {
        &self.evidence
    }

    /// The latest diagnosis; `None` before any steady reading.
    pub fn diagnosis(&self) -> Option<&Diagnosis> {
        self.latest.as_ref()
    }

    /// Index into [`CLASSES`] of the most probable class.
    pub fn leading_class(&self) -> Option<usize> {
        self.leading_class
    }

    /// Lag at which the load must run at its present level for the leading class to be true, degrees.
    pub fn leading_lag_deg(&mut self, context: &CircuitContext) -> Option<f64> {
        let class = self.leading_class?;
        let weighed = self.weighed.get_mut(self.current)?;
        match weighed.lag {
            Some((of, lag_deg)) if of == class => Some(lag_deg),
            _ => {
                let lag_deg = lag_under_deg(&CLASSES[class], &weighed.at, context);
                weighed.lag = Some((class, lag_deg));
                Some(lag_deg)
            }
        }
    }

    /// Takes the features of one steady reading.
    pub fn observe(&mut self, features: &Features, rotation: Option<Rotation>, context: &CircuitContext) {
        self.evidence.note_rotation(rotation);
        let change = self.evidence.add(features);
        let rotation_changed = self.rotation_used != self.evidence.rotation();
        let moved = match change {
            Change::Contradiction => false,
            Change::NewEpoch => {
                self.weighed.clear();
                self.current = 0;
                self.weigh_window(0, context)
            }
            Change::Window(index) => {
                self.current = index;
                self.weigh_window(index, context)
            }
        };
        if moved || rotation_changed || self.latest.is_none() {
            self.conclude(context);
        } else if let Some(latest) = &mut self.latest {
            latest.readings_used = self.evidence.readings();
            latest.verdict =
                verdict(latest.level, latest.sound_probability, latest.unexplained_probability, latest.readings_used);
        }
    }

    /// Weighs a window anew when its mean has moved by more than a fraction of what the likelihood can resolve.
    fn weigh_window(&mut self, index: usize, context: &CircuitContext) -> bool {
        let Some(window) = self.evidence.windows().get(index) else { return false };
        if let Some(weighed) = self.weighed.get(index)
            && negligible(&weighed.at, &window.mean)
        {
            return false;
        }
        let fresh = Weighed { at: window.mean, likelihood: weigh(&window.mean, context), lag: None };
        if index < self.weighed.len() {
            self.weighed[index] = fresh;
        } else {
            self.weighed.push(fresh);
        }
        true
    }

    /// The most even load level counts: an uneven supply drives the same amps at every load, which are much of a light
    /// load's current and little of a full one's. A CT of the wrong ratio is as wrong at every load.
    fn ln_uneven(&self) -> f64 {
        let evenness = self.weighed.iter().map(|w| w.at.evenness()).fold(0.0, f64::max);
        let uneven = (UNEVEN_CURRENT_SHARE + UNEVEN_RAMP - evenness) / (2.0 * UNEVEN_RAMP);
        LN_UNEVEN * self.weighed.len() as f64 * uneven.clamp(0.0, 1.0)
    }

    fn conclude(&mut self, context: &CircuitContext) {
        self.rotation_used = self.evidence.rotation();
        let reversed = self.rotation_used.map(|r| r != context.rotation);
        let ln_uneven = self.ln_uneven();
        let mut ln_likelihood: Vec<f64> = CLASSES
            .iter()
            .map(|class| match reversed {
                Some(reversed) if reversed != class.rotation_reversed => ln_uneven + LN_WRONG_ROTATION,
                _ => ln_uneven,
            })
            .collect();
        let mut ln_unexplained = UNEXPLAINED_PRIOR.ln();
        // A blank says P <= 0 and no more. Where P is near zero the unbalance decides, and that is the same at every load
        // level, so blanks at several levels are one piece of evidence: the weakest of them counts.
        let mut blank: Option<Vec<f64>> = None;
        let mut blank_unexplained = 0.0f64;
        for weighed in &self.weighed {
            let likelihood = &weighed.likelihood;
            if weighed.at.blanked {
                blank_unexplained = blank_unexplained.min(likelihood.ln_unexplained);
                match &mut blank {
                    None => blank = Some(likelihood.ln_class.clone()),
                    Some(weakest) => {
                        for (weakest, ln) in weakest.iter_mut().zip(&likelihood.ln_class) {
                            *weakest = weakest.min(*ln);
                        }
                    }
                }
                continue;
            }
            for (sum, ln) in ln_likelihood.iter_mut().zip(&likelihood.ln_class) {
                *sum += ln;
            }
            ln_unexplained += likelihood.ln_unexplained;
        }
        for (sum, ln) in ln_likelihood.iter_mut().zip(blank.iter().flatten()) {
            *sum += ln;
        }
        ln_unexplained += blank_unexplained;
        let ln_posterior: Vec<f64> =
            ln_likelihood.iter().zip(CLASSES.iter()).map(|(ln, class)| ln + class.prior.ln()).collect();
        let peak = ln_posterior.iter().copied().fold(ln_unexplained, f64::max);
        let unexplained = (ln_unexplained - peak).exp();
        let mass: Vec<f64> = ln_posterior.iter().map(|ln| (ln - peak).exp()).collect();
        let total = mass.iter().sum::<f64>() + unexplained;
        let posterior: Vec<f64> = mass.iter().map(|m| m / total).collect();
        let sound_probability =
            posterior.iter().zip(CLASSES.iter()).filter(|(_, c)| c.power_right()).map(|(p, _)| p).sum();
        let unexplained_probability = unexplained / total;
        self.leading_class = (0..posterior.len()).max_by(|a, b| posterior[*a].total_cmp(&posterior[*b]));
        let readings_used = self.evidence.readings();
        let level = self.evidence.windows().iter().map(|w| w.mean.level()).min().unwrap_or(EvidenceLevel::Insufficient);
        self.latest = Some(Diagnosis {
            level,
            verdict: verdict(level, sound_probability, unexplained_probability, readings_used),
            groups: groups(&posterior, &ln_likelihood).into(),
            sound_probability,
            unexplained_probability,
            readings_used,
            load_levels: self.evidence.windows().len(),
        });
    }
}

pub(super) fn verdict(level: EvidenceLevel, sound: f64, unexplained: f64, readings: u64) -> Verdict {
    let enough = if level == EvidenceLevel::PerChannelPq { CONFIDENT } else { CONFIDENT_WITHOUT_ANGLES };
    if readings < READINGS_FOR_VERDICT {
        Verdict::NoEvidence
    } else if sound >= enough {
        Verdict::Sound
    } else if 1.0 - sound >= enough && unexplained <= UNEXPLAINED_ALLOWED {
        Verdict::Fault
    } else {
        Verdict::Undecided
    }
}

fn groups(posterior: &[f64], ln_likelihood: &[f64]) -> Vec<WiringGroup> {
    let mut order: Vec<usize> = (0..posterior.len()).filter(|c| posterior[*c] > WORTH_TELLING * MEMBER_SHARE).collect();
    order.sort_by(|a, b| posterior[*b].total_cmp(&posterior[*a]));
    let mut groups = Vec::new();
    while let Some(leader) = order.first().copied() {
        let (together, rest): (Vec<usize>, Vec<usize>) =
            order.iter().partition(|c| (ln_likelihood[**c] - ln_likelihood[leader]).abs() < INDISTINGUISHABLE.ln());
        order = rest;
        let probability: f64 = together.iter().map(|c| posterior[*c]).sum();
        if probability < WORTH_TELLING {
            continue;
        }
        let mut members: Vec<RankedWiring> = together
            .iter()
            .flat_map(|c| {
                let class = &CLASSES[*c];
                let share = posterior[*c] / class.prior;
                class.members.iter().map(move |m| RankedWiring { wiring: m.wiring, probability: m.prior * share })
            })
            .filter(|m| m.probability >= MEMBER_SHARE * probability)
            .collect();
        members.sort_by(|a, b| b.probability.total_cmp(&a.probability));
        let power_right = together.iter().all(|c| CLASSES[*c].power_right());
        groups.push(WiringGroup { probability, members, power_right });
    }
    groups.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    groups
}

/// True when two means differ by less than about a tenth of what the likelihood resolves.
fn negligible(a: &Features, b: &Features) -> bool {
    const STEP: f64 = 0.002;
    let near = |x: Option<f64>, y: Option<f64>| match (x, y) {
        (Some(x), Some(y)) => (x - y).abs() < STEP,
        (None, None) => true,
        _ => false,
    };
    a.blanked == b.blanked
        && a.current_alive == b.current_alive
        && (0..3).all(|k| near(a.p[k], b.p[k]) && near(a.q[k], b.q[k]) && near(a.unsigned_pf[k], b.unsigned_pf[k]))
        && (0..3).all(|k| (a.weight[k] - b.weight[k]).abs() < 5.0 * STEP)
        && near(a.total_p, b.total_p)
        && near(a.total_q, b.total_q)
        && near(a.total_unsigned_pf, b.total_unsigned_pf)
        && (a.mean_current_a / b.mean_current_a - 1.0).abs() < 0.02
}
