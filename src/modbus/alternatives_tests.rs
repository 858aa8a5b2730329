//! Tests of altered maps: a device serves one map, the daemon is given it with one mistake, and the mistake is found.

use proptest::prelude::*;

use super::*;
use crate::audit::context::{CircuitContext, test_context};
use crate::audit::register_fault::expected::Expected;
use crate::audit::testbench::{LoadState, Offer, relative_wirings};
use crate::modbus::decode::field;
use crate::modbus::map::{Blanking, Channel, Conventions, ReadFunction, ReadLimits, Target};
use crate::modbus::plan::plan;
use crate::reading::Measured;

const PHASES: [Channel; 3] = [Channel::One, Channel::Two, Channel::Three];

/// What a random map is drawn from.
#[derive(Debug, Clone)]
struct Draft {
    encodings: Vec<Encoding>,
    order: ByteOrder,
    first: u16,
    gap: u16,
    offer: Offer,
}

fn quantities(offer: Offer) -> Vec<(Quantity, Vec<Channel>)> {
    let phases = || PHASES.to_vec();
    let with_total = || [phases(), vec![Channel::Total]].concat();
    let mut all = vec![
        (Quantity::VoltageLn, phases()),
        (Quantity::Current, phases()),
        (Quantity::ActivePower, with_total()),
    ];
    if offer == Offer::Full {
        all.push((Quantity::ReactivePower, with_total()));
        all.push((Quantity::ApparentPower, phases()));
        all.push((Quantity::VoltageAngle, phases()));
    }
    all
}

/// Scale that gives four digits or so in 16 bits.
fn scale(quantity: Quantity, encoding: Encoding) -> f64 {
    match (quantity, encoding) {
        (_, Encoding::F32 | Encoding::F64) => 1.0,
        (Quantity::VoltageLn | Quantity::VoltageAngle, _) => 0.1,
        (Quantity::Current, _) => 0.01,
        (_, Encoding::U16 | Encoding::I16) => 10.0,
        _ => 1.0,
    }
}

/// Powers and angles can be negative, so integers of them are signed; the rest are not.
fn fitted(quantity: Quantity, encoding: Encoding) -> Encoding {
    let signed = matches!(quantity, Quantity::ActivePower | Quantity::ReactivePower | Quantity::VoltageAngle);
    match encoding {
        Encoding::U16 if signed => Encoding::I16,
        Encoding::U32 if signed => Encoding::I32,
        other => other,
    }
}

fn map_of(draft: &Draft) -> MeterMap {
    let mut address = draft.first;
    let mut points = Vec::new();
    for (n, (quantity, channels)) in quantities(draft.offer).into_iter().enumerate() {
        let encoding = fitted(quantity, draft.encodings[n % draft.encodings.len()]);
        for channel in channels {
            points.push(Point {
                target: Target { quantity, channel, slot: 0 },
                function: ReadFunction::HoldingRegisters,
                address,
                encoding,
                order: draft.order,
                scale: scale(quantity, encoding),
                offset: 0.0,
                scale_register: None,
                not_available: Vec::new(),
            });
            address += encoding.width();
        }
        address += draft.gap;
    }
    MeterMap {
        name: "test".into(),
        title: String::new(),
        slots: 1,
        limits: ReadLimits::default(),
        conventions: Conventions::default(),
        blanking: Blanking::default(),
        points,
    }
}

fn raw_of(encoding: Encoding, number: f64) -> u64 {
    match encoding {
        Encoding::F32 => u64::from((number as f32).to_bits()),
        Encoding::F64 => number.to_bits(),
        Encoding::U16 | Encoding::I16 => u64::from(number.round() as i64 as u16),
        Encoding::U32 | Encoding::I32 => u64::from(number.round() as i64 as u32),
        other => panic!("{other:?} is not drawn"),
    }
}

/// The registers of a device with this map, from address 0; cells that hold nothing are zero.
fn device(map: &MeterMap, reading: &mut MonitorReading) -> Vec<u16> {
    let mut cells = vec![0u16; 1000];
    for point in &map.points {
        let Some(Measured::Good(value)) = field(reading, point.target).copied() else { continue };
        let raw = raw_of(point.encoding, value / point.scale);
        let width = usize::from(point.encoding.width());
        let mut words: Vec<u16> = (0..width).rev().map(|n| (raw >> (16 * n)) as u16).collect();
        if matches!(point.order, ByteOrder::Badc | ByteOrder::Dcba) && width > 1 {
            words.iter_mut().for_each(|word| *word = word.swap_bytes());
        }
        if matches!(point.order, ByteOrder::Cdab | ByteOrder::Dcba) {
            words.reverse();
        }
        cells[usize::from(point.address)..][..width].copy_from_slice(&words);
    }
    cells
}

/// What a poll with `map` brings from these registers.
fn polled(map: &MeterMap, cells: &[u16]) -> (MonitorReading, RawImage) {
    let plan = plan(&map.points, &map.limits).unwrap();
    let answer = |request: &ReadRequest| {
        let first = usize::from(request.first);
        Block::Registers(cells[first..first + usize::from(request.count)].to_vec())
    };
    let blocks: Vec<Block> = plan.requests().iter().map(answer).collect();
    let reading = crate::modbus::decode::decode(map, &plan, &blocks, Instant2::default(), Vec::new());
    (reading, RawImage { map: Arc::new(map.clone()), requests: plan.requests().to_vec(), blocks })
}

fn expected() -> (CircuitContext, Expected) {
    let context = test_context();
    let expected = Expected::of([&context]);
    (context, expected)
}

fn encodings() -> impl Strategy<Value = Encoding> {
    prop_oneof![
        Just(Encoding::F32),
        Just(Encoding::F64),
        Just(Encoding::U16),
        Just(Encoding::U32),
        Just(Encoding::I32),
    ]
}

fn order() -> impl Strategy<Value = ByteOrder> {
    prop_oneof![Just(ByteOrder::Abcd), Just(ByteOrder::Cdab), Just(ByteOrder::Badc), Just(ByteOrder::Dcba)]
}

fn draft() -> impl Strategy<Value = Draft> {
    let offer = prop_oneof![Just(Offer::Full), Just(Offer::Watts)];
    (prop::collection::vec(encodings(), 6), order(), 1u16..200, 0u16..3, offer)
        .prop_map(|(encodings, order, first, gap, offer)| Draft { encodings, order, first, gap, offer })
}

/// A running pump, wired in some way, each value with a meter's error.
#[derive(Debug, Clone)]
struct Scene {
    load: f64,
    lag_deg: f64,
    wiring: usize,
    errors: Vec<f64>,
}

fn scene() -> impl Strategy<Value = Scene> {
    (0.4..1.1f64, 20.0..55.0f64, 0usize..48, prop::collection::vec(-0.004..0.004f64, 40))
        .prop_map(|(load, lag_deg, wiring, errors)| Scene { load, lag_deg, wiring, errors })
}

fn seen(scene: &Scene, map: &MeterMap) -> MonitorReading {
    let (context, _) = expected();
    let wirings = relative_wirings();
    let state = LoadState::with(&context, scene.load * 77.0, scene.lag_deg);
    let mut reading = state.seen(&wirings[scene.wiring % wirings.len()], Offer::Full, 0);
    for (point, error) in map.points.iter().zip(scene.errors.iter().cycle()) {
        if let Some(Measured::Good(value)) = field(&mut reading, point.target) {
            *value *= 1.0 + error;
        }
    }
    reading
}

/// The map with a mistake that `change` mends.
fn spoiled(truth: &MeterMap, change: Change) -> MeterMap {
    let inverse = match change {
        Change::Shift(by) => Change::Shift(-by),
        Change::Scale(group, power) => Change::Scale(group, -power),
        other => other,
    };
    let mut map = truth.clone();
    map.points = truth.points.iter().map(|point| inverse.alter(point)).collect();
    map
}

/// Whether every value that both readings have is the same.
fn agree(map: &MeterMap, mut one: MonitorReading, mut other: MonitorReading) -> Result<(), String> {
    for point in &map.points {
        let pair = (*field(&mut one, point.target).unwrap(), *field(&mut other, point.target).unwrap());
        if let (Measured::Good(a), Measured::Good(b)) = pair
            && (a - b).abs() > 1e-6 * a.abs().max(b.abs())
        {
            return Err(format!("{:?}: {a} and {b}", point.target));
        }
    }
    Ok(())
}

/// Polls with the spoiled map and returns the change that is most likely with its probability, and that of the map.
fn judged(truth: &MeterMap, map: &MeterMap, scene: &Scene) -> (Change, f64, f64) {
    let (_, expected) = expected();
    let cells = device(truth, &mut seen(scene, truth));
    let (reading, raw) = polled(map, &cells);
    let found = crate::station::register_watch::leading(&reading, &raw, &expected).unwrap();
    if found.1 > 0.95 {
        let (sound, _) = polled(truth, &cells);
        if let Err(difference) = agree(truth, sound, raw.decoded(found.0, Instant2::default())) {
            panic!("{:?} is held for true ({:.4}) and is not: {difference}", found.0, found.1);
        }
    }
    found
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    #[test]
    fn a_right_map_is_never_blamed_however_the_leads_are(draft in draft(), scene in scene()) {
        let map = map_of(&draft);
        let (change, probability, right) = judged(&map, &map, &scene);
        prop_assert!(right > 0.8, "{change:?} {probability}, right {right}");
    }

    #[test]
    fn exchanged_words_and_bytes_are_found(draft in draft(), wrong in order(), scene in scene()) {
        let truth = map_of(&draft);
        let map = spoiled(&truth, Change::Order { group: None, to: wrong });
        prop_assume!(map != truth);
        // One quantity in 32 bits alone may be ascribed to it alone: the same points.
        let (change, probability, _) = judged(&truth, &map, &scene);
        prop_assert!(probability > 0.95, "{change:?} {probability}");
        prop_assert!(matches!(change, Change::Order { .. }), "{change:?}");
    }

    #[test]
    fn addresses_off_by_one_are_found(draft in draft(), by in prop_oneof![Just(1i8), Just(-1)], scene in scene()) {
        let truth = map_of(&draft);
        let map = spoiled(&truth, Change::Shift(by));
        let (change, probability, _) = judged(&truth, &map, &scene);
        prop_assert!(probability > 0.95 && change == Change::Shift(by), "{change:?} {probability}");
    }

    #[test]
    fn scales_are_found(
        draft in draft(),
        group in prop_oneof![Just(Group::Voltage), Just(Group::Current), Just(Group::ActivePower)],
        power in prop_oneof![Just(-3i8), Just(-2), Just(-1), Just(1), Just(2), Just(3)],
        scene in scene(),
    ) {
        let mut draft = draft;
        draft.offer = Offer::Full;
        let truth = map_of(&draft);
        let map = spoiled(&truth, Change::Scale(group, power));
        let (change, probability, _) = judged(&truth, &map, &scene);
        prop_assert!(probability > 0.95 && change == Change::Scale(group, power), "{change:?} {probability}");
    }

    #[test]
    fn negative_power_read_unsigned_is_found(draft in draft(), scene in scene()) {
        let mut draft = draft;
        draft.encodings = vec![Encoding::I32, Encoding::F32, Encoding::I16, Encoding::F32];
        let truth = map_of(&draft);
        let map = spoiled(&truth, Change::Sign(Some(Group::ActivePower)));
        let mut reading = seen(&scene, &truth);
        let negative = (0..3).filter(|k| reading.circuits[0].active_power_w[*k].good().is_some_and(|p| p < -500.0));
        prop_assume!(negative.count() > 0);
        let cells = device(&truth, &mut reading);
        let (wrong, raw) = polled(&map, &cells);
        let (change, probability, _) = crate::station::register_watch::leading(&wrong, &raw, &expected().1).unwrap();
        prop_assert!(probability > 0.95 && change == Change::Sign(Some(Group::ActivePower)), "{change:?} {probability}");
    }
}
