//! One poll of one monitor, decoded to engineering values: the only thing the audit ever sees of a device.
//!
//! Values here are already normalised: SI units (V, A, W, var, VA, Wh, Hz, degrees), load convention of
//! IEEE 1459 (P > 0 is import, Q > 0 inductive), power factor carrying the sign of P.
//! This module must never read a clock, a socket or a register.

use serde::{Deserialize, Serialize};

/// Wall-clock time, milliseconds since the Unix epoch (UTC). For people and records, never for measuring spans.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
pub struct UnixMs(pub i64);

/// Monotonic time, milliseconds since some fixed start. For spans and delays; never jumps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
pub struct MonoMs(pub u64);

impl MonoMs {
    /// Milliseconds from `earlier` to `self`; zero when `earlier` is later.
    pub fn since(self, earlier: MonoMs) -> u64 {
        self.0.saturating_sub(earlier.0)
    }
}

/// The two clocks of one instant, always taken together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Instant2 {
    /// Wall clock.
    pub wall: UnixMs,
    /// Monotonic clock.
    pub mono: MonoMs,
}

/// One of the three phases (conductors) of a service.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Phase {
    /// Phase A.
    A,
    /// Phase B.
    B,
    /// Phase C.
    C,
}

impl Phase {
    /// The three phases in order.
    pub const ALL: [Phase; 3] = [Phase::A, Phase::B, Phase::C];

    /// 0, 1, 2 for A, B, C.
    pub fn index(self) -> usize {
        self as usize
    }

    /// Phase from 0, 1, 2 (taken modulo three).
    pub fn from_index(index: usize) -> Phase {
        Phase::ALL[index % 3]
    }

    /// "A", "B" or "C".
    pub fn label(self) -> &'static str {
        ["A", "B", "C"][self.index()]
    }
}

/// Order in which the phases pass their peaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Rotation {
    /// A, then B, then C: B lags A by 120 degrees.
    Abc,
    /// A, then C, then B.
    Acb,
}

impl Rotation {
    /// "ABC" or "ACB".
    pub fn label(self) -> &'static str {
        match self {
            Rotation::Abc => "ABC",
            Rotation::Acb => "ACB",
        }
    }
}

/// One value of one reading, with its quality.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub enum Measured {
    /// The map offers no such register.
    #[default]
    NotMapped,
    /// A usable value.
    Good(f64),
    /// The device says "no value": sentinel, NaN, or blanked by its own rule.
    NotAvailable,
    /// The device answered, but with a value that has not moved for too long, or is past its age limit.
    Stale(f64),
    /// Decoded, but physically impossible for this quantity (a negative current magnitude, PF of 3.2).
    OutOfRange(f64),
    /// The read failed; the reason is in [`MonitorReading::failures`].
    Failed,
}

impl Measured {
    /// The value when its quality is good.
    pub fn good(self) -> Option<f64> {
        match self {
            Measured::Good(value) => Some(value),
            _ => None,
        }
    }

    /// True when the map offers this value, whatever its quality now.
    pub fn is_mapped(self) -> bool {
        self != Measured::NotMapped
    }

    /// Applies `f` to a good, stale or out-of-range value; other qualities pass through.
    #[must_use]
    pub fn map(self, f: impl FnOnce(f64) -> f64) -> Measured {
        match self {
            Measured::Good(v) => Measured::Good(f(v)),
            Measured::Stale(v) => Measured::Stale(f(v)),
            Measured::OutOfRange(v) => Measured::OutOfRange(f(v)),
            other => other,
        }
    }
}

/// Where a circuit says whether its pump runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum RunStatus {
    /// No status bit is mapped.
    #[default]
    NotMapped,
    /// Status says running.
    Running,
    /// Status says stopped.
    Stopped,
    /// Mapped but not readable now.
    Failed,
}

/// What instruments on the water side of a pump say.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct WaterReading {
    /// Flow through the pump, m3/s.
    pub flow_m3_per_s: Measured,
    /// Total head, m.
    pub head_m: Measured,
    /// Gauge pressure at the suction, Pa.
    pub suction_pressure_pa: Measured,
    /// Gauge pressure at the discharge, Pa.
    pub discharge_pressure_pa: Measured,
}

/// What one set of CTs reported. Arrays are by current channel 1, 2, 3 as numbered on the terminals.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct CircuitReading {
    /// RMS current, A.
    pub current_a: [Measured; 3],
    /// Angle of each current against voltage channel 1, degrees, counter-clockwise positive (lag is negative).
    pub current_angle_deg: [Measured; 3],
    /// Active power per channel, W.
    pub active_power_w: [Measured; 3],
    /// Reactive power per channel, var.
    pub reactive_power_var: [Measured; 3],
    /// Apparent power per channel, VA.
    pub apparent_power_va: [Measured; 3],
    /// Power factor per channel, -1..1, sign of P (or unsigned where the map says so).
    pub power_factor: [Measured; 3],
    /// Total active power, W.
    pub total_active_power_w: Measured,
    /// Total reactive power, var.
    pub total_reactive_power_var: Measured,
    /// Total apparent power, VA.
    pub total_apparent_power_va: Measured,
    /// Total power factor, -1..1, sign of P (or unsigned where the map says so).
    pub total_power_factor: Measured,
    /// Energy register, import, Wh.
    pub energy_import_wh: Measured,
    /// Energy register, export, Wh.
    pub energy_export_wh: Measured,
    /// Run status of the pump.
    pub run_status: RunStatus,
    /// Flow, head and pressures of the pump.
    pub water: WaterReading,
}

impl CircuitReading {
    /// True when every electrical value is the same to the last digit; flow and head come from other instruments.
    pub fn same_electrical(&self, other: &CircuitReading) -> bool {
        self.current_a == other.current_a
            && self.active_power_w == other.active_power_w
            && self.reactive_power_var == other.reactive_power_var
            && self.apparent_power_va == other.apparent_power_va
            && self.power_factor == other.power_factor
            && self.current_angle_deg == other.current_angle_deg
            && self.total_active_power_w == other.total_active_power_w
            && self.total_reactive_power_var == other.total_reactive_power_var
            && self.total_apparent_power_va == other.total_apparent_power_va
            && self.total_power_factor == other.total_power_factor
            && self.energy_import_wh == other.energy_import_wh
            && self.energy_export_wh == other.energy_export_wh
    }
}

/// One timestamped poll of one monitor. Arrays are by voltage channel 1, 2, 3.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct MonitorReading {
    /// When the poll completed.
    pub at: Instant2,
    /// Voltage channel to neutral (or to the monitor's reference), RMS V.
    pub voltage_ln_v: [Measured; 3],
    /// Voltage between channels 1-2, 2-3, 3-1, RMS V.
    pub voltage_ll_v: [Measured; 3],
    /// Angle of each voltage channel against channel 1, degrees, counter-clockwise positive (ABC: 0, -120, 120).
    pub voltage_angle_deg: [Measured; 3],
    /// Frequency, Hz.
    pub frequency_hz: Measured,
    /// One entry per circuit slot of the monitor's map, in slot order.
    pub circuits: Vec<CircuitReading>,
    /// Why values are [`Measured::Failed`]: one plain sentence per failed read, naming registers and cause.
    pub failures: Vec<String>,
}
