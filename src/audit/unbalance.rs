//! Which conductor a CT is on, told by an uneven supply: the pattern of currents it drives through the load.
//!
//! A load answers the opposing sequence of its supply with a current of its own: a motor as if its rotor stood still (its
//! locked-rotor admittance, five to seven times that of full load), a heater as it answers the main one. So of each
//! conductor's current both the size and the angle are known in advance, and a CT on another conductor shows another's. On
//! an even supply this says nothing, whatever the wiring. Must never look at a power, nor at a prior over wirings.

mod levels;
mod made;
mod pattern;
mod sizes;
mod supply;
mod totals;
mod weigh;

pub use pattern::{Answer, STORIES, Seat};
pub use supply::SupplyUnbalance;
pub use weigh::{Seen, answers_at, weigh};

#[cfg(test)]
mod tests;
