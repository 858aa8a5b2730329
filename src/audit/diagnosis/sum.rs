//! What all load levels of one circuit tell together: a log-likelihood by class, and what follows for those who ask.
//!
//! Must never add a prior into the sums: one is used only to leave out what is out of the question.

use super::level::Heard;
use crate::audit::context::CircuitContext;
use crate::audit::crossing::Crossing;
use crate::audit::hypotheses::{Class, UNEXPLAINED_PRIOR, VOLTAGE_STATES, classes, shared_odds};
use crate::audit::joint::{self, Alternatives};
use crate::audit::load::{self, STANCES};
use crate::audit::shared::{MEANINGS, Opinion};
use crate::audit::unbalance;
use crate::audit::wiring::{Gain, Registers};

/// Steps of load level (20 % of current each) from which two levels are witnesses of their own.
const LEVELS_APART: f64 = 3.0;
/// A class further than this below the leading one (natural logarithm) is not looked at for what an uneven supply tells.
const IN_QUESTION: f64 = 11.0;

/// Log-likelihoods summed over all windows.
#[derive(Debug, Clone, Default)]
pub struct Sum {
    /// By class.
    pub ln_class: Vec<f64>,
    /// The part of each that an uneven supply tells.
    pub by_unbalance: Vec<f64>,
    /// Of "none of these".
    pub ln_unexplained: f64,
}

impl Sum {
    /// Adds up the windows, stance by stance: a load keeps its stance to its nameplate from level to level. A blank says P <= 0
    /// and no more. Where P is near zero the unbalance decides, and that is the same at every load level, so blanks at several
    /// levels are one piece of evidence: the weakest of them counts.
    pub fn of(levels: &[Heard], foreign: [bool; 3], context: &CircuitContext) -> Sum {
        let known = classes(context.service);
        let mut by_pattern = vec![[0.0f64; STANCES]; known.patterns.len()];
        let mut blank: Option<Vec<[f64; STANCES]>> = None;
        let (mut ln_unexplained, mut blank_unexplained) = (0.0, 0.0f64);
        for Heard { at, told, .. } in levels {
            let likelihood = &told.likelihood;
            let blanked = at.blanked;
            if blanked {
                blank_unexplained = blank_unexplained.min(likelihood.ln_unexplained);
            } else {
                ln_unexplained += likelihood.ln_unexplained;
            }
            let sums = if blanked {
                blank.get_or_insert_with(|| vec![[0.0; STANCES]; known.patterns.len()])
            } else {
                &mut by_pattern
            };
            for (sums, of_window) in sums.iter_mut().zip(&likelihood.ln_pattern) {
                for (sum, ln) in sums.iter_mut().zip(of_window) {
                    let ln = f64::from(*ln);
                    *sum = if blanked { sum.min(ln) } else { *sum + ln };
                }
            }
        }
        for (sums, of_blank) in by_pattern.iter_mut().zip(blank.iter().flatten()) {
            sums.iter_mut().zip(of_blank).for_each(|(sum, ln)| *sum += ln);
        }
        let share = independent_share(levels);
        by_pattern.iter_mut().flatten().for_each(|sum| *sum *= share);
        ln_unexplained *= share;
        let usual = ln_current(levels, Gain::AsRated, context);
        let of_pattern: Vec<f64> = by_pattern
            .iter()
            .zip(&known.patterns)
            .map(|(sums, pattern)| {
                let fits = match pattern.common_gain {
                    Gain::AsRated => 0.0,
                    gain => ln_current(levels, gain, context) - usual,
                };
                load::ln_over_stances(sums) + fits
            })
            .collect();
        let mut sum = Sum {
            ln_class: known.all.iter().map(|class| of_pattern[class.pattern_index]).collect(),
            by_unbalance: Vec::new(),
            ln_unexplained: ln_unexplained + blank_unexplained,
        };
        if foreign == [false; 3] && levels.iter().any(|level| level.told.answers.is_some()) {
            sum.weigh_unbalance(levels, &by_pattern, share, context);
        }
        sum
    }

    /// Weighs what an uneven supply tells of the classes that are still in question: `by_pattern` is what is known without.
    fn weigh_unbalance(
        &mut self,
        levels: &[Heard],
        by_pattern: &[[f64; STANCES]],
        share: f64,
        context: &CircuitContext,
    ) {
        let known = &classes(context.service).all;
        let posterior = |c: usize| self.ln_class[c] + known[c].prior.ln();
        let peak = (0..known.len()).map(posterior).fold(f64::NEG_INFINITY, f64::max);
        let open: Vec<usize> = (0..known.len()).filter(|c| posterior(*c) > peak - IN_QUESTION).collect();
        let classes_open: Vec<&Class> = open.iter().map(|c| &known[*c]).collect();
        let levels: Vec<unbalance::Seen> = (levels.iter())
            .map(|Heard { at, told, .. }| unbalance::Seen {
                features: at,
                answers: told.answers,
                ln_pattern: &told.likelihood.ln_pattern,
            })
            .collect();
        self.by_unbalance = vec![0.0; known.len()];
        for (c, told) in open.into_iter().zip(unbalance::weigh(&levels, &classes_open, by_pattern, share, context)) {
            self.by_unbalance[c] = told;
            self.ln_class[c] += told;
        }
    }

    /// The likeliest of all.
    fn peak(&self) -> f64 {
        self.ln_class.iter().copied().fold(self.ln_unexplained, f64::max)
    }

    /// What these levels say of what the circuit shares with others.
    pub fn opinion(&self, context: &CircuitContext) -> Opinion {
        let known = &classes(context.service).all;
        let peak = self.peak();
        let unexplained = UNEXPLAINED_PRIOR * (self.ln_unexplained - peak).exp();
        let mut mass = [[0.0; MEANINGS]; VOLTAGE_STATES];
        for (class, ln) in known.iter().zip(&self.ln_class) {
            let likelihood = (ln - peak).exp();
            if likelihood > 0.0 {
                for (by_meaning, prior) in mass.iter_mut().zip(class.prior_by_voltage) {
                    by_meaning[class.pattern.registers.index()] += prior * likelihood;
                }
            }
        }
        Opinion::from_weights(|voltage, meaning| {
            mass[voltage][meaning] / shared_odds(voltage, Registers::ALL[meaning]) + unexplained
        })
    }

    /// What this circuit may be under a state of what is shared, for the joint ranking.
    pub fn alternatives(
        &self,
        voltage: usize,
        registers: Registers,
        crossing: &Crossing,
        context: &CircuitContext,
    ) -> Alternatives {
        let known = &classes(context.service).all;
        let peak = self.peak();
        let odds = shared_odds(voltage, registers);
        let mut alternatives: Alternatives = vec![(None, UNEXPLAINED_PRIOR * (self.ln_unexplained - peak).exp())];
        for (class, ln) in known.iter().zip(&self.ln_class) {
            let likelihood = (ln - peak).exp();
            if likelihood > 0.0 && class.pattern.registers == registers && class.prior_by_voltage[voltage] > 0.0 {
                let members = class.members.iter().filter(|m| m.voltage == voltage);
                alternatives.extend(members.map(|m| (Some(crossing.told(m.wiring)), m.prior / odds * likelihood)));
            }
        }
        let total: f64 = alternatives.iter().map(|(_, p)| p).sum();
        for (_, p) in &mut alternatives {
            *p /= total;
        }
        joint::sorted(alternatives)
    }
}

/// Share of the load levels' evidence that is independent. The unbalance of supply and load, which blurs every angle, is
/// nearly the same at levels near each other: such levels tell hardly more than one of them. Where only a total is known it
/// blurs all levels alike.
fn independent_share(levels: &[Heard]) -> f64 {
    let told = || levels.iter().filter(|level| !level.at.blanked);
    let steps = || told().map(|level| level.window.level);
    let (Some(low), Some(high)) = (steps().min(), steps().max()) else { return 1.0 };
    let count = told().count() as f64;
    let apart = f64::from(high - low) / LEVELS_APART;
    let each = if told().any(|level| level.at.tells_channels()) { 0.8 } else { 0.5 };
    (1.0 + each * apart.min(count - 1.0)) / count
}

/// How well the currents seen fit the nameplate if all of them are shown at this ratio: the least fitting level counts,
/// because one wrong ratio makes them all wrong.
fn ln_current(levels: &[Heard], gain: Gain, context: &CircuitContext) -> f64 {
    let factor = gain.factor().unwrap_or(1.0);
    let running = levels.iter().filter(|level| !level.at.starting);
    running.map(|level| load::current_weight(context, level.at.mean_current_a / factor).ln()).fold(0.0, f64::min)
}
