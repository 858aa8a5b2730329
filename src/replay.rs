//! Replay of recorded readings: rows of a table in, the same [`crate::reading::MonitorReading`]s out that polling would
//! have given, and through the same core.
//!
//! Pure: lines come as bytes and time comes with the rows. Must never open a file, read a clock, or fill in a value that
//! a row does not hold.

pub mod cells;
pub mod columns;
pub mod doubt;
pub mod draft;
pub mod hour;
pub mod notes;
pub mod outcome;
pub mod rows;
pub mod session;
pub mod steps;
pub mod time;

#[cfg(test)]
mod tests;

pub use columns::Columns;
pub use session::Session;
