//! Alarms after ISA-18.2 / IEC 62682, as a pure state machine: time and events come in, transitions come out.
//!
//! `from_audit` turns what the audit concludes into conditions, one root cause to one alarm; `machine` walks one alarm
//! through its states; `set` keeps many of them and holds announcements back in a flood; `words` says them to a person.
//! Must never read a clock, announce, write or send anything: whoever gets a transition does that.
//!
//! The text of the two standards was not readable; what the states and transitions rest on is in `state`.

pub mod availability;
pub mod chatter;
pub mod condition;
pub mod delay;
pub mod flood;
pub mod from_audit;
pub mod hear;
pub mod id;
pub mod machine;
pub mod operator;
pub mod rationale;
pub mod revision;
pub mod rule;
pub mod set;
pub mod settings;
pub mod shelf;
pub mod snapshot;
pub mod state;
pub mod view;
pub mod words;

#[cfg(test)]
mod tests;
