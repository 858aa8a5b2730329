//! The edge that joins polling and the audit: one task a station owns all of its state, feeds every reading to the
//! pure core, and publishes immutable snapshots.
//!
//! Nothing here reads a register, opens a listener or draws a conclusion. A reader of snapshots can never make a
//! station wait, and a failure inside one station's core never reaches another.

pub mod checks;
pub mod context;
pub mod fleet;
pub mod news;
pub mod record;
pub mod register_watch;
pub mod roster;
pub mod snapshot;
pub mod state;
pub mod task;

#[cfg(test)]
pub(crate) mod fixtures;
