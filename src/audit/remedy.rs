//! From a wiring as diagnosed to the moves that make it the intended one, least effort first.
//!
//! A remedy is only ever shown after the forward model has applied it to the diagnosed wiring and got the intended one.
//! CT secondaries are moved as pairs; what is moved is the pair's place at the monitor, never one lead of it alone but to
//! turn a reversed pair. Must never be shown without [`CAUTIONS`] before it.

use super::wiring::{CurrentSeen, Wiring};
use crate::reading::Phase;

/// What a person reads before anything else, whenever a text tells of work at a panel, in the order it is to be read.
/// After 29 CFR 1910.333, 1910.269(w) and NFPA 70E practice. The one list of the program.
pub const CAUTIONS: [&str; 7] = [
    "This is advice from readings. It authorises nobody to open a panel or a CT circuit. Qualified persons only, under \
     the site's own procedures.",
    "De-energise first: disconnect all sources, lock and tag, release stored energy. Stop buttons, selector switches \
     and a stopped pump are not isolation.",
    "Prove every exposed part dead with a contact tester rated CAT III 600 V or better, itself proved on a known source \
     before and after. Mind back-feed and induced voltage.",
    "Never open a CT secondary while its primary can carry current: the voltage can kill. Short it at its shorting \
     block first.",
    "Where capacitors are fitted: disconnect, wait at least 5 minutes, then short-circuit before work.",
    "A check marked LIVE is done beside energised parts: only where the site's procedures allow it, with the shock and \
     arc-flash protection that the panel's label asks for.",
    "Before moving a lead, note the place of every lead and photograph the terminals.",
];

/// One move at the monitor's terminals.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Move {
    /// Exchange the voltage leads on two channels (0-based).
    ExchangeVoltage(usize, usize),
    /// Exchange the CT pairs on two channels (0-based).
    ExchangePairs(usize, usize),
    /// Turn one CT pair over at its terminals (exchange its two leads), or turn the CT on its conductor.
    TurnPair(usize),
    /// Find out why a CT gives no current: open loop, shorting link left in, lead off.
    RestoreCurrent(usize),
}

impl Move {
    /// The wiring after this move.
    #[must_use]
    pub fn applied(self, wiring: &Wiring) -> Wiring {
        let mut after = *wiring;
        match self {
            Move::ExchangeVoltage(i, j) => after.voltage.swap(i, j),
            Move::ExchangePairs(i, j) => after.current.swap(i, j),
            Move::TurnPair(k) => {
                if let CurrentSeen::Conductor { reversed, .. } = &mut after.current[k] {
                    *reversed = !*reversed;
                }
            }
            Move::RestoreCurrent(k) => {
                // The CT that gives nothing is on the one conductor that no other channel sees.
                let missing = Phase::ALL.into_iter().find(|p| wiring.channel_of(*p).is_none());
                if let Some(phase) = missing {
                    after.current[k] = CurrentSeen::Conductor { phase, reversed: false };
                }
            }
        }
        after
    }

    /// Terminals touched: what least effort means.
    fn effort(self) -> u32 {
        match self {
            Move::TurnPair(_) => 2,
            Move::ExchangeVoltage(..) => 3,
            Move::ExchangePairs(..) => 4,
            Move::RestoreCurrent(_) => 6,
        }
    }

    /// Stable word for JSON.
    pub fn key(self) -> &'static str {
        match self {
            Move::ExchangeVoltage(..) => "exchange-voltage-leads",
            Move::ExchangePairs(..) => "exchange-ct-pairs",
            Move::TurnPair(_) => "turn-ct-pair",
            Move::RestoreCurrent(_) => "restore-current",
        }
    }

    /// Channels it touches, from 0.
    pub fn channels(self) -> Vec<usize> {
        match self {
            Move::ExchangeVoltage(i, j) | Move::ExchangePairs(i, j) => vec![i, j],
            Move::TurnPair(k) | Move::RestoreCurrent(k) => vec![k],
        }
    }

    /// The move in plain words, channels numbered from 1.
    pub fn words(self) -> String {
        match self {
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
        }
    }
}

const PAIRS: [(usize, usize); 3] = [(0, 1), (1, 2), (0, 2)];

/// The least-effort moves that turn `wiring` into one that registers power right with every channel on its own phase.
/// Empty when nothing needs doing; `None` for what no lead can mend (a lost supply phase).
pub fn remedy(wiring: &Wiring) -> Option<Vec<Move>> {
    if wiring.lost_phase.is_some() {
        return None;
    }
    let mut start = Vec::new();
    let mut restored = *wiring;
    for k in 0..3 {
        if wiring.current[k] == CurrentSeen::Nothing {
            start.push(Move::RestoreCurrent(k));
            restored = Move::RestoreCurrent(k).applied(&restored);
        }
    }
    // At most two exchanges put three things in order, so every way is tried and the cheapest kept.
    let orders = || {
        let none = std::iter::once(Vec::new());
        let one = PAIRS.iter().map(|p| vec![*p]);
        let two = PAIRS.iter().flat_map(|p| PAIRS.iter().filter(move |q| *q != p).map(move |q| vec![*p, *q]));
        none.chain(one).chain(two)
    };
    let mut best: Option<(u32, Vec<Move>)> = None;
    for voltage in orders() {
        for current in orders() {
            let mut moves = start.clone();
            moves.extend(voltage.iter().map(|(i, j)| Move::ExchangeVoltage(*i, *j)));
            moves.extend(current.iter().map(|(i, j)| Move::ExchangePairs(*i, *j)));
            let after = moves.iter().skip(start.len()).fold(restored, |w, m| m.applied(&w));
            for k in 0..3 {
                if matches!(after.current[k], CurrentSeen::Conductor { reversed: true, .. }) {
                    moves.push(Move::TurnPair(k));
                }
            }
            let effort = moves.iter().map(|m| m.effort()).sum();
            let ends_right = moves.iter().fold(*wiring, |w, m| m.applied(&w)) == Wiring::INTENDED;
            if ends_right && best.as_ref().is_none_or(|(least, _)| effort < *least) {
                best = Some((effort, moves));
            }
        }
    }
    best.map(|(_, moves)| moves)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::hypotheses::CLASSES;

    #[test]
    fn every_wiring_considered_has_a_remedy_that_the_forward_model_confirms() {
        for member in CLASSES.iter().flat_map(|c| &c.members) {
            match remedy(&member.wiring) {
                None => assert!(member.wiring.lost_phase.is_some()),
                Some(moves) => {
                    let after = moves.iter().fold(member.wiring, |w, m| m.applied(&w));
                    assert_eq!(after, Wiring::INTENDED);
                    assert!(moves.len() <= 8);
                }
            }
        }
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
