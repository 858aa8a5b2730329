//! What the history costs: values stored a second with everything that goes with it, and a year of one circuit read back.
//!
//! `cargo bench --bench history`. Simulated time runs as fast as the store lets it: writing, rolling up, removing what is too
//! old and giving room back all happen as in the daemon, on one thread, while this one hands in.

use std::fs;
use std::path::Path;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use wattassay::history::keeper::Limits;
use wattassay::history::quantity::{COUNT, place};
use wattassay::history::reader::{Detail, HistoryReader, Wanted};
use wattassay::history::recorder::Recorder;
use wattassay::history::sqlite::{FILE_NAME, SqliteStore};
use wattassay::history::store::{Batch, Sample, Source, SourceId, Statistic, Store, Tier};

const START_MS: i64 = 20_776 * 86_400_000;
/// Circuits read once a second, each with all of its quantities.
const CIRCUITS: usize = 500;
/// First quantity of a circuit; those before are of monitors.
const FIRST: usize = place::CURRENT_A;
/// Simulated time.
const SECONDS: i64 = 1200;

fn main() {
    let folder = tempfile::tempdir().expect("a folder");
    sustained(folder.path());
    let folder = tempfile::tempdir().expect("a folder");
    year(folder.path());
}

fn sources(store: &mut SqliteStore, count: usize) -> Vec<SourceId> {
    (0..count).map(|n| store.source(&source_of(n)).expect("a source")).collect()
}

fn source_of(n: usize) -> Source {
    Source { station: format!("Station {}", n / 4), is_monitor: false, name: format!("Pump {}", n % 4 + 1) }
}

fn sample(source: SourceId, at_ms: i64, noise: &mut fastrand::Rng) -> Sample {
    let mut values = Box::new([f64::NAN; COUNT]);
    values[FIRST..].iter_mut().for_each(|value| *value = 100.0 + noise.f64());
    Sample { source, at_ms, values }
}

fn sustained(folder: &Path) {
    let mut store = SqliteStore::open(folder, 0).expect("a store").0;
    let sources = sources(&mut store, CIRCUITS);
    // Detail is kept for five minutes, so that removing it is part of the work.
    let limits = Limits { age_ms: [300_000, i64::MAX / 2, i64::MAX / 2], ..Limits::default() };
    let recorder = Recorder::start(Box::new(store), limits, |notice| panic!("{notice:?}")).expect("a recorder");
    let mut noise = fastrand::Rng::with_seed(1);
    let (rss_before, cpu_before) = (status_kib("VmRSS"), cpu());
    let (began, mut longest) = (Instant::now(), Duration::ZERO);
    for second in 0..SECONDS {
        let step = Instant::now();
        for source in &sources {
            recorder.sample(sample(*source, START_MS + second * 1000, &mut noise));
        }
        // As many as wait in a second of the daemon share a transaction there too.
        assert!(recorder.flush_blocking());
        longest = longest.max(step.elapsed());
    }
    let took = began.elapsed().as_secs_f64();
    let written = recorder.status().written.load(Ordering::Relaxed);
    let lost = recorder.status().dropped.load(Ordering::Relaxed) + recorder.status().refused.load(Ordering::Relaxed);
    println!("{CIRCUITS} circuits, {SECONDS} s of simulated time in {took:.1} s, synced as in the daemon");
    println!("  values stored a second   {:>10.0}   (aim 20,000)", written as f64 / took);
    println!("  values lost              {lost:>10}");
    println!("  processor seconds        {:>10.1}", cpu().saturating_sub(cpu_before).as_secs_f64());
    println!("  longest second took      {:>10.0} ms", longest.as_secs_f64() * 1000.0);
    println!("  memory before and peak   {rss_before:>10} KiB, {} KiB", status_kib("VmHWM"));
    println!("  file at the end          {:>10} KiB", size_kib(folder));
}

fn year(folder: &Path) {
    const QUARTERS: i64 = 366 * 96;
    let mut store = SqliteStore::open(folder, 0).expect("a store").0;
    let sources = sources(&mut store, 4);
    let mut noise = fastrand::Rng::with_seed(2);
    for source in &sources {
        let samples = (0..QUARTERS).map(|n| sample(*source, START_MS + n * 900_000, &mut noise)).collect();
        store.write(&Batch { samples, ..Batch::default() }).expect("written");
    }
    for tier in [Tier::Minute, Tier::QuarterHour] {
        store.roll_up(tier, START_MS, START_MS + QUARTERS * 900_000).expect("rolled up");
    }
    drop(store);
    println!(
        "a year of quarters of an hour of one circuit among {} ({} KiB), median of 15 (aim 50 ms)",
        sources.len(),
        size_kib(folder)
    );
    let all: Vec<usize> = (FIRST..COUNT).collect();
    let trend = vec![
        place::CURRENT_A,
        place::CURRENT_A + 1,
        place::CURRENT_A + 2,
        place::TOTAL_ACTIVE_POWER_W,
        place::CORRECTED_TOTAL_ACTIVE_POWER_W,
        place::REGISTERED_ENERGY_WH,
        place::CORRECTED_ENERGY_WH,
        place::RUNNING,
    ];
    for quantities in [vec![place::TOTAL_ACTIVE_POWER_W], trend, all] {
        for (what, detail, rows) in [
            ("as they are", Detail::Tier(Tier::QuarterHour), QUARTERS as usize),
            ("merged to at most 1,000 points", Detail::Points(1000), 732),
        ] {
            let wanted = Wanted {
                source: source_of(1),
                quantities: quantities.clone(),
                from_ms: START_MS,
                to_ms: i64::MAX,
                detail,
                statistic: Statistic::Mean,
            };
            let mut times: Vec<f64> = (0..15)
                .map(|_| {
                    let began = Instant::now();
                    let series = HistoryReader::folder(folder).series(&wanted).expect("a series");
                    assert_eq!(series.rows.at_ms.len(), rows);
                    began.elapsed().as_secs_f64() * 1000.0
                })
                .collect();
            times.sort_by(f64::total_cmp);
            let median = times[times.len() / 2];
            println!("  {:>3} quantities {what}, opening included {median:>8.1} ms", quantities.len());
        }
    }
}

fn size_kib(folder: &Path) -> u64 {
    fs::metadata(folder.join(FILE_NAME)).map_or(0, |file| file.len() / 1024)
}

/// A line of /proc/self/status, KiB.
fn status_kib(key: &str) -> u64 {
    let text = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = text.lines().find(|line| line.starts_with(key)).unwrap_or_default();
    line.split_whitespace().nth(1).and_then(|number| number.parse().ok()).unwrap_or(0)
}

/// Processor time of this process so far, from /proc/self/stat in ticks of 10 ms.
fn cpu() -> Duration {
    let text = fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let fields: Vec<&str> = text.rsplit(')').next().unwrap_or_default().split_whitespace().collect();
    let ticks = |at: usize| fields.get(at).and_then(|field| field.parse::<u64>().ok()).unwrap_or(0);
    Duration::from_millis((ticks(11) + ticks(12)) * 10)
}
