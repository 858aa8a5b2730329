//! What a station shows of itself at one instant: plain, immutable data for the faces.
//!
//! A snapshot never ages by itself: whoever shows it asks [`MonitorSnapshot::freshness`] with the time of showing, so
//! that old values are never shown as if live.

use std::sync::Arc;
use std::time::Duration;

use serde::{Deserialize, Serialize};
use tokio::sync::watch;

use crate::audit::assessment::{Assessment, RunState, Verdict};
use crate::audit::energy::EnergyReport;
use crate::audit::field_check::FieldCheck;
use crate::audit::installation::Installation;
use crate::audit::procedure::{Neighbor, Place};
use crate::audit::pump::{self, PumpFigures};
use crate::audit::register_fault::RegisterFault;
use crate::config::checks::RecordedCheck;
use crate::config::model::{LoadKind, Tariff, WaterSource};
use crate::reading::{CircuitReading, Instant2, Measured, MonitorReading, MonoMs, RunStatus, UnixMs, WaterReading};

/// A reading older than this many poll periods is stale: two polls may be lost before anyone is told.
pub const STALE_AFTER_PERIODS: u32 = 3;

/// Everything about one station.
#[derive(Debug, Clone)]
pub struct StationSnapshot {
    /// Name.
    pub station: String,
    /// When this was put together.
    pub at: Instant2,
    /// Monitors, in file order.
    pub monitors: Vec<MonitorSnapshot>,
    /// What energy costs here.
    pub tariff: Option<Tariff>,
    /// Circuits, in file order.
    pub circuits: Vec<CircuitSnapshot>,
    /// Jumps of the wall clock seen between readings.
    pub clock_jumps: u64,
    /// The latest of them.
    pub last_clock_jump: Option<ClockJump>,
    /// Times the audit of a circuit failed inside and was started anew.
    pub core_failures: u64,
}

impl StationSnapshot {
    /// The monitor that a circuit is on.
    pub fn monitor_of(&self, circuit: &CircuitSnapshot) -> Option<&MonitorSnapshot> {
        self.monitors.get(circuit.monitor)
    }

    /// What the circuit's monitor reported in its newest reading, whatever its age.
    pub fn reported(&self, circuit: &CircuitSnapshot) -> Option<&CircuitReading> {
        self.monitor_of(circuit)?.reading.as_ref()?.circuits.get(circuit.slot)
    }

    /// Where work on a circuit's metering is done, with the other pumps of its monitor.
    pub fn place_of(&self, circuit: &CircuitSnapshot) -> Place {
        let beside = self.circuits.iter().filter(|c| c.monitor == circuit.monitor && c.slot != circuit.slot);
        Place {
            installation: circuit.installation,
            pump: circuit.name.clone(),
            neighbors: beside.map(|c| Neighbor { slot: c.slot, name: c.name.clone() }).collect(),
        }
    }

    /// Pump figures of a circuit as they may be shown at `now`; `None` where no instrument is on its water side.
    pub fn pump_figures(&self, circuit: &CircuitSnapshot, now: MonoMs) -> Option<PumpFigures> {
        let device = self.monitors.get(circuit.water.monitor)?;
        let read = device.reading.as_ref()?.circuits.get(usize::from(circuit.water.slot))?.water;
        let water = WaterReading {
            flow_m3_per_s: device.shown(read.flow_m3_per_s, now),
            head_m: device.shown(read.head_m, now),
            suction_pressure_pa: device.shown(read.suction_pressure_pa, now),
            discharge_pressure_pa: device.shown(read.discharge_pressure_pa, now),
        };
        let live = self.monitor_of(circuit).is_some_and(|m| m.freshness(now).is_live());
        pump::figures(&water, circuit.assessment.as_deref().filter(|_| live))
    }
}

/// The wall clock moved against the monotonic clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ClockJump {
    /// First reading after it.
    pub at: Instant2,
    /// How far the wall clock moved, ms; negative is backwards.
    pub by_ms: i64,
}

/// One monitor.
#[derive(Debug, Clone)]
pub struct MonitorSnapshot {
    /// Name.
    pub name: String,
    /// Address as configured.
    pub address: String,
    /// Unit id.
    pub unit: u8,
    /// Map as configured.
    pub map_name: String,
    /// Time between polls.
    pub poll_period: Duration,
    /// Polling record.
    pub health: PollHealth,
    /// Newest reading in which the monitor answered; `None` when it never has.
    pub reading: Option<Arc<MonitorReading>>,
    /// The map says something other than what the device does; `None` while nothing of the kind is sure.
    pub register_fault: Option<Arc<RegisterFault>>,
}

/// How polling of one monitor goes. Counters start at zero with the process.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct PollHealth {
    /// Polls finished.
    pub polls: u64,
    /// Polls in which nothing was answered.
    pub failed_polls: u64,
    /// Modbus transactions made.
    pub transactions: u64,
    /// Transactions that failed.
    pub failed_transactions: u64,
    /// Poll ticks skipped because a poll ran late.
    pub skipped_ticks: u64,
    /// Connections opened.
    pub connects: u64,
    /// Readings dropped because the station was behind.
    pub dropped_events: u64,
    /// When the latest poll finished.
    pub last_poll: Option<Instant2>,
    /// When the latest poll with an answer finished.
    pub last_good: Option<Instant2>,
    /// True when nothing was answered in the latest poll.
    pub silent: bool,
    /// What went wrong in the latest poll, one sentence each; empty when all is well.
    pub failures: Vec<String>,
    /// From first request to last answer of the latest poll, ms.
    pub last_took_ms: f64,
}

/// How far the values shown of a monitor can be taken for the present.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Freshness {
    /// The first poll has not finished yet.
    Waiting,
    /// Polled, and never answered.
    NeverAnswered,
    /// The values are of now.
    Live {
        /// Age of the newest reading, ms.
        age_ms: u64,
    },
    /// The values are old; they must be shown as such or not at all.
    Stale {
        /// Age of the newest reading, ms.
        age_ms: u64,
    },
}

impl Freshness {
    /// True for values of now.
    pub fn is_live(self) -> bool {
        matches!(self, Freshness::Live { .. })
    }

    /// Age of the newest reading, ms.
    pub fn age_ms(self) -> Option<u64> {
        match self {
            Freshness::Live { age_ms } | Freshness::Stale { age_ms } => Some(age_ms),
            Freshness::Waiting | Freshness::NeverAnswered => None,
        }
    }

    /// One word, as used in JSON and reports.
    pub fn key(self) -> &'static str {
        match self {
            Freshness::Waiting => "waiting",
            Freshness::NeverAnswered => "never_answered",
            Freshness::Live { .. } => "live",
            Freshness::Stale { .. } => "stale",
        }
    }
}

impl MonitorSnapshot {
    /// How old the values are at `now`, and whether that is too old.
    pub fn freshness(&self, now: MonoMs) -> Freshness {
        let Some(last_good) = self.health.last_good else {
            return if self.health.last_poll.is_none() { Freshness::Waiting } else { Freshness::NeverAnswered };
        };
        let age_ms = now.since(last_good.mono);
        if self.health.silent || age_ms > stale_after_ms(self.poll_period) {
            Freshness::Stale { age_ms }
        } else {
            Freshness::Live { age_ms }
        }
    }

    /// A value of this monitor as it may be shown at `now`: a good value of an old reading is a stale one.
    pub fn shown(&self, value: Measured, now: MonoMs) -> Measured {
        match value {
            Measured::Good(v) if !self.freshness(now).is_live() => Measured::Stale(v),
            other => other,
        }
    }
}

/// Age in ms past which a reading is stale.
pub fn stale_after_ms(poll_period: Duration) -> u64 {
    (poll_period * STALE_AFTER_PERIODS).as_millis() as u64
}

/// The last steady reading of a circuit while it ran, as its monitor reported it: what a sheet printed at a stopped pump shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SteadyRun {
    /// When it was read.
    pub at: UnixMs,
    /// Voltage channels to neutral, V.
    pub voltage_ln_v: [Measured; 3],
    /// Voltages between channels 1-2, 2-3, 3-1, V.
    pub voltage_ll_v: [Measured; 3],
    /// Angles of the voltage channels, degrees.
    pub voltage_angle_deg: [Measured; 3],
    /// The circuit's values.
    pub values: CircuitReading,
    /// Corrected active and reactive power of phases A, B, C at that moment, W and var, where there was one.
    pub corrected: Option<[(f64, f64); 3]>,
}

impl SteadyRun {
    /// From the reading that an assessment was made of.
    pub fn of(reading: &MonitorReading, values: &CircuitReading, assessment: &Assessment) -> SteadyRun {
        SteadyRun {
            at: reading.at.wall,
            voltage_ln_v: reading.voltage_ln_v,
            voltage_ll_v: reading.voltage_ll_v,
            voltage_angle_deg: reading.voltage_angle_deg,
            values: values.clone(),
            corrected: assessment.corrected.map(|power| power.per_phase_va.map(|va| (va.re, va.im))),
        }
    }
}

/// One circuit.
#[derive(Debug, Clone)]
pub struct CircuitSnapshot {
    /// Name.
    pub name: String,
    /// Index into [`StationSnapshot::monitors`].
    pub monitor: usize,
    /// Slot on that monitor, from 0.
    pub slot: usize,
    /// Kind of load.
    pub load: LoadKind,
    /// What a person meets at its panel.
    pub installation: Installation,
    /// Latest assessment; `None` before the first reading, and after the audit failed inside.
    pub assessment: Option<Arc<Assessment>>,
    /// The last steady reading of the running pump; `None` before the first.
    pub last_run: Option<Arc<SteadyRun>>,
    /// Set while the audit of this circuit fails inside: what it said last.
    pub core_failure: Option<String>,
    /// Where flow and head come from.
    pub water: WaterSource,
    /// Energies registered and true.
    pub energy: EnergyReport,
    /// Since when a person believes the metering to be wrong.
    pub fault_since: Option<UnixMs>,
    /// What people found at the panel and what the assessment therefore counts.
    pub checks: Arc<[RecordedCheck]>,
}

impl CircuitSnapshot {
    /// The checks that people have done already.
    pub fn done(&self) -> Vec<FieldCheck> {
        self.checks.iter().map(|check| check.outcome.check).collect()
    }

    /// The last steady reading of the running pump, while it does not run: nothing of now shows its currents then.
    pub fn last_run_at_standstill(&self) -> Option<&SteadyRun> {
        let runs = self.assessment.as_ref().is_some_and(|a| a.run_state == RunState::Running);
        self.last_run.as_deref().filter(|_| !runs)
    }

    /// The verdict on the circuit.
    pub fn verdict(&self) -> Verdict {
        self.assessment.as_ref().map_or(Verdict::NoEvidence, |a| a.diagnosis.verdict)
    }
}

/// True when the monitor answered anything in this poll.
pub fn answered(reading: &MonitorReading) -> bool {
    let told = |value: &Measured| !matches!(value, Measured::NotMapped | Measured::Failed);
    let monitor = [&reading.voltage_ln_v, &reading.voltage_ll_v, &reading.voltage_angle_deg];
    monitor.into_iter().flatten().any(told)
        || told(&reading.frequency_hz)
        || reading.circuits.iter().any(|circuit| {
            let channels = [
                &circuit.current_a,
                &circuit.current_angle_deg,
                &circuit.active_power_w,
                &circuit.reactive_power_var,
                &circuit.apparent_power_va,
                &circuit.power_factor,
            ];
            let totals = [
                &circuit.total_active_power_w,
                &circuit.total_reactive_power_var,
                &circuit.total_apparent_power_va,
                &circuit.total_power_factor,
                &circuit.energy_import_wh,
                &circuit.energy_export_wh,
                &circuit.water.flow_m3_per_s,
                &circuit.water.head_m,
                &circuit.water.suction_pressure_pa,
                &circuit.water.discharge_pressure_pa,
            ];
            channels.into_iter().flatten().any(told)
                || totals.into_iter().any(told)
                || matches!(circuit.run_status, RunStatus::Running | RunStatus::Stopped)
        })
}

/// Where a face reads a station. Hands out the newest snapshot and holds no lock afterwards, so that a slow face never
/// makes a station wait.
#[derive(Debug, Clone)]
pub struct SnapshotReader(watch::Receiver<Arc<StationSnapshot>>);

impl SnapshotReader {
    /// Wraps the receiving side of a station's channel.
    pub fn new(receiver: watch::Receiver<Arc<StationSnapshot>>) -> SnapshotReader {
        SnapshotReader(receiver)
    }

    /// The newest snapshot.
    pub fn get(&self) -> Arc<StationSnapshot> {
        Arc::clone(&self.0.borrow())
    }

    /// Waits for a snapshot newer than the last one waited for; false when the station has ended.
    pub async fn changed(&mut self) -> bool {
        self.0.changed().await.is_ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::station::fixtures::{monitor_snapshot, running_reading};

    fn at(mono: u64) -> Instant2 {
        Instant2 { wall: UnixMs(0), mono: MonoMs(mono) }
    }

    #[test]
    fn values_age_by_the_time_of_showing() {
        let mut monitor = monitor_snapshot();
        assert_eq!(monitor.freshness(MonoMs(5)), Freshness::Waiting);
        monitor.health.last_poll = Some(at(1000));
        assert_eq!(monitor.freshness(MonoMs(1000)), Freshness::NeverAnswered);
        monitor.health.last_good = Some(at(1000));
        assert_eq!(monitor.freshness(MonoMs(4000)), Freshness::Live { age_ms: 3000 });
        assert_eq!(monitor.freshness(MonoMs(4001)), Freshness::Stale { age_ms: 3001 });
        assert_eq!(monitor.shown(Measured::Good(2.0), MonoMs(4001)), Measured::Stale(2.0));
        assert_eq!(monitor.shown(Measured::NotAvailable, MonoMs(4001)), Measured::NotAvailable);
        monitor.health.silent = true;
        assert_eq!(monitor.freshness(MonoMs(1001)), Freshness::Stale { age_ms: 1 });
    }

    #[test]
    fn a_monitor_that_says_not_available_has_answered() {
        let mut reading = MonitorReading {
            voltage_ln_v: [Measured::Failed; 3],
            circuits: vec![CircuitReading { current_a: [Measured::Failed; 3], ..CircuitReading::default() }],
            ..MonitorReading::default()
        };
        assert!(!answered(&reading));
        reading.circuits[0].total_power_factor = Measured::NotAvailable;
        assert!(answered(&reading));
        assert!(answered(&running_reading(0)));
    }
}
