//! Every metric family that is written from snapshots: name, help, labels. Names follow Prometheus practice (base units, ratios
//! 0..1, `_total` for counters only) and the checker of its own tools; no label has unbounded values.

/// Counter or gauge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Gauge,
    Counter,
}

/// One metric family with its N labels.
#[derive(Debug, Clone, Copy)]
pub(super) struct Family<const N: usize> {
    pub name: &'static str,
    /// One line, without backslashes: it is written as it stands.
    pub help: &'static str,
    pub kind: Kind,
    pub labels: [&'static str; N],
}

const fn gauge<const N: usize>(name: &'static str, labels: [&'static str; N], help: &'static str) -> Family<N> {
    Family { name, help, kind: Kind::Gauge, labels }
}

const fn counter<const N: usize>(name: &'static str, labels: [&'static str; N], help: &'static str) -> Family<N> {
    Family { name, help, kind: Kind::Counter, labels }
}

const STATION: [&str; 1] = ["station"];
const MONITOR: [&str; 2] = ["station", "monitor"];
const MONITOR_CHANNEL: [&str; 3] = ["station", "monitor", "channel"];
const CIRCUIT: [&str; 2] = ["station", "circuit"];
const CIRCUIT_CHANNEL: [&str; 3] = ["station", "circuit", "channel"];
const CIRCUIT_PHASE: [&str; 3] = ["station", "circuit", "phase"];
const CIRCUIT_PERIOD: [&str; 3] = ["station", "circuit", "period"];
const CIRCUIT_STATE: [&str; 3] = ["station", "circuit", "state"];

// The daemon.
pub(super) const BUILD_INFO: Family<1> = gauge("wattassay_build_info", ["version"], "Version of the daemon; always 1.");

// What is kept and sent.
pub(super) const NOTIFICATIONS: Family<3> = counter(
    "wattassay_notifications_total",
    ["target", "kind", "outcome"],
    "Notifications since the start by what became of them; retried counts attempts.",
);
pub(super) const NOTIFICATIONS_WAITING: Family<2> =
    gauge("wattassay_notifications_waiting", ["target", "kind"], "Notifications that wait to be delivered.");
pub(super) const HISTORY_WRITTEN: Family<0> =
    counter("wattassay_history_values_written_total", [], "Values written to the history.");
pub(super) const HISTORY_LOST: Family<1> = counter(
    "wattassay_history_values_lost_total",
    ["reason"],
    "Values lost to the history: the queue was full, or the store refused them.",
);
pub(super) const HISTORY_QUEUED: Family<0> =
    gauge("wattassay_history_queued", [], "Readings, changes and states that wait to be written to the history.");
pub(super) const HISTORY_REMOVED: Family<0> = counter(
    "wattassay_history_rows_removed_total",
    [],
    "Rows removed from the history for their age or for want of room.",
);
pub(super) const HISTORY_SIZE: Family<0> =
    gauge("wattassay_history_size_bytes", [], "Room that the history takes; absent while not known.");
pub(super) const HISTORY_FREE: Family<0> =
    gauge("wattassay_history_disk_free_bytes", [], "Free on the disk of the history; absent for a server.");
pub(super) const HISTORY_LEAST: Family<0> = gauge(
    "wattassay_history_disk_least_free_bytes",
    [],
    "Free on the disk of the history below which it counts as full; absent for a server.",
);
pub(super) const HISTORY_FULL: Family<0> = gauge(
    "wattassay_history_full",
    [],
    "1 while the disk of the history is full and its oldest detail is dropped, else 0.",
);
pub(super) const HISTORY_FAILING: Family<0> =
    gauge("wattassay_history_failing", [], "1 while the history refuses to be written, else 0.");

// Alarms.
pub(super) const ALARMS: Family<2> =
    gauge("wattassay_alarms", ["priority", "state"], "Alarms of this priority in this state.");
pub(super) const ALARM_STATE: Family<6> = gauge(
    "wattassay_alarm_state",
    ["station", "part", "kind", "class", "priority", "state"],
    "1 for every alarm that is not normal, with its state. Empty station: the daemon; empty part: the whole station.",
);
pub(super) const ALARM_FLOOD: Family<0> = gauge(
    "wattassay_alarm_flood",
    [],
    "1 while alarms come faster than an operator can take them and announcements are held, else 0.",
);

// A station.
pub(super) const CLOCK_JUMPS: Family<1> =
    counter("wattassay_clock_jumps_total", STATION, "Jumps of the wall clock seen between two readings.");
pub(super) const CORE_FAILURES: Family<1> = counter(
    "wattassay_audit_failures_total",
    STATION,
    "Internal audit errors; the audit of the circuit started again after each.",
);

// Polling of a monitor.
pub(super) const ANSWERING: Family<2> =
    gauge("wattassay_monitor_answering", MONITOR, "1 while the monitor answers and its values are live, else 0.");
pub(super) const DATA_AGE: Family<2> =
    gauge("wattassay_monitor_data_age_seconds", MONITOR, "Age of the newest reading the monitor answered.");
pub(super) const LAST_GOOD: Family<2> = gauge(
    "wattassay_monitor_last_good_poll_timestamp_seconds",
    MONITOR,
    "When the monitor last answered, seconds since the Unix epoch.",
);
pub(super) const POLL_PERIOD: Family<2> =
    gauge("wattassay_monitor_poll_period_seconds", MONITOR, "Configured time between two polls.");
pub(super) const POLL_TOOK: Family<2> = gauge(
    "wattassay_monitor_last_poll_duration_seconds",
    MONITOR,
    "From first request to last answer of the latest poll.",
);
pub(super) const POLLS: Family<2> = counter("wattassay_monitor_polls_total", MONITOR, "Polls finished.");
pub(super) const FAILED_POLLS: Family<2> =
    counter("wattassay_monitor_failed_polls_total", MONITOR, "Polls in which nothing was answered.");
pub(super) const TRANSACTIONS: Family<2> =
    counter("wattassay_monitor_transactions_total", MONITOR, "Modbus transactions made.");
pub(super) const FAILED_TRANSACTIONS: Family<2> =
    counter("wattassay_monitor_failed_transactions_total", MONITOR, "Modbus transactions that failed.");
pub(super) const SKIPPED_TICKS: Family<2> =
    counter("wattassay_monitor_skipped_polls_total", MONITOR, "Polls left out because the one before ran late.");
pub(super) const CONNECTS: Family<2> =
    counter("wattassay_monitor_connects_total", MONITOR, "Connections opened to the monitor.");
pub(super) const DROPPED: Family<2> =
    counter("wattassay_monitor_dropped_readings_total", MONITOR, "Readings dropped because the station was behind.");

// What a monitor reports of the voltage.
pub(super) const VOLTAGE_LN: Family<3> = gauge(
    "wattassay_voltage_line_to_neutral_volts",
    MONITOR_CHANNEL,
    "RMS voltage of a channel to neutral or to the monitor's reference, as reported.",
);
pub(super) const VOLTAGE_LL: Family<3> = gauge(
    "wattassay_voltage_line_to_line_volts",
    MONITOR_CHANNEL,
    "RMS voltage between two channels (channel 12, 23, 31), as reported.",
);
pub(super) const FREQUENCY: Family<2> = gauge("wattassay_frequency_hertz", MONITOR, "Frequency as reported.");

// What a monitor reports of a circuit.
pub(super) const CIRCUIT_INFO: Family<4> = gauge(
    "wattassay_circuit_info",
    ["station", "circuit", "monitor", "load"],
    "Monitor and kind of load of a circuit; always 1.",
);
pub(super) const CURRENT: Family<3> =
    gauge("wattassay_current_amperes", CIRCUIT_CHANNEL, "RMS current of a channel, as reported.");
pub(super) const ACTIVE: Family<3> = gauge(
    "wattassay_reported_active_power_watts",
    CIRCUIT_CHANNEL,
    "Active power of a channel as reported; positive is into the load.",
);
pub(super) const REACTIVE: Family<3> = gauge(
    "wattassay_reported_reactive_power_vars",
    CIRCUIT_CHANNEL,
    "Reactive power of a channel as reported; positive is inductive.",
);
pub(super) const APPARENT: Family<3> =
    gauge("wattassay_reported_apparent_power_voltamperes", CIRCUIT_CHANNEL, "Apparent power of a channel as reported.");
pub(super) const FACTOR: Family<3> =
    gauge("wattassay_reported_power_factor_ratio", CIRCUIT_CHANNEL, "Power factor of a channel as reported.");
pub(super) const TOTAL_ACTIVE: Family<2> = gauge(
    "wattassay_reported_total_active_power_watts",
    CIRCUIT,
    "Total active power as reported; positive is into the load.",
);
pub(super) const TOTAL_REACTIVE: Family<2> = gauge(
    "wattassay_reported_total_reactive_power_vars",
    CIRCUIT,
    "Total reactive power as reported; positive is inductive.",
);
pub(super) const TOTAL_APPARENT: Family<2> =
    gauge("wattassay_reported_total_apparent_power_voltamperes", CIRCUIT, "Total apparent power as reported.");
pub(super) const TOTAL_FACTOR: Family<2> =
    gauge("wattassay_reported_total_power_factor_ratio", CIRCUIT, "Total power factor as reported.");
pub(super) const ENERGY_IMPORT: Family<2> = counter(
    "wattassay_reported_import_energy_joules_total",
    CIRCUIT,
    "Import energy register of the monitor (1 kWh is 3.6e6 J).",
);
pub(super) const ENERGY_EXPORT: Family<2> = counter(
    "wattassay_reported_export_energy_joules_total",
    CIRCUIT,
    "Export energy register of the monitor (1 kWh is 3.6e6 J).",
);

pub(super) const REGISTER_FAULT: Family<3> = gauge(
    "wattassay_monitor_register_fault_probability_ratio",
    ["station", "monitor", "kind"],
    "Probability of the register fault that is said of the monitor, 0 to 1; absent while none is.",
);

// What the audit says.
pub(super) const RUN_STATE: Family<3> =
    gauge("wattassay_circuit_run_state", CIRCUIT_STATE, "Run state of the pump; 1 for the present state, else 0.");
pub(super) const CHECK_FAILED: Family<3> = gauge(
    "wattassay_check_failed",
    ["station", "circuit", "check"],
    "1 while a check fails on any channel, 0 while it passes; absent while it cannot be judged.",
);
pub(super) const CHECKS: Family<3> = gauge(
    "wattassay_checks",
    CIRCUIT_STATE,
    "Checks of a circuit by outcome, each counted once by the worst of its channels.",
);
pub(super) const VERDICT: Family<3> =
    gauge("wattassay_diagnosis_verdict", CIRCUIT_STATE, "Verdict on a circuit; 1 for the present verdict, else 0.");
pub(super) const SOUND: Family<2> =
    gauge("wattassay_diagnosis_sound_probability_ratio", CIRCUIT, "Probability that metering is correct, 0 to 1.");
pub(super) const LEADING: Family<2> = gauge(
    "wattassay_diagnosis_leading_group_probability_ratio",
    CIRCUIT,
    "Probability of the leading group of wirings that the evidence cannot tell apart, 0 to 1.",
);
pub(super) const WRONG: Family<2> =
    gauge("wattassay_diagnosis_wrong_probability_ratio", CIRCUIT, "Probability that power is metered wrong, 0 to 1.");
pub(super) const LEADING_WIRING: Family<2> = gauge(
    "wattassay_diagnosis_leading_wiring_probability_ratio",
    CIRCUIT,
    "Probability of the most probable wiring alone, 0 to 1.",
);
pub(super) const UNEXPLAINED: Family<2> = gauge(
    "wattassay_diagnosis_unexplained_probability_ratio",
    CIRCUIT,
    "Probability that no wiring considered explains the readings, 0 to 1.",
);
pub(super) const STEADY_READINGS: Family<2> =
    gauge("wattassay_diagnosis_steady_readings", CIRCUIT, "Steady readings behind the diagnosis.");
pub(super) const LOAD_LEVELS: Family<2> =
    gauge("wattassay_diagnosis_load_levels", CIRCUIT, "Distinct load levels behind the diagnosis.");
pub(super) const CORRECTED_ACTIVE: Family<3> = gauge(
    "wattassay_corrected_active_power_watts",
    CIRCUIT_PHASE,
    "Active power of a phase, computed for the intended wiring.",
);
pub(super) const CORRECTED_REACTIVE: Family<3> = gauge(
    "wattassay_corrected_reactive_power_vars",
    CIRCUIT_PHASE,
    "Reactive power of a phase, computed for the intended wiring.",
);
pub(super) const CORRECTED_TOTAL_ACTIVE: Family<2> = gauge(
    "wattassay_corrected_total_active_power_watts",
    CIRCUIT,
    "Total active power, computed for the intended wiring.",
);
pub(super) const CORRECTED_UNCERTAINTY: Family<2> = gauge(
    "wattassay_corrected_total_active_power_uncertainty_watts",
    CIRCUIT,
    "One standard uncertainty of the corrected total active power.",
);
pub(super) const CORRECTED_TOTAL_REACTIVE: Family<2> = gauge(
    "wattassay_corrected_total_reactive_power_vars",
    CIRCUIT,
    "Total reactive power, computed for the intended wiring.",
);
pub(super) const CORRECTED_FACTOR: Family<2> = gauge(
    "wattassay_corrected_total_power_factor_ratio",
    CIRCUIT,
    "Total power factor, computed for the intended wiring.",
);

// Energies, over the time in which power could be corrected; `period` is "start" or "wiring". In gauges, since a wrongly
// wired monitor registers backwards. One kWh is 3.6e6 J.
pub(super) const REGISTERED_ENERGY: Family<3> = gauge(
    "wattassay_energy_registered_joules",
    CIRCUIT_PERIOD,
    "Energy the monitor registered since the audit began (start) or since the wiring changed (wiring).",
);
pub(super) const TRUE_ENERGY: Family<3> = gauge(
    "wattassay_energy_corrected_joules",
    CIRCUIT_PERIOD,
    "Energy by corrected power over the same time; absent while withheld.",
);
pub(super) const ENERGY_UNCERTAINTY: Family<3> = gauge(
    "wattassay_energy_corrected_uncertainty_joules",
    CIRCUIT_PERIOD,
    "One standard uncertainty of the energy by corrected power; absent while withheld.",
);
pub(super) const MISREGISTERED: Family<3> = gauge(
    "wattassay_energy_misregistered_joules",
    CIRCUIT_PERIOD,
    "Registered less corrected energy, below zero when too little is registered; absent while withheld.",
);
pub(super) const MISREGISTERED_COST: Family<4> = gauge(
    "wattassay_energy_misregistered_cost",
    ["station", "circuit", "period", "currency"],
    "Registered less corrected energy at the configured tariff, in the currency; absent while withheld.",
);
pub(super) const ENERGY_COVERED: Family<3> =
    gauge("wattassay_energy_covered_seconds", CIRCUIT_PERIOD, "Time the energies cover.");
pub(super) const ENERGY_LEFT_OUT: Family<3> = gauge(
    "wattassay_energy_left_out_seconds",
    CIRCUIT_PERIOD,
    "Time left out of the energies: power could not be corrected, or readings are missing.",
);
pub(super) const ENERGY_STATE: Family<4> = gauge(
    "wattassay_energy_misregistered_state",
    ["station", "circuit", "period", "state"],
    "Whether misregistered energy is given, or why it is withheld; 1 for the present state, else 0.",
);
pub(super) const REGISTER_ADVANCE: Family<2> = gauge(
    "wattassay_register_import_advance_joules",
    CIRCUIT,
    "Advance of the monitor's own import register while it and its power were both read.",
);
pub(super) const REGISTER_INTEGRAL: Family<2> = gauge(
    "wattassay_register_import_integral_joules",
    CIRCUIT,
    "Integral of registered power, where positive, over the same time as the advance of the import register.",
);

// The water side of a pump.
pub(super) const FLOW: Family<2> =
    gauge("wattassay_pump_flow_cubic_meters_per_second", CIRCUIT, "Flow through the pump, as reported.");
pub(super) const HEAD: Family<2> = gauge(
    "wattassay_pump_head_meters",
    CIRCUIT,
    "Total head of the pump, as reported or from the pressures at suction and discharge.",
);
pub(super) const SPECIFIC_ENERGY: Family<2> = gauge(
    "wattassay_pump_specific_energy_joules_per_cubic_meter",
    CIRCUIT,
    "Energy a cubic metre takes, from corrected power (1 kWh/m3 is 3.6e6 J/m3); absent while power is in doubt.",
);
pub(super) const WIRE_TO_WATER: Family<2> = gauge(
    "wattassay_pump_wire_to_water_efficiency_ratio",
    CIRCUIT,
    "Power in the water over corrected electrical power, 0 to 1; absent while power is in doubt.",
);
