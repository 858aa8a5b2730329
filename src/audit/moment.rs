//! What the one moment tells that a device shows again and again: a first verdict, and no more than one moment allows.
//!
//! Repeated readings are one witness, and never enter the evidence. Must never state more than [`USUAL`] for anything: a single
//! moment may be one of a sag, a switching or a start.

use std::sync::Arc;

use super::assessment::{Diagnosis, Verdict, WiringGroup};
use super::context::CircuitContext;
use super::diagnosis::Diagnoser;
use super::evidence::Features;
use super::shared::Opinion;
use crate::reading::{Instant2, Rotation};

/// Identical readings in a row from which it is said that the device shows one moment.
pub const REPEATS_TO_SAY: u32 = 3;
/// Probability that a moment met by chance is one of usual running (judgement, no source; passing states of a pump last seconds
/// in hours).
pub const USUAL: f64 = 0.95;

/// All that a device has shown of a running pump is one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct OneMoment {
    /// Since when every reading is the same.
    pub since: Instant2,
    /// How many readings.
    pub readings: u32,
    /// What the moment tells; its probabilities allow for the moment's being a passing one. `None` where it tells nothing. Its
    /// verdict is always that there is no evidence yet: no face may take it for one.
    pub diagnosis: Option<Arc<Diagnosis>>,
}

/// What one reading tells alone.
pub fn judge(
    features: &Features,
    rotation: Option<Rotation>,
    told: &Opinion,
    context: &CircuitContext,
) -> Option<Diagnosis> {
    let mut alone = Diagnoser::default();
    alone.observe(features, rotation, context);
    alone.conclude(told, context);
    alone.diagnosis().map(allowing_for_a_passing_moment)
}

fn allowing_for_a_passing_moment(sure: &Diagnosis) -> Diagnosis {
    let group = |group: &WiringGroup| {
        let mut group = group.clone();
        group.probability *= USUAL;
        group.members.iter_mut().for_each(|member| member.probability *= USUAL);
        group
    };
    Diagnosis {
        verdict: Verdict::NoEvidence,
        groups: sure.groups.iter().map(group).collect(),
        sound_probability: USUAL * sure.sound_probability,
        unexplained_probability: 1.0 - USUAL * (1.0 - sure.unexplained_probability),
        why: Arc::default(),
        ..sure.clone()
    }
}
