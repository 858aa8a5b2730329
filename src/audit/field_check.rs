//! Which check at the panel would settle most, for the least effort and risk.
//!
//! For every check a person can do, the outcome each wiring predicts is known; the check worth doing is the one whose
//! outcome is expected to tell most about which wiring is true. Must never be shown without the cautions
//! first.

use super::assessment::RankedWiring;
use super::wiring::{CurrentSeen, Gain, Registers, Wiring};
use crate::reading::Phase;

/// Something a person can do at the panel. Channels are 0-based.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FieldCheck {
    /// Voltage between the monitor's voltage terminal and a phase at the breaker: 0 V on the same phase, line voltage
    /// otherwise. Energised.
    PhaseIdentity(usize, Phase),
    /// Follow a CT pair from the monitor's terminals to the conductor it sits on. De-energised.
    TracePair(usize),
    /// Resistance of a CT loop at the monitor: tenths of an ohm when sound, open or a dead short otherwise. De-energised.
    LoopResistance(usize),
    /// Polarity mark of the CT against the supply side, and its leads against the terminals. De-energised.
    Polarity(usize),
    /// Clamp meter on the conductor that the channel's CT should be on, beside what the channel shows at that moment, pump
    /// running. Energised.
    ClampCurrent(usize),
    /// kW and PF on the monitor's own display beside what its registers say. Nothing is opened.
    Display,
    /// Phase-rotation meter at the breaker. Energised.
    Rotation,
}

/// What a check may show.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Finding {
    /// About 0 V: same phase.
    SamePhase,
    /// Line voltage: another phase.
    OtherPhase,
    /// The pair comes from the CT on this phase.
    FromPhase(Phase),
    /// The pair comes from a CT on another pump.
    FromOtherPump,
    /// The pair's CT is closed around more than one conductor.
    FromSeveral,
    /// Loop is sound.
    LoopSound,
    /// Loop is open, shorted or off.
    LoopBroken,
    /// Mark and leads as intended.
    PolarityRight,
    /// Reversed.
    PolarityReversed,
    /// Clamp meter and channel show the same current, be it none.
    CurrentAgrees,
    /// The clamp meter shows current, the channel shows none, or the other way round.
    CurrentMissing,
    /// Both show current, but not the same.
    CurrentDiffers,
    /// The display says what the registers say.
    DisplayAgrees,
    /// The display says something else.
    DisplayDiffers,
    /// The supply rotates as expected.
    RotationExpected,
    /// The supply rotates the other way.
    RotationOpposite,
}

/// How often a careful person gets each kind of check wrong. Common practice, no source.
pub const ERROR_RATE: f64 = 0.02;

impl FieldCheck {
    /// Every check there is.
    pub fn all() -> Vec<FieldCheck> {
        let mut all = Vec::new();
        for k in 0..3 {
            all.extend(Phase::ALL.map(|phase| FieldCheck::PhaseIdentity(k, phase)));
            all.extend([FieldCheck::TracePair(k), FieldCheck::LoopResistance(k), FieldCheck::Polarity(k)]);
            all.push(FieldCheck::ClampCurrent(k));
        }
        all.extend([FieldCheck::Display, FieldCheck::Rotation]);
        all
    }

    /// What the check shows under a wiring, when done without error.
    pub fn shows(self, wiring: &Wiring) -> Finding {
        match self {
            FieldCheck::PhaseIdentity(k, phase) if wiring.voltage[k] == phase => Finding::SamePhase,
            FieldCheck::PhaseIdentity(..) => Finding::OtherPhase,
            FieldCheck::TracePair(k) => match wiring.current[k] {
                CurrentSeen::Conductor { phase, .. } => Finding::FromPhase(phase),
                CurrentSeen::AllBut { .. } => Finding::FromSeveral,
                CurrentSeen::OtherCircuit { .. } => Finding::FromOtherPump,
                // A pair that gives nothing still comes from somewhere: the phase no other channel sees.
                CurrentSeen::Nothing | CurrentSeen::Unused => Finding::FromPhase(
                    Phase::ALL.into_iter().find(|p| wiring.channel_of(*p).is_none()).unwrap_or(Phase::ALL[k]),
                ),
            },
            FieldCheck::LoopResistance(k) => match (wiring.current[k], wiring.gain[k]) {
                (CurrentSeen::Nothing, _) | (_, Gain::Unsteady) => Finding::LoopBroken,
                _ => Finding::LoopSound,
            },
            FieldCheck::Polarity(k) => match wiring.current[k] {
                CurrentSeen::Conductor { reversed: true, .. }
                | CurrentSeen::AllBut { reversed: true, .. }
                | CurrentSeen::OtherCircuit { reversed: true, .. } => Finding::PolarityReversed,
                _ => Finding::PolarityRight,
            },
            FieldCheck::ClampCurrent(k) => {
                let clamped = wiring.lost_phase != Some(Phase::ALL[k]);
                let channel = match wiring.current[k] {
                    CurrentSeen::Nothing | CurrentSeen::Unused => false,
                    seen => seen.shows().is_none_or(|(phase, _)| wiring.lost_phase != Some(phase)),
                };
                let other_pump = matches!(wiring.current[k], CurrentSeen::OtherCircuit { .. });
                if clamped != channel {
                    Finding::CurrentMissing
                } else if wiring.gain[k] == Gain::AsRated && !other_pump {
                    Finding::CurrentAgrees
                } else {
                    Finding::CurrentDiffers
                }
            }
            FieldCheck::Display if wiring.registers == Registers::AsDeclared => Finding::DisplayAgrees,
            FieldCheck::Display => Finding::DisplayDiffers,
            FieldCheck::Rotation if wiring.supply_rotates_back => Finding::RotationOpposite,
            FieldCheck::Rotation => Finding::RotationExpected,
        }
    }

    /// Stable word for files and JSON.
    pub fn key(self) -> &'static str {
        match self {
            FieldCheck::PhaseIdentity(..) => "phase-identity",
            FieldCheck::TracePair(_) => "trace-pair",
            FieldCheck::LoopResistance(_) => "loop-resistance",
            FieldCheck::Polarity(_) => "polarity",
            FieldCheck::ClampCurrent(_) => "clamp-current",
            FieldCheck::Display => "display",
            FieldCheck::Rotation => "rotation",
        }
    }

    /// Channel it is about, from 0; `None` when it is about the whole monitor.
    pub fn channel(self) -> Option<usize> {
        Some(match self {
            FieldCheck::PhaseIdentity(k, _)
            | FieldCheck::TracePair(k)
            | FieldCheck::LoopResistance(k)
            | FieldCheck::Polarity(k)
            | FieldCheck::ClampCurrent(k) => k,
            FieldCheck::Display | FieldCheck::Rotation => return None,
        })
    }

    /// A short name, channels numbered from 1.
    pub fn title(self) -> String {
        match self {
            FieldCheck::PhaseIdentity(k, phase) => format!("Volts from terminal {} to phase {}", k + 1, phase.label()),
            FieldCheck::TracePair(k) => format!("Trace of CT pair {}", k + 1),
            FieldCheck::LoopResistance(k) => format!("Loop ohms of CT {}", k + 1),
            FieldCheck::Polarity(k) => format!("Direction of CT {}", k + 1),
            FieldCheck::ClampCurrent(k) => format!("Clamp-meter amps beside channel {}", k + 1),
            FieldCheck::Display => "kW and PF on the monitor's display".to_owned(),
            FieldCheck::Rotation => "Rotation of the supply".to_owned(),
        }
    }

    /// True when parts are live during the check.
    pub fn energised(self) -> bool {
        matches!(self, FieldCheck::PhaseIdentity(..) | FieldCheck::ClampCurrent(_) | FieldCheck::Rotation)
    }

    /// Minutes of a person, counting preparation; live work counts double for its risk.
    fn cost(self) -> f64 {
        match self {
            FieldCheck::PhaseIdentity(..) | FieldCheck::Rotation => 2.0 * 4.0,
            // A clamp meter takes half the time of following a pair, and counts double as live work.
            FieldCheck::ClampCurrent(_) | FieldCheck::TracePair(_) => 6.0,
            FieldCheck::LoopResistance(_) => 4.0,
            FieldCheck::Polarity(_) => 5.0,
            // Nothing is opened and nobody is near live parts.
            FieldCheck::Display => 1.0,
        }
    }

    /// Probability of `finding` under `wiring`, errors counted.
    pub fn likelihood(self, finding: Finding, wiring: &Wiring) -> f64 {
        self.likelihood_with(finding, wiring, ERROR_RATE)
    }

    /// As [`FieldCheck::likelihood`], for a person who gets this check wrong at `error_rate`.
    pub fn likelihood_with(self, finding: Finding, wiring: &Wiring, error_rate: f64) -> f64 {
        let shows = self.shows(wiring);
        if shows == finding {
            return 1.0 - error_rate;
        }
        match (shows, finding) {
            // One phase is mistaken for another far more easily than for another pump or for two conductors.
            (Finding::FromPhase(_), Finding::FromPhase(_)) => error_rate * 0.9 / 2.0,
            (Finding::FromPhase(_), _) => error_rate * 0.1 / 2.0,
            _ => error_rate / (self.possible().len() - 1) as f64,
        }
    }

    /// Everything the check may show.
    pub fn possible(self) -> &'static [Finding] {
        match self {
            FieldCheck::PhaseIdentity(..) => &[Finding::SamePhase, Finding::OtherPhase],
            FieldCheck::TracePair(_) => {
                const FROM: [Finding; 5] = [
                    Finding::FromPhase(Phase::A),
                    Finding::FromPhase(Phase::B),
                    Finding::FromPhase(Phase::C),
                    Finding::FromOtherPump,
                    Finding::FromSeveral,
                ];
                &FROM
            }
            FieldCheck::LoopResistance(_) => &[Finding::LoopSound, Finding::LoopBroken],
            FieldCheck::Polarity(_) => &[Finding::PolarityRight, Finding::PolarityReversed],
            FieldCheck::ClampCurrent(_) => &[Finding::CurrentAgrees, Finding::CurrentMissing, Finding::CurrentDiffers],
            FieldCheck::Display => &[Finding::DisplayAgrees, Finding::DisplayDiffers],
            FieldCheck::Rotation => &[Finding::RotationExpected, Finding::RotationOpposite],
        }
    }

    /// What to do, in plain words, channels numbered from 1.
    pub fn words(self) -> String {
        match self {
            FieldCheck::PhaseIdentity(k, phase) => format!(
                "LIVE: measure the voltage between the monitor's voltage terminal {} and phase {} at the breaker. About 0 V: \
                 same phase. Line voltage: another phase.",
                k + 1,
                phase.label()
            ),
            FieldCheck::TracePair(k) => {
                format!("Power off: follow the CT pair of channel {} to its CT and note which phase it sits on.", k + 1)
            }
            FieldCheck::LoopResistance(k) => format!(
                "Power off: measure the resistance of the CT loop of channel {} at the monitor. Tenths of an ohm: sound.",
                k + 1
            ),
            FieldCheck::Polarity(k) => format!(
                "Power off: look whether the CT of channel {} has its mark (H1 or P1) towards the supply, and its leads X1/S1 \
                 and X2/S2 on the right terminals.",
                k + 1
            ),
            FieldCheck::ClampCurrent(k) => format!(
                "LIVE, pump running: clamp meter on the phase {} conductor to the pump; note its amps and, at the same \
                 moment, the amps the monitor shows on channel {}.",
                Phase::ALL[k].label(),
                k + 1
            ),
            FieldCheck::Display => {
                "Without opening anything: read total kW, kvar and PF (with signs) on the monitor's own display \
                                    while the pump runs, beside what its registers say here."
                    .to_owned()
            }
            FieldCheck::Rotation => {
                "LIVE: phase-rotation meter at the breaker, leads on A, B, C; note the order it shows.".to_owned()
            }
        }
    }
}

impl Finding {
    /// What a person would say was found.
    pub fn words(self) -> String {
        match self {
            Finding::SamePhase => "about 0 V: same phase".to_owned(),
            Finding::OtherPhase => "line voltage: another phase".to_owned(),
            Finding::FromPhase(phase) => format!("its CT sits on phase {}", phase.label()),
            Finding::FromOtherPump => "its CT sits on another pump".to_owned(),
            Finding::FromSeveral => "its CT is closed around two conductors".to_owned(),
            Finding::LoopSound => "loop sound".to_owned(),
            Finding::LoopBroken => "loop open or shorted".to_owned(),
            Finding::PolarityRight => "the right way round".to_owned(),
            Finding::PolarityReversed => "reversed".to_owned(),
            Finding::CurrentAgrees => "clamp meter and monitor agree".to_owned(),
            Finding::CurrentMissing => "one shows amps, the other none".to_owned(),
            Finding::CurrentDiffers => "both show amps, but not the same".to_owned(),
            Finding::DisplayAgrees => "display and registers agree".to_owned(),
            Finding::DisplayDiffers => "the display says something else".to_owned(),
            Finding::RotationExpected => "rotates as expected".to_owned(),
            Finding::RotationOpposite => "rotates the other way".to_owned(),
        }
    }
}

/// A check with what it is worth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Worth {
    /// The check.
    pub check: FieldCheck,
    /// Information expected from it, bits.
    pub expected_bits: f64,
    /// The same as a share of all that is still open between the wirings, 0..=1.
    pub share: f64,
    /// Bits per unit of cost: the ranking.
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
}

/// How likely a check is to show something, over all wirings still possible.
pub fn chance(wirings: &[RankedWiring], check: FieldCheck, finding: Finding) -> f64 {
    let total: f64 = wirings.iter().map(|w| w.probability).sum();
    if total <= 0.0 {
        return 0.0;
    }
    wirings.iter().map(|w| w.probability / total * check.likelihood(finding, &w.wiring)).sum()
}

/// Checks ranked by expected information against effort and risk; those that would tell less than a hundredth of a bit
/// are left out.
pub fn rank(wirings: &[RankedWiring]) -> Vec<Worth> {
    let total: f64 = wirings.iter().map(|w| w.probability).sum();
    if total <= 0.0 {
        return Vec::new();
    }
    let open_bits: f64 =
        wirings.iter().map(|w| w.probability / total).filter(|p| *p > 0.0).map(|p| -p * p.log2()).sum();
    let mut ranked: Vec<Worth> = FieldCheck::all()
        .into_iter()
        .map(|check| {
            let mut bits = 0.0;
            for &finding in check.possible() {
                let chance = chance(wirings, check, finding);
                for w in wirings {
                    let likelihood = check.likelihood(finding, &w.wiring);
                    bits += w.probability / total * likelihood * (likelihood / chance).log2();
                }
            }
            Worth { check, expected_bits: bits, share: bits / open_bits.max(1e-9), score: bits / check.cost() }
        })
        .filter(|worth| worth.expected_bits >= 0.01)
        .collect();
    ranked.sort_by(|a, b| b.score.total_cmp(&a.score));
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::context::ServiceKind;
    use crate::audit::testbench::{LoadState, Offer, audit, context_for, relative_wirings};

    #[test]
    fn a_settled_wiring_needs_no_check() {
        let settled = [RankedWiring::of(Wiring::INTENDED, 1.0, ServiceKind::Wye4)];
        assert!(rank(&settled).is_empty());
        assert!(rank(&[]).is_empty());
    }

    #[test]
    fn of_two_wirings_the_check_that_differs_comes_first() {
        let mut reversed = Wiring::INTENDED;
        reversed.current[2] = CurrentSeen::Conductor { phase: Phase::C, reversed: true };
        let two = [
            RankedWiring::of(Wiring::INTENDED, 0.5, ServiceKind::Wye4),
            RankedWiring::of(reversed, 0.5, ServiceKind::Wye4),
        ];
        let ranked = rank(&two);
        assert_eq!(ranked.len(), 1);
        assert_eq!(ranked[0].check, FieldCheck::Polarity(2));
        // A binary channel with 2 % errors carries 0.859 bits.
        assert!((ranked[0].expected_bits - 0.8586).abs() < 1e-3);
        let after = update(&two, FieldCheck::Polarity(2), Finding::PolarityReversed);
        assert_eq!(after[0].wiring, reversed);
        assert!((after[0].probability - 0.98).abs() < 1e-9);
    }

    /// From blank power alone many wirings remain; following the advice settles every one of them in a few checks.
    #[test]
    fn the_advice_settles_what_blank_power_leaves_open() {
        let context = context_for(Offer::Blanking);
        let states = [1.0, 0.7].map(|load| LoadState::motor(&context, load));
        for truth in relative_wirings().into_iter().step_by(3) {
            let assessment = audit(&context, &truth, Offer::Blanking, &states);
            let mut wirings: Vec<RankedWiring> =
                assessment.diagnosis.groups.iter().flat_map(|g| g.members.clone()).collect();
            if !wirings.iter().any(|w| w.wiring == truth) {
                continue;
            }
            let mut checks = 0;
            while let Some(next) = rank(&wirings).first().copied() {
                checks += 1;
                assert!(checks <= 16, "{truth:?} is not settled");
                wirings = update(&wirings, next.check, next.check.shows(&truth));
                // Rarer mistakes start behind, so a rare truth takes more than the first good sign.
                if wirings[0].probability > 0.998 {
                    break;
                }
            }
            assert_eq!(wirings[0].wiring, truth, "after {checks} checks");
        }
    }
}
