//! Tests of the watch over a monitor's map: when it begins to suspect, when it speaks, when it takes back.

use super::*;
use crate::audit::context::test_context;
use crate::audit::wiring::Wiring;
use crate::modbus::decode::{Block, decode};
use crate::modbus::map::{
    Blanking, ByteOrder, Channel, Conventions, Encoding, Point, Quantity, ReadFunction, ReadLimits, Target,
};
use crate::modbus::plan::plan;
use crate::station::fixtures;

const RUNNING: Signs = Signs { failing: false, running: true, frozen: false };

/// Volts, amps, watts as floats at 0, 10 and 20.
pub(crate) fn map() -> Arc<MeterMap> {
    let quantities = [(Quantity::VoltageLn, 0), (Quantity::Current, 10), (Quantity::ActivePower, 20)];
    let channels = [Channel::One, Channel::Two, Channel::Three];
    let points = quantities.iter().flat_map(|(quantity, first)| {
        channels.iter().zip((*first..).step_by(2)).map(|(channel, address)| Point {
            target: Target { quantity: *quantity, channel: *channel, slot: 0 },
            function: ReadFunction::InputRegisters,
            address,
            encoding: Encoding::F32,
            order: ByteOrder::Abcd,
            scale: 1.0,
            offset: 0.0,
            scale_register: None,
            not_available: Vec::new(),
        })
    });
    Arc::new(MeterMap {
        name: "test".into(),
        title: String::new(),
        slots: 1,
        limits: ReadLimits::default(),
        conventions: Conventions::default(),
        blanking: Blanking::default(),
        points: points.collect(),
    })
}

/// A poll of the running pump by a device that sends the low byte first or, as the map says, the high byte.
pub(crate) fn poll(map: &Arc<MeterMap>, backwards: bool) -> (MonitorReading, RawImage) {
    let truth = fixtures::reading(&Wiring::INTENDED, 0);
    let values = [truth.voltage_ln_v, truth.circuits[0].current_a, truth.circuits[0].active_power_w];
    let mut words = [0u16; 26];
    for (values, first) in values.iter().zip([0, 10, 20]) {
        for (value, address) in values.iter().zip((first..).step_by(2)) {
            let bits = value.good().map_or(0, |v| (v as f32).to_bits());
            let (high, low) = ((bits >> 16) as u16, bits as u16);
            (words[address], words[address + 1]) =
                if backwards { (low.swap_bytes(), high.swap_bytes()) } else { (high, low) };
        }
    }
    let plan = plan(&map.points, &map.limits).unwrap();
    let answer = |r: &crate::modbus::plan::ReadRequest| {
        Block::Registers(words[usize::from(r.first)..][..usize::from(r.count)].to_vec())
    };
    let blocks: Vec<Block> = plan.requests().iter().map(answer).collect();
    let reading = decode(map, &plan, &blocks, truth.at, Vec::new());
    (reading, RawImage { map: Arc::clone(map), requests: plan.requests().to_vec(), blocks })
}

fn watch() -> RegisterWatch {
    RegisterWatch::new(Expected::of([&test_context()]))
}

#[test]
fn it_suspects_after_three_speaks_after_five_more_and_takes_back_after_ten_right_ones() {
    let (map, mut watch) = (map(), watch());
    let (wrong, wrong_raw) = poll(&map, true);
    let mut said_after = None;
    for n in 1..=20 {
        watch.take(&wrong, Some(&wrong_raw), Signs::default());
        if watch.shown().is_some() {
            said_after.get_or_insert(n);
        }
    }
    assert_eq!(said_after, Some(7), "three to suspect, the third of them weighed, and four more");
    let fault = watch.shown().unwrap();
    assert_eq!(fault.kind, "byte_order");
    assert!(fault.text().contains("277.1 V") && fault.text().contains("byte_order = \"DCBA\""), "{}", fault.text());

    let (right, right_raw) = poll(&map, false);
    for _ in 0..50 {
        watch.take(&right, Some(&right_raw), Signs::default());
    }
    assert!(watch.shown().is_some(), "a standing pump clears nothing");
    for _ in 0..10 {
        watch.take(&right, Some(&right_raw), RUNNING);
    }
    assert_eq!(watch.shown(), None);
}

/// A watch that has said what is wrong, as a restart finds it.
fn kept(map: &Arc<MeterMap>) -> KeptWatch {
    let mut watch = watch();
    let (wrong, raw) = poll(map, true);
    (0..20).for_each(|_| watch.take(&wrong, Some(&raw), Signs::default()));
    assert!(watch.shown().is_some());
    let mut bytes = Vec::new();
    ciborium::into_writer(&watch.kept(), &mut bytes).unwrap();
    ciborium::from_reader(bytes.as_slice()).unwrap()
}

#[test]
fn what_was_said_outlives_a_restart_and_is_taken_back_as_ever() {
    let before = kept(&map());
    let (again, mut watch) = (map(), watch());
    watch.resume(before.clone());
    assert_eq!(watch.kept(), before, "kept on until a reading comes");
    // It looks right for once, which takes nothing back.
    let (right, right_raw) = poll(&again, false);
    watch.take(&right, Some(&right_raw), RUNNING);
    assert_eq!(watch.shown().unwrap().kind, "byte_order", "said at once, not after seven readings");
    (0..9).for_each(|_| watch.take(&right, Some(&right_raw), RUNNING));
    assert_eq!(watch.shown(), None);
}

#[test]
fn what_was_learnt_of_another_map_is_not_carried_over() {
    let before = kept(&map());
    let other = Arc::new(MeterMap { title: "put right".into(), ..map().as_ref().clone() });
    let mut watch = watch();
    watch.resume(before);
    let (wrong, raw) = poll(&other, true);
    watch.take(&wrong, Some(&raw), Signs::default());
    assert_eq!(watch.shown(), None);
    assert!(watch.suspicion.is_none(), "one wrong reading begins no suspicion");
}

#[test]
fn a_healthy_monitor_never_starts_a_suspicion_and_a_failed_check_alone_names_nothing() {
    let (map, mut watch) = (map(), watch());
    let (right, raw) = poll(&map, false);
    for _ in 0..100 {
        watch.take(&right, Some(&raw), RUNNING);
    }
    assert!(watch.suspicion.is_none());
    for _ in 0..100 {
        watch.take(&right, Some(&raw), Signs { failing: true, ..RUNNING });
    }
    assert!(watch.suspicion.is_some());
    assert_eq!(watch.shown(), None);
}

#[test]
fn frozen_values_are_no_wrong_map_and_say_nothing_of_it() {
    let mut watch = watch();
    let (reading, raw) = poll(&map(), true);
    for _ in 0..100 {
        watch.take(&reading, Some(&raw), Signs { frozen: true, failing: true, ..RUNNING });
    }
    assert_eq!(watch.shown(), None);
    assert!(watch.suspicion.is_none());
}
