//! Which check tells the likeliest states of the voltage leads apart.
//!
//! Every check's finding is known for every state; the check whose finding is least foreseen is worth most. A live one comes only
//! where none without voltage tells anything, and only where a technician may touch the conductors. Must never be shown without the
//! cautions first.

use super::VoltageState;
use crate::audit::installation::Installation;
use crate::reading::Phase;

/// Something a person can do. Terminals are 0-based.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum VoltageCheck {
    /// The ratio set in the monitor against the transformers' plates, or the nominal voltage set. Nothing is opened.
    RatioSetting,
    /// Polarity marks and ratio of a channel's voltage transformer, from drawing and photos. Nothing is opened.
    TransformerPlate(usize),
    /// Continuity of the fuse in a lead, taken out. De-energized.
    FuseContinuity(usize),
    /// Follow a lead from the monitor's terminal to where it ends. De-energized.
    TraceLead(usize),
    /// Follow the neutral lead. De-energized.
    TraceNeutral,
    /// Continuity of a phase's main fuse and switch pole. De-energized.
    MainFuse(usize),
    /// Voltages between the phases on the load side of the main switch. Live.
    SupplyBetweenPhases,
    /// Voltages of the phases to ground. Live.
    SupplyToGround,
    /// Voltages from the monitor's terminal to all phases at the breaker. Live.
    TerminalToPhases(usize),
}

/// What finding a state leads to; states with the same finding are not told apart by the check.
type Finding = u8;

const AS_INTENDED: Finding = 0;
/// A check must be expected to tell at least this much, bits.
const WORTH_BITS: f64 = 0.05;
/// Opens every check for which the panel is opened without voltage.
const DEAD: &str = "De-energize and lock out";

impl VoltageCheck {
    /// Every check that may be offered at this installation, from least effort to most.
    pub fn offered(installation: &Installation) -> Vec<VoltageCheck> {
        let service = installation.service;
        let at_conductors = installation.direct_low_voltage();
        let terminals = 0..service.voltage_channels();
        let mut all = vec![VoltageCheck::RatioSetting];
        if installation.has_voltage_transformers() {
            // Two transformers make an open delta; else there is one for each channel.
            let transformers = terminals.clone().filter(|k| !service.between_lines() || service.channels().contains(k));
            all.extend(transformers.map(VoltageCheck::TransformerPlate));
        }
        for k in terminals {
            all.extend([VoltageCheck::FuseContinuity(k), VoltageCheck::TraceLead(k)]);
            if at_conductors {
                all.extend([VoltageCheck::MainFuse(k), VoltageCheck::TerminalToPhases(k)]);
            }
        }
        if service.has_neutral() {
            all.push(VoltageCheck::TraceNeutral);
        }
        if at_conductors {
            if !service.line_voltages().is_empty() {
                all.push(VoltageCheck::SupplyBetweenPhases);
            }
            all.push(VoltageCheck::SupplyToGround);
        }
        all
    }

    /// The check that tells most about which of these states holds, when one tells enough.
    pub(super) fn worth_most(installation: &Installation, ranked: &[(VoltageState, f64)]) -> Option<VoltageCheck> {
        let best_of = |live: bool| {
            VoltageCheck::offered(installation)
                .into_iter()
                .filter(|check| check.is_live() == live)
                .map(|check| (check, check.bits(ranked)))
                .filter(|(_, worth)| *worth > WORTH_BITS)
                // The first of equals: the list runs from least effort to most.
                .reduce(|best, next| if next.1 > best.1 + 1e-9 { next } else { best })
                .map(|(check, _)| check)
        };
        best_of(false).or_else(|| best_of(true))
    }

    /// Beside energized parts.
    pub fn is_live(self) -> bool {
        matches!(
            self,
            VoltageCheck::SupplyBetweenPhases | VoltageCheck::SupplyToGround | VoltageCheck::TerminalToPhases(_)
        )
    }

    /// Stable word for JSON.
    pub fn key(self) -> &'static str {
        match self {
            VoltageCheck::FuseContinuity(_) => "voltage-fuse-continuity",
            VoltageCheck::TraceLead(_) => "voltage-lead-trace",
            VoltageCheck::TraceNeutral => "neutral-lead-trace",
            VoltageCheck::TransformerPlate(_) => "voltage-transformer-plate",
            VoltageCheck::RatioSetting => "voltage-ratio-setting",
            VoltageCheck::MainFuse(_) => "main-fuse-continuity",
            VoltageCheck::SupplyBetweenPhases => "supply-between-phases",
            VoltageCheck::SupplyToGround => "supply-to-ground",
            VoltageCheck::TerminalToPhases(_) => "terminal-to-phases",
        }
    }

    /// What to do, for a technician.
    pub fn words(self, installation: &Installation) -> String {
        let transformers = installation.has_voltage_transformers();
        let at_conductors = installation.direct_low_voltage();
        let ends = |at: &str| {
            match (at_conductors, transformers) {
            (true, _) => format!(", voltage fuses pulled: measure its ohms to each {at}, and note a loose or burnt connection"),
            (_, true) => {
                ", VT secondary fuses out (tell operations first): follow it by its number to the VT test block, and no \
                 further. The rest is for the high-voltage crew"
                    .to_owned()
            }
            (..) => ", voltage fuses pulled: follow it by its number to its fuse or test block, and no further: it is not \
                     declared whether voltage transformers are there"
                .to_owned(),
        }
        };
        match self {
            VoltageCheck::RatioSetting => format!(
                "Nothing opened: compare the {}nominal voltage set in the monitor with the drawing and photos. Change no setting",
                if transformers { "VT ratio and " } else { "voltage ratio and " }
            ),
            VoltageCheck::TransformerPlate(k) => format!(
                "Nothing opened: compare polarity marks and ratio of voltage transformer {} on drawing and photos. The transformer \
                 itself is for the high-voltage crew",
                k + 1
            ),
            VoltageCheck::FuseContinuity(k) => format!(
                "{DEAD}{}: take out the {}fuse of voltage lead {} and measure its ohms",
                if transformers { " (tell operations first: relays may trip)" } else { "" },
                if transformers { "VT secondary " } else { "" },
                k + 1
            ),
            VoltageCheck::TraceLead(k) => format!("{DEAD}, voltage lead {}{}", k + 1, ends("phase's tap")),
            VoltageCheck::TraceNeutral => format!("{DEAD}, the neutral lead{}", ends("phase's tap and to the neutral")),
            VoltageCheck::MainFuse(k) => format!(
                "{DEAD}: measure the ohms of the main fuse and switch pole of phase {}",
                Phase::from_index(k).label()
            ),
            VoltageCheck::SupplyBetweenPhases => {
                "LIVE, motors stopped: measure the voltages between the phases on the load side of the \
                                                  main switch, tester proved before and after"
                    .to_owned()
            }
            VoltageCheck::SupplyToGround => {
                "LIVE, motors stopped: measure the voltage of each phase to ground on the load side of the \
                                             main switch, tester proved before and after"
                    .to_owned()
            }
            VoltageCheck::TerminalToPhases(k) => format!(
                "LIVE, motors stopped: fit the tester's clips while de-energized, energize, read, de-energize; so from voltage terminal \
                 {} to each phase at the same breaker. Below 5 V to one and line voltage to the others: the lead is on that phase. \
                 Anything else: lead open, fuse, or a back-fed phase",
                k + 1
            ),
        }
    }

    fn finds(self, state: VoltageState) -> Finding {
        use VoltageState as S;
        match (self, state) {
            (VoltageCheck::FuseContinuity(_), S::AllDead)
            | (VoltageCheck::TraceNeutral, S::NeutralOpen)
            | (VoltageCheck::RatioSetting, S::RatioWrongOnAll(_))
            | (VoltageCheck::SupplyToGround, S::EarthFault) => 1,
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
            // A main fuse that is OK then says that the phase is lost further up.
            (VoltageCheck::MainFuse(k), S::BackFed(j)) if k == j => 1,
            (VoltageCheck::TerminalToPhases(k), S::FuseBlown(j) | S::LeadOff(j) | S::LeadOnNeutral(j)) if k == j => 1,
            (VoltageCheck::TerminalToPhases(k), S::NeutralExchanged(j)) if k == j => 1,
            (VoltageCheck::TerminalToPhases(k), S::SamePhase(j, _)) if k == j => 2,
            (VoltageCheck::TerminalToPhases(k), S::HighLegOn(j)) if k == j || k == 1 => 2,
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
