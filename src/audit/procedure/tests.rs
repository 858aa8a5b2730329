//! Every remedy of every wiring of every service, at every kind of installation: the order holds and nothing is left out.

use std::collections::HashSet;

use super::job::{Access, Ct, Job};
use super::moves::{MoveStep, is_carried_out};
use super::prepare::{Point, Prepare, Source};
use super::restore::Restore;
use super::*;
use crate::audit::context::{LoadBehaviour, ServiceKind};
use crate::audit::hypotheses::classes;
use crate::audit::installation::{CtSecondary, VoltageConnection};
use crate::audit::remedy::remedy;
use crate::audit::wiring::{CurrentSeen, Gain};
use crate::reading::Phase;

const SECONDARIES: [CtSecondary; 5] = [
    CtSecondary::Current { rated_ma: 5000 },
    CtSecondary::Current { rated_ma: 1000 },
    CtSecondary::Voltage { rated_mv: 333 },
    CtSecondary::Rogowski,
    CtSecondary::Unknown,
];
const CONNECTIONS: [VoltageConnection; 3] =
    [VoltageConnection::Direct, VoltageConnection::Transformers, VoltageConnection::Unknown];
const VOLTAGES: [f64; 4] = [480.0, 600.0, 4160.0, f64::NAN];

fn place(installation: Installation) -> Place {
    let neighbor = Neighbor { slot: 1, name: "Pump 2".to_owned() };
    Place { installation, pump: "Pump 1".to_owned(), neighbors: vec![neighbor] }
}

/// Every installation of a service.
fn installations(service: ServiceKind) -> Vec<Installation> {
    let mut all = Vec::new();
    for nominal_voltage_v in VOLTAGES {
        for voltage_connection in CONNECTIONS {
            for (n, ct_secondary) in SECONDARIES.into_iter().enumerate() {
                let load = [LoadBehaviour::InductionMotor, LoadBehaviour::Drive, LoadBehaviour::Unknown][n % 3];
                all.push(Installation { service, nominal_voltage_v, voltage_connection, ct_secondary, load });
            }
        }
    }
    all
}

/// Every wiring that is considered for a service, each once with each set of moves, and those that only a monitor's other
/// circuits or the sizes of its currents bring up.
fn wirings(service: ServiceKind) -> Vec<Wiring> {
    let mut all: Vec<Wiring> =
        classes(service).all.iter().flat_map(|c| &c.members).map(|member| member.wiring).collect();
    for &k in service.channels() {
        for gain in [Gain::Times(1, 2), Gain::Unsteady] {
            let mut odd = service.intended();
            odd.gain[k] = gain;
            all.push(odd);
            if service.three_phase() {
                odd.voltage = [Phase::B, Phase::A, Phase::C];
                all.push(odd);
            }
        }
        for reversed in [false, true] {
            let mut crossed = service.intended();
            crossed.current[k] = CurrentSeen::OtherCircuit { slot: 1, phase: Phase::ALL[k], reversed };
            all.push(crossed);
            crossed.current[k] = CurrentSeen::OtherCircuit { slot: 4, phase: Phase::ALL[k], reversed };
            all.push(crossed);
        }
    }
    all
}

/// Calls for every remedy there is at every installation there is, each distinct set of moves once.
fn every_procedure(mut held: impl FnMut(&Procedure, &[Move])) {
    for service in ServiceKind::ALL {
        let distinct = distinct_remedies(service);
        for installation in installations(service) {
            let place = place(installation);
            for (wiring, moves) in &distinct {
                held(&Procedure::of(wiring, moves, &place), moves);
            }
        }
    }
}

fn distinct_remedies(service: ServiceKind) -> Vec<(Wiring, Vec<Move>)> {
    let mut known = HashSet::new();
    let mut distinct = Vec::new();
    for wiring in wirings(service) {
        if let Some(moves) = remedy(&wiring).filter(|moves| !moves.is_empty())
            && known.insert(moves.clone())
        {
            distinct.push((wiring, moves));
        }
    }
    assert!(distinct.len() > 5, "{service:?}");
    distinct
}

/// The same with the lines, at one installation of each kind that a text can differ by.
fn every_text(mut held: impl FnMut(&Procedure, &[Move], &[Line])) {
    for service in ServiceKind::ALL {
        let distinct = distinct_remedies(service);
        let of_its_kind = |i: &Installation| {
            [480.0, 600.0, 4160.0].contains(&i.nominal_voltage_v)
                && !matches!(i.ct_secondary, CtSecondary::Current { rated_ma: 1000 } | CtSecondary::Unknown)
        };
        for installation in installations(service).into_iter().filter(of_its_kind) {
            let place = place(installation);
            for (wiring, moves) in &distinct {
                let procedure = Procedure::of(wiring, moves, &place);
                held(&procedure, moves, &procedure.lines());
            }
        }
    }
}

fn is_for_the_desk(m: &Move) -> bool {
    matches!(m, Move::CorrectMap(_) | Move::ConfirmRotation | Move::CorrectRatio(..) | Move::CorrectRatios(_))
}

fn position(procedure: &Procedure, wanted: impl Fn(&Step) -> bool) -> Option<usize> {
    procedure.steps.iter().position(wanted)
}

fn at(procedure: &Procedure, wanted: Step) -> usize {
    position(procedure, |s| *s == wanted).unwrap_or_else(|| panic!("no {wanted:?} in {:#?}", procedure.steps))
}

fn moves_of(procedure: &Procedure) -> Vec<MoveStep> {
    procedure.steps.iter().filter_map(|s| if let Step::Move(m) = s { Some(*m) } else { None }).collect()
}

#[test]
fn every_procedure_holds() {
    every_procedure(|procedure, moves| {
        sections_stand_in_their_order_and_no_move_without_the_steps_around_it(procedure);
        at_a_panel_it_keeps_the_order_of_an_electrically_safe_work_condition(procedure);
        shorts_are_for_secondaries_that_may_be_a_current_always_and_each_is_removed_and_counted(procedure);
        every_move_is_carried_out_or_left_to_others_and_what_is_for_the_desk_has_no_panel_step(procedure, moves);
        landing_each_lead_as_told_gives_what_the_forward_model_gives(procedure, moves);
    });
}

#[test]
fn every_text_holds() {
    every_text(|procedure, moves, lines| {
        no_text_of_shorts_or_open_secondaries_where_the_secondary_is_no_current(procedure, lines);
        a_primary_that_is_not_for_the_reader_is_never_touched(procedure, moves, lines);
        no_step_names_a_channel_or_terminal_that_the_service_has_not(procedure, lines);
        no_line_claims_what_only_a_person_can_know(procedure, lines);
    });
}

fn sections_stand_in_their_order_and_no_move_without_the_steps_around_it(procedure: &Procedure) {
    let sections: Vec<Section> = procedure.steps.iter().map(|s| s.section()).collect();
    assert!(sections.is_sorted(), "{sections:?}");
    let has = |section| sections.contains(&section);
    assert_eq!(has(Section::Moves), has(Section::Prepare));
    assert_eq!(has(Section::Moves), has(Section::Restore));
    assert!(!(has(Section::Moves) && has(Section::Deferred)));
    assert!(has(Section::Moves) || has(Section::Desk) || has(Section::Deferred));
}

fn at_a_panel_it_keeps_the_order_of_an_electrically_safe_work_condition(procedure: &Procedure) {
    if !procedure.is_at_panel() {
        return;
    }
    let direct = procedure.job.access == Access::Direct;
    let isolated = if direct { Prepare::Open(Source::Main) } else { Prepare::CrewIsolates };
    let mut order = vec![
        Step::Prepare(Prepare::AgreeOutage),
        Step::Prepare(Prepare::Stop(super::prepare::Pump::This)),
        Step::Prepare(Prepare::Stop(super::prepare::Pump::Neighbor(0))),
        Step::Prepare(Prepare::BlockStarts),
        Step::Prepare(isolated),
        Step::Prepare(Prepare::LockAndTag),
        Step::Prepare(Prepare::TryToStart),
        Step::Prepare(Prepare::ProveTester),
        Step::Prepare(Prepare::VerifyAbsence(Point::VoltageTerminals)),
        Step::Prepare(Prepare::VerifyAbsence(Point::CtTerminals)),
        Step::Prepare(Prepare::ProveTesterAgain),
        Step::Prepare(Prepare::Photograph),
        Step::Prepare(Prepare::Label),
        Step::Prepare(Prepare::Compare),
    ];
    order.extend(procedure.steps.iter().filter(|s| matches!(s, Step::Move(_))));
    order.extend(
        [
            Restore::Torque,
            Restore::CoversOn,
            Restore::LocksOff,
            Restore::Energize,
            Restore::Start,
            Restore::Readings,
            Restore::StopAtOnce,
            Restore::Prove,
            Restore::OtherPumps,
            Restore::ControlsBack,
            Restore::CountLocks,
        ]
        .map(Step::Restore),
    );
    let places: Vec<usize> = order.iter().map(|step| at(procedure, *step)).collect();
    assert!(places.is_sorted(), "{places:?} {:#?}", procedure.steps);
    // Absence of voltage is verified before anything is touched, the label and the short included.
    let verified = at(procedure, Step::Prepare(Prepare::ProveTesterAgain));
    let touched = position(procedure, |s| {
        matches!(s, Step::Prepare(Prepare::Label | Prepare::Short(_)) | Step::Move(_) | Step::Restore(_))
    });
    assert!(touched.is_some_and(|first| first > verified));
}

fn shorts_are_for_secondaries_that_may_be_a_current_always_and_each_is_removed_and_counted(procedure: &Procedure) {
    let job = &procedure.job;
    let shorts: Vec<Ct> = procedure
        .steps
        .iter()
        .filter_map(|s| if let Step::Prepare(Prepare::Short(ct)) = s { Some(*ct) } else { None })
        .collect();
    let removed: Vec<Ct> = procedure
        .steps
        .iter()
        .filter_map(|s| if let Step::Restore(Restore::RemoveShort(ct)) = s { Some(*ct) } else { None })
        .collect();
    let cts = if procedure.is_at_panel() { job.cts() } else { Vec::new() };
    let current = job.place.installation.ct_secondary.may_be_current();
    assert_eq!(shorts, if current { cts } else { Vec::new() });
    assert_eq!(shorts, removed);
    if current {
        for ct in &shorts {
            let short = at(procedure, Step::Prepare(Prepare::Short(*ct)));
            let removal = at(procedure, Step::Restore(Restore::RemoveShort(*ct)));
            assert!(short > at(procedure, Step::Prepare(Prepare::VerifyAbsence(Point::CtTerminals))));
            assert!(removal > at(procedure, Step::Restore(Restore::Torque)));
            assert!(removal < at(procedure, Step::Restore(Restore::CoversOn)));
        }
        if !shorts.is_empty() {
            at(procedure, Step::Restore(Restore::CountShorts(shorts.len())));
        }
        // What is opened reads closed both ways before its short is removed.
        for ct in job.opened().into_iter().filter(|ct| shorts.contains(ct)) {
            let monitor = at(procedure, Step::Restore(Restore::OhmsTowardMonitor(ct)));
            let winding = at(procedure, Step::Restore(Restore::OhmsTowardCt(ct)));
            let removal = at(procedure, Step::Restore(Restore::RemoveShort(ct)));
            assert!(monitor < winding && winding < removal);
        }
    }
}

fn no_text_of_shorts_or_open_secondaries_where_the_secondary_is_no_current(procedure: &Procedure, lines: &[Line]) {
    let current = procedure.job.place.installation.ct_secondary.may_be_current();
    let hazard = lines.iter().any(|l| l.section == Section::Hazard);
    assert_eq!(hazard, current && procedure.job.restored().next().is_some());
    for line in lines.iter().filter(|_| !current) {
        let text = line.text.to_lowercase();
        for word in
            ["short the secondary", "remove the short", "may be open", "demagnetize", "link left in", "shorting"]
        {
            assert!(!text.contains(word), "{word}: {text}");
        }
    }
}

fn every_move_is_carried_out_or_left_to_others_and_what_is_for_the_desk_has_no_panel_step(
    procedure: &Procedure,
    moves: &[Move],
) {
    let steps = moves_of(procedure);
    if moves.iter().all(is_for_the_desk) {
        assert!(!procedure.is_at_panel() && !procedure.is_deferred());
        at(procedure, Step::Desk(Desk::Prove));
    } else if !procedure.is_deferred() {
        for step in moves {
            assert!(is_carried_out(*step, &steps, &procedure.job), "{step:?} of {moves:?}: {steps:?}");
        }
    }
}

fn a_primary_that_is_not_for_the_reader_is_never_touched(procedure: &Procedure, moves: &[Move], lines: &[Line]) {
    let installation = procedure.job.place.installation;
    if installation.direct_low_voltage() {
        assert!(!procedure.is_deferred());
        return;
    }
    let at_the_primary =
        moves.iter().any(|m| matches!(m, Move::Relocate(..) | Move::RestoreCurrent(_) | Move::Tighten(_)));
    assert_eq!(procedure.is_deferred(), at_the_primary);
    for line in lines {
        assert!(!installation.is_high_voltage() || !line.text.contains("CAT I"), "{}", line.text);
        for word in ["unlatch", "turn the CT of", "Solid core", "Split core", "at the conductor", "station main"] {
            assert!(!line.text.contains(word), "{word}: {}", line.text);
        }
    }
    let steps = moves_of(procedure);
    if steps.iter().any(|s| matches!(s, MoveStep::LiftVoltage(_))) {
        assert_eq!(steps[0], MoveStep::VtSecondary);
    }
    if installation.is_high_voltage() && (procedure.is_at_panel() || procedure.is_deferred()) {
        assert!(lines.iter().any(|l| l.text.contains("Above 1,000 V: work for the high-voltage crew")), "{lines:?}");
    }
}

fn no_step_names_a_channel_or_terminal_that_the_service_has_not(procedure: &Procedure, lines: &[Line]) {
    let service = procedure.job.place.installation.service;
    for line in lines {
        let voltage = matches!(line.step, "lift-voltage-wire" | "land-voltage-wire");
        for k in &line.channels {
            let has = if voltage { *k < service.voltage_channels() } else { service.channels().contains(k) };
            assert!(has, "{service:?} {line:?}");
        }
        for k in (0..3).filter(|k| !service.channels().contains(k)) {
            for name in [format!("CT {} ", k + 1), format!("CT {}:", k + 1), format!("hannel {}", k + 1)] {
                assert!(!line.text.contains(&name), "{service:?} {name}: {}", line.text);
            }
        }
        for k in service.voltage_channels()..3 {
            assert!(!line.text.contains(&format!("V{} ", k + 1)), "{service:?}: {}", line.text);
        }
        assert!(!service.between_lines() || !line.text.contains("volts on 1, 2"), "{service:?}: {}", line.text);
        if !service.has_neutral() {
            assert!(!line.text.contains("neutral"), "{service:?}: {}", line.text);
        }
        if service.channels().len() == 1 {
            assert!(!line.text.contains("ommon return") && !line.text.contains("Own pairs"), "{}", line.text);
        }
    }
}

/// Replays the moves step by step, lead by lead, and compares with what the forward model says of the same moves.
fn landing_each_lead_as_told_gives_what_the_forward_model_gives(procedure: &Procedure, moves: &[Move]) {
    let steps = moves_of(procedure);
    if steps.is_empty() {
        return;
    }
    let (mut wires, mut leads) = ([0, 1, 2], [0, 1, 2]);
    for step in &steps {
        match *step {
            MoveStep::LandVoltage { wire, terminal } => wires[terminal] = wire,
            MoveStep::LandCt { from, to, .. } => leads[to] = from,
            _ => {}
        }
    }
    let (mut swapped_wires, mut swapped_leads) = ([0, 1, 2], [0, 1, 2]);
    for step in moves {
        match *step {
            Move::SwapVoltageLeads(i, j) => swapped_wires.swap(i, j),
            Move::SwapCtLeads(i, j) => swapped_leads.swap(i, j),
            _ => {}
        }
    }
    assert_eq!((wires, leads), (swapped_wires, swapped_leads), "{moves:?}");
}

fn no_line_claims_what_only_a_person_can_know(procedure: &Procedure, lines: &[Line]) {
    for line in lines {
        if !procedure.is_at_panel() && line.section == Section::Desk {
            for word in ["Lock", "Verify", "lift", "Lift", "cover"] {
                assert!(!line.text.contains(word), "{word}: {}", line.text);
            }
        }
        assert!(!line.text.is_empty() && !line.text.contains("  ") && !line.text.contains("NaN"), "{}", line.text);
        for word in ["is safe", "is dead", "is isolated", "repaired", "harmless", "sound"] {
            assert!(!line.text.contains(word), "{word}: {}", line.text);
        }
    }
}

fn text(wiring: &Wiring, installation: Installation) -> String {
    let procedure = Procedure::of(wiring, &remedy(wiring).unwrap(), &place(installation));
    let mut out = String::new();
    let mut section = None;
    for line in procedure.lines() {
        if section.replace(line.section) != Some(line.section) {
            out += &format!("{}\n", line.section.title());
        }
        out += &format!("  {}: {}\n", line.step, line.text);
    }
    out
}

fn pump(nominal_voltage_v: f64, ct_secondary: CtSecondary) -> Installation {
    Installation {
        service: ServiceKind::Wye4,
        nominal_voltage_v,
        voltage_connection: VoltageConnection::Direct,
        ct_secondary,
        load: LoadBehaviour::InductionMotor,
    }
}

#[test]
fn a_reversed_ct_at_480_v() {
    let mut reversed = Wiring::INTENDED;
    reversed.current[1] = CurrentSeen::Conductor { phase: Phase::B, reversed: true };
    insta::assert_snapshot!(text(&reversed, pump(480.0, CtSecondary::Current { rated_ma: 5000 })));
}

#[test]
fn a_ct_that_may_be_open_starts_with_the_hazard_and_one_with_a_voltage_output_does_not() {
    let mut open = Wiring::INTENDED;
    open.current[1] = CurrentSeen::Nothing;
    insta::assert_snapshot!(text(&open, pump(480.0, CtSecondary::Current { rated_ma: 5000 })));
    let voltage_output = text(&open, pump(480.0, CtSecondary::Voltage { rated_mv: 333 }));
    assert!(!voltage_output.contains("Hazard") && !voltage_output.contains("SCADA, not"), "{voltage_output}");
    insta::assert_snapshot!("a_ct_of_333_mv_that_reads_zero", voltage_output);
}

#[test]
fn voltage_leads_behind_transformers_and_a_ct_to_relocate_there() {
    let service = ServiceKind::OpenDelta;
    let installation = Installation { service, ..pump(4160.0, CtSecondary::Current { rated_ma: 5000 }) };
    let rotated = Wiring { voltage: [Phase::B, Phase::C, Phase::A], ..service.intended() };
    insta::assert_snapshot!(text(&rotated, installation));
    let mut misplaced = service.intended();
    misplaced.current[2] = CurrentSeen::AllBut { phase: Phase::C, reversed: false };
    insta::assert_snapshot!("a_ct_to_relocate_at_4160_v", text(&misplaced, installation));
}

#[test]
fn a_ct_of_another_pump_and_one_around_two_conductors() {
    let mut both = Wiring::INTENDED;
    both.current[0] = CurrentSeen::AllBut { phase: Phase::A, reversed: true };
    both.current[2] = CurrentSeen::OtherCircuit { slot: 1, phase: Phase::C, reversed: false };
    insta::assert_snapshot!(text(&both, pump(600.0, CtSecondary::Unknown)));
}

#[test]
fn what_is_for_the_desk() {
    let map = Wiring {
        registers: crate::audit::wiring::Registers::ActiveSign,
        gain: [Gain::Times(2, 1); 3],
        ..Wiring::INTENDED
    };
    insta::assert_snapshot!(text(&map, pump(480.0, CtSecondary::Unknown)));
}

#[test]
fn a_step_of_every_job_has_its_own_place() {
    let job = Job::of(
        &Wiring::INTENDED,
        &[Move::SwapCtLeads(0, 1), Move::SwapCtLeads(1, 2)],
        &place(pump(480.0, CtSecondary::Unknown)),
    );
    // What is on channel 1 goes to 3, what is on 2 to 1, what is on 3 to 2.
    assert_eq!(job.leads_to, [2, 0, 1]);
}
