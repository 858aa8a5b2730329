//! Alterations of values whose raw words are not at hand, such as rows of a recording: scales and signs only.
//!
//! Must never be used where raw words are: an altered map tells more.

use super::RegisterFault;
use super::SAID_ABOVE;
use super::expected::Expected;
use super::group::{Group, factor};
use super::ledger::{ENOUGH, Ledger};
use super::plausibility::score;
use crate::reading::{Measured, MonitorReading};

/// One alteration of decoded values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Alteration {
    /// All values of the group times ten to this power.
    Scale(Group, i8),
    /// Values past half of the span (in the unit of the value, so scale is in it) are negative ones read as unsigned.
    Signed(Group, f64),
}

impl Alteration {
    /// All that are considered, with their relative odds.
    pub fn all() -> Vec<(Alteration, f64)> {
        let mut all = Vec::new();
        for group in Group::ALL {
            all.extend(group.scale_odds().iter().map(|(power, odds)| (Alteration::Scale(group, *power), *odds)));
        }
        for group in [Group::ActivePower, Group::ReactivePower, Group::PowerFactor] {
            for bits in [16, 32] {
                for power in -4..=3 {
                    all.push((Alteration::Signed(group, 2f64.powi(bits) * 10f64.powi(power)), 0.25));
                }
            }
        }
        all
    }

    /// The reading as it would be.
    #[must_use]
    pub fn applied(self, reading: &MonitorReading) -> MonitorReading {
        let mut altered = reading.clone();
        match self {
            Alteration::Scale(group, power) => group.for_each(&mut altered, |value| {
                if let Some(v) = number(*value) {
                    *value = group.qualified(v * 10f64.powi(i32::from(power)));
                }
            }),
            Alteration::Signed(group, span) => group.for_each(&mut altered, |value| {
                if let Some(v) = number(*value)
                    && (0.5 * span..span).contains(&v)
                {
                    *value = group.qualified(v - span);
                }
            }),
        }
        altered
    }

    fn told(self, reading: &MonitorReading, probability: f64) -> RegisterFault {
        let fits = |group: Group| group.read_out(&self.applied(reading));
        match self {
            Alteration::Scale(group, power) => RegisterFault {
                kind: "scale",
                probability: Some(probability),
                map_says: format!("the recorded {} does not fit the circuit", group.words()),
                fits: format!("times {} it fits: {}", factor(power), fits(group)),
                change: "Check the unit or scale of its columns".to_owned(),
            },
            Alteration::Signed(group, span) => RegisterFault {
                kind: "signedness",
                probability: Some(probability),
                map_says: format!("the recorded {} was written without its sign", group.words()),
                fits: format!("less {span} where it is above half of that it fits: {}", fits(group)),
                change: "Record these columns as signed numbers".to_owned(),
            },
        }
    }
}

fn number(value: Measured) -> Option<f64> {
    match value {
        Measured::Good(v) | Measured::Stale(v) | Measured::OutOfRange(v) => Some(v),
        Measured::NotMapped | Measured::NotAvailable | Measured::Failed => None,
    }
}

/// Watches decoded values of one monitor.
#[derive(Debug, Clone)]
pub struct DecodedWatch {
    expected: Expected,
    alterations: Vec<Alteration>,
    ledger: Ledger,
}

impl DecodedWatch {
    /// Watches a monitor of which this is known.
    pub fn new(expected: Expected) -> DecodedWatch {
        let (alterations, odds): (Vec<Alteration>, Vec<f64>) = Alteration::all().into_iter().unzip();
        DecodedWatch { expected, alterations, ledger: Ledger::new(&odds) }
    }

    /// Takes one reading; what is sure enough to be said after it.
    pub fn observe(&mut self, reading: &MonitorReading) -> Option<RegisterFault> {
        let right = score(reading, &self.expected);
        let altered = self.alterations.iter().map(|a| score(&a.applied(reading), &self.expected).fits);
        self.ledger.take(right.fits, right.nothing, altered);
        let (leader, probability) = self.ledger.conclusion().leader?;
        let sure = self.ledger.readings() >= ENOUGH && probability >= SAID_ABOVE;
        sure.then(|| self.alterations[leader].told(reading, probability))
    }
}
