//! An audit that is kept, read back and gone on with says what one without the interruption says: over the simulator's
//! services and faults, cut at several places.

use super::absence::Absence;
use super::assessment::Assessment;
use super::context::{CircuitContext, ServiceKind};
use super::monitor::MonitorAuditor;
use super::monitor_tests::{ABC, LOADS, SERVICES, context, reading, station};
use super::proof;
use super::testbench::{LoadState, Offer, context_for};
use super::wiring::Wiring;
use crate::reading::{Instant2, MonitorReading, MonoMs, UnixMs};

fn image(auditor: &MonitorAuditor) -> Vec<u8> {
    let mut bytes = Vec::new();
    ciborium::into_writer(auditor, &mut bytes).unwrap();
    bytes
}

fn restored(bytes: &[u8], absence: &Absence) -> MonitorAuditor {
    let mut auditor: MonitorAuditor = ciborium::from_reader(bytes).unwrap();
    auditor.resume(absence);
    auditor
}

/// All but the figures beside the reasons: those are of the latest means, worked out again.
fn without_reasons(mut assessment: Assessment) -> Assessment {
    assessment.diagnosis.why = [].into();
    assessment
}

/// A process that starts anew after a gap of the length of one reading, with a clock from zero.
fn by_a_new_clock(reading: &MonitorReading, start: Instant2) -> MonitorReading {
    let at = Instant2 { mono: MonoMs(reading.at.mono.0 - start.mono.0), ..reading.at };
    MonitorReading { at, ..reading.clone() }
}

/// Audits readings without interruption, and again cut after each number of `cuts`; returns the last assessments.
fn same_when_cut(
    case: &str,
    contexts: &[CircuitContext],
    readings: &[MonitorReading],
    cuts: &[usize],
) -> Vec<Assessment> {
    let mut auditor = MonitorAuditor::new(contexts.to_vec());
    let whole: Vec<Vec<Assessment>> = readings.iter().map(|reading| auditor.observe(reading)).collect();
    for &cut in cuts {
        let mut auditor = MonitorAuditor::new(contexts.to_vec());
        for reading in &readings[..cut] {
            auditor.observe(reading);
        }
        let bytes = image(&auditor);
        let last = readings[cut - 1].at;
        let mut same_clock = restored(&bytes, &Absence::new(last, last));
        let start = Instant2 { wall: last.wall, mono: last.mono };
        let mut new_clock = restored(&bytes, &Absence::new(last, Instant2 { wall: last.wall, mono: MonoMs(0) }));
        for (n, reading) in readings.iter().enumerate().skip(cut) {
            let expected = &whole[n];
            for (found, expected) in same_clock.observe(reading).into_iter().zip(expected) {
                assert_eq!(without_reasons(found), without_reasons(expected.clone()), "{case}, cut {cut}, reading {n}");
            }
            let found = new_clock.observe(&by_a_new_clock(reading, start));
            for (found, expected) in found.iter().zip(expected) {
                let (found, expected) = (&found.diagnosis, &expected.diagnosis);
                let place = format!("{case}, a new clock, cut {cut}, reading {n}");
                assert_eq!((found.verdict, found.epoch), (expected.verdict, expected.epoch), "{place}");
                assert_eq!(found.since.map(|at| at.wall), expected.since.map(|at| at.wall), "{place}");
                assert_eq!(found.groups.len(), expected.groups.len(), "{place}");
                for (found, expected) in found.groups.iter().zip(expected.groups.iter()) {
                    assert_eq!(found.members[0].wiring, expected.members[0].wiring, "{place}");
                    assert!((found.probability - expected.probability).abs() < 1e-9, "{place}");
                }
            }
        }
    }
    whole.into_iter().next_back().unwrap()
}

fn seconds(station: &wattassay_simulators::Station, range: std::ops::Range<u64>) -> Vec<MonitorReading> {
    range.map(|second| reading(station, second as f64)).collect()
}

#[test]
fn every_service_sound_and_with_a_reversed_ct() {
    for (name, service, line_v, voltage, currents) in SERVICES {
        for currents in [currents.to_owned(), currents.replacen("\"A\"", "\"-A\"", 1)] {
            let station = station(name, line_v, &[LOADS], voltage, &currents, "");
            let readings = seconds(&station, 8..100);
            same_when_cut(&format!("{name} {currents}"), &[context(service, 0)], &readings, &[1, 3, 34, 60]);
        }
    }
}

#[test]
fn rarer_faults_and_a_reversed_voltage_transformer() {
    for currents in [r#"["A*0.5", "-B", "C"]"#, r#"["A", "B", "C~0.9"]"#, r#"["A", "open", "C"]"#] {
        let station = station("wye-4-wire", 480.0, &[LOADS], ABC, currents, "");
        same_when_cut(currents, &[context(ServiceKind::Wye4, 0)], &seconds(&station, 8..100), &[2, 50]);
    }
    let station = station("open-delta", 480.0, &[LOADS], r#""-A", "B", "C""#, r#"["A", "none", "C"]"#, "");
    same_when_cut("transformer", &[context(ServiceKind::OpenDelta, 0)], &seconds(&station, 8..60), &[2, 40]);
}

#[test]
fn a_crossed_pair_before_and_after_it_is_found() {
    let one = "{ at_s = 0.0, load = 0.9 }, { at_s = 60.0, stop = true }, { at_s = 120.0, load = 0.9 }, { at_s = 240.0, stop = true }";
    let two = "{ at_s = 60.0, load = 0.8 }, { at_s = 120.0, stop = true }, { at_s = 180.0, load = 0.8 }";
    let crossed =
        station("wye-4-wire", 480.0, &[one, two], ABC, r#"["A", "Pump 2:B", "C"], ["A", "Pump 1:B", "C"]"#, "");
    let contexts = [context(ServiceKind::Wye4, 0), context(ServiceKind::Wye4, 1)];
    let last = same_when_cut("crossed", &contexts, &seconds(&crossed, 1..260), &[30, 61, 100, 130, 200]);
    assert!(super::words::headline(&last[0]).contains("CT 2 is on another pump"));
}

#[test]
fn a_proof_that_runs() {
    let extra = "[[monitors.rewire]]\nat_s = 60.0\ncurrents = [[\"A\", \"B\", \"C\"]]\n";
    let run = "{ at_s = 0.0, load = 0.9 }";
    let station = station("wye-4-wire", 480.0, &[run], ABC, r#"["A", "-B", "C"]"#, extra);
    // Cut before the repair, among the first readings that contradict, and while the proof waits.
    let cuts = [40, 53, 54, 55, 56, 60];
    let last = same_when_cut("proof", &[context(ServiceKind::Wye4, 0)], &seconds(&station, 8..90), &cuts);
    assert_eq!(last[0].proof.unwrap().outcome(), proof::Outcome::Repaired);
}

#[test]
fn circuits_that_share_exchanged_voltage_leads() {
    let (one, two) = ("{ at_s = 0.0, load = 0.9 }", "{ at_s = 0.0, load = 0.6 }");
    let currents = r#"["A", "B", "C"], ["A", "-B", "C"]"#;
    let station = station("wye-4-wire", 480.0, &[one, two], r#""A", "C", "B""#, currents, "");
    let contexts = [context(ServiceKind::Wye4, 0), context(ServiceKind::Wye4, 1)];
    let last = same_when_cut("shared", &contexts, &seconds(&station, 8..40), &[5, 20]);
    assert!(last[0].joint.as_ref().unwrap().best[0].probability > 0.9);
}

/// An image must not grow with the time audited.
#[test]
fn an_image_is_small_and_stays_so() {
    let station = station("wye-4-wire", 480.0, &[LOADS], ABC, r#"["A", "-B", "C"]"#, "");
    let mut auditor = MonitorAuditor::new(vec![context(ServiceKind::Wye4, 0)]);
    let mut largest = 0;
    for reading in seconds(&station, 8..115).iter().cycle().take(1000) {
        auditor.observe(reading);
        largest = largest.max(image(&auditor).len());
    }
    assert!(largest < 16_384, "{largest} bytes");
}

#[test]
fn a_clock_that_went_back_loses_spans_and_nothing_else() {
    let station = station("wye-4-wire", 480.0, &[LOADS], ABC, r#"["A", "-B", "C"]"#, "");
    let readings = seconds(&station, 8..60);
    let mut auditor = MonitorAuditor::new(vec![context(ServiceKind::Wye4, 0)]);
    let before = readings[..50].iter().map(|reading| auditor.observe(reading)).last().unwrap().remove(0);
    let kept = readings[49].at;
    let back = Instant2 { wall: UnixMs(kept.wall.0 - 3_600_000), mono: MonoMs(1000) };
    let mut auditor = restored(&image(&auditor), &Absence::new(kept, back));
    let after = auditor.observe(&MonitorReading { at: back, ..readings[50].clone() }).remove(0);
    assert_eq!(after.diagnosis.verdict, before.diagnosis.verdict);
    assert_eq!(after.diagnosis.since.map(|at| at.wall), before.diagnosis.since.map(|at| at.wall));
    let clock = after.findings.iter().find(|f| f.check == super::assessment::Check::ClockSound).unwrap();
    assert_ne!(clock.outcome, super::assessment::Outcome::Failed);
}

/// What is summed over load levels is of those there are: the seventh one takes the place of the least seen.
#[test]
fn a_load_level_that_made_room_for_another_is_no_witness_any_more() {
    let context = context_for(Offer::Totals);
    let loads = (0..7).map(|n| LoadState::motor(&context, 0.3 * 1.2f64.powi(n)));
    let seen = |(n, load): (u64, LoadState)| {
        (4 * n..4 * n + 4).map(move |second| load.seen(&Wiring::INTENDED, Offer::Totals, 1000 * second))
    };
    let readings: Vec<MonitorReading> = (0..).zip(loads).flat_map(seen).collect();
    let last = same_when_cut("seven levels", &[context], &readings, &[26, 27]);
    assert_eq!(last[0].diagnosis.load_levels, 6);
}
