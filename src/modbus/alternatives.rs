//! Altered maps: the raw words of a poll decoded again as they would be if the map were wrong in one way.
//!
//! Pure, beside the decoder. To add an alteration: a variant of [`Change`], its odds in [`changes`], what it does to a
//! point in `Change::alter`, what to say of it in `alternatives_words`. Must never change the map in use.

use std::sync::Arc;

use super::decode::{Block, decode_points};
use super::map::{ByteOrder, Encoding, MeterMap, Point, Quantity};
use super::plan::{Place, PointPlace, ReadRequest};
use crate::audit::register_fault::group::Group;
use crate::reading::{Instant2, MonitorReading};

/// The raw words of one poll and the map they were read with.
#[derive(Debug, Clone)]
pub struct RawImage {
    /// The map.
    pub map: Arc<MeterMap>,
    /// The reads.
    pub requests: Vec<ReadRequest>,
    /// Their answers.
    pub blocks: Vec<Block>,
}

/// One way in which a map may be wrong.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Change {
    /// Another order of words or bytes, of all values or of one group.
    Order {
        /// Whose; `None` is everything.
        group: Option<Group>,
        /// What it is instead.
        to: ByteOrder,
    },
    /// Every register is found this many addresses further on.
    Shift(i8),
    /// Values of a group times ten to this power.
    Scale(Group, i8),
    /// Integers of a group carry a sign, or carry none; `None` is every quantity that can be negative.
    Sign(Option<Group>),
}

/// The changes that make a difference to `map`, with their relative odds (common practice, no source).
pub fn changes(map: &MeterMap) -> Vec<(Change, f64)> {
    let mut all: Vec<(Change, f64)> = Vec::new();
    for to in [ByteOrder::Abcd, ByteOrder::Cdab, ByteOrder::Badc, ByteOrder::Dcba] {
        // Words exchanged is the usual one; bytes within words is rare.
        all.push((Change::Order { group: None, to }, if to == ByteOrder::Badc { 5.0 } else { 10.0 }));
    }
    all.push((Change::Shift(1), 8.0));
    all.push((Change::Shift(-1), 8.0));
    for group in Group::ALL {
        all.extend(group.scale_odds().iter().map(|(power, odds)| (Change::Scale(group, *power), *odds)));
        if group != Group::Powers {
            all.push((Change::Sign(Some(group)), 2.0));
        }
        for to in [ByteOrder::Abcd, ByteOrder::Cdab, ByteOrder::Badc, ByteOrder::Dcba] {
            all.push((Change::Order { group: Some(group), to }, 0.5));
        }
    }
    all.push((Change::Sign(None), 0.5));
    // Of several that come to the same points the first is kept.
    let mut kept: Vec<(Change, f64)> = Vec::new();
    let mut altered: Vec<Vec<Point>> = vec![map.points.clone()];
    for (change, odds) in all {
        let points: Vec<Point> = map.points.iter().map(|point| change.alter(point)).collect();
        if !altered.contains(&points) {
            altered.push(points);
            kept.push((change, odds));
        }
    }
    kept
}

/// The group of a quantity; `None` for what no group holds.
pub fn group_of(quantity: Quantity) -> Option<Group> {
    match quantity {
        Quantity::VoltageLn | Quantity::VoltageLl => Some(Group::Voltage),
        Quantity::Current => Some(Group::Current),
        Quantity::ActivePower => Some(Group::ActivePower),
        Quantity::ReactivePower => Some(Group::ReactivePower),
        Quantity::ApparentPower => Some(Group::ApparentPower),
        Quantity::PowerFactor => Some(Group::PowerFactor),
        Quantity::Frequency => Some(Group::Frequency),
        Quantity::VoltageAngle
        | Quantity::CurrentAngle
        | Quantity::EnergyImport
        | Quantity::EnergyExport
        | Quantity::RunStatus
        | Quantity::Flow
        | Quantity::Head
        | Quantity::SuctionPressure
        | Quantity::DischargePressure => None,
    }
}

/// True when a point belongs to the group.
pub(super) fn belongs(point: &Point, group: Group) -> bool {
    let Some(own) = group_of(point.target.quantity) else { return false };
    own == group
        || group == Group::Powers && matches!(own, Group::ActivePower | Group::ReactivePower | Group::ApparentPower)
}

impl Change {
    /// The point as it would be.
    fn alter(self, point: &Point) -> Point {
        let mut point = point.clone();
        match self {
            Change::Order { group, to } => {
                if point.encoding.width() > 1 && group.is_none_or(|group| belongs(&point, group)) {
                    point.order = to;
                }
            }
            Change::Shift(by) => {
                if !point.function.is_bit() {
                    let moved = |address: u16| address.wrapping_add_signed(i16::from(by));
                    point.address = moved(point.address);
                    if let Some(scale) = &mut point.scale_register {
                        scale.address = moved(scale.address);
                    }
                }
            }
            Change::Scale(group, power) => {
                if belongs(&point, group) {
                    point.scale *= 10f64.powi(i32::from(power));
                    point.offset *= 10f64.powi(i32::from(power));
                }
            }
            Change::Sign(group) => {
                let touched = match group {
                    Some(group) => belongs(&point, group),
                    None => [Group::ActivePower, Group::ReactivePower, Group::PowerFactor]
                        .into_iter()
                        .any(|group| belongs(&point, group)),
                };
                if touched {
                    point.encoding = other_sign(point.encoding);
                }
            }
        }
        point
    }

    /// True when the change touches this point.
    pub(super) fn touches(self, point: &Point) -> bool {
        self.alter(point) != *point
    }
}

pub(super) fn other_sign(encoding: Encoding) -> Encoding {
    match encoding {
        Encoding::U16 => Encoding::I16,
        Encoding::I16 => Encoding::U16,
        Encoding::U32 => Encoding::I32,
        Encoding::I32 => Encoding::U32,
        Encoding::U64 => Encoding::I64,
        Encoding::I64 => Encoding::U64,
        other => other,
    }
}

impl RawImage {
    /// The reading as it would be under `change`. What the change puts outside the words at hand has failed.
    pub fn decoded(&self, change: Change, at: Instant2) -> MonitorReading {
        let points: Vec<Point> = self.map.points.iter().map(|point| change.alter(point)).collect();
        let places: Vec<PointPlace> = points.iter().map(|point| self.place(point)).collect();
        let reading = MonitorReading { at, ..MonitorReading::default() };
        decode_points(reading, &self.map, &points, &places, &self.blocks)
    }

    fn place(&self, point: &Point) -> PointPlace {
        let find = |address: u16, width: u16| {
            let holds = |request: &ReadRequest| {
                request.function == point.function
                    && address >= request.first
                    && u32::from(address) + u32::from(width) <= u32::from(request.first) + u32::from(request.count)
            };
            self.requests.iter().position(holds).map_or(Place { request: u16::MAX, offset: 0 }, |index| Place {
                request: index as u16,
                offset: address - self.requests[index].first,
            })
        };
        PointPlace {
            value: find(point.address, point.encoding.width()),
            scale: point.scale_register.map(|scale| find(scale.address, 1)),
        }
    }
}

#[cfg(test)]
#[path = "alternatives_tests.rs"]
mod tests;
