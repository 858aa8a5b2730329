//! From the answers of one poll to a [`MonitorReading`] in SI units and load convention.
//!
//! Pure: no clock, no socket. What cannot be trusted leaves here marked as such, never as a plausible number.
//!
//! Signs. Active power and, where the map says its sign is that of power, power factor change sign together when the
//! device counts import as negative. Reactive power follows its own convention. A power factor signed by lead or lag
//! leaves here as a magnitude: its sign says nothing about the sign of P, and what "lagging" means for P < 0 differs
//! between makers, so it is not turned into a sign of Q either. Energy registers are named by what they count and are
//! never exchanged, whatever the sign of P. Where a map says a quantity has no sign, a negative one is out of range.
//! Values a device blanks stay "not available"; what that tells is for the audit to say.

use super::error::RegisterRange;
use super::map::{Channel, Conventions, MeterMap, Point, PowerFactorSign, PowerSign, Quantity, ReactiveSign, Target};
use super::plan::{Place, Plan, PlanError, PointPlace};
use super::value::{Undecodable, Value, bit_value, value};
use crate::reading::{CircuitReading, Instant2, Measured, MonitorReading, RunStatus};

/// The answer to one read of the plan.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum Block {
    /// None came; the reason is told elsewhere.
    #[default]
    Missing,
    /// Registers, as many as asked for.
    Registers(Vec<u16>),
    /// Coils or discrete inputs, as many as asked for.
    Bits(Vec<bool>),
}

/// |PF| up to here is rounding of a true 1 and is taken as 1; beyond it no load can be.
const POWER_FACTOR_ROUNDING: f64 = 1.005;
/// Above the highest transmission voltage, V: only a wrong byte order or scale gives more.
const VOLTAGE_CEILING_V: f64 = 2.0e6;
/// Above any bus of any station, A.
const CURRENT_CEILING_A: f64 = 1.0e6;
/// More than all power stations of the world together, in W, var or VA.
const POWER_CEILING: f64 = 1.0e13;
/// Far beyond power frequency, Hz.
const FREQUENCY_CEILING_HZ: f64 = 1000.0;
/// A register no counter reaches, Wh.
const ENERGY_CEILING_WH: f64 = 1.0e19;
/// The greatest river carries less, m3/s.
const FLOW_CEILING_M3_PER_S: f64 = 1.0e6;
/// Higher than any pipeline climbs, m.
const HEAD_CEILING_M: f64 = 1.0e4;
/// The pressure of [`HEAD_CEILING_M`] of water, about, Pa.
const PRESSURE_CEILING_PA: f64 = 1.0e8;
/// Gauge pressure of a vacuum with the barometer at its highest, Pa (the record is near 1084 hPa; from memory).
const VACUUM_PA: f64 = -1.09e5;
/// Angles are given within one turn either way, degrees.
const ANGLE_CEILING_DEG: f64 = 360.0;

/// Finds what no reading can hold, before the map is used: values without a place and slots the monitor lacks.
pub fn check(map: &MeterMap) -> Result<(), PlanError> {
    let mut probe = MonitorReading { circuits: vec![CircuitReading::default()], ..MonitorReading::default() };
    for point in &map.points {
        let Target { quantity, channel, slot } = point.target;
        let is_shared = matches!(quantity, Quantity::VoltageLn | Quantity::VoltageLl | Quantity::VoltageAngle);
        if slot >= map.slots.max(1) && !(is_shared || quantity == Quantity::Frequency) {
            return Err(PlanError::NoSuchSlot { slot: u16::from(slot) + 1, slots: map.slots });
        }
        let known = quantity == Quantity::RunStatus || field(&mut probe, Target { slot: 0, ..point.target }).is_some();
        if !known {
            return Err(PlanError::NoSuchValue { quantity, channel });
        }
    }
    Ok(())
}

/// Decodes the answers of one poll. `blocks` are in the order of the plan's requests; `failures` already tells why
/// blocks are missing, and registers that do not hold what the map says are added to it.
pub fn decode(map: &MeterMap, plan: &Plan, blocks: &[Block], at: Instant2, failures: Vec<String>) -> MonitorReading {
    let reading = MonitorReading { at, failures, ..MonitorReading::default() };
    decode_points(reading, map, &map.points, plan.places(), blocks)
}

/// Decodes points found at `places` into `reading`, by the slots and conventions of `map`.
pub(super) fn decode_points(
    mut reading: MonitorReading,
    map: &MeterMap,
    points: &[Point],
    places: &[PointPlace],
    blocks: &[Block],
) -> MonitorReading {
    reading.circuits = vec![CircuitReading::default(); usize::from(map.slots.max(1))];
    for (point, place) in points.iter().zip(places) {
        let raw = raw_value(point, place.value, place.scale, blocks);
        if let Raw::Read(Value::Undecodable(why)) = raw {
            reading.failures.push(undecodable_sentence(point, why));
        }
        if point.target.quantity == Quantity::RunStatus {
            if let Some(circuit) = reading.circuits.get_mut(usize::from(point.target.slot)) {
                circuit.run_status = match raw {
                    Raw::Read(Value::Number(0.0)) => RunStatus::Stopped,
                    Raw::Read(Value::Number(_)) => RunStatus::Running,
                    _ => RunStatus::Failed,
                };
            }
            continue;
        }
        if let Some(field) = field(&mut reading, point.target) {
            *field = match raw {
                Raw::Read(Value::Number(number)) => measured(point.target.quantity, number, map.conventions),
                Raw::Read(Value::NotAvailable) => Measured::NotAvailable,
                Raw::Read(Value::Undecodable(_)) | Raw::Missing => Measured::Failed,
            };
        }
    }
    reading
}

/// A reading in which everything the map offers has failed, for the reasons in `failures`.
pub fn all_failed(map: &MeterMap, at: Instant2, failures: Vec<String>) -> MonitorReading {
    let mut reading = MonitorReading {
        at,
        circuits: vec![CircuitReading::default(); usize::from(map.slots.max(1))],
        failures,
        ..MonitorReading::default()
    };
    for point in &map.points {
        if let Some(field) = field(&mut reading, point.target) {
            *field = Measured::Failed;
        } else if let Some(circuit) = reading.circuits.get_mut(usize::from(point.target.slot))
            && point.target.quantity == Quantity::RunStatus
        {
            circuit.run_status = RunStatus::Failed;
        }
    }
    reading
}

#[derive(Debug, Clone, Copy)]
enum Raw {
    Missing,
    Read(Value),
}

fn raw_value(point: &Point, place: Place, scale: Option<Place>, blocks: &[Block]) -> Raw {
    match blocks.get(usize::from(place.request)) {
        None | Some(Block::Missing) => Raw::Missing,
        Some(Block::Bits(bits)) => {
            bits.get(usize::from(place.offset)).map_or(Raw::Missing, |&bit| Raw::Read(bit_value(point, bit)))
        }
        Some(Block::Registers(words)) => {
            let Some(own) = words.get(usize::from(place.offset)..) else { return Raw::Missing };
            let Some(scale) = scale else { return Raw::Read(value(point, own, None)) };
            match blocks.get(usize::from(scale.request)) {
                Some(Block::Registers(words)) => words
                    .get(usize::from(scale.offset))
                    .map_or(Raw::Missing, |&word| Raw::Read(value(point, own, Some(word)))),
                _ => Raw::Missing,
            }
        }
    }
}

/// Where a value goes, except run status. `None` when a reading has no such value.
pub fn field(reading: &mut MonitorReading, target: Target) -> Option<&mut Measured> {
    let phase = match target.channel {
        Channel::One => Some(0),
        Channel::Two => Some(1),
        Channel::Three => Some(2),
        Channel::Total => None,
    };
    let circuit = usize::from(target.slot);
    match (target.quantity, phase) {
        (Quantity::VoltageLn, Some(n)) => Some(&mut reading.voltage_ln_v[n]),
        (Quantity::VoltageLl, Some(n)) => Some(&mut reading.voltage_ll_v[n]),
        (Quantity::VoltageAngle, Some(n)) => Some(&mut reading.voltage_angle_deg[n]),
        (Quantity::Frequency, None) => Some(&mut reading.frequency_hz),
        (quantity, phase) => circuit_field(reading.circuits.get_mut(circuit)?, quantity, phase),
    }
}

fn circuit_field(circuit: &mut CircuitReading, quantity: Quantity, phase: Option<usize>) -> Option<&mut Measured> {
    Some(match (quantity, phase) {
        (Quantity::Current, Some(n)) => &mut circuit.current_a[n],
        (Quantity::CurrentAngle, Some(n)) => &mut circuit.current_angle_deg[n],
        (Quantity::ActivePower, Some(n)) => &mut circuit.active_power_w[n],
        (Quantity::ReactivePower, Some(n)) => &mut circuit.reactive_power_var[n],
        (Quantity::ApparentPower, Some(n)) => &mut circuit.apparent_power_va[n],
        (Quantity::PowerFactor, Some(n)) => &mut circuit.power_factor[n],
        (Quantity::ActivePower, None) => &mut circuit.total_active_power_w,
        (Quantity::ReactivePower, None) => &mut circuit.total_reactive_power_var,
        (Quantity::ApparentPower, None) => &mut circuit.total_apparent_power_va,
        (Quantity::PowerFactor, None) => &mut circuit.total_power_factor,
        (Quantity::EnergyImport, None) => &mut circuit.energy_import_wh,
        (Quantity::EnergyExport, None) => &mut circuit.energy_export_wh,
        (Quantity::Flow, None) => &mut circuit.water.flow_m3_per_s,
        (Quantity::Head, None) => &mut circuit.water.head_m,
        (Quantity::SuctionPressure, None) => &mut circuit.water.suction_pressure_pa,
        (Quantity::DischargePressure, None) => &mut circuit.water.discharge_pressure_pa,
        _ => return None,
    })
}

/// Brings a number to load convention and marks what is physically impossible.
pub(crate) fn measured(quantity: Quantity, number: f64, conventions: Conventions) -> Measured {
    let flip_power = conventions.active_power == PowerSign::LoadNegative;
    // Zero minus the number, so that a zero never becomes a negative zero.
    let flipped = |flip: bool| if flip { 0.0 - number } else { number };
    match quantity {
        Quantity::VoltageLn | Quantity::VoltageLl => within(number, 0.0, VOLTAGE_CEILING_V),
        Quantity::Current => within(number, 0.0, CURRENT_CEILING_A),
        Quantity::Frequency => within(number, 0.0, FREQUENCY_CEILING_HZ),
        Quantity::ApparentPower => within(number, 0.0, POWER_CEILING),
        Quantity::ActivePower => within(flipped(flip_power), -POWER_CEILING, POWER_CEILING),
        Quantity::ReactivePower => match conventions.reactive_power {
            ReactiveSign::InductivePositive => within(number, -POWER_CEILING, POWER_CEILING),
            ReactiveSign::InductiveNegative => within(flipped(true), -POWER_CEILING, POWER_CEILING),
            ReactiveSign::Unsigned => within(number, 0.0, POWER_CEILING),
        },
        Quantity::PowerFactor => {
            let (number, lowest) = match conventions.power_factor {
                PowerFactorSign::SignOfPower => (flipped(flip_power), -POWER_FACTOR_ROUNDING),
                PowerFactorSign::LagNegative | PowerFactorSign::LeadNegative => (number.abs(), 0.0),
                PowerFactorSign::Unsigned => (number, 0.0),
            };
            match within(number, lowest, POWER_FACTOR_ROUNDING) {
                Measured::Good(factor) => Measured::Good(factor.clamp(-1.0, 1.0)),
                impossible => impossible,
            }
        }
        Quantity::VoltageAngle | Quantity::CurrentAngle => {
            match within(number, -ANGLE_CEILING_DEG, ANGLE_CEILING_DEG) {
                Measured::Good(angle) => Measured::Good(half_turn(angle)),
                impossible => impossible,
            }
        }
        // A net register may count below zero: with reversed CTs that is evidence, not an impossible value.
        Quantity::EnergyImport | Quantity::EnergyExport => within(number, -ENERGY_CEILING_WH, ENERGY_CEILING_WH),
        // Backward flow, suction lift and a negative head are possible, so both signs are let through.
        Quantity::Flow => within(number, -FLOW_CEILING_M3_PER_S, FLOW_CEILING_M3_PER_S),
        Quantity::Head => within(number, -HEAD_CEILING_M, HEAD_CEILING_M),
        Quantity::SuctionPressure | Quantity::DischargePressure => within(number, VACUUM_PA, PRESSURE_CEILING_PA),
        Quantity::RunStatus => Measured::NotMapped,
    }
}

fn within(number: f64, lowest: f64, highest: f64) -> Measured {
    if (lowest..=highest).contains(&number) { Measured::Good(number) } else { Measured::OutOfRange(number) }
}

/// The same angle in -180 (not included) to 180 degrees.
fn half_turn(angle_deg: f64) -> f64 {
    if angle_deg > 180.0 {
        angle_deg - 360.0
    } else if angle_deg <= -180.0 {
        angle_deg + 360.0
    } else {
        angle_deg
    }
}

fn undecodable_sentence(point: &Point, why: Undecodable) -> String {
    let range = RegisterRange { function: point.function, first: point.address, count: point.encoding.width() };
    match why {
        Undecodable::NotDecimal { raw } => {
            format!("{range}: {raw:#x} is not a decimal number, which the map says it is")
        }
        Undecodable::ScaleBeyondRange { exponent } => {
            let scale = point.scale_register.map_or(point.address, |scale| scale.address);
            let register = RegisterRange { function: point.function, first: scale, count: 1 };
            format!("{range}: its scale factor, {register}, holds {exponent}, which is not within -10 to 10")
        }
        Undecodable::TooFewRegisters => format!("{range}: too few registers came"),
    }
}

#[cfg(test)]
#[path = "decode_tests.rs"]
mod tests;
