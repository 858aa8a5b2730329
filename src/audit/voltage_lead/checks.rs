//! Which check at the panel tells the likeliest states of the voltage leads apart.
//!
//! Every check's finding is known for every state; the check whose finding is least foreseen is worth most, and one
//! without voltage goes before one beside live parts. Must never be shown without the cautions first.

use super::{VoltageService, VoltageState};
use crate::reading::Phase;

/// Something a person can do. Channels are 0-based.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum VoltageCheck {
    /// Continuity of the fuse in a lead, taken out. De-energised.
    FuseContinuity(usize),
    /// Follow a lead from the monitor's terminal to the conductor it is on. De-energised.
    TraceLead(usize),
    /// Follow the neutral lead. De-energised.
    TraceNeutral,
    /// Polarity marks of a channel's voltage transformer against its leads, and its ratio plate. De-energised.
    TransformerPlate(usize),
    /// The ratio set in the monitor against the transformers' plates, or the nominal voltage set. Reads only.
    RatioSetting,
    /// Continuity of a phase's main fuse or switch pole. De-energised.
    MainFuse(usize),
    /// Voltages between the phases ahead of the station's main switch. Energised.
    SupplyBetweenPhases,
    /// Voltages of the phases to earth. Energised.
    SupplyToEarth,
    /// Voltage between the monitor's terminal and its phase at the breaker: 0 V when the lead is sound. Energised.
    TerminalToBreaker(usize),
}

/// What finding a state leads to; states with the same finding are not told apart by the check.
type Finding = u8;

const AS_INTENDED: Finding = 0;
/// A check must be expected to tell at least this much, bits.
const WORTH_BITS: f64 = 0.05;
/// What beside-live work must tell more, bits.
const LIVE_COST_BITS: f64 = 0.3;

impl VoltageCheck {
    /// Every check for this service.
    pub fn all(service: VoltageService) -> Vec<VoltageCheck> {
        let mut all = vec![VoltageCheck::RatioSetting];
        for k in 0..service.system.voltage_channels() {
            all.extend([VoltageCheck::FuseContinuity(k), VoltageCheck::TraceLead(k)]);
            if service.transformers {
                all.push(VoltageCheck::TransformerPlate(k));
            }
            all.extend([VoltageCheck::MainFuse(k), VoltageCheck::TerminalToBreaker(k)]);
        }
        if service.system.has_neutral() {
            all.push(VoltageCheck::TraceNeutral);
        }
        all.extend([VoltageCheck::SupplyBetweenPhases, VoltageCheck::SupplyToEarth]);
        all
    }

    /// The check that tells most about which of these states holds, when one tells enough.
    pub(super) fn worth_most(service: VoltageService, ranked: &[(VoltageState, f64)]) -> Option<VoltageCheck> {
        VoltageCheck::all(service)
            .into_iter()
            .map(|check| (check, check.bits(ranked) - if check.is_live() { LIVE_COST_BITS } else { 0.0 }))
            .filter(|(_, worth)| *worth > WORTH_BITS)
            // The first of equals: the list runs from least effort to most.
            .reduce(|best, next| if next.1 > best.1 + 1e-9 { next } else { best })
            .map(|(check, _)| check)
    }

    /// Beside energised parts.
    pub fn is_live(self) -> bool {
        matches!(
            self,
            VoltageCheck::SupplyBetweenPhases | VoltageCheck::SupplyToEarth | VoltageCheck::TerminalToBreaker(_)
        )
    }

    /// Stable word for JSON.
    pub fn key(self) -> &'static str {
        match self {
            VoltageCheck::FuseContinuity(_) => "voltage-fuse-continuity",
            VoltageCheck::TraceLead(_) => "trace-voltage-lead",
            VoltageCheck::TraceNeutral => "trace-neutral-lead",
            VoltageCheck::TransformerPlate(_) => "voltage-transformer-plate",
            VoltageCheck::RatioSetting => "voltage-ratio-setting",
            VoltageCheck::MainFuse(_) => "main-fuse-continuity",
            VoltageCheck::SupplyBetweenPhases => "supply-between-phases",
            VoltageCheck::SupplyToEarth => "supply-to-earth",
            VoltageCheck::TerminalToBreaker(_) => "terminal-to-breaker",
        }
    }

    /// What to do, for a technician.
    pub fn words(self) -> String {
        match self {
            VoltageCheck::FuseContinuity(k) => {
                format!("De-energised: take out the fuse of voltage lead {} and measure its continuity", k + 1)
            }
            VoltageCheck::TraceLead(k) => format!(
                "De-energised: follow voltage lead {} from its terminal; see that it is tight and ends on phase {}",
                k + 1,
                Phase::from_index(k).label()
            ),
            VoltageCheck::TraceNeutral => {
                "De-energised: follow the neutral lead from its terminal; see that it is tight and ends on the neutral"
                    .to_owned()
            }
            VoltageCheck::TransformerPlate(k) => format!(
                "De-energised: compare polarity marks and ratio plate of voltage transformer {} with its leads",
                k + 1
            ),
            VoltageCheck::RatioSetting => {
                "Compare the voltage ratio and nominal voltage set in the monitor with the plates".to_owned()
            }
            VoltageCheck::MainFuse(k) => format!(
                "De-energised: measure the continuity of the main fuse and switch pole of phase {}",
                Phase::from_index(k).label()
            ),
            VoltageCheck::SupplyBetweenPhases => {
                "LIVE: measure the voltages between the phases ahead of the main switch".to_owned()
            }
            VoltageCheck::SupplyToEarth => "LIVE: measure the voltage of each phase to earth".to_owned(),
            VoltageCheck::TerminalToBreaker(k) => format!(
                "LIVE: measure between voltage terminal {} and phase {} at the breaker: 0 V when the lead is sound",
                k + 1,
                Phase::from_index(k).label()
            ),
        }
    }

    fn finds(self, state: VoltageState) -> Finding {
        use VoltageState as S;
        match (self, state) {
            (VoltageCheck::FuseContinuity(_), S::AllDead)
            | (VoltageCheck::TraceNeutral, S::NeutralOpen)
            | (VoltageCheck::RatioSetting, S::RatioWrongOnAll(_))
            | (VoltageCheck::SupplyToEarth, S::EarthFault) => 1,
            (VoltageCheck::FuseContinuity(k), S::FuseBlown(j)) if k == j => 1,
            (VoltageCheck::TraceLead(k), S::LeadOff(j)) if k == j => 1,
            (VoltageCheck::TraceLead(k), S::LeadOnNeutral(j) | S::NeutralExchanged(j)) if k == j => 2,
            (VoltageCheck::TraceLead(k), S::SamePhase(j, _)) if k == j => 3,
            (VoltageCheck::TraceLead(k), S::HighLegOn(j)) if k == j || k == 1 => 3,
            (VoltageCheck::TraceNeutral, S::NeutralExchanged(_)) => 2,
            (VoltageCheck::TransformerPlate(k), S::TransformerReversed(j)) if k == j => 1,
            (VoltageCheck::TransformerPlate(k), S::RatioWrong(j, _)) if k == j => 2,
            (VoltageCheck::SupplyBetweenPhases, S::PhaseLost(j)) => 1 + j as Finding,
            (VoltageCheck::SupplyBetweenPhases, S::PrimaryLost(j)) => 4 + j as Finding,
            // A sound main fuse then says that the phase is lost further up.
            (VoltageCheck::MainFuse(k), S::BackFed(j)) if k == j => 1,
            (VoltageCheck::TerminalToBreaker(k), S::FuseBlown(j) | S::LeadOff(j) | S::LeadOnNeutral(j)) if k == j => 1,
            (VoltageCheck::TerminalToBreaker(k), S::NeutralExchanged(j)) if k == j => 1,
            (VoltageCheck::TerminalToBreaker(k), S::SamePhase(j, _)) if k == j => 2,
            (VoltageCheck::TerminalToBreaker(k), S::HighLegOn(j)) if k == j || k == 1 => 2,
            _ => AS_INTENDED,
        }
    }

    /// Entropy of the finding: what the check is expected to tell, bits.
    fn bits(self, ranked: &[(VoltageState, f64)]) -> f64 {
        let mut share = [0.0; 8];
        for (state, probability) in ranked {
            share[usize::from(self.finds(*state))] += probability;
        }
        let total: f64 = share.iter().sum();
        share.iter().filter(|p| **p > 0.0).map(|p| p / total).map(|p| -p * p.log2()).sum()
    }
}
