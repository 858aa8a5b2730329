//! What the settings of a station contradict in each other, or leave out at a cost: one table of rules over the checked settings.
//!
//! Pure. Must never refuse anything, never change a setting, and never warn of a nameplate that the field has.

mod nameplate;
mod words;

use std::ops::RangeInclusive;

use super::model::{CircuitConfig, LoadKind, Service, StationConfig};
use crate::audit::installation::{CtSecondary, LOW_VOLTAGE_LIMIT_V, VoltageConnection};

/// A supply and the motors made for it differ by a few percent (480 V and 460 V); motors are also run at the next standard
/// voltage (230 V ones at 208 V, 440 V ones at 480 V). Nominal over rated voltage outside this is neither.
const NOMINAL_OVER_RATED: RangeInclusive<f64> = 0.78..=1.25;
/// The same where one of the two is written to neutral: 1 to 1.05 times, over or times the root of 3.
const TO_NEUTRAL: RangeInclusive<f64> = 0.54..=0.64;
const BETWEEN_OVER_NEUTRAL: RangeInclusive<f64> = 1.64..=1.90;
/// Both legs of a split phase over a load on one of them.
const TWO_LEGS: RangeInclusive<f64> = 1.9..=2.2;
/// Nominal voltages that no three-phase service has between its phases: each is to the neutral of a standard one (208Y/120,
/// 480Y/277, 600Y/347; ANSI C84.1, from memory), and 120 V is also the secondary of a VT.
const ONLY_TO_NEUTRAL_V: [f64; 3] = [120.0, 277.0, 347.0];
/// How far from a standard voltage one still is that voltage.
const NEAR: f64 = 0.02;
/// Below this share of their rated primary current CTs of metering class are outside their stated accuracy (IEEE C57.13 states
/// it from 10 %; from memory), and pumps run at a half to all of their full load.
const CT_LEAST_SHARE: f64 = 0.10;
/// Full-load power factors of induction motors, small low-speed ones to large two-pole ones (from memory, with room).
const MOTOR_POWER_FACTOR: RangeInclusive<f64> = 0.5..=0.97;
/// Full-load power factors of heaters.
const RESISTIVE_POWER_FACTOR: RangeInclusive<f64> = 0.9..=1.0;

/// One warning: the circuit by its index (none: the station's own key), the key, and what is odd about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// Index into the station's circuits.
    pub circuit: Option<usize>,
    /// Key of that table.
    pub key: &'static str,
    /// What is odd.
    pub what: Oddity,
}

/// What is odd. Voltages are between phases (V), currents in A, powers in W.
#[derive(Debug, Clone, PartialEq)]
pub enum Oddity {
    /// The nominal voltage is one to neutral by its value alone.
    NominalToNeutral {
        /// As configured.
        nominal_v: f64,
        /// It behind VTs: it may be their secondary.
        transformers: bool,
    },
    /// The nominal voltage is of this service the one to neutral.
    NominalToNeutralOfService {
        /// As configured.
        nominal_v: f64,
        /// Voltage system.
        service: Service,
        /// What is usual between the lines.
        usual_v: f64,
    },
    /// By the motor's plate the nominal voltage is the one to neutral.
    NominalToNeutralByPlate {
        /// As configured.
        nominal_v: f64,
        /// The motor's.
        rated_v: f64,
    },
    /// By the nominal voltage the motor's is the one to neutral.
    RatedToNeutral {
        /// As configured.
        nominal_v: f64,
        /// The motor's.
        rated_v: f64,
    },
    /// The motor is of another voltage.
    RatedUnlikeNominal {
        /// As configured.
        nominal_v: f64,
        /// The motor's.
        rated_v: f64,
    },
    /// Open-delta VTs, and the monitor said to be connected without.
    OpenDeltaDirect,
    /// Above 1,000 V, and the monitor said to be connected without VTs.
    HighVoltageDirect {
        /// As configured.
        nominal_v: f64,
    },
    /// Nothing says whether there are VTs.
    ConnectionUndeclared,
    /// Full-load current and rated power do not belong to one motor.
    CurrentAgainstPower {
        /// As configured.
        full_load_a: f64,
        /// Rated shaft power.
        power_w: f64,
        /// The motor's voltage, or the nominal one.
        voltage_v: f64,
        /// Currents that such a motor may have.
        plausible_a: RangeInclusive<f64>,
    },
    /// A power factor that such a load does not have.
    PowerFactorUnlikeLoad {
        /// As configured.
        factor: f64,
        /// What such loads have.
        plausible: RangeInclusive<f64>,
        /// Kind of load.
        load: LoadKind,
    },
    /// The CTs are rated below the full load.
    CtBelowFullLoad {
        /// Rated primary.
        primary_a: f64,
        /// Least full-load current that there can be.
        full_load_a: f64,
        /// It is worked out from rated power and voltage.
        from_power: bool,
    },
    /// The CTs are rated far above the full load.
    CtFarAboveFullLoad {
        /// Rated primary.
        primary_a: f64,
        /// Largest full-load current that there can be.
        full_load_a: f64,
        /// It is worked out from rated power and voltage.
        from_power: bool,
    },
    /// `ct_ratio` and `ct_secondary` tell of different CTs.
    CtSecondariesDiffer {
        /// Of `ct_ratio`.
        of_ratio: CtSecondary,
        /// `ct_secondary`.
        declared: CtSecondary,
    },
    /// A motor without its full-load current.
    NoFullLoadCurrent {
        /// Kind of load.
        load: LoadKind,
        /// Rated primary current of the CTs is not given either.
        no_ratio: bool,
    },
    /// A motor without its full-load power factor.
    NoPowerFactor,
    /// No `ct_ratio` and no `ct_secondary`.
    CtUndeclared,
}

/// The rules about a station as a whole.
const OF_STATION: [fn(&StationConfig, &mut Vec<Found>); 2] = [nominal_voltage, voltage_connection];

/// A rule about one circuit: the key it is told at, and what is odd.
type CircuitRule = fn(&StationConfig, &CircuitConfig) -> Option<(&'static str, Oddity)>;

/// The rules about each circuit.
const OF_CIRCUIT: [CircuitRule; 7] = [
    rated_voltage,
    nameplate::current_against_power,
    nameplate::missing,
    power_factor,
    nameplate::ct_against_full_load,
    ct_secondaries,
    ct_undeclared,
];

/// All warnings about a station, its own first, then circuit by circuit.
pub fn of_station(station: &StationConfig) -> Vec<Found> {
    let mut found = Vec::new();
    for rule in OF_STATION {
        rule(station, &mut found);
    }
    // By one wrong nominal voltage every plate would be odd: the nominal voltage is told, once.
    let nominal_is_odd = found.iter().any(|found| found.key == "nominal_voltage");
    for (index, circuit) in station.circuits.iter().enumerate() {
        for rule in OF_CIRCUIT {
            let Some((key, what)) = rule(station, circuit) else { continue };
            let by_nominal = match what {
                Oddity::NominalToNeutralByPlate { .. }
                | Oddity::RatedToNeutral { .. }
                | Oddity::RatedUnlikeNominal { .. } => true,
                Oddity::CurrentAgainstPower { .. }
                | Oddity::CtBelowFullLoad { from_power: true, .. }
                | Oddity::CtFarAboveFullLoad { from_power: true, .. } => circuit.rated_voltage_v.is_none(),
                _ => false,
            };
            if !(by_nominal && nominal_is_odd) {
                found.push(Found { circuit: Some(index), key, what });
            }
        }
    }
    found
}

fn near(value: f64, standard: f64) -> bool {
    (value - standard).abs() <= NEAR * standard
}

fn three_phase(service: Service) -> bool {
    !matches!(service, Service::SplitPhase | Service::SinglePhase)
}

fn nominal_voltage(station: &StationConfig, found: &mut Vec<Found>) {
    let nominal_v = station.nominal_voltage_v;
    let transformers =
        station.voltage_connection == VoltageConnection::Transformers || station.service == Service::OpenDelta;
    let what = match station.service {
        // The high leg to neutral, and half of the two legs.
        Service::HighLegDelta if near(nominal_v, 208.0) || near(nominal_v, 120.0) => {
            Oddity::NominalToNeutralOfService { nominal_v, service: station.service, usual_v: 240.0 }
        }
        Service::SplitPhase if near(nominal_v, 120.0) => {
            Oddity::NominalToNeutralOfService { nominal_v, service: station.service, usual_v: 240.0 }
        }
        service if three_phase(service) && ONLY_TO_NEUTRAL_V.iter().any(|v| near(nominal_v, *v)) => {
            Oddity::NominalToNeutral { nominal_v, transformers }
        }
        _ => return,
    };
    found.push(Found { circuit: None, key: "nominal_voltage", what });
}

fn voltage_connection(station: &StationConfig, found: &mut Vec<Found>) {
    let nominal_v = station.nominal_voltage_v;
    let high = nominal_v > LOW_VOLTAGE_LIMIT_V;
    let what = match station.voltage_connection {
        VoltageConnection::Direct if high => Oddity::HighVoltageDirect { nominal_v },
        VoltageConnection::Direct if station.service == Service::OpenDelta => Oddity::OpenDeltaDirect,
        // Above 1,000 V and behind open-delta VTs there are transformers whatever the file says.
        VoltageConnection::Unknown if !high && station.service != Service::OpenDelta => Oddity::ConnectionUndeclared,
        _ => return,
    };
    found.push(Found { circuit: None, key: "voltage_connection", what });
}

fn rated_voltage(station: &StationConfig, circuit: &CircuitConfig) -> Option<(&'static str, Oddity)> {
    let (nominal_v, rated_v) = (station.nominal_voltage_v, circuit.rated_voltage_v?);
    let ratio = nominal_v / rated_v;
    // A load between one leg and neutral is right there.
    if NOMINAL_OVER_RATED.contains(&ratio) || (station.service == Service::SplitPhase && TWO_LEGS.contains(&ratio)) {
        return None;
    }
    let what = if TO_NEUTRAL.contains(&ratio) && three_phase(station.service) {
        Oddity::NominalToNeutralByPlate { nominal_v, rated_v }
    } else if BETWEEN_OVER_NEUTRAL.contains(&ratio) && three_phase(station.service) {
        Oddity::RatedToNeutral { nominal_v, rated_v }
    } else {
        Oddity::RatedUnlikeNominal { nominal_v, rated_v }
    };
    Some(("rated_voltage", what))
}

fn power_factor(_: &StationConfig, circuit: &CircuitConfig) -> Option<(&'static str, Oddity)> {
    let factor = circuit.full_load_power_factor?;
    let plausible = match circuit.load {
        LoadKind::InductionMotor | LoadKind::SoftStarter | LoadKind::MotorWithCapacitor => MOTOR_POWER_FACTOR,
        LoadKind::Resistive => RESISTIVE_POWER_FACTOR,
        LoadKind::Drive | LoadKind::Unknown => return None,
    };
    let load = circuit.load;
    (!plausible.contains(&factor))
        .then_some(("full_load_power_factor", Oddity::PowerFactorUnlikeLoad { factor, plausible, load }))
}

fn ct_secondaries(_: &StationConfig, circuit: &CircuitConfig) -> Option<(&'static str, Oddity)> {
    let (of_ratio, declared) = (circuit.ct_ratio?.secondary, circuit.ct_secondary);
    let agree = match (of_ratio, declared) {
        (_, CtSecondary::Unknown) => true,
        // A coil's output is a voltage.
        (CtSecondary::Voltage { .. }, CtSecondary::Rogowski) => true,
        _ => of_ratio == declared,
    };
    (!agree).then_some(("ct_secondary", Oddity::CtSecondariesDiffer { of_ratio, declared }))
}

fn ct_undeclared(_: &StationConfig, circuit: &CircuitConfig) -> Option<(&'static str, Oddity)> {
    let undeclared = circuit.ct_ratio.is_none() && circuit.ct_secondary == CtSecondary::Unknown;
    undeclared.then_some(("ct_ratio", Oddity::CtUndeclared))
}

#[cfg(test)]
mod tests;
