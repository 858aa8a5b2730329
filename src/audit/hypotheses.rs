//! Every wiring the diagnosis considers, how likely each is before any evidence, and what each would make the
//! channels show.
//!
//! What a channel shows depends only on its shift: the angle it adds to the load's own lag, in steps of 30 degrees.
//! Wirings with the same three shifts are one class: no reading can ever separate them, so evidence is weighed once
//! a class. Must never look at a reading.

use std::sync::LazyLock;

use super::wiring::{CurrentSeen, Wiring};
use crate::reading::Phase;

/// Shift of one channel in steps of 30 degrees (0..12), or [`NOTHING`].
pub type Shift = u8;

/// The channel sees no current.
pub const NOTHING: Shift = 12;

/// Wirings that make the channels show the same thing.
#[derive(Debug, Clone)]
pub struct Class {
    /// Shift per channel, for a supply that rotates ABC.
    pub shift: [Shift; 3],
    /// The voltage channels rotate against the expected rotation.
    pub rotation_reversed: bool,
    /// The load itself has lost a supply conductor.
    pub lost_phase: bool,
    /// The wirings, most likely first.
    pub members: Vec<Member>,
    /// Sum of the members' prior probabilities.
    pub prior: f64,
}

/// A wiring and its prior probability.
#[derive(Debug, Clone, Copy)]
pub struct Member {
    /// The wiring.
    pub wiring: Wiring,
    /// Prior probability.
    pub prior: f64,
}

impl Class {
    /// True when this class registers the load's true power: no channel shifted, none missing but for a lost phase.
    pub fn power_right(&self) -> bool {
        self.lost_phase || self.shift == [0; 3]
    }

    /// Shift of a channel for a supply that rotates ACB: the mirror image.
    pub fn shift_for(&self, channel: usize, mirrored: bool) -> Shift {
        match self.shift[channel] {
            NOTHING => NOTHING,
            shift if mirrored => (12 - shift) % 12,
            shift => shift,
        }
    }
}

/// All classes, built once.
pub static CLASSES: LazyLock<Vec<Class>> = LazyLock::new(build);

/// How often each kind of mistake is met, relative to none. Common practice, no source: an exchange is the commonest
/// slip, a reversed CT next; a wrong place in all three leads at once is rarer, and independent slips multiply.
mod odds {
    /// Two voltage leads exchanged (each of three pairs).
    pub const VOLTAGE_EXCHANGED: f64 = 0.02;
    /// Voltage leads rolled by one place (each of two ways).
    pub const VOLTAGE_ROLLED: f64 = 0.006;
    /// Two CT pairs exchanged (each of three pairs).
    pub const CURRENT_EXCHANGED: f64 = 0.03;
    /// CT pairs rolled by one place (each of two ways).
    pub const CURRENT_ROLLED: f64 = 0.01;
    /// One CT reversed (each of three).
    pub const REVERSED: f64 = 0.03;
    /// All three reversed: one mistake (all mounted facing the load), not three.
    pub const ALL_REVERSED: f64 = 0.02;
    /// One channel without current (each of three).
    pub const NOTHING: f64 = 0.01;
    /// The load has lost a phase (each of three).
    pub const LOST_PHASE: f64 = 0.002;
}

/// Prior probability that none of the wirings considered is true.
pub const UNEXPLAINED_PRIOR: f64 = 1e-3;

const PERMUTATIONS: [[usize; 3]; 6] = [[0, 1, 2], [0, 2, 1], [2, 1, 0], [1, 0, 2], [1, 2, 0], [2, 0, 1]];

/// Angle of a phase in steps of 30 degrees, rotation ABC.
const PHASE_STEP: [i32; 3] = [0, -4, 4];

fn is_odd(permutation: [usize; 3]) -> bool {
    permutation[0] == 0 && permutation[1] == 2 || permutation == [2, 1, 0] || permutation == [1, 0, 2]
}

fn permutation_odds(permutation: [usize; 3], exchanged: f64, rolled: f64) -> f64 {
    if permutation == [0, 1, 2] {
        1.0
    } else if is_odd(permutation) {
        exchanged
    } else {
        rolled
    }
}

/// Shifts of a wiring, channel by channel, for rotation ABC.
pub fn shifts_of(wiring: &Wiring) -> [Shift; 3] {
    [0, 1, 2].map(|k| {
        if let Some(lost) = wiring.lost_phase {
            // With conductor x lost the other two carry one current between them. The phase after x (which lags)
            // then shows 30 degrees less, the phase before x 30 degrees more.
            let CurrentSeen::Conductor { phase, .. } = wiring.current[k] else { return NOTHING };
            return match (phase.index() + 3 - lost.index()) % 3 {
                1 => 11,
                2 => 1,
                _ => NOTHING,
            };
        }
        match wiring.current[k] {
            CurrentSeen::Nothing => NOTHING,
            CurrentSeen::Conductor { phase, reversed } => {
                let step =
                    PHASE_STEP[wiring.voltage[k].index()] - PHASE_STEP[phase.index()] + if reversed { 6 } else { 0 };
                step.rem_euclid(12) as Shift
            }
        }
    })
}

fn build() -> Vec<Class> {
    let mut classes: Vec<Class> = Vec::new();
    let mut total = 0.0;
    let mut add = |wiring: Wiring, rotation_reversed: bool, weight: f64| {
        total += weight;
        let shift = shifts_of(&wiring);
        let lost_phase = wiring.lost_phase.is_some();
        let member = Member { wiring, prior: weight };
        match classes
            .iter_mut()
            .find(|c| c.shift == shift && c.rotation_reversed == rotation_reversed && c.lost_phase == lost_phase)
        {
            Some(class) => {
                class.prior += weight;
                class.members.push(member);
            }
            None => classes.push(Class { shift, rotation_reversed, lost_phase, members: vec![member], prior: weight }),
        }
    };
    for voltage in PERMUTATIONS {
        let voltage_odds = permutation_odds(voltage, odds::VOLTAGE_EXCHANGED, odds::VOLTAGE_ROLLED);
        let voltage_phase = voltage.map(Phase::from_index);
        for current in PERMUTATIONS {
            let current_odds = permutation_odds(current, odds::CURRENT_EXCHANGED, odds::CURRENT_ROLLED);
            for polarity in 0u8..8 {
                let sees = |k: usize| CurrentSeen::Conductor {
                    phase: Phase::from_index(current[k]),
                    reversed: polarity & (1 << k) != 0,
                };
                let reversed = polarity.count_ones();
                let polarity_odds =
                    if reversed == 3 { odds::ALL_REVERSED } else { odds::REVERSED.powi(reversed as i32) };
                let wiring = Wiring { voltage: voltage_phase, current: [sees(0), sees(1), sees(2)], lost_phase: None };
                add(wiring, is_odd(voltage), voltage_odds * current_odds * polarity_odds);
                for missing in 0..3 {
                    // A missing channel has no polarity: count it once.
                    if polarity & (1 << missing) != 0 {
                        continue;
                    }
                    let mut open = wiring;
                    open.current[missing] = CurrentSeen::Nothing;
                    add(
                        open,
                        is_odd(voltage),
                        voltage_odds * current_odds * odds::REVERSED.powi(reversed as i32) * odds::NOTHING,
                    );
                }
            }
        }
    }
    for lost in Phase::ALL {
        let wiring = Wiring { lost_phase: Some(lost), ..Wiring::INTENDED };
        add(wiring, false, odds::LOST_PHASE);
    }
    let scale = (1.0 - UNEXPLAINED_PRIOR) / total;
    for class in &mut classes {
        class.prior *= scale;
        for member in &mut class.members {
            member.prior *= scale;
        }
        class.members.sort_by(|a, b| b.prior.total_cmp(&a.prior));
    }
    classes
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;

    #[test]
    fn priors_sum_to_one_less_the_unexplained() {
        let sum: f64 = CLASSES.iter().map(|c| c.prior).sum();
        assert!((sum + UNEXPLAINED_PRIOR - 1.0).abs() < 1e-12);
        for class in CLASSES.iter() {
            let members: f64 = class.members.iter().map(|m| m.prior).sum();
            assert!((members - class.prior).abs() < 1e-15);
        }
    }

    #[test]
    fn every_wiring_is_there_once() {
        let wirings: Vec<Wiring> = CLASSES.iter().flat_map(|c| c.members.iter().map(|m| m.wiring)).collect();
        let distinct: HashSet<Wiring> = wirings.iter().copied().collect();
        assert_eq!(wirings.len(), distinct.len());
        // 6 voltage orders x (48 whole + 3 x 6 x 4 with one channel missing) + 3 lost phases.
        assert_eq!(wirings.len(), 6 * (48 + 72) + 3);
        assert!(distinct.contains(&Wiring::INTENDED));
    }

    #[test]
    fn intended_wiring_is_the_most_likely() {
        let best = CLASSES.iter().max_by(|a, b| a.prior.total_cmp(&b.prior)).unwrap();
        assert_eq!(best.members[0].wiring, Wiring::INTENDED);
        assert!(best.power_right());
    }

    /// With voltage leads as intended, the 48 relative wirings fall in 48 classes: nothing is lost by classes.
    #[test]
    fn the_48_relative_wirings_have_48_different_shifts() {
        let shifts: HashSet<[Shift; 3]> = CLASSES
            .iter()
            .flat_map(|c| c.members.iter())
            .filter(|m| m.wiring.voltage == Phase::ALL && m.wiring.lost_phase.is_none())
            .filter(|m| !m.wiring.current.contains(&CurrentSeen::Nothing))
            .map(|m| shifts_of(&m.wiring))
            .collect();
        assert_eq!(shifts.len(), 48);
    }

    /// Design section 3: reversal adds 180, an exchange moves its two channels by +120 and -120, the third by none.
    #[test]
    fn shifts_follow_the_design() {
        let mut reversed = Wiring::INTENDED;
        reversed.current[1] = CurrentSeen::Conductor { phase: Phase::B, reversed: true };
        assert_eq!(shifts_of(&reversed), [0, 6, 0]);
        let mut exchanged = Wiring::INTENDED;
        exchanged.current[1] = CurrentSeen::Conductor { phase: Phase::C, reversed: false };
        exchanged.current[2] = CurrentSeen::Conductor { phase: Phase::B, reversed: false };
        assert_eq!(shifts_of(&exchanged), [0, 4, 8]);
        let voltage = Wiring { voltage: [Phase::A, Phase::C, Phase::B], ..Wiring::INTENDED };
        assert_eq!(shifts_of(&voltage), [0, 8, 4]);
        let together = Wiring { voltage: [Phase::A, Phase::C, Phase::B], ..exchanged };
        assert_eq!(shifts_of(&together), [0, 0, 0]);
    }
}
