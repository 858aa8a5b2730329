//! How probable one channel's reading is, for every shift and every lag of the load's grid.
//!
//! Cosines and sines are looked up, never recomputed. Must never know a wiring.

use std::sync::LazyLock;

use super::{DRIVE_DISTORTION, POWER_ERROR, STRAY, channel_spread_deg, fast_gauss};
use crate::audit::context::{CircuitContext, LoadBehaviour};
use crate::audit::evidence::Features;
use crate::audit::hypotheses::{NOTHING, Shift};
use crate::audit::load::{self, GRID};
use crate::audit::wiring::Registers;
use crate::electrical::angle::wrap_deg;

/// By shift, then by point of the lag grid.
pub(super) type Table = [[f64; GRID]; 12];

/// What a channel registers per unit of V x I, under one meaning of the registers.
pub(super) struct Predicted {
    /// P / (V I).
    pub(super) p: Table,
    /// Q / (V I).
    pub(super) q: Table,
    /// Angle of P + jQ, degrees.
    angle_deg: Table,
    /// How much P / (V I) changes per radian of the channel's angle.
    slope: Table,
}

/// The tables of one meaning, built once.
pub(super) fn predicted(registers: Registers) -> &'static Predicted {
    static TABLES: LazyLock<Vec<Predicted>> = LazyLock::new(|| Registers::ALL.map(build).into());
    &TABLES[registers.index()]
}

fn build(registers: Registers) -> Predicted {
    let empty = [[0.0; GRID]; 12];
    let mut tables = Predicted { p: empty, q: empty, angle_deg: empty, slope: empty };
    for shift in 0..12 {
        for g in 0..GRID {
            let angle = (load::lag_at_deg(g) + 30.0 * shift as f64).to_radians();
            let (p, q) = registers.registered(angle.cos(), angle.sin());
            tables.p[shift][g] = p;
            tables.q[shift][g] = q;
            tables.angle_deg[shift][g] = q.atan2(p).to_degrees();
            tables.slope[shift][g] = if registers == Registers::Exchanged { angle.cos() } else { angle.sin() };
        }
    }
    tables
}

/// Density of each channel's evidence for each shift and lag.
pub(super) struct ChannelTables {
    density: [Table; 3],
    ln_flat: [f64; 3],
}

impl ChannelTables {
    pub(super) fn of(
        features: &Features,
        context: &CircuitContext,
        registers: Registers,
        shifts_in_use: &[Shift],
    ) -> ChannelTables {
        let predicted = predicted(registers);
        let drive = context.load == LoadBehaviour::Drive;
        let spread_deg = channel_spread_deg(features, context);
        let spread_rad = spread_deg.to_radians();
        let mut density = [[[1.0; GRID]; 12]; 3];
        let mut ln_flat = [0.0; 3];
        for k in 0..3 {
            let table = &mut density[k];
            if let (Some(p), Some(q)) = (features.p[k], features.q[k]) {
                let angle_deg = q.atan2(p).to_degrees();
                let scale = 1.0 / (spread_deg * (2.0 * std::f64::consts::PI).sqrt());
                ln_flat[k] = (1.0f64 / 360.0).ln();
                for &s in shifts_in_use {
                    let s = usize::from(s);
                    for (g, cell) in table[s].iter_mut().enumerate() {
                        let off = wrap_deg(angle_deg - predicted.angle_deg[s][g]);
                        let z = off / spread_deg;
                        *cell = (1.0 - STRAY) * scale * fast_gauss(z) + STRAY / 360.0;
                    }
                }
            } else if let Some(p) = features.p[k].or(features.unsigned_pf[k]) {
                let signed = features.p[k].is_some();
                ln_flat[k] = if signed { 0.5f64.ln() } else { 0.0 };
                for &s in shifts_in_use {
                    let s = usize::from(s);
                    for g in 0..GRID {
                        let (c, sn) = (predicted.p[s][g], predicted.slope[s][g]);
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

    pub(super) fn ln_flat(&self, k: usize) -> f64 {
        self.ln_flat[k]
    }

    /// Product of the channels' densities over the lag grid. A channel that sees nothing, or shows nothing, adds nothing.
    pub(super) fn product(&self, shift: [Shift; 3], features: &Features) -> [f64; GRID] {
        const ONES: [f64; GRID] = [1.0; GRID];
        let row = |k: usize| {
            if shift[k] == NOTHING || !features.current_alive[k] { &ONES } else { &self.density[k][shift[k] as usize] }
        };
        let (a, b, c) = (row(0), row(1), row(2));
        let mut product = [0.0; GRID];
        for g in 0..GRID {
            product[g] = a[g] * b[g] * c[g];
        }
        product
    }

    /// A channel that shows current although the pattern says open contributes the flat density.
    pub(super) fn ln_stray(&self, shift: [Shift; 3], features: &Features) -> f64 {
        (0..3).filter(|k| shift[*k] == NOTHING && features.current_alive[*k]).map(|k| self.ln_flat[k]).sum()
    }
}
