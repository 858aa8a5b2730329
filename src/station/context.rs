//! From the configuration of a circuit to what the audit knows in advance. The audit never sees a configuration.

use crate::audit::context::{BlankingRule, CircuitContext, LoadBehaviour, PowerFactorMeaning, ServiceKind};
use crate::audit::installation::{CtSecondary, Installation};
use crate::config::model::{CircuitConfig, LoadKind, RunSource, Service, StationConfig};
use crate::modbus::map::{Blanking, Conventions, MapSource, PowerFactorSign, ReactiveSign};

/// Why a circuit cannot be audited as configured.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ContextError {
    /// The circuit points to a monitor that the station does not have.
    #[error("station \"{station}\", circuit \"{circuit}\": its monitor does not exist")]
    NoSuchMonitor {
        /// Station name.
        station: String,
        /// Circuit name.
        circuit: String,
    },
}

/// What the audit is told about `circuit` before the first reading.
pub fn circuit_context(station: &StationConfig, circuit: &CircuitConfig) -> Result<CircuitContext, ContextError> {
    let monitor = station
        .monitors
        .get(circuit.monitor)
        .ok_or_else(|| ContextError::NoSuchMonitor { station: station.name.clone(), circuit: circuit.name.clone() })?;
    let (conventions, blanking) = rules(&monitor.map);
    Ok(CircuitContext {
        service: service_kind(station.service),
        nominal_voltage_v: station.nominal_voltage_v,
        rotation: station.rotation,
        slot: usize::from(circuit.slot),
        load: load_behaviour(circuit.load),
        full_load_current_a: circuit.full_load_current_a,
        full_load_power_factor: circuit.full_load_power_factor,
        ct_primary_a: circuit.ct_ratio.map(|ratio| ratio.primary_a),
        run_from_register: circuit.run_source == RunSource::Register,
        power_factor: PowerFactorMeaning { signed_by_power: conventions.power_factor == PowerFactorSign::SignOfPower },
        reactive_unsigned: conventions.reactive_power == ReactiveSign::Unsigned,
        blanking: BlankingRule { when_not_positive: blanking.when_not_positive, when_stopped: blanking.when_stopped },
    })
}

/// What a person meets at the panel of `circuit`.
pub fn installation(station: &StationConfig, circuit: &CircuitConfig) -> Installation {
    Installation {
        service: service_kind(station.service),
        nominal_voltage_v: station.nominal_voltage_v,
        voltage_connection: station.voltage_connection,
        ct_secondary: match (circuit.ct_secondary, circuit.ct_ratio) {
            // "200:5" says that it is a current, "200 A : 333 mV" that it is a voltage.
            (CtSecondary::Unknown, Some(ratio)) => ratio.secondary,
            // The file contradicts itself, which is warned of: the harmless case is not taken for granted.
            (declared, Some(ratio)) if ratio.secondary.may_be_current() && !declared.may_be_current() => {
                CtSecondary::Unknown
            }
            (declared, _) => declared,
        },
        load: load_behaviour(circuit.load),
    }
}

/// The voltage system as the audit knows it.
pub fn service_kind(service: Service) -> ServiceKind {
    match service {
        Service::Wye4 => ServiceKind::Wye4,
        Service::Delta3 => ServiceKind::Delta3,
        Service::Delta3TwoElement => ServiceKind::TwoElement,
        Service::OpenDelta => ServiceKind::OpenDelta,
        Service::HighLegDelta => ServiceKind::HighLegDelta,
        Service::SplitPhase => ServiceKind::SplitPhase,
        Service::SinglePhase => ServiceKind::SinglePhase,
    }
}

fn rules(map: &MapSource) -> (Conventions, Blanking) {
    match map {
        MapSource::Fixed(map) => (map.conventions, map.blanking),
        MapSource::SunSpec { conventions, blanking } => (*conventions, *blanking),
    }
}

fn load_behaviour(load: LoadKind) -> LoadBehaviour {
    match load {
        LoadKind::InductionMotor => LoadBehaviour::InductionMotor,
        LoadKind::SoftStarter => LoadBehaviour::SoftStarter,
        LoadKind::Drive => LoadBehaviour::Drive,
        LoadKind::MotorWithCapacitor => LoadBehaviour::MotorWithCapacitor,
        LoadKind::Resistive => LoadBehaviour::Resistive,
        LoadKind::Unknown => LoadBehaviour::Unknown,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::station::fixtures::station_config;

    #[test]
    fn a_circuit_is_told_its_nameplate_and_its_monitors_rules() {
        let mut station = station_config("Alder Creek Lift");
        if let MapSource::Fixed(map) = &mut station.monitors[0].map {
            map.conventions.power_factor = PowerFactorSign::Unsigned;
            map.conventions.reactive_power = ReactiveSign::Unsigned;
            map.blanking.when_not_positive = true;
        }
        let context = circuit_context(&station, &station.circuits[0]).unwrap();
        assert_eq!(context.service, ServiceKind::Wye4);
        assert_eq!(context.full_load_current_a, Some(77.0));
        assert_eq!(context.ct_primary_a, Some(200.0));
        assert!(!context.power_factor.signed_by_power);
        assert!(context.reactive_unsigned);
        assert!(context.blanking.when_not_positive);
        assert!(!context.blanking.when_stopped);
    }

    #[test]
    fn a_sunspec_monitors_rules_come_from_its_configuration() {
        let mut station = station_config("Alder Creek Lift");
        station.monitors[0].map = MapSource::SunSpec {
            conventions: Conventions { power_factor: PowerFactorSign::LagNegative, ..Conventions::default() },
            blanking: Blanking { when_stopped: true, ..Blanking::default() },
        };
        let context = circuit_context(&station, &station.circuits[0]).unwrap();
        assert!(!context.power_factor.signed_by_power);
        assert!(context.blanking.when_stopped);
    }

    #[test]
    fn what_cannot_be_audited_says_why() {
        let mut station = station_config("Alder Creek Lift");
        for service in Service::ALL {
            station.service = service;
            assert!(circuit_context(&station, &station.circuits[0]).is_ok(), "{service:?}");
        }

        let mut station = station_config("Alder Creek Lift");
        station.circuits[0].monitor = 7;
        let error = circuit_context(&station, &station.circuits[0]).unwrap_err();
        assert!(error.to_string().contains("Pump 1"), "{error}");
    }
}
