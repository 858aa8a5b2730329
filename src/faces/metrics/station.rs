//! A station on the page: how its monitors answer and what they report of the voltage; its circuits.

use super::circuit::circuit_figures;
use super::families as f;
use super::page::Page;
use crate::reading::{MonitorReading, MonoMs};
use crate::station::snapshot::{MonitorSnapshot, StationSnapshot};

const CHANNELS: [&str; 3] = ["1", "2", "3"];
const LINE_CHANNELS: [&str; 3] = ["12", "23", "31"];

pub(super) fn station_figures(page: &mut Page, station: &StationSnapshot, now: MonoMs) {
    page.set(&f::CLOCK_JUMPS, [&station.station], station.clock_jumps as f64);
    page.set(&f::CORE_FAILURES, [&station.station], station.core_failures as f64);
    for monitor in &station.monitors {
        monitor_figures(page, &station.station, monitor, now);
    }
    for circuit in &station.circuits {
        circuit_figures(page, station, circuit, now);
    }
}

fn monitor_figures(page: &mut Page, station: &str, monitor: &MonitorSnapshot, now: MonoMs) {
    let labels = [station, monitor.name.as_str()];
    let freshness = monitor.freshness(now);
    let health = &monitor.health;
    page.set(&f::ANSWERING, labels, f64::from(u8::from(freshness.is_live())));
    page.set(&f::POLL_PERIOD, labels, monitor.poll_period.as_secs_f64());
    if let Some(age_ms) = freshness.age_ms() {
        page.set(&f::DATA_AGE, labels, age_ms as f64 / 1000.0);
    }
    if let Some(last_good) = health.last_good {
        page.set(&f::LAST_GOOD, labels, last_good.wall.0 as f64 / 1000.0);
    }
    if health.polls > 0 {
        page.set(&f::POLL_TOOK, labels, health.last_took_ms / 1000.0);
    }
    let counters = [
        (&f::POLLS, health.polls),
        (&f::FAILED_POLLS, health.failed_polls),
        (&f::TRANSACTIONS, health.transactions),
        (&f::FAILED_TRANSACTIONS, health.failed_transactions),
        (&f::SKIPPED_TICKS, health.skipped_ticks),
        (&f::CONNECTS, health.connects),
        (&f::DROPPED, health.dropped_events),
    ];
    for (family, count) in counters {
        page.set(family, labels, count as f64);
    }
    if let Some(fault) = &monitor.register_fault {
        page.set(&f::REGISTER_FAULT, [station, &monitor.name, fault.kind], fault.probability.unwrap_or(1.0));
    }
    if let Some(reading) = monitor.reading.as_ref().filter(|_| freshness.is_live()) {
        voltages(page, labels, reading);
    }
}

fn voltages(page: &mut Page, [station, monitor]: [&str; 2], reading: &MonitorReading) {
    for k in 0..3 {
        page.set_good(&f::VOLTAGE_LN, [station, monitor, CHANNELS[k]], reading.voltage_ln_v[k]);
        page.set_good(&f::VOLTAGE_LL, [station, monitor, LINE_CHANNELS[k]], reading.voltage_ll_v[k]);
    }
    page.set_good(&f::FREQUENCY, [station, monitor], reading.frequency_hz);
}
