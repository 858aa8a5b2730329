//! From a wiring as diagnosed to the moves that make it the intended one, least effort first.
//!
//! A remedy is only ever shown after the forward model has applied it to the diagnosed wiring and got the intended one.
//! CT secondaries are moved as pairs; what is moved is the pair's place at the monitor, never one lead of it alone but to
//! turn a reversed pair. Must never be shown without the [`cautions`](super::cautions) before it.

use super::wiring::{CurrentSeen, Gain, Registers, Wiring};
use super::words;
use crate::reading::Phase;

/// One move of the repair. Channels are 0-based.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Move {
    /// Correct in the map what the registers mean.
    CorrectMap(Registers),
    /// Exchange the voltage leads on two channels.
    ExchangeVoltage(usize, usize),
    /// Exchange the CT pairs on two channels.
    ExchangePairs(usize, usize),
    /// Turn one CT pair over at its terminals (exchange its two leads), or turn the CT on its conductor.
    TurnPair(usize),
    /// Find out why a CT gives no current: open loop, shorting link left in, lead off.
    RestoreCurrent(usize),
    /// Put the channel's CT around this conductor alone.
    Relocate(usize, Phase),
    /// Bring the channel's own pair back from the circuit in this slot of the monitor.
    BringBack(usize, usize),
    /// Find why the channel shows another share of its current than it was told.
    CorrectRatio(usize, Gain),
    /// The same for all channels of the circuit.
    CorrectRatios(Gain),
    /// Find the loose connection of a CT pair.
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
            Move::ExchangeVoltage(i, j) => after.voltage.swap(i, j),
            Move::ExchangePairs(i, j) => {
                after.current.swap(i, j);
                after.gain.swap(i, j);
            }
            Move::TurnPair(k) => {
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
            Move::TurnPair(_) => 2,
            Move::ExchangeVoltage(..) => 3,
            Move::ExchangePairs(..) => 4,
            Move::RestoreCurrent(_) | Move::Tighten(_) | Move::BringBack(..) => 6,
            Move::CorrectRatio(..) | Move::CorrectRatios(_) => 8,
            Move::Relocate(..) => 10,
        }
    }

    /// Stable word for JSON.
    pub fn key(self) -> &'static str {
        match self {
            Move::CorrectMap(_) => "correct-map",
            Move::ExchangeVoltage(..) => "exchange-voltage-leads",
            Move::ExchangePairs(..) => "exchange-ct-pairs",
            Move::TurnPair(_) => "turn-ct-pair",
            Move::RestoreCurrent(_) => "restore-current",
            Move::Relocate(..) => "relocate-ct",
            Move::BringBack(..) => "bring-back-ct-pair",
            Move::CorrectRatio(..) | Move::CorrectRatios(_) => "correct-ratio",
            Move::Tighten(_) => "tighten",
            Move::ConfirmRotation => "confirm-rotation",
        }
    }

    /// Channels it touches, from 0.
    pub fn channels(self) -> Vec<usize> {
        match self {
            Move::ExchangeVoltage(i, j) | Move::ExchangePairs(i, j) => vec![i, j],
            Move::TurnPair(k)
            | Move::RestoreCurrent(k)
            | Move::Relocate(k, _)
            | Move::BringBack(k, _)
            | Move::CorrectRatio(k, _)
            | Move::Tighten(k) => vec![k],
            Move::CorrectRatios(_) => vec![0, 1, 2],
            Move::CorrectMap(_) | Move::ConfirmRotation => Vec::new(),
        }
    }

    /// The move in plain words, channels numbered from 1.
    pub fn words(self) -> String {
        match self {
            Move::CorrectMap(registers) => format!(
                "In the meter map, not at the panel: {}. Correct the map's [conventions] or registers.",
                words::registers_words(registers)
            ),
            Move::ExchangeVoltage(i, j) => {
                format!("Exchange the voltage leads at terminals {} and {} of the monitor.", i + 1, j + 1)
            }
            Move::ExchangePairs(i, j) => {
                format!(
                    "Exchange the CT pairs of channels {} and {} (both leads of each, kept together).",
                    i + 1,
                    j + 1
                )
            }
            Move::TurnPair(k) => format!("Exchange the two leads of the CT pair on channel {}.", k + 1),
            Move::RestoreCurrent(k) => format!(
                "Find why the CT on channel {} gives no current: shorting link left in, lead off, or open loop.",
                k + 1
            ),
            Move::Relocate(k, phase) => {
                format!("Put the CT of channel {} around the phase {} conductor alone.", k + 1, phase.label())
            }
            Move::BringBack(k, slot) => format!(
                "Channel {} carries a CT pair of the pump in slot {} of this monitor: exchange it with this pump's own pair, \
                 which is on that pump's channels.",
                k + 1,
                slot + 1
            ),
            Move::CorrectRatio(k, gain) => format!(
                "Find why channel {} shows {} of its current: compare the CT's nameplate with the ratio set in the monitor, and \
                 look whether the CT holds all parallel conductors of its phase.",
                k + 1,
                words::gain_words(gain)
            ),
            Move::CorrectRatios(gain) => format!(
                "Find why all channels show {} of their current: compare the CTs' nameplates with the ratio set in the monitor.",
                words::gain_words(gain)
            ),
            Move::Tighten(k) => {
                format!(
                    "Find the loose connection of the CT pair on channel {}: terminals, shorting block, splices.",
                    k + 1
                )
            }
            Move::ConfirmRotation => "See which way the supply rotates. When the pump turns the right way, correct \
                                      `rotation` in the configuration; no lead of the monitor is wrong."
                .to_owned(),
        }
    }
}

const PAIRS: [(usize, usize); 3] = [(0, 1), (1, 2), (0, 2)];

/// Conductors that no channel sees alone.
fn unseen(wiring: &Wiring) -> Vec<Phase> {
    Phase::ALL.into_iter().filter(|p| wiring.channel_of(*p).is_none()).collect()
}

/// What comes before any exchange: registers, ratios, and every channel back on one conductor of its own circuit.
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

/// Orders of at most two exchanges: enough to put three things in order.
fn exchanges() -> impl Iterator<Item = Vec<(usize, usize)>> {
    let none = std::iter::once(Vec::new());
    let one = PAIRS.iter().map(|p| vec![*p]);
    let two = PAIRS.iter().flat_map(|p| PAIRS.iter().filter(move |q| *q != p).map(move |q| vec![*p, *q]));
    none.chain(one).chain(two)
}

/// The least-effort way among all orders of exchanges that ends as wanted; pairs are turned over where they end reversed.
fn cheapest(
    wiring: &Wiring,
    voltage: &[Vec<(usize, usize)>],
    turned_for: impl Fn(&Wiring, usize) -> bool,
    ends_right: impl Fn(&Wiring) -> bool,
) -> Option<Vec<Move>> {
    let (start, restored) = restored(wiring);
    let mut best: Option<(u32, Vec<Move>)> = None;
    for voltage in voltage {
        for current in exchanges() {
            let mut moves = start.clone();
            moves.extend(voltage.iter().map(|(i, j)| Move::ExchangeVoltage(*i, *j)));
            moves.extend(current.iter().map(|(i, j)| Move::ExchangePairs(*i, *j)));
            let after = moves.iter().skip(start.len()).fold(restored, |w, m| m.applied(&w));
            moves.extend((0..3).filter(|k| turned_for(&after, *k)).map(Move::TurnPair));
            let effort = moves.iter().map(|m| m.effort()).sum();
            let right = ends_right(&moves.iter().fold(*wiring, |w, m| m.applied(&w)));
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
    let voltage: Vec<_> = exchanges().collect();
    cheapest(wiring, &voltage, is_reversed, |after| *after == wiring.intended())
}

/// Another way for where voltage leads are better left alone: moves of CT pairs only, after which power is registered right
/// although the channels' labels and the rotation may differ from the drawing. `None` when the remedy moves no voltage lead,
/// or when CT pairs alone cannot do it.
pub fn without_voltage_leads(wiring: &Wiring) -> Option<Vec<Move>> {
    let remedy = remedy(wiring)?;
    if !remedy.iter().any(|m| matches!(m, Move::ExchangeVoltage(..))) {
        return None;
    }
    let all_three = wiring.current.iter().all(|seen| *seen != CurrentSeen::Unused);
    let follows = |after: &Wiring| {
        (0..3).all(|k| after.current[k] == CurrentSeen::Conductor { phase: after.voltage[k], reversed: false })
    };
    cheapest(wiring, &[Vec::new()], is_reversed, |after| all_three && follows(after))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::context::ServiceKind;
    use crate::audit::hypotheses::{classes, power_right};

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
    fn the_way_without_voltage_leads_registers_power_right() {
        let mut found = 0;
        for member in classes(ServiceKind::Wye4).all.iter().flat_map(|c| &c.members) {
            if let Some(moves) = without_voltage_leads(&member.wiring) {
                found += 1;
                let after = moves.iter().fold(member.wiring, |w, m| m.applied(&w));
                assert!(power_right(&after, ServiceKind::Wye4), "{:?}", member.wiring);
                assert!(!moves.iter().any(|m| matches!(m, Move::ExchangeVoltage(..))));
            }
        }
        assert!(found > 100);
    }

    #[test]
    fn a_pair_on_another_pump_is_brought_back() {
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
        assert_eq!(remedy(&reversed), Some(vec![Move::TurnPair(1)]));
        let mut exchanged = Wiring::INTENDED;
        exchanged.current.swap(1, 2);
        assert_eq!(remedy(&exchanged), Some(vec![Move::ExchangePairs(1, 2)]));
        let voltage = Wiring { voltage: [Phase::A, Phase::C, Phase::B], ..Wiring::INTENDED };
        assert_eq!(remedy(&voltage), Some(vec![Move::ExchangeVoltage(1, 2)]));
        let mut open = Wiring::INTENDED;
        open.current[0] = CurrentSeen::Nothing;
        assert_eq!(remedy(&open), Some(vec![Move::RestoreCurrent(0)]));
    }
}
