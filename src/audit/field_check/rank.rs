//! Which check settles most for the least effort and risk: first those for which nothing is opened, then those of one outage, live
//! ones only where nothing else is left. Must never offer the same check twice, nor a live one beside a CT that may be open.

use super::{Access, ERROR_RATE, FieldCheck, Finding};
use crate::audit::assessment::RankedWiring;
use crate::audit::installation::Installation;
use crate::audit::wiring::{CurrentSeen, Gain};

/// A check must be expected to tell at least this much, bits.
const WORTH_BITS: f64 = 0.01;
/// One for which nothing is opened comes before the outage when it is expected to tell at least this much, bits.
const FIRST_BITS: f64 = 0.05;
/// From this probability on a CT counts as possibly open.
const POSSIBLY_OPEN: f64 = 0.01;

/// A check with what it is worth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Worth {
    /// The check.
    pub check: FieldCheck,
    /// Information expected from it, bits.
    pub expected_bits: f64,
    /// The same as a share of all that is still open between the wirings, 0..=1.
    pub share: f64,
    /// Bits per unit of cost: the ranking among checks of the same access.
    pub score: f64,
}

impl Worth {
    /// What the check is expected to bring, for people.
    pub fn words(&self) -> &'static str {
        match self.share {
            share if share >= 0.75 => "would settle nearly all",
            share if share >= 0.45 => "would settle most",
            share if share >= 0.2 => "would settle part",
            _ => "would settle a little",
        }
    }

    /// Place in the order of work, lowest first.
    fn order(&self) -> u8 {
        match self.check.access() {
            Access::NothingOpened if self.expected_bits >= FIRST_BITS => 0,
            Access::DeEnergized => 1,
            Access::NothingOpened => 2,
            Access::Live => 3,
        }
    }
}

impl FieldCheck {
    /// Minutes of a person, counting preparation; live work counts double for its risk.
    fn cost(self) -> f64 {
        match self {
            FieldCheck::Settings | FieldCheck::Display | FieldCheck::Sequence => 1.0,
            FieldCheck::PanelAmmeter(_) => 2.0,
            FieldCheck::CtLeadPolarity(_) => 3.0,
            FieldCheck::LoopResistance(_) | FieldCheck::CtBlockTrace(_) | FieldCheck::VoltageBlockTrace(_) => 4.0,
            FieldCheck::Polarity(_) | FieldCheck::VoltageLeadTrace(_) => 5.0,
            FieldCheck::CtLeadTrace(_) => 6.0,
            FieldCheck::ClampCurrent(_) => 2.0 * 3.0,
            FieldCheck::Rotation => 2.0 * 4.0,
            FieldCheck::VoltageIdentity(_) => 2.0 * 6.0,
        }
    }
}

/// True when a CT of these wirings may have an open secondary, which nobody stands beside while it is live.
pub fn ct_possibly_open(wirings: &[RankedWiring], installation: &Installation) -> bool {
    let total: f64 = wirings.iter().map(|w| w.probability).sum();
    let open = |w: &&RankedWiring| {
        let of = |k: &usize| w.wiring.current[*k] == CurrentSeen::Nothing || w.wiring.gain[*k] == Gain::Unsteady;
        installation.service.channels().iter().any(of)
    };
    let probability: f64 = wirings.iter().filter(open).map(|w| w.probability).sum();
    installation.ct_secondary.may_be_current() && probability >= POSSIBLY_OPEN * total && total > 0.0
}

/// How likely a check is to show something, over all wirings still possible.
pub fn chance(wirings: &[RankedWiring], check: FieldCheck, finding: Finding) -> f64 {
    let total: f64 = wirings.iter().map(|w| w.probability).sum();
    if total <= 0.0 {
        return 0.0;
    }
    wirings.iter().map(|w| w.probability / total * check.likelihood(finding, &w.wiring)).sum()
}

/// Checks of this installation that are not `done` and would tell the wirings apart, in the order in which they are worth doing.
pub fn rank(wirings: &[RankedWiring], installation: &Installation, done: &[FieldCheck]) -> Vec<Worth> {
    let total: f64 = wirings.iter().map(|w| w.probability).sum();
    if total <= 0.0 {
        return Vec::new();
    }
    let open_bits: f64 =
        wirings.iter().map(|w| w.probability / total).filter(|p| *p > 0.0).map(|p| -p * p.log2()).sum();
    let mut rows = Vec::with_capacity(wirings.len());
    let worth = |check: FieldCheck| {
        rows.clear();
        rows.extend(wirings.iter().map(|w| (w.probability / total, check.likelihoods(&w.wiring, ERROR_RATE))));
        let mut bits = 0.0;
        for n in 0..check.possible().len() {
            let chance: f64 = rows.iter().map(|(probability, row)| probability * row[n]).sum();
            for (probability, row) in rows.iter().filter(|(_, row)| row[n] > 0.0) {
                bits += probability * row[n] * (row[n] / chance).log2();
            }
        }
        Worth { check, expected_bits: bits, share: bits / open_bits.max(1e-9), score: bits / check.cost() }
    };
    let mut ranked: Vec<Worth> = FieldCheck::offered(installation)
        .into_iter()
        .filter(|check| !done.contains(check))
        .map(worth)
        .filter(|worth| worth.expected_bits >= WORTH_BITS)
        .collect();
    let safer_left = ranked.iter().any(|w| w.check.access() != Access::Live);
    if safer_left || ct_possibly_open(wirings, installation) {
        ranked.retain(|w| w.check.access() != Access::Live);
    }
    ranked.sort_by(|a, b| a.order().cmp(&b.order()).then(b.score.total_cmp(&a.score)));
    ranked
}

/// The probabilities after a check was done.
pub fn update(wirings: &[RankedWiring], check: FieldCheck, finding: Finding) -> Vec<RankedWiring> {
    let mut after: Vec<RankedWiring> = wirings
        .iter()
        .map(|w| RankedWiring { probability: w.probability * check.likelihood(finding, &w.wiring), ..*w })
        .collect();
    let total: f64 = after.iter().map(|w| w.probability).sum();
    if total > 0.0 {
        for w in &mut after {
            w.probability /= total;
        }
    }
    after.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    after
}
