//! Tests of altered maps: a device serves one map, the daemon is given it with one mistake, and the mistake is found.

use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;

use super::*;
use crate::audit::context::{CircuitContext, test_context};
use crate::audit::register_fault::SAID_ABOVE;
use crate::audit::register_fault::expected::Expected;
use crate::audit::testbench::{LoadState, Offer, relative_wirings};
use crate::modbus::decode::field;
use crate::modbus::map::{Blanking, Channel, Conventions, ReadFunction, ReadLimits, Target};
use crate::modbus::plan::plan;
use crate::reading::Measured;
use crate::station::register_watch::leading;

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
    let mut all =
        vec![(Quantity::VoltageLn, phases()), (Quantity::Current, phases()), (Quantity::ActivePower, with_total())];
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
            words = words.into_iter().map(u16::swap_bytes).collect();
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
    prop_oneof![Just(Encoding::F32), Just(Encoding::F64), Just(Encoding::U16), Just(Encoding::U32), Just(Encoding::I32),]
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
        Change::Order { group, to: ByteOrder::Cdab } if truth.points[0].order == ByteOrder::Cdab => {
            Change::Order { group, to: ByteOrder::Abcd }
        }
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

/// What became of many random stations whose maps have the same kind of mistake.
#[derive(Debug, Default)]
struct Tally {
    cases: u32,
    /// The mistake was named surely enough to be said.
    named: u32,
    /// Something was said that is not so.
    false_words: u32,
    notes: Vec<String>,
}

impl Tally {
    fn judge(&mut self, truth: &MeterMap, map: &MeterMap, scene: &Scene) {
        let cells = device(truth, &mut seen(scene, truth));
        let (reading, raw) = polled(map, &cells);
        let (change, probability, right) = leading(&reading, &raw, &expected().1).unwrap();
        self.cases += 1;
        let said = probability >= SAID_ABOVE;
        let difference = agree(truth, polled(truth, &cells).0, raw.decoded(change, Instant2::default())).err();
        match (said, difference) {
            (true, None) => self.named += 1,
            (true, Some(difference)) => {
                self.false_words += 1;
                self.notes.push(format!("{change:?} {probability:.4}, but {difference}"));
            }
            (false, _) => self.notes.push(format!("{change:?} {probability:.4}, map right {right:.4}")),
        }
    }

    fn must(&self, named: u32, false_words: u32) {
        let notes = self.notes.iter().take(12).cloned().collect::<Vec<_>>().join("\n");
        let found = format!("{} of {} named, {} false\n{notes}", self.named, self.cases, self.false_words);
        assert!(self.named >= named && self.false_words <= false_words, "{found}");
    }
}

/// The same 200 random stations at every run.
fn draw<S: Strategy>(strategy: &S) -> Vec<S::Value> {
    let mut runner = TestRunner::deterministic();
    (0..200).map(|_| strategy.new_tree(&mut runner).unwrap().current()).collect()
}

fn full(draft: Draft) -> Draft {
    Draft { offer: Offer::Full, ..draft }
}

#[test]
fn a_right_map_is_never_blamed_however_the_leads_are() {
    let mut tally = Tally::default();
    for (draft, scene) in draw(&(draft(), scene())) {
        let map = map_of(&draft);
        let cells = device(&map, &mut seen(&scene, &map));
        let (reading, raw) = polled(&map, &cells);
        let (change, probability, right) = leading(&reading, &raw, &expected().1).unwrap();
        assert!(right > 0.7 && probability < 0.3, "{change:?} {probability}, right {right}: {draft:?} {scene:?}");
        tally.cases += 1;
    }
    assert_eq!(tally.cases, 200);
}

#[test]
fn exchanged_words_and_bytes_are_named() {
    let mut tally = Tally::default();
    for (draft, wrong, scene) in draw(&(draft(), order(), scene())) {
        // Where neither voltage nor current is wide, power alone may fit by chance.
        let telling = draft.encodings[0].width() > 1 || draft.encodings[1].width() > 1;
        let truth = map_of(&full(draft));
        let map = spoiled(&truth, Change::Order { group: None, to: wrong });
        if map != truth && telling {
            tally.judge(&truth, &map, &scene);
        }
    }
    tally.must(tally.cases - tally.cases / 50, 0);
}

#[test]
fn addresses_off_by_one_are_named() {
    let mut tally = Tally::default();
    for (draft, by, scene) in draw(&(draft(), prop_oneof![Just(1i8), Just(-1)], scene())) {
        let truth = map_of(&full(draft));
        tally.judge(&truth, &spoiled(&truth, Change::Shift(by)), &scene);
    }
    tally.must(196, 0);
}

#[test]
fn scales_are_named() {
    let group = prop_oneof![
        Just(Group::Voltage),
        Just(Group::Current),
        Just(Group::ActivePower),
        Just(Group::ReactivePower),
        Just(Group::ApparentPower)
    ];
    let power = prop_oneof![Just(-3i8), Just(-2), Just(-1), Just(1), Just(2), Just(3)];
    let mut tally = Tally::default();
    for (draft, group, power, scene) in draw(&(draft(), group, power, scene())) {
        let truth = map_of(&full(draft));
        tally.judge(&truth, &spoiled(&truth, Change::Scale(group, power)), &scene);
    }
    tally.must(190, 0);
}

#[test]
fn negative_power_read_unsigned_is_named() {
    let mut tally = Tally::default();
    for (draft, scene) in draw(&(draft(), scene())) {
        let mut draft = full(draft);
        draft.encodings[2] = if draft.gap == 0 { Encoding::I32 } else { Encoding::I16 };
        let truth = map_of(&draft);
        let reading = seen(&scene, &truth);
        let negative = |k: &usize| reading.circuits[0].active_power_w[*k].good().is_some_and(|p| p < -500.0);
        if (0..3).any(|k| negative(&k)) {
            tally.judge(
                &truth,
                &spoiled(&truth, Change::Sign { group: Some(Group::ActivePower), signed: false }),
                &scene,
            );
        }
    }
    tally.must(tally.cases - tally.cases / 25, 0);
}

/// Watts and vars read unsigned beside a power factor that is read signed: the power factor is right, and is not called
/// unsigned.
#[test]
fn a_change_of_sign_is_told_of_the_values_it_touches_alone() {
    let draft = Draft { encodings: vec![Encoding::I16], order: ByteOrder::Abcd, first: 10, gap: 0, offer: Offer::Full };
    let truth = map_of(&draft);
    let mut mixed = spoiled(&truth, Change::Sign { group: None, signed: false });
    for point in mixed.points.iter_mut().filter(|point| point.target.quantity == Quantity::PowerFactor) {
        point.encoding = Encoding::I16;
    }
    let known: Vec<Change> = changes(&mixed).into_iter().map(|(change, _)| change).collect();
    let all = Change::Sign { group: None, signed: true };
    assert!(known.contains(&all), "{known:?}");
    let scene = Scene { load: 0.8, lag_deg: 30.0, wiring: 0, errors: vec![0.0] };
    let cells = device(&truth, &mut seen(&scene, &truth));
    let (reading, raw) = polled(&Arc::new(mixed), &cells);
    let text = raw.told(all, None, reading.at).text();
    assert!(text.starts_with("The map reads active power and reactive power as unsigned integers"), "{text}");
    assert!(!text.contains("power factor"), "{text}");
}

/// With volts, amps and watts only, much can be read in several ways: what is said must still be so.
#[test]
fn a_poor_map_is_not_talked_about_falsely() {
    let mut tally = Tally::default();
    for (draft, by, scene) in draw(&(draft(), prop_oneof![Just(1i8), Just(-1)], scene())) {
        let truth = map_of(&Draft { offer: Offer::Watts, ..draft });
        tally.judge(&truth, &spoiled(&truth, Change::Shift(by)), &scene);
    }
    // One in twenty is what 0.95 promises.
    tally.must(100, 5);
}

#[test]
fn what_is_said_names_the_key_and_the_values() {
    let draft = Draft { encodings: vec![Encoding::F32], order: ByteOrder::Cdab, first: 10, gap: 0, offer: Offer::Full };
    let scene = Scene { load: 0.8, lag_deg: 30.0, wiring: 0, errors: vec![0.0] };
    let truth = map_of(&draft);
    let cells = device(&truth, &mut seen(&scene, &truth));
    let text = |change: Change| {
        let (reading, raw) = polled(&spoiled(&truth, change), &cells);
        let (found, probability, _) = leading(&reading, &raw, &expected().1).unwrap();
        assert_eq!(found, change);
        raw.told(found, Some(probability), reading.at).text()
    };
    let order = text(Change::Order { group: None, to: ByteOrder::Cdab });
    assert!(order.contains("32-bit floats with the high word first (ABCD)") || order.contains("(ABCD)"), "{order}");
    let shift = text(Change::Shift(1));
    assert!(shift.contains("one too low") && shift.contains("addressing") && shift.contains("277.1 V"), "{shift}");
    let scale = text(Change::Scale(Group::Current, -1));
    assert!(scale.contains("current 10 times too large") && scale.contains("61.60 A"), "{scale}");
}
