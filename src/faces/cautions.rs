//! When the safety cautions stand before a text, and which: whenever it could send a person to a panel, those of the panels that
//! the text is about.
//!
//! Must never be shortened to fit, nor shown after such text.

use crate::audit::assessment::{Assessment, Outcome, Verdict};
use crate::audit::bars;
use crate::station::snapshot::StationSnapshot;

pub use crate::audit::cautions::{Caution, cautions, general, together};

/// True when what is told of this assessment could send a person to a panel: a wiring other than the intended one, or a
/// check that failed.
pub fn needed(assessment: &Assessment) -> bool {
    let names_a_wrong_lead = assessment
        .diagnosis
        .groups
        .iter()
        .flat_map(|g| &g.members)
        .any(|m| m.wiring != m.wiring.intended() && m.probability >= bars::LISTED);
    matches!(assessment.diagnosis.verdict, Verdict::Fault | Verdict::Undecided)
        || names_a_wrong_lead
        || assessment.findings.iter().any(|f| f.outcome == Outcome::Failed)
}

/// The cautions before a text on some stations: those of all circuits at every station where one circuit needs them, for its
/// voltage leads are those of the others as well. Empty when none does.
pub fn of_stations<S: AsRef<StationSnapshot>>(stations: &[S]) -> Vec<Caution> {
    let needs = |s: &&StationSnapshot| s.circuits.iter().filter_map(|c| c.assessment.as_deref()).any(needed);
    let mut panels =
        stations.iter().map(AsRef::as_ref).filter(needs).flat_map(|s| &s.circuits).map(|c| &c.installation).peekable();
    if panels.peek().is_none() { Vec::new() } else { together(panels) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::context::ServiceKind;
    use crate::audit::installation::Installation;
    use crate::audit::wiring::Wiring;
    use crate::station::fixtures::{exchanged, snapshot_after};

    #[test]
    fn a_fault_needs_cautions_and_a_sound_circuit_does_not() {
        let of = |wiring: &Wiring| snapshot_after("Alder Creek Lift", wiring).circuits[0].assessment.clone().unwrap();
        assert!(needed(&of(&exchanged())));
        assert!(!needed(&of(&Wiring::INTENDED)));
    }

    #[test]
    fn only_stations_that_need_cautions_say_which() {
        let right = snapshot_after("Alder Creek Lift", &Wiring::INTENDED);
        let mut medium_voltage = right.as_ref().clone();
        medium_voltage.circuits[0].installation = Installation::unknown(ServiceKind::OpenDelta, 4160.0);
        let wrong = snapshot_after("Larkmoor North", &exchanged());
        assert!(of_stations(std::slice::from_ref(&right)).is_empty());
        let medium_voltage = std::sync::Arc::new(medium_voltage);
        let told = of_stations(&[right, medium_voltage, wrong.clone()]);
        assert_eq!(told, cautions(&wrong.circuits[0].installation));
    }
}
