//! How probable the evidence of one load level is under each class of wirings.
//!
//! The load's own lag is not known, only expected, so it is summed out over a grid; the three channels share it and
//! each strays from it by the unbalance of supply and load. All densities are proper (per degree, or per unit), so that
//! the class "none of these" competes on equal terms. Must never use a prior over wirings.

mod tables;

use super::assessment::EvidenceLevel;
use super::context::{CircuitContext, LoadBehaviour};
use super::evidence::Features;
use super::hypotheses::{Class, NOTHING, Shift, classes};
use super::load::{self, GRID};
use super::wiring::{Gain, Registers};
use crate::reading::Rotation;
use tables::{ChannelTables, predicted};

/// Marginal log-likelihood of one window, per class, and for "none of these".
#[derive(Debug, Clone)]
pub struct WindowLikelihood {
    /// One entry per class of the service; minus infinity where a class cannot be told by this evidence at all.
    pub ln_class: Vec<f32>,
    /// The alternative that any angle is as likely as any other.
    pub ln_unexplained: f64,
}

/// Spread of one channel's angle about the load's, degrees: a 3 % low phase moves a motor's phase angles by up to
/// about 5 degrees, and current transformers of class 1 add up to 1 degree (IEC 61869-2).
const CHANNEL_SPREAD_DEG: f64 = 6.0;
/// The same for drives, whose harmonics blur what a meter calls reactive power.
const DRIVE_SPREAD_DEG: f64 = 12.0;
/// Error of P / (V I): meter class and rounding of registers.
const POWER_ERROR: f64 = 0.015;
/// Distortion lowers P / (V I) of a drive below the cosine of its displacement angle by up to about this share.
const DRIVE_DISTORTION: f64 = 0.15;
/// Share of channels that do something no model foresees.
const STRAY: f64 = 1e-9;
/// Log-odds against a channel reading nothing although its CT is sound, and reading something although it is open.
const LN_DEAD_BUT_SOUND: f64 = -12.0;
const LN_ALIVE_BUT_OPEN: f64 = -20.0;
const LN_DEAD_UNEXPLAINED: f64 = -6.0;
/// Meanings of the registers that this evidence could tell from the one declared. A meaning that changes nothing seen is
/// left out: it could be neither found nor excluded.
fn meanings(features: &Features) -> &'static [Registers] {
    use Registers::{ActiveSign, AsDeclared, BothSigns, Exchanged, FactorLagNegative, FactorLagPositive, ReactiveSign};
    let per_channel = features.p.iter().flatten().count() > 0;
    let with_q = if per_channel { features.q.iter().flatten().count() > 0 } else { features.total_q.is_some() };
    let signed = per_channel || features.total_p.is_some();
    match (signed && !features.blanked, features.from_factor, with_q) {
        (false, ..) => &[AsDeclared],
        (true, true, _) => &[AsDeclared, FactorLagPositive, FactorLagNegative],
        (true, false, true) => &[AsDeclared, ReactiveSign, ActiveSign, BothSigns, Exchanged],
        (true, false, false) => &[AsDeclared, BothSigns, Exchanged],
    }
}

/// Where the load's lag may be under a class: probabilities over the grid.
fn lag_prior(class: &Class, features: &Features, context: &CircuitContext) -> [f64; GRID] {
    if class.lost_phase {
        load::lost_phase_prior()
    } else if features.starting {
        load::start_prior(context)
    } else {
        load::lag_prior(context, features.mean_current_a / class.common_gain.factor().unwrap_or(1.0))
    }
}

/// Weighs the mean features of one window. A `foreign` channel is known to see another circuit: whether it carries
/// current says nothing of this one.
pub fn weigh(features: &Features, context: &CircuitContext, foreign: [bool; 3]) -> WindowLikelihood {
    let known = classes(context.service);
    let usual = lag_prior(&known.all[known.intended], features, context);
    let lost = load::lost_phase_prior();
    let mirrored = context.rotation == Rotation::Acb;
    let per_channel = matches!(features.level(), EvidenceLevel::PerChannelPq | EvidenceLevel::PerChannelP);
    let meanings = meanings(features);
    let tables: Vec<ChannelTables> = if per_channel {
        meanings.iter().map(|r| ChannelTables::of(features, context, *r, &known.shifts_in_use)).collect()
    } else {
        Vec::new()
    };
    let mut ln_unexplained = 0.0;
    for k in 0..3 {
        if !features.current_alive[k] {
            ln_unexplained += if features.voltage_alive[k] && !foreign[k] { LN_DEAD_UNEXPLAINED } else { 0.0 };
        } else if let Some(tables) = tables.first() {
            ln_unexplained += tables.ln_flat(k);
        }
    }
    if !per_channel {
        ln_unexplained += ln_flat_total(features);
    }
    let used = context.service.channels();
    let ln_class = known
        .all
        .iter()
        .map(|class| {
            let Some(meaning) = meanings.iter().position(|r| *r == class.registers) else { return f32::NEG_INFINITY };
            let scaled;
            let prior = if class.lost_phase {
                &lost
            } else if class.common_gain == Gain::AsRated {
                &usual
            } else if context.full_load_current_a.is_none() {
                // Without a nameplate nothing tells a ratio that all CTs share: neither found nor excluded.
                return f32::NEG_INFINITY;
            } else {
                scaled = lag_prior(class, features, context);
                &scaled
            };
            let shift = [0, 1, 2].map(|k| class.shift_for(k, mirrored));
            let mut ln = 0.0;
            for &k in used {
                ln += match (features.current_alive[k], shift[k] == NOTHING) {
                    _ if foreign[k] => 0.0,
                    (true, true) => LN_ALIVE_BUT_OPEN,
                    (false, false) => LN_DEAD_BUT_SOUND,
                    _ => 0.0,
                };
            }
            ln += match tables.get(meaning) {
                Some(tables) => tables.ln_marginal(shift, features, prior),
                None => ln_totals(shift, class.registers, features, prior, context),
            };
            ln as f32
        })
        .collect();
    WindowLikelihood { ln_class, ln_unexplained }
}

/// Posterior over the load's lag under one class, as mean in degrees: where the load must be for this class to be true.
pub fn lag_under_deg(class: &Class, features: &Features, context: &CircuitContext) -> f64 {
    let prior = lag_prior(class, features, context);
    let mirrored = context.rotation == Rotation::Acb;
    let shift = [0, 1, 2].map(|k| class.shift_for(k, mirrored));
    let per_channel = matches!(features.level(), EvidenceLevel::PerChannelPq | EvidenceLevel::PerChannelP);
    let in_use = &classes(context.service).shifts_in_use;
    let tables = per_channel.then(|| ChannelTables::of(features, context, class.registers, in_use));
    let (mut sum, mut mean) = (0.0, 0.0);
    for g in 0..GRID {
        let weight = prior[g]
            * match &tables {
                Some(tables) => tables.product_at(shift, features, g),
                None => total_density(shift, class.registers, features, context, g),
            };
        sum += weight;
        mean += weight * load::lag_at_deg(g);
    }
    if sum > 0.0 { mean / sum } else { load::expected(context, features.mean_current_a).map_or(30.0, |e| e.0) }
}

/// Gaussian bell exp(-z^2 / 2), zero past 8 sigma where nothing can matter.
fn fast_gauss(z: f64) -> f64 {
    if z.abs() > 8.0 { 0.0 } else { (-0.5 * z * z).exp() }
}

fn ln_flat_total(features: &Features) -> f64 {
    if features.blanked {
        0.5f64.ln()
    } else {
        let p = if features.total_p.is_some() { 0.5f64.ln() } else { 0.0 };
        let q = if features.total_q.is_some() { 0.5f64.ln() } else { 0.0 };
        p + q
    }
}

fn ln_totals(
    shift: [Shift; 3],
    registers: Registers,
    features: &Features,
    prior: &[f64; GRID],
    context: &CircuitContext,
) -> f64 {
    let sum: f64 = (0..GRID).map(|g| prior[g] * total_density(shift, registers, features, context, g)).sum();
    sum.max(f64::MIN_POSITIVE).ln()
}

/// Density of the totals for one class and lag.
fn total_density(
    shift: [Shift; 3],
    registers: Registers,
    features: &Features,
    context: &CircuitContext,
    g: usize,
) -> f64 {
    let truth = predicted(Registers::AsDeclared);
    let drive = context.load == LoadBehaviour::Drive;
    let spread_rad = if drive { DRIVE_SPREAD_DEG } else { CHANNEL_SPREAD_DEG }.to_radians();
    let (mut p, mut q, mut var_p, mut var_q) = (0.0, 0.0, POWER_ERROR * POWER_ERROR, POWER_ERROR * POWER_ERROR);
    for k in 0..3 {
        if shift[k] == NOTHING {
            continue;
        }
        let (c, s) = (truth.p[shift[k] as usize][g], truth.q[shift[k] as usize][g]);
        let w = features.weight[k];
        p += w * c;
        q += w * s;
        var_p += (w * s * spread_rad).powi(2) + (0.5 * w * c * spread_rad * spread_rad).powi(2);
        var_q += (w * c * spread_rad).powi(2) + (0.5 * w * s * spread_rad * spread_rad).powi(2);
    }
    if drive {
        var_p += (DRIVE_DISTORTION * p).powi(2);
        var_q += DRIVE_DISTORTION * DRIVE_DISTORTION;
    }
    let (p, q) = registers.registered(p, q);
    if registers == Registers::Exchanged {
        std::mem::swap(&mut var_p, &mut var_q);
    }
    let bell = |off: f64, var: f64| fast_gauss(off / var.sqrt()) / (2.0 * std::f64::consts::PI * var).sqrt();
    if features.blanked {
        // The monitor blanks P when it is not positive: the evidence is that P <= 0, whatever its size.
        return (1.0 - STRAY) * not_positive(p, var_p.sqrt()) + STRAY;
    }
    let mut density = 1.0;
    match (features.total_p, features.total_unsigned_pf) {
        (Some(total_p), _) => density *= bell(total_p - p, var_p) + STRAY * 0.5,
        (None, Some(pf)) => density *= bell(pf - p, var_p) + bell(-pf - p, var_p) + STRAY,
        (None, None) => {}
    }
    if let Some(total_q) = features.total_q {
        density *= bell(total_q - q, var_q) + STRAY * 0.5;
    }
    density
}

/// Probability that a value expected at `mean` with spread `sigma` is not positive (logistic stand-in for the normal
/// integral, within 1 %).
fn not_positive(mean: f64, sigma: f64) -> f64 {
    1.0 / (1.0 + (1.702 * mean / sigma).exp())
}
