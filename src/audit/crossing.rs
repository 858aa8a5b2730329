//! Which channels see another pump: their current comes and goes with that pump, not with their own.
//!
//! Evidence is counted once a spell in which the same pumps run, not once a reading: a thousand readings of one state tell no
//! more than a few. Constant memory. Must never look at power.

use serde::{Deserialize, Serialize};

use super::run_state::Company;
use super::wiring::{CurrentSeen, Wiring};
use crate::reading::Phase;

/// Readings a spell must last before it counts: meters and pumps take a moment to settle.
const SPELL_READINGS: u32 = 3;
/// Natural log-odds one spell adds for or against: a wrong impression in one of fifty spells.
const LN_SPELL: f64 = 3.9;
/// Natural log-odds, before any evidence, that a given channel is on a given other pump. Common practice, no source: about one
/// pair in two hundred.
const LN_PRIOR: f64 = -5.3;
/// Enough of either side; more would only make a later change slow to be seen.
const ENOUGH: i32 = 6;
/// Probability from which a channel is taken to see another pump.
const TAKEN: f64 = 0.5;

/// What is known of one circuit's channels that see other circuits.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Crossing {
    slots: [Option<usize>; 3],
    probability: f64,
}

impl Crossing {
    /// No channel does.
    pub const NONE: Crossing = Crossing { slots: [None; 3], probability: 1.0 };

    /// Channels that see another circuit.
    pub fn foreign(&self) -> [bool; 3] {
        self.slots.map(|slot| slot.is_some())
    }

    /// Slot of the circuit each such channel sees.
    pub fn slots(&self) -> [Option<usize>; 3] {
        self.slots
    }

    /// A wiring with the channels that see another circuit told as such.
    pub fn told(&self, mut wiring: Wiring) -> Wiring {
        for (k, slot) in self.slots.into_iter().enumerate() {
            if let Some(slot) = slot {
                let (phase, reversed) = wiring.current[k].shows().unwrap_or((Phase::from_index(k), false));
                wiring.current[k] = CurrentSeen::OtherCircuit { slot, phase, reversed };
            }
        }
        wiring
    }

    /// Probability of this, given what was seen of who runs when; 1 when no channel does.
    pub fn probability(&self) -> f64 {
        self.probability
    }
}

/// Follows who runs when on one monitor.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct CrossingTracker {
    /// By circuit and channel, then by other circuit: spells for less spells against, and whether it was seen alive while its
    /// own pump stood.
    counts: Vec<[Vec<Count>; 3]>,
    spell: Vec<Company>,
    readings: u32,
}

#[derive(Debug, Clone, Copy, Default, Serialize, Deserialize)]
struct Count {
    balance: i32,
    alive_alone: bool,
}

impl CrossingTracker {
    /// Takes what one reading shows of every circuit of the monitor, in their order. `None` where it is not known.
    pub fn observe(&mut self, company: &[Option<Company>]) {
        let circuits = company.len();
        if circuits < 2 {
            return;
        }
        let Some(company) = company.iter().copied().collect::<Option<Vec<Company>>>() else {
            self.readings = 0;
            return;
        };
        if self.counts.len() != circuits {
            self.counts = vec![[0, 1, 2].map(|_| vec![Count::default(); circuits]); circuits];
        }
        if company != self.spell {
            self.spell = company;
            self.readings = 0;
        }
        self.readings += 1;
        if self.readings == SPELL_READINGS {
            self.count();
        }
    }

    fn count(&mut self) {
        for (own, counts) in self.counts.iter_mut().enumerate() {
            for (k, counts) in counts.iter_mut().enumerate() {
                let alive = self.spell[own].alive[k];
                for (other, count) in counts.iter_mut().enumerate() {
                    if self.spell[own].runs == self.spell[other].runs {
                        continue;
                    }
                    let goes_with_other = alive == self.spell[other].runs;
                    count.balance = (count.balance + if goes_with_other { 1 } else { -1 }).clamp(-ENOUGH, ENOUGH);
                    count.alive_alone |= goes_with_other && alive;
                }
            }
        }
    }

    /// What is known by now of circuit `own`, whose circuits have these slots.
    pub fn crossing(&self, own: usize, slots: &[usize]) -> Crossing {
        let mut crossing = Crossing::NONE;
        let Some(counts) = self.counts.get(own) else { return crossing };
        for (k, counts) in counts.iter().enumerate() {
            // A channel that is dead while its pump runs may be open as well: only life of its own says it sees another.
            let best = counts.iter().enumerate().filter(|(_, c)| c.alive_alone).max_by_key(|(_, c)| c.balance);
            let Some((other, count)) = best else { continue };
            let rivals =
                counts.iter().enumerate().filter(|(o, c)| *o != other && c.alive_alone && c.balance == count.balance);
            let odds = (LN_PRIOR + LN_SPELL * f64::from(count.balance)).exp();
            let probability = odds / (1.0 + odds) / (1.0 + rivals.count() as f64);
            if probability > TAKEN {
                crossing.slots[k] = slots.get(other).copied();
                crossing.probability *= probability;
            }
        }
        crossing
    }

    /// Forgets everything: the wiring has changed.
    pub fn forget(&mut self) {
        *self = CrossingTracker::default();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn company(runs: bool, alive: [bool; 3]) -> Company {
        Company { runs, alive }
    }

    /// Plays spells of (pump 1 runs, pump 2 runs) with channel 2 of both pumps crossed, or not.
    fn played(spells: &[(bool, bool)], crossed: bool) -> CrossingTracker {
        let mut tracker = CrossingTracker::default();
        for &(one, two) in spells {
            for _ in 0..5 {
                let middle = |own: bool, other: bool| if crossed { other } else { own };
                tracker.observe(
                    &[company(one, [one, middle(one, two), one]), company(two, [two, middle(two, one), two])].map(Some),
                );
            }
        }
        tracker
    }

    #[test]
    fn a_crossed_pair_is_found_once_each_pump_has_run_alone() {
        let tracker = played(&[(true, false), (false, true), (true, false)], true);
        let first = tracker.crossing(0, &[0, 1]);
        assert_eq!(first.slots(), [None, Some(1), None]);
        assert!(first.probability() > 0.99, "{first:?}");
        assert_eq!(tracker.crossing(1, &[0, 1]).slots(), [None, Some(0), None]);
    }

    #[test]
    fn sound_leads_and_pumps_that_always_run_together_show_nothing() {
        assert_eq!(played(&[(true, false), (false, true), (true, true)], false).crossing(0, &[0, 1]), Crossing::NONE);
        assert_eq!(played(&[(true, true), (false, false), (true, true)], true).crossing(0, &[0, 1]), Crossing::NONE);
    }

    /// An open CT is dead when its pump runs, but it never lives by another.
    #[test]
    fn an_open_ct_is_not_a_crossing() {
        let mut tracker = CrossingTracker::default();
        for (one, two) in [(true, false), (false, true), (true, false), (false, true)] {
            for _ in 0..4 {
                tracker.observe(&[company(one, [one, false, one]), company(two, [two; 3])].map(Some));
            }
        }
        assert_eq!(tracker.crossing(0, &[0, 1]), Crossing::NONE);
    }

    #[test]
    fn many_readings_of_one_spell_count_once() {
        let mut tracker = CrossingTracker::default();
        for _ in 0..1000 {
            tracker.observe(&[company(false, [false, true, false]), company(true, [true; 3])].map(Some));
        }
        assert_eq!(tracker.crossing(0, &[0, 1]), Crossing::NONE);
    }
}
