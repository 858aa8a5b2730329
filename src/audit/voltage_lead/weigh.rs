//! How probable each state is given the mean of what the channels show.
//!
//! One mean is one piece of evidence: what remains between model and mean is systematic (unbalance, the monitor's ways),
//! so more readings do not make the diagnosis surer than one good one. Magnitudes share the scale of the supply, which is
//! summed out exactly. All densities are proper, so that "none of these" competes on equal terms.

use std::f64::consts::TAU;

use super::model::{Model, Sighting};
use super::{VoltageCheck, VoltageMeans, VoltageService, VoltageState};
use crate::audit::bars;
use crate::audit::installation::Installation;
use crate::electrical::angle::wrap_deg;

/// States ranked by probability.
#[derive(Debug, Clone, PartialEq)]
pub struct VoltageDiagnosis {
    /// Every state of the service with its probability, likeliest first.
    pub ranked: Vec<(VoltageState, f64)>,
    /// Probability that none of them holds.
    pub none_of_these: f64,
    /// States that these values cannot tell apart, likeliest group first; states below one in a thousand are left out.
    pub groups: Vec<Group>,
    /// Voltages (not angles) the diagnosis rests on. With none, the probabilities are those before any evidence.
    pub voltages_used: usize,
}

impl VoltageDiagnosis {
    /// Probability that the leads and the supply are as they should be.
    pub fn sound(&self) -> f64 {
        self.ranked.iter().filter(|(state, _)| *state == VoltageState::Sound).map(|(_, p)| p).sum()
    }

    /// What would settle it at this installation, when something would.
    pub fn next_check(&self, installation: &Installation) -> Option<VoltageCheck> {
        VoltageCheck::worth_most(installation, &self.ranked)
    }

    /// The leading group, when something else than "sound" is as good as certain.
    pub fn fault(&self) -> Option<&Group> {
        // Asked of every reading, and nearly always answered by the first look.
        let group = self.groups.first().filter(|group| !group.states.contains(&VoltageState::Sound))?;
        let certain = 1.0 - self.sound() - self.none_of_these >= bars::VOLTAGE_FAULT
            && self.none_of_these <= bars::UNEXPLAINED_ALLOWED;
        certain.then_some(group)
    }
}

/// States under which the values are about equally likely.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// Likeliest first.
    pub states: Vec<VoltageState>,
    /// Sum of their probabilities.
    pub probability: f64,
}

/// Prior probability that none of the states holds.
const NONE_PRIOR: f64 = 1e-3;
/// Supply and unbalance as usual, and as they are now and then: standard deviation of the common scale (ANSI C84.1 range A
/// is 5 % about nominal), of each voltage on its own (its annex C: 3 % unbalance at most), of each angle in degrees, and share.
const SUPPLIES: [Supply; 2] = [
    Supply { scale: 0.03, own: 0.01, angle_deg: 1.5, share: 0.93 },
    Supply { scale: 0.07, own: 0.025, angle_deg: 4.0, share: 0.07 },
];
/// States whose likelihoods differ by less than this factor are not told apart.
const SAME_LIKELIHOOD: f64 = 5.0;
/// Probability below which a state is in no group.
const NEGLIGIBLE: f64 = 1e-3;
/// Below this share of nominal a channel's angle is noise.
const NO_ANGLE: f64 = 0.2;
/// Past this a Gaussian adds nothing to any sum here.
const HOPELESS_CHI2: f64 = 200.0;

struct Supply {
    scale: f64,
    own: f64,
    angle_deg: f64,
    share: f64,
}

/// Weighs one mean (or one reading) without keeping anything.
pub fn weigh(service: VoltageService, means: &VoltageMeans) -> VoltageDiagnosis {
    weigh_by(&Model::of(service), service, means)
}

/// As [`weigh`], by a model already built.
pub(super) fn weigh_by(model: &Model, service: VoltageService, means: &VoltageMeans) -> VoltageDiagnosis {
    let seen = Seen::of(model, service, means);
    let likelihoods: Vec<f64> = model
        .candidates
        .iter()
        .map(|c| c.sightings.iter().map(|s| s.weight * seen.likelihood(model, s)).sum::<f64>())
        .collect();
    let unexplained = NONE_PRIOR * seen.flat();
    let joint = |i: usize| (1.0 - NONE_PRIOR) * model.candidates[i].prior * likelihoods[i];
    let evidence = unexplained + (0..likelihoods.len()).map(joint).sum::<f64>();
    let mut order: Vec<(usize, f64)> = (0..likelihoods.len()).map(|i| (i, joint(i) / evidence)).collect();
    order.sort_by(|a, b| b.1.total_cmp(&a.1));
    let groups = groups(model, &likelihoods, &order);
    let ranked: Vec<(VoltageState, f64)> = order.iter().map(|(i, p)| (model.candidates[*i].state, *p)).collect();
    VoltageDiagnosis {
        ranked,
        none_of_these: unexplained / evidence,
        groups,
        voltages_used: seen.magnitude.iter().flatten().count(),
    }
}

fn groups(model: &Model, likelihoods: &[f64], order: &[(usize, f64)]) -> Vec<Group> {
    let mut left: Vec<(usize, f64)> = order.iter().copied().filter(|(_, p)| *p >= NEGLIGIBLE).collect();
    let mut groups = Vec::new();
    while let Some(&(head, _)) = left.first() {
        let alike = |i: usize| {
            let factor = likelihoods[i] / likelihoods[head];
            (1.0 / SAME_LIKELIHOOD..=SAME_LIKELIHOOD).contains(&factor)
        };
        let (members, rest): (Vec<_>, Vec<_>) = left.into_iter().partition(|(i, _)| *i == head || alike(*i));
        groups.push(Group {
            probability: members.iter().map(|(_, p)| p).sum(),
            states: members.iter().map(|(i, _)| model.candidates[*i].state).collect(),
        });
        left = rest;
    }
    groups.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    groups
}

/// The mean in the model's units, less what the system gives no meaning to.
struct Seen {
    magnitude: [Option<f64>; 6],
    angle_deg: Option<[f64; 3]>,
    angles: usize,
}

impl Seen {
    fn of(model: &Model, service: VoltageService, means: &VoltageMeans) -> Seen {
        let unit_v = service.unit_v();
        let usable = |v: Option<f64>| v.filter(|v| v.is_finite() && *v >= 0.0).map(|v| v / unit_v);
        let [a, b, c] = means.ln_v.map(usable);
        let [ab, bc, ca] = means.ll_v.map(usable);
        let all = [a, b, c, ab, bc, ca];
        let channels = service.system.voltage_channels();
        let angle_deg = match means.angle_deg {
            _ if !model.angles_in_use => None,
            [first, Some(second), Some(third)] => Some([first.unwrap_or(0.0), second, third]),
            [first, Some(second), None] if channels == 2 => Some([first.unwrap_or(0.0), second, 0.0]),
            _ => None,
        };
        Seen { magnitude: [0, 1, 2, 3, 4, 5].map(|n| all[n].filter(|_| model.in_use[n])), angle_deg, angles: channels }
    }

    /// Density of the values under one way of showing.
    fn likelihood(&self, model: &Model, way: &Sighting) -> f64 {
        SUPPLIES
            .iter()
            .map(|supply| supply.share * self.magnitudes(model, way, supply) * self.angles(way, supply))
            .sum()
    }

    /// Gaussian density with the common scale s ~ N(1, scale) summed out: covariance D + scale^2 m m', by Sherman-Morrison.
    fn magnitudes(&self, model: &Model, way: &Sighting, supply: &Supply) -> f64 {
        let (mut mm, mut mr, mut rr, mut variances, mut count) = (0.0, 0.0, 0.0, 1.0, 0);
        for n in 0..6 {
            let Some(value) = self.magnitude[n] else { continue };
            let expected = way.magnitude[n];
            let own = supply.own * expected.max(0.5 * model.sound[n]);
            let variance = own * own + way.spread[n] * way.spread[n];
            let residual = value - expected;
            mm += expected * expected / variance;
            mr += expected * residual / variance;
            rr += residual * residual / variance;
            variances *= variance;
            count += 1;
        }
        let scale2 = supply.scale * supply.scale;
        let chi2 = rr - mr * mr / (1.0 / scale2 + mm);
        if chi2 > HOPELESS_CHI2 {
            return 0.0;
        }
        (-0.5 * chi2).exp() / (TAU.powi(count) * variances * (1.0 + scale2 * mm)).sqrt()
    }

    /// Density of the angles between channels, for the supply turning either way. Channels without voltage have any angle.
    fn angles(&self, way: &Sighting, supply: &Supply) -> f64 {
        let Some(seen) = self.angle_deg else { return 1.0 };
        let sigma = supply.angle_deg.hypot(way.angle_spread_deg);
        let live = |k: &usize| way.magnitude[*k] >= NO_ANGLE;
        let flat = 1.0 / 360.0;
        let Some(reference) = (0..self.angles).find(live) else { return flat_angles(self.angles) };
        let turned = |sign: f64| {
            (0..self.angles)
                .filter(|k| *k != reference)
                .map(|k| {
                    if !live(&k) {
                        return flat;
                    }
                    let expected = sign * (way.angle_deg[k] - way.angle_deg[reference]);
                    let z = wrap_deg(seen[k] - seen[reference] - expected) / sigma;
                    (-0.5 * z * z).exp() / (sigma * TAU.sqrt()) + 1e-6 * flat
                })
                .product::<f64>()
        };
        0.5 * (turned(1.0) + turned(-1.0))
    }

    /// Density under "none of these": any size, half of them below nominal, any angle.
    fn flat(&self) -> f64 {
        let sizes: f64 = self.magnitude.iter().flatten().map(|v| 1.0 / ((1.0 + v) * (1.0 + v))).product();
        sizes * if self.angle_deg.is_some() { flat_angles(self.angles) } else { 1.0 }
    }
}

fn flat_angles(channels: usize) -> f64 {
    (1.0f64 / 360.0).powi(channels as i32 - 1)
}
