//! Pump figures against published examples, and every reason for which there are none.

use num_complex::Complex64;

use super::*;
use crate::audit::assessment::CorrectedPower;
use crate::audit::testbench::{LoadState, Offer, audit, context_for};
use crate::audit::wiring::Wiring;
use crate::electrical::hydraulic::MILLION_GALLONS_M3;

/// A sound circuit whose corrected power is `total_w`.
fn assessment(total_w: f64) -> Assessment {
    let context = context_for(Offer::Full);
    let mut assessment = audit(&context, &Wiring::INTENDED, Offer::Full, &[LoadState::motor(&context, 0.8)]);
    assert_eq!((assessment.run_state, assessment.diagnosis.verdict), (RunState::Running, Verdict::Sound));
    assessment.corrected = Some(CorrectedPower {
        per_phase_va: [Complex64::ZERO; 3],
        total_w,
        total_var: 0.0,
        power_factor: 0.86,
        uncertainty_w: 0.01 * total_w,
    });
    assessment
}

fn water(flow_m3_per_s: f64, head_m: f64) -> WaterReading {
    WaterReading {
        flow_m3_per_s: Measured::Good(flow_m3_per_s),
        head_m: Measured::Good(head_m),
        ..WaterReading::default()
    }
}

/// Published exercise: 3425 m3/h from 8 m with 40 % wasted takes 124.3 kW, 0.0363 kWh/m3.
#[test]
fn a_published_exercise() {
    let figures = figures(&water(3425.0 / 3600.0, 8.0), Some(&assessment(124.3e3))).unwrap();
    assert!((figures.wire_to_water.unwrap() - 0.60).abs() < 2e-3);
    assert!((figures.specific_energy_wh_per_m3.unwrap() - 36.3).abs() < 0.1);
    assert!((figures.power_uncertainty_share.unwrap() - 0.01).abs() < 1e-12);
}

/// At 100 % efficiency a foot of head costs 3.14 kWh per million US gallons (Sowby & Krieger, derivation of the pump
/// energy-intensity equation, abstract).
#[test]
fn the_least_energy_a_foot_of_head_can_cost() {
    let head_m = 100.0 * 0.3048;
    let power_w = hydraulic::water_power_w(0.1, head_m);
    let figures = figures(&water(0.1, head_m), Some(&assessment(power_w))).unwrap();
    let per_million = figures.specific_energy_wh_per_m3.unwrap() * MILLION_GALLONS_M3 / 1000.0;
    assert!((per_million / 314.0 - 1.0).abs() < 2e-3, "{per_million}");
    assert!((figures.wire_to_water.unwrap() - 1.0).abs() < 1e-9);
}

#[test]
fn head_is_made_of_two_pressures_when_it_has_no_register() {
    let pressures = WaterReading {
        flow_m3_per_s: Measured::Good(0.1),
        suction_pressure_pa: Measured::Good(20_000.0),
        discharge_pressure_pa: Measured::Good(314_199.5),
        ..WaterReading::default()
    };
    let head_m = figures(&pressures, Some(&assessment(50e3))).unwrap().head_m.good().unwrap();
    assert!((head_m - 30.0).abs() < 1e-3, "{head_m}");
    let broken = WaterReading { suction_pressure_pa: Measured::Failed, ..pressures };
    let broken = figures(&broken, Some(&assessment(50e3))).unwrap();
    assert_eq!(broken.wire_to_water, Err(NoFigure::HeadUnreadable));
    assert!(broken.specific_energy_wh_per_m3.is_ok(), "specific energy needs no head");
    let one = WaterReading { suction_pressure_pa: Measured::NotMapped, ..pressures };
    assert_eq!(figures(&one, Some(&assessment(50e3))).unwrap().wire_to_water, Err(NoFigure::HeadNotMapped));
}

#[test]
fn every_doubt_of_the_power_withholds_both_figures() {
    type Spoil = fn(&mut Assessment);
    let doubts: [(Spoil, NoFigure); 5] = [
        (|a| a.diagnosis.verdict = Verdict::Undecided, NoFigure::PowerInDoubt),
        (|a| a.diagnosis.verdict = Verdict::NoEvidence, NoFigure::PowerInDoubt),
        (|a| a.corrected = None, NoFigure::NotCorrected),
        (|a| a.run_state = RunState::Stopped, NoFigure::NotRunning),
        (|a| a.run_state = RunState::Starting, NoFigure::NotRunning),
    ];
    for (spoil, reason) in doubts {
        let mut assessment = assessment(50e3);
        spoil(&mut assessment);
        let figures = figures(&water(0.1, 30.0), Some(&assessment)).unwrap();
        assert_eq!(figures.specific_energy_wh_per_m3, Err(reason));
        assert_eq!(figures.wire_to_water, Err(reason));
        assert_eq!(figures.power_uncertainty_share, None);
    }
}

#[test]
fn every_doubt_of_the_water_side_is_named() {
    let good = water(0.1, 30.0);
    let sound = assessment(50e3);
    assert_eq!(figures(&good, None).unwrap().wire_to_water, Err(NoFigure::NotLive));
    let efficiency = |water: WaterReading| figures(&water, Some(&sound)).unwrap().wire_to_water;
    assert_eq!(figures(&WaterReading::default(), Some(&sound)), None);
    let flow = |flow_m3_per_s| WaterReading { flow_m3_per_s, ..good };
    assert_eq!(efficiency(flow(Measured::NotMapped)), Err(NoFigure::FlowNotMapped));
    assert_eq!(efficiency(flow(Measured::Stale(0.1))), Err(NoFigure::FlowUnreadable));
    assert_eq!(efficiency(flow(Measured::Good(0.0))), Err(NoFigure::NoFlow));
    let head = |head_m| WaterReading { head_m, ..good };
    assert_eq!(efficiency(head(Measured::NotMapped)), Err(NoFigure::HeadNotMapped));
    assert_eq!(efficiency(head(Measured::Failed)), Err(NoFigure::HeadUnreadable));
    assert_eq!(efficiency(head(Measured::Good(-1.0))), Err(NoFigure::NoHead));
    assert_eq!(efficiency(head(Measured::Good(60.0))), Err(NoFigure::Impossible), "118 % of the power in the wires");
}
