//! What must hold between the points of one map: slots laid out, no target twice, no register for two values,
//! nothing forbidden read.
//!
//! Must never drop a point quietly; a point that cannot be laid out is a fault.

use std::collections::{BTreeMap, BTreeSet};

use crate::modbus::map::{Channel, Encoding, Point, Quantity, ReadFunction, ReadLimits, ScaleRegister, Target};

use super::map_point::PointDraft;
use super::map_quantity::repeats_per_slot;
use super::report::{Report, Span};

/// How many circuits, and how far apart.
#[derive(Debug, Clone, Copy)]
pub(super) struct Slots {
    pub(super) count: u8,
    pub(super) stride: u16,
}

/// An inclusive range of addresses that must not be read, and the place that forbids it.
pub(super) struct Forbidden {
    pub(super) range: (u16, u16),
    pub(super) place: Span,
}

/// What reads a register: a draft, one of its slots, and the bits it takes.
struct Owner {
    index: usize,
    slot: u8,
    mask: u16,
}

/// Lays out the slots of all drafts.
pub(super) fn expand(report: &Report<'_>, drafts: &[PointDraft], slots: Slots) -> Vec<(usize, Point)> {
    let mut points = Vec::new();
    for (index, draft) in drafts.iter().enumerate() {
        let count = if repeats_per_slot(draft.quantity) { slots.count } else { 1 };
        for slot in 0..count {
            let shift = u32::from(slot) * u32::from(slots.stride);
            let last = u32::from(draft.address.value) + shift + u32::from(draft.encoding.width()) - 1;
            let scale = draft
                .scale_register
                .as_ref()
                .map(|register| u32::from(register.value) + if draft.scale_register_repeats { shift } else { 0 });
            let (Ok(_), Ok(scale)) = (u16::try_from(last), scale.map(u16::try_from).transpose()) else {
                report.add(
                    &draft.address.span,
                    "points.address",
                    format!("this value{} runs past address 65535", in_slot(slot)),
                    "check address, type, slots and slot_stride",
                );
                break;
            };
            points.push((
                index,
                Point {
                    target: Target { quantity: draft.quantity, channel: draft.channel, slot },
                    function: draft.function,
                    // In range, since the last register is.
                    address: draft.address.value + shift as u16,
                    encoding: draft.encoding,
                    order: draft.order,
                    scale: draft.scale,
                    offset: draft.offset,
                    scale_register: scale.map(|address| ScaleRegister { address }),
                    not_available: draft.not_available.clone(),
                },
            ));
        }
    }
    points
}

/// Two points for one quantity and channel.
pub(super) fn check_targets(report: &Report<'_>, drafts: &[PointDraft]) {
    let mut first: BTreeMap<(Quantity, Channel), &Span> = BTreeMap::new();
    for draft in drafts {
        let place = first.entry((draft.quantity, draft.channel)).or_insert(&draft.place);
        if **place != draft.place {
            report.add(
                &draft.place,
                "points",
                "a second point for the same quantity and channel",
                format!("the first is at line {}; keep one, or correct quantity or channel", report.line(place)),
            );
        }
    }
}

/// Values that share registers, and scale registers inside a value. Fields of bits may share a register when their
/// bits differ.
pub(super) fn check_overlaps(report: &Report<'_>, drafts: &[PointDraft], points: &[(usize, Point)]) {
    let mut owners: BTreeMap<(ReadFunction, u16), Vec<Owner>> = BTreeMap::new();
    let mut told: BTreeSet<(usize, usize)> = BTreeSet::new();
    for (index, point) in points {
        let draft = &drafts[*index];
        let mask = bit_mask(point.encoding);
        for register in registers(point) {
            let others = owners.entry((point.function, register)).or_default();
            for &Owner { index: other, slot: other_slot, mask: other_mask } in others.iter() {
                // Two drafts for one target are told as such; here it is about registers only.
                let same_target = drafts[other].quantity == draft.quantity
                    && drafts[other].channel == draft.channel
                    && other != *index;
                if mask & other_mask == 0 || same_target || !told.insert((other.min(*index), other.max(*index))) {
                    continue;
                }
                let hint = if other_slot == point.target.slot {
                    "check address and type of both"
                } else {
                    "check address and type of both, and slot_stride"
                };
                report.add(
                    &draft.address.span,
                    "points.address",
                    format!(
                        "protocol address {register}{} is also read by the point at line {}{}",
                        in_slot(point.target.slot),
                        report.line(&drafts[other].place),
                        in_slot(other_slot)
                    ),
                    hint,
                );
            }
            others.push(Owner { index: *index, slot: point.target.slot, mask });
        }
    }
    let mut told_scales = BTreeSet::new();
    for (index, point) in points {
        let (Some(scale), Some(written)) = (point.scale_register, &drafts[*index].scale_register) else { continue };
        let Some(owner) = owners.get(&(point.function, scale.address)).and_then(|owners| owners.first()) else {
            continue;
        };
        if told_scales.insert(*index) {
            report.add(
                &written.span,
                "points.scale_register",
                format!("this register is part of the value at line {}", report.line(&drafts[owner.index].place)),
                "a scale register holds nothing but a power of ten",
            );
        }
    }
}

/// Points and scale registers in forbidden ranges, and values wider than one read may be.
pub(super) fn check_limits(
    report: &Report<'_>,
    drafts: &[PointDraft],
    points: &[(usize, Point)],
    limits: &ReadLimits,
    forbidden: &[Forbidden],
) {
    let mut told = BTreeSet::new();
    for (index, point) in points {
        let draft = &drafts[*index];
        let width = point.encoding.width();
        if !point.function.is_bit() && width > limits.max_registers && told.insert((*index, "width")) {
            report.add(
                &draft.address.span,
                "points.address",
                format!("this value takes {width} registers, but limits.max_registers is {}", limits.max_registers),
                "a value must fit in one read",
            );
        }
        let scale = point.scale_register.map(|register| register.address);
        for Forbidden { range: (from, to), place } in forbidden {
            let line = report.line(place);
            let inside = |address: &u16| (from..=to).contains(&address);
            if registers(point).any(|address| inside(&address)) && told.insert((*index, "address")) {
                report.add(
                    &draft.address.span,
                    "points.address",
                    format!("this point{} lies in the range that line {line} forbids", in_slot(point.target.slot)),
                    "move the point, or narrow limits.forbidden",
                );
            }
            if let (Some(address), Some(written)) = (&scale, &draft.scale_register)
                && inside(address)
                && told.insert((*index, "scale"))
            {
                report.add(
                    &written.span,
                    "points.scale_register",
                    format!("this register lies in the range that line {line} forbids"),
                    "move it, or narrow limits.forbidden",
                );
            }
        }
    }
}

fn registers(point: &Point) -> std::ops::RangeInclusive<u16> {
    point.address..=point.address.saturating_add(point.encoding.width() - 1)
}

fn bit_mask(encoding: Encoding) -> u16 {
    match encoding {
        Encoding::Bits { lowest, width } => (((1_u32 << width) - 1) << lowest) as u16,
        _ => u16::MAX,
    }
}

fn in_slot(slot: u8) -> String {
    if slot == 0 { String::new() } else { format!(" (slot {})", u16::from(slot) + 1) }
}
