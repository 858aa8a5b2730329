//! The phasors of a circuit for table and picture: as its monitor reports them, and as they would be with every lead on its own
//! phase.
//!
//! Must never decide anything, nor draw an angle without saying where it comes from.

use super::json::rfc3339;
use super::phasor_svg::Arrow;
use crate::audit::assessment::EvidenceLevel;
use crate::audit::context::ServiceKind;
use crate::audit::wiring::Wiring;
use crate::config::model::StationConfig;
use crate::electrical::angle::wrap_deg;
use crate::reading::{CircuitReading, Measured, Phase, Rotation};
use crate::station::context::service_kind;
use crate::station::snapshot::{CircuitSnapshot, StationSnapshot};

/// Below this a channel shows no current worth an arrow, A.
const NO_CURRENT_A: f64 = 0.1;

/// Angles nearer than this are drawn as one, degrees.
const SAME_ANGLE_DEG: f64 = 2.0;
const TWO_SIDED: &str =
    "lag and lead are not measured: each current marked ? stands at one of two angles, and both are drawn";

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
    /// The other angle that is as possible as that, degrees: a cosine alone does not tell lag from lead.
    pub mirror_deg: Option<f64>,
}

impl Phasor {
    fn at(size: Option<f64>, angle_deg: Option<f64>) -> Phasor {
        Phasor { size, angle_deg, mirror_deg: None }
    }

    /// A current at the angle from its voltage whose cosine is known: on both sides of it.
    fn either_side(size: Option<f64>, voltage_deg: f64, lag_deg: f64) -> Phasor {
        let (angle, mirror) = (wrap_deg(voltage_deg - lag_deg), wrap_deg(voltage_deg + lag_deg));
        let apart = wrap_deg(angle - mirror).abs() > SAME_ANGLE_DEG;
        Phasor { size, angle_deg: Some(angle), mirror_deg: apart.then_some(mirror) }
    }
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

/// One moment of a circuit: of now, or of its last steady run.
struct Moment<'a> {
    voltage_ln_v: [Measured; 3],
    voltage_angle_deg: [Measured; 3],
    values: &'a CircuitReading,
    corrected_va: Option<[(f64, f64); 3]>,
    /// Lag or lead is measured: the sign of kvar is, on every channel.
    sides_known: bool,
}

/// The phasors of a circuit as its monitor reports them, and as they would be with every lead on its own phase. While the pump
/// does not run these are of its last steady run, and say so.
pub fn pictures(station: &StationSnapshot, circuit: &CircuitSnapshot, expected: Expected) -> (Picture, Picture) {
    let assessment = circuit.assessment.as_deref();
    let sides_known = assessment.is_some_and(|a| a.diagnosis.level == EvidenceLevel::PerChannelPq);
    let last = circuit.last_run_at_standstill();
    let now = || {
        let reading = station.monitor_of(circuit)?.reading.as_deref()?;
        let corrected = assessment.and_then(|a| a.corrected.as_ref());
        Some(Moment {
            voltage_ln_v: reading.voltage_ln_v,
            voltage_angle_deg: reading.voltage_angle_deg,
            values: station.reported(circuit)?,
            corrected_va: corrected.map(|power| power.per_phase_va.map(|va| (va.re, va.im))),
            sides_known,
        })
    };
    let moment = match last {
        Some(run) => Some(Moment {
            voltage_ln_v: run.voltage_ln_v,
            voltage_angle_deg: run.voltage_angle_deg,
            values: &run.values,
            corrected_va: run.corrected,
            sides_known,
        }),
        None => now(),
    };
    let mut shown = moment.as_ref().map_or_else(Picture::default, |moment| reported(moment, expected));
    if let Some(run) = last {
        let of = format!("of the last steady run, {}; the pump is not running steadily now", rfc3339(run.at));
        shown.note = if shown.note.is_empty() { of } else { format!("{of}; {}", shown.note) };
    }
    // Voltages follow a wiring only where it is settled.
    let settled = assessment.and_then(|a| a.diagnosis.settled()).map_or(Wiring::INTENDED, |m| m.wiring);
    let corrected = moment.as_ref().and_then(|moment| moment.corrected_va);
    let intended = intended(&shown, corrected, sides_known, &settled, expected);
    (shown, intended)
}

fn usable(value: Measured) -> Option<f64> {
    match value {
        Measured::Good(v) | Measured::Stale(v) => Some(v),
        _ => None,
    }
}

/// The phasors as the monitor reports them. Angles it does not give are taken from power where that says them.
fn reported(moment: &Moment, expected: Expected) -> Picture {
    let circuit = moment.values;
    let nominal = expected.voltage_deg();
    let measured = moment.voltage_angle_deg.map(usable);
    let all_measured = (0..3).all(|k| measured[k].is_some() || !expected.has(k));
    let mut picture = Picture::default();
    let mut notes = Vec::new();
    if !all_measured {
        notes.push(format!(
            "voltage angles are assumed (rotation {}), the monitor gives none",
            expected.rotation.label()
        ));
    }
    let mut without = false;
    for k in 0..3 {
        if !expected.has(k) {
            continue;
        }
        let voltage_deg = if all_measured { measured[k].unwrap_or(0.0) } else { nominal[k] };
        let volts = usable(moment.voltage_ln_v[k]);
        picture.voltage[k] = Phasor::at(volts, Some(voltage_deg));
        let size = usable(circuit.current_a[k]);
        let (p, q) = (usable(circuit.active_power_w[k]), usable(circuit.reactive_power_var[k]));
        // A power factor is no help: its sign may mean the direction of power, lag or lead, or nothing.
        let cosine = || Some(p? / (size? * volts?)).filter(|cosine| cosine.is_finite());
        let alive = size.is_some_and(|a| a >= NO_CURRENT_A);
        picture.current[k] = match (usable(circuit.current_angle_deg[k]), p, q) {
            _ if !alive => Phasor::at(size, None),
            (Some(angle), ..) => Phasor::at(size, Some(angle)),
            (None, Some(p), Some(q)) if moment.sides_known => {
                Phasor::at(size, Some(wrap_deg(voltage_deg - q.atan2(p).to_degrees())))
            }
            (None, Some(p), Some(q)) => Phasor::either_side(size, voltage_deg, q.abs().atan2(p).to_degrees()),
            _ => match cosine() {
                Some(cosine) => Phasor::either_side(size, voltage_deg, cosine.clamp(-1.0, 1.0).acos().to_degrees()),
                None => Phasor::at(size, None),
            },
        };
        without |= alive && picture.current[k].angle_deg.is_none();
    }
    if picture.is_two_sided() {
        notes.push(TWO_SIDED.to_owned());
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
fn intended(
    reported: &Picture,
    corrected_va: Option<[(f64, f64); 3]>,
    sides_known: bool,
    wiring: &Wiring,
    expected: Expected,
) -> Picture {
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
        picture.voltage[k] = Phasor::at(Some(volts), Some(nominal[k]));
        let current_deg = expected.current_deg(Phase::from_index(k));
        picture.current[k] = match corrected_va {
            Some(power) => {
                let (p, q) = power[k];
                let size = if volts > 0.0 { p.hypot(q) / expected.phase_v(k, volts) } else { 0.0 };
                let lag_deg = q.atan2(p).to_degrees();
                if size <= 0.0 {
                    Phasor::at(Some(size), None)
                } else if sides_known {
                    Phasor::at(Some(size), Some(wrap_deg(current_deg - lag_deg)))
                } else {
                    Phasor::either_side(Some(size), current_deg, lag_deg)
                }
            }
            None => Phasor::at(mean_a, mean_a.map(|_| wrap_deg(current_deg - TYPICAL_LAG_DEG))),
        };
    }
    let mut notes = vec![match (corrected_va, mean_a) {
        (Some(_), _) => "computed from the readings, as corrected power is".to_owned(),
        (None, Some(_)) => {
            "an example: a motor that lags by 32 degrees, since the readings do not settle its own lag".to_owned()
        }
        (None, None) => "no current: only the voltages are drawn".to_owned(),
    }];
    if picture.is_two_sided() {
        notes.push(TWO_SIDED.to_owned());
    }
    picture.note = notes.join("; ");
    picture
}

impl Picture {
    /// Some current may stand at either of two angles.
    pub fn is_two_sided(&self) -> bool {
        self.current.iter().any(|phasor| phasor.mirror_deg.is_some())
    }

    /// What can be drawn of it; a current of two possible angles is drawn at both, with a mark.
    pub fn arrows(&self) -> Vec<Arrow> {
        let mut arrows = Vec::new();
        for (letter, phasors) in [("V", &self.voltage), ("I", &self.current)] {
            let longest = phasors.iter().filter_map(|p| p.size).fold(0.0, f64::max);
            for (k, phasor) in phasors.iter().enumerate() {
                if let (Some(size), Some(angle_deg)) = (phasor.size, phasor.angle_deg)
                    && size > 0.02 * longest
                    && longest.is_finite()
                {
                    let mark = if phasor.mirror_deg.is_some() { "?" } else { "" };
                    for angle_deg in [Some(angle_deg), phasor.mirror_deg].into_iter().flatten() {
                        arrows.push(Arrow {
                            label: format!("{letter}{}{mark}", k + 1),
                            length: size / longest,
                            angle_deg,
                            current: letter == "I",
                            channel: k,
                        });
                    }
                }
            }
        }
        arrows
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::audit::wiring::CurrentSeen;
    use crate::station::fixtures::snapshot_after;

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

    /// The station with only V, I and kW per channel: what level b offers.
    fn watts_only(wiring: &Wiring) -> StationSnapshot {
        let mut station = snapshot_after("Alder Creek Lift", wiring).as_ref().clone();
        let mut reading = station.monitors[0].reading.as_deref().unwrap().clone();
        reading.circuits[0].reactive_power_var = [Measured::NotMapped; 3];
        reading.circuits[0].current_angle_deg = [Measured::NotMapped; 3];
        station.monitors[0].reading = Some(Arc::new(reading));
        let mut assessment = station.circuits[0].assessment.as_deref().unwrap().clone();
        assessment.diagnosis.level = EvidenceLevel::PerChannelP;
        station.circuits[0].assessment = Some(Arc::new(assessment));
        station
    }

    /// Watts alone leave two angles open, and one of them is where the current really stands; both are drawn, both marked.
    #[test]
    fn watts_alone_draw_a_current_at_both_angles_that_they_allow() {
        let expected = Expected { service: ServiceKind::Wye4, rotation: Rotation::Abc, nominal_voltage_v: 480.0 };
        let mut reversed = Wiring::INTENDED;
        reversed.current[1] = CurrentSeen::Conductor { phase: Phase::B, reversed: true };
        for wiring in [reversed, Wiring::INTENDED, crate::station::fixtures::exchanged()] {
            let full = snapshot_after("Alder Creek Lift", &wiring);
            let (measured, _) = pictures(&full, &full.circuits[0], expected);
            assert!(measured.arrows().iter().all(|arrow| !arrow.label.contains('?')));
            let watts = watts_only(&wiring);
            let (shown, intended) = pictures(&watts, &watts.circuits[0], expected);
            for k in 0..3 {
                let near = |deg: Option<f64>| {
                    deg.is_some_and(|deg| wrap_deg(deg - measured.current[k].angle_deg.unwrap()).abs() < 0.5)
                };
                let drawn = shown.current[k];
                assert!(near(drawn.angle_deg) || near(drawn.mirror_deg), "{wiring:?}: {drawn:?}");
                assert!(drawn.mirror_deg.is_some(), "{drawn:?}");
            }
            assert_eq!(shown.arrows().iter().filter(|arrow| arrow.label == "I2?").count(), 2);
            assert!(shown.note.contains("lag and lead are not measured"), "{}", shown.note);
            assert!(intended.note.contains("lag and lead are not measured"), "{}", intended.note);
        }
        // Known by hand: a motor that lags by 35 degrees, its CT 2 reversed, stands at -120 - 35 + 180 = 25 degrees.
        let watts = watts_only(&reversed);
        let (shown, _) = pictures(&watts, &watts.circuits[0], expected);
        let lag_deg = -pictures(&snapshot_after("Alder Creek Lift", &Wiring::INTENDED), &watts.circuits[0], expected)
            .0
            .current[0]
            .angle_deg
            .unwrap()
            .abs();
        let by_hand = wrap_deg(-120.0 + lag_deg + 180.0);
        let found = [shown.current[1].angle_deg, shown.current[1].mirror_deg].map(Option::unwrap);
        assert!(found.iter().any(|deg| wrap_deg(deg - by_hand).abs() < 0.5), "{found:?} for {by_hand}");
    }

    /// A power factor alone tells neither the direction of power nor lag from lead: nothing is drawn by it.
    #[test]
    fn a_power_factor_alone_draws_no_current() {
        let expected = Expected { service: ServiceKind::Wye4, rotation: Rotation::Abc, nominal_voltage_v: 480.0 };
        let mut station = watts_only(&Wiring::INTENDED);
        let mut reading = station.monitors[0].reading.as_deref().unwrap().clone();
        reading.circuits[0].active_power_w = [Measured::NotMapped; 3];
        reading.circuits[0].power_factor = [Measured::Good(0.8); 3];
        station.monitors[0].reading = Some(Arc::new(reading));
        let (shown, _) = pictures(&station, &station.circuits[0], expected);
        assert!(shown.current.iter().all(|phasor| phasor.angle_deg.is_none() && phasor.size.is_some()));
        assert!(shown.note.contains("not drawn"), "{}", shown.note);
    }
}
