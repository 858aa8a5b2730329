//! What a load draws from the voltages at its terminals: motor, drive front end, heater, motor with capacitor.
//!
//! A load is two admittances (to the sequence that turns with it and to the one against it), one to harmonics, and for a
//! drive the harmonics it injects itself. No load has a connection to neutral. Must never know how it is metered.

use std::f64::consts::TAU;

use crate::error::SimError;
use crate::motor::{MotorModel, Nameplate};
use crate::phasor::{C64, Spectrum, Turn, ZERO, to_phases, to_sequences};
use crate::schedule::RunPoint;
use crate::station_file::{LoadKind, PumpFile};

/// Times full-load current a soft starter lets through.
const SOFT_START_LIMIT: f64 = 3.5;
/// Displacement power factor of a diode front end with a reactor.
const DRIVE_DISPLACEMENT: f64 = 0.97;
/// Losses of drive and motor that stay when the shaft load goes, as a part of full-load input.
const DRIVE_STANDING_LOSS: f64 = 0.05;
/// How much more a rectifier reacts to the opposing sequence than to the main one.
const DRIVE_OPPOSING_GAIN: f64 = 2.0;
/// Harmonics of a six-pulse rectifier with reactor, as fractions of its fundamental; negative is opposite phase.
const DRIVE_HARMONICS: [(u16, f64); 6] = [(5, -0.34), (7, -0.13), (11, 0.07), (13, 0.04), (17, -0.03), (19, -0.02)];

/// Admittances of a load in one state.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Admittance {
    /// To the sequence of the source's rotation.
    pub(crate) main: C64,
    /// To the opposing sequence.
    pub(crate) opposing: C64,
}

impl Admittance {
    /// Nothing connected.
    pub(crate) const NONE: Admittance = Admittance { main: ZERO, opposing: ZERO };

    /// Two loads on one bus.
    pub(crate) fn beside(self, other: Admittance) -> Admittance {
        Admittance { main: self.main + other.main, opposing: self.opposing + other.opposing }
    }

    /// Line currents at given terminal voltages.
    fn currents(self, terminals: &[C64; 3], turn: Turn) -> [C64; 3] {
        let [_, main, opposing] = to_sequences(terminals, turn);
        to_phases(&[ZERO, main * self.main, opposing * self.opposing], turn)
    }

    /// Voltage the open conductor takes when the other two feed this admittance.
    pub(crate) fn open_terminal_v(self, terminals: &[C64; 3], open: usize, turn: Turn) -> C64 {
        let mut without = *terminals;
        without[open] = ZERO;
        let from_others = self.currents(&without, turn)[open];
        let mut only = [ZERO; 3];
        only[open] = C64::new(1.0, 0.0);
        let own = self.currents(&only, turn)[open];
        if own.norm() == 0.0 { ZERO } else { -from_others / own }
    }
}

#[derive(Debug, Clone)]
enum Kind {
    Motor { model: MotorModel, capacitor_s: f64, soft_limit_a: Option<f64> },
    Drive { full_load_input_w: f64 },
    Resistive { conductance_s: f64 },
}

/// A load built from its nameplate.
#[derive(Debug, Clone)]
pub(crate) struct Load {
    kind: Kind,
}

impl Load {
    /// Builds the load of a pump.
    pub(crate) fn new(pump: &PumpFile) -> Result<Load, SimError> {
        let plate = Nameplate {
            rated_power_w: pump.rated_power_w,
            rated_voltage_v: pump.rated_voltage_v,
            full_load_current_a: pump.full_load_current_a,
            full_load_power_factor: pump.full_load_power_factor,
            locked_rotor_current_a: pump.locked_rotor_current_a,
        };
        for (name, value) in [
            ("rated_power_w", plate.rated_power_w),
            ("rated_voltage_v", plate.rated_voltage_v),
            ("full_load_current_a", plate.full_load_current_a),
        ] {
            if !value.is_finite() || value <= 0.0 {
                return Err(SimError::Nameplate(format!("{name} must be a positive number, not {value}")));
            }
        }
        let full_load_va = 3f64.sqrt() * plate.rated_voltage_v * plate.full_load_current_a;
        let kind = match pump.load {
            LoadKind::InductionMotor => {
                Kind::Motor { model: MotorModel::fit(&plate)?, capacitor_s: 0.0, soft_limit_a: None }
            }
            LoadKind::SoftStarter => Kind::Motor {
                model: MotorModel::fit(&plate)?,
                capacitor_s: 0.0,
                soft_limit_a: Some(SOFT_START_LIMIT * plate.full_load_current_a),
            },
            LoadKind::MotorWithCapacitor => {
                // The plate is the motor's own; the capacitor brings the circuit to 0.95 at full load unless given.
                let factor = plate.full_load_power_factor;
                let to_095 = full_load_va * factor * (factor.acos().tan() - 0.95f64.acos().tan());
                let capacitor_var = pump.capacitor_var.unwrap_or(to_095).max(0.0);
                Kind::Motor {
                    model: MotorModel::fit(&plate)?,
                    capacitor_s: capacitor_var / plate.rated_voltage_v.powi(2),
                    soft_limit_a: None,
                }
            }
            LoadKind::Drive => {
                let distortion = DRIVE_HARMONICS.iter().map(|harmonic| harmonic.1.powi(2)).sum::<f64>();
                Kind::Drive { full_load_input_w: full_load_va / (1.0 + distortion).sqrt() * DRIVE_DISPLACEMENT }
            }
            LoadKind::Resistive => {
                Kind::Resistive { conductance_s: plate.rated_power_w / plate.rated_voltage_v.powi(2) }
            }
        };
        Ok(Load { kind })
    }

    /// Builds the load of a pump on two wires. Its admittance is that of the three-phase load with the same plate but
    /// current over root three, for then its admittance per phase is the admittance between the two wires:
    /// a single-phase motor is taken as one whose capacitor makes its field turn evenly.
    pub(crate) fn two_wire(pump: &PumpFile) -> Result<Load, SimError> {
        if pump.load == LoadKind::Drive {
            return Err(SimError::Nameplate(
                "a drive here has a six-pulse rectifier and needs three phases".to_owned(),
            ));
        }
        let mut equal = pump.clone();
        equal.full_load_current_a /= 3f64.sqrt();
        equal.locked_rotor_current_a = pump.locked_rotor_current_a.map(|current_a| current_a / 3f64.sqrt());
        Load::new(&equal)
    }

    /// Current of a load built for two wires, from the voltage across it.
    pub(crate) fn two_wire_current(&self, across: &Spectrum, run: RunPoint) -> Spectrum {
        if run == RunPoint::Stopped {
            return Spectrum::default();
        }
        let fundamental = across.fundamental();
        let terminals = to_phases(&[ZERO, fundamental / 3f64.sqrt(), ZERO], Turn::Abc);
        let mut current = Spectrum::sine(fundamental * self.admittance(&terminals, run, Turn::Abc).main);
        for &(order, voltage) in across.terms().iter().filter(|term| term.0 != 1) {
            current.add(order, voltage * self.harmonic_admittance(order, run));
        }
        current
    }

    /// Admittances at given terminal voltages and state.
    pub(crate) fn admittance(&self, terminals: &[C64; 3], run: RunPoint, turn: Turn) -> Admittance {
        let [_, main, opposing] = to_sequences(terminals, turn);
        let (main_v, opposing_v) = (main.norm(), opposing.norm());
        let (load, progress) = match run {
            RunPoint::Stopped => return Admittance::NONE,
            RunPoint::Starting { progress, load } => (load, Some(progress)),
            RunPoint::Running { load } => (load, None),
        };
        match &self.kind {
            Kind::Motor { model, capacitor_s, soft_limit_a } => {
                let settled = model.slip(main_v, opposing_v, load).unwrap_or(1.0);
                let slip = progress.map_or(settled, |progress| settled + (1.0 - settled) * (1.0 - progress.powf(1.5)));
                let capacitor = C64::new(0.0, *capacitor_s);
                let mut forward = 1.0 / model.forward_impedance(slip);
                let mut backward = 1.0 / model.backward_impedance(slip);
                if let (Some(limit_a), Some(_)) = (soft_limit_a, progress) {
                    let reduced = (limit_a / (forward.norm() * main_v).max(1e-9)).min(1.0);
                    forward *= reduced;
                    backward *= reduced;
                }
                Admittance { main: forward + capacitor, opposing: backward + capacitor }
            }
            Kind::Drive { full_load_input_w } => {
                let load = load * progress.unwrap_or(1.0);
                let input_w = full_load_input_w * (DRIVE_STANDING_LOSS + (1.0 - DRIVE_STANDING_LOSS) * load);
                let input_va = C64::from_polar(input_w / DRIVE_DISPLACEMENT, DRIVE_DISPLACEMENT.acos());
                let square = 3.0 * (main_v.powi(2) + DRIVE_OPPOSING_GAIN * opposing_v.powi(2));
                let admittance = if square == 0.0 { ZERO } else { input_va.conj() / square };
                Admittance { main: admittance, opposing: admittance * DRIVE_OPPOSING_GAIN }
            }
            Kind::Resistive { conductance_s } => {
                let admittance = C64::new(conductance_s * load, 0.0);
                Admittance { main: admittance, opposing: admittance }
            }
        }
    }

    fn harmonic_admittance(&self, order: u16, run: RunPoint) -> C64 {
        match (&self.kind, run) {
            (_, RunPoint::Stopped) | (Kind::Drive { .. }, _) => ZERO,
            (Kind::Motor { model, capacitor_s, .. }, _) => {
                1.0 / model.harmonic_impedance(order) + C64::new(0.0, f64::from(order) * capacitor_s)
            }
            (Kind::Resistive { conductance_s }, RunPoint::Starting { load, .. } | RunPoint::Running { load }) => {
                C64::new(conductance_s * load, 0.0)
            }
        }
    }

    /// Line currents. `supply` carries the harmonics of the bus, `terminals` the fundamental at the load (which
    /// differs from the bus when a conductor is open), `open` that conductor.
    pub(crate) fn currents(
        &self,
        supply: &[Spectrum; 3],
        terminals: &[C64; 3],
        open: Option<usize>,
        run: RunPoint,
        turn: Turn,
    ) -> [Spectrum; 3] {
        if run == RunPoint::Stopped {
            return Default::default();
        }
        let fundamental = self.admittance(terminals, run, turn).currents(terminals, turn);
        let mut lines = fundamental.map(Spectrum::sine);
        for &(order, _) in supply[0].terms().iter().filter(|term| term.0 != 1) {
            let admittance = self.harmonic_admittance(order, run);
            let connected = || (0..3).filter(|phase| Some(*phase) != open);
            let count = connected().count() as f64;
            let star = connected().map(|phase| supply[phase].order(order)).sum::<C64>() / count;
            for phase in connected() {
                lines[phase].add(order, (supply[phase].order(order) - star) * admittance);
            }
        }
        if let Kind::Drive { .. } = self.kind {
            let connected: Vec<usize> = (0..3).filter(|phase| Some(*phase) != open).collect();
            for (order, fraction) in DRIVE_HARMONICS {
                // The shape of the pulses follows each line's own fundamental, which gives every harmonic its proper
                // sequence; what would return through a neutral has no way to.
                let pulses = fundamental.map(|phasor| {
                    let angle = (f64::from(order) * phasor.arg()).rem_euclid(TAU);
                    C64::from_polar(1.0, angle) * (fraction * phasor.norm())
                });
                let mean = connected.iter().map(|phase| pulses[*phase]).sum::<C64>() / connected.len() as f64;
                for phase in &connected {
                    lines[*phase].add(order, pulses[*phase] - mean);
                }
            }
        }
        if let Some(open) = open {
            lines[open] = Spectrum::default();
        }
        lines
    }
}
