//! What the pages cost with 1,000 circuits: `cargo bench --bench pages`.
//!
//! 250 stations of two monitors with two circuits each, half of them with two CTs exchanged, after eight readings. What is
//! timed is what a request runs on its blocking thread: snapshots gathered and the page written; sockets are left out.

use std::fmt::Write;
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::sync::watch;
use tokio_util::sync::CancellationToken;
use wattassay::clock::Clock;
use wattassay::config::model::Config;
use wattassay::config::{MapLibrary, parse};
use wattassay::desk::Desk;
use wattassay::desk::record::AlarmRecord;
use wattassay::desk::task::DeskTask;
use wattassay::desk::watched::Watched;
use wattassay::faces::{json, metrics};
use wattassay::modbus::poll::PollEvent;
use wattassay::reading::Measured::Good;
use wattassay::reading::{CircuitReading, MonitorReading};
use wattassay::station::roster::Roster;
use wattassay::station::snapshot::{SnapshotReader, StationSnapshot};
use wattassay::station::state::StationState;

const STATIONS: usize = 250;
const READINGS: u64 = 8;
const ROUNDS: usize = 15;

fn main() {
    let runtime =
        tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().expect("a runtime");
    runtime.block_on(run());
}

async fn run() {
    let config = parse("bench.toml", &config_text(), &MapLibrary::builtin()).expect("a good configuration");
    let clock = Clock::system();
    let (senders, readers): (Vec<_>, Vec<_>) = config
        .stations
        .iter()
        .enumerate()
        .map(|(n, station)| {
            let state = StationState::new(station).expect("a station");
            let (sender, receiver) = watch::channel(Arc::new(after_readings(state, n, &clock)));
            (sender, SnapshotReader::new(receiver))
        })
        .unzip();
    let roster = Roster::fixed(readers);
    let circuits: usize = roster.snapshots().iter().map(|station| station.circuits.len()).sum();
    let stop = CancellationToken::new();
    let (desk, looked) = desk(&config, &roster, &clock, &stop).await;
    println!("{circuits} circuits, {} alarms; median and longest of {ROUNDS}:", desk.list().entries.len());
    time("/metrics", || {
        let records = metrics::Records::default();
        metrics::render(&roster.snapshots(), &desk.list(), clock.now().mono, &records).len()
            + metrics::process::text().expect("figures of the process").len()
    });
    time("/api/v1/snapshot", || {
        serde_json::to_vec(&json::document(&roster.snapshots(), clock.now())).expect("a document").len()
    });
    stop.cancel();
    looked.await.expect("the desk");
    drop(senders);
}

fn config_text() -> String {
    let mut text = String::new();
    for n in 0..STATIONS {
        let _ = write!(
            text,
            "[[stations]]\nname = \"Station {n}\"\nservice = \"wye-4-wire\"\nnominal_voltage = \"480 V\"\n"
        );
        for monitor in 1..=2 {
            let port = 10_000 + 2 * n + monitor;
            let _ = write!(
                text,
                "[[stations.monitors]]\nname = \"PM-{monitor}\"\naddress = \"127.0.0.1:{port}\"\nunit = 1\nmap = \"generic-full\"\n\
                 poll_period = \"1 s\"\n"
            );
        }
        for pump in 0..4 {
            let _ = write!(
                text,
                "[[stations.circuits]]\nname = \"Pump {}\"\nmonitor = \"PM-{}\"\nslot = {}\nload = \"induction-motor\"\n\
                 rated_power = \"60 hp\"\nrated_voltage = \"460 V\"\nfull_load_current = \"77 A\"\nfull_load_power_factor = 0.86\n\
                 ct_ratio = \"200:5\"\n",
                pump + 1,
                pump / 2 + 1,
                pump % 2 + 1
            );
        }
    }
    text
}

/// Running pumps; on stations of odd numbers the CTs 2 and 3 are exchanged.
fn after_readings(mut state: StationState, station: usize, clock: &Clock) -> StationSnapshot {
    let shifts_deg = if station.is_multiple_of(2) { [0.0; 3] } else { [0.0, 120.0, -120.0] };
    let (volts, amps, lag_deg) = (277.0, 61.0, 33.0);
    let seen = shifts_deg.map(|shift: f64| (lag_deg + shift).to_radians());
    let circuit = CircuitReading {
        current_a: [Good(amps); 3],
        active_power_w: seen.map(|angle| Good(volts * amps * angle.cos())),
        reactive_power_var: seen.map(|angle| Good(volts * amps * angle.sin())),
        total_active_power_w: Good(seen.iter().map(|angle| volts * amps * angle.cos()).sum()),
        energy_import_wh: Good(7_310_000.0),
        ..CircuitReading::default()
    };
    let mut at = clock.now();
    for _ in 0..READINGS {
        for monitor in 0..2 {
            let reading = MonitorReading {
                at,
                voltage_ln_v: [Good(volts); 3],
                voltage_angle_deg: [Good(0.0), Good(-120.0), Good(120.0)],
                frequency_hz: Good(60.0),
                circuits: vec![circuit.clone(); 2],
                ..MonitorReading::default()
            };
            state.take(monitor, answered(reading));
        }
        at.wall.0 += 1000;
        at.mono.0 += 1000;
    }
    state.snapshot(at)
}

fn answered(reading: MonitorReading) -> PollEvent {
    PollEvent {
        reading,
        raw: None,
        errors: Vec::new(),
        took_ms: 12.5,
        transactions: 2,
        skipped_ticks: 0,
        connects: 0,
        dropped_events: 0,
    }
}

/// The alarms of all stations, looked at once.
async fn desk(
    config: &Config,
    roster: &Roster,
    clock: &Clock,
    stop: &CancellationToken,
) -> (Desk, tokio::task::JoinHandle<()>) {
    let watched = Watched::new(&config.alarms, &config.stations);
    let (task, mut desk, _) = DeskTask::new(&watched, roster.clone(), AlarmRecord::default(), clock.clone());
    let stop = stop.clone();
    let looked = tokio::spawn(async move {
        task.run(stop).await;
    });
    assert!(desk.changed().await, "the desk looks");
    (desk, looked)
}

/// `page` writes it and returns its length.
fn time(path: &str, page: impl Fn() -> usize) {
    let mut times = Vec::with_capacity(ROUNDS);
    let mut bytes = 0;
    for _ in 0..ROUNDS {
        let began = Instant::now();
        bytes = page();
        times.push(began.elapsed());
    }
    times.sort_unstable();
    let ms = |time: Duration| time.as_secs_f64() * 1000.0;
    println!("  {path}: {:.1} ms, {:.1} ms; {} KiB", ms(times[ROUNDS / 2]), ms(times[ROUNDS - 1]), bytes / 1024);
}
