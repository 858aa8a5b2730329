//! Energies of a pump metered wrong, against the power its load really takes.

use super::*;
use crate::audit::auditor::CircuitAuditor;
use crate::audit::testbench::{LoadState, Offer, context_for};
use crate::audit::wiring::{CurrentSeen, Wiring};
use crate::reading::{MonitorReading, Phase, UnixMs};

const STEP_MS: u64 = 10_000;

/// CT 2 is the wrong way round.
fn reversed() -> Wiring {
    let sees = |phase, reversed| CurrentSeen::Conductor { phase, reversed };
    Wiring { current: [sees(Phase::A, false), sees(Phase::B, true), sees(Phase::C, false)], ..Wiring::INTENDED }
}

fn load() -> LoadState {
    LoadState::motor(&context_for(Offer::Full), 0.8)
}

/// The account and last verdict after readings of the load as `wiring` and `spoil` show it.
fn account(
    readings: u64,
    wiring: &Wiring,
    mut spoil: impl FnMut(u64, &mut MonitorReading),
) -> (EnergyAccount, Verdict) {
    let mut auditor = CircuitAuditor::new(context_for(Offer::Full));
    let mut account = EnergyAccount::new(60_000);
    let mut verdict = Verdict::NoEvidence;
    for n in 0..readings {
        let mut reading = load().seen(wiring, Offer::Full, n * STEP_MS);
        spoil(n, &mut reading);
        let assessment = auditor.observe(&reading);
        account.observe(reading.at, &reading.circuits[0], &assessment);
        verdict = assessment.diagnosis.verdict;
    }
    (account, verdict)
}

#[test]
fn a_reversed_ct_registers_a_third_and_the_rest_is_told() {
    let (account, verdict) = account(361, &reversed(), |_, _| {});
    let report = account.report();
    let period = report.since_start;
    assert_eq!((verdict, period.withheld(verdict)), (Verdict::Fault, None));
    let hours = period.sums.covered_ms as f64 / MS_PER_HOUR;
    let true_wh = load().true_power().re * hours;
    assert!(hours > 0.98, "{hours} h");
    assert!((period.sums.true_wh / true_wh - 1.0).abs() < 0.01, "{} of {true_wh}", period.sums.true_wh);
    assert!((period.sums.registered_wh / true_wh - 1.0 / 3.0).abs() < 0.01, "{}", period.sums.registered_wh);
    let (lowest, highest) = period.sums.difference_bounds_wh();
    let really = period.sums.registered_wh - true_wh;
    assert!(lowest <= really && really <= highest, "{really} outside {lowest} to {highest}");
    assert!(highest < 0.0, "a bound that includes nothing at all would say nothing");
}

#[test]
fn a_change_of_wiring_begins_a_new_period_and_keeps_the_old_sum() {
    let (mut account, _) = account(100, &reversed(), |_, _| {});
    let before = account.report();
    assert_eq!(before.since_start, before.since_change);
    let at = Instant2 { wall: UnixMs(1_000_000), mono: MonoMs(100 * STEP_MS) };
    account.restart(at);
    let after = account.report();
    assert_eq!(after.since_start, before.since_start);
    assert_eq!(after.since_change, Period { from: Some(at), registered: true, ..Period::default() });
    assert_eq!(after.since_change.withheld(Verdict::Sound), Some(Withheld::NotCorrected));
}

#[test]
fn what_the_diagnosis_does_not_carry_is_withheld_with_its_reason() {
    let sums = Misregistration { covered_ms: 80, left_out_ms: 20, ..Misregistration::default() };
    let period = Period { from: Some(Instant2::default()), sums, registered: true };
    assert_eq!(period.withheld(Verdict::Fault), None);
    assert_eq!(period.withheld(Verdict::Sound), None);
    assert_eq!(period.withheld(Verdict::Undecided), Some(Withheld::Undecided));
    assert_eq!(period.withheld(Verdict::NoEvidence), Some(Withheld::NoEvidence));
    let mut more_left_out = period;
    more_left_out.sums.left_out_ms = 21;
    assert_eq!(more_left_out.withheld(Verdict::Fault), Some(Withheld::LeftOut));
    let unregistered = Period { registered: false, ..period };
    assert_eq!(unregistered.withheld(Verdict::Fault), Some(Withheld::NotRegistered));
}

#[test]
fn a_monitor_without_power_registers_nothing_to_compare() {
    let (account, verdict) = account(20, &reversed(), |_, reading| {
        reading.circuits[0].total_active_power_w = Measured::NotMapped;
        reading.circuits[0].active_power_w = [Measured::NotMapped; 3];
    });
    let period = account.report().since_start;
    assert_eq!(period.sums, Misregistration::default());
    assert_eq!(period.withheld(verdict), Some(Withheld::NotRegistered));
}

#[test]
fn the_monitors_register_stands_beside_the_integral_of_its_power() {
    let watts = load().seen(&reversed(), Offer::Full, 0).circuits[0].total_active_power_w.good().unwrap();
    let step_wh = watts * STEP_MS as f64 / MS_PER_HOUR;
    // The register starts anew at reading 50; a lost poll at reading 70 is bridged by both sides alike.
    let (account, _) = account(101, &reversed(), |n, reading| {
        let circuit = &mut reading.circuits[0];
        let counted = if n < 50 { n } else { n - 50 };
        circuit.energy_import_wh = Measured::Good(5.0e6 * f64::from(u8::from(n < 50)) + counted as f64 * step_wh);
        circuit.energy_export_wh = Measured::Good(7.0);
        if n == 70 {
            circuit.energy_import_wh = Measured::Failed;
        }
    });
    let advance = account.report().register.unwrap();
    assert_eq!(advance.backward_steps, 1);
    assert_eq!(advance.covered_ms, 99 * STEP_MS);
    assert!((advance.import_wh - 99.0 * step_wh).abs() < 1e-3, "{advance:?}");
    assert!((advance.integral_import_wh - advance.import_wh).abs() < 1e-3, "{advance:?}");
    assert_eq!((advance.export_wh, advance.integral_export_wh), (Some(0.0), 0.0));
}

#[test]
fn no_register_no_comparison() {
    let (account, _) = account(5, &reversed(), |_, reading| {
        reading.circuits[0].energy_import_wh = Measured::NotMapped;
    });
    assert_eq!(account.report().register, None);
}

/// Two hours audited, half of them running, 20 kWh too little: 10 kWh an hour on average and 20 while running. Over 24
/// hours that is 240 kWh, between nothing and 480 kWh and its uncertainty.
#[test]
fn a_date_carries_the_audited_rate_back_within_what_the_pump_can_have_run() {
    let sums = Misregistration {
        registered_wh: 10_000.0,
        true_wh: 30_000.0,
        uncertainty_wh: 300.0,
        covered_ms: 7_200_000,
        running_ms: 3_600_000,
        left_out_ms: 0,
    };
    let period = Period { from: Some(Instant2::default()), sums, registered: true };
    let day_ms = 86_400_000;
    let estimate = since_fault(&period, Verdict::Fault, day_ms).unwrap();
    assert!((estimate.estimate_wh + 240_000.0).abs() < 1e-6, "{estimate:?}");
    assert!((estimate.lowest_wh + 24.0 * 20_600.0).abs() < 1e-6, "{estimate:?}");
    assert_eq!(estimate.highest_wh, 0.0);

    assert_eq!(since_fault(&period, Verdict::Sound, day_ms), Err(NoEstimate::Sound));
    assert_eq!(since_fault(&period, Verdict::Fault, -1), Err(NoEstimate::NotYet));
    assert_eq!(since_fault(&period, Verdict::Undecided, day_ms), Err(NoEstimate::Withheld(Withheld::Undecided)));
    let short = Period { sums: Misregistration { covered_ms: LEAST_FOR_ESTIMATE_MS - 1, ..sums }, ..period };
    assert_eq!(since_fault(&short, Verdict::Fault, day_ms), Err(NoEstimate::TooShort));
    let idle = Period { sums: Misregistration { running_ms: 0, ..sums }, ..period };
    assert_eq!(since_fault(&idle, Verdict::Fault, day_ms), Err(NoEstimate::TooShort));
}
