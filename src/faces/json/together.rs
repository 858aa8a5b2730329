//! What the circuits of a monitor tell together: its voltage leads, and their wirings side by side.

use serde::Serialize;
use utoipa::ToSchema;

use crate::audit::bars;
use crate::audit::installation::Installation;
use crate::audit::joint::JointRanking;
use crate::audit::voltage_lead::VoltageDiagnosis;
use crate::audit::words;

/// States worth giving out.
const STATES: usize = 8;

/// What the voltages tell of the leads and the supply.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct VoltageLeadsJson {
    sound_probability: f64,
    unexplained_probability: f64,
    /// What is as good as certain to be wrong, in words.
    fault: Option<String>,
    states: Vec<StateJson>,
    next_check: Option<CheckJson>,
}

#[derive(Debug, Serialize, ToSchema)]
struct StateJson {
    probability: f64,
    words: String,
    /// As numbered on the terminals, from 1.
    channel: Option<usize>,
}

#[derive(Debug, Serialize, ToSchema)]
#[schema(as = VoltageLeadCheck)]
struct CheckJson {
    check: &'static str,
    live: bool,
    words: String,
}

impl VoltageLeadsJson {
    pub(super) fn of(leads: &VoltageDiagnosis, installation: &Installation) -> VoltageLeadsJson {
        let worth = leads.ranked.iter().filter(|(_, p)| *p >= bars::KEPT).take(STATES);
        VoltageLeadsJson {
            sound_probability: leads.sound(),
            unexplained_probability: leads.none_of_these,
            fault: words::voltage_line(leads),
            states: worth
                .map(|(state, probability)| StateJson {
                    probability: *probability,
                    words: state.words(),
                    channel: state.channel().map(|k| k + 1),
                })
                .collect(),
            next_check: leads.next_check(installation).filter(|_| leads.fault().is_some()).map(|check| CheckJson {
                check: check.key(),
                live: check.is_live(),
                words: check.words(installation),
            }),
        }
    }
}

/// The most probable wirings of all circuits together.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct JointJson {
    best: Vec<JointWiringJson>,
    /// No joint wiring that is not listed is more probable than this.
    others_at_most: f64,
    listed_probability: f64,
}

#[derive(Debug, Serialize, ToSchema)]
struct JointWiringJson {
    probability: f64,
    /// By circuit, in the order of their slots; null for a circuit that no wiring considered explains.
    wirings: Vec<Option<String>>,
}

impl JointJson {
    pub(super) fn of(joint: &JointRanking) -> JointJson {
        let best = joint.best.iter().map(|joint| JointWiringJson {
            probability: joint.probability,
            wirings: joint.wirings.iter().map(|w| w.as_ref().map(words::describe_wiring)).collect(),
        });
        JointJson { best: best.collect(), others_at_most: joint.others_at_most, listed_probability: joint.listed }
    }
}
