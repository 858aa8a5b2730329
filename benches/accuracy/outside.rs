//! Cases that are not ours: stations solved by an independent circuit engine (tests/outside/make_circuit_fixtures.py).
//!
//! Must never change a value of theirs but by the noise of a reading.

use std::path::Path;

use serde::Deserialize;
use wattassay::audit::auditor::CircuitAuditor;
use wattassay::audit::context::LoadBehaviour;

use super::faults::{Leads, MapMistake, Possible, alike, possible};
use super::generator::{Draw, Kind, Plate, State};
use super::score::{Answer, Tally};
use super::stations::{Level, Metered, context, reading};

#[derive(Deserialize)]
struct File {
    fixtures: Vec<Fixture>,
}

#[derive(Deserialize)]
struct Fixture {
    name: String,
    truth: Truth,
    nameplate: Nameplate,
    windows: Vec<Window>,
}

#[derive(Deserialize)]
struct Truth {
    voltage: [String; 3],
    current: [String; 3],
    lost_phase: Option<String>,
}

#[derive(Deserialize)]
struct Nameplate {
    load: String,
    full_load_current_a: f64,
    full_load_power_factor: f64,
}

#[derive(Deserialize)]
struct Window {
    voltage_ln_v: [f64; 3],
    voltage_angle_deg: [f64; 3],
    current_a: [f64; 3],
    active_power_w: [f64; 3],
    reactive_power_var: [f64; 3],
}

/// Sums by level, and what was missed in words.
#[derive(Debug, Clone, Default)]
pub struct Outside {
    /// By level.
    pub levels: [Tally; 4],
    /// True wiring not in the leading group, or one that registers something else above 0.9.
    pub misses: Vec<(f64, String)>,
}

fn phase(letter: &str) -> usize {
    ["A", "B", "C"].iter().position(|l| *l == letter).unwrap_or_else(|| panic!("{letter} is no phase"))
}

fn leads(truth: &Truth) -> Leads {
    let row = |text: &str| {
        let mut row = [0.0; 3];
        if text != "open" {
            let (letter, share) = text.strip_prefix('-').map_or((text, 1.0), |l| (l, -1.0));
            row[phase(letter)] = share;
        }
        row
    };
    Leads {
        voltage: truth.voltage.each_ref().map(|v| phase(v)),
        current: truth.current.each_ref().map(|c| row(c)),
        lost: truth.lost_phase.as_deref().map(phase),
        opposite: false,
        map: MapMistake::None,
    }
}

/// Slips a wiring takes at least, as far as "exactly one" goes.
fn slips(leads: &Leads) -> u32 {
    let moved = u32::from(leads.voltage != [0, 1, 2]);
    let seen = |k: usize| (0..3).find(|p| leads.current[k][*p] != 0.0);
    let order = u32::from((0..3).any(|k| seen(k).is_some_and(|p| p != k)));
    let turned = (0..3).filter(|k| leads.current[*k].iter().any(|s| *s < 0.0)).count() as u32;
    let open = (0..3).filter(|k| seen(*k).is_none()).count() as u32;
    moved + order + if turned == 3 { 1 } else { turned } + open + u32::from(leads.lost.is_some())
}

/// Runs every fixture at every level through the core.
pub fn run() -> Outside {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/circuit");
    let mut paths: Vec<_> =
        std::fs::read_dir(folder).expect("the fixtures").map(|e| e.expect("an entry").path()).collect();
    paths.sort();
    let mut outside = Outside::default();
    let possible = possible(&[]);
    for path in paths {
        let text = std::fs::read_to_string(path).expect("a fixture file");
        for fixture in serde_json::from_str::<File>(&text).expect("fixtures").fixtures {
            judge(&fixture, &possible, &mut outside);
        }
    }
    outside.misses.sort_by(|a, b| b.0.total_cmp(&a.0));
    outside
}

fn judge(fixture: &Fixture, possible: &[Possible], outside: &mut Outside) {
    let truth = leads(&fixture.truth);
    let kind = match fixture.nameplate.load.as_str() {
        "drive" => Kind::Drive,
        "resistive" => Kind::Resistive,
        _ => Kind::Motor,
    };
    let draw = Draw {
        seed: 1,
        truth: Possible { leads: truth, weight: 1.0, slips: slips(&truth) },
        plate: Plate {
            rated_power_w: 44_742.0,
            full_load_current_a: fixture.nameplate.full_load_current_a,
            power_factor: fixture.nameplate.full_load_power_factor,
        },
        kind,
        power_factor: fixture.nameplate.full_load_power_factor,
        class_percent: 0.0,
        displacement_deg: [0.0; 3],
        states: Vec::<State>::new(),
    };
    let alike = alike(&truth, possible);
    for (l, level) in Level::ALL.into_iter().enumerate() {
        let mut told = context(&draw, level);
        if fixture.nameplate.load == "unknown" {
            told.load = LoadBehaviour::Unknown;
        }
        let mut auditor = CircuitAuditor::new(told);
        let mut random = fastrand::Rng::with_seed(1);
        let mut last = None;
        for (n, window) in fixture.windows.iter().enumerate() {
            let metered = Metered {
                voltage_v: window.voltage_ln_v,
                voltage_angle_deg: window.voltage_angle_deg,
                current_a: window.current_a,
                active_w: window.active_power_w,
                reactive_var: window.reactive_power_var,
            };
            for second in 0..8 {
                let at_ms = 1000 * (1000 * n as u64 + second);
                last = Some(auditor.observe(&reading(&metered, level, at_ms, &mut random)));
            }
        }
        let Some(last) = last else { continue };
        let answer = Answer::of_core(&last.diagnosis, &truth, &alike);
        outside.levels[l].add(&answer, draw.truth.slips, truth.power_right());
        if !answer.group_true || answer.wrong_kind > 0.9 {
            let text = format!(
                "{} at {level:?} taken for \"{}\" {:.3} (truth {:.4})",
                fixture.name, answer.words, answer.lead, answer.truth
            );
            outside.misses.push((answer.wrong_kind, text));
        }
    }
}
