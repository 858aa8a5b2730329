//! What a plan promises to whoever follows it.

use super::*;
use crate::audit::context::{LoadBehaviour, ServiceKind};
use crate::audit::installation::CtSecondary;
use crate::audit::testbench::{LoadState, Offer, audit, context_for, relative_wirings};

const PUMP: Installation = Installation {
    service: ServiceKind::Wye4,
    nominal_voltage_v: 480.0,
    voltage_connection: VoltageConnection::Direct,
    ct_secondary: CtSecondary::Current { rated_ma: 5000 },
    load: LoadBehaviour::InductionMotor,
};

fn open_wirings(truth: &Wiring) -> Vec<RankedWiring> {
    let context = context_for(Offer::Blanking);
    let states = [1.0, 0.7].map(|load| LoadState::motor(&context, load));
    let diagnosis = audit(&context, truth, Offer::Blanking, &states).diagnosis;
    diagnosis.groups.iter().flat_map(|g| g.members.clone()).collect()
}

fn deepest(node: &Node) -> usize {
    match node {
        Node::Check(step) => 1 + step.ways.iter().map(|w| deepest(&w.then)).max().unwrap_or(0),
        _ => 0,
    }
}

#[test]
fn a_settled_wiring_needs_no_step() {
    let settled = [RankedWiring::of(Wiring::INTENDED, 0.99, ServiceKind::Wye4)];
    let plan = super::plan(&settled, &PUMP, &[], DEPTH).unwrap();
    assert_eq!(plan.root, Node::Settled { wiring: Wiring::INTENDED, probability: 1.0 });
    assert_eq!(plan.effort, Effort::default());
    assert_eq!(super::plan(&[], &PUMP, &[], DEPTH), None);
}

#[test]
fn the_plan_is_no_deeper_than_told_and_its_ways_are_all_there() {
    let wirings = open_wirings(&relative_wirings()[8]);
    for depth in [1, 3, DEPTH] {
        let plan = super::plan(&wirings, &PUMP, &[], depth).unwrap();
        assert!(deepest(&plan.root) <= depth);
        let Node::Check(step) = &plan.root else { panic!("nothing to check") };
        let sum: f64 = step.ways.iter().map(|w| w.probability).sum();
        assert!((sum - 1.0).abs() < 1e-9, "{sum}");
    }
}

/// Whoever follows the plan, entering what was found when it ends, printing it again, and sending a second person when it asks for
/// one, arrives at the truth.
#[test]
fn following_the_plan_arrives_at_the_truth() {
    let start = open_wirings(&relative_wirings()[8]);
    let likely = || start.iter().filter(|w| w.probability > 0.01);
    let total: f64 = likely().map(|w| w.probability).sum();
    let mut right = 0.0;
    for truth in likely() {
        let (mut wirings, mut done) = (start.clone(), Vec::new());
        for _ in 0..6 {
            let Some(plan) = super::plan(&wirings, &PUMP, &done, DEPTH) else { break };
            let mut node = plan.root;
            while let Node::Check(step) = node {
                let shows = step.check.shows(&truth.wiring);
                assert!(!done.contains(&step.check), "{:?} twice", step.check);
                done.push(step.check);
                wirings = field_check::update(&wirings, step.check, shows);
                node = step.ways.into_iter().find(|w| w.findings.contains(&shows)).unwrap().then;
            }
            match node {
                Node::Settled { wiring, .. } => {
                    right += if wiring == truth.wiring { truth.probability / total } else { 0.0 };
                    break;
                }
                Node::Open { takes: Takes::SecondPerson(_), .. } => done.clear(),
                _ => {}
            }
        }
    }
    assert!(right > 0.95, "{right}");
}

#[test]
fn every_step_that_is_pointed_to_is_there() {
    let plan = super::plan(&open_wirings(&relative_wirings()[8]), &PUMP, &[], DEPTH).unwrap();
    let lines = lines(&plan.root, &PUMP);
    let mut pointed: Vec<usize> = lines
        .iter()
        .flat_map(|l| &l.ways)
        .filter_map(|(_, then)| then.strip_prefix("go to step ")?.parse().ok())
        .collect();
    pointed.sort_unstable();
    assert_eq!(pointed, (2..=lines.len()).collect::<Vec<_>>());
    assert!(lines.iter().enumerate().all(|(n, l)| l.step == n + 1));
    assert!(lines.windows(2).all(|two| two[0].access <= two[1].access), "grouped by what is opened");
}

#[test]
fn one_outage_does_for_all_that_is_de_energized_and_nothing_is_live_where_dead_checks_do() {
    for truth in relative_wirings().into_iter().step_by(5) {
        let Some(plan) = super::plan(&open_wirings(&truth), &PUMP, &[], DEPTH) else { continue };
        assert!(plan.effort.outages.worst <= 1, "{truth:?}: {:?}", plan.effort);
        assert_eq!(plan.effort.live.worst, 0, "{truth:?}: {:?}", plan.effort);
        assert!(plan.effort.checks.expected <= f64::from(plan.effort.checks.worst) + 1e-9);
    }
}

#[test]
fn clips_take_an_outage_more() {
    let settled = Node::Settled { wiring: Wiring::INTENDED, probability: 1.0 };
    let then = |check, next| {
        Node::Check(Step {
            check,
            ways: vec![Way { findings: vec![check.possible()[0]], probability: 1.0, then: next }],
        })
    };
    let outages = |root: &Node| Effort::of(root).outages.worst;
    let trace = then(FieldCheck::VoltageLeadTrace(0), settled.clone());
    assert_eq!(outages(&trace), 1);
    assert_eq!(outages(&then(FieldCheck::CtLeadTrace(0), trace.clone())), 1);
    let clips = then(FieldCheck::VoltageIdentity(0), settled.clone());
    assert_eq!(outages(&clips), 2);
    assert_eq!(outages(&then(FieldCheck::VoltageLeadTrace(0), clips)), 2);
    assert_eq!(outages(&then(FieldCheck::ClampCurrent(0), settled)), 0);
}

#[test]
fn a_path_that_is_not_settled_says_what_it_would_take() {
    let two = |a: Wiring, b: Wiring, service| [RankedWiring::of(a, 0.5, service), RankedWiring::of(b, 0.5, service)];
    let ends = |wirings: &[RankedWiring], installation: &Installation, done: &[FieldCheck]| match super::plan(
        wirings,
        installation,
        done,
        DEPTH,
    )
    .unwrap()
    .root
    {
        Node::Open { takes, .. } => takes,
        other => panic!("{other:?}"),
    };
    let service = ServiceKind::OpenDelta;
    let turned = |service: ServiceKind| {
        let mut wiring = service.intended();
        wiring.current[0] =
            crate::audit::wiring::CurrentSeen::Conductor { phase: crate::reading::Phase::A, reversed: true };
        wiring
    };
    let medium = Installation { service, nominal_voltage_v: 4160.0, ..PUMP };
    let wirings = two(service.intended(), turned(service), service);
    assert_eq!(ends(&wirings, &medium, &[FieldCheck::CtLeadPolarity(0)]), Takes::HighVoltageCrew);
    let wirings = two(Wiring::INTENDED, turned(ServiceKind::Wye4), ServiceKind::Wye4);
    let undeclared = Installation { voltage_connection: VoltageConnection::Unknown, ..PUMP };
    assert_eq!(ends(&wirings, &undeclared, &[FieldCheck::CtLeadPolarity(0)]), Takes::DeclaredConnection);
    let polarity = FieldCheck::Polarity(0);
    assert_eq!(ends(&wirings, &PUMP, &[polarity]), Takes::SecondPerson(polarity));
    let same = two(Wiring::INTENDED, Wiring::INTENDED, ServiceKind::Wye4);
    assert_eq!(ends(&same, &PUMP, &[]), Takes::MoreReadings);
}
