//! Tests of decoding whole readings: places, conventions, impossible values, missing answers.

use proptest::prelude::*;

use super::*;
use crate::modbus::map::{Blanking, ByteOrder, Encoding, ReadFunction, ReadLimits, ScaleRegister};
use crate::modbus::plan::plan;

/// One 32-bit float per address, at its own address times two.
fn point(quantity: Quantity, channel: Channel, slot: u8, address: u16) -> Point {
    Point {
        target: Target { quantity, channel, slot },
        function: ReadFunction::HoldingRegisters,
        address,
        encoding: Encoding::F32,
        order: ByteOrder::Abcd,
        scale: 1.0,
        offset: 0.0,
        scale_register: None,
        not_available: Vec::new(),
    }
}

fn map(points: Vec<Point>, slots: u8, conventions: Conventions) -> MeterMap {
    MeterMap {
        name: "test".into(),
        title: String::new(),
        slots,
        limits: ReadLimits::default(),
        conventions,
        blanking: Blanking::default(),
        points,
    }
}

fn words(values: &[f32]) -> Block {
    let split = |v: &f32| [(v.to_bits() >> 16) as u16, (v.to_bits() & 0xFFFF) as u16];
    Block::Registers(values.iter().flat_map(split).collect())
}

fn decode_all(map: &MeterMap, blocks: &[Block]) -> MonitorReading {
    let plan = plan(&map.points, &map.limits).unwrap();
    assert_eq!(plan.requests().len(), blocks.len());
    decode(map, &plan, blocks, Instant2::default(), Vec::new())
}

/// One value of one quantity under `conventions`.
fn one(quantity: Quantity, number: f32, conventions: Conventions) -> Measured {
    let channel = if quantity == Quantity::Frequency || quantity == Quantity::EnergyImport {
        Channel::Total
    } else {
        Channel::One
    };
    let target = Target { quantity, channel, slot: 0 };
    let mut reading = decode_all(&map(vec![point(quantity, channel, 0, 0)], 1, conventions), &[words(&[number])]);
    *field(&mut reading, target).unwrap()
}

#[test]
fn every_quantity_has_its_own_place() {
    use Channel::{One, Three, Total, Two};
    let mut points = Vec::new();
    let mut add = |quantity, channel, slot| {
        let address = u16::try_from(points.len()).unwrap() * 2;
        points.push(point(quantity, channel, slot, address));
    };
    for channel in [One, Two, Three] {
        add(Quantity::VoltageLn, channel, 0);
        add(Quantity::VoltageLl, channel, 0);
        add(Quantity::VoltageAngle, channel, 0);
    }
    add(Quantity::Frequency, Total, 0);
    for channel in [One, Two, Three] {
        for quantity in [Quantity::Current, Quantity::CurrentAngle, Quantity::ActivePower] {
            add(quantity, channel, 1);
        }
        add(Quantity::ReactivePower, channel, 1);
        add(Quantity::ApparentPower, channel, 1);
    }
    for quantity in [Quantity::ActivePower, Quantity::ReactivePower, Quantity::ApparentPower] {
        add(quantity, Total, 1);
    }
    add(Quantity::EnergyImport, Total, 1);
    add(Quantity::EnergyExport, Total, 1);
    add(Quantity::RunStatus, Total, 1);
    let values: Vec<f32> = (1..=31u8).map(f32::from).collect();
    let map = map(points, 2, Conventions::default());
    check(&map).unwrap();
    let reading = decode_all(&map, &[words(&values)]);
    let good = |values: [f64; 3]| values.map(Measured::Good);
    assert_eq!(reading.voltage_ln_v, good([1.0, 4.0, 7.0]));
    assert_eq!(reading.voltage_ll_v, good([2.0, 5.0, 8.0]));
    assert_eq!(reading.voltage_angle_deg, good([3.0, 6.0, 9.0]));
    assert_eq!(reading.frequency_hz, Measured::Good(10.0));
    assert_eq!(reading.circuits[0], CircuitReading::default());
    let circuit = &reading.circuits[1];
    assert_eq!(circuit.current_a, good([11.0, 16.0, 21.0]));
    assert_eq!(circuit.current_angle_deg, good([12.0, 17.0, 22.0]));
    assert_eq!(circuit.active_power_w, good([13.0, 18.0, 23.0]));
    assert_eq!(circuit.reactive_power_var, good([14.0, 19.0, 24.0]));
    assert_eq!(circuit.apparent_power_va, good([15.0, 20.0, 25.0]));
    assert_eq!(circuit.total_active_power_w, Measured::Good(26.0));
    assert_eq!(circuit.total_reactive_power_var, Measured::Good(27.0));
    assert_eq!(circuit.total_apparent_power_va, Measured::Good(28.0));
    assert_eq!(circuit.energy_import_wh, Measured::Good(29.0));
    assert_eq!(circuit.energy_export_wh, Measured::Good(30.0));
    assert_eq!(circuit.run_status, RunStatus::Running);
    assert_eq!(circuit.power_factor, [Measured::NotMapped; 3]);
}

#[test]
fn load_negative_turns_power_and_its_factor_but_no_energy() {
    let load_negative = Conventions { active_power: PowerSign::LoadNegative, ..Conventions::default() };
    assert_eq!(one(Quantity::ActivePower, -42.0, load_negative), Measured::Good(42.0));
    assert_eq!(one(Quantity::PowerFactor, -0.5, load_negative), Measured::Good(0.5));
    assert_eq!(one(Quantity::ReactivePower, 7.0, load_negative), Measured::Good(7.0));
    assert_eq!(one(Quantity::EnergyImport, 7.0, load_negative), Measured::Good(7.0));
    let Measured::Good(zero) = one(Quantity::ActivePower, 0.0, load_negative) else { panic!("good") };
    assert!(zero.is_sign_positive(), "a zero must not become -0");
}

#[test]
fn reactive_power_follows_its_own_convention() {
    let with = |reactive_power| Conventions { reactive_power, ..Conventions::default() };
    assert_eq!(one(Quantity::ReactivePower, -3.0, with(ReactiveSign::InductivePositive)), Measured::Good(-3.0));
    assert_eq!(one(Quantity::ReactivePower, -3.0, with(ReactiveSign::InductiveNegative)), Measured::Good(3.0));
    assert_eq!(one(Quantity::ReactivePower, 3.0, with(ReactiveSign::Unsigned)), Measured::Good(3.0));
    assert_eq!(one(Quantity::ReactivePower, -3.0, with(ReactiveSign::Unsigned)), Measured::OutOfRange(-3.0));
}

#[test]
fn a_power_factor_signed_by_lead_or_lag_is_a_magnitude() {
    for power_factor in [PowerFactorSign::LagNegative, PowerFactorSign::LeadNegative] {
        // Not even the sign of P turns it.
        let conventions = Conventions { power_factor, active_power: PowerSign::LoadNegative, ..Conventions::default() };
        assert_eq!(one(Quantity::PowerFactor, -0.75, conventions), Measured::Good(0.75));
        assert_eq!(one(Quantity::PowerFactor, 0.75, conventions), Measured::Good(0.75));
    }
    let unsigned = Conventions { power_factor: PowerFactorSign::Unsigned, ..Conventions::default() };
    assert_eq!(one(Quantity::PowerFactor, -0.75, unsigned), Measured::OutOfRange(-0.75));
}

#[test]
fn impossible_values_are_marked_and_kept() {
    let plain = Conventions::default();
    for (quantity, number) in [
        (Quantity::Current, -1.0),
        (Quantity::Current, 1e30),
        (Quantity::VoltageLn, -0.5),
        (Quantity::VoltageLl, 1e9),
        (Quantity::Frequency, -60.0),
        (Quantity::Frequency, 6000.0),
        (Quantity::ApparentPower, -5.0),
        (Quantity::ActivePower, -1e30),
        (Quantity::PowerFactor, 1.5),
        (Quantity::PowerFactor, -1.5),
        (Quantity::CurrentAngle, 720.0),
    ] {
        assert_eq!(one(quantity, number, plain), Measured::OutOfRange(f64::from(number)), "{quantity:?}");
    }
    // A rounded 1 is 1: beyond it an arc cosine would fail.
    assert_eq!(one(Quantity::PowerFactor, 1.001, plain), Measured::Good(1.0));
    assert_eq!(one(Quantity::PowerFactor, -1.001, plain), Measured::Good(-1.0));
    assert_eq!(one(Quantity::EnergyImport, -12.0, plain), Measured::Good(-12.0));
    assert_eq!(one(Quantity::Frequency, 0.0, plain), Measured::Good(0.0));
}

#[test]
fn angles_are_within_half_a_turn() {
    for (given, expected) in
        [(240.0, -120.0), (-240.0, 120.0), (180.0, 180.0), (-180.0, 180.0), (360.0, 0.0), (-360.0, 0.0)]
    {
        assert_eq!(one(Quantity::VoltageAngle, given, Conventions::default()), Measured::Good(expected), "{given}");
    }
}

#[test]
fn a_missing_answer_fails_its_points_only() {
    let points = vec![
        point(Quantity::Current, Channel::One, 0, 0),
        point(Quantity::Current, Channel::Two, 0, 100),
        point(Quantity::RunStatus, Channel::Total, 0, 102),
    ];
    let map = map(points, 1, Conventions::default());
    let plan = plan(&map.points, &map.limits).unwrap();
    let why = vec!["no answer".to_string()];
    let reading = decode(&map, &plan, &[words(&[5.0]), Block::Missing], Instant2::default(), why.clone());
    assert_eq!(reading.circuits[0].current_a, [Measured::Good(5.0), Measured::Failed, Measured::NotMapped]);
    assert_eq!(reading.circuits[0].run_status, RunStatus::Failed);
    assert_eq!(reading.failures, why);
}

#[test]
fn a_missing_scale_register_fails_the_value_rather_than_guess_its_scale() {
    let mut scaled = point(Quantity::ActivePower, Channel::Total, 0, 0);
    scaled.encoding = Encoding::I16;
    scaled.scale_register = Some(ScaleRegister { address: 100 });
    let map = map(vec![scaled], 1, Conventions::default());
    let total = |scale: Block| {
        let reading = decode_all(&map, &[Block::Registers(vec![12]), scale]);
        (reading.circuits[0].total_active_power_w, reading.failures)
    };
    assert_eq!(total(Block::Registers(vec![2])), (Measured::Good(1200.0), Vec::new()));
    assert_eq!(total(Block::Missing).0, Measured::Failed);
    assert_eq!(total(Block::Registers(vec![0x8000])), (Measured::NotAvailable, Vec::new()));
    let (failed, failures) = total(Block::Registers(vec![300]));
    assert_eq!(failed, Measured::Failed);
    assert_eq!(
        failures,
        ["holding register 0 (reference 400001): its scale factor, holding register 100 (reference 400101), \
          holds 300, which is not within -10 to 10"]
    );
}

#[test]
fn blanked_values_stay_not_available() {
    let mut blanked = point(Quantity::PowerFactor, Channel::Total, 0, 0);
    blanked.encoding = Encoding::I16;
    blanked.not_available = vec![0x8000];
    let reading = decode_all(&map(vec![blanked], 1, Conventions::default()), &[Block::Registers(vec![0x8000])]);
    assert_eq!(reading.circuits[0].total_power_factor, Measured::NotAvailable);
}

#[test]
fn run_status_from_a_coil() {
    let mut status = point(Quantity::RunStatus, Channel::Total, 0, 3);
    status.function = ReadFunction::Coils;
    status.encoding = Encoding::Bit;
    let map = map(vec![status], 1, Conventions::default());
    let read = |bit| decode_all(&map, &[Block::Bits(vec![bit])]).circuits[0].run_status;
    assert_eq!(read(true), RunStatus::Running);
    assert_eq!(read(false), RunStatus::Stopped);
}

#[test]
fn what_no_reading_can_hold_is_refused() {
    let refused = |quantity, channel, slot| {
        check(&map(vec![point(quantity, channel, slot, 0)], 2, Conventions::default())).unwrap_err()
    };
    assert!(matches!(refused(Quantity::VoltageLn, Channel::Total, 0), PlanError::NoSuchValue { .. }));
    assert!(matches!(refused(Quantity::Current, Channel::Total, 0), PlanError::NoSuchValue { .. }));
    assert!(matches!(refused(Quantity::EnergyImport, Channel::One, 0), PlanError::NoSuchValue { .. }));
    assert!(matches!(refused(Quantity::Current, Channel::One, 2), PlanError::NoSuchSlot { slot: 3, slots: 2 }));
}

proptest! {
    #[test]
    fn whatever_arrives_is_decoded_to_something_finite(
        words in prop::collection::vec(any::<u16>(), 0..80),
        short in any::<bool>(),
    ) {
        let quantities = [Quantity::Current, Quantity::ActivePower, Quantity::PowerFactor, Quantity::CurrentAngle];
        let points: Vec<Point> = quantities
            .iter()
            .enumerate()
            .map(|(n, &quantity)| point(quantity, Channel::One, 0, u16::try_from(n).unwrap() * 2))
            .collect();
        let map = map(points, 1, Conventions::default());
        let plan = plan(&map.points, &map.limits).unwrap();
        let block = if short { Block::Registers(words) } else { Block::Bits(words.iter().map(|w| w % 2 == 0).collect()) };
        let reading = decode(&map, &plan, &[block], Instant2::default(), Vec::new());
        for value in [reading.circuits[0].current_a[0], reading.circuits[0].power_factor[0]] {
            if let Measured::Good(number) | Measured::OutOfRange(number) = value {
                prop_assert!(number.is_finite());
            }
        }
    }
}
