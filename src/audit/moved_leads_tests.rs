//! Shared leads that are moved while one pump of the monitor stands: what it showed before is of leads that are gone.

use super::assessment::{Assessment, Verdict};
use super::context::ServiceKind;
use super::monitor::MonitorAuditor;
use super::monitor_tests::{context, reading, station};
use super::wiring::Wiring;
use super::words;
use crate::reading::{Measured, MonitorReading};

/// Pump 1 runs all the time; pump 2 stands from 70 s to 150 s, and the leads are put right at 90 s.
fn assessed_at(seconds: &[u64], as_shown: impl Fn(MonitorReading) -> MonitorReading) -> Vec<Vec<Assessment>> {
    let one = "{ at_s = 0.0, load = 1.0 }, { at_s = 30.0, load = 0.6 }, { at_s = 110.0, load = 1.0 }";
    let two = "{ at_s = 0.0, load = 0.9 }, { at_s = 70.0, stop = true }, { at_s = 150.0, load = 0.9 }";
    let right = r#"["A", "B", "C"], ["A", "B", "C"]"#;
    let moved = "[[monitors.rewire]]\nat_s = 90.0\nvoltage = [\"A\", \"B\", \"C\"]\n";
    let station = station("wye-4-wire", 480.0, &[one, two], r#""A", "C", "B""#, right, moved);
    let mut auditor = MonitorAuditor::new(vec![context(ServiceKind::Wye4, 0), context(ServiceKind::Wye4, 1)]);
    let last = seconds.iter().max().copied().unwrap_or(0);
    let played: Vec<_> = (0..=last).map(|s| auditor.observe(&as_shown(reading(&station, s as f64)))).collect();
    seconds.iter().map(|second| played[*second as usize].clone()).collect()
}

fn full(reading: MonitorReading) -> MonitorReading {
    reading
}

fn watts_only(mut reading: MonitorReading) -> MonitorReading {
    for circuit in &mut reading.circuits {
        circuit.reactive_power_var = [Measured::NotMapped; 3];
        circuit.total_reactive_power_var = Measured::NotMapped;
        circuit.power_factor = [Measured::NotMapped; 3];
    }
    reading.voltage_angle_deg = [Measured::NotMapped; 3];
    reading
}

fn totals_only(mut reading: MonitorReading) -> MonitorReading {
    for circuit in &mut reading.circuits {
        circuit.active_power_w = [Measured::NotMapped; 3];
        circuit.reactive_power_var = [Measured::NotMapped; 3];
        circuit.power_factor = [Measured::NotMapped; 3];
    }
    reading.voltage_angle_deg = [Measured::NotMapped; 3];
    reading
}

fn leading(assessment: &Assessment) -> Wiring {
    assessment.diagnosis.groups[0].members[0].wiring
}

#[test]
fn a_pump_that_stands_neither_disputes_a_repair_nor_is_blamed_by_it() {
    for (level, as_shown) in
        [("full", full as fn(MonitorReading) -> MonitorReading), ("watts", watts_only), ("totals", totals_only)]
    {
        let [before, repaired, both] = assessed_at(&[88, 148, 200], as_shown).try_into().unwrap();
        let told = |a: &[Assessment]| a.iter().map(words::headline).collect::<Vec<_>>().join(" | ");
        for assessment in &before {
            assert_eq!(assessment.diagnosis.verdict, Verdict::Fault, "{level} before: {}", told(&before));
            assert!(!assessment.outdated);
        }
        assert_eq!(repaired[0].diagnosis.verdict, Verdict::Sound, "{level} repaired: {}", told(&repaired));
        assert!(!repaired[0].outdated);
        assert!(repaired[1].outdated, "{level}");
        assert!(
            words::headline(&repaired[1])
                .starts_with("no steady run since leads of its monitor were moved; before that: "),
            "{}",
            words::headline(&repaired[1])
        );
        assert!(repaired[1].joint.is_none(), "what is said of all together would be of two wirings");
        assert_eq!(leading(&repaired[1]), leading(&before[1]), "{level}: {}", told(&repaired));
        for assessment in &both {
            assert_eq!(assessment.diagnosis.verdict, Verdict::Sound, "{level} both: {}", told(&both));
            assert!(!assessment.outdated && assessment.joint.is_some(), "{level}");
        }
    }
}
