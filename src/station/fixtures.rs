//! Stations, readings and events that the unit tests of the edge speak of.

use std::sync::Arc;
use std::time::Duration;

use super::snapshot::{MonitorSnapshot, PollHealth, StationSnapshot};
use super::state::StationState;
use crate::audit::installation::{CtSecondary, VoltageConnection};
use crate::audit::testbench::{LoadState, Offer, context_for};
use crate::audit::wiring::{CurrentSeen, Wiring};
use crate::config::model::{
    CircuitConfig, CtRatio, LoadKind, MonitorConfig, RunSource, Service, StationConfig, Tariff, Transport, WaterSource,
};
use crate::modbus::error::{Cause, ModbusError, Transaction};
use crate::modbus::map::{Blanking, Conventions, MapSource, MeterMap, ReadFunction, ReadLimits};
use crate::modbus::poll::PollEvent;
use crate::reading::{CircuitReading, Instant2, Measured, MonitorReading, MonoMs, Phase, Rotation, UnixMs};

/// A 60 hp pump on a 480 V wye, one monitor.
pub(crate) fn station_config(name: &str) -> StationConfig {
    StationConfig {
        name: name.to_owned(),
        service: Service::Wye4,
        nominal_voltage_v: 480.0,
        voltage_connection: VoltageConnection::Direct,
        nominal_frequency_hz: 60.0,
        rotation: Rotation::Abc,
        tariff: None,
        monitors: vec![MonitorConfig {
            name: "PM-1".to_owned(),
            address: "127.0.0.1:15021".to_owned(),
            unit: 1,
            transport: Transport::Tcp,
            map: MapSource::Fixed(MeterMap {
                name: "generic-full".to_owned(),
                title: "Generic monitor".to_owned(),
                slots: 1,
                limits: ReadLimits::default(),
                conventions: Conventions::default(),
                blanking: Blanking::default(),
                points: Vec::new(),
            }),
            map_name: "generic-full".to_owned(),
            poll_period: Duration::from_secs(1),
            timeout: Duration::from_millis(500),
        }],
        circuits: vec![CircuitConfig {
            name: "Pump 1".to_owned(),
            monitor: 0,
            slot: 0,
            load: LoadKind::InductionMotor,
            rated_power_w: Some(44_742.0),
            rated_voltage_v: Some(460.0),
            full_load_current_a: Some(77.0),
            full_load_power_factor: Some(0.86),
            ct_ratio: Some(CtRatio::of_currents(200.0, 5.0)),
            ct_secondary: CtSecondary::Unknown,
            run_source: RunSource::Current,
            water: WaterSource { monitor: 0, slot: 0 },
            fault_since: None,
            alarm_priority: None,
        }],
    }
}

/// A monitor that has not been polled.
pub(crate) fn monitor_snapshot() -> MonitorSnapshot {
    MonitorSnapshot {
        name: "PM-1".to_owned(),
        address: "127.0.0.1:15021".to_owned(),
        unit: 1,
        map_name: "generic-full".to_owned(),
        poll_period: Duration::from_secs(1),
        health: PollHealth::default(),
        reading: None,
        register_fault: None,
    }
}

/// CT pairs 2 and 3 exchanged.
pub(crate) fn exchanged() -> Wiring {
    let sees = |phase| CurrentSeen::Conductor { phase, reversed: false };
    Wiring { current: [sees(Phase::A), sees(Phase::C), sees(Phase::B)], ..Wiring::INTENDED }
}

/// The pump of [`station_config`] at 80 % load, wired as `wiring`, at `at_ms` on both clocks.
pub(crate) fn reading(wiring: &Wiring, at_ms: u64) -> MonitorReading {
    LoadState::motor(&context_for(Offer::Full), 0.8).seen(wiring, Offer::Full, at_ms)
}

/// The same, wired right.
pub(crate) fn running_reading(at_ms: u64) -> MonitorReading {
    reading(&Wiring::INTENDED, at_ms)
}

/// A poll that went well.
pub(crate) fn good_event(reading: MonitorReading) -> PollEvent {
    PollEvent {
        reading,
        raw: None,
        errors: Vec::new(),
        took_ms: 12.5,
        transactions: 2,
        skipped_ticks: 0,
        connects: 0,
        dropped_events: 0,
    }
}

/// A poll in which nothing was answered.
pub(crate) fn failed_event(at_ms: u64) -> PollEvent {
    let error = ModbusError {
        transaction: Transaction {
            device: "Alder Creek Lift / PM-1".to_owned(),
            address: "127.0.0.1:15021".to_owned(),
            unit: 1,
            function: Some(ReadFunction::HoldingRegisters),
            first: 0,
            count: 60,
        },
        cause: Cause::Timeout { after_ms: 1000 },
    };
    let circuit = CircuitReading { current_a: [Measured::Failed; 3], ..CircuitReading::default() };
    let reading = MonitorReading {
        at: instant(at_ms),
        voltage_ln_v: [Measured::Failed; 3],
        circuits: vec![circuit],
        failures: vec![error.to_string()],
        ..MonitorReading::default()
    };
    PollEvent {
        reading,
        raw: None,
        errors: vec![error],
        took_ms: 500.0,
        transactions: 1,
        skipped_ticks: 1,
        connects: 1,
        dropped_events: 0,
    }
}

/// An instant on both clocks.
pub(crate) fn instant(at_ms: u64) -> Instant2 {
    Instant2 { wall: UnixMs(1_700_000_000_000 + at_ms as i64), mono: MonoMs(at_ms) }
}

/// A station after eight seconds of a running pump, wired as `wiring`.
pub(crate) fn snapshot_after(name: &str, wiring: &Wiring) -> Arc<StationSnapshot> {
    let mut state = StationState::new(&station_config(name)).unwrap();
    for second in 0..8 {
        state.take(0, good_event(reading(wiring, 1000 * second)));
    }
    Arc::new(state.snapshot(instant(7200)))
}

/// The same after a minute, at a tariff, with 0.14 m3/s against 20 m and an energy register, and a fault said to stand since
/// 2023-11-01.
pub(crate) fn priced_snapshot_after(name: &str, wiring: &Wiring) -> Arc<StationSnapshot> {
    let mut config = station_config(name);
    config.tariff = Some(Tariff { currency: "USD".to_owned(), price_per_kwh: 0.11 });
    config.circuits[0].fault_since = Some(UnixMs(1_698_796_800_000));
    let mut state = StationState::new(&config).unwrap();
    for second in 0..=60 {
        let mut reading = reading(wiring, 1000 * second);
        let circuit = &mut reading.circuits[0];
        let watts = circuit.total_active_power_w.good().unwrap();
        circuit.energy_import_wh = Measured::Good(1.0e6 + watts * second as f64 / 3600.0);
        circuit.water.flow_m3_per_s = Measured::Good(0.14);
        circuit.water.head_m = Measured::Good(20.0);
        state.take(0, good_event(reading));
    }
    Arc::new(state.snapshot(instant(60_200)))
}
