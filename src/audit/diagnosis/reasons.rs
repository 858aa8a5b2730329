//! What each piece of evidence speaks for the leading class.

use super::Standing;
use super::level::Heard;
use super::shares::told_evidence;
use crate::audit::assessment::{Reason, ReasonKind};
use crate::audit::load;
use crate::audit::wiring::Gain;

/// Decibans below which a piece of evidence is not worth listing.
const REASON_WORTH_TELLING_DB: f64 = 1.0;

/// What each piece of evidence speaks for the leading class, against the best of another kind: sound against wrong.
pub fn reasons(standing: &Standing, leading: usize, levels: &[Heard]) -> Vec<Reason> {
    let Standing { known, sum, prior, posterior, sizes, .. } = *standing;
    let kind = known[leading].power_right;
    let Some(rival) = (0..posterior.len())
        .filter(|c| known[*c].power_right != kind)
        .max_by(|a, b| posterior[*a].total_cmp(&posterior[*b]))
    else {
        return Vec::new();
    };
    let mut reasons = Vec::new();
    let mut tell = |kind: ReasonKind, ln: f64| {
        let decibans = 10.0 * ln / std::f64::consts::LN_10;
        if decibans.abs() >= REASON_WORTH_TELLING_DB {
            // A ratio of likelihoods beyond this only says "excluded".
            reasons.push(Reason { kind, decibans: decibans.clamp(-300.0, 300.0) });
        }
    };
    tell(ReasonKind::Prior, (known[leading].prior / known[rival].prior).ln());
    let told = |class: usize| told_evidence(&known[class], prior[class]);
    tell(ReasonKind::Companions, told(leading) - told(rival));
    let ln = |level: &Heard| {
        let of = |class: usize| {
            let by_stance = level.told.likelihood.ln_pattern[known[class].pattern_index];
            load::ln_over_stances(&by_stance.map(f64::from)).max(-1e4)
        };
        of(leading) - of(rival)
    };
    let blanks = levels.iter().filter(|level| level.at.blanked).map(ln);
    if let Some(weakest) = blanks.reduce(|a, b| if a.abs() < b.abs() { a } else { b }) {
        tell(ReasonKind::Blank, weakest);
    }
    for level in levels.iter().filter(|level| !level.at.blanked) {
        let (mean_current_a, readings) = (level.window.mean.mean_current_a, level.window.readings);
        let kind = if level.window.mean.starting {
            ReasonKind::Start { mean_current_a, readings }
        } else {
            ReasonKind::LoadLevel { mean_current_a, readings }
        };
        tell(kind, ln(level));
    }
    let rated = sizes.as_rated().clamp(1e-30, 1.0);
    let ratio = match sizes.ranked[0].gain {
        gain if gain == [Gain::AsRated; 3] => 0.0,
        _ => (sizes.ranked[0].probability / rated).ln(),
    };
    let unbalance = |class: usize| sum.by_unbalance.get(class).copied().unwrap_or(0.0);
    tell(ReasonKind::CurrentSizes, ratio);
    tell(ReasonKind::Together, unbalance(leading) - unbalance(rival));
    reasons.sort_by(|a, b| b.decibans.abs().total_cmp(&a.decibans.abs()));
    reasons
}
