//! How much of one core many monitors take: steps 100 stations with two monitors each, five times a second of station
//! time, with noise, and prints the processor share. A tool for people; it judges nothing.

use std::time::Instant;

use wattassay_simulators::{Station, StationFile, demo_stations};

const STATIONS: usize = 100;
const SECONDS: u32 = 60;

fn main() {
    let mut files: Vec<StationFile> = demo_stations().into_iter().cycle().take(STATIONS).collect();
    for (number, file) in files.iter_mut().enumerate() {
        file.seed = number as u64;
        let mut second = file.monitors[0].clone();
        second.name.replace_range(.., "PM-2");
        file.monitors.push(second);
    }
    let stations: Vec<Station> = files.iter().filter_map(|file| Station::new(file).ok()).collect();
    let started = Instant::now();
    let mut watts = 0.0;
    for tick in 0..SECONDS * 5 {
        for station in &stations {
            for monitor in 0..2 {
                if let Some(sample) = station.meter(monitor, f64::from(tick) * 0.2) {
                    watts += sample.circuits[0].total_active_power_w;
                }
            }
        }
    }
    let share = started.elapsed().as_secs_f64() / f64::from(SECONDS) * 100.0;
    println!("{} monitors, 5 times a second: {share:.1} % of one core (sum {watts:.0} W)", stations.len() * 2);
}
