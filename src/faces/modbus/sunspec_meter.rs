//! A circuit's corrected meter as SunSpec models: common model 1 and a float meter model 211 to 214 by service.
//!
//! Offsets are those of the SunSpec Alliance's public model repository, counted from the id register. What is not measured,
//! not corrected or not of now is NaN, the standard's "not implemented". Must never show registered power as corrected.

use num_complex::Complex64;

use super::circuit_view::CircuitView;
use super::words::{Kind, Value, lay_out};
use crate::audit::assessment::{Check, RunState, Verdict};
use crate::audit::wiring::Wiring;
use crate::config::model::Service;
use crate::reading::{Measured, Phase};

/// Address of the marker "SunS".
pub const BASE: u16 = 40_000;
/// Registers from the marker to the end of the chain.
pub const LENGTH: u16 = 2 + 2 + COMMON_LENGTH + 2 + METER_LENGTH + 2;

const MARKER: [u16; 2] = [0x5375, 0x6E53];
const COMMON: u16 = 1;
const COMMON_LENGTH: u16 = 66;
const METER_LENGTH: u16 = 124;
const END: u16 = 0xFFFF;
const COMMON_AT: usize = 2;
/// Where the meter model's id register is, from the base.
pub const METER_AT: usize = COMMON_AT + 2 + COMMON_LENGTH as usize;

/// Event bits. The lower ones are the standard's, those from 16 on ours.
const MISSING_SENSOR: u32 = 1 << 7;
const POWER_WRONG: u32 = 1 << 16;
const NOT_CORRECTED: u32 = 1 << 17;
const NOT_LIVE: u32 = 1 << 18;

/// The meter model of a service.
pub fn model_of(service: Service) -> u16 {
    match service {
        Service::SinglePhase => 211,
        Service::SplitPhase => 212,
        Service::Wye4 | Service::HighLegDelta => 213,
        Service::Delta3 | Service::Delta3TwoElement | Service::OpenDelta => 214,
    }
}

/// All registers from [`BASE`].
pub fn registers(view: &CircuitView<'_>, service: Service, unit: u8) -> [u16; LENGTH as usize] {
    let mut words = [0; LENGTH as usize];
    words[..2].copy_from_slice(&MARKER);
    common(view, unit, &mut words[COMMON_AT..METER_AT]);
    let end = METER_AT + 2 + usize::from(METER_LENGTH);
    meter(&Shown::of(view, service), &mut words[METER_AT..end]);
    words[end] = END;
    words
}

fn common(view: &CircuitView<'_>, unit: u8, words: &mut [u16]) {
    words[0] = COMMON;
    words[1] = COMMON_LENGTH;
    let mut text = |at: usize, width: u16, text: &str| {
        lay_out(Kind::Text(width), &Value::Text(text.to_owned()), &mut words[at..at + usize::from(width)]);
    };
    text(2, 16, "wattassay");
    text(18, 16, "corrected meter");
    text(34, 8, view.monitor.map_or("", |m| m.name.as_str()));
    text(42, 8, env!("CARGO_PKG_VERSION"));
    text(50, 16, &format!("{} / {}", view.station.station, view.circuit.name));
    words[66] = unit.into();
}

fn meter(shown: &Shown, words: &mut [u16]) {
    words[0] = model_of(shown.service);
    words[1] = METER_LENGTH;
    for at in (2..usize::from(METER_LENGTH)).step_by(2) {
        lay_out(Kind::F32, &Value::None, &mut words[at..at + 2]);
    }
    let mut put = |at: usize, value: Option<f64>| lay_out(Kind::F32, &value.into(), &mut words[at..at + 2]);
    put(2, sum(&shown.used(shown.current_a)));
    put(10, mean(&shown.used(shown.phase_v)));
    put(18, mean(&shown.line_v));
    put(26, shown.frequency_hz);
    put(60, shown.export_wh);
    put(68, shown.import_wh);
    for k in 0..3 {
        put(4 + 2 * k, shown.current_a[k]);
        put(12 + 2 * k, shown.phase_v[k]);
        put(20 + 2 * k, shown.line_v[k]);
    }
    if let Some(power) = &shown.power {
        let apparent: f64 = power.iter().map(|s| s.norm()).sum();
        let total: Complex64 = power.iter().sum();
        put(28, Some(total.re));
        put(36, Some(apparent));
        put(44, Some(total.im));
        put(52, factor(total.re, apparent));
        // Without a neutral, power is measured for the circuit as a whole.
        for &phase in shown.phases().iter().filter(|_| model_of(shown.service) != 214) {
            let s = power[phase];
            put(30 + 2 * phase, Some(s.re));
            put(38 + 2 * phase, Some(s.norm()));
            put(46 + 2 * phase, Some(s.im));
            put(54 + 2 * phase, factor(s.re, s.norm()));
        }
    }
    let at = usize::from(METER_LENGTH);
    lay_out(Kind::U32, &shown.events.into(), &mut words[at..at + 2]);
}

fn factor(active: f64, apparent: f64) -> Option<f64> {
    (apparent > 0.0).then(|| active / apparent)
}

fn sum(values: &[Option<f64>]) -> Option<f64> {
    values.iter().copied().sum()
}

fn mean(values: &[Option<f64>]) -> Option<f64> {
    let known: Vec<f64> = values.iter().copied().flatten().collect();
    (!known.is_empty()).then(|| known.iter().sum::<f64>() / known.len() as f64)
}

/// What the meter shows, by phase.
struct Shown {
    service: Service,
    current_a: [Option<f64>; 3],
    phase_v: [Option<f64>; 3],
    /// A-B, B-C, C-A.
    line_v: [Option<f64>; 3],
    frequency_hz: Option<f64>,
    power: Option<[Complex64; 3]>,
    import_wh: Option<f64>,
    export_wh: Option<f64>,
    events: u32,
}

impl Shown {
    fn of(view: &CircuitView<'_>, service: Service) -> Shown {
        let corrected = view.corrected();
        let wiring = corrected.and_then(|_| leading(view));
        let at_rest = view.run_state() == RunState::Stopped && !view.has_failed(Check::CurrentWhileStopped);
        let power = corrected.map(|c| c.per_phase_va).or(at_rest.then_some([Complex64::ZERO; 3]));
        let mut shown = Shown {
            service,
            current_a: [None; 3],
            phase_v: [None; 3],
            line_v: [None; 3],
            frequency_hz: view.of_monitor(|m| m.frequency_hz),
            power,
            // The monitor's counter has been right all along only where its wiring is.
            import_wh: counter(view, |c| c.energy_import_wh),
            export_wh: counter(view, |c| c.energy_export_wh),
            events: events(view, power.is_some()),
        };
        shown.voltages(view, wiring);
        shown.currents(view, wiring);
        shown
    }

    /// Phases the model has, as indexes.
    fn phases(&self) -> &'static [usize] {
        match self.service {
            Service::SinglePhase => &[0],
            Service::SplitPhase => &[0, 1],
            _ => &[0, 1, 2],
        }
    }

    fn used(&self, values: [Option<f64>; 3]) -> Vec<Option<f64>> {
        self.phases().iter().map(|k| values[*k]).collect()
    }

    fn voltages(&mut self, view: &CircuitView<'_>, wiring: Option<&Wiring>) {
        let symmetrical = matches!(self.service, Service::Wye4 | Service::Delta3);
        let channel_of = |phase: Phase| {
            wiring.filter(|_| symmetrical).and_then(|w| w.voltage_channel_of(phase)).unwrap_or(phase.index())
        };
        let channel = |k: usize| view.of_monitor(|m| m.voltage_ln_v[k]);
        let between = |k: usize| view.of_monitor(|m| m.voltage_ll_v[k]);
        match self.service {
            Service::Wye4 | Service::HighLegDelta => {
                self.phase_v = Phase::ALL.map(|phase| channel(channel_of(phase)));
            }
            Service::SplitPhase => self.phase_v = [channel(0), channel(1), None],
            Service::SinglePhase => self.phase_v = [channel(0), None, None],
            Service::Delta3 | Service::Delta3TwoElement | Service::OpenDelta => {}
        }
        match self.service {
            Service::SinglePhase => {}
            Service::SplitPhase => {
                let both = channel(0).zip(channel(1)).map(|(a, b)| a + b);
                self.line_v = [between(0).or(both), None, None];
            }
            // Elements A-B and C-B: their channels are line voltages.
            Service::Delta3TwoElement | Service::OpenDelta => {
                self.line_v = [between(0).or(channel(0)), between(1).or(channel(2)), between(2)];
            }
            _ => {
                for k in 0..3 {
                    let (from, to) = (channel_of(Phase::ALL[k]), channel_of(Phase::ALL[(k + 1) % 3]));
                    self.line_v[k] = between(pair(from, to));
                }
            }
        }
    }

    /// By phase where the leads are known; by channel number otherwise, as the monitor shows them.
    fn currents(&mut self, view: &CircuitView<'_>, wiring: Option<&Wiring>) {
        let channel = |k: usize| view.of_circuit(|c| c.current_a[k]);
        let Some(wiring) = wiring else {
            for &k in self.phases() {
                self.current_a[k] = channel(k);
            }
            return;
        };
        for (k, seen) in wiring.current.iter().enumerate() {
            if let (Some((phase, _)), Some(factor)) = (seen.shows(), wiring.gain[k].factor()) {
                self.current_a[phase.index()] = channel(k).map(|a| a / factor);
            }
        }
        let line_v = mean(&self.line_v);
        for &k in self.phases() {
            let volts = self.phase_v[k].or(line_v.map(|v| v / 3f64.sqrt())).filter(|v| *v > 1.0);
            let computed = self.power.zip(volts).map(|(power, volts)| power[k].norm() / volts);
            self.current_a[k] = self.current_a[k].or(computed);
        }
    }
}

/// Index among 1-2, 2-3, 3-1 of the voltage between two channels.
fn pair(a: usize, b: usize) -> usize {
    match (a.min(b), a.max(b)) {
        (0, 1) => 0,
        (1, 2) => 1,
        _ => 2,
    }
}

fn leading<'a>(view: &CircuitView<'a>) -> Option<&'a Wiring> {
    Some(&view.assessment()?.diagnosis.groups.first()?.members.first()?.wiring)
}

fn counter(view: &CircuitView<'_>, get: impl Fn(&crate::reading::CircuitReading) -> Measured) -> Option<f64> {
    view.of_circuit(get).filter(|_| view.verdict() == Verdict::Sound)
}

fn events(view: &CircuitView<'_>, has_power: bool) -> u32 {
    let missing = view.has_failed(Check::VoltageMissing) || view.has_failed(Check::CurrentMissing);
    [
        (missing, MISSING_SENSOR),
        (view.verdict() == Verdict::Fault, POWER_WRONG),
        (!has_power, NOT_CORRECTED),
        (!view.is_live(), NOT_LIVE),
    ]
    .into_iter()
    .fold(0, |bits, (stands, bit)| if stands { bits | bit } else { bits })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::wiring::CurrentSeen;
    use crate::modbus::sunspec::{Discovery, Step};
    use crate::reading::MonoMs;
    use crate::station::fixtures::{exchanged, snapshot_after};

    fn words(wiring: &Wiring, now_ms: u64, service: Service) -> [u16; LENGTH as usize] {
        let snapshot = snapshot_after("Alder Creek Lift", wiring);
        registers(&CircuitView::new(&snapshot, 0, MonoMs(now_ms)).unwrap(), service, 11)
    }

    fn point(words: &[u16], offset: usize) -> f32 {
        let at = METER_AT + offset;
        f32::from_bits(u32::from(words[at]) << 16 | u32::from(words[at + 1]))
    }

    /// Our own discovery, written from the same public models, finds each model where the chain says.
    #[test]
    fn the_chain_is_one_that_a_master_can_follow() {
        for service in Service::ALL {
            let words = words(&Wiring::INTENDED, 7200, service);
            let mut discovery = Discovery::new();
            let mut request = discovery.next();
            let model = loop {
                let at = usize::from(request.first - BASE);
                match discovery.answer(&words[at..at + 2]).unwrap() {
                    Step::Read(next) => request = next,
                    Step::Found(model) => break model,
                }
            };
            // Base 40000 and L = 66 put the next model at 40070.
            assert_eq!((model.id, model.address, model.length), (model_of(service), 40_070, 124));
            assert_eq!(words[usize::from(LENGTH) - 2..], [0xFFFF, 0]);
        }
    }

    /// The corrected meter of a miswired pump shows what the meter of the same pump wired right shows.
    #[test]
    fn a_miswired_pump_reads_like_a_sound_one() {
        let right = words(&Wiring::INTENDED, 7200, Service::Wye4);
        let mut turned = Wiring { voltage: [Phase::B, Phase::A, Phase::C], ..Wiring::INTENDED };
        turned.current[2] = CurrentSeen::Conductor { phase: Phase::C, reversed: true };
        for wiring in [exchanged(), turned] {
            let words = words(&wiring, 7200, Service::Wye4);
            for offset in (2..60).step_by(2) {
                let (want, got) = (point(&right, offset), point(&words, offset));
                let alike = want.is_nan() && got.is_nan() || (want - got).abs() <= 0.005 * want.abs().max(1.0);
                assert!(alike, "{wiring:?} at {offset}: {got} for {want}");
            }
            assert!(point(&right, 68) > 0.0 || point(&right, 68).is_nan());
            assert!(point(&words, 68).is_nan(), "the counter of a wrong meter is not shown");
        }
        assert!(point(&right, 28) > 10_000.0);
        assert_eq!(right[METER_AT + 124..][..2], [0, 0]);
    }

    #[test]
    fn an_old_meter_has_its_models_and_no_values() {
        let words = words(&Wiring::INTENDED, 60_000, Service::Wye4);
        assert_eq!(words[..4], [0x5375, 0x6E53, 1, 66]);
        assert!((2..124).step_by(2).all(|offset| point(&words, offset).is_nan()));
        let events = u32::from(words[METER_AT + 124]) << 16 | u32::from(words[METER_AT + 125]);
        assert_eq!(events, NOT_CORRECTED | NOT_LIVE);
    }
}
