//! Prints results. Must never compute one.

use super::cases::{Results, STATES};
use super::generator::{KINDS, Kind};
use super::healthy::Healthy;
use super::outside::Outside;
use super::panel::Visits;
use super::score::{BINS, Calibration, Tally};

const LEVELS: [&str; 4] = ["a", "b", "c", "d"];
/// Worst cases listed.
const WORST: usize = 30;

fn percent(n: f64, of: f64) -> String {
    if of == 0.0 { "-".to_owned() } else { format!("{:.2}", 100.0 * n / of) }
}

/// All that random stations tell.
pub fn cases(results: &Results, stations: u64) {
    println!(
        "{stations} random stations; per cent. wrong>0.9: a wrong wiring has more; else>0.9: one that registers something else\n"
    );
    println!(
        "level states |  first  group single-in-group  members | wrong>0.9 else>0.9 accused missed undecided | calibration error: lead  group  sound | Brier: lead  sound"
    );
    for (l, level) in LEVELS.iter().enumerate() {
        for (n, states) in STATES.iter().enumerate() {
            row(level, *states, &results.core[l][n]);
        }
    }
    println!("\nthe same cases by core and by the brute-force optimum (per cent)");
    println!(
        "level states cases |  first: core optimum | group: core optimum | lead said by optimum, came true | wrong>0.9: core optimum | else>0.9: core optimum | ECE lead: core optimum"
    );
    for (l, level) in LEVELS.iter().enumerate() {
        for (n, states) in STATES.iter().enumerate() {
            let (core, best) = (&results.compared[l][n], &results.optimum[l][n]);
            let said: f64 = best.of_lead.bins.iter().map(|b| b.1).sum();
            println!(
                "{level:>5} {states:>6} {:>5} | {:>12} {:>7} | {:>11} {:>7} | {:>19} {:>9} | {:>15} {:>7} | {:>14} {:>7} | {:>14.4} {:>7.4}",
                core.cases,
                percent(core.first, core.cases),
                percent(best.first, best.cases),
                percent(core.in_group, core.cases),
                percent(best.in_group, best.cases),
                percent(said, best.cases),
                percent(best.first, best.cases),
                percent(core.confident_wrong, core.cases),
                percent(best.confident_wrong, best.cases),
                percent(core.confident_wrong_kind, core.cases),
                percent(best.confident_wrong_kind, best.cases),
                core.of_lead.error(),
                best.of_lead.error(),
            );
        }
    }
    println!("\nnamed first at two load states by kind of load: core, optimum (cases)");
    for (l, level) in LEVELS.iter().enumerate() {
        let of_kind = |(kind, (core, best)): (&(Kind, f64), &(Tally, Tally))| {
            let share = |t: &Tally| percent(t.first, t.cases);
            format!("{:?} {}, {} ({})", kind.0, share(core), share(best), core.cases)
        };
        let kinds: Vec<String> = KINDS.iter().zip(&results.by_kind[l]).map(of_kind).collect();
        println!("{level} {}", kinds.join("   "));
    }
    println!("\nreliability, all numbers of states together: said -> came true (cases)");
    for (l, level) in LEVELS.iter().enumerate() {
        let mut all = Tally::default();
        results.core[l].iter().for_each(|t| all.merge(t));
        println!("{level} leading wiring: {}", reliability(&all.of_lead));
        println!("{level} power right:    {}", reliability(&all.of_sound));
    }
    println!("\nreadings to the verdict \"fault\": share found in 60, median, 95th percentile");
    for (l, level) in LEVELS.iter().enumerate() {
        println!(
            "{level} found wrong: {}   lead moved: {}",
            readings(&results.from_start[l]),
            readings(&results.from_change[l])
        );
    }
    worst(results);
}

fn row(level: &str, states: usize, t: &Tally) {
    println!(
        "{level:>5} {states:>6} | {:>6} {:>6} {:>15} {:>8.1} | {:>9} {:>8} {:>7} {:>6} {:>9} | {:>23.4} {:>6.4} {:>6.4} | {:>11.4} {:>6.4}",
        percent(t.first, t.cases),
        percent(t.in_group, t.cases),
        percent(t.single_in_group, t.single),
        t.members / t.cases.max(1.0),
        percent(t.confident_wrong, t.cases),
        percent(t.confident_wrong_kind, t.cases),
        percent(t.accused, t.sound),
        percent(t.missed, t.cases - t.sound),
        percent(t.undecided, t.cases),
        t.of_lead.error(),
        t.of_group.error(),
        t.of_sound.error(),
        t.of_lead.brier(),
        t.of_sound.brier(),
    );
}

fn reliability(calibration: &Calibration) -> String {
    (0..BINS)
        .map(|b| calibration.bins[b])
        .filter(|b| b.0 > 0.0)
        .map(|(cases, said, is)| format!("{:.2}->{:.2} ({cases})", said / cases, is / cases))
        .collect::<Vec<_>>()
        .join("  ")
}

fn readings(found: &[Option<u32>]) -> String {
    let mut at: Vec<u32> = found.iter().flatten().copied().collect();
    at.sort_unstable();
    let quantile = |q: f64| at.get(((at.len() as f64 * q) as usize).min(at.len().saturating_sub(1))).map_or(0, |n| *n);
    format!("{} %, {}, {}", percent(at.len() as f64, found.len() as f64), quantile(0.5), quantile(0.95))
}

fn worst(results: &Results) {
    let misses = results.worst();
    println!(
        "\nworst cases of {} (true wiring not in the leading group, or one that registers something else above 0.9)",
        misses.len()
    );
    misses.iter().take(WORST).for_each(|miss| println!("{}", miss.words()));
}

/// Cases of the circuit engine.
pub fn outside(outside: &Outside) {
    println!("\ncases of the independent circuit engine, all load states of each (columns as above)");
    for (l, level) in LEVELS.iter().enumerate() {
        row(level, outside.levels[l].cases as usize, &outside.levels[l]);
    }
    println!("{} missed, the worst:", outside.misses.len());
    outside.misses.iter().take(WORST / 2).for_each(|miss| println!("{}", miss.1));
}

/// Checks at the panel.
pub fn visits(visits: &Visits) {
    println!("\nchecks at the panel until one wiring is settled (two load levels; stations that readings leave open)");
    for (l, level) in LEVELS.iter().enumerate() {
        for (name, way) in ["plan", "fixed order"].iter().zip(&visits[l]) {
            let visits = f64::from(way.visits);
            println!(
                "{level} {name:<12} {:>5} visits, {:.2} checks each, settled {} %, on the true wiring {} %",
                way.visits,
                way.mean(),
                percent(f64::from(way.settled), visits),
                percent(f64::from(way.right), visits)
            );
        }
    }
}

/// Healthy days.
pub fn healthy(healthy: &Healthy) {
    println!(
        "\n{} healthy station-days, {} readings: {} days with an alarm; {} ended with the verdict \"sound\"",
        healthy.days, healthy.readings, healthy.alarmed, healthy.ended_sound
    );
    for (what, (times, first)) in &healthy.circumstances {
        println!("{times:>7} x {what} (first: day {first})");
    }
}
