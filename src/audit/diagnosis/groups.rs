//! Which wirings the evidence cannot tell apart.

use super::shares::{told_evidence, told_share};
use super::{INDISTINGUISHABLE, Standing};
use crate::audit::assessment::{RankedWiring, WiringGroup};
use crate::audit::bars;
use crate::audit::magnitude::Magnitudes;
use crate::audit::wiring::{Gain, Wiring};

/// Members of a group below this share of it are left out.
const MEMBER_SHARE: f64 = 1e-5;

/// Wirings that the evidence cannot tell apart, together: classes by the likelihood of the angles, and for each the stories
/// about the sizes by theirs.
pub fn groups(standing: &Standing) -> Vec<WiringGroup> {
    let Standing { known, sum, prior, posterior, crossing, told, .. } = *standing;
    let sizes = size_groups(standing.sizes);
    let own = crossing.foreign() == [false; 3];
    let mut order: Vec<usize> = (0..posterior.len()).filter(|c| posterior[*c] > bars::KEPT * MEMBER_SHARE).collect();
    order.sort_by(|a, b| posterior[*b].total_cmp(&posterior[*a]));
    let mut groups = Vec::new();
    while let Some(leader) = order.first().copied() {
        let (together, rest): (Vec<usize>, Vec<usize>) = order.iter().partition(|c| {
            let evidence = |c: usize| sum.ln_class[c] + told_evidence(&known[c], prior[c]);
            (evidence(**c) - evidence(leader)).abs() < INDISTINGUISHABLE.ln()
        });
        order = rest;
        for alike in &sizes {
            let share: f64 = alike.iter().map(|(_, p)| p).sum();
            let probability: f64 = share * together.iter().map(|c| posterior[*c]).sum::<f64>();
            if probability < bars::KEPT {
                continue;
            }
            let mut members: Vec<RankedWiring> = Vec::new();
            for &c in &together {
                for member in &known[c].members {
                    let of_class = posterior[c] * told_share(told, member.voltage, member.prior, &known[c], prior[c]);
                    if of_class < MEMBER_SHARE * probability {
                        continue;
                    }
                    members.extend(alike.iter().map(|(gain, p)| RankedWiring {
                        wiring: crossing.told(with_gain(member.wiring, *gain)),
                        probability: of_class * p,
                        class: c,
                        power_right: known[c].power_right && own && *gain == [Gain::AsRated; 3],
                    }));
                }
            }
            members.retain(|m| m.probability >= MEMBER_SHARE * probability);
            members.sort_by(|a, b| b.probability.total_cmp(&a.probability));
            if members.is_empty() {
                continue;
            }
            let power_right = members.iter().all(|m| m.power_right);
            groups.push(WiringGroup { probability, members, power_right });
        }
    }
    groups.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    groups
}

/// Stories about the sizes that the shares of the current cannot tell apart, with each story's share of all of them.
fn size_groups(sizes: &Magnitudes) -> Vec<Vec<([Gain; 3], f64)>> {
    let total: f64 = sizes.ranked.iter().map(|m| m.probability).sum::<f64>().max(f64::MIN_POSITIVE);
    let mut order: Vec<_> = sizes.ranked.clone();
    let mut groups = Vec::new();
    while let Some(leader) = order.first().copied() {
        let (together, rest): (Vec<_>, Vec<_>) =
            order.into_iter().partition(|m| (m.ln_likelihood - leader.ln_likelihood).abs() < INDISTINGUISHABLE.ln());
        order = rest;
        groups.push(together.iter().map(|m| (m.gain, m.probability / total)).collect());
    }
    groups
}

/// A ratio on one channel beside one that all share: the one channel's is told.
fn with_gain(wiring: Wiring, gain: [Gain; 3]) -> Wiring {
    if gain == [Gain::AsRated; 3] { wiring } else { Wiring { gain, ..wiring } }
}
