//! What a replay says: of each file, of each circuit, of everything. Plain data, as `session` leaves it.
//!
//! Must never hold a lead of a circuit whose columns do not fit.

use super::doubt::Doubt;
use super::notes::Notes;
use super::steps::TooShort;
use crate::audit::assessment::{Assessment, Verdict};
use crate::audit::energy::{Period, Withheld};
use crate::audit::installation::Installation;
use crate::audit::misregistration::Misregistration;
use crate::config::model::Tariff;
use crate::reading::UnixMs;

/// What does not fit in the columns of one file.
#[derive(Debug, Clone, PartialEq)]
pub struct FileDoubt {
    /// The file, as named on the command line.
    pub file: String,
    /// What does not fit.
    pub doubt: Doubt,
}

/// What the replay says of one circuit.
#[derive(Debug, Clone)]
pub struct CircuitOutcome {
    /// Station.
    pub station: String,
    /// Circuit.
    pub circuit: String,
    /// What a person meets at its panel.
    pub installation: Installation,
    /// Why the circuit is not judged: columns that do not fit it.
    pub doubts: Vec<FileDoubt>,
    /// The assessment after the last reading; `None` without a reading, and while columns do not fit.
    pub assessment: Option<Assessment>,
    /// Energies over the period; `None` when no column gives active power, and while columns do not fit.
    pub energy: Option<Period>,
    /// What energy costs at its station.
    pub tariff: Option<Tariff>,
    /// Readings taken.
    pub readings: u64,
    /// First and last reading.
    pub period: Option<(UnixMs, UnixMs)>,
    /// Times the audit failed inside and was started anew.
    pub failures: u64,
}

impl CircuitOutcome {
    /// The verdict after the last reading.
    pub fn verdict(&self) -> Verdict {
        if !self.doubts.is_empty() {
            return Verdict::Undecided;
        }
        self.assessment.as_ref().map_or(Verdict::NoEvidence, |a| a.diagnosis.verdict)
    }

    /// Probability that power is registered wrong; `None` without evidence.
    pub fn fault_probability(&self) -> Option<f64> {
        let diagnosis = &self.assessment.as_ref()?.diagnosis;
        (diagnosis.readings_used > 0).then_some(1.0 - diagnosis.sound_probability)
    }

    /// Energies that the verdict carries; else why they are withheld. `None` when no column gives active power.
    pub fn energy_given(&self) -> Option<Result<Misregistration, Withheld>> {
        let energy = self.energy?;
        Some(energy.withheld(self.verdict()).map_or(Ok(energy.sums), Err))
    }

    /// Size of the misregistration either way, Wh.
    pub(super) fn misregistered_wh(&self) -> f64 {
        self.energy.map_or(0.0, |energy| energy.sums.difference_wh().abs())
    }
}

/// What the replay says of one file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileOutcome {
    /// As named on the command line.
    pub name: String,
    /// Rows below the heading.
    pub rows: u64,
    /// Readings made of them.
    pub readings: u64,
    /// What was wrong in rows.
    pub notes: Notes,
    /// What the columns file says that is too short for it.
    pub too_short: Vec<TooShort>,
    /// Why the file, or the rest of it, could not be read.
    pub error: Option<String>,
}

/// What the replay says of everything.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// Files in the order given.
    pub files: Vec<FileOutcome>,
    /// Circuits, the worst first.
    pub circuits: Vec<CircuitOutcome>,
}
