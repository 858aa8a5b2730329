//! What the Modbus server gives while monitors are polled: `cargo bench --bench modbus_server`.
//!
//! 500 simulated monitors are polled once a second and audited, as the daemon does it; 50 masters in another process each ask
//! for a whole block (124 registers) 40 times a second, which is 2,000 transactions a second. Then the masters ask as fast as
//! they are answered. Printed are transactions a second, their times, and how many polls were late by a period or more
//! (skipped). Wants 2,000 file descriptors.

use std::fmt::Write;
use std::net::SocketAddr;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio_util::sync::CancellationToken;
use wattassay::config::{MapLibrary, parse};
use wattassay::daemon::Daemon;
use wattassay_simulators::{StationFile, start};

const MASTERS: usize = 50;
const STATIONS: usize = 500;
/// Circuits with a block; a unit has room for 326.
const SERVED: usize = 50;
const PACED: Duration = Duration::from_millis(25);
const ROUND: Duration = Duration::from_secs(10);

fn main() {
    let runtime =
        tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().expect("a runtime");
    let arguments: Vec<String> = std::env::args().collect();
    match arguments.iter().position(|argument| argument == "masters") {
        Some(at) => {
            runtime.block_on(masters(arguments[at + 1].parse().expect("an address"), arguments[at + 2] == "paced"));
        }
        None => runtime.block_on(serve()),
    }
}

fn station(n: usize) -> String {
    format!(
        "name = \"Bench {n}\"\nseed = {n}\n[source]\nline_voltage_v = 480.0\n[[pumps]]\nname = \"Pump 1\"\nload = \
         \"induction-motor\"\nrated_power_w = 44742.0\nrated_voltage_v = 460.0\nfull_load_current_a = 77.0\n\
         full_load_power_factor = 0.86\nschedule = [{{ at_s = 0.0, load = 0.8 }}]\nrepeat_s = 1000.0\n[[monitors]]\nname = \
         \"PM-1\"\nlisten = \"127.0.0.1:0\"\nmap = \"generic-full\"\ncircuits = [\"Pump 1\"]\ncurrents = [[\"A\", \"B\", \"C\"]]\n"
    )
}

async fn serve() {
    let cancel = CancellationToken::new();
    let files = (0..STATIONS).map(|n| StationFile::from_toml(&station(n)).expect("a station")).collect();
    let running = start(files, cancel.clone()).await.expect("the simulator");
    let mut text = String::from(
        "[http]\nlisten = \"127.0.0.1:0\"\n[modbus_server]\nlisten = \"127.0.0.1:0\"\nmax_connections = 64\n\
         max_connections_per_address = 64\nrequests_per_second = 100000\n",
    );
    for (monitor, block) in running.monitors.iter().zip(1..=SERVED) {
        let _ = write!(
            text,
            "[[modbus_server.circuits]]\nstation = \"{}\"\ncircuit = \"Pump 1\"\nblock = {block}\n",
            monitor.station
        );
    }
    for monitor in &running.monitors {
        let _ = write!(
            text,
            "[[stations]]\nname = \"{}\"\nservice = \"wye-4-wire\"\nnominal_voltage = \"480 V\"\n[[stations.monitors]]\n\
             name = \"PM-1\"\naddress = \"{}\"\nunit = {}\nmap = \"generic-full\"\npoll_period = \"1 s\"\n\
             [[stations.circuits]]\nname = \"Pump 1\"\nmonitor = \"PM-1\"\nload = \"induction-motor\"\n",
            monitor.station, monitor.address, monitor.unit
        );
    }
    let config = parse("bench.toml", &text, &MapLibrary::builtin()).expect("a good configuration");
    let daemon = Daemon::bind(&config).await.expect("free ports");
    let address = daemon.modbus_address().expect("a server");
    let readers = daemon.readers();
    let run = tokio::spawn(daemon.run(cancel.clone(), None));
    tokio::time::sleep(Duration::from_secs(2)).await;
    for how in ["paced", "unpaced"] {
        let polls = || -> (u64, u64, u64) {
            readers.iter().fold((0, 0, 0), |sum, reader| {
                let health = &reader.get().monitors[0].health;
                (sum.0 + health.polls, sum.1 + health.skipped_ticks, sum.2 + health.failed_transactions)
            })
        };
        let before = polls();
        let cpu = cpu_seconds();
        let child = Command::new(std::env::current_exe().expect("own path"))
            .args(["masters", &address.to_string(), how])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the masters");
        let output = tokio::task::spawn_blocking(move || child.wait_with_output()).await.expect("a thread");
        let output = output.expect("their figures");
        let after = polls();
        print!("{how}: {}", String::from_utf8_lossy(&output.stdout));
        println!(
            "  meanwhile {} polls of {STATIONS} monitors, {} skipped, {} failed; CPU of daemon and simulator {:.1} s",
            after.0 - before.0,
            after.1 - before.1,
            after.2 - before.2,
            cpu_seconds() - cpu
        );
    }
    cancel.cancel();
    let _ = run.await;
}

async fn masters(address: SocketAddr, paced: bool) {
    let end = Instant::now() + ROUND;
    let tasks: Vec<_> = (0..MASTERS).map(|n| tokio::spawn(master(address, n, paced, end))).collect();
    let mut times = Vec::new();
    for task in tasks {
        times.extend(task.await.expect("a master"));
    }
    times.sort_unstable();
    let at = |share: f64| times[((times.len() - 1) as f64 * share) as usize].as_secs_f64() * 1000.0;
    println!(
        "{:.0} transactions/s by {MASTERS} masters; ms: median {:.3}, 99 % {:.3}, 99.9 % {:.3}, longest {:.3}",
        times.len() as f64 / ROUND.as_secs_f64(),
        at(0.5),
        at(0.99),
        at(0.999),
        at(1.0)
    );
}

async fn master(address: SocketAddr, n: usize, paced: bool, end: Instant) -> Vec<Duration> {
    let mut stream = TcpStream::connect(address).await.expect("a connection");
    stream.set_nodelay(true).expect("an option");
    let block = 200 * (1 + (n % SERVED) as u16);
    let mut request = vec![0, 0, 0, 0, 0, 6, 1, 3];
    request.extend(block.to_be_bytes());
    request.extend(124u16.to_be_bytes());
    let mut answer = vec![0; 9 + 2 * 124];
    let mut ticks = tokio::time::interval(PACED);
    let mut times = Vec::new();
    while Instant::now() < end {
        if paced {
            ticks.tick().await;
        }
        let started = Instant::now();
        stream.write_all(&request).await.expect("to be heard");
        stream.read_exact(&mut answer).await.expect("an answer");
        assert_eq!(answer[7..9], [3, 248]);
        times.push(started.elapsed());
    }
    times
}

/// CPU time of this process, s.
fn cpu_seconds() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").expect("Linux");
    let fields: Vec<&str> = stat.rsplit(')').next().unwrap_or_default().split_whitespace().collect();
    let ticks = |at: usize| fields[at].parse::<f64>().expect("ticks");
    (ticks(11) + ticks(12)) / 100.0
}
