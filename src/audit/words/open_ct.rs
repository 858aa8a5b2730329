//! A CT that may be open, in words: the hazard and what to do now. Must never tell anybody to touch it.

use crate::audit::open_ct::{SuspectCt, Symptom};

/// The hazard of a CT whose secondary may be open now, and what to do: stop, keep away, keep closed.
pub fn open_ct_words(suspect: &SuspectCt) -> String {
    let (symptom, when) = match suspect.symptom {
        Symptom::ReadsZero => (
            "reads zero while other channels carry current",
            "At once if there is a buzz, a smell or smoke; else as soon as another pump can carry the flow.",
        ),
        Symptom::Jumps => ("shows a current that jumps: a lead may be loose", "At once."),
    };
    format!(
        "CT {} may be open and live (it {symptom}): dangerous voltage, heat, fire. Stop the pump from SCADA, not at the panel \
         front, and block its starts. {when} Keep the covers closed until it is de-energized and locked out. Never close, \
         tighten or short it under load.",
        suspect.channel + 1
    )
}
