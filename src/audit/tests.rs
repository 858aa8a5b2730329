//! The core as a whole on exact phasors: every wiring, every evidence level, and input that makes no sense.

use super::assessment::{Assessment, Check, EvidenceLevel, Outcome, RunState, Verdict};
use super::auditor::CircuitAuditor;
use super::context::{CircuitContext, LoadBehaviour};
use super::testbench::{LoadState, Offer, audit, context_for, relative_wirings, spoil};
use super::wiring::{CurrentSeen, Registers, Wiring};
use super::words;
use crate::electrical::angle::polar_deg;
use crate::reading::Measured::{self, Good, NotAvailable, OutOfRange};
use crate::reading::{MonoMs, Phase, Rotation, RunStatus, UnixMs};

fn loads(offer: Offer) -> Vec<LoadState> {
    let context = context_for(offer);
    [1.0, 0.7, 0.45].map(|load| LoadState::motor(&context, load)).to_vec()
}

fn top_holds(assessment: &Assessment, wiring: &Wiring) -> bool {
    assessment.diagnosis.groups.first().is_some_and(|g| g.members.iter().any(|m| m.wiring == *wiring))
}

fn failed(assessment: &Assessment, check: Check) -> bool {
    assessment.findings.iter().any(|f| f.check == check && f.outcome == Outcome::Failed)
}

/// One load settles all but a handful, which a wrong sign of kvar with a simpler mistake imitates to within 6 degrees at the
/// load where the lag is near 30; a light load settles those.
#[test]
fn level_a_names_each_of_the_48_wirings_from_three_loads_and_nearly_all_from_one() {
    let mut named_from_one = 0;
    for wiring in relative_wirings() {
        let one = audit(&context_for(Offer::Full), &wiring, Offer::Full, &loads(Offer::Full)[..1]);
        let all = audit(&context_for(Offer::Full), &wiring, Offer::Full, &loads(Offer::Full));
        named_from_one += usize::from(one.diagnosis.groups[0].members[0].wiring == wiring);
        let expected = if wiring == Wiring::INTENDED { Verdict::Sound } else { Verdict::Fault };
        assert_eq!(one.diagnosis.verdict, expected, "{}", words::headline(&one));
        let diagnosis = &all.diagnosis;
        assert_eq!(diagnosis.level, EvidenceLevel::PerChannelPq);
        let group = &diagnosis.groups[0];
        assert_eq!(group.members[0].wiring, wiring, "{}", words::headline(&all));
        assert!(group.probability > 0.95, "{}", words::headline(&all));
        assert_eq!(diagnosis.verdict, expected, "{}", words::headline(&all));
    }
    assert!(named_from_one >= 42, "{named_from_one}");
}

#[test]
fn level_b_holds_each_of_the_48_wirings_in_its_leading_group_from_three_loads() {
    for wiring in relative_wirings() {
        let assessment = audit(&context_for(Offer::Watts), &wiring, Offer::Watts, &loads(Offer::Watts));
        assert_eq!(assessment.diagnosis.level, EvidenceLevel::PerChannelP);
        assert!(top_holds(&assessment, &wiring), "{wiring:?}: {}", words::headline(&assessment));
    }
}

#[test]
fn levels_c_and_d_never_call_a_wrong_wiring_sound_nor_a_sound_one_wrong() {
    for offer in [Offer::Totals, Offer::Blanking] {
        for wiring in relative_wirings() {
            let assessment = audit(&context_for(offer), &wiring, offer, &loads(offer));
            let verdict = assessment.diagnosis.verdict;
            let wrong = if wiring == Wiring::INTENDED { Verdict::Fault } else { Verdict::Sound };
            assert_ne!(verdict, wrong, "{offer:?} {wiring:?}: {}", words::headline(&assessment));
        }
    }
}

/// A monitor set to count the other way blanks sound power: beside CTs that are all reversed it is worth a look, and no panel.
#[test]
fn blank_power_may_be_a_monitor_that_counts_the_other_way() {
    let reversed = relative_wirings()[7];
    let assessment = audit(&context_for(Offer::Blanking), &reversed, Offer::Blanking, &loads(Offer::Blanking));
    let members = || assessment.diagnosis.groups.iter().flat_map(|g| &g.members);
    let of = |wanted: &dyn Fn(&Wiring) -> bool| -> f64 {
        members().filter(|m| wanted(&m.wiring)).map(|m| m.probability).sum()
    };
    let counts_back = of(&|w| *w == Wiring { registers: Registers::BothSigns, ..Wiring::INTENDED });
    let all_reversed = of(&|w| *w == reversed);
    assert!(counts_back > 0.1 * all_reversed && counts_back < all_reversed, "{counts_back} {all_reversed}");
}

/// The case the job is about: amps and kVA show, kW and PF are blank.
#[test]
fn blank_power_is_evidence_and_leaves_a_group_of_wirings() {
    let exchanged = relative_wirings()[8];
    let assessment = audit(&context_for(Offer::Blanking), &exchanged, Offer::Blanking, &loads(Offer::Blanking));
    assert_eq!(assessment.diagnosis.level, EvidenceLevel::BlankedTotals);
    assert_eq!(assessment.diagnosis.verdict, Verdict::Fault);
    assert!(failed(&assessment, Check::PowerBlankWhileRunning));
    assert!(top_holds(&assessment, &exchanged), "{:#?}", assessment.diagnosis);
    assert!(assessment.diagnosis.groups[0].members.len() > 5);
}

/// Theory (design section 3) and the correction both ways round: what a wiring registers, and what it is corrected to.
#[test]
fn corrected_power_is_the_true_power_for_every_wiring_at_levels_a_and_b() {
    for offer in [Offer::Full, Offer::Watts] {
        let context = context_for(offer);
        let states = loads(offer);
        for wiring in relative_wirings() {
            let assessment = audit(&context, &wiring, offer, &states);
            let truth = states[2].true_power();
            let Some(corrected) = assessment.corrected else {
                assert!(offer == Offer::Watts, "{wiring:?} has no correction");
                continue;
            };
            if assessment.diagnosis.groups[0].members[0].wiring == wiring {
                let off = (corrected.total_w - truth.re).abs();
                assert!(off < 0.005 * truth.norm(), "{offer:?} {wiring:?}: {} for {}", corrected.total_w, truth.re);
                assert!((corrected.total_var - truth.im).abs() < 0.02 * truth.norm(), "{offer:?} {wiring:?}");
            }
        }
    }
}

#[test]
fn an_open_ct_is_named_and_its_power_restored() {
    for missing in 0..3 {
        for offer in [Offer::Full, Offer::Watts] {
            let mut wiring = Wiring::INTENDED;
            wiring.current[missing] = CurrentSeen::Nothing;
            let states = loads(offer);
            let assessment = audit(&context_for(offer), &wiring, offer, &states);
            assert_eq!(assessment.diagnosis.groups[0].members[0].wiring, wiring, "{}", words::headline(&assessment));
            assert_eq!(assessment.diagnosis.verdict, Verdict::Fault);
            assert!(failed(&assessment, Check::CurrentMissing));
            let corrected = assessment.corrected.unwrap();
            let truth = states[2].true_power().re;
            assert!((corrected.total_w - truth).abs() < 0.02 * truth, "{} for {truth}", corrected.total_w);
        }
    }
}

/// With conductor B lost the motor draws one current from A to C: metering is right, and no lead is blamed.
#[test]
fn a_lost_supply_phase_is_not_blamed_on_a_lead() {
    let context = context_for(Offer::Full);
    for lost in 0..3 {
        let mut state = LoadState::motor(&context, 0.8);
        let (x, y) = ((lost + 1) % 3, (lost + 2) % 3);
        let line = state.voltage_v[x] - state.voltage_v[y];
        let current = polar_deg(90.0, line.arg().to_degrees() - 40.0);
        state.current_a[lost] = num_complex::Complex64::ZERO;
        state.current_a[x] = current;
        state.current_a[y] = -current;
        let assessment = audit(&context, &Wiring::INTENDED, Offer::Full, &[state]);
        let headline = words::headline(&assessment);
        let label = Phase::from_index(lost).label();
        assert!(headline.contains(&format!("phase {label} of the supply to the pump is lost")), "{headline}");
        let top = assessment.diagnosis.groups[0].members[0].wiring;
        assert_eq!(top.lost_phase, Some(Phase::from_index(lost)), "{}", words::headline(&assessment));
        assert_eq!(assessment.diagnosis.verdict, Verdict::Sound);
        let corrected = assessment.corrected.unwrap();
        assert!((corrected.total_w - state.true_power().re).abs() < 0.01 * state.true_power().norm());
    }
}

#[test]
fn exchanged_voltage_leads_are_told_from_exchanged_cts() {
    let wiring = Wiring { voltage: [Phase::A, Phase::C, Phase::B], ..Wiring::INTENDED };
    let assessment = audit(&context_for(Offer::Full), &wiring, Offer::Full, &loads(Offer::Full)[..1]);
    assert_eq!(assessment.diagnosis.groups[0].members[0].wiring, wiring, "{}", words::headline(&assessment));
    assert!(failed(&assessment, Check::VoltageRotation));
    let truth = loads(Offer::Full)[0].true_power().re;
    assert!((assessment.corrected.unwrap().total_w - truth).abs() < 0.005 * truth);
}

#[test]
fn an_acb_station_wired_for_acb_is_sound_and_its_faults_are_named() {
    for wiring in relative_wirings() {
        let context = super::context::CircuitContext { rotation: Rotation::Acb, ..context_for(Offer::Full) };
        let states = [1.0, 0.7, 0.45].map(|load| LoadState::motor(&context, load));
        let assessment = audit(&context, &wiring, Offer::Full, &states);
        assert_eq!(assessment.diagnosis.groups[0].members[0].wiring, wiring, "{}", words::headline(&assessment));
        let truth = states[2].true_power().re;
        assert!((assessment.corrected.unwrap().total_w - truth).abs() < 0.005 * truth, "{wiring:?}");
    }
}

#[test]
fn a_stopped_pump_keeps_its_diagnosis_and_raises_nothing() {
    let context = context_for(Offer::Full);
    let wiring = relative_wirings()[1];
    let mut auditor = CircuitAuditor::new(context.clone());
    let running = LoadState::motor(&context, 0.9);
    let stopped = LoadState::with(&context, 0.0, 0.0);
    for second in 0..10 {
        auditor.observe(&running.seen(&wiring, Offer::Full, 1000 * second));
    }
    let mut last = None;
    for second in 10..20 {
        last = Some(auditor.observe(&stopped.seen(&wiring, Offer::Full, 1000 * second)));
    }
    let last = last.unwrap();
    assert_eq!(last.run_state, RunState::Stopped);
    assert_eq!(last.diagnosis.verdict, Verdict::Fault);
    assert_eq!(last.corrected, None);
    for finding in &last.findings {
        assert!(!matches!(finding.outcome, Outcome::Failed | Outcome::Pending), "{finding:?}");
    }
}

#[test]
fn a_pump_never_seen_running_gives_no_verdict() {
    let context = context_for(Offer::Full);
    let stopped = LoadState::with(&context, 0.0, 0.0);
    let assessment = audit(&context, &Wiring::INTENDED, Offer::Full, &[stopped]);
    assert_eq!(assessment.diagnosis.verdict, Verdict::NoEvidence);
    assert!(words::headline(&assessment).contains("not been seen running"));
}

#[test]
fn a_repair_is_noticed_and_what_was_known_is_forgotten() {
    let context = context_for(Offer::Full);
    let wrong = relative_wirings()[10];
    let mut auditor = CircuitAuditor::new(context.clone());
    let state = LoadState::motor(&context, 0.9);
    for second in 0..30 {
        auditor.observe(&state.seen(&wrong, Offer::Full, 1000 * second));
    }
    let mut last = None;
    for second in 30..40 {
        last = Some(auditor.observe(&state.seen(&Wiring::INTENDED, Offer::Full, 1000 * second)));
    }
    let diagnosis = last.unwrap().diagnosis;
    assert_eq!(diagnosis.verdict, Verdict::Sound);
    assert!(diagnosis.readings_used < 10);
}

/// Input that makes no sense: a finding each, no panic, and the rest goes on.
#[test]
fn nonsense_gives_findings_and_the_rest_goes_on() {
    let context = context_for(Offer::Full);
    let state = LoadState::motor(&context, 0.9);
    let spoilers: [fn(&mut crate::reading::MonitorReading); 5] = [
        |r| spoil(r, NotAvailable),
        |r| spoil(r, OutOfRange(-1.0)),
        |r| r.circuits[0].current_a[2] = OutOfRange(-12.0),
        |r| r.circuits[0].power_factor[0] = OutOfRange(3.2),
        |r| r.circuits.clear(),
    ];
    for (n, spoiler) in spoilers.iter().enumerate() {
        let mut auditor = CircuitAuditor::new(context.clone());
        let mut last = None;
        for second in 0..6 {
            let mut reading = state.seen(&Wiring::INTENDED, Offer::Full, 1000 * second);
            spoiler(&mut reading);
            last = Some(auditor.observe(&reading));
        }
        let last = last.unwrap();
        let told = failed(&last, Check::PlausibleValues)
            || last.findings.iter().any(|f| matches!(f.outcome, Outcome::NotCheckable(_)));
        assert!(told, "spoiler {n} left no trace: {:#?}", last.findings);
        if n < 4 {
            assert!(failed(&last, Check::PlausibleValues), "spoiler {n}");
            assert_ne!(last.diagnosis.verdict, Verdict::Sound);
            assert!(last.findings.iter().any(|f| f.outcome == Outcome::Passed), "spoiler {n} stopped everything");
        }
    }
    let mut infinite = state.seen(&Wiring::INTENDED, Offer::Full, 0);
    infinite.circuits[0].current_a = [Good(f64::MAX); 3];
    infinite.voltage_ln_v = [Good(f64::NAN); 3];
    CircuitAuditor::new(context).observe(&infinite);
}

#[test]
fn a_clock_that_jumps_is_told() {
    let context = context_for(Offer::Full);
    let state = LoadState::motor(&context, 0.9);
    let mut auditor = CircuitAuditor::new(context.clone());
    auditor.observe(&state.seen(&Wiring::INTENDED, Offer::Full, 1000));
    let mut jumped = state.seen(&Wiring::INTENDED, Offer::Full, 2000);
    jumped.at.wall = UnixMs(jumped.at.wall.0 - 3_600_000);
    let assessment = auditor.observe(&jumped);
    assert!(failed(&assessment, Check::ClockSound));
    assert_eq!(assessment.at.mono, MonoMs(2000));
}

/// Design section 3, from theory: what each kind of mistake registers of the true power, at several power factors.
#[test]
fn closed_forms_of_the_design() {
    fn seen(phase: Phase, reversed: bool) -> CurrentSeen {
        CurrentSeen::Conductor { phase, reversed }
    }
    use Phase::{A, B, C};
    let context = context_for(Offer::Full);
    for lag_deg in [10.0, 31.788, 55.0f64] {
        let state = LoadState::with(&context, 100.0, lag_deg);
        let truth = state.true_power().re;
        let registered = |current: [CurrentSeen; 3]| {
            let wiring = Wiring { current, ..Wiring::INTENDED };
            let reading = state.seen(&wiring, Offer::Full, 0);
            reading.circuits[0].total_active_power_w.good().unwrap() / truth
        };
        let rolled = |sign: f64| (lag_deg + sign * 120.0).to_radians().cos() / lag_deg.to_radians().cos();
        for (current, ratio) in [
            ([seen(A, true), seen(B, false), seen(C, false)], 1.0 / 3.0),
            ([seen(A, true), seen(B, true), seen(C, false)], -1.0 / 3.0),
            ([seen(A, true), seen(B, true), seen(C, true)], -1.0),
            ([seen(A, false), seen(C, false), seen(B, false)], 0.0),
            ([seen(C, false), seen(B, false), seen(A, false)], 0.0),
            ([seen(B, false), seen(C, false), seen(A, false)], rolled(1.0)),
            ([seen(C, false), seen(A, false), seen(B, false)], rolled(-1.0)),
            ([seen(A, true), seen(C, false), seen(B, false)], -2.0 / 3.0),
            ([CurrentSeen::Nothing, seen(B, false), seen(C, false)], 2.0 / 3.0),
        ] {
            assert!((registered(current) - ratio).abs() < 1e-9, "{current:?} at {lag_deg}: {}", registered(current));
        }
        // Leads and CTs moved together: power is right, only the rotation differs.
        let together = Wiring {
            voltage: [A, C, B],
            current: [seen(A, false), seen(C, false), seen(B, false)],
            ..Wiring::INTENDED
        };
        let total = state.seen(&together, Offer::Full, 0).circuits[0].total_active_power_w.good().unwrap();
        assert!((total / truth - 1.0).abs() < 1e-9);
    }
}

/// A CT of twice the ratio entered halves its channel's power and turns no angle.
#[test]
fn a_ct_of_the_wrong_ratio_is_named_and_its_power_restored() {
    for offer in [Offer::Full, Offer::Watts, Offer::Totals, Offer::Blanking] {
        let mut states = loads(offer);
        for state in &mut states {
            state.current_a[1] *= 0.5;
        }
        let assessment = audit(&context_for(offer), &Wiring::INTENDED, offer, &states);
        let headline = words::headline(&assessment);
        assert!(failed(&assessment, Check::CurrentBalance));
        assert_ne!(assessment.diagnosis.verdict, Verdict::Sound, "{offer:?}: {headline}");
        if offer == Offer::Full {
            assert_eq!(assessment.diagnosis.verdict, Verdict::Fault, "{headline}");
            assert!(headline.contains("CT 2 reads half of its current"), "{headline}");
            let corrected = assessment.corrected.unwrap();
            let truth = loads(offer)[2].true_power();
            assert!((corrected.total_w - truth.re).abs() < 0.01 * truth.norm(), "{}", corrected.total_w);
        }
    }
}

/// An idling motor behind a supply that is 3 % low on one phase has currents as uneven as a sound pump gets.
#[test]
fn currents_as_uneven_as_a_sound_pump_gets_are_not_blamed() {
    for offer in [Offer::Full, Offer::Watts] {
        let mut states = loads(offer);
        for state in &mut states {
            state.current_a[0] *= 0.85;
            state.current_a[1] *= 1.15;
        }
        let assessment = audit(&context_for(offer), &Wiring::INTENDED, offer, &states);
        assert_eq!(assessment.diagnosis.verdict, Verdict::Sound, "{offer:?}: {}", words::headline(&assessment));
    }
}

/// The amps an uneven supply drives are the same at every load: what looks bad on an idling motor clears up under load.
#[test]
fn currents_that_are_uneven_only_at_light_load_are_not_blamed() {
    let offer = Offer::Full;
    let mut states = loads(offer);
    states[2].current_a[1] *= 0.5;
    let assessment = audit(&context_for(offer), &Wiring::INTENDED, offer, &states);
    assert!(failed(&assessment, Check::CurrentBalance));
    assert_eq!(assessment.diagnosis.verdict, Verdict::Sound, "{}", words::headline(&assessment));
}

/// A register the device refuses, or a read that fails, is not an open CT.
#[test]
fn a_current_that_could_not_be_read_blames_no_lead() {
    let context = context_for(Offer::Full);
    let state = LoadState::motor(&context, 0.8);
    for quality in [Measured::Failed, Measured::NotMapped] {
        let unread = |n: u64| {
            let mut reading = state.seen(&Wiring::INTENDED, Offer::Full, 1000 * n);
            reading.circuits[0].current_a[1] = quality;
            reading
        };
        let mut auditor = CircuitAuditor::new(context.clone());
        let assessment = (0..8).map(|n| auditor.observe(&unread(n))).last().unwrap();
        assert_eq!(assessment.diagnosis.verdict, Verdict::NoEvidence, "{}", words::headline(&assessment));
        for n in 8..16 {
            auditor.observe(&state.seen(&Wiring::INTENDED, Offer::Full, 1000 * n));
        }
        let assessment = (16..24).map(|n| auditor.observe(&unread(n))).last().unwrap();
        assert_eq!(assessment.diagnosis.verdict, Verdict::Sound, "{}", words::headline(&assessment));
    }
}

/// With a voltage fuse blown the leads may well be right: what is said is the voltage, not "every lead is right".
#[test]
fn a_dead_voltage_channel_is_said_by_its_voltage() {
    for offer in [Offer::Full, Offer::Watts, Offer::Totals] {
        let mut states = loads(offer);
        for state in &mut states {
            state.voltage_v[1] *= 0.001;
        }
        let assessment = audit(&context_for(offer), &Wiring::INTENDED, offer, &states);
        let headline = words::headline(&assessment);
        assert_eq!(assessment.diagnosis.verdict, Verdict::Fault, "{headline}");
        assert!(headline.starts_with("voltage on channel 2 reads"), "{offer:?}: {headline}");
    }
}

/// A motor that idles at a power factor of 0.15 under a load nobody described is odd, not proven wrong.
#[test]
fn an_idling_load_of_unknown_kind_is_not_called_faulty_from_totals() {
    for offer in [Offer::Totals, Offer::Blanking] {
        let context = CircuitContext {
            load: LoadBehaviour::Unknown,
            full_load_current_a: None,
            full_load_power_factor: None,
            ..context_for(offer)
        };
        let states = [(24.0, 81.0), (26.0, 76.0)].map(|(amps, lag)| LoadState::with(&context, amps, lag));
        let assessment = audit(&context, &Wiring::INTENDED, offer, &states);
        assert_ne!(assessment.diagnosis.verdict, Verdict::Fault, "{offer:?}: {}", words::headline(&assessment));
    }
}

/// A drive without reactor at part load: much of its current is harmonics. Meters that take Q as what S has beyond P show
/// that distortion as lag, those that meter the fundamental do not.
#[test]
fn a_sound_drive_full_of_harmonics_is_not_called_faulty() {
    for offer in [Offer::Full, Offer::Watts, Offer::Totals, Offer::Blanking] {
        for nameplate in [true, false] {
            for power_factor in [0.95, 0.85, 0.75, 0.65, 0.58] {
                let mut context = CircuitContext { load: LoadBehaviour::Drive, ..context_for(offer) };
                if !nameplate {
                    context.full_load_current_a = None;
                    context.full_load_power_factor = None;
                }
                let lag_deg = f64::acos(power_factor).to_degrees();
                let state = LoadState::with(&context, 40.0, lag_deg);
                let assessment = audit(&context, &Wiring::INTENDED, offer, &[state]);
                let verdict = assessment.diagnosis.verdict;
                let headline = words::headline(&assessment);
                assert_ne!(verdict, Verdict::Fault, "{offer:?} PF {power_factor} plate {nameplate}: {headline}");
            }
        }
    }
}

/// The CTs of two pumps exchanged as a whole: every angle is right, but it is the other pump's power.
#[test]
fn current_through_a_stopped_pump_is_a_fault_and_not_sound() {
    let context = CircuitContext { run_from_register: true, ..context_for(Offer::Full) };
    let state = LoadState::motor(&context, 0.8);
    let mut auditor = CircuitAuditor::new(context);
    let mut seen = |n: u64, status: RunStatus| {
        let mut reading = state.seen(&Wiring::INTENDED, Offer::Full, 1000 * n);
        reading.circuits[0].run_status = status;
        auditor.observe(&reading)
    };
    let running = (0..8).map(|n| seen(n, RunStatus::Running)).last().unwrap();
    assert_eq!(running.diagnosis.verdict, Verdict::Sound);
    let stopped = (8..16).map(|n| seen(n, RunStatus::Stopped)).last().unwrap();
    assert_eq!(stopped.diagnosis.verdict, Verdict::Fault);
    assert!(words::headline(&stopped).starts_with("status says stopped; the largest current is"));
}

/// A voltage lead of reversed polarity (a VT secondary turned over) is no wiring the diagnosis knows; blaming a CT for it
/// would send a person to the wrong lead.
#[test]
fn a_voltage_lead_turned_over_is_told_and_no_ct_is_blamed() {
    let context = context_for(Offer::Full);
    let mut state = LoadState::motor(&context, 0.9);
    state.voltage_v[1] = -state.voltage_v[1];
    let assessment = audit(&context, &Wiring::INTENDED, Offer::Full, &[state]);
    assert_eq!(assessment.diagnosis.verdict, Verdict::Fault);
    assert!(assessment.diagnosis.groups.is_empty());
    let headline = words::headline(&assessment);
    assert!(headline.contains("no three-phase set"), "{headline}");
    assert!(!headline.contains("CT"), "{headline}");
}

/// With a load of unknown kind a lead of 29 degrees is more likely CTs rolled and turned than a leading pump.
#[test]
fn a_uniform_shift_is_not_called_sound_for_want_of_a_nameplate() {
    let context = super::context::CircuitContext {
        load: super::context::LoadBehaviour::Unknown,
        full_load_current_a: None,
        full_load_power_factor: None,
        ..context_for(Offer::Full)
    };
    let sees = |phase| CurrentSeen::Conductor { phase, reversed: true };
    let wiring = Wiring { current: [sees(Phase::B), sees(Phase::C), sees(Phase::A)], ..Wiring::INTENDED };
    for lag_deg in [26.0, 31.0, 40.0] {
        let state = LoadState::with(&context, 70.0, lag_deg);
        let assessment = audit(&context, &wiring, Offer::Full, &[state]);
        assert_ne!(assessment.diagnosis.verdict, Verdict::Sound, "{lag_deg}: {}", words::headline(&assessment));
    }
}

/// A PF that falls as the load rises is that of kvar over kVA.
#[test]
fn kw_and_kvar_exchanged_are_named_where_only_a_total_of_watts_is_read() {
    let context = context_for(Offer::Blanking);
    let wiring = Wiring { registers: Registers::Exchanged, ..Wiring::INTENDED };
    let states = [0.45, 0.95].map(|per_unit| LoadState::motor(&context, per_unit));
    let diagnosis = audit(&context, &wiring, Offer::Blanking, &states).diagnosis;
    assert_eq!(diagnosis.groups[0].members[0].wiring, wiring, "{diagnosis:?}");
}

/// Where no kvar is read, nothing tells a sign of kW from both signs: both stay.
#[test]
fn a_turned_sign_of_kw_is_a_sign_of_kw_or_both() {
    for offer in [Offer::Watts, Offer::Totals] {
        let context = context_for(offer);
        let wiring = Wiring { registers: Registers::ActiveSign, ..Wiring::INTENDED };
        let states = [0.45, 0.95].map(|per_unit| LoadState::motor(&context, per_unit));
        let diagnosis = audit(&context, &wiring, offer, &states).diagnosis;
        let among = |registers| {
            let mut members = diagnosis.groups[0].members.iter();
            members.any(|m| m.wiring == Wiring { registers, ..Wiring::INTENDED })
        };
        assert!(among(Registers::ActiveSign), "{offer:?}: {diagnosis:?}");
        assert_eq!(among(Registers::BothSigns), offer == Offer::Watts, "{offer:?}");
    }
}
