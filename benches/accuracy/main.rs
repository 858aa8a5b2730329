//! How often the diagnosis is right, how honest its probabilities are, and how near it comes to the best any method could do.
//!
//! `cargo bench --bench accuracy -- [STATIONS] [--from N] [--optimum N] [--days N] [--days-from N] [--extra CLASS]`
//!
//! STATIONS random stations (default 2000) of known truth are metered from sampled waveforms; the first N (default 1000) are
//! also judged by the brute-force optimum. `--from` is the number of the first station (default 0), so that what was mended on
//! some stations can be measured on others. `--days` healthy station-days (default 100; the aim is stated for the first 10000),
//! from number `--days-from` on (default 0).
//! `--extra` switches on a rarer fault class (`two-open`, `ratio`, `two-conductors`, `same-conductor`,
//! `rotation`, `map`; may be repeated).

mod cases;
mod faults;
mod generator;
mod healthy;
mod loads;
mod numbers;
mod optimum;
mod outside;
mod panel;
mod report;
mod sample;
mod score;
mod stations;

use std::time::Instant;

use faults::Extra;

/// The word that switches on each fault class.
const EXTRAS: [(&str, Extra); 6] = [
    ("two-open", Extra::TwoOpen),
    ("ratio", Extra::Ratio),
    ("two-conductors", Extra::TwoConductors),
    ("same-conductor", Extra::SameConductor),
    ("rotation", Extra::Rotation),
    ("map", Extra::Map),
];

struct Wanted {
    first: u64,
    stations: u64,
    judged: u64,
    days: u64,
    first_day: u64,
    extras: Vec<Extra>,
}

fn wanted() -> Wanted {
    let mut wanted = Wanted { first: 0, stations: 2000, judged: 1000, days: 100, first_day: 0, extras: Vec::new() };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut number =
            || words.next().and_then(|n| n.parse().ok()).unwrap_or_else(|| panic!("{word} takes a number"));
        match word.as_str() {
            "--from" => wanted.first = number(),
            "--optimum" => wanted.judged = number(),
            "--days" => wanted.days = number(),
            "--days-from" => wanted.first_day = number(),
            "--extra" => {
                let name = words.next().unwrap_or_default();
                let found = EXTRAS.iter().find(|(n, _)| *n == name);
                wanted.extras.push(found.unwrap_or_else(|| panic!("no fault class \"{name}\"")).1);
            }
            "--bench" => {}
            word => wanted.stations = word.parse().unwrap_or_else(|_| panic!("what is {word}?")),
        }
    }
    wanted
}

fn main() {
    let wanted = wanted();
    let began = Instant::now();
    let possible = faults::possible(&wanted.extras);
    let results = cases::run(wanted.first, wanted.stations, wanted.judged.min(wanted.stations), &possible);
    report::cases(&results, wanted.stations);
    report::outside(&outside::run());
    report::visits(&panel::run(wanted.first, wanted.stations, &possible));
    report::healthy(&healthy::run(wanted.first_day, wanted.days, &possible));
    println!("\n{:.0} s", began.elapsed().as_secs_f64());
}
