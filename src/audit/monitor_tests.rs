//! The audit of whole monitors against the time-domain simulator: every service, pumps that are crossed, registers that mean
//! something else, repairs, starts.

use wattassay_simulators::{Station, StationFile};

use super::assessment::{Assessment, ReasonKind, Verdict};
use super::bars;
use super::context::{CircuitContext, LoadBehaviour, PowerFactorMeaning, ServiceKind};
use super::monitor::MonitorAuditor;
use super::proof;
use super::wiring::{CurrentSeen, Gain, Registers};
use super::words;
use crate::reading::Measured::{self, Good, NotAvailable};
use crate::reading::{CircuitReading, Instant2, MonitorReading, MonoMs, Phase, UnixMs};

/// A station of up to two pumps on one monitor; `extra` goes below the monitor.
pub(super) fn station(
    service: &str,
    line_v: f64,
    pumps: &[&str],
    voltage: &str,
    currents: &str,
    extra: &str,
) -> Station {
    from_text(&station_text(service, line_v, pumps, voltage, currents, extra))
}

pub(crate) fn from_text(text: &str) -> Station {
    Station::new(&StationFile::from_toml(text).unwrap_or_else(|e| panic!("{e}\n{text}"))).unwrap()
}

fn station_text(service: &str, line_v: f64, pumps: &[&str], voltage: &str, currents: &str, extra: &str) -> String {
    let motor = if service == "single-phase" || service == "split-phase" {
        "rated_power_w = 3730.0\nrated_voltage_v = 230.0\nfull_load_current_a = 28.0\nfull_load_power_factor = 0.85"
    } else if service == "high-leg-delta" {
        "rated_power_w = 22371.0\nrated_voltage_v = 230.0\nfull_load_current_a = 80.0\nfull_load_power_factor = 0.85"
    } else {
        "rated_power_w = 44742.0\nrated_voltage_v = 460.0\nfull_load_current_a = 77.0\nfull_load_power_factor = 0.86"
    };
    let pump = |(n, schedule): (usize, &&str)| {
        format!(
            "[[pumps]]\nname = \"Pump {}\"\nload = \"induction-motor\"\n{motor}\nunbalance = [1.02, 0.97, 1.01]\n\
             schedule = [{schedule}]\n",
            n + 1
        )
    };
    let pumps_text = pumps.iter().enumerate().map(pump).collect::<Vec<_>>().concat();
    let names: Vec<String> = (1..=pumps.len()).map(|n| format!("\"Pump {n}\"")).collect();
    let two_wire = service == "single-phase" || service == "split-phase";
    let pumps_text = if two_wire { pumps_text.replace("unbalance = [1.02, 0.97, 1.01]\n", "") } else { pumps_text };
    format!(
        "name = \"Larkmoor Test\"\nseed = 5\n[source]\nservice = \"{service}\"\nline_voltage_v = {line_v}\nnoise = 0.001\n\
         {pumps_text}[[monitors]]\nname = \"PM-1\"\nlisten = \"127.0.0.1:0\"\nmap = \"generic-full\"\ncircuits = [{}]\n\
         voltage = [{voltage}]\ncurrents = [{currents}]\naccuracy = 0.5\n{extra}",
        names.join(", ")
    )
}

pub(crate) fn context(service: ServiceKind, slot: usize) -> CircuitContext {
    let (nominal, full_load, pf) = match service {
        ServiceKind::SplitPhase => (240.0, 28.0, 0.85),
        ServiceKind::SinglePhase => (230.0, 28.0, 0.85),
        ServiceKind::HighLegDelta => (240.0, 80.0, 0.85),
        _ => (480.0, 77.0, 0.86),
    };
    CircuitContext {
        service,
        slot,
        load: LoadBehaviour::InductionMotor,
        full_load_current_a: Some(full_load),
        full_load_power_factor: Some(pf),
        ct_primary_a: Some(200.0),
        power_factor: PowerFactorMeaning { signed_by_power: true },
        ..CircuitContext::unknown(nominal)
    }
}

/// What the registers of generic-full say at a station time, in full.
pub(super) fn reading(station: &Station, t_s: f64) -> MonitorReading {
    reading_of(station, 0, t_s)
}

/// The same of one of several monitors.
pub(crate) fn reading_of(station: &Station, monitor: usize, t_s: f64) -> MonitorReading {
    let sample = station.meter(monitor, t_s).unwrap();
    let value = |v: f64| if v.is_finite() { Good(v) } else { NotAvailable };
    let values = |v: [f64; 3]| v.map(value);
    let circuits = sample
        .circuits
        .iter()
        .map(|c| CircuitReading {
            current_a: values(c.current_a),
            active_power_w: values(c.active_power_w),
            reactive_power_var: values(c.reactive_power_var),
            total_active_power_w: value(c.total_active_power_w),
            total_reactive_power_var: value(c.total_reactive_power_var),
            ..CircuitReading::default()
        })
        .collect();
    let ms = (1000.0 * t_s) as u64;
    MonitorReading {
        at: Instant2 { wall: UnixMs(1_700_000_000_000 + ms as i64), mono: MonoMs(ms) },
        voltage_ln_v: values(sample.voltage_ln_v),
        voltage_ll_v: values(sample.voltage_ll_v),
        voltage_angle_deg: values(sample.voltage_angle_deg),
        circuits,
        ..MonitorReading::default()
    }
}

fn played(station: &Station, contexts: Vec<CircuitContext>, seconds: std::ops::Range<u64>) -> Vec<Assessment> {
    played_as(station, contexts, seconds, |reading| reading)
}

pub(super) fn played_as(
    station: &Station,
    contexts: Vec<CircuitContext>,
    seconds: std::ops::Range<u64>,
    as_shown: impl Fn(MonitorReading) -> MonitorReading,
) -> Vec<Assessment> {
    let mut auditor = MonitorAuditor::new(contexts);
    let mut last = Vec::new();
    for second in seconds {
        last = auditor.observe(&as_shown(reading(station, second as f64)));
    }
    last
}

/// Loads from full to light, so that the lag moves.
pub(super) const LOADS: &str = "{ at_s = 0.0, load = 1.0 }, { at_s = 40.0, load = 0.7 }, { at_s = 80.0, load = 0.45 }";
pub(crate) const ABC: &str = r#""A", "B", "C""#;
pub(super) const SERVICES: [(&str, ServiceKind, f64, &str, &str); 7] = [
    ("wye-4-wire", ServiceKind::Wye4, 480.0, ABC, r#"["A", "B", "C"]"#),
    ("delta-3-wire", ServiceKind::Delta3, 480.0, ABC, r#"["A", "B", "C"]"#),
    ("two-element", ServiceKind::TwoElement, 480.0, ABC, r#"["A", "none", "C"]"#),
    ("open-delta", ServiceKind::OpenDelta, 480.0, ABC, r#"["A", "none", "C"]"#),
    ("high-leg-delta", ServiceKind::HighLegDelta, 240.0, ABC, r#"["A", "B", "C"]"#),
    ("split-phase", ServiceKind::SplitPhase, 240.0, r#""A", "B", "none""#, r#"["A", "B", "none"]"#),
    ("single-phase", ServiceKind::SinglePhase, 230.0, r#""A", "none", "none""#, r#"["A", "none", "none"]"#),
];

/// What a monitor with sound leads shows at the same place.
fn truth_w(station: &Station, t_s: f64) -> f64 {
    station.meter(0, t_s).unwrap().circuits[0].total_active_power_w
}

#[test]
fn every_service_wired_as_intended_is_sound() {
    for (name, service, line_v, voltage, currents) in SERVICES {
        let station = station(name, line_v, &[LOADS], voltage, currents, "");
        let assessment = &played(&station, vec![context(service, 0)], 8..115)[0];
        assert_eq!(assessment.diagnosis.verdict, Verdict::Sound, "{name}: {}", words::headline(assessment));
        let corrected = assessment.corrected.unwrap();
        let truth = truth_w(&station, 114.0);
        assert!((corrected.total_w - truth).abs() < 0.02 * truth, "{name}: {} for {truth}", corrected.total_w);
    }
}

#[test]
fn a_reversed_ct_is_named_in_every_service_and_its_power_restored() {
    for (name, service, line_v, voltage, currents) in SERVICES {
        let sound = station(name, line_v, &[LOADS], voltage, currents, "");
        let wrong = station(name, line_v, &[LOADS], voltage, &currents.replacen("\"A\"", "\"-A\"", 1), "");
        let assessment = &played(&wrong, vec![context(service, 0)], 8..115)[0];
        let headline = words::headline(assessment);
        assert_eq!(assessment.diagnosis.verdict, Verdict::Fault, "{name}: {headline}");
        let leader = assessment.diagnosis.groups[0].members[0].wiring;
        assert_eq!(
            leader.current[0],
            CurrentSeen::Conductor { phase: Phase::A, reversed: true },
            "{name}: {headline} {:#?}",
            assessment.diagnosis.groups
        );
        let truth = truth_w(&sound, 114.0);
        let corrected = assessment.corrected.unwrap();
        assert!((corrected.total_w - truth).abs() < 0.03 * truth, "{name}: {} for {truth}", corrected.total_w);
    }
}

/// Written where the last ones are, assessments are the same.
#[test]
fn assessments_in_place_of_others_are_as_new_ones() {
    let starts = "{ at_s = 0.0, load = 0.0 }, { at_s = 20.0, load = 1.0 }";
    let station = station("wye-4-wire", 480.0, &[LOADS, starts], ABC, r#"["B", "A", "C"], ["A", "-B", "C"]"#, "");
    let contexts = || [0, 1].map(|slot| context(ServiceKind::Wye4, slot)).to_vec();
    let (mut one, mut other) = (MonitorAuditor::new(contexts()), MonitorAuditor::new(contexts()));
    let mut in_place = Vec::new();
    for second in 8..60 {
        let reading = reading(&station, f64::from(second));
        other.observe_into(&reading, &mut in_place);
        assert_eq!(one.observe(&reading), in_place, "second {second}");
    }
}

/// The fault classes beyond order and polarity, each named from three load levels.
#[test]
fn rarer_faults_are_named() {
    let wiring = |currents: &str| {
        let station = station("wye-4-wire", 480.0, &[LOADS], ABC, currents, "");
        played(&station, vec![context(ServiceKind::Wye4, 0)], 8..115).remove(0)
    };
    for (currents, words_wanted) in [
        (r#"["A", "B+C", "C"]"#, "around two conductors"),
        (r#"["A", "A", "C"]"#, "CT 2 is on phase A, together with another CT"),
        (r#"["A*0.5", "B", "C"]"#, "CT 1 reads half of its current"),
        (r#"["A", "B*2", "C"]"#, "CT 2 reads twice"),
        (r#"["A", "B", "C~0.9"]"#, "CT 3 reads an unsteady current"),
        (r#"["A", "open", "open"]"#, "CT 2 reads zero"),
        (r#"["A*0.5", "-B", "C"]"#, "CT 2 has reversed polarity; CT 1 reads half"),
    ] {
        let assessment = wiring(currents);
        let headline = words::headline(&assessment);
        assert_eq!(assessment.diagnosis.verdict, Verdict::Fault, "{currents}: {headline}");
        // The one line names a wiring from the bar on; the leader is named among those that are possible below it as well.
        let leader = assessment.diagnosis.groups[0].members[0];
        assert!(words::describe_wiring(&leader.wiring).contains(words_wanted), "{currents}: {headline}");
        assert_eq!(headline.contains(words_wanted), leader.probability >= bars::ONE_WIRING, "{currents}: {headline}");
    }
    let all_halved = wiring(r#"["A*0.5", "B*0.5", "C*0.5"]"#);
    let leader = all_halved.diagnosis.groups[0].members[0].wiring;
    assert_eq!(leader.gain, [Gain::Times(1, 2); 3], "{}", words::headline(&all_halved));
}

#[test]
fn registers_that_mean_something_else_are_found_and_no_lead_is_blamed() {
    let station = station("wye-4-wire", 480.0, &[LOADS], ABC, r#"["A", "B", "C"]"#, "");
    for meaning in Registers::ALL.into_iter().skip(1) {
        if matches!(meaning, Registers::FactorLagPositive | Registers::FactorLagNegative) {
            continue;
        }
        let shown = |mut reading: MonitorReading| {
            let circuit = &mut reading.circuits[0];
            for k in 0..3 {
                let (p, q) = (circuit.active_power_w[k].good().unwrap(), circuit.reactive_power_var[k].good().unwrap());
                let (p, q) = meaning.registered(p, q);
                (circuit.active_power_w[k], circuit.reactive_power_var[k]) = (Good(p), Good(q));
            }
            let total = meaning.registered(
                circuit.total_active_power_w.good().unwrap(),
                circuit.total_reactive_power_var.good().unwrap(),
            );
            (circuit.total_active_power_w, circuit.total_reactive_power_var) = (Good(total.0), Good(total.1));
            reading
        };
        let assessment = &played_as(&station, vec![context(ServiceKind::Wye4, 0)], 8..115, shown)[0];
        let members = &assessment.diagnosis.groups[0].members;
        let headline = words::headline(assessment);
        assert!(members.iter().any(|m| m.wiring.registers == meaning), "{meaning:?}: {headline}");
        assert_ne!(assessment.diagnosis.verdict, Verdict::Sound, "{meaning:?}: {headline}");
        let truth = station.meter(0, 114.0).unwrap().circuits[0].total_active_power_w;
        let corrected = assessment.corrected.map_or(0.0, |c| c.total_w);
        assert!((corrected - truth).abs() < 0.03 * truth, "{meaning:?}: {corrected} for {truth}");
    }
}

/// A signed PF whose sign tells lag from lead: power derived from it is wrong in sign, the leads are right.
#[test]
fn a_power_factor_whose_sign_tells_lag_is_found() {
    let station = station("wye-4-wire", 480.0, &[LOADS], ABC, r#"["A", "B", "C"]"#, "");
    let shown = |mut reading: MonitorReading| {
        let circuit = &mut reading.circuits[0];
        for k in 0..3 {
            let (p, q) = (circuit.active_power_w[k].good().unwrap(), circuit.reactive_power_var[k].good().unwrap());
            circuit.power_factor[k] = Good(-(p / p.hypot(q)).abs().copysign(q));
        }
        circuit.active_power_w = [Measured::NotMapped; 3];
        circuit.reactive_power_var = [Measured::NotMapped; 3];
        circuit.total_active_power_w = Measured::NotMapped;
        circuit.total_reactive_power_var = Measured::NotMapped;
        reading
    };
    let assessment = &played_as(&station, vec![context(ServiceKind::Wye4, 0)], 8..115, shown)[0];
    let members = &assessment.diagnosis.groups[0].members;
    assert!(
        members.iter().any(|m| m.wiring.registers == Registers::FactorLagNegative),
        "{}: {members:#?}",
        words::headline(assessment)
    );
}

/// Channel 2 of each pump is on the other one: found once each has run alone, and told as that.
#[test]
fn a_pair_crossed_between_two_pumps_is_found_by_who_runs_when() {
    let one = "{ at_s = 0.0, load = 0.9 }, { at_s = 60.0, stop = true }, { at_s = 120.0, load = 0.9 }, { at_s = 240.0, stop = true }";
    let two = "{ at_s = 60.0, load = 0.8 }, { at_s = 120.0, stop = true }, { at_s = 180.0, load = 0.8 }";
    let currents = r#"["A", "Pump 2:B", "C"], ["A", "Pump 1:B", "C"]"#;
    let crossed = station("wye-4-wire", 480.0, &[one, two], ABC, currents, "");
    let contexts = || vec![context(ServiceKind::Wye4, 0), context(ServiceKind::Wye4, 1)];
    let assessments = played(&crossed, contexts(), 1..300);
    let first = assessments[0].diagnosis.groups[0].members[0].wiring;
    let second = assessments[1].diagnosis.groups[0].members[0].wiring;
    let seen = |slot| CurrentSeen::OtherCircuit { slot, phase: Phase::B, reversed: false };
    assert_eq!(first.current[1], seen(1), "{}", words::headline(&assessments[0]));
    assert_eq!(second.current[1], seen(0), "{}", words::headline(&assessments[1]));
    for assessment in &assessments {
        assert_eq!(assessment.diagnosis.verdict, Verdict::Fault);
        assert!(words::headline(assessment).contains("CT 2 is on another pump"), "{}", words::headline(assessment));
    }
    // The same two pumps wired right are sound, with the same starts and stops.
    let sound = station("wye-4-wire", 480.0, &[one, two], ABC, r#"["A", "B", "C"], ["A", "B", "C"]"#, "");
    for assessment in played(&sound, contexts(), 1..300) {
        assert_eq!(assessment.diagnosis.verdict, Verdict::Sound, "{}", words::headline(&assessment));
        assert_eq!(assessment.diagnosis.epoch, 0);
    }
}

/// With watts only and one load each, two circuits settle an exchange of the shared voltage leads that each alone leaves open.
#[test]
fn circuits_of_one_monitor_tell_each_other_of_the_shared_leads() {
    let (one, two) = ("{ at_s = 0.0, load = 0.9 }", "{ at_s = 0.0, load = 0.6 }");
    let currents = r#"["A", "B", "C"], ["A", "B", "C"]"#;
    let station = station("wye-4-wire", 480.0, &[one, two], r#""A", "C", "B""#, currents, "");
    let watts = |mut reading: MonitorReading| {
        for circuit in &mut reading.circuits {
            circuit.reactive_power_var = [Measured::NotMapped; 3];
            circuit.total_reactive_power_var = Measured::NotMapped;
        }
        reading.voltage_angle_deg = [Measured::NotMapped; 3];
        reading
    };
    let contexts = || vec![context(ServiceKind::Wye4, 0), context(ServiceKind::Wye4, 1)];
    let together = played_as(&station, contexts(), 8..40, watts);
    let alone = played_as(&station, contexts()[..1].to_vec(), 8..40, watts);
    let of_voltage = |assessment: &Assessment| -> f64 {
        let members = assessment.diagnosis.groups.iter().flat_map(|g| &g.members);
        members.filter(|m| m.wiring.voltage == [Phase::A, Phase::C, Phase::B]).map(|m| m.probability).sum()
    };
    let (before, after) = (of_voltage(&alone[0]), of_voltage(&together[0]));
    assert!(after > 0.99 && after > before, "{before} alone, {after} together");
}

/// Open delta with one VT reversed: the third line voltage is sqrt(3) times nominal, and no CT is blamed.
#[test]
fn a_reversed_voltage_transformer_is_told_by_the_voltages() {
    let station = station("open-delta", 480.0, &[LOADS], r#""-A", "B", "C""#, r#"["A", "none", "C"]"#, "");
    let assessment = &played(&station, vec![context(ServiceKind::OpenDelta, 0)], 8..115)[0];
    let headline = words::headline(assessment);
    assert!(headline.contains("voltage transformer") && headline.contains("reversed polarity"), "{headline}");
    assert_eq!(assessment.diagnosis.verdict, Verdict::Fault);
}

#[test]
fn a_repair_is_dated_and_proven() {
    let extra = "[[monitors.rewire]]\nat_s = 60.0\ncurrents = [[\"A\", \"B\", \"C\"]]\n";
    let run = "{ at_s = 0.0, load = 0.9 }";
    let station = station("wye-4-wire", 480.0, &[run], ABC, r#"["A", "-B", "C"]"#, extra);
    let before = &played(&station, vec![context(ServiceKind::Wye4, 0)], 8..55)[0];
    assert_eq!(before.diagnosis.verdict, Verdict::Fault);
    assert!(before.proof.is_none());
    let after = &played(&station, vec![context(ServiceKind::Wye4, 0)], 8..90)[0];
    assert_eq!(after.diagnosis.verdict, Verdict::Sound, "{}", words::headline(after));
    assert_eq!(after.diagnosis.epoch, 1);
    let proof = after.proof.unwrap();
    assert_eq!(proof.outcome(), proof::Outcome::Repaired, "{}", words::proof_words(&proof));
    let changed_s = proof.changed_at.mono.0 as f64 / 1000.0;
    assert!((60.0..=66.0).contains(&changed_s), "{changed_s}");
}

/// What each piece of evidence says is told, and speaks for the wiring found.
#[test]
fn reasons_are_told_in_decibans() {
    let station = station("wye-4-wire", 480.0, &[LOADS], ABC, r#"["A", "-B", "C"]"#, "");
    let assessment = &played(&station, vec![context(ServiceKind::Wye4, 0)], 8..115)[0];
    let why = &assessment.diagnosis.why;
    assert!(why.len() >= 3, "{why:?}");
    assert!(why[0].decibans > 20.0, "{why:?}");
    assert!(why.iter().any(|r| r.decibans < 0.0), "the prior speaks for sound: {why:?}");
}

/// One exchange of the shared leads explains both circuits: the joint ranking says so, with a bound on everything else.
#[test]
fn circuits_are_ranked_together() {
    let (one, two) = ("{ at_s = 0.0, load = 0.9 }", "{ at_s = 0.0, load = 0.6 }");
    let currents = r#"["A", "B", "C"], ["A", "-B", "C"]"#;
    let station = station("wye-4-wire", 480.0, &[one, two], r#""A", "C", "B""#, currents, "");
    let contexts = vec![context(ServiceKind::Wye4, 0), context(ServiceKind::Wye4, 1)];
    let assessments = played(&station, contexts, 8..40);
    let joint = assessments[0].joint.clone().unwrap();
    let wirings: Vec<_> = joint.best[0].wirings.iter().map(|w| w.unwrap()).collect();
    assert!(wirings.iter().all(|w| w.voltage == [Phase::A, Phase::C, Phase::B]), "{joint:#?}");
    assert_eq!(wirings[1].current[1], CurrentSeen::Conductor { phase: Phase::B, reversed: true });
    assert!(joint.best[0].probability > 0.9 && joint.others_at_most < 0.05, "{joint:?}");
    assert!(joint.listed <= 1.0 && joint.listed >= joint.best[0].probability);
}

/// A start is evidence: the locked rotor's lag near 70 degrees, at a load level of its own.
#[test]
fn a_start_speaks_for_the_wiring_found() {
    let run = "{ at_s = 20.0, load = 0.9 }";
    let text = |currents: &str| {
        let text = station_text("wye-4-wire", 480.0, &[run], ABC, currents, "");
        from_text(&text.replace("schedule =", "start_s = 12.0\nschedule ="))
    };
    let reversed = text(r#"["A", "-B", "C"]"#);
    let assessment = &played(&reversed, vec![context(ServiceKind::Wye4, 0)], 1..60)[0];
    let start = assessment.diagnosis.why.iter().find(|r| matches!(r.kind, ReasonKind::Start { .. }));
    assert!(start.is_some_and(|r| r.decibans > 10.0), "{:?}", assessment.diagnosis.why);
    assert_eq!(assessment.diagnosis.verdict, Verdict::Fault);
    let sound = &played(&text(r#"["A", "B", "C"]"#), vec![context(ServiceKind::Wye4, 0)], 1..60)[0];
    assert_eq!(sound.diagnosis.verdict, Verdict::Sound, "{}", words::headline(sound));
    assert_eq!(sound.diagnosis.epoch, 0);
}
