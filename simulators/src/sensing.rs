//! What the channels of a monitor are exposed to: its leads as they really are, on the service it is on.
//!
//! Must never know what the right wiring would be.

use crate::draw::{contact, mix};
use crate::error::SimError;
use crate::meter::Exposure;
use crate::phasor::Spectrum;
use crate::station::StationState;
use crate::station_file::ServiceFile;
use crate::taps::{End, Tap, Term, VoltageTap, current_tap, voltage_tap};

/// Where the monitor's reference is in the middle entry of the voltage leads when two elements meter three wires.
const COMMON: usize = 1;

/// Leads from a moment on.
#[derive(Debug, Clone)]
pub(crate) struct Wiring {
    /// From when, s.
    pub(crate) from_s: f64,
    voltage: [VoltageTap; 3],
    current: Vec<[Tap; 3]>,
}

impl Wiring {
    /// Reads the leads of a monitor; `own` is the pump each slot is meant to meter. The error is a sentence.
    pub(crate) fn read(
        (voltage, currents): (&[String; 3], &[[String; 3]]),
        from_s: f64,
        service: ServiceFile,
        own: &[Option<usize>],
        pump: impl Fn(&str) -> Option<usize> + Copy,
    ) -> Result<Wiring, String> {
        if currents.len() != own.len() {
            return Err(format!("{} circuits but currents for {}", own.len(), currents.len()));
        }
        let say = |error: SimError| error.to_string();
        let mut taps = [VoltageTap::NOTHING; 3];
        for (channel, text) in voltage.iter().enumerate() {
            let is_common = service.is_two_element() && channel == COMMON;
            if !is_common && is_absent(text, channel, service)? {
                continue;
            }
            let tap = voltage_tap(text, pump).map_err(say)?;
            exists(tap.phase(), text, service)?;
            if is_common && tap.is_connected() && (tap.gain, tap.loose) != (1.0, 0.0) {
                return Err(format!("lead \"{text}\": the common lead of two elements has no polarity and no ratio"));
            }
            taps[channel] = tap;
        }
        let mut current = Vec::with_capacity(currents.len());
        for (leads, own) in currents.iter().zip(own) {
            let mut slot: [Tap; 3] = Default::default();
            for (channel, text) in leads.iter().enumerate() {
                if is_absent(text, channel, service)? {
                    continue;
                }
                let tap = current_tap(text, *own, pump).map_err(say)?;
                for term in &tap {
                    exists(Some(term.phase), text, service)?;
                }
                slot[channel] = tap;
            }
            current.push(slot);
        }
        Ok(Wiring { from_s, voltage: taps, current })
    }

    /// True when a lead is fed back behind a blown fuse of this conductor.
    pub(crate) fn is_back_fed(&self, phase: usize) -> bool {
        self.voltage.iter().any(|tap| tap.end == End::BackFed(phase))
    }

    /// What the channels are exposed to, before the gain errors of the device.
    pub(crate) fn exposure(&self, service: ServiceFile, state: &StationState, seed: u64) -> Exposure {
        let star = match service {
            // Without a neutral the inputs of the monitor form a star of equal impedances, whose point is the mean of
            // what is connected.
            ServiceFile::Delta3Wire => self.mean_of_connected(&[0, 1, 2], state),
            // Two elements share one lead; without it their inputs are in series across the other two.
            _ if service.is_two_element() && !self.voltage[COMMON].is_connected() => {
                self.mean_of_connected(&[0, 2], state)
            }
            _ if service.is_two_element() => voltage_at(self.voltage[COMMON].end, state),
            _ => Spectrum::default(),
        };
        let voltage = std::array::from_fn(|channel| {
            let tap = self.voltage[channel];
            if !service.channels()[channel] || tap.end == End::Nothing {
                return Spectrum::default();
            }
            let mut seen = voltage_at(tap.end, state);
            seen.add_scaled(&star, -1.0);
            seen.scaled(tap.gain * contact(mix(seed ^ (1000 + channel as u64)), tap.loose, state.t_s))
        });
        let current = self
            .current
            .iter()
            .zip((2000u64..).step_by(100))
            .map(|(taps, salt)| {
                let around = |channel: usize| conductors(&taps[channel], state, mix(seed ^ (salt + channel as u64)));
                [0, 1, 2].map(around)
            })
            .collect();
        Exposure { voltage, current }
    }

    fn mean_of_connected(&self, channels: &[usize], state: &StationState) -> Spectrum {
        let connected: Vec<End> = channels
            .iter()
            .map(|channel| self.voltage[*channel])
            .filter(|tap| tap.is_connected())
            .map(|tap| tap.end)
            .collect();
        let mut mean = Spectrum::default();
        for end in &connected {
            mean.add_scaled(&voltage_at(*end, state), 1.0 / connected.len() as f64);
        }
        mean
    }
}

/// True for a channel the service does not have: `none`, or the letter it would have been on.
fn is_absent(text: &str, channel: usize, service: ServiceFile) -> Result<bool, String> {
    if service.channels()[channel] {
        return Ok(false);
    }
    if matches!((text.trim(), channel), ("none", _) | ("A", 0) | ("B", 1) | ("C", 2)) {
        return Ok(true);
    }
    Err(format!("lead \"{text}\": this service has no channel {}, write \"none\"", channel + 1))
}

fn exists(phase: Option<usize>, text: &str, service: ServiceFile) -> Result<(), String> {
    match phase {
        Some(phase) if !service.conductors()[phase] => {
            Err(format!("lead \"{text}\": the service has no conductor {}", ["A", "B", "C"][phase]))
        }
        _ => Ok(()),
    }
}

/// Voltage to neutral where a lead ends.
fn voltage_at(end: End, state: &StationState) -> Spectrum {
    match end {
        End::Nothing => Spectrum::default(),
        End::Supply(phase) | End::Floating(phase) => state.supply[phase].clone(),
        End::BackFed(phase) => state.back_fed[phase].clone(),
        End::Behind { pump, phase } => state.pumps[pump].behind_fuses[phase].clone(),
    }
}

/// Sum of the conductors a CT is around.
fn conductors(tap: &[Term], state: &StationState, seed: u64) -> Spectrum {
    let mut seen = Spectrum::default();
    for (index, term) in tap.iter().enumerate() {
        let gain = term.gain * contact(seed.wrapping_add(index as u64), term.loose, state.t_s);
        match term.pump {
            Some(pump) => seen.add_scaled(&state.pumps[pump].currents[term.phase], gain),
            None => state.pumps.iter().for_each(|pump| seen.add_scaled(&pump.currents[term.phase], gain)),
        }
    }
    seen
}
