//! What a procedure is made from: the moves, what they touch, and the place. Must never leave out a CT or lead that is touched.

use super::Place;
use crate::audit::installation::{CtSecondary, VoltageConnection};
use crate::audit::open_ct::{SuspectCt, Symptom};
use crate::audit::remedy::Move;
use crate::audit::wiring::{CurrentSeen, Gain, Wiring};
use crate::audit::words;
use crate::reading::Phase;

/// A CT whose leads or body a procedure touches.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Ct {
    /// The one whose leads are on this channel of the circuit.
    On(usize),
    /// The one that belongs on this channel of the circuit and is on a channel of the pump in this slot.
    Elsewhere { channel: usize, slot: usize },
}

impl Ct {
    pub(super) fn channel(self) -> usize {
        match self {
            Ct::On(channel) | Ct::Elsewhere { channel, .. } => channel,
        }
    }
}

/// What may be touched at a station.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Access {
    /// Up to 1,000 V, the monitor's voltage straight from the conductors.
    Direct,
    /// Up to 1,000 V, through voltage transformers.
    Transformers,
    /// Up to 1,000 V, and it is not declared how the monitor gets it: counts as above.
    NotDeclared,
    /// Above 1,000 V.
    HighVoltage,
}

/// A CT to be put around another conductor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Relocation {
    pub channel: usize,
    pub phase: Phase,
    /// Its leads were thought reversed as well.
    pub reversed: bool,
}

/// All that a procedure is made from.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Job {
    pub wiring: Wiring,
    pub place: Place,
    pub moves: Vec<Move>,
    pub access: Access,
    /// The CTs' secondaries are a current, or may be.
    pub current_output: bool,
    /// Where the wire now on each voltage terminal goes.
    pub voltage_to: [usize; 3],
    /// Where the CT leads now on each channel go, once each channel has a CT of its own circuit.
    pub leads_to: [usize; 3],
}

impl Job {
    pub(super) fn of(wiring: &Wiring, moves: &[Move], place: &Place) -> Job {
        let (mut wires, mut leads) = ([0, 1, 2], [0, 1, 2]);
        for step in moves {
            match *step {
                Move::SwapVoltageLeads(i, j) => wires.swap(i, j),
                Move::SwapCtLeads(i, j) => leads.swap(i, j),
                _ => {}
            }
        }
        let installation = place.installation;
        let access = if installation.is_high_voltage() {
            Access::HighVoltage
        } else if installation.has_voltage_transformers() {
            Access::Transformers
        } else if installation.voltage_connection == VoltageConnection::Direct {
            Access::Direct
        } else {
            Access::NotDeclared
        };
        Job {
            wiring: *wiring,
            place: place.clone(),
            moves: moves.to_vec(),
            access,
            current_output: installation.ct_secondary.may_be_current(),
            voltage_to: places(wires),
            leads_to: places(leads),
        }
    }

    pub(super) fn is_rogowski(&self) -> bool {
        self.place.installation.ct_secondary == CtSecondary::Rogowski
    }

    /// Voltage terminals whose wire moves.
    pub(super) fn voltage_terminals(&self) -> impl Iterator<Item = usize> {
        let to = self.voltage_to;
        (0..3).filter(move |k| to[*k] != *k)
    }

    /// Channels whose CT leads move to another channel.
    pub(super) fn moved_channels(&self) -> impl Iterator<Item = usize> {
        let to = self.leads_to;
        (0..3).filter(move |k| to[*k] != *k)
    }

    /// CTs that may be open or loose and are restored.
    pub(super) fn restored(&self) -> impl Iterator<Item = usize> {
        self.moves.iter().filter_map(|step| match step {
            Move::RestoreCurrent(k) => Some(*k),
            Move::Tighten(k) if !self.moves.contains(&Move::RestoreCurrent(*k)) => Some(*k),
            _ => None,
        })
    }

    /// The same where that is a hazard.
    pub(super) fn suspected_open(&self) -> impl Iterator<Item = usize> {
        self.restored().filter(|_| self.current_output)
    }

    pub(super) fn relocations(&self) -> impl Iterator<Item = Relocation> {
        self.moves.iter().filter_map(|step| match step {
            Move::Relocate(channel, phase) => {
                // Where its leads end up is where they would be reversed.
                let reversed = self.moves.contains(&Move::ReverseCtLeads(self.leads_to[*channel]));
                Some(Relocation { channel: *channel, phase: *phase, reversed })
            }
            _ => None,
        })
    }

    /// Channels whose CT leads are to be reversed once they are on it; a relocated CT is put right by its marks instead.
    pub(super) fn reversed(&self) -> impl Iterator<Item = usize> {
        self.moves.iter().filter_map(|step| match step {
            Move::ReverseCtLeads(k) if !self.relocations().any(|r| self.leads_to[r.channel] == *k) => Some(*k),
            _ => None,
        })
    }

    /// Channel and slot of the pump that each foreign CT is from.
    pub(super) fn brought_back(&self) -> impl Iterator<Item = (usize, usize)> {
        self.moves.iter().filter_map(|step| match step {
            Move::BringBack(k, slot) => Some((*k, *slot)),
            _ => None,
        })
    }

    /// CTs of which a lead is lifted, named by where their leads are before anything is moved, each once.
    pub(super) fn opened(&self) -> Vec<Ct> {
        let mut channels: Vec<usize> = self.moved_channels().collect();
        channels.extend(self.reversed().map(|k| self.on_before(k)));
        channels.extend(self.restored());
        channels.extend(self.relocations().filter(|r| r.reversed).map(|r| r.channel));
        channels.extend(self.brought_back().map(|(k, _)| k));
        let elsewhere = self.brought_back().map(|(channel, slot)| Ct::Elsewhere { channel, slot });
        in_order(channels).map(Ct::On).chain(elsewhere).collect()
    }

    /// CTs that are touched in any way, leads or body, named by where their leads are before anything is moved.
    pub(super) fn cts(&self) -> Vec<Ct> {
        let mut cts = self.opened();
        let relocated = self.relocations().map(|r| Ct::On(r.channel));
        cts.extend(relocated.filter(|ct| !self.opened().contains(ct)));
        cts.sort_by_key(|ct| (matches!(ct, Ct::Elsewhere { .. }), ct.channel()));
        cts
    }

    /// The channel on which the CT leads are now that end up on channel `k`.
    fn on_before(&self, k: usize) -> usize {
        self.leads_to.iter().position(|to| *to == k).unwrap_or(k)
    }

    pub(super) fn is_at_panel(&self) -> bool {
        self.voltage_terminals().next().is_some() || !self.cts().is_empty()
    }

    /// True when a move is work on the primary of an installation whose primary is not for the reader: nothing of it is told.
    pub(super) fn is_deferred(&self) -> bool {
        self.access != Access::Direct && (self.relocations().next().is_some() || self.restored().next().is_some())
    }

    /// A channel has neighbors, so its return may be common.
    pub(super) fn return_may_be_common(&self) -> bool {
        self.place.installation.service.channels().len() > 1
    }

    /// The hazard of a CT that may be open, in words.
    pub(super) fn hazard(&self, channel: usize) -> String {
        let jumps = self.wiring.gain[channel] == Gain::Unsteady && self.wiring.current[channel] != CurrentSeen::Nothing;
        let symptom = if jumps { Symptom::Jumps } else { Symptom::ReadsZero };
        words::open_ct_words(&SuspectCt { channel, symptom, probability: 1.0 })
    }
}

/// From what is found on each place, in the end, to where each thing goes.
fn places(from: [usize; 3]) -> [usize; 3] {
    let mut to = [0, 1, 2];
    for (place, thing) in from.into_iter().enumerate() {
        to[thing] = place;
    }
    to
}

fn in_order(mut channels: Vec<usize>) -> impl Iterator<Item = usize> {
    channels.sort_unstable();
    channels.dedup();
    channels.into_iter()
}
