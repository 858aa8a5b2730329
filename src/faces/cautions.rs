//! The safety cautions that stand before any text that could send a person to a panel.
//!
//! Must never be shortened to fit, nor shown after such text.

use crate::audit::assessment::{Assessment, Outcome, Verdict};
use crate::audit::wiring::Wiring;

/// Cautions in the order they are to be read. After 29 CFR 1910.333, 1910.269(w) and NFPA 70E practice.
pub const CAUTIONS: [&str; 5] = [
    "This is advice from readings. It authorises nobody to open a panel or a CT circuit. Qualified persons only, under \
     the site's own procedures.",
    "De-energise first: disconnect all sources, lock and tag, release stored energy. Stop buttons, selector switches \
     and a stopped pump are not isolation.",
    "Prove every exposed part dead with a contact tester rated CAT III 600 V or better, itself proved on a known source \
     before and after. Mind back-feed and induced voltage.",
    "Never open a CT secondary while its primary can carry current: the voltage can kill. Short it at its shorting \
     block first.",
    "Where capacitors are fitted: disconnect, wait at least 5 minutes, then short-circuit before work.",
];

/// True when what is told of this assessment could send a person to a panel: a wiring other than the intended one, or a
/// check that failed.
pub fn needed(assessment: &Assessment) -> bool {
    let names_a_wrong_lead = assessment
        .diagnosis
        .groups
        .iter()
        .flat_map(|g| &g.members)
        .any(|m| m.wiring != Wiring::INTENDED && m.probability >= super::report::WORTH_PRINTING);
    matches!(assessment.diagnosis.verdict, Verdict::Fault | Verdict::Undecided)
        || names_a_wrong_lead
        || assessment.findings.iter().any(|f| f.outcome == Outcome::Failed)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::station::fixtures::{exchanged, snapshot_after};

    #[test]
    fn a_fault_needs_cautions_and_a_sound_circuit_does_not() {
        let of = |wiring: &Wiring| snapshot_after("Alder Creek Lift", wiring).circuits[0].assessment.clone().unwrap();
        assert!(needed(&of(&exchanged())));
        assert!(!needed(&of(&Wiring::INTENDED)));
    }
}
