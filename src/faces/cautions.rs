//! When the safety cautions stand before a text: whenever it could send a person to a panel.
//!
//! Must never be shortened to fit, nor shown after such text.

use crate::audit::assessment::{Assessment, Outcome, Verdict};

pub use crate::audit::remedy::CAUTIONS;

/// True when what is told of this assessment could send a person to a panel: a wiring other than the intended one, or a
/// check that failed.
pub fn needed(assessment: &Assessment) -> bool {
    let names_a_wrong_lead = assessment
        .diagnosis
        .groups
        .iter()
        .flat_map(|g| &g.members)
        .any(|m| m.wiring != m.wiring.intended() && m.probability >= super::leads::WORTH_PRINTING);
    matches!(assessment.diagnosis.verdict, Verdict::Fault | Verdict::Undecided)
        || names_a_wrong_lead
        || assessment.findings.iter().any(|f| f.outcome == Outcome::Failed)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::wiring::Wiring;
    use crate::station::fixtures::{exchanged, snapshot_after};

    #[test]
    fn a_fault_needs_cautions_and_a_sound_circuit_does_not() {
        let of = |wiring: &Wiring| snapshot_after("Alder Creek Lift", wiring).circuits[0].assessment.clone().unwrap();
        assert!(needed(&of(&exchanged())));
        assert!(!needed(&of(&Wiring::INTENDED)));
    }
}
