//! The hypotheses: every wiring once, priors that sum to one, shifts that follow from theory.

use std::collections::HashSet;

use super::*;

const WYE: ServiceKind = ServiceKind::Wye4;

#[test]
fn priors_sum_to_one_less_the_unexplained() {
    for service in ServiceKind::ALL {
        let classes = classes(service);
        let sum: f64 = classes.all.iter().map(|c| c.prior).sum();
        assert!((sum + UNEXPLAINED_PRIOR - 1.0).abs() < 1e-12);
        for class in &classes.all {
            let members: f64 = class.members.iter().map(|m| m.prior).sum();
            assert!((members - class.prior).abs() < 1e-15);
            assert!((class.prior_by_voltage.iter().sum::<f64>() - class.prior).abs() < 1e-15);
        }
        assert_eq!(classes.all[classes.intended].members[0].wiring, service.intended());
        let best = classes.all.iter().max_by(|a, b| a.prior.total_cmp(&b.prior)).unwrap();
        assert_eq!(best.members[0].wiring, service.intended(), "the intended wiring is the most likely");
        assert!(best.power_right);
    }
}

#[test]
fn every_wiring_is_there_once() {
    for service in ServiceKind::ALL {
        let wirings: Vec<Wiring> =
            classes(service).all.iter().flat_map(|c| c.members.iter().map(|m| m.wiring)).collect();
        let distinct: HashSet<Wiring> = wirings.iter().copied().collect();
        assert_eq!(wirings.len(), distinct.len());
    }
    let count = |wanted: fn(&Wiring) -> bool| {
        classes(WYE).all.iter().flat_map(|c| &c.members).filter(|m| wanted(&m.wiring)).count()
    };
    // 6 voltage orders x (48 whole + 3 x 6 x 4 with one channel missing) + 3 lost phases: the mistakes met most.
    let orders = |w: &Wiring| {
        let phases: HashSet<Phase> = w.current.iter().filter_map(|s| s.shows().map(|(p, _)| p)).collect();
        let ordinary = |s: &CurrentSeen| matches!(s, CurrentSeen::Conductor { .. } | CurrentSeen::Nothing);
        w.current.iter().all(ordinary)
            && phases.len() >= 2
            && phases.len() == w.current.iter().filter(|s| s.shows().is_some()).count()
            && w.registers == Registers::AsDeclared
            && w.ratios_right()
            && !w.supply_rotates_back
    };
    assert_eq!(count(orders), 6 * (48 + 72) + 3);
}

/// With voltage leads as intended, the 48 relative wirings fall in 48 classes: nothing is lost by classes.
#[test]
fn the_48_relative_wirings_have_48_different_shifts() {
    let shifts: HashSet<[Shift; 3]> = classes(WYE)
        .all
        .iter()
        .flat_map(|c| c.members.iter())
        .filter(|m| m.voltage == 0 && m.wiring.lost_phase.is_none() && m.wiring.registers == Registers::AsDeclared)
        .filter(|m| m.wiring.current.iter().all(|s| matches!(s, CurrentSeen::Conductor { .. })))
        .filter(|m| Phase::ALL.into_iter().all(|p| m.wiring.channel_of(p).is_some()))
        .map(|m| shifts_of(&m.wiring, WYE))
        .collect();
    assert_eq!(shifts.len(), 48);
}

/// Design section 3: reversal adds 180, an exchange moves its two channels by +120 and -120, the third by none.
#[test]
fn shifts_follow_the_design() {
    let mut reversed = Wiring::INTENDED;
    reversed.current[1] = CurrentSeen::Conductor { phase: Phase::B, reversed: true };
    assert_eq!(shifts_of(&reversed, WYE), [0, 6, 0]);
    let mut exchanged = Wiring::INTENDED;
    exchanged.current.swap(1, 2);
    assert_eq!(shifts_of(&exchanged, WYE), [0, 4, 8]);
    let voltage = Wiring { voltage: [Phase::A, Phase::C, Phase::B], ..Wiring::INTENDED };
    assert_eq!(shifts_of(&voltage, WYE), [0, 8, 4]);
    let together = Wiring { voltage: [Phase::A, Phase::C, Phase::B], ..exchanged };
    assert_eq!(shifts_of(&together, WYE), [0, 0, 0]);
    let mut around_two = Wiring::INTENDED;
    around_two.current[0] = CurrentSeen::AllBut { phase: Phase::A, reversed: false };
    assert_eq!(shifts_of(&around_two, WYE), [6, 0, 0]);
    let lost = Wiring { lost_phase: Some(Phase::A), ..Wiring::INTENDED };
    assert_eq!(shifts_of(&lost, WYE), [NOTHING, 11, 1]);
}

/// Two elements show V I cos(30 + lag) and V I cos(30 - lag): the two-wattmeter relations of any handbook.
#[test]
fn two_elements_stand_thirty_degrees_either_way() {
    let intended = ServiceKind::TwoElement.intended();
    assert_eq!(shifts_of(&intended, ServiceKind::TwoElement), [1, NOTHING, 11]);
    let high_leg = ServiceKind::HighLegDelta;
    assert_eq!(shifts_of(&high_leg.intended(), high_leg), [11, 0, 1]);
    let split = ServiceKind::SplitPhase;
    assert_eq!(shifts_of(&split.intended(), split), [0, 0, NOTHING]);
}

#[test]
fn two_mistakes_that_undo_each_other_register_right() {
    let mut turned = Wiring { registers: Registers::BothSigns, ..Wiring::INTENDED };
    assert!(!power_right(&turned, WYE));
    for k in 0..3 {
        turned.current[k] = CurrentSeen::Conductor { phase: Phase::ALL[k], reversed: true };
    }
    assert!(power_right(&turned, WYE));
    let halved = Wiring { gain: [Gain::Times(1, 2), Gain::AsRated, Gain::AsRated], ..Wiring::INTENDED };
    assert!(!power_right(&halved, WYE));
}
