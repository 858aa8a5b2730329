//! What polling costs, beside a bare-socket exchange of the same bytes in the same run (the floor).
//!
//! `cargo bench --bench polling`. A server process answers 60 registers at once; this process asks, first with bare tokio
//! sockets, then with the daemon's own sessions, decoding every answer and auditing every reading in a task of its own, as
//! the daemon does. Five interleaved rounds; medians and ratios are printed. Then 1,000 monitors are polled once a second by
//! the daemon's tasks, and the memory each costs is printed.

use std::io::{BufRead, BufReader, Write};
use std::net::SocketAddr;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use wattassay::audit::auditor::CircuitAuditor;
use wattassay::audit::installation::{CtSecondary, VoltageConnection};
use wattassay::clock::Clock;
use wattassay::config::model::{
    CircuitConfig, CtRatio, LoadKind, MonitorConfig, RunSource, Service, StationConfig, Transport, WaterSource,
};
use wattassay::modbus::map::{
    Blanking, ByteOrder, Channel, Conventions, Encoding, MapSource, MeterMap, Point, Quantity, ReadFunction,
    ReadLimits, Target,
};
use wattassay::modbus::poll::PollEvent;
use wattassay::modbus::session::Session;
use wattassay::reading::Rotation;
use wattassay::station::context::circuit_context;
use wattassay::station::fleet::Fleet;

const REGISTERS: usize = 60;
const ROUND: Duration = Duration::from_secs(2);
const ROUNDS: usize = 5;

fn main() {
    let threads = std::thread::available_parallelism().map_or(2, std::num::NonZero::get);
    let runtime =
        tokio::runtime::Builder::new_multi_thread().worker_threads(threads).enable_all().build().expect("a runtime");
    if std::env::args().any(|arg| arg == "serve") {
        runtime.block_on(serve());
    } else {
        runtime.block_on(measure());
    }
}

/// Values of a motor whose CTs 2 and 3 are exchanged, in the order of [`map`].
fn values() -> Vec<f32> {
    let mut values = vec![277.0, 277.1, 276.9, 0.0, -120.0, 120.0, 60.0, 62.1, 62.4, 61.9];
    let lag = [36.0f32, 156.0, -84.0];
    let va: Vec<f32> = (0..3).map(|k| values[k] * values[7 + k]).collect();
    values.extend(va.iter().zip(lag).map(|(s, lag)| s * lag.to_radians().cos()));
    values.extend(va.iter().zip(lag).map(|(s, lag)| s * lag.to_radians().sin()));
    values.extend(&va);
    values.extend(lag.map(|lag| lag.to_radians().cos()));
    let total = |from: usize| values[from..from + 3].iter().sum::<f32>();
    let totals = [total(10), total(13), total(16), total(10) / total(16)];
    values.extend(totals);
    values.extend([123_456.0, 0.0, 0.0, 0.0]);
    assert_eq!(values.len() * 2, REGISTERS);
    values
}

fn map() -> MeterMap {
    use Channel::{One, Three, Total, Two};
    let mut targets = Vec::new();
    for quantity in [Quantity::VoltageLn, Quantity::VoltageAngle] {
        targets.extend([One, Two, Three].map(|channel| (quantity, channel)));
    }
    targets.push((Quantity::Frequency, Total));
    for quantity in [
        Quantity::Current,
        Quantity::ActivePower,
        Quantity::ReactivePower,
        Quantity::ApparentPower,
        Quantity::PowerFactor,
    ] {
        targets.extend([One, Two, Three].map(|channel| (quantity, channel)));
    }
    for quantity in [Quantity::ActivePower, Quantity::ReactivePower, Quantity::ApparentPower, Quantity::PowerFactor] {
        targets.push((quantity, Total));
    }
    targets.push((Quantity::EnergyImport, Total));
    // Three spare values, so that the read is 60 registers long.
    targets.push((Quantity::EnergyExport, Total));
    let point = |(index, (quantity, channel)): (usize, (Quantity, Channel))| Point {
        target: Target { quantity, channel, slot: 0 },
        function: ReadFunction::HoldingRegisters,
        address: if quantity == Quantity::EnergyExport { REGISTERS as u16 - 2 } else { 2 * index as u16 },
        encoding: Encoding::F32,
        order: ByteOrder::Abcd,
        scale: 1.0,
        offset: 0.0,
        scale_register: None,
        not_available: Vec::new(),
    };
    MeterMap {
        name: "bench".into(),
        title: "60 registers".into(),
        slots: 1,
        limits: ReadLimits::default(),
        conventions: Conventions::default(),
        blanking: Blanking::default(),
        points: targets.into_iter().enumerate().map(point).collect(),
    }
}

fn station(index: usize, address: SocketAddr) -> StationConfig {
    StationConfig {
        name: format!("Bench {index}"),
        service: Service::Wye4,
        nominal_voltage_v: 480.0,
        voltage_connection: VoltageConnection::Direct,
        nominal_frequency_hz: 60.0,
        rotation: Rotation::Abc,
        tariff: None,
        monitors: vec![MonitorConfig {
            name: "PM-1".into(),
            // A host name of its own, so that every monitor has a connection of its own, as separate devices do.
            address: format!("127.{}.{}.1:{}", index / 250, index % 250, address.port()),
            unit: 1,
            transport: Transport::Tcp,
            map: MapSource::Fixed(map()),
            map_name: "bench".into(),
            poll_period: Duration::from_secs(1),
            timeout: Duration::from_millis(500),
        }],
        circuits: vec![CircuitConfig {
            name: "Pump 1".into(),
            monitor: 0,
            slot: 0,
            load: LoadKind::InductionMotor,
            rated_power_w: Some(44_742.0),
            rated_voltage_v: Some(460.0),
            full_load_current_a: Some(77.0),
            full_load_power_factor: Some(0.86),
            ct_ratio: Some(CtRatio::of_currents(200.0, 5.0)),
            ct_secondary: CtSecondary::Unknown,
            run_source: RunSource::Current,
            alarm_priority: None,
            water: WaterSource { monitor: 0, slot: 0 },
            fault_since: None,
        }],
    }
}

/// The device: bare sockets, no protocol code. Voltage and current move a little from answer to answer.
async fn serve() {
    let listener = TcpListener::bind("0.0.0.0:0").await.expect("a port");
    println!("{}", listener.local_addr().expect("an address").port());
    std::io::stdout().flush().expect("a parent");
    let values = values();
    loop {
        let Ok((mut stream, _)) = listener.accept().await else { continue };
        let values = values.clone();
        tokio::spawn(async move {
            let _ = stream.set_nodelay(true);
            let mut answer = vec![0, 0, 0, 0, 0, 123, 1, 3, 120];
            answer.extend(values.iter().flat_map(|v| v.to_be_bytes()));
            let (mut request, mut count) = ([0u8; 12], 0u32);
            while stream.read_exact(&mut request).await.is_ok() {
                answer[..2].copy_from_slice(&request[..2]);
                count = count.wrapping_add(1);
                let wobble = 1.0 + 0.004 * (f64::from(count % 17) / 17.0 - 0.5);
                for k in 7..10 {
                    let moved = (f64::from(values[k]) * wobble) as f32;
                    answer[9 + 4 * k..13 + 4 * k].copy_from_slice(&moved.to_be_bytes());
                }
                if stream.write_all(&answer).await.is_err() {
                    return;
                }
            }
        });
    }
}

/// Transactions per second, and CPU microseconds of this process for each.
#[derive(Debug, Clone, Copy)]
struct Rate {
    per_second: f64,
    cpu_us: f64,
}

async fn measure() {
    let mut server = Command::new(std::env::current_exe().expect("own path"))
        .arg("serve")
        .stdout(Stdio::piped())
        .spawn()
        .expect("the server process");
    let mut line = String::new();
    BufReader::new(server.stdout.take().expect("its output")).read_line(&mut line).expect("its port");
    let address = SocketAddr::from(([127, 0, 0, 1], line.trim().parse().expect("a port")));

    for connections in [1, 64] {
        let (mut floor, mut ours) = (Vec::new(), Vec::new());
        for _ in 0..ROUNDS {
            floor.push(timed(connections, |counter, n| tokio::spawn(bare(address, n, counter))).await);
            ours.push(timed(connections, |counter, n| tokio::spawn(polled(address, n, counter))).await);
        }
        report(connections, &floor, &ours);
    }
    memory(address).await;
    let _ = server.kill();
    let _ = server.wait();
}

async fn timed(connections: usize, start: impl Fn(Arc<AtomicU64>, usize) -> tokio::task::JoinHandle<()>) -> Rate {
    let counter = Arc::new(AtomicU64::new(0));
    let tasks: Vec<_> = (0..connections).map(|n| start(counter.clone(), n)).collect();
    tokio::time::sleep(Duration::from_millis(200)).await;
    let (before, cpu_before, started) = (counter.load(Ordering::Relaxed), cpu_seconds(), Instant::now());
    tokio::time::sleep(ROUND).await;
    let done = (counter.load(Ordering::Relaxed) - before) as f64;
    let rate = Rate {
        per_second: done / started.elapsed().as_secs_f64(),
        cpu_us: 1e6 * (cpu_seconds() - cpu_before) / done.max(1.0),
    };
    for task in tasks {
        task.abort();
        let _ = task.await;
    }
    rate
}

/// The floor: the same bytes, no protocol.
async fn bare(address: SocketAddr, _: usize, counter: Arc<AtomicU64>) {
    let mut stream = TcpStream::connect(address).await.expect("the server");
    stream.set_nodelay(true).expect("an option");
    let mut answer = [0u8; 129];
    for id in 0u16.. {
        let [high, low] = (id % 60_000).to_be_bytes();
        let request = [high, low, 0, 0, 0, 6, 1, 3, 0, 0, 0, REGISTERS as u8];
        stream.write_all(&request).await.expect("a request");
        stream.read_exact(&mut answer).await.expect("an answer");
        counter.fetch_add(1, Ordering::Relaxed);
    }
}

/// The daemon's own session, decode and audit, as fast as the device answers.
async fn polled(address: SocketAddr, n: usize, counter: Arc<AtomicU64>) {
    let station = station(n, address);
    let context = circuit_context(&station, &station.circuits[0]).expect("an auditable circuit");
    let (events, mut received) = mpsc::channel::<PollEvent>(4);
    // Aborted with this task: both ends of a channel in one join set.
    let mut tasks = JoinSet::new();
    tasks.spawn(async move {
        let mut auditor = CircuitAuditor::new(context);
        while let Some(event) = received.recv().await {
            std::hint::black_box(auditor.observe(&event.reading));
        }
    });
    let mut session = Session::alone(&station.name, station.monitors[0].clone(), Clock::system());
    loop {
        let event = session.poll(tokio::time::Instant::now() + Duration::from_secs(1)).await;
        assert!(event.errors.is_empty(), "{:?}", event.errors);
        counter.fetch_add(u64::from(event.transactions), Ordering::Relaxed);
        if events.send(event).await.is_err() {
            return;
        }
    }
}

fn report(connections: usize, floor: &[Rate], ours: &[Rate]) {
    let median = |rates: &[Rate], pick: fn(&Rate) -> f64| {
        let mut values: Vec<f64> = rates.iter().map(pick).collect();
        values.sort_by(f64::total_cmp);
        values[values.len() / 2]
    };
    let rate = |rates: &[Rate]| median(rates, |r| r.per_second);
    let cpu = |rates: &[Rate]| median(rates, |r| r.cpu_us);
    println!(
        "{connections:>3} monitors: floor {:>8.0} tx/s, {:>5.1} us CPU; polled, decoded and audited {:>8.0} tx/s, {:>5.1} us CPU; \
         rate ratio {:.2}, CPU ratio {:.2}",
        rate(floor),
        cpu(floor),
        rate(ours),
        cpu(ours),
        rate(ours) / rate(floor),
        cpu(ours) / cpu(floor),
    );
}

/// Resident memory of 1,000 monitors with their stations, polled once a second.
async fn memory(address: SocketAddr) {
    const MONITORS: usize = 1000;
    let stations: Vec<StationConfig> = (0..MONITORS).map(|n| station(n, address)).collect();
    let before = resident_kib();
    let mut fleet = Fleet::new(&stations, Clock::system()).expect("a fleet");
    let readers = fleet.readers();
    let (cancel, tracker) = (CancellationToken::new(), TaskTracker::new());
    fleet.start(&cancel, &tracker);
    tracker.close();
    // Ten polls each, so that evidence and diagnosis stand.
    let until = Instant::now() + Duration::from_secs(12);
    while Instant::now() < until {
        tokio::time::sleep(Duration::from_millis(500)).await;
    }
    let live = readers.iter().filter(|r| r.get().circuits.iter().any(|c| c.assessment.is_some())).count();
    let after = resident_kib();
    println!(
        "{MONITORS} monitors, {live} audited: {:.1} KiB a monitor ({before} KiB before, {after} KiB after)",
        (after as f64 - before as f64) / MONITORS as f64
    );
    cancel.cancel();
    tracker.wait().await;
}

/// CPU time of this process, user and system, seconds (ticks of 10 ms).
fn cpu_seconds() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after_name = stat.rsplit(") ").next().unwrap_or_default();
    let ticks: f64 = after_name.split(' ').skip(11).take(2).filter_map(|t| t.parse::<f64>().ok()).sum();
    ticks / 100.0
}

fn resident_kib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|l| l.starts_with("VmRSS:")).unwrap_or_default();
    line.split_whitespace().nth(1).and_then(|v| v.parse().ok()).unwrap_or(0)
}
