//! Rules about rated power, full-load current and CT rating against each other.
//!
//! Pure. Bands are wide: a warning about a plate that exists teaches people to read none.

use std::ops::RangeInclusive;

use super::{CT_LEAST_SHARE, Oddity};
use crate::config::model::{CircuitConfig, LoadKind, Service, StationConfig};

/// From here on motors have at least these efficiencies and power factors, W (5 hp).
const LARGER_W: f64 = 3700.0;
/// Apparent over shaft power at full load, so one over efficiency times power factor. The full-load currents of the National
/// Electrical Code's tables 430.248 and 430.250 (from memory) give 1.25 (500 hp) to 1.75 (5 hp, single phase), and below 5 hp up
/// to 4.1 (1/6 hp at 115 V). A low-speed motor with a power factor of 0.6 comes to 2. A motor entered with the current of its
/// other voltage (230 V and 460 V) is off by a factor of 2.
const VA_PER_W: RangeInclusive<f64> = 0.95..=2.4;
const VA_PER_W_SMALL: RangeInclusive<f64> = 0.95..=6.0;
/// The same of heaters, whose rating is electrical.
const VA_PER_W_RESISTIVE: RangeInclusive<f64> = 0.8..=1.3;

/// Full-load currents that a load of this rated power can have, A.
fn plausible_a(station: &StationConfig, circuit: &CircuitConfig) -> Option<RangeInclusive<f64>> {
    let power_w = circuit.rated_power_w?;
    let band = match circuit.load {
        LoadKind::Resistive => VA_PER_W_RESISTIVE,
        _ if power_w < LARGER_W => VA_PER_W_SMALL,
        _ => VA_PER_W,
    };
    let phases = match station.service {
        Service::SinglePhase | Service::SplitPhase => 1.0,
        _ => 3f64.sqrt(),
    };
    let unit_a = power_w / (phases * voltage_v(station, circuit));
    Some(band.start() * unit_a..=band.end() * unit_a)
}

fn voltage_v(station: &StationConfig, circuit: &CircuitConfig) -> f64 {
    circuit.rated_voltage_v.unwrap_or(station.nominal_voltage_v)
}

pub(super) fn current_against_power(
    station: &StationConfig,
    circuit: &CircuitConfig,
) -> Option<(&'static str, Oddity)> {
    let (full_load_a, power_w) = (circuit.full_load_current_a?, circuit.rated_power_w?);
    let plausible_a = plausible_a(station, circuit)?;
    let voltage_v = voltage_v(station, circuit);
    (!plausible_a.contains(&full_load_a))
        .then_some(("full_load_current", Oddity::CurrentAgainstPower { full_load_a, power_w, voltage_v, plausible_a }))
}

pub(super) fn ct_against_full_load(station: &StationConfig, circuit: &CircuitConfig) -> Option<(&'static str, Oddity)> {
    let primary_a = circuit.ct_ratio?.primary_a;
    let from_power = circuit.full_load_current_a.is_none();
    let full_load_a = circuit.full_load_current_a.map(|a| a..=a).or_else(|| plausible_a(station, circuit))?;
    let (least, most) = (*full_load_a.start(), *full_load_a.end());
    let what = if least > primary_a {
        Oddity::CtBelowFullLoad { primary_a, full_load_a: least, from_power }
    } else if most < CT_LEAST_SHARE * primary_a {
        Oddity::CtFarAboveFullLoad { primary_a, full_load_a: most, from_power }
    } else {
        return None;
    };
    Some(("ct_ratio", what))
}

/// What a plate would say and the file does not. Heaters and loads that are not known have no such plate.
pub(super) fn missing(_: &StationConfig, circuit: &CircuitConfig) -> Option<(&'static str, Oddity)> {
    if matches!(circuit.load, LoadKind::Resistive | LoadKind::Unknown) {
        return None;
    }
    if circuit.full_load_current_a.is_none() {
        let what = Oddity::NoFullLoadCurrent { load: circuit.load, no_ratio: circuit.ct_ratio.is_none() };
        return Some(("full_load_current", what));
    }
    // What a drive draws has not the motor's power factor.
    let missing = circuit.full_load_power_factor.is_none() && circuit.load != LoadKind::Drive;
    missing.then_some(("full_load_power_factor", Oddity::NoPowerFactor))
}
