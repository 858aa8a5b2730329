//! A CT secondary that may be open now: a hazard to people before it is a metering fault.
//!
//! Pure. Must never wait until one wiring is settled, nor take a CT secondary that is not declared for a harmless one.

use super::assessment::{Assessment, Check, Diagnosis, Outcome};
use super::installation::Installation;
use super::wiring::{CurrentSeen, Gain, Wiring};

/// Probability that the CT is open, shorted, off or loose at which it is told. Low: being wrong costs a look, being silent a life.
pub const POSSIBLE: f64 = 0.05;
/// Probability of causes that take the channel's current away without opening its CT (a lost phase, a CT on another pump) at
/// which these explain a zero.
const EXPLAINED: f64 = 0.95;

/// What the channel shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Symptom {
    /// Zero, while the other channels carry current.
    ReadsZero,
    /// A current that jumps by itself: a connection that opens and closes.
    Jumps,
}

/// A channel whose CT secondary may be open, shorted, off or loose.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SuspectCt {
    /// Channel, from 0.
    pub channel: usize,
    /// What it shows.
    pub symptom: Symptom,
    /// Probability of all wirings in which it is so; where none is weighed yet, 0.
    pub probability: f64,
}

/// The CTs that read zero or jump and for which no lost phase and no other pump accounts, by channel. Of a CT with a voltage
/// output this is a metering fault and no more; whether it is a hazard, [`possibly_open`] tells.
pub fn suspects(assessment: &Assessment, installation: &Installation) -> Vec<SuspectCt> {
    let found_zero = |k: usize| {
        assessment
            .findings
            .iter()
            .any(|f| f.check == Check::CurrentMissing && f.channel == Some(k) && f.outcome == Outcome::Failed)
    };
    let diagnosis = &assessment.diagnosis;
    let of = |k: &usize| {
        let channel = *k;
        let zero = mass(diagnosis, |w| w.current[channel] == CurrentSeen::Nothing);
        let jumps = mass(diagnosis, |w| w.gain[channel] == Gain::Unsteady);
        let probability = zero + jumps;
        let unexplained_zero = found_zero(channel) && mass(diagnosis, |w| zero_without_opening(w, channel)) < EXPLAINED;
        let symptom = if jumps > zero && !unexplained_zero { Symptom::Jumps } else { Symptom::ReadsZero };
        (unexplained_zero || probability >= POSSIBLE).then_some(SuspectCt { channel, symptom, probability })
    };
    installation.service.channels().iter().filter_map(of).collect()
}

/// The CTs whose secondary may be open and live now, by channel: none where the secondaries are known to be no current. Told
/// whatever else is settled or not.
pub fn possibly_open(assessment: &Assessment, installation: &Installation) -> Vec<SuspectCt> {
    if installation.ct_secondary.may_be_current() { suspects(assessment, installation) } else { Vec::new() }
}

fn mass(diagnosis: &Diagnosis, holds: impl Fn(&Wiring) -> bool) -> f64 {
    diagnosis.groups.iter().flat_map(|g| &g.members).filter(|m| holds(&m.wiring)).map(|m| m.probability).sum()
}

/// True when the channel reads zero under this wiring although its CT's circuit is closed.
fn zero_without_opening(wiring: &Wiring, channel: usize) -> bool {
    let seen = wiring.current[channel];
    matches!(seen, CurrentSeen::OtherCircuit { .. })
        || seen.shows().is_some_and(|(phase, _)| wiring.lost_phase == Some(phase))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::assessment::{RankedWiring, Verdict};
    use crate::audit::context::ServiceKind;
    use crate::audit::installation::CtSecondary;
    use crate::audit::testbench::{LoadState, Offer, audit, context_for};
    use crate::reading::Phase;

    fn installation(ct_secondary: CtSecondary) -> Installation {
        Installation { ct_secondary, ..Installation::unknown(ServiceKind::Wye4, 480.0) }
    }

    fn open(k: usize) -> Wiring {
        let mut wiring = Wiring::INTENDED;
        wiring.current[k] = CurrentSeen::Nothing;
        wiring
    }

    /// A motor of which one CT gives nothing.
    fn with_open(offer: Offer) -> Assessment {
        let context = context_for(offer);
        audit(&context, &open(1), offer, &[1.0, 0.7].map(|load| LoadState::motor(&context, load)))
    }

    fn channels(found: &[SuspectCt]) -> Vec<usize> {
        found.iter().map(|s| s.channel).collect()
    }

    #[test]
    fn a_ct_that_reads_zero_is_told_whatever_the_map_offers_and_whether_settled_or_not() {
        for offer in [Offer::Full, Offer::Watts, Offer::Totals, Offer::Blanking] {
            let assessment = with_open(offer);
            for secondary in
                [CtSecondary::Unknown, CtSecondary::Current { rated_ma: 5000 }, CtSecondary::Current { rated_ma: 1000 }]
            {
                let found = possibly_open(&assessment, &installation(secondary));
                assert_eq!(channels(&found), [1], "{offer:?}");
                assert_eq!(found[0].symptom, Symptom::ReadsZero);
            }
        }
    }

    #[test]
    fn a_secondary_known_to_be_no_current_is_no_hazard_but_still_a_suspect() {
        let assessment = with_open(Offer::Full);
        for secondary in [CtSecondary::Voltage { rated_mv: 333 }, CtSecondary::Rogowski] {
            assert!(possibly_open(&assessment, &installation(secondary)).is_empty());
            assert_eq!(channels(&suspects(&assessment, &installation(secondary))), [1]);
        }
    }

    #[test]
    fn the_finding_is_enough_before_any_wiring_is_weighed() {
        let mut assessment = with_open(Offer::Full);
        assessment.diagnosis = Diagnosis::none();
        assert_eq!(assessment.diagnosis.verdict, Verdict::NoEvidence);
        assert_eq!(channels(&possibly_open(&assessment, &installation(CtSecondary::Unknown))), [1]);
        assessment.findings.clear();
        assert!(possibly_open(&assessment, &installation(CtSecondary::Unknown)).is_empty());
    }

    /// The same assessment with its wirings replaced by these.
    fn weighed(wirings: &[(Wiring, f64)]) -> Assessment {
        let mut assessment = with_open(Offer::Full);
        let mut groups = assessment.diagnosis.groups.to_vec();
        groups.truncate(1);
        let member = groups[0].members[0];
        groups[0].members = wirings
            .iter()
            .map(|(wiring, probability)| RankedWiring { wiring: *wiring, probability: *probability, ..member })
            .collect();
        assessment.diagnosis.groups = groups.into();
        assessment
    }

    #[test]
    fn a_lost_phase_or_another_pump_accounts_for_a_zero_only_when_sure() {
        let lost = Wiring { lost_phase: Some(Phase::B), ..Wiring::INTENDED };
        let mut elsewhere = Wiring::INTENDED;
        elsewhere.current[1] = CurrentSeen::OtherCircuit { slot: 1, phase: Phase::B, reversed: false };
        for other in [lost, elsewhere] {
            let told = |sure: f64| {
                let assessment = weighed(&[(other, sure), (open(1), 1.0 - sure)]);
                channels(&possibly_open(&assessment, &installation(CtSecondary::Unknown)))
            };
            assert!(told(0.97).is_empty());
            assert_eq!(told(0.90), [1]);
        }
        // A lost phase on another conductor explains nothing.
        let elsewhere = Wiring { lost_phase: Some(Phase::A), ..Wiring::INTENDED };
        let assessment = weighed(&[(elsewhere, 1.0)]);
        assert_eq!(channels(&possibly_open(&assessment, &installation(CtSecondary::Unknown))), [1]);
    }

    #[test]
    fn a_loose_lead_is_as_dangerous_as_an_open_one() {
        let loose = Wiring { gain: [Gain::AsRated, Gain::AsRated, Gain::Unsteady], ..Wiring::INTENDED };
        let mut assessment = weighed(&[(Wiring::INTENDED, 0.9), (loose, 0.1)]);
        assessment.findings.clear();
        let found = possibly_open(&assessment, &installation(CtSecondary::Unknown));
        assert_eq!((channels(&found), found[0].symptom), (vec![2], Symptom::Jumps));
        assert!((found[0].probability - 0.1).abs() < 1e-9);
    }

    #[test]
    fn a_running_pump_wired_right_has_no_suspect() {
        let context = context_for(Offer::Full);
        let states = [LoadState::motor(&context, 0.8)];
        let right = audit(&context, &Wiring::INTENDED, Offer::Full, &states);
        assert!(suspects(&right, &installation(CtSecondary::Unknown)).is_empty());
    }
}
