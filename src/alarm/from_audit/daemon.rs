//! Conditions that no audit concludes: the computer's clock, the disk for records.

use super::Told;
use crate::alarm::id::{AlarmId, AlarmKind};
use crate::alarm::state::Condition;
use crate::alarm::words as say;

/// A step of the clock is shown for this long, ms: it is over when it is told, and an event needs to be seen.
pub const CLOCK_JUMP_SHOWN_MS: u64 = 10 * 60 * 1000;

/// Condition of the computer's clock: how far it last stepped as any station saw it, and how long ago, ms, if it ever did.
pub fn clock(last_step: Option<(i64, u64)>) -> Told {
    let recent = last_step.filter(|(_, ago_ms)| *ago_ms < CLOCK_JUMP_SHOWN_MS);
    let id = AlarmId::daemon(AlarmKind::ClockJumped);
    match recent {
        Some((by_ms, _)) => Told::raised(id, say::clock_stepped(by_ms)),
        None => Told::new(id, Condition::False),
    }
}

/// Room on the disk for records.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Room {
    /// What is free; `None` when it cannot be told.
    pub free_bytes: Option<u64>,
    /// Below this it is too little.
    pub least_bytes: u64,
    /// The oldest detail is being dropped to make room.
    pub dropping: bool,
}

impl Room {
    /// Room on several disks at once: that of the tightest one that can be told.
    pub fn together(rooms: impl IntoIterator<Item = Room>) -> Room {
        let none = Room { free_bytes: None, least_bytes: 0, dropping: false };
        rooms.into_iter().fold(none, |all, one| {
            let dropping = all.dropping || one.dropping;
            let spare = |room: Room| room.free_bytes.map(|free| i128::from(free) - i128::from(room.least_bytes));
            let tighter = match (spare(all), spare(one)) {
                (Some(all), Some(one)) => one < all,
                (all, _) => all.is_none(),
            };
            Room { dropping, ..if tighter { one } else { all } }
        })
    }
}

/// Condition of the disk for records.
pub fn storage(room: Room) -> Told {
    let short = room.dropping || room.free_bytes.is_some_and(|free| free < room.least_bytes);
    let id = AlarmId::daemon(AlarmKind::StorageFull);
    match room.free_bytes {
        _ if short => Told::raised(id, say::storage_full(room.free_bytes, room.dropping)),
        None => Told::new(id, Condition::Unknown),
        Some(_) => Told::new(id, Condition::False),
    }
}
