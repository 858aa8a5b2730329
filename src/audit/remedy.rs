//! From a wiring as diagnosed to the moves that make it the intended one, least effort first.
//!
//! A remedy is only ever shown after the forward model has applied it to the diagnosed wiring and got the intended one.
//! CT leads are moved as pairs (X1 and X2). A move has no words here: people are shown a [`super::procedure::Procedure`], which
//! has all the steps around it. Must never be shown without the [`cautions`](super::cautions) before it.

use super::wiring::{CurrentSeen, Gain, Registers, Wiring};
use crate::reading::Phase;

/// One move of the repair. Channels are 0-based.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Move {
    /// Correct in the map what the registers mean.
    CorrectMap(Registers),
    /// Swap the voltage leads on two terminals.
    SwapVoltageLeads(usize, usize),
    /// Swap the CT leads on two channels, X1 with X1 and X2 with X2.
    SwapCtLeads(usize, usize),
    /// Reverse the CT leads of one channel (swap X1 and X2), or turn the CT on its conductor.
    ReverseCtLeads(usize),
    /// Restore a CT that reads zero: open, shorting link left in, lead off.
    RestoreCurrent(usize),
    /// Put the channel's CT around this conductor alone.
    Relocate(usize, Phase),
    /// Bring the leads of the channel's own CT back from the circuit in this slot of the monitor.
    BringBack(usize, usize),
    /// Find why the channel shows another share of its current than it was told.
    CorrectRatio(usize, Gain),
    /// The same for all channels of the circuit.
    CorrectRatios(Gain),
    /// Find the loose connection of a CT: as dangerous as an open one.
    Tighten(usize),
    /// Look which way the supply rotates, and correct the configuration when the pump turns right.
    ConfirmRotation,
}

impl Move {
    /// The wiring after this move.
    #[must_use]
    pub fn applied(self, wiring: &Wiring) -> Wiring {
        let mut after = *wiring;
        match self {
            Move::CorrectMap(_) => after.registers = Registers::AsDeclared,
            Move::SwapVoltageLeads(i, j) => after.voltage.swap(i, j),
            Move::SwapCtLeads(i, j) => {
                after.current.swap(i, j);
                after.gain.swap(i, j);
            }
            Move::ReverseCtLeads(k) => {
                if let CurrentSeen::Conductor { reversed, .. } = &mut after.current[k] {
                    *reversed = !*reversed;
                }
            }
            Move::RestoreCurrent(k) => {
                // The CT that gives nothing is on a conductor that no other channel sees: its own, if that is one.
                let own = Phase::ALL[k];
                let unseen = unseen(wiring);
                if let Some(phase) = unseen.iter().find(|p| **p == own).or(unseen.first()) {
                    after.current[k] = CurrentSeen::Conductor { phase: *phase, reversed: false };
                }
            }
            Move::Relocate(k, phase) => {
                let reversed = match wiring.current[k] {
                    CurrentSeen::Conductor { reversed, .. } | CurrentSeen::AllBut { reversed, .. } => reversed,
                    _ => false,
                };
                after.current[k] = CurrentSeen::Conductor { phase, reversed };
            }
            Move::BringBack(k, _) => {
                if let CurrentSeen::OtherCircuit { phase, reversed, .. } = wiring.current[k] {
                    let free = unseen(wiring);
                    let phase = free.iter().find(|p| **p == phase).or(free.first()).copied().unwrap_or(phase);
                    after.current[k] = CurrentSeen::Conductor { phase, reversed };
                }
            }
            Move::CorrectRatio(k, _) | Move::Tighten(k) => after.gain[k] = Gain::AsRated,
            Move::CorrectRatios(_) => after.gain = [Gain::AsRated; 3],
            Move::ConfirmRotation => after.supply_rotates_back = false,
        }
        after
    }

    /// Terminals touched: what least effort means.
    fn effort(self) -> u32 {
        match self {
            Move::CorrectMap(_) | Move::ConfirmRotation => 1,
            Move::ReverseCtLeads(_) => 2,
            Move::SwapVoltageLeads(..) => 3,
            Move::SwapCtLeads(..) => 4,
            Move::RestoreCurrent(_) | Move::Tighten(_) | Move::BringBack(..) => 6,
            Move::CorrectRatio(..) | Move::CorrectRatios(_) => 8,
            Move::Relocate(..) => 10,
        }
    }

    /// Channels it touches, from 0.
    pub fn channels(self) -> Vec<usize> {
        match self {
            Move::SwapVoltageLeads(i, j) | Move::SwapCtLeads(i, j) => vec![i, j],
            Move::ReverseCtLeads(k)
            | Move::RestoreCurrent(k)
            | Move::Relocate(k, _)
            | Move::BringBack(k, _)
            | Move::CorrectRatio(k, _)
            | Move::Tighten(k) => vec![k],
            Move::CorrectRatios(_) => vec![0, 1, 2],
            Move::CorrectMap(_) | Move::ConfirmRotation => Vec::new(),
        }
    }
}

const PAIRS: [(usize, usize); 3] = [(0, 1), (1, 2), (0, 2)];

/// Conductors that no channel sees alone.
fn unseen(wiring: &Wiring) -> Vec<Phase> {
    Phase::ALL.into_iter().filter(|p| wiring.channel_of(*p).is_none()).collect()
}

/// What comes before any swap: registers, ratios, and every channel back on one conductor of its own circuit.
fn restored(wiring: &Wiring) -> (Vec<Move>, Wiring) {
    let mut moves = Vec::new();
    let mut after = *wiring;
    let mut make = |step: Move, after: &mut Wiring| {
        *after = step.applied(after);
        moves.push(step);
    };
    if wiring.supply_rotates_back {
        make(Move::ConfirmRotation, &mut after);
    }
    if wiring.registers != Registers::AsDeclared {
        make(Move::CorrectMap(wiring.registers), &mut after);
    }
    if wiring.gain[0] == wiring.gain[1] && wiring.gain[1] == wiring.gain[2] && !wiring.ratios_right() {
        make(Move::CorrectRatios(wiring.gain[0]), &mut after);
    }
    for k in 0..3 {
        match after.gain[k] {
            Gain::AsRated => {}
            Gain::Unsteady => make(Move::Tighten(k), &mut after),
            gain @ Gain::Times(..) => make(Move::CorrectRatio(k, gain), &mut after),
        }
    }
    for k in 0..3 {
        match after.current[k] {
            CurrentSeen::Nothing => make(Move::RestoreCurrent(k), &mut after),
            CurrentSeen::OtherCircuit { slot, .. } => make(Move::BringBack(k, slot), &mut after),
            _ => {}
        }
    }
    let used: Vec<Phase> =
        (0..3).filter(|k| wiring.current[*k] != CurrentSeen::Unused).map(Phase::from_index).collect();
    for k in 0..3 {
        let misplaced = match after.current[k] {
            CurrentSeen::AllBut { .. } => true,
            // On a conductor that has no CT, or, not on its own, on one that another channel sees as well.
            CurrentSeen::Conductor { phase, .. } => {
                let shared = (0..3).any(|j| j != k && after.current[j].shows().is_some_and(|(p, _)| p == phase));
                !used.contains(&phase) || shared && phase != Phase::ALL[k]
            }
            _ => false,
        };
        if misplaced {
            let free: Vec<Phase> = unseen(&after).into_iter().filter(|p| used.contains(p)).collect();
            let own = Phase::ALL[k];
            if let Some(phase) = free.iter().find(|p| **p == own).or(free.first()) {
                make(Move::Relocate(k, *phase), &mut after);
            }
        }
    }
    (moves, after)
}

/// Orders of at most two swaps: enough to put three things in order.
fn swaps() -> impl Iterator<Item = Vec<(usize, usize)>> {
    let none = std::iter::once(Vec::new());
    let one = PAIRS.iter().map(|p| vec![*p]);
    let two = PAIRS.iter().flat_map(|p| PAIRS.iter().filter(move |q| *q != p).map(move |q| vec![*p, *q]));
    none.chain(one).chain(two)
}

/// The least-effort way among all orders of swaps that makes the wiring the intended one; CT leads are reversed where they end
/// reversed.
fn cheapest(wiring: &Wiring) -> Option<Vec<Move>> {
    let (start, restored) = restored(wiring);
    let mut best: Option<(u32, Vec<Move>)> = None;
    for voltage in swaps() {
        for current in swaps() {
            let mut moves = start.clone();
            moves.extend(voltage.iter().map(|(i, j)| Move::SwapVoltageLeads(*i, *j)));
            moves.extend(current.iter().map(|(i, j)| Move::SwapCtLeads(*i, *j)));
            let after = moves.iter().skip(start.len()).fold(restored, |w, m| m.applied(&w));
            moves.extend((0..3).filter(|k| is_reversed(&after, *k)).map(Move::ReverseCtLeads));
            let effort = moves.iter().map(|m| m.effort()).sum();
            let right = moves.iter().fold(*wiring, |w, m| m.applied(&w)) == wiring.intended();
            if right && best.as_ref().is_none_or(|(least, _)| effort < *least) {
                best = Some((effort, moves));
            }
        }
    }
    best.map(|(_, moves)| moves)
}

fn is_reversed(wiring: &Wiring, k: usize) -> bool {
    matches!(wiring.current[k], CurrentSeen::Conductor { reversed: true, .. })
}

/// The least-effort moves that turn `wiring` into one that registers power right with every channel on its own phase.
/// Empty when nothing needs doing; `None` for what no lead can mend (a lost supply phase).
pub fn remedy(wiring: &Wiring) -> Option<Vec<Move>> {
    if wiring.lost_phase.is_some() {
        return None;
    }
    cheapest(wiring)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::context::ServiceKind;
    use crate::audit::hypotheses::classes;

    #[test]
    fn every_wiring_considered_has_a_remedy_that_the_forward_model_confirms() {
        for service in ServiceKind::ALL {
            for member in classes(service).all.iter().flat_map(|c| &c.members) {
                match remedy(&member.wiring) {
                    None => assert!(member.wiring.lost_phase.is_some(), "{service:?} {:?}", member.wiring),
                    Some(moves) => {
                        let after = moves.iter().fold(member.wiring, |w, m| m.applied(&w));
                        assert_eq!(after, service.intended());
                        assert!(moves.len() <= 8);
                    }
                }
            }
        }
    }

    #[test]
    fn a_ct_on_another_pump_is_brought_back() {
        let mut crossed = Wiring::INTENDED;
        crossed.current[1] = CurrentSeen::OtherCircuit { slot: 1, phase: Phase::B, reversed: false };
        assert_eq!(remedy(&crossed), Some(vec![Move::BringBack(1, 1)]));
        let halved = Wiring { gain: [Gain::AsRated, Gain::Times(1, 2), Gain::AsRated], ..Wiring::INTENDED };
        assert_eq!(remedy(&halved), Some(vec![Move::CorrectRatio(1, Gain::Times(1, 2))]));
    }

    #[test]
    fn simple_mistakes_take_one_move() {
        assert_eq!(remedy(&Wiring::INTENDED), Some(vec![]));
        let mut reversed = Wiring::INTENDED;
        reversed.current[1] = CurrentSeen::Conductor { phase: Phase::B, reversed: true };
        assert_eq!(remedy(&reversed), Some(vec![Move::ReverseCtLeads(1)]));
        let mut swapped = Wiring::INTENDED;
        swapped.current.swap(1, 2);
        assert_eq!(remedy(&swapped), Some(vec![Move::SwapCtLeads(1, 2)]));
        let voltage = Wiring { voltage: [Phase::A, Phase::C, Phase::B], ..Wiring::INTENDED };
        assert_eq!(remedy(&voltage), Some(vec![Move::SwapVoltageLeads(1, 2)]));
        let mut open = Wiring::INTENDED;
        open.current[0] = CurrentSeen::Nothing;
        assert_eq!(remedy(&open), Some(vec![Move::RestoreCurrent(0)]));
    }
}
