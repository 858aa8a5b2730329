//! The accuracy bench in short: a few hundred random stations, the engine's cases, some healthy days and panel visits, with
//! bounds wide enough for chance and too narrow for a broken diagnosis.

#[path = "../../benches/accuracy/cases.rs"]
mod cases;
#[path = "../../benches/accuracy/faults.rs"]
mod faults;
#[path = "../../benches/accuracy/generator.rs"]
mod generator;
#[path = "../../benches/accuracy/healthy.rs"]
mod healthy;
#[path = "../../benches/accuracy/loads.rs"]
mod loads;
#[path = "../../benches/accuracy/numbers.rs"]
mod numbers;
#[path = "../../benches/accuracy/optimum.rs"]
mod optimum;
#[path = "../../benches/accuracy/outside.rs"]
mod outside;
#[path = "../../benches/accuracy/panel.rs"]
mod panel;
#[path = "../../benches/accuracy/sample.rs"]
mod sample;
#[path = "../../benches/accuracy/score.rs"]
mod score;
#[path = "../../benches/accuracy/stations.rs"]
mod stations;

const STATIONS: u64 = 240;
const JUDGED: u64 = 36;

/// Least share with the true wiring first and in the leading group, by level, over one to three load states.
const LEAST: [(f64, f64); 4] = [(0.975, 0.985), (0.945, 0.97), (0.92, 0.97), (0.81, 0.94)];
/// The same with every fault class drawn.
const LEAST_OF_ALL: [(f64, f64); 4] = [(0.96, 0.975), (0.935, 0.965), (0.92, 0.97), (0.80, 0.92)];

#[test]
fn random_stations_are_diagnosed_as_well_as_the_bench_says() {
    let results = cases::run(0, STATIONS, JUDGED, &faults::possible(&[]));
    let worst = || results.worst().iter().take(5).map(|miss| miss.words()).collect::<Vec<_>>().join("\n");
    for (level, (first, in_group)) in LEAST.into_iter().enumerate() {
        for (n, tally) in results.core[level].iter().enumerate() {
            let of = format!("level {level}, {} states", cases::STATES[n]);
            assert_eq!(tally.cases, STATIONS as f64);
            assert!(tally.first >= first * tally.cases, "{of}: first {} of {}", tally.first, tally.cases);
            assert!(
                tally.in_group >= in_group * tally.cases,
                "{of}: in group {} of {}\n{}",
                tally.in_group,
                tally.cases,
                worst()
            );
            assert_eq!(tally.accused, 0.0, "{of}: sound stations accused");
            assert!(tally.missed <= 0.01 * tally.cases, "{of}: {} faults called sound", tally.missed);
            assert!(tally.of_sound.error() < 0.03, "{of}: calibration error {}", tally.of_sound.error());
            assert!(tally.of_sound.brier() < 0.03, "{of}: Brier score {}", tally.of_sound.brier());
        }
        let found = |at: &[Option<u32>]| at.iter().flatten().filter(|n| **n <= 6).count() as f64 / at.len() as f64;
        let (start, change) = (found(&results.from_start[level]), found(&results.from_change[level]));
        assert!(start >= 0.6 && change >= 0.6, "level {level}: {start} and {change} found within six readings");
    }
}

#[test]
fn random_stations_of_every_fault_class_are_diagnosed_as_well_as_the_bench_says() {
    use faults::Extra::{Map, Rotation, SameConductor, TwoConductors, TwoOpen};
    let extras = [TwoOpen, TwoConductors, SameConductor, Rotation, Map];
    let results = cases::run(0, STATIONS, 0, &faults::possible(&extras));
    for (level, (first, in_group)) in LEAST_OF_ALL.into_iter().enumerate() {
        for (n, tally) in results.core[level].iter().enumerate() {
            let of = format!("level {level}, {} states", cases::STATES[n]);
            assert!(tally.first >= first * tally.cases, "{of}: first {} of {}", tally.first, tally.cases);
            assert!(tally.in_group >= in_group * tally.cases, "{of}: in group {} of {}", tally.in_group, tally.cases);
            assert_eq!(tally.accused, 0.0, "{of}: sound stations accused");
        }
    }
}

/// The yardstick itself: what the optimum says comes true as often as it says, and nothing beats it by more than chance.
#[test]
fn the_optimum_is_calibrated_and_not_beaten() {
    let results = cases::run(0, JUDGED, JUDGED, &faults::possible(&[]));
    for level in 0..4 {
        for n in 0..3 {
            let (core, best) = (&results.compared[level][n], &results.optimum[level][n]);
            let said: f64 = best.of_lead.bins.iter().map(|b| b.1).sum();
            // Three standard deviations of the count, and one case.
            let chance = 3.0 * (said * (1.0 - said / best.cases)).max(0.0).sqrt() + 1.0;
            assert!((said - best.first).abs() <= chance, "level {level}: said {said}, came true {}", best.first);
            assert!(core.first <= best.first + 3.0, "level {level}: {} against {}", core.first, best.first);
        }
    }
}

#[test]
fn the_circuit_engines_stations_keep_the_truth_in_the_leading_group() {
    let outside = outside::run();
    for (level, least) in [0.99, 0.94, 0.96, 0.77].into_iter().enumerate() {
        let tally = &outside.levels[level];
        assert!(tally.cases >= 200.0);
        assert!(tally.in_group >= least * tally.cases, "level {level}: {} of {}", tally.in_group, tally.cases);
        assert_eq!(tally.single_in_group, tally.single, "level {level}: {:?}", outside.misses);
        assert_eq!((tally.accused, tally.missed), (0.0, 0.0), "level {level}: {:?}", outside.misses);
    }
}

#[test]
fn healthy_days_raise_no_alarm() {
    let healthy = healthy::run(0, 4, &faults::possible(&[]));
    assert_eq!(healthy.days, 4);
    assert!(healthy.readings > 30_000, "{} readings", healthy.readings);
    assert_eq!(healthy.alarmed, 0, "{:?}", healthy.circumstances);
    assert!(healthy.ended_sound >= 3, "only {} ended sound", healthy.ended_sound);
}

#[test]
fn the_plan_takes_fewer_checks_than_the_fixed_order() {
    let visits = panel::run(0, STATIONS, &faults::possible(&[]));
    for (level, [plan, fixed]) in visits.iter().enumerate() {
        assert!(plan.visits > 0 && plan.visits == fixed.visits, "level {level}: nobody was sent");
        assert!(plan.mean() < fixed.mean(), "level {level}: {} against {} checks", plan.mean(), fixed.mean());
        let right = f64::from(plan.right) / f64::from(plan.visits);
        assert!(right > 0.9, "level {level}: only {right} of the visits settled on the true wiring");
    }
}
