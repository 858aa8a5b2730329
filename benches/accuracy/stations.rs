//! From a drawn station to readings: the waveform simulator meters each state once, and each evidence level is cut from
//! that one sample.
//!
//! Must never compute a phasor itself but for the CT's phase displacement, which the simulator does not have.

use wattassay::audit::context::{BlankingRule, CircuitContext, LoadBehaviour, PowerFactorMeaning};
use wattassay::reading::Measured::{Good, NotAvailable};
use wattassay::reading::{CircuitReading, Instant2, MonitorReading, MonoMs, UnixMs};
use wattassay_simulators::{Station, StationFile};

use super::faults::{MapMistake, lead};
use super::generator::{Draw, Kind, LINE_V, READING_NOISE, State, normal};

/// What a map offers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Level {
    /// V, I, P, Q per channel and voltage angles.
    A,
    /// V, I, P per channel.
    B,
    /// V, I, totals of P and Q.
    C,
    /// V, I, unsigned PF and kW, both blank when power is not positive.
    D,
}

impl Level {
    /// All, in order.
    pub const ALL: [Level; 4] = [Level::A, Level::B, Level::C, Level::D];

    /// True where the map offers reactive power.
    pub fn reads_q(self) -> bool {
        matches!(self, Level::A | Level::C)
    }
}

/// What the monitor meters in one state, by channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Metered {
    /// Volts to neutral.
    pub voltage_v: [f64; 3],
    /// Angle against channel 1, degrees.
    pub voltage_angle_deg: [f64; 3],
    /// Amperes.
    pub current_a: [f64; 3],
    /// Watts.
    pub active_w: [f64; 3],
    /// Vars.
    pub reactive_var: [f64; 3],
}

impl Metered {
    /// Sum of V I, VA.
    pub fn apparent_va(&self) -> f64 {
        (0..3).map(|k| self.voltage_v[k] * self.current_a[k]).sum()
    }

    /// Total active power, W.
    pub fn total_w(&self) -> f64 {
        self.active_w.iter().sum()
    }

    /// Total reactive power, var.
    pub fn total_var(&self) -> f64 {
        self.reactive_var.iter().sum()
    }
}

/// The station file of one state; `schedule` is what the pump does.
pub fn station_file(draw: &Draw, state: &State, schedule: &str) -> String {
    let three = |x: &[f64; 3]| x.map(|x| format!("{x:.6}")).join(", ");
    let leads = &draw.truth.leads;
    let voltage = leads.voltage.map(|p| format!("\"{}\"", ["A", "B", "C"][p])).join(", ");
    let current = leads.current.map(|row| format!("\"{}\"", lead(&row))).join(", ");
    let lost = leads.lost.map_or(String::new(), |p| format!("lost_phase = \"{}\"", ["A", "B", "C"][p]));
    let load = match draw.kind {
        Kind::Motor => "induction-motor",
        Kind::Drive => "drive",
        Kind::Capacitor => "motor-with-capacitor",
        Kind::Resistive => "resistive",
    };
    format!(
        r#"
name = "Random station"
seed = {seed}
[source]
line_voltage_v = {LINE_V:.1}
rotation = "{rotation}"
phase_scale = [{supply}]
noise = 0.002
[[pumps]]
name = "Pump 1"
load = "{load}"
rated_power_w = {power:.1}
rated_voltage_v = 460.0
full_load_current_a = {amps:.1}
full_load_power_factor = {pf:.5}
unbalance = [{share}]
start_s = 2.0
schedule = [{schedule}]
{lost}
[[monitors]]
name = "PM-1"
listen = "127.0.0.1:0"
map = "generic-full"
circuits = ["Pump 1"]
voltage = [{voltage}]
currents = [[{current}]]
accuracy = {class:.4}
"#,
        seed = draw.seed,
        rotation = if leads.opposite { "ACB" } else { "ABC" },
        supply = three(&state.supply),
        power = draw.plate.rated_power_w,
        amps = draw.plate.full_load_current_a,
        pf = draw.power_factor,
        share = three(&state.share),
        class = draw.class_percent,
    )
}

/// Meters a station file at a moment, CT displacement and the map's mistake included.
pub fn meter(draw: &Draw, file: &str, t_s: f64) -> Metered {
    let station = StationFile::from_toml(file).and_then(|f| Station::new(&f)).expect("a playable station");
    let sample = station.meter(0, t_s).expect("a monitor");
    let from = &sample.circuits[0];
    let (mut active_w, mut reactive_var) = (from.active_power_w, from.reactive_power_var);
    for k in 0..3 {
        let (sin, cos) = draw.displacement_deg[k].to_radians().sin_cos();
        let (p, q) = (active_w[k], reactive_var[k]);
        (active_w[k], reactive_var[k]) = (p * cos - q * sin, q * cos + p * sin);
    }
    match draw.truth.leads.map {
        MapMistake::None => {}
        MapMistake::SignOfP => active_w = active_w.map(|p| -p),
        MapMistake::SignOfQ => reactive_var = reactive_var.map(|q| -q),
        MapMistake::Exchanged => (active_w, reactive_var) = (reactive_var, active_w),
    }
    Metered {
        voltage_v: sample.voltage_ln_v,
        voltage_angle_deg: sample.voltage_angle_deg,
        current_a: from.current_a,
        active_w,
        reactive_var,
    }
}

/// Meters every state of a station past its start. The simulator counts energy from its start, so the start is short.
pub fn meter_states(draw: &Draw) -> Vec<Metered> {
    draw.states
        .iter()
        .enumerate()
        .map(|(n, state)| {
            let schedule = format!("{{ at_s = 0.0, load = {:.6} }}", state.load);
            meter(draw, &station_file(draw, state, &schedule), 2.2 + 0.2 * n as f64)
        })
        .collect()
}

/// A reading of what was metered, with its noise.
pub fn reading(metered: &Metered, level: Level, at_ms: u64, random: &mut fastrand::Rng) -> MonitorReading {
    let mut noisy = |value: f64, of: f64| value + READING_NOISE * of * normal(random);
    let voltage_v = metered.voltage_v.map(|v| noisy(v, v));
    let current_a = metered.current_a.map(|i| noisy(i, i));
    let va = [0, 1, 2].map(|k| metered.voltage_v[k] * metered.current_a[k]);
    let active_w = [0, 1, 2].map(|k| noisy(metered.active_w[k], va[k]));
    let reactive_var = [0, 1, 2].map(|k| noisy(metered.reactive_var[k], va[k]));
    let total: f64 = active_w.iter().sum();
    let mut circuit = CircuitReading { current_a: current_a.map(Good), ..CircuitReading::default() };
    match level {
        Level::A => {
            circuit.active_power_w = active_w.map(Good);
            circuit.reactive_power_var = reactive_var.map(Good);
        }
        Level::B => circuit.active_power_w = active_w.map(Good),
        Level::C => {
            circuit.total_active_power_w = Good(total);
            circuit.total_reactive_power_var = Good(reactive_var.iter().sum());
        }
        Level::D => {
            let apparent: f64 = (0..3).map(|k| voltage_v[k] * current_a[k]).sum();
            let shown = |value: f64| if total > 0.0 { Good(value) } else { NotAvailable };
            circuit.total_active_power_w = shown(total);
            circuit.total_power_factor = shown((total / apparent).clamp(0.0, 1.0));
        }
    }
    let angles = metered.voltage_angle_deg.map(Good);
    MonitorReading {
        at: Instant2 { wall: UnixMs(1_795_000_000_000 + at_ms as i64), mono: MonoMs(at_ms) },
        voltage_ln_v: voltage_v.map(Good),
        voltage_angle_deg: if level == Level::A { angles } else { Default::default() },
        circuits: vec![circuit],
        ..MonitorReading::default()
    }
}

/// What the audit is told in advance.
pub fn context(draw: &Draw, level: Level) -> CircuitContext {
    CircuitContext {
        load: match draw.kind {
            Kind::Motor => LoadBehaviour::InductionMotor,
            Kind::Drive => LoadBehaviour::Drive,
            Kind::Capacitor => LoadBehaviour::MotorWithCapacitor,
            Kind::Resistive => LoadBehaviour::Resistive,
        },
        full_load_current_a: Some(draw.plate.full_load_current_a),
        full_load_power_factor: Some(draw.plate.power_factor),
        ct_primary_a: Some(3.0 * draw.plate.full_load_current_a),
        power_factor: PowerFactorMeaning { signed_by_power: level != Level::D },
        blanking: BlankingRule { when_not_positive: level == Level::D, when_stopped: level == Level::D },
        ..CircuitContext::unknown(LINE_V)
    }
}
