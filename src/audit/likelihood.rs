//! How probable the evidence of one load level is under each class of wirings.
//!
//! The load's own lag is not known, only expected, so it is summed out over a grid; the three channels share it and
//! each strays from it by the unbalance of supply and load. All densities are proper (per degree, or per unit), so that
//! the class "none of these" competes on equal terms. Must never use a prior over wirings.

use super::assessment::EvidenceLevel;
use super::context::{CircuitContext, LoadBehaviour};
use super::evidence::Features;
use super::hypotheses::{CLASSES, Class, NOTHING, Shift};
use super::load::{self, GRID};
use crate::reading::Rotation;

/// Marginal log-likelihood of one window, per class, and for "none of these".
#[derive(Debug, Clone)]
pub struct WindowLikelihood {
    /// One entry per class of [`CLASSES`].
    pub ln_class: Vec<f64>,
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
/// Lags and shifts are looked up, never recomputed: cosine and sine of grid lag plus shift.
type Table = [[f64; GRID]; 12];

fn trig_tables() -> &'static (Table, Table) {
    static TABLES: std::sync::LazyLock<(Table, Table)> = std::sync::LazyLock::new(|| {
        let mut cos = [[0.0; GRID]; 12];
        let mut sin = [[0.0; GRID]; 12];
        for s in 0..12 {
            for g in 0..GRID {
                let angle = (load::lag_at_deg(g) + 30.0 * s as f64).to_radians();
                cos[s][g] = angle.cos();
                sin[s][g] = angle.sin();
            }
        }
        (cos, sin)
    });
    &TABLES
}

/// Shifts that occur in any class.
const SHIFTS_IN_USE: [usize; 8] = [0, 1, 2, 4, 6, 8, 10, 11];

/// Weighs the mean features of one window.
pub fn weigh(features: &Features, context: &CircuitContext) -> WindowLikelihood {
    let prior = load::lag_prior(context, features.mean_current_a);
    let lost_prior = load::lost_phase_prior();
    let mirrored = context.rotation == Rotation::Acb;
    let channels = matches!(features.level(), EvidenceLevel::PerChannelPq | EvidenceLevel::PerChannelP)
        .then(|| ChannelTables::of(features, context));
    let mut ln_unexplained = 0.0;
    for k in 0..3 {
        if !features.current_alive[k] {
            ln_unexplained += LN_DEAD_UNEXPLAINED;
        } else if let Some(tables) = &channels {
            ln_unexplained += tables.ln_flat[k];
        }
    }
    if channels.is_none() {
        ln_unexplained += ln_flat_total(features);
    }
    let ln_class = CLASSES
        .iter()
        .map(|class| {
            let prior = if class.lost_phase { &lost_prior } else { &prior };
            let shift = [0, 1, 2].map(|k| class.shift_for(k, mirrored));
            let mut ln = 0.0;
            for k in 0..3 {
                ln += match (features.current_alive[k], shift[k] == NOTHING) {
                    (true, true) => LN_ALIVE_BUT_OPEN,
                    (false, false) => LN_DEAD_BUT_SOUND,
                    _ => 0.0,
                };
            }
            ln + match &channels {
                Some(tables) => tables.ln_marginal(shift, features, prior),
                None => ln_totals(shift, features, prior, context),
            }
        })
        .collect();
    WindowLikelihood { ln_class, ln_unexplained }
}

/// Posterior over the load's lag under one class, as mean in degrees: where the load must be for this class to be true.
pub fn lag_under_deg(class: &Class, features: &Features, context: &CircuitContext) -> f64 {
    let prior =
        if class.lost_phase { load::lost_phase_prior() } else { load::lag_prior(context, features.mean_current_a) };
    let mirrored = context.rotation == Rotation::Acb;
    let shift = [0, 1, 2].map(|k| class.shift_for(k, mirrored));
    let per_channel = matches!(features.level(), EvidenceLevel::PerChannelPq | EvidenceLevel::PerChannelP);
    let tables = per_channel.then(|| ChannelTables::of(features, context));
    let (mut sum, mut mean) = (0.0, 0.0);
    for g in 0..GRID {
        let weight = prior[g]
            * match &tables {
                Some(tables) => tables.product_at(shift, features, g),
                None => total_density(shift, features, context, g),
            };
        sum += weight;
        mean += weight * load::lag_at_deg(g);
    }
    if sum > 0.0 { mean / sum } else { load::expected(context, features.mean_current_a).map_or(30.0, |e| e.0) }
}

/// Density of each channel's evidence for each shift and lag.
struct ChannelTables {
    density: [Table; 3],
    ln_flat: [f64; 3],
}

impl ChannelTables {
    fn of(features: &Features, context: &CircuitContext) -> ChannelTables {
        let (cos, sin) = trig_tables();
        let drive = context.load == LoadBehaviour::Drive;
        let spread_deg = if drive { DRIVE_SPREAD_DEG } else { CHANNEL_SPREAD_DEG };
        let spread_rad = spread_deg.to_radians();
        let mut density = [[[1.0; GRID]; 12]; 3];
        let mut ln_flat = [0.0; 3];
        for k in 0..3 {
            let table = &mut density[k];
            if let (Some(p), Some(q)) = (features.p[k], features.q[k]) {
                let angle_deg = q.atan2(p).to_degrees();
                let scale = 1.0 / (spread_deg * (2.0 * std::f64::consts::PI).sqrt());
                ln_flat[k] = (1.0f64 / 360.0).ln();
                for s in SHIFTS_IN_USE {
                    for (g, cell) in table[s].iter_mut().enumerate() {
                        let off = crate::electrical::angle::wrap_deg(angle_deg - load::lag_at_deg(g) - 30.0 * s as f64);
                        let z = off / spread_deg;
                        *cell = (1.0 - STRAY) * scale * fast_gauss(z) + STRAY / 360.0;
                    }
                }
            } else if let Some(p) = features.p[k].or(features.unsigned_pf[k]) {
                let signed = features.p[k].is_some();
                ln_flat[k] = if signed { 0.5f64.ln() } else { 0.0 };
                for s in SHIFTS_IN_USE {
                    for g in 0..GRID {
                        let (c, sn) = (cos[s][g], sin[s][g]);
                        let bend = 0.5 * spread_rad * spread_rad * c;
                        let distortion = if drive { DRIVE_DISTORTION * c } else { 0.0 };
                        let sigma = ((sn * spread_rad).powi(2)
                            + bend * bend
                            + POWER_ERROR * POWER_ERROR
                            + distortion * distortion)
                            .sqrt();
                        let scale = 1.0 / (sigma * (2.0 * std::f64::consts::PI).sqrt());
                        let mut d = fast_gauss((p - c) / sigma);
                        if !signed {
                            d += fast_gauss((-p - c) / sigma);
                        }
                        table[s][g] = (1.0 - STRAY) * scale * d + STRAY * 0.5;
                    }
                }
            }
            // A channel without voltage or current has no angle: density 1 for every class, and for none of these.
        }
        ChannelTables { density, ln_flat }
    }

    fn product_at(&self, shift: [Shift; 3], features: &Features, g: usize) -> f64 {
        (0..3)
            .map(|k| {
                if shift[k] == NOTHING || !features.current_alive[k] {
                    1.0
                } else {
                    self.density[k][shift[k] as usize][g]
                }
            })
            .product()
    }

    fn ln_marginal(&self, shift: [Shift; 3], features: &Features, prior: &[f64; GRID]) -> f64 {
        const ONES: [f64; GRID] = [1.0; GRID];
        let row = |k: usize| {
            if shift[k] == NOTHING || !features.current_alive[k] { &ONES } else { &self.density[k][shift[k] as usize] }
        };
        let (a, b, c) = (row(0), row(1), row(2));
        let mut sum = 0.0;
        for g in 0..GRID {
            sum += prior[g] * a[g] * b[g] * c[g];
        }
        // A channel that shows current although the class says open contributes the flat density.
        let stray: f64 =
            (0..3).filter(|k| shift[*k] == NOTHING && features.current_alive[*k]).map(|k| self.ln_flat[k]).sum();
        sum.max(f64::MIN_POSITIVE).ln() + stray
    }
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

fn ln_totals(shift: [Shift; 3], features: &Features, prior: &[f64; GRID], context: &CircuitContext) -> f64 {
    let sum: f64 = (0..GRID).map(|g| prior[g] * total_density(shift, features, context, g)).sum();
    sum.max(f64::MIN_POSITIVE).ln()
}

/// Density of the totals for one class and lag.
fn total_density(shift: [Shift; 3], features: &Features, context: &CircuitContext, g: usize) -> f64 {
    let (cos, sin) = trig_tables();
    let drive = context.load == LoadBehaviour::Drive;
    let spread_rad = if drive { DRIVE_SPREAD_DEG } else { CHANNEL_SPREAD_DEG }.to_radians();
    let (mut p, mut q, mut var_p, mut var_q) = (0.0, 0.0, POWER_ERROR * POWER_ERROR, POWER_ERROR * POWER_ERROR);
    for k in 0..3 {
        if shift[k] == NOTHING {
            continue;
        }
        let (c, s) = (cos[shift[k] as usize][g], sin[shift[k] as usize][g]);
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
