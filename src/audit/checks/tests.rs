//! Every check four ways: right on a sound circuit, wrong when spoiled, idle while stopped, not checkable when unmapped.

use super::{Found, MOST};
use crate::audit::assessment::{Assessment, Check, Outcome};
use crate::audit::auditor::CircuitAuditor;
use crate::audit::detail::Detail;
use crate::audit::persistence::Memories;
use crate::audit::testbench::{LoadState, Offer, context_for};
use crate::audit::wiring::Wiring;
use crate::reading::Measured::{self, Good, NotAvailable, NotMapped};
use crate::reading::{Instant2, MonitorReading, RunStatus};

const LAST_MS: u64 = 7_000;

/// A full reading of a sound motor at 90 % load, everything mapped, passed through `change` before it is audited.
fn audited(per_unit: f64, change: impl Fn(&mut MonitorReading)) -> Assessment {
    let context = context_for(Offer::Full);
    let state = if per_unit > 0.0 { LoadState::motor(&context, per_unit) } else { LoadState::with(&context, 0.0, 0.0) };
    let mut auditor = CircuitAuditor::new(context);
    let mut last = None;
    for at_ms in (0..=LAST_MS).step_by(1000) {
        let mut reading = state.seen(&Wiring::INTENDED, Offer::Full, at_ms);
        let circuit = &mut reading.circuits[0];
        circuit.run_status = if per_unit > 0.0 { RunStatus::Running } else { RunStatus::Stopped };
        let factor = |p: Measured, s: Measured| match (p, s) {
            (Good(p), Good(s)) if s > 0.0 => Good(p / s),
            _ => Good(1.0),
        };
        circuit.power_factor = [0, 1, 2].map(|k| factor(circuit.active_power_w[k], circuit.apparent_power_va[k]));
        circuit.total_power_factor = factor(circuit.total_active_power_w, circuit.total_apparent_power_va);
        circuit.total_reactive_power_var = Good(circuit.reactive_power_var.iter().filter_map(|q| q.good()).sum());
        // Live, whatever the change sets fixed.
        reading.frequency_hz = Good(60.0 + 1e-6 * at_ms as f64);
        change(&mut reading);
        last = Some(auditor.observe(&reading));
    }
    last.unwrap()
}

fn outcomes(assessment: &Assessment, check: Check) -> Vec<Outcome> {
    let found: Vec<Outcome> =
        assessment.findings.iter().filter(|f| f.check == check).map(|f| f.outcome.clone()).collect();
    assert!(!found.is_empty(), "{check:?} said nothing");
    found
}

fn fails(check: Check, change: impl Fn(&mut MonitorReading)) {
    let found = outcomes(&audited(0.9, change), check);
    assert!(found.contains(&Outcome::Failed), "{check:?} did not fail: {found:?}");
}

fn not_checkable(check: Check, change: impl Fn(&mut MonitorReading)) {
    let found = outcomes(&audited(0.9, change), check);
    assert!(found.iter().all(|o| matches!(o, Outcome::NotCheckable(_))), "{check:?}: {found:?}");
}

const ALL: [Check; 17] = [
    Check::ActivePowerSign,
    Check::TotalPowerSign,
    Check::VoltageRotation,
    Check::VoltageCurrentAssociation,
    Check::PowerFactorConsistency,
    Check::PowerBlankWhileRunning,
    Check::PowerFactorPlausible,
    Check::VoltageMissing,
    Check::CurrentMissing,
    Check::CurrentBalance,
    Check::CurrentWhileStopped,
    Check::ApparentPowerConsistency,
    Check::PowerTriangle,
    Check::SumOfChannels,
    Check::PlausibleValues,
    Check::ClockSound,
    Check::ValuesMoving,
];

#[test]
fn every_check_passes_on_a_sound_running_pump() {
    for load in [0.3, 0.6, 1.0] {
        let assessment = audited(load, |_| {});
        for check in ALL {
            for outcome in outcomes(&assessment, check) {
                assert_eq!(outcome, Outcome::Passed, "{check:?} at load {load}: {:#?}", assessment.findings);
            }
        }
    }
}

#[test]
fn load_dependent_checks_are_idle_on_a_stopped_pump_and_the_others_pass() {
    let assessment = audited(0.0, |_| {});
    for check in ALL {
        let always = matches!(
            check,
            Check::VoltageRotation
                | Check::VoltageMissing
                | Check::CurrentWhileStopped
                | Check::PlausibleValues
                | Check::ClockSound
        );
        for outcome in outcomes(&assessment, check) {
            match outcome {
                Outcome::Passed => assert!(always, "{check:?} judged a stopped pump"),
                Outcome::Idle(_) | Outcome::NotCheckable(_) => assert!(!always, "{check:?} is silent: {outcome:?}"),
                other => panic!("{check:?} on a stopped pump: {other:?}"),
            }
        }
    }
}

#[test]
fn each_check_fails_on_what_it_is_for() {
    fails(Check::ActivePowerSign, |r| r.circuits[0].active_power_w[1] = Good(-15_000.0));
    fails(Check::TotalPowerSign, |r| r.circuits[0].total_active_power_w = Good(-40_000.0));
    fails(Check::VoltageRotation, |r| r.voltage_angle_deg = [Good(0.0), Good(120.0), Good(-120.0)]);
    fails(Check::VoltageRotation, |r| r.voltage_angle_deg = [Good(0.0), Good(60.0), Good(120.0)]);
    fails(Check::VoltageCurrentAssociation, |r| {
        r.circuits[0].active_power_w[0] = Good(-15_000.0);
        r.circuits[0].reactive_power_var[0] = Good(10_000.0);
    });
    fails(Check::PowerFactorConsistency, |r| r.circuits[0].total_power_factor = Good(0.42));
    fails(Check::PowerFactorConsistency, |r| r.circuits[0].power_factor[2] = Good(0.3));
    fails(Check::PowerBlankWhileRunning, |r| r.circuits[0].total_active_power_w = NotAvailable);
    // Given at first, blank later.
    fails(Check::PowerBlankWhileRunning, |r| {
        if r.at.mono.0 > 2000 {
            r.circuits[0].power_factor[0] = NotAvailable;
        }
    });
    fails(Check::PowerFactorPlausible, |r| {
        r.circuits[0].active_power_w[1] = Good(3_000.0);
        r.circuits[0].reactive_power_var[1] = Good(18_000.0);
    });
    fails(Check::PowerFactorPlausible, |r| {
        for k in 0..3 {
            r.circuits[0].reactive_power_var[k] = Good(-9_000.0);
        }
    });
    fails(Check::VoltageMissing, |r| r.voltage_ln_v[2] = Good(3.0));
    fails(Check::VoltageMissing, |r| {
        r.voltage_ln_v = [NotMapped; 3];
        r.voltage_ll_v = [Good(480.0), Good(277.0), Good(277.0)];
    });
    fails(Check::CurrentMissing, |r| r.circuits[0].current_a[0] = Good(0.2));
    // A CT of twice the ratio entered shows half the current.
    fails(Check::CurrentBalance, |r| r.circuits[0].current_a[1] = Good(0.5 * 0.9 * 77.0));
    fails(Check::CurrentWhileStopped, |r| r.circuits[0].run_status = RunStatus::Stopped);
    fails(Check::ApparentPowerConsistency, |r| r.circuits[0].apparent_power_va[1] = Good(9_000.0));
    fails(Check::PowerTriangle, |r| r.circuits[0].reactive_power_var[1] = Good(30_000.0));
    fails(Check::SumOfChannels, |r| r.circuits[0].total_active_power_w = Good(20_000.0));
    fails(Check::SumOfChannels, |r| r.circuits[0].total_reactive_power_var = Good(90_000.0));
    fails(Check::PlausibleValues, |r| r.voltage_ln_v[0] = Measured::OutOfRange(-5.0));
    fails(Check::PlausibleValues, |r| r.frequency_hz = Measured::Stale(60.0));
    fails(Check::ClockSound, |r| {
        if r.at.mono.0 == LAST_MS {
            r.at.wall.0 += 90_000;
        }
    });
}

#[test]
fn frozen_values_are_told_and_one_that_moves_clears_them() {
    let context = context_for(Offer::Full);
    let state = LoadState::motor(&context, 0.9);
    let mut auditor = CircuitAuditor::new(context);
    let mut audit = |at_ms: u64, nudge: f64| {
        let mut reading = state.seen(&Wiring::INTENDED, Offer::Full, at_ms);
        reading.voltage_ln_v = [Good(277.0 + nudge), Good(277.0), Good(277.0)];
        outcomes(&auditor.observe(&reading), Check::ValuesMoving)
    };
    for second in 0..10 {
        assert_eq!(audit(1000 * second, 0.1 + 0.01 * second as f64), [Outcome::Passed]);
    }
    for second in 10..49 {
        assert_eq!(audit(1000 * second, 0.0), [Outcome::Passed]);
    }
    assert_eq!(audit(49_000, 0.0), [Outcome::Failed]);
    assert_eq!(audit(50_000, 0.1), [Outcome::Passed]);
}

/// Nothing is known yet of the pace of a device that has never changed: it is neither live nor frozen for five minutes.
#[test]
fn a_device_that_never_moved_is_waited_for_before_it_is_frozen() {
    let context = context_for(Offer::Full);
    let still = LoadState::motor(&context, 0.9).seen(&Wiring::INTENDED, Offer::Full, 0);
    let mut auditor = CircuitAuditor::new(context);
    for second in 0..400_u64 {
        let mut reading = still.clone();
        reading.at.mono.0 += 1000 * second;
        reading.at.wall.0 += 1000 * second as i64;
        let expected = match second {
            0..2 => Outcome::Passed,
            2..300 => Outcome::Pending,
            _ => Outcome::Failed,
        };
        let assessment = auditor.observe(&reading);
        assert_eq!(outcomes(&assessment, Check::ValuesMoving), [expected], "{second}");
        let detail = || assessment.findings.iter().find(|f| f.check == Check::ValuesMoving).unwrap().detail.to_string();
        match second {
            60 => assert_eq!(
                detail(),
                "the last 61 readings are identical, for 60 s; how often this device's values change is not known yet"
            ),
            300 => assert_eq!(
                detail(),
                "the last 301 readings are identical, for 5 min: not one value has changed while the pump runs"
            ),
            _ => {}
        }
    }
}

/// SunSpec makes everything but total power optional; what was never given is not blank. Nor is the PF of a dead channel.
#[test]
fn what_was_never_given_is_not_blank() {
    let optional = audited(0.9, |r| r.circuits[0].power_factor = [NotAvailable; 3]);
    assert_eq!(outcomes(&optional, Check::PowerBlankWhileRunning), [Outcome::Passed]);
    let dead = audited(0.9, |r| {
        if r.at.mono.0 > 2000 {
            r.circuits[0].current_a[1] = Good(0.0);
            r.circuits[0].power_factor[1] = NotAvailable;
        }
    });
    assert_eq!(outcomes(&dead, Check::PowerBlankWhileRunning), [Outcome::Passed]);
}

#[test]
fn status_running_without_current_is_told_too() {
    let assessment = audited(0.0, |r| r.circuits[0].run_status = RunStatus::Running);
    assert_eq!(outcomes(&assessment, Check::CurrentWhileStopped), [Outcome::Failed]);
}

#[test]
fn what_is_not_mapped_or_not_read_is_not_checkable() {
    let without_power = |r: &mut MonitorReading| {
        let circuit = &mut r.circuits[0];
        circuit.active_power_w = [NotMapped; 3];
        circuit.reactive_power_var = [NotMapped; 3];
        circuit.apparent_power_va = [NotMapped; 3];
        circuit.power_factor = [NotMapped; 3];
        circuit.total_active_power_w = NotMapped;
        circuit.total_reactive_power_var = NotMapped;
        circuit.total_power_factor = NotMapped;
    };
    for check in [
        Check::ActivePowerSign,
        Check::TotalPowerSign,
        Check::VoltageCurrentAssociation,
        Check::PowerFactorConsistency,
        Check::PowerBlankWhileRunning,
        Check::PowerFactorPlausible,
        Check::ApparentPowerConsistency,
        Check::PowerTriangle,
        Check::SumOfChannels,
    ] {
        not_checkable(check, without_power);
    }
    not_checkable(Check::VoltageRotation, |r| r.voltage_angle_deg = [NotMapped; 3]);
    not_checkable(Check::CurrentWhileStopped, |r| r.circuits[0].run_status = RunStatus::NotMapped);
    not_checkable(Check::CurrentWhileStopped, |r| r.circuits[0].run_status = RunStatus::Failed);
    not_checkable(Check::VoltageMissing, |r| r.voltage_ln_v = [Measured::Failed; 3]);
    not_checkable(Check::CurrentMissing, |r| r.circuits[0].current_a = [Measured::Failed; 3]);
    not_checkable(Check::CurrentBalance, |r| r.circuits[0].current_a[2] = Measured::Failed);
    not_checkable(Check::PlausibleValues, |r| {
        r.voltage_ln_v[0] = Measured::Failed;
        r.failures = vec!["no answer in time".to_owned()];
    });
    let first = audited(0.9, |_| {});
    assert!(first.findings.iter().all(|f| !matches!(f.outcome, Outcome::Idle(_))));
}

#[test]
fn a_stop_neither_clears_nor_confirms() {
    let mut memories = Memories::default();
    let mut found =
        Found { memories: &mut memories, at: Instant2::default(), repeats: false, findings: Vec::with_capacity(MOST) };
    let check = Check::CurrentMissing;
    for _ in 0..3 {
        found.judged(check, Some(0), false, Detail::None);
    }
    found.idle(check, Some(0), "the pump is stopped");
    found.judged(check, Some(0), true, Detail::None);
    let outcomes: Vec<Outcome> = found.findings.into_iter().map(|f| f.outcome).collect();
    let stopped = Outcome::Idle("the pump is stopped");
    assert_eq!(outcomes, [Outcome::Pending, Outcome::Pending, Outcome::Failed, stopped, Outcome::Failed]);
}

#[test]
fn details_name_numbers_with_units() {
    let assessment = audited(0.9, |r| r.circuits[0].current_a[0] = Good(0.2));
    let finding =
        assessment.findings.iter().find(|f| f.check == Check::CurrentMissing && f.channel == Some(0)).unwrap();
    assert_eq!(finding.detail.to_string(), "channel 1 reads 0.20 A; the largest channel reads 69.30 A");
}
