//! Weighs what all load levels of one circuit show of power by what an uneven supply draws, under each class that is in question.
//!
//! Must never use a prior over wirings.

use std::sync::LazyLock;

use num_complex::Complex64;

use super::levels::{Room, Shown, Told};
use super::made::{Made, Places, channels};
use super::pattern::{Answer, STORIES, STORY_WEIGHTS, answers, seats, usual};
use super::sizes::{Fit, Level, fit};
use super::totals::Totals;
use crate::audit::context::{CircuitContext, LoadBehaviour};
use crate::audit::evidence::Features;
use crate::audit::hypotheses::{Class, Pattern};
use crate::audit::likelihood::{STRAY, drawn_a, fast_gauss, lag_priors, ln_carrying, not_positive};
use crate::audit::ln_sum::ln_sum;
use crate::audit::load::{GRID, STANCES, Stances, lag_at_deg, ln_over_stances, lost_phase_stances, stances};
use crate::audit::wiring::{Gain, Registers};
use crate::electrical::angle::polar_deg;
use crate::reading::Rotation;

/// A lag less probable than this is not looked at.
const NEVER: f64 = 1e-6;

/// One load level: its features, what the load makes of the supply (`None` where that cannot be told), and the
/// log-likelihood by pattern and stance without it.
pub struct Seen<'a> {
    /// Means of the readings.
    pub features: &'a Features,
    /// Answers of the load.
    pub answers: Option<[Answer; STORIES]>,
    /// Without them.
    pub ln_pattern: &'a [[f32; STANCES]],
}

/// What the load makes of the supply at a load level, where that is known and what the level shows can be weighed by it.
pub fn answers_at(features: &Features, context: &CircuitContext) -> Option<[Answer; STORIES]> {
    let signed = !features.from_factor && !features.blanked && features.p.iter().any(Option::is_some);
    // A rectifier's harmonics come in any measure, and what a meter makes of them is no angle; in a total they are a share.
    let by_channel = signed && context.load != LoadBehaviour::Drive;
    if features.starting || (features.tells_channels() && !by_channel) {
        return None;
    }
    answers(&features.supply?, context, features.mean_at_nominal_a())
}

/// What the supply adds to the log-likelihood of all levels under each class; nothing where the class is not one of single
/// conductors. `by_pattern` is that log-likelihood without it, by pattern and stance of the load, and `share` the share of the
/// levels' evidence that is independent.
pub fn weigh(
    levels: &[Seen],
    open: &[&Class],
    by_pattern: &[[f64; STANCES]],
    share: f64,
    context: &CircuitContext,
) -> Vec<f64> {
    let carrying = |f: &Features| f.current_alive.iter().filter(|a| **a).count();
    let most = levels.iter().map(|w| carrying(w.features)).max().unwrap_or(0);
    let sizes: Vec<Level> = (levels.iter())
        .filter(|w| carrying(w.features) == most)
        .filter_map(|w| Some((w.features.ln_share(), w.answers?)))
        .collect();
    let usual = [0, 1, 2].map(|story| usual(levels.iter().filter_map(|w| w.answers.as_ref()), story));
    let priors: Vec<Priors> = levels.iter().map(|level| Priors::of(level.features, context)).collect();
    let mut room = Room::new();
    let mut mixed = |candidate: Candidate| {
        let pattern = candidate.class.pattern;
        let scaled: Vec<Priors>;
        let priors = if pattern.common_gain == Gain::AsRated && !pattern.lost_phase {
            &priors
        } else {
            scaled = levels.iter().map(|level| Priors::under(pattern, level.features, context)).collect();
            &scaled
        };
        let plain = ln_over_stances(&by_pattern[candidate.class.pattern_index]);
        let mut ln = [plain + (1.0 - STORY_WEIGHTS.iter().sum::<f64>()).ln(); STORIES + 1];
        for story in 0..STORIES {
            let stances = candidate.weigh(levels, priors, (story, usual[story]), share, context, &mut room);
            ln[story + 1] = ln_over_stances(&stances) + candidate.fits[story].ln + STORY_WEIGHTS[story].ln();
        }
        ln_sum(&ln) - plain
    };
    open.iter().map(|class| Candidate::of(class, &sizes, context).map_or(0.0, &mut mixed)).collect()
}

/// Priors over the load's lag at one level.
struct Priors {
    usual: [[f64; GRID]; STANCES],
    /// The same as points, where there is a nameplate to follow.
    stances: Option<Stances>,
    /// Points of the grid that any stance allows.
    allowed: [bool; GRID],
}

impl Priors {
    fn of(features: &Features, context: &CircuitContext) -> Priors {
        let as_rated =
            Pattern { shift: [0; 3], lost_phase: false, registers: Registers::AsDeclared, common_gain: Gain::AsRated };
        Priors::under(as_rated, features, context)
    }

    fn under(pattern: Pattern, features: &Features, context: &CircuitContext) -> Priors {
        let usual = lag_priors(pattern, features, context);
        let mut allowed = [false; GRID];
        for (g, allowed) in allowed.iter_mut().enumerate() {
            *allowed = usual.iter().any(|prior| prior[g] > NEVER);
        }
        let stances = if pattern.lost_phase { lost_phase_stances } else { stances };
        Priors { usual, stances: stances(context, drawn_a(pattern, features)), allowed }
    }

    /// Means of a density over the load's lag, by stance.
    fn marginals(&self, density_at: impl Fn(Complex64) -> f64) -> [f64; STANCES] {
        let mut density = [0.0; GRID];
        for g in (0..GRID).filter(|g| self.allowed[*g]) {
            density[g] = density_at(LAGS[g]);
        }
        let mean = |prior: &[f64; GRID]| prior.iter().zip(&density).map(|(p, d)| p * d).sum::<f64>();
        self.usual.each_ref().map(|prior| mean(prior).max(f64::MIN_POSITIVE))
    }
}

/// A class with what the sizes say of it.
struct Candidate<'a> {
    class: &'a Class,
    seat: super::Seat,
    back: bool,
    fits: [Fit; STORIES],
}

impl Candidate<'_> {
    fn of<'a>(class: &'a Class, sizes: &[Level], context: &CircuitContext) -> Option<Candidate<'a>> {
        let by_factor = matches!(class.pattern.registers, Registers::FactorLagPositive | Registers::FactorLagNegative);
        if by_factor || sizes.is_empty() {
            return None;
        }
        let back = (context.rotation == Rotation::Acb) != class.rotation_reversed;
        if class.pattern.lost_phase {
            // One current flows through the two that are left, whatever the supply.
            return Some(Candidate { class, seat: [None; 3], back, fits: [Fit::NOTHING; STORIES] });
        }
        let seat = seats(class.pattern.shift, class.rotation_reversed)?;
        Some(Candidate { class, seat, back, fits: fit(sizes, seat, back) })
    }

    /// Log-likelihood of all levels under one story, by stance of the load.
    fn weigh(
        &self,
        levels: &[Seen],
        priors: &[Priors],
        (story, usual): (usize, Complex64),
        share: f64,
        context: &CircuitContext,
        room: &mut Room,
    ) -> [f64; STANCES] {
        let pattern = self.class.pattern;
        let shift = [0, 1, 2].map(|k| pattern.shift_for(k, context.rotation == Rotation::Acb));
        let places = Places { shift, seat: self.seat, back: self.back };
        let distorted = context.load == LoadBehaviour::Drive;
        // Of levels that show power one by one, of the weakest blank one, and of what the supply says nothing of.
        let (mut shown, mut blank, mut besides) = ([0.0; STANCES], [0.0f64; STANCES], [0.0; STANCES]);
        // `None` where there is no nameplate to follow, or what is shown has no sign, or one that other classes give another
        // meaning: what is weighed level by level must not compete with what is weighed together.
        let signed = levels.iter().all(|level| !level.features.from_factor);
        let mut together = signed.then(|| Vec::with_capacity(levels.len()));
        for (level, priors) in levels.iter().zip(priors) {
            let features = level.features;
            let Some(answers) = &level.answers else {
                let of_level = level.ln_pattern[self.class.pattern_index].map(f64::from);
                let sum = if features.blanked { &mut blank } else { &mut besides };
                for (sum, ln) in sum.iter_mut().zip(of_level) {
                    *sum = if features.blanked { sum.min(ln) } else { *sum + ln };
                }
                continue;
            };
            let answer = &answers[story];
            let made = channels(answer, &self.fits[story], answer.strays(usual), places, features, distorted);
            let carrying = ln_carrying(shift, features, context, [false; 3]);
            let total = (!features.tells_channels()).then(|| Made::total(&made, features.weight));
            let of_level = if let Some(total) = &total {
                let totals = Totals::of(total);
                priors.marginals(|lag| density_at(&totals, pattern.registers, features, lag)).map(f64::ln)
            } else {
                level.ln_pattern[self.class.pattern_index].map(|ln| f64::from(ln) - carrying)
            };
            if features.blanked {
                blank.iter_mut().zip(of_level).for_each(|(sum, ln)| *sum = sum.min(carrying + ln));
                continue;
            }
            besides = besides.map(|sum| sum + carrying);
            shown.iter_mut().zip(of_level).for_each(|(sum, ln)| *sum += ln);
            together = together.and_then(|mut told| {
                let stances = priors.stances?;
                let shown = if let Some(total) = total {
                    [Some((Shown::of(features, pattern.registers)?, total)), None, None]
                } else {
                    [0, 1, 2].map(|k| Some((Shown::of_channel(features, k, pattern.registers)?, made[k]?)))
                };
                told.push(Told { shown, stances });
                Some(told)
            });
        }
        if let Some(told) = together {
            let values = told.iter().flat_map(|told| told.shown.iter().flatten()).count();
            let stray = (STRAY * 0.25).ln() * values as f64;
            shown.iter_mut().zip(room.ln_joint(&told)).for_each(|(shown, ln)| *shown = ln.max(stray));
        }
        // A machine's own curve leaves the nameplate's alike at loads near each other, which no stance has; and where levels are
        // weighed one by one, what errs alike at all of them counts anew at each.
        shown = shown.map(|ln| 0.5 * (1.0 + share) * ln);
        std::array::from_fn(|stance| shown[stance] + blank[stance] + besides[stance])
    }
}

/// Unit phasors of the lag's grid.
static LAGS: LazyLock<[Complex64; GRID]> = LazyLock::new(|| std::array::from_fn(|g| polar_deg(1.0, lag_at_deg(g))));

/// Density of the totals for one lag.
fn density_at(made: &Totals, registers: Registers, features: &Features, lag: Complex64) -> f64 {
    let shown = features.total_p.map(|p| Shown::undone(p, features.total_q, registers));
    if let Some(Shown::Both(seen)) = shown {
        return made.density(seen, lag) + STRAY * 0.25;
    }
    let (expected, variance) = match shown {
        Some(Shown::Reactive(_)) => made.reactive(lag),
        _ => made.active(lag),
    };
    let sigma = variance.sqrt();
    if features.blanked {
        let expected = registers.registered(expected, 0.0).0;
        return (1.0 - STRAY) * not_positive(expected, sigma) + STRAY;
    }
    let bell = |seen: f64| fast_gauss((seen - expected) / sigma) / (sigma * std::f64::consts::TAU.sqrt());
    match (shown, features.total_unsigned_pf) {
        (Some(Shown::Active(seen) | Shown::Reactive(seen)), _) => bell(seen) + STRAY * 0.5,
        (_, Some(seen)) => bell(seen) + bell(-seen) + STRAY,
        _ => 1.0,
    }
}
