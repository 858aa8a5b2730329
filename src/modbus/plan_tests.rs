//! Tests of read planning: examples, and laws over random maps against an exhaustive search.

use proptest::prelude::*;

use super::*;
use crate::modbus::map::{ByteOrder, ScaleRegister, Target};

fn point(function: ReadFunction, address: u16, encoding: Encoding, scale: Option<u16>) -> Point {
    Point {
        target: Target { quantity: Quantity::Current, channel: Channel::One, slot: 0 },
        function,
        address,
        encoding,
        order: ByteOrder::Abcd,
        scale: 1.0,
        offset: 0.0,
        scale_register: scale.map(|address| ScaleRegister { address }),
        not_available: Vec::new(),
    }
}

fn holding(address: u16, encoding: Encoding) -> Point {
    point(ReadFunction::HoldingRegisters, address, encoding, None)
}

fn limits(max_registers: u16, max_gap: u16, forbidden: &[(u16, u16)]) -> ReadLimits {
    ReadLimits { max_registers, max_bits: 16, max_gap, forbidden: forbidden.to_vec() }
}

fn spans(plan: &Plan) -> Vec<(u16, u16)> {
    plan.requests().iter().map(|r| (r.first, r.count)).collect()
}

#[test]
fn neighbours_and_small_gaps_share_a_read() {
    let points = [holding(0, Encoding::F32), holding(2, Encoding::F32), holding(12, Encoding::U16)];
    assert_eq!(spans(&plan(&points, &limits(125, 8, &[])).unwrap()), [(0, 13)]);
    assert_eq!(spans(&plan(&points, &limits(125, 7, &[])).unwrap()), [(0, 4), (12, 1)]);
}

#[test]
fn a_forbidden_range_between_two_points_parts_them() {
    let points = [holding(0, Encoding::U16), holding(4, Encoding::U16)];
    assert_eq!(spans(&plan(&points, &limits(125, 8, &[(2, 2)])).unwrap()), [(0, 1), (4, 1)]);
}

#[test]
fn a_model_of_126_registers_needs_two_reads_and_no_value_is_cut() {
    let points: Vec<Point> = (0..63).map(|n| holding(40070 + 2 * n, Encoding::F32)).collect();
    assert_eq!(spans(&plan(&points, &ReadLimits::default()).unwrap()), [(40070, 124), (40194, 2)]);
}

#[test]
fn a_scale_register_is_read_too_and_found() {
    let points = [point(ReadFunction::HoldingRegisters, 10, Encoding::I16, Some(40))];
    let plan = plan(&points, &limits(125, 8, &[])).unwrap();
    assert_eq!(spans(&plan), [(10, 1), (40, 1)]);
    assert_eq!(plan.places()[0].value, Place { request: 0, offset: 0 });
    assert_eq!(plan.places()[0].scale, Some(Place { request: 1, offset: 0 }));
}

#[test]
fn functions_are_never_mixed_in_one_read() {
    let points = [
        holding(0, Encoding::U16),
        point(ReadFunction::InputRegisters, 1, Encoding::U16, None),
        point(ReadFunction::Coils, 2, Encoding::Bit, None),
    ];
    assert_eq!(plan(&points, &ReadLimits::default()).unwrap().requests().len(), 3);
}

#[test]
fn what_cannot_be_read_is_said() {
    let whole = limits(3, 8, &[(100, 109)]);
    assert!(matches!(plan(&[holding(99, Encoding::U32)], &whole), Err(PlanError::Forbidden { .. })));
    assert!(matches!(plan(&[holding(65535, Encoding::U32)], &whole), Err(PlanError::PastEnd { .. })));
    assert!(matches!(plan(&[holding(0, Encoding::F64)], &whole), Err(PlanError::TooWide { limit: 3, .. })));
    assert!(matches!(plan(&[holding(0, Encoding::Bit)], &whole), Err(PlanError::WrongEncoding { .. })));
    let coil = point(ReadFunction::Coils, 0, Encoding::U16, None);
    assert!(matches!(plan(&[coil], &whole), Err(PlanError::WrongEncoding { .. })));
}

#[test]
fn a_refused_read_is_halved_until_one_item_is_left() {
    let points: Vec<Point> = (0..5).map(|n| holding(n, Encoding::U16)).collect();
    let mut plan = plan(&points, &ReadLimits::default()).unwrap();
    assert_eq!(plan.halve(0, &points), Some(1));
    assert_eq!(spans(&plan), [(0, 2), (2, 3)]);
    assert_eq!(plan.halve(1, &points), Some(2));
    assert_eq!(spans(&plan), [(0, 2), (2, 1), (3, 2)]);
    assert_eq!(plan.halve(1, &points), None);
    assert_eq!(plan.halve(9, &points), None);
    check_laws(&points, &ReadLimits::default(), &plan);
}

/// Every point is found where its address says, no read is too long, reaches a forbidden address or is unwanted.
fn check_laws(points: &[Point], limits: &ReadLimits, plan: &Plan) {
    let inside = |point: &Point, place: Place, address: u16, width: u16| {
        let request = plan.requests()[usize::from(place.request)];
        assert_eq!(request.function, point.function);
        assert_eq!(request.first + place.offset, address);
        assert!(place.offset + width <= request.count, "{point:?} is cut by {request:?}");
    };
    for (point, place) in points.iter().zip(plan.places()) {
        inside(point, place.value, point.address, point.encoding.width());
        assert_eq!(point.scale_register.is_some(), place.scale.is_some());
        if let (Some(scale), Some(found)) = (point.scale_register, place.scale) {
            inside(point, found, scale.address, 1);
        }
    }
    for request in plan.requests() {
        let most = if request.function.is_bit() { limits.max_bits } else { limits.max_registers };
        assert!((1..=most).contains(&request.count), "{request:?}");
        let last = request.first + (request.count - 1);
        for &(low, high) in &limits.forbidden {
            assert!(last < low || request.first > high, "{request:?} touches {low}..={high}");
        }
    }
}

/// Fewest reads for `items`, by trying every way to put them in groups.
fn fewest(items: &[(u16, u16)], groups: &mut Vec<Vec<(u16, u16)>>, limits: &ReadLimits, best: &mut usize) {
    if groups.len() >= *best {
        return;
    }
    let Some((&item, rest)) = items.split_first() else {
        if groups.iter().all(|group| is_allowed(group, limits)) {
            *best = groups.len();
        }
        return;
    };
    for index in 0..groups.len() {
        groups[index].push(item);
        fewest(rest, groups, limits, best);
        groups[index].pop();
    }
    groups.push(vec![item]);
    fewest(rest, groups, limits, best);
    groups.pop();
}

/// Whether one read may hold `group`: written from the rule, not from the planner.
fn is_allowed(group: &[(u16, u16)], limits: &ReadLimits) -> bool {
    let first = group.iter().map(|i| i.0).min().unwrap();
    let last = group.iter().map(|i| i.1).max().unwrap();
    let mut gap = 0;
    for address in first..=last {
        let wanted = group.iter().any(|&(low, high)| (low..=high).contains(&address));
        gap = if wanted { 0 } else { gap + 1 };
        if gap > limits.max_gap || limits.forbidden.iter().any(|&(low, high)| (low..=high).contains(&address)) {
            return false;
        }
    }
    last - first < limits.max_registers
}

fn any_encoding() -> impl Strategy<Value = Encoding> {
    prop_oneof![
        Just(Encoding::U16),
        Just(Encoding::F32),
        Just(Encoding::I64),
        Just(Encoding::Base10000 { registers: 3 }),
        Just(Encoding::Bits { lowest: 4, width: 2 }),
    ]
}

fn any_limits() -> impl Strategy<Value = ReadLimits> {
    let forbidden = prop::collection::vec((0u16..40, 0u16..3).prop_map(|(low, more)| (low, low + more)), 0..3);
    (4u16..20, 0u16..6, forbidden).prop_map(|(max_registers, max_gap, forbidden)| ReadLimits {
        max_registers,
        max_bits: 7,
        max_gap,
        forbidden,
    })
}

proptest! {
    #[test]
    fn every_point_is_covered_within_the_limits(
        drawn in prop::collection::vec((0u16..300, any_encoding(), prop::option::of(0u16..300), 0u8..4), 1..60),
        limits in any_limits(),
    ) {
        let points: Vec<Point> = drawn
            .into_iter()
            .map(|(address, encoding, scale, kind)| match kind {
                0 => point(ReadFunction::InputRegisters, address, encoding, scale),
                1 => point(ReadFunction::DiscreteInputs, address, Encoding::Bit, None),
                _ => point(ReadFunction::HoldingRegisters, address, encoding, scale),
            })
            .filter(|point| plan(std::slice::from_ref(point), &limits).is_ok())
            .collect();
        let made = plan(&points, &limits).unwrap();
        check_laws(&points, &limits, &made);
        // Halving keeps every law, whatever is refused.
        let mut halved = made.clone();
        for request in 0..made.requests().len() {
            halved.halve(request, &points);
        }
        check_laws(&points, &limits, &halved);
    }

    #[test]
    fn the_reads_are_the_fewest_possible(
        drawn in prop::collection::vec((0u16..40, any_encoding()), 1..8),
        limits in any_limits(),
    ) {
        let points: Vec<Point> = drawn
            .into_iter()
            .map(|(address, encoding)| holding(address, encoding))
            .filter(|point| plan(std::slice::from_ref(point), &limits).is_ok())
            .collect();
        let made = plan(&points, &limits).unwrap();
        let mut items: Vec<(u16, u16)> =
            points.iter().map(|p| (p.address, p.address + p.encoding.width() - 1)).collect();
        items.sort_unstable();
        items.dedup();
        let mut best = items.len() + 1;
        fewest(&items, &mut Vec::new(), &limits, &mut best);
        prop_assert_eq!(made.requests().len(), if items.is_empty() { 0 } else { best });
    }
}
