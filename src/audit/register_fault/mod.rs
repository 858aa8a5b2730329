//! Register faults: the map says something other than what the device does. Scores how well readings decoded under
//! altered maps fit what is known of the circuits, and says which alteration fits, once it is sure.
//!
//! Pure, and knows nothing of registers or columns: whoever holds raw words decodes them anew (`modbus::alternatives`);
//! recorded columns are altered by `replay::doubt`. Must never change a map or a reading that is shown.

mod density;
pub mod expected;
pub mod glance;
pub mod group;
pub mod ledger;
pub mod plausibility;

/// Surer than this before a fault is said.
pub const SAID_ABOVE: f64 = 0.95;

/// A register fault as it is told.
#[derive(Debug, Clone, PartialEq)]
pub struct RegisterFault {
    /// Stable word for machines.
    pub kind: &'static str,
    /// Probability, 0..1, against the map being right, every other alteration, and none of these. `None` for what was
    /// seen and not weighed.
    pub probability: Option<f64>,
    /// What the map says.
    pub map_says: String,
    /// What fits instead, with values.
    pub fits: String,
    /// What to change, by the name of the key in the map file.
    pub change: String,
}

impl RegisterFault {
    /// The whole as one text.
    pub fn text(&self) -> String {
        let sure = self.probability.map_or(String::new(), |p| format!(" ({})", super::words::confidence(p)));
        format!("{}; {}{sure}. {}", self.map_says, self.fits, self.change)
    }
}
