//! What the desk tells those who pass alarms on: plain data, sent only when it is recorded.

use crate::alarm::flood::FloodNews;
use crate::alarm::set::Entry;
use crate::alarm::state::Transition;

/// Something that happened to the alarms.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Notice {
    /// An alarm changed its state. Whether it is to be announced says [`Transition::announcement`].
    Alarm {
        /// What happened.
        transition: Box<Transition>,
        /// The alarm afterwards, with its story.
        entry: Box<Entry>,
    },
    /// A flood began or ended; its end carries the digest of what was held back.
    Flood(FloodNews),
}
