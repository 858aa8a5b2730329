//! From the points of a map to the fewest reads that fetch them, within the device's limits.
//!
//! Pure. A value is never split over two reads, no read touches a forbidden address, and what a device refuses can be
//! halved so that the rest still arrives. Must never know how a read is carried out.

use super::error::RegisterRange;
use super::map::{Channel, Encoding, Point, Quantity, ReadFunction, ReadLimits};

/// Most registers the protocol allows in one read (V1.1b3, clauses 6.3 and 6.4).
const PROTOCOL_MAX_REGISTERS: u16 = 125;
/// Most bits the protocol allows in one read (clauses 6.1 and 6.2).
const PROTOCOL_MAX_BITS: u16 = 2000;

/// One read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct ReadRequest {
    /// Function.
    pub function: ReadFunction,
    /// First zero-based address.
    pub first: u16,
    /// Registers or bits, at least 1.
    pub count: u16,
}

/// Where a value is found among the answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Place {
    /// Index of the request.
    pub request: u16,
    /// Offset in its answer, in registers or bits.
    pub offset: u16,
}

/// Where a point's registers are found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct PointPlace {
    /// The value.
    pub value: Place,
    /// Its scale register, when it has one.
    pub scale: Option<Place>,
}

/// A run of registers that must arrive in one piece.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Item {
    first: u16,
    last: u16,
}

/// The reads of one poll, and where each point is found in their answers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plan {
    requests: Vec<ReadRequest>,
    /// Items of each request, in address order.
    items: Vec<Vec<Item>>,
    places: Vec<PointPlace>,
}

/// Why a point cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PlanError {
    /// It lies in a forbidden range.
    #[error("{range} must not be read: the map forbids it")]
    Forbidden {
        /// The registers.
        range: RegisterRange,
    },
    /// It would reach past address 65535.
    #[error("{range} reaches past address 65535")]
    PastEnd {
        /// The registers.
        range: RegisterRange,
    },
    /// It is wider than the largest read the device allows.
    #[error("{range} is more than the {limit} the device gives in one read")]
    TooWide {
        /// The registers.
        range: RegisterRange,
        /// The limit.
        limit: u16,
    },
    /// Bits are read as registers, or registers as bits.
    #[error("{range} cannot be decoded as {encoding:?}")]
    WrongEncoding {
        /// The registers.
        range: RegisterRange,
        /// The encoding.
        encoding: Encoding,
    },
    /// There is no such value in a reading.
    #[error("a reading has no {quantity:?} on channel {channel:?}")]
    NoSuchValue {
        /// Quantity.
        quantity: Quantity,
        /// Channel.
        channel: Channel,
    },
    /// The point belongs to a circuit the monitor does not have.
    #[error("circuit slot {slot} does not exist; the monitor has {slots}")]
    NoSuchSlot {
        /// Slot, from 1 as people count.
        slot: u16,
        /// Slots of the map.
        slots: u8,
    },
}

/// Plans the fewest reads for `points`.
///
/// Sorted by address, each read takes as many of the following items as its limits allow. That greedy choice is the
/// fewest possible: whatever a later-starting item needs of a read, an earlier-starting one leaves more room for.
pub fn plan(points: &[Point], limits: &ReadLimits) -> Result<Plan, PlanError> {
    let mut wanted: Vec<(ReadFunction, Item)> = Vec::with_capacity(points.len());
    for point in points {
        if point.function.is_bit() != (point.encoding == Encoding::Bit) {
            let range = RegisterRange { function: point.function, first: point.address, count: point.encoding.width() };
            return Err(PlanError::WrongEncoding { range, encoding: point.encoding });
        }
        wanted.push((point.function, item(point.function, point.address, point.encoding.width(), limits)?));
        if let Some(scale) = point.scale_register {
            wanted.push((point.function, item(point.function, scale.address, 1, limits)?));
        }
    }
    wanted.sort_unstable();
    wanted.dedup();

    let mut requests: Vec<ReadRequest> = Vec::new();
    let mut items: Vec<Vec<Item>> = Vec::new();
    for (function, item) in wanted {
        if let (Some(request), Some(held)) = (requests.last_mut(), items.last_mut())
            && request.function == function
            && let Some(count) = grown(*request, item, limits)
        {
            request.count = count;
            held.push(item);
            continue;
        }
        requests.push(ReadRequest { function, first: item.first, count: item.last - item.first + 1 });
        items.push(vec![item]);
    }
    let mut plan = Plan { requests, items, places: Vec::new() };
    plan.locate(points);
    Ok(plan)
}

/// The item of a value, refused when no read may hold it.
fn item(function: ReadFunction, first: u16, width: u16, limits: &ReadLimits) -> Result<Item, PlanError> {
    let range = RegisterRange { function, first, count: width };
    let Some(last) = first.checked_add(width.saturating_sub(1)) else {
        return Err(PlanError::PastEnd { range });
    };
    let limit = most(function, limits);
    if width > limit {
        return Err(PlanError::TooWide { range, limit });
    }
    if touches_forbidden(first, last, limits) {
        return Err(PlanError::Forbidden { range });
    }
    Ok(Item { first, last })
}

/// Count of `request` once it also holds `item`, when the limits allow it. `item` starts at or after the request.
fn grown(request: ReadRequest, item: Item, limits: &ReadLimits) -> Option<u16> {
    let end = request.first + (request.count - 1);
    let last = end.max(item.last);
    let gap = item.first.saturating_sub(end).saturating_sub(1);
    let count = (last - request.first).checked_add(1)?;
    let allowed = gap <= limits.max_gap
        && count <= most(request.function, limits)
        && !touches_forbidden(request.first, last, limits);
    allowed.then_some(count)
}

/// Most registers or bits in one read.
fn most(function: ReadFunction, limits: &ReadLimits) -> u16 {
    if function.is_bit() {
        limits.max_bits.clamp(1, PROTOCOL_MAX_BITS)
    } else {
        limits.max_registers.clamp(1, PROTOCOL_MAX_REGISTERS)
    }
}

fn touches_forbidden(first: u16, last: u16, limits: &ReadLimits) -> bool {
    limits.forbidden.iter().any(|&(low, high)| low <= last && high >= first)
}

impl Plan {
    /// The reads, in the order they are made.
    pub fn requests(&self) -> &[ReadRequest] {
        &self.requests
    }

    /// Where each point is found, in the order of the points the plan was made from.
    pub fn places(&self) -> &[PointPlace] {
        &self.places
    }

    /// Halves a read the device refuses, so that the values it does have still arrive. The first half keeps the index,
    /// the second becomes the last request. Returns the index of the second, or `None` when the read holds one item
    /// only. `points` are those the plan was made from.
    ///
    /// Halving again and again isolates one bad address in a handful of reads, where a read for each point would cost
    /// a transaction for each point for ever.
    pub fn halve(&mut self, request: usize, points: &[Point]) -> Option<usize> {
        let function = self.requests.get(request)?.function;
        let held = self.items.get_mut(request)?;
        if held.len() < 2 {
            return None;
        }
        let second = held.split_off(held.len() / 2);
        self.requests[request] = spanning(function, held);
        self.requests.push(spanning(function, &second));
        self.items.push(second);
        self.locate(points);
        Some(self.requests.len() - 1)
    }

    /// Finds every point's place anew.
    fn locate(&mut self, points: &[Point]) {
        let find = |function: ReadFunction, first: u16, width: u16| {
            let item = Item { first, last: first.saturating_add(width.saturating_sub(1)) };
            for (index, request) in self.requests.iter().enumerate() {
                if request.function == function && self.items[index].binary_search(&item).is_ok() {
                    return Place { request: index as u16, offset: first - request.first };
                }
            }
            // Every item was put in a request above; a place past the end decodes as "failed", never as a wrong value.
            Place { request: u16::MAX, offset: 0 }
        };
        self.places = points
            .iter()
            .map(|point| PointPlace {
                value: find(point.function, point.address, point.encoding.width()),
                scale: point.scale_register.map(|scale| find(point.function, scale.address, 1)),
            })
            .collect();
    }
}

/// The read that spans `items`, which are in address order and not empty.
fn spanning(function: ReadFunction, items: &[Item]) -> ReadRequest {
    let first = items.iter().map(|item| item.first).min().unwrap_or(0);
    let last = items.iter().map(|item| item.last).max().unwrap_or(0);
    ReadRequest { function, first, count: (last - first).saturating_add(1) }
}

#[cfg(test)]
#[path = "plan_tests.rs"]
mod tests;
