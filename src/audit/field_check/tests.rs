//! What every check shows, and that nothing is offered that the installation does not have.

use proptest::prelude::*;

use super::*;
use crate::audit::assessment::RankedWiring;
use crate::audit::context::{LoadBehaviour, ServiceKind};
use crate::audit::hypotheses::classes;
use crate::audit::installation::{CtSecondary, Installation, VoltageConnection};
use crate::audit::plan;
use crate::audit::testbench::{LoadState, Offer, audit, context_for, relative_wirings};
use crate::audit::wiring::{CurrentSeen, Gain, Wiring};

/// A 480 V pump whose panel a technician may work at.
const PUMP: Installation = Installation {
    service: ServiceKind::Wye4,
    nominal_voltage_v: 480.0,
    voltage_connection: VoltageConnection::Direct,
    ct_secondary: CtSecondary::Current { rated_ma: 5000 },
    load: LoadBehaviour::InductionMotor,
};

fn reversed(k: usize) -> Wiring {
    let mut wiring = Wiring::INTENDED;
    wiring.current[k] = CurrentSeen::Conductor { phase: Phase::ALL[k], reversed: true };
    wiring
}

fn open(k: usize) -> Wiring {
    let mut wiring = Wiring::INTENDED;
    wiring.current[k] = CurrentSeen::Nothing;
    wiring
}

fn ranked(wirings: &[(Wiring, f64)]) -> Vec<RankedWiring> {
    wirings.iter().map(|(wiring, p)| RankedWiring::of(*wiring, *p, ServiceKind::Wye4)).collect()
}

#[test]
fn a_settled_wiring_needs_no_check() {
    assert!(rank(&ranked(&[(Wiring::INTENDED, 1.0)]), &PUMP, &[]).is_empty());
    assert!(rank(&[], &PUMP, &[]).is_empty());
}

#[test]
fn of_two_wirings_the_check_that_differs_comes_first() {
    let two = ranked(&[(Wiring::INTENDED, 0.5), (reversed(2), 0.5)]);
    let worth = rank(&two, &PUMP, &[]);
    assert_eq!(worth.len(), 1);
    assert_eq!(worth[0].check, FieldCheck::Polarity(2));
    // A binary channel with 2 % errors carries 0.859 bits.
    assert!((worth[0].expected_bits - 0.8586).abs() < 1e-3, "{}", worth[0].expected_bits);
    let after = update(&two, FieldCheck::Polarity(2), Finding::BodyReversed);
    assert_eq!(after[0].wiring, reversed(2));
    assert!((after[0].probability - 0.98).abs() < 1e-9);
    assert!(rank(&two, &PUMP, &[FieldCheck::Polarity(2)]).is_empty(), "not the same check twice");
}

#[test]
fn the_findings_of_a_check_are_all_that_can_be_found() {
    for service in ServiceKind::ALL {
        for member in classes(service).all.iter().flat_map(|c| &c.members) {
            for check in FieldCheck::all() {
                let sum: f64 = check.possible().iter().map(|f| check.likelihood(*f, &member.wiring)).sum();
                assert!((sum - 1.0).abs() < 1e-9, "{check:?} {:?}: {sum}", member.wiring);
            }
        }
    }
}

#[test]
fn a_ct_that_reads_zero_is_open_or_shorted_and_a_closed_loop_rules_out_neither_the_short() {
    let check = FieldCheck::LoopResistance(1);
    let (zero, right) = (open(1), Wiring::INTENDED);
    // An open loop is a CT that reads zero; a closed one leaves it possible, for it may be shorted.
    assert!(check.likelihood(Finding::LoopOpen, &zero) > 50.0 * check.likelihood(Finding::LoopOpen, &right));
    assert!(check.likelihood(Finding::LoopClosed, &zero) > 0.3);
}

#[test]
fn two_reversals_cancel_and_exactly_one_is_reversed() {
    let check = FieldCheck::Polarity(0);
    for finding in [Finding::BodyReversed, Finding::LeadsReversed] {
        assert!(check.likelihood(finding, &reversed(0)) > 40.0 * check.likelihood(finding, &Wiring::INTENDED));
    }
    for finding in [Finding::PolarityRight, Finding::BothReversed] {
        assert!(check.likelihood(finding, &Wiring::INTENDED) > 2.0 * check.likelihood(finding, &reversed(0)));
    }
}

#[test]
fn rotation_at_the_terminals_does_not_tell_leads_from_supply() {
    let leads = Wiring { voltage: [Phase::A, Phase::C, Phase::B], ..Wiring::INTENDED };
    let rotated = Wiring { voltage: [Phase::B, Phase::C, Phase::A], ..Wiring::INTENDED };
    let supply = Wiring { supply_rotates_back: true, ..Wiring::INTENDED };
    for check in [FieldCheck::Rotation, FieldCheck::Sequence] {
        assert_eq!(check.shows(&leads), Finding::RotationReversed);
        assert_eq!(check.shows(&supply), Finding::RotationReversed);
        assert_eq!(check.shows(&rotated), Finding::RotationExpected);
    }
    let worth = rank(&ranked(&[(leads, 0.5), (supply, 0.5)]), &PUMP, &[]);
    assert!(worth.iter().all(|w| matches!(w.check, FieldCheck::VoltageLeadTrace(_))), "{worth:?}");
}

#[test]
fn a_live_check_comes_only_where_nothing_else_is_left_and_never_beside_a_ct_that_may_be_open() {
    let halved = Wiring { gain: [Gain::AsRated, Gain::Times(1, 2), Gain::AsRated], ..Wiring::INTENDED };
    let two = ranked(&[(Wiring::INTENDED, 0.5), (halved, 0.5)]);
    assert!(rank(&two, &PUMP, &[]).iter().all(|w| w.check.access() == Access::NothingOpened));
    let done = [FieldCheck::Settings, FieldCheck::PanelAmmeter(1)];
    let left: Vec<FieldCheck> = rank(&two, &PUMP, &done).iter().map(|w| w.check).collect();
    assert_eq!(left, [FieldCheck::ClampCurrent(1)]);
    let with_open = ranked(&[(Wiring::INTENDED, 0.45), (halved, 0.45), (open(1), 0.1)]);
    let done = [done.as_slice(), &[FieldCheck::LoopResistance(1), FieldCheck::CtLeadTrace(1)]].concat();
    assert!(rank(&with_open, &PUMP, &done).is_empty());
    let voltage_output = Installation { ct_secondary: CtSecondary::Voltage { rated_mv: 333 }, ..PUMP };
    assert!(!rank(&with_open, &voltage_output, &done).is_empty(), "an open voltage output hurts nobody");
}

/// From blank power alone many wirings remain; following the advice settles every one of them.
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
        let mut done = Vec::new();
        while let Some(next) = rank(&wirings, &PUMP, &done).first().copied() {
            done.push(next.check);
            wirings = update(&wirings, next.check, next.check.shows(&truth));
        }
        assert_eq!(wirings[0].wiring, truth, "after {done:?}");
    }
}

const LOADS: [LoadBehaviour; 6] = [
    LoadBehaviour::InductionMotor,
    LoadBehaviour::SoftStarter,
    LoadBehaviour::Drive,
    LoadBehaviour::MotorWithCapacitor,
    LoadBehaviour::Resistive,
    LoadBehaviour::Unknown,
];
const SECONDARIES: [CtSecondary; 5] = [
    CtSecondary::Current { rated_ma: 5000 },
    CtSecondary::Current { rated_ma: 1000 },
    CtSecondary::Voltage { rated_mv: 333 },
    CtSecondary::Rogowski,
    CtSecondary::Unknown,
];
const CONNECTIONS: [VoltageConnection; 3] =
    [VoltageConnection::Direct, VoltageConnection::Transformers, VoltageConnection::Unknown];

fn any_installation() -> impl Strategy<Value = Installation> {
    (
        prop::sample::select(ServiceKind::ALL.to_vec()),
        prop::sample::select(vec![
            120.0,
            208.0,
            240.0,
            480.0,
            600.0,
            690.0,
            1000.0,
            2400.0,
            4160.0,
            13_800.0,
            f64::NAN,
        ]),
        prop::sample::select(CONNECTIONS.to_vec()),
        prop::sample::select(SECONDARIES.to_vec()),
        prop::sample::select(LOADS.to_vec()),
    )
        .prop_map(|(service, nominal_voltage_v, voltage_connection, ct_secondary, load)| Installation {
            service,
            nominal_voltage_v,
            voltage_connection,
            ct_secondary,
            load,
        })
}

/// What no text of this installation may say, whatever the wiring.
fn names_only_what_is_there(text: &str, installation: &Installation) {
    let service = installation.service;
    for k in (0..3).filter(|k| !service.channels().contains(k)) {
        for name in ["channel ", "CT ", "channel ", "beside channel "] {
            let word = format!("{name}{}", k + 1);
            assert!(!text.contains(&word), "{word}: {installation:?}\n{text}");
        }
    }
    for k in service.voltage_channels()..3 {
        for name in ["terminal ", "voltage lead "] {
            let word = format!("{name}{}", k + 1);
            assert!(!text.contains(&word), "{word}: {installation:?}\n{text}");
        }
    }
    for phase in Phase::ALL.iter().filter(|p| !service.phases().contains(p)) {
        let word = format!("phase {}", phase.label());
        assert!(!text.contains(&word), "{word}: {installation:?}\n{text}");
    }
    if !installation.direct_low_voltage() {
        for word in ["LIVE", "breaker", "clamp", "each phase's tap"] {
            let in_cautions = word == "breaker" || word == "clamp";
            let found = text.lines().filter(|l| !in_cautions || !l.starts_with("caution: ")).any(|l| l.contains(word));
            assert!(!found, "{word}: {installation:?}\n{text}");
        }
    }
    // No measurement category above the voltages that these have.
    assert!(!installation.is_high_voltage() || !text.contains("CAT I"), "{installation:?}\n{text}");
    for state in ["Power off", "power off", "exchanged", "CT pair", "sound"] {
        assert!(!text.contains(state), "{state}: {text}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    /// Whatever the evidence has left open, and whatever the panel is like: every check, step and caution is one of this panel.
    #[test]
    fn every_check_step_and_caution_is_of_this_installation(
        installation in any_installation(),
        picks in prop::collection::vec((any::<prop::sample::Index>(), any::<prop::sample::Index>(), 0.001..1.0_f64), 1..9),
    ) {
        let all = &classes(installation.service).all;
        let wirings: Vec<RankedWiring> = picks
            .iter()
            .map(|(class, member, probability)| {
                let members = &all[class.index(all.len())].members;
                RankedWiring::of(members[member.index(members.len())].wiring, *probability, installation.service)
            })
            .collect();
        let cautions = crate::audit::cautions::cautions(&installation);
        let mut text: String = cautions.iter().map(|c| format!("caution: {c}\n")).collect();
        for check in FieldCheck::offered(&installation) {
            let words = check.words(&installation);
            prop_assert_eq!(words.contains("LIVE"), check.access() == Access::Live);
            prop_assert_eq!(words.contains("De-energize and lock out"), check.access() == Access::DeEnergized);
            let lifts_ct_leads = matches!(check, FieldCheck::LoopResistance(_) | FieldCheck::CtLeadTrace(_));
            if lifts_ct_leads && installation.ct_secondary.may_be_current() {
                prop_assert!(words.to_lowercase().contains("short the ct"), "{}", words);
            }
            if !installation.ct_secondary.may_be_current() {
                prop_assert!(!words.to_lowercase().contains("short"), "{}", words);
            }
            text.push_str(&format!("{}\n{words}\n{}\n", check.title(), check.box_words(&installation)));
            for finding in check.possible_at(&installation) {
                text.push_str(&finding.words());
                text.push('\n');
            }
        }
        if let Some(plan) = plan::plan(&wirings, &installation, &[], plan::DEPTH) {
            for line in plan::lines(&plan.root, &installation) {
                text.push_str(&line.instruction);
                text.push('\n');
            }
            let mut path = Vec::new();
            holds_on_every_path(&plan.root, &wirings, &installation, &mut path);
        }
        names_only_what_is_there(&text, &installation);
    }
}

/// No check twice on one path; first nothing opened or one outage, live last; no live check beside a CT that may be open.
fn holds_on_every_path(
    node: &plan::Node,
    wirings: &[RankedWiring],
    installation: &Installation,
    path: &mut Vec<FieldCheck>,
) {
    let plan::Node::Check(step) = node else { return };
    assert!(!path.contains(&step.check), "{:?} twice: {path:?}", step.check);
    assert!(
        path.last().is_none_or(|last| last.access() != Access::Live || step.check.access() == Access::Live),
        "{path:?}"
    );
    assert!(FieldCheck::offered(installation).contains(&step.check), "{:?}", step.check);
    if step.check.access() == Access::Live {
        assert!(installation.direct_low_voltage() && !ct_possibly_open(wirings, installation));
    }
    path.push(step.check);
    for way in &step.ways {
        let after = update(wirings, step.check, way.findings[0]);
        holds_on_every_path(&way.then, &after, installation, path);
    }
    path.pop();
}
