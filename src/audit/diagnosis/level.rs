//! One load level as it was weighed, beside the window of readings that it is the mean of.

use serde::{Deserialize, Serialize};

use crate::audit::context::CircuitContext;
use crate::audit::evidence::{Features, Window};
use crate::audit::likelihood::{WindowLikelihood, weigh};
use crate::audit::unbalance::{self, Answer, STORIES};

/// A load level as weighed.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Weighed {
    /// The mean it was weighed at.
    pub at: Features,
    /// What it tells; `None` while the load level does not count.
    #[serde(skip)]
    pub told: Option<Told>,
    /// Lag of the load under a class, once somebody asked for it.
    #[serde(skip)]
    pub lag: Option<(usize, f64)>,
}

impl Weighed {
    /// With the window it was weighed of; `None` while it does not count.
    pub fn heard<'a>(&'a self, window: &'a Window) -> Option<Heard<'a>> {
        Some(Heard { at: &self.at, told: self.told.as_ref()?, window })
    }
}

/// What one load level tells.
#[derive(Debug, Clone)]
pub struct Told {
    /// Log-likelihood by pattern.
    pub likelihood: WindowLikelihood,
    /// What the load makes of an uneven supply, where that can be told.
    pub answers: Option<[Answer; STORIES]>,
}

impl Told {
    /// Weighs a mean.
    pub fn of(at: &Features, context: &CircuitContext, foreign: [bool; 3]) -> Told {
        Told { likelihood: weigh(at, context, foreign), answers: unbalance::answers_at(at, context) }
    }
}

/// A load level that counts.
#[derive(Clone, Copy)]
pub struct Heard<'a> {
    /// The mean it was weighed at.
    pub at: &'a Features,
    /// What it tells.
    pub told: &'a Told,
    /// As collected.
    pub window: &'a Window,
}

/// True when two means differ by less than about a tenth of what the likelihood resolves.
pub fn negligible(a: &Features, b: &Features) -> bool {
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
