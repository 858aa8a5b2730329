//! How probable the evidence of one load level is under each class of wirings.
//!
//! The load's own lag is not known, only expected, so it is summed out over a grid; the three channels share it and
//! each strays from it by the unbalance of supply and load. All densities are proper (per degree, or per unit), so that
//! the class "none of these" competes on equal terms. Must never use a prior over wirings.

mod tables;

use super::assessment::EvidenceLevel;
use super::context::{CircuitContext, LoadBehaviour};
use super::evidence::Features;
use super::hypotheses::{Class, NOTHING, Pattern, Shift, classes};
use super::load::{self, GRID, STANCES};
use super::wiring::{Gain, Registers};
use crate::reading::Rotation;
use tables::{ChannelTables, predicted};

/// Log-likelihood of one window, per pattern and stance of the load, and for "none of these".
#[derive(Debug, Clone, Default)]
pub struct WindowLikelihood {
    /// One entry per pattern of the service, by stance of the load to its nameplate; minus infinity where a pattern cannot be
    /// told by this evidence at all.
    pub ln_pattern: Vec<[f32; STANCES]>,
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
pub(super) const STRAY: f64 = 1e-9;
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
        // A monitor that counts the other way blanks what is positive.
        (false, false, _) if features.blanked && !per_channel => &[AsDeclared, BothSigns],
        (false, ..) => &[AsDeclared],
        (true, true, _) => &[AsDeclared, FactorLagPositive, FactorLagNegative],
        (true, false, true) => &[AsDeclared, ReactiveSign, ActiveSign, BothSigns, Exchanged],
        // Where no Q is read, the sign of P alone and both signs are the same thing.
        (true, false, false) => &[AsDeclared, BothSigns, ActiveSign, Exchanged],
    }
}

/// What the load draws under a pattern, told at its nominal voltage, A.
pub(super) fn drawn_a(pattern: Pattern, features: &Features) -> f64 {
    features.mean_at_nominal_a() / pattern.common_gain.factor().unwrap_or(1.0)
}

/// Where the load's lag may be under a pattern, by stance: probabilities over the grid.
pub(super) fn lag_priors(pattern: Pattern, features: &Features, context: &CircuitContext) -> [[f64; GRID]; STANCES] {
    if pattern.lost_phase {
        [load::lost_phase_prior(context.load); STANCES]
    } else if features.starting {
        [load::start_prior(context); STANCES]
    } else {
        load::lag_priors(context, drawn_a(pattern, features))
    }
}

/// Spread of one channel's angle for this load at this current, degrees. Where a capacitor takes most of a light load's
/// reactive current, what is left is small and uneven, and its angles stray with it.
fn channel_spread_deg(features: &Features, context: &CircuitContext) -> f64 {
    match context.load {
        LoadBehaviour::Drive => DRIVE_SPREAD_DEG,
        LoadBehaviour::MotorWithCapacitor => {
            let per_unit = context.full_load_current_a.map_or(0.5, |full| features.mean_at_nominal_a() / full);
            CHANNEL_SPREAD_DEG * (0.5 / per_unit).clamp(1.0, 3.0)
        }
        _ => CHANNEL_SPREAD_DEG,
    }
}

/// Log-likelihoods of a pattern that the evidence cannot tell of.
const UNTOLD: [f32; STANCES] = [f32::NEG_INFINITY; STANCES];

/// Weighs the mean features of one window. A `foreign` channel is known to see another circuit: whether it carries
/// current says nothing of this one.
pub fn weigh(features: &Features, context: &CircuitContext, foreign: [bool; 3]) -> WindowLikelihood {
    let known = classes(context.service);
    let usual = lag_priors(known.all[known.intended].pattern, features, context);
    let lost = [load::lost_phase_prior(context.load); STANCES];
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
    let ln_pattern = known
        .patterns
        .iter()
        .map(|pattern| {
            let Some(meaning) = meanings.iter().position(|r| *r == pattern.registers) else { return UNTOLD };
            let scaled;
            let priors = if pattern.lost_phase {
                &lost
            } else if pattern.common_gain == Gain::AsRated {
                &usual
            } else if context.full_load_current_a.is_none() {
                // Without a nameplate nothing tells a ratio that all CTs share: neither found nor excluded.
                return UNTOLD;
            } else {
                scaled = lag_priors(*pattern, features, context);
                &scaled
            };
            let shift = [0, 1, 2].map(|k| pattern.shift_for(k, mirrored));
            let mut ln = ln_carrying(shift, features, context, foreign);
            let density = match tables.get(meaning) {
                Some(tables) => {
                    ln += tables.ln_stray(shift, features);
                    tables.product(shift, features)
                }
                None => totals_density(shift, pattern.registers, features, context),
            };
            let marginal = |prior: &[f64; GRID]| prior.iter().zip(&density).map(|(p, d)| p * d).sum::<f64>();
            let mut by_stance = [0.0; STANCES];
            for (of_stance, prior) in by_stance.iter_mut().zip(priors) {
                *of_stance = (ln + marginal(prior).max(f64::MIN_POSITIVE).ln()) as f32;
            }
            by_stance
        })
        .collect();
    WindowLikelihood { ln_pattern, ln_unexplained }
}

/// Which channels carry a current, under a pattern.
pub(super) fn ln_carrying(shift: [Shift; 3], features: &Features, context: &CircuitContext, foreign: [bool; 3]) -> f64 {
    let own = context.service.channels().iter().filter(|k| !foreign[**k]);
    own.map(|&k| match (features.current_alive[k], shift[k] == NOTHING) {
        (true, true) => LN_ALIVE_BUT_OPEN,
        (false, false) => LN_DEAD_BUT_SOUND,
        _ => 0.0,
    })
    .sum()
}

/// Posterior over the load's lag under one class, as mean in degrees: where the load must be for this class to be true.
pub fn lag_under_deg(class: &Class, features: &Features, context: &CircuitContext) -> f64 {
    let pattern = class.pattern;
    let priors = lag_priors(pattern, features, context);
    let mirrored = context.rotation == Rotation::Acb;
    let shift = [0, 1, 2].map(|k| pattern.shift_for(k, mirrored));
    let per_channel = matches!(features.level(), EvidenceLevel::PerChannelPq | EvidenceLevel::PerChannelP);
    let in_use = &classes(context.service).shifts_in_use;
    let density = if per_channel {
        ChannelTables::of(features, context, pattern.registers, in_use).product(shift, features)
    } else {
        totals_density(shift, pattern.registers, features, context)
    };
    let (mut sum, mut mean) = (0.0, 0.0);
    for g in 0..GRID {
        let prior: f64 = priors.iter().zip(load::STANCE_WEIGHTS).map(|(prior, weight)| weight * prior[g]).sum();
        sum += prior * density[g];
        mean += prior * density[g] * load::lag_at_deg(g);
    }
    if sum > 0.0 { mean / sum } else { load::expected(context, features.mean_at_nominal_a()).map_or(30.0, |e| e.0) }
}

/// Gaussian bell exp(-z^2 / 2), zero past 8 sigma where nothing can matter.
pub(super) fn fast_gauss(z: f64) -> f64 {
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

/// Density of the totals over the lag grid.
fn totals_density(
    shift: [Shift; 3],
    registers: Registers,
    features: &Features,
    context: &CircuitContext,
) -> [f64; GRID] {
    let mut density = [0.0; GRID];
    for (g, density) in density.iter_mut().enumerate() {
        *density = total_density(shift, registers, features, context, g);
    }
    density
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
    let spread_rad = channel_spread_deg(features, context).to_radians();
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
pub(super) fn not_positive(mean: f64, sigma: f64) -> f64 {
    1.0 / (1.0 + (1.702 * mean / sigma).exp())
}
