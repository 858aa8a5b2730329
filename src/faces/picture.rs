//! The phasors of a circuit for table and picture: as its monitor reports them, and as they would be with every lead on its own
//! phase.
//!
//! Must never decide anything, nor draw an angle without saying where it comes from.

use super::phasor_svg::Arrow;
use crate::audit::assessment::CorrectedPower;
use crate::audit::context::ServiceKind;
use crate::audit::wiring::Wiring;
use crate::config::model::StationConfig;
use crate::electrical::angle::wrap_deg;
use crate::reading::{CircuitReading, Measured, MonitorReading, Phase, Rotation};
use crate::station::context::service_kind;
use crate::station::snapshot::{CircuitSnapshot, StationSnapshot};

/// Below this a channel shows no current worth an arrow, A.
const NO_CURRENT_A: f64 = 0.1;

/// What a picture needs to know that no snapshot carries.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expected {
    /// Voltage system.
    pub service: ServiceKind,
    /// Rotation at the monitor's terminals.
    pub rotation: Rotation,
    /// Voltage between phases, V.
    pub nominal_voltage_v: f64,
}

impl Expected {
    /// What a station's configuration says.
    pub fn of(station: &StationConfig) -> Expected {
        Expected {
            service: service_kind(station.service),
            rotation: station.rotation,
            nominal_voltage_v: station.nominal_voltage_v,
        }
    }

    /// Angles of the voltage channels of leads as intended, degrees against channel 1.
    fn voltage_deg(self) -> [f64; 3] {
        [0, 1, 2].map(|k| self.deg(self.service.voltage_step(k, Phase::ALL)))
    }

    /// Angle of the voltage that a phase's current meets in its own load, degrees against channel 1.
    fn current_deg(self, phase: Phase) -> f64 {
        self.deg(self.service.current_step(phase))
    }

    fn deg(self, step: i32) -> f64 {
        let mirror = if self.rotation == Rotation::Acb { -1.0 } else { 1.0 };
        wrap_deg(mirror * 30.0 * f64::from(step - self.service.voltage_step(0, Phase::ALL)))
    }

    /// True when a channel's voltage exists in this service.
    fn has(self, k: usize) -> bool {
        self.service.channels().contains(&k)
    }

    /// Voltage that a phase's current is reckoned with, V, when channel `k` reads `volts`.
    fn phase_v(self, k: usize, volts: f64) -> f64 {
        let share = volts / self.service.nominal_channel_v(k, self.nominal_voltage_v);
        share
            * match self.service {
                ServiceKind::SinglePhase => self.nominal_voltage_v,
                ServiceKind::SplitPhase => 0.5 * self.nominal_voltage_v,
                _ => self.nominal_voltage_v / 3f64.sqrt(),
            }
    }
}

/// One arrow's values, for table and picture; `None` where the monitor gives none.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Phasor {
    /// Volts or amps.
    pub size: Option<f64>,
    /// Degrees against voltage 1.
    pub angle_deg: Option<f64>,
}

/// Voltages and currents of the three channels.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Picture {
    /// Voltage channels.
    pub voltage: [Phasor; 3],
    /// Current channels.
    pub current: [Phasor; 3],
    /// What must be known about where the angles come from.
    pub note: String,
}

/// The phasors of a circuit as its monitor reports them, and as they would be with every lead on its own phase.
pub fn pictures(station: &StationSnapshot, circuit: &CircuitSnapshot, expected: Expected) -> (Picture, Picture) {
    let reading = station.monitor_of(circuit).and_then(|m| m.reading.as_deref());
    let reported = match (reading, station.reported(circuit)) {
        (Some(reading), Some(values)) => reported(reading, values, expected),
        _ => Picture::default(),
    };
    let assessment = circuit.assessment.as_deref();
    let corrected = assessment.and_then(|a| a.corrected.as_ref());
    let leader = assessment.and_then(|a| a.diagnosis.groups.first()?.members.first().map(|m| m.wiring));
    let intended = intended(&reported, corrected, &leader.unwrap_or(Wiring::INTENDED), expected);
    (reported, intended)
}

fn usable(value: Measured) -> Option<f64> {
    match value {
        Measured::Good(v) | Measured::Stale(v) => Some(v),
        _ => None,
    }
}

/// The phasors as the monitor reports them. Angles it does not give are taken from power where that says them.
fn reported(monitor: &MonitorReading, circuit: &CircuitReading, expected: Expected) -> Picture {
    let nominal = expected.voltage_deg();
    let measured = monitor.voltage_angle_deg.map(usable);
    let all_measured = (0..3).all(|k| measured[k].is_some() || !expected.has(k));
    let mut picture = Picture::default();
    let mut notes = Vec::new();
    if !all_measured {
        notes.push(format!(
            "voltage angles are assumed (rotation {}), the monitor gives none",
            expected.rotation.label()
        ));
    }
    let mut assumed_lag = false;
    let mut without = false;
    for k in 0..3 {
        if !expected.has(k) {
            continue;
        }
        let voltage_deg = if all_measured { measured[k].unwrap_or(0.0) } else { nominal[k] };
        picture.voltage[k] = Phasor { size: usable(monitor.voltage_ln_v[k]), angle_deg: Some(voltage_deg) };
        let size = usable(circuit.current_a[k]);
        let (p, q) = (usable(circuit.active_power_w[k]), usable(circuit.reactive_power_var[k]));
        let from_pf = || {
            let va = size? * usable(monitor.voltage_ln_v[k])?;
            let pf = usable(circuit.power_factor[k]).or_else(|| Some(p? / va))?;
            pf.is_finite().then(|| pf.clamp(-1.0, 1.0).acos().to_degrees())
        };
        let alive = size.is_some_and(|a| a >= NO_CURRENT_A);
        let angle_deg = match (usable(circuit.current_angle_deg[k]), p, q) {
            _ if !alive => None,
            (Some(angle), ..) => Some(angle),
            (None, Some(p), Some(q)) => Some(wrap_deg(voltage_deg - q.atan2(p).to_degrees())),
            _ => from_pf().map(|lag| {
                assumed_lag = true;
                wrap_deg(voltage_deg - lag)
            }),
        };
        without |= alive && angle_deg.is_none();
        picture.current[k] = Phasor { size, angle_deg };
    }
    if assumed_lag {
        notes.push("currents are drawn as lagging; the monitor does not say lag or lead".to_owned());
    }
    if picture.current.iter().all(|c| c.size.is_some_and(|a| a < NO_CURRENT_A)) {
        notes.push("no current when this was printed: the pump is stopped".to_owned());
    }
    if without {
        notes.push("the monitor gives no angle of the currents: they are not drawn".to_owned());
    }
    picture.note = notes.join("; ");
    picture
}

/// The phasors of the same load, every lead on its own phase.
fn intended(reported: &Picture, corrected: Option<&CorrectedPower>, wiring: &Wiring, expected: Expected) -> Picture {
    /// Lag of a loaded motor, degrees, where the readings do not carry one yet.
    const TYPICAL_LAG_DEG: f64 = 32.0;
    let nominal = expected.voltage_deg();
    let mut picture = Picture::default();
    let sizes: Vec<f64> = reported.current.iter().filter_map(|c| c.size).filter(|a| *a >= NO_CURRENT_A).collect();
    let mean_a = (!sizes.is_empty()).then(|| sizes.iter().sum::<f64>() / sizes.len() as f64);
    for k in 0..3 {
        if !expected.has(k) {
            continue;
        }
        // Phase k's voltage is what the channel shows that is on this phase now.
        let on_phase =
            wiring.voltage_channel_of(Phase::from_index(k)).filter(|_| expected.service.symmetrical()).unwrap_or(k);
        let nominal_v = expected.service.nominal_channel_v(k, expected.nominal_voltage_v);
        let volts = reported.voltage[on_phase].size.unwrap_or(nominal_v);
        picture.voltage[k] = Phasor { size: Some(volts), angle_deg: Some(nominal[k]) };
        let current_deg = expected.current_deg(Phase::from_index(k));
        picture.current[k] = match corrected {
            Some(power) => {
                let s = power.per_phase_va[k];
                let size = if volts > 0.0 { s.norm() / expected.phase_v(k, volts) } else { 0.0 };
                let angle = (size > 0.0).then(|| wrap_deg(current_deg - s.im.atan2(s.re).to_degrees()));
                Phasor { size: Some(size), angle_deg: angle }
            }
            None => Phasor { size: mean_a, angle_deg: mean_a.map(|_| wrap_deg(current_deg - TYPICAL_LAG_DEG)) },
        };
    }
    picture.note = match (corrected, mean_a) {
        (Some(_), _) => "computed from the readings for the wiring suspected".to_owned(),
        (None, Some(_)) => {
            "an example: a motor that lags by 32 degrees, since the readings do not settle its own lag".to_owned()
        }
        (None, None) => "no current: only the voltages are drawn".to_owned(),
    };
    picture
}

impl Picture {
    /// What can be drawn of it.
    pub fn arrows(&self) -> Vec<Arrow> {
        let mut arrows = Vec::new();
        for (letter, phasors) in [("V", &self.voltage), ("I", &self.current)] {
            let longest = phasors.iter().filter_map(|p| p.size).fold(0.0, f64::max);
            for (k, phasor) in phasors.iter().enumerate() {
                if let (Some(size), Some(angle_deg)) = (phasor.size, phasor.angle_deg)
                    && size > 0.02 * longest
                    && longest.is_finite()
                {
                    arrows.push(Arrow {
                        label: format!("{letter}{}", k + 1),
                        length: size / longest,
                        angle_deg,
                        current: letter == "I",
                        channel: k,
                    });
                }
            }
        }
        arrows
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Element voltages of a two-element service stand 60 degrees apart; a resistive load's currents 30 degrees either side.
    #[test]
    fn pictures_follow_the_service() {
        let expected = Expected { service: ServiceKind::TwoElement, rotation: Rotation::Abc, nominal_voltage_v: 480.0 };
        let near = |found: f64, deg: f64| assert!((found - deg).abs() < 1e-9, "{found} for {deg}");
        near(expected.voltage_deg()[0], 0.0);
        near(expected.voltage_deg()[2], 60.0);
        near(expected.current_deg(Phase::A), -30.0);
        near(expected.current_deg(Phase::C), 90.0);
        near(expected.phase_v(0, 480.0), 480.0 / 3f64.sqrt());
        let wye = Expected { service: ServiceKind::Wye4, ..expected };
        near(wye.voltage_deg()[1], -120.0);
        near(wye.phase_v(1, 270.0), 270.0);
    }
}
