//! Lists the wirings of a service: every order and polarity, and the rarer mistakes alone or beside one other.

use std::collections::{HashMap, HashSet};

use super::odds::{self, PERMUTATIONS};
use super::{
    Class, Classes, Member, NOTHING, Pattern, ROTATES_BACK, UNEXPLAINED_PRIOR, VOLTAGE_STATES, power_right, shifts_of,
};
use crate::audit::context::ServiceKind;
use crate::audit::wiring::{CurrentSeen, Gain, Registers, Wiring};
use crate::reading::Phase;

struct Builder {
    service: ServiceKind,
    classes: Vec<Class>,
    patterns: Vec<Pattern>,
    /// Classes by what they show and whether the rotation is reversed.
    by_key: HashMap<(Pattern, bool), usize>,
    seen: HashSet<Wiring>,
}

pub(super) fn build(service: ServiceKind) -> Classes {
    let mut builder =
        Builder { service, classes: Vec::new(), patterns: Vec::new(), by_key: HashMap::new(), seen: HashSet::new() };
    let orders: &[usize] = match service {
        // With two leads there is one exchange; with one there is none.
        ServiceKind::SplitPhase => &[0, 3],
        ServiceKind::SinglePhase => &[0],
        _ => &[0, 1, 2, 3, 4, 5],
    };
    for &voltage in orders {
        builder.orders_and_polarities(voltage, orders);
        builder.rarer_places(voltage);
    }
    builder.whole_circuit();
    builder.registers(orders);
    builder.finish()
}

impl Builder {
    fn add(&mut self, wiring: Wiring, voltage: usize, weight: f64) {
        if weight <= 0.0 || !self.seen.insert(wiring) {
            return;
        }
        let rotation_reversed = voltage == ROTATES_BACK || odds::is_odd(PERMUTATIONS[voltage]);
        let pattern = Pattern {
            shift: shifts_of(&wiring, self.service),
            lost_phase: wiring.lost_phase.is_some(),
            registers: wiring.registers,
            common_gain: if wiring.gain[0] == wiring.gain[1] { wiring.gain[0] } else { Gain::AsRated },
        };
        let (classes, patterns) = (&mut self.classes, &mut self.patterns);
        let index = *self.by_key.entry((pattern, rotation_reversed)).or_insert_with(|| {
            let pattern_index = patterns.iter().position(|p| *p == pattern).unwrap_or_else(|| {
                patterns.push(pattern);
                patterns.len() - 1
            });
            classes.push(Class {
                pattern,
                pattern_index,
                rotation_reversed,
                power_right: power_right(&wiring, self.service),
                members: Vec::new(),
                prior: 0.0,
                prior_by_voltage: [0.0; VOLTAGE_STATES],
            });
            classes.len() - 1
        });
        self.classes[index].members.push(Member { wiring, voltage, prior: weight });
    }

    fn intended(&self, voltage: usize) -> Wiring {
        Wiring { voltage: PERMUTATIONS[voltage].map(Phase::from_index), ..self.service.intended() }
    }

    /// Every order of the CTs with every polarity, and the same with one channel giving nothing.
    fn orders_and_polarities(&mut self, voltage: usize, orders: &[usize]) {
        let used = self.service.channels();
        let base = self.intended(voltage);
        for &order in orders {
            let order_odds = odds::voltage(voltage) * odds::current(PERMUTATIONS[order]);
            for polarity in 0u8..(1 << used.len()) {
                let mut wiring = base;
                for (bit, &k) in used.iter().enumerate() {
                    let phase = Phase::from_index(PERMUTATIONS[order][k]);
                    wiring.current[k] = CurrentSeen::Conductor { phase, reversed: polarity & (1 << bit) != 0 };
                }
                let reversed = polarity.count_ones();
                let each = odds::REVERSED.powi(reversed as i32);
                let all = reversed as usize == used.len() && reversed > 1;
                self.add(wiring, voltage, order_odds * if all { odds::ALL_REVERSED } else { each });
                for (bit, &missing) in used.iter().enumerate() {
                    // A missing channel has no polarity: count it once. With no channel left there is nothing to weigh.
                    if polarity & (1 << bit) == 0 && used.len() > 1 {
                        let mut open = wiring;
                        open.current[missing] = CurrentSeen::Nothing;
                        self.add(open, voltage, order_odds * each * odds::NOTHING);
                    }
                }
            }
        }
    }

    /// CTs at places that are no order of the conductors, and two channels giving nothing.
    fn rarer_places(&mut self, voltage: usize) {
        let service = self.service;
        let used = service.channels();
        let base = self.intended(voltage);
        let leads = odds::voltage(voltage);
        let mut place = |k: usize, seen: CurrentSeen, weight: f64| {
            let mut wiring = base;
            wiring.current[k] = seen;
            self.add(wiring, voltage, leads * weight);
        };
        for &k in used {
            for &phase in service.phases() {
                for (reversed, turned) in [(false, 1.0), (true, odds::REVERSED)] {
                    if phase != Phase::ALL[k] {
                        place(k, CurrentSeen::Conductor { phase, reversed }, turned * odds::SAME_CONDUCTOR);
                    }
                    if service.three_phase() {
                        place(k, CurrentSeen::AllBut { phase, reversed }, turned * odds::TWO_CONDUCTORS);
                    }
                }
            }
        }
        if used.len() == 3 {
            for left in 0..3 {
                for (reversed, turned) in [(false, 1.0), (true, odds::REVERSED)] {
                    let mut wiring = base;
                    for k in (0..3).filter(|k| *k != left) {
                        wiring.current[k] = CurrentSeen::Nothing;
                    }
                    wiring.current[left] = CurrentSeen::Conductor { phase: Phase::ALL[left], reversed };
                    self.add(wiring, voltage, leads * turned * odds::NOTHING * odds::NOTHING);
                }
            }
        }
    }

    /// What befalls the whole circuit: a supply phase lost, the supply turned round, one wrong ratio on all CTs.
    fn whole_circuit(&mut self) {
        let intended = self.service.intended();
        if self.service.three_phase() {
            for lost in Phase::ALL {
                self.add(Wiring { lost_phase: Some(lost), ..intended }, 0, odds::LOST_PHASE);
            }
            let back = Wiring { supply_rotates_back: true, ..intended };
            self.add(back, ROTATES_BACK, odds::voltage(ROTATES_BACK));
        }
        for (gain, weight) in odds::COMMON_GAINS {
            self.add(Wiring { gain: [gain; 3], ..intended }, 0, weight);
        }
    }

    /// Registers that mean something else than the map says, alone and beside one mistake of the leads.
    fn registers(&mut self, orders: &[usize]) {
        for registers in Registers::ALL.into_iter().skip(1) {
            let weight = odds::registers(registers);
            let used = self.service.channels();
            for &order in orders.iter().filter(|order| **order < 4) {
                let voltage = Wiring { registers, ..self.intended(order) };
                self.add(voltage, order, weight * odds::voltage(order));
                let mut exchanged = Wiring { registers, ..self.intended(0) };
                for &k in used {
                    let phase = Phase::from_index(PERMUTATIONS[order][k]);
                    exchanged.current[k] = CurrentSeen::Conductor { phase, reversed: false };
                }
                self.add(exchanged, 0, weight * odds::current(PERMUTATIONS[order]));
            }
            let intended = Wiring { registers, ..self.intended(0) };
            let turn = |wiring: &mut Wiring, k: usize| {
                wiring.current[k] = CurrentSeen::Conductor { phase: Phase::ALL[k], reversed: true };
            };
            for &k in used {
                let mut reversed = intended;
                turn(&mut reversed, k);
                self.add(reversed, 0, weight * odds::REVERSED);
                if used.len() > 1 {
                    let mut open = intended;
                    open.current[k] = CurrentSeen::Nothing;
                    self.add(open, 0, weight * odds::NOTHING);
                }
            }
            let mut all = intended;
            for &k in used {
                turn(&mut all, k);
            }
            self.add(all, 0, weight * odds::ALL_REVERSED);
        }
    }

    fn finish(self) -> Classes {
        let mut all = self.classes;
        let total: f64 = all.iter().flat_map(|c| &c.members).map(|m| m.prior).sum();
        let scale = (1.0 - UNEXPLAINED_PRIOR) / total;
        for class in &mut all {
            for member in &mut class.members {
                member.prior *= scale;
                class.prior += member.prior;
                class.prior_by_voltage[member.voltage] += member.prior;
            }
            class.members.sort_by(|a, b| b.prior.total_cmp(&a.prior));
        }
        let intended = self.service.intended();
        let index = all.iter().position(|c| c.members[0].wiring == intended).unwrap_or(0);
        let mut shifts_in_use: Vec<u8> = all.iter().flat_map(|c| c.pattern.shift).filter(|s| *s != NOTHING).collect();
        // A supply that rotates ACB shows the mirror images.
        shifts_in_use.extend(shifts_in_use.clone().iter().map(|s| (12 - s) % 12));
        shifts_in_use.sort_unstable();
        shifts_in_use.dedup();
        Classes { patterns: self.patterns, all, intended: index, shifts_in_use }
    }
}
