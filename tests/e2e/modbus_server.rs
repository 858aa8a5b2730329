//! The Modbus server of the real binary, beside simulated monitors over real sockets, asked with another Modbus library.

use std::io::{BufRead, BufReader};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio_modbus::client::{Context, Reader, Writer, tcp};
use tokio_modbus::{ExceptionCode, Slave};

use crate::support::{Scene, Stage, wattassay};

/// A daemon; ended when dropped.
pub struct Daemon {
    child: Child,
    /// Where its Modbus server is.
    pub modbus: SocketAddr,
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

const SERVER: &str = r#"
[modbus_server]
listen = "127.0.0.1:0"
requests_per_second = 5000
max_connections = 20
max_connections_per_address = 20
[[modbus_server.circuits]]
station = "Sound"
circuit = "Pump 1"
block = 1
sunspec_unit = 11
[[modbus_server.circuits]]
station = "Silent"
circuit = "Pump 1"
block = 2
sunspec_unit = 12
[[modbus_server.pass_through]]
unit = 101
station = "Sound"
monitor = "PM-1"
[[modbus_server.pass_through]]
unit = 102
station = "Silent"
monitor = "PM-1"
"#;

/// The stage's configuration with one more table.
pub fn with_table(stage: &Stage, table: &str) -> PathBuf {
    let text = std::fs::read_to_string(&stage.config).unwrap();
    let config = stage.config.with_file_name("served.toml");
    std::fs::write(&config, format!("{text}\n{table}")).unwrap();
    config
}

/// Starts a daemon whose configuration has a Modbus server.
pub fn start(config: &Path) -> Daemon {
    let mut child =
        wattassay().args(["run", "--config"]).arg(config).stderr(Stdio::piped()).spawn().expect("the daemon");
    let mut log = BufReader::new(child.stderr.take().unwrap());
    let modbus = loop {
        let mut line = String::new();
        assert!(log.read_line(&mut line).unwrap() > 0, "the daemon ended before it listened");
        if let Some((_, address)) = line.trim_end().split_once("Modbus server listens on ") {
            break address.parse().unwrap();
        }
    };
    // Whatever else it says is taken, so that it never waits for a reader.
    std::thread::spawn(move || std::io::copy(&mut log, &mut std::io::sink()));
    Daemon { child, modbus }
}

async fn client(daemon: &Daemon, unit: u8) -> Context {
    let stream = TcpStream::connect(daemon.modbus).await.unwrap();
    tcp::attach_slave(stream, Slave(unit))
}

async fn words(client: &mut Context, first: u16, count: u16) -> Vec<u16> {
    client.read_holding_registers(first, count).await.unwrap().unwrap()
}

/// Reads until the words are as wished.
async fn wait(client: &mut Context, first: u16, wished: impl Fn(&[u16]) -> bool) -> Vec<u16> {
    let end = Instant::now() + Duration::from_mins(1);
    loop {
        let block = words(client, first, 124).await;
        if wished(&block) {
            return block;
        }
        assert!(Instant::now() < end, "never came to be: {:?}", &block[..40]);
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

/// What the masters run in.
pub fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap()
}

fn scenes() -> Vec<Scene> {
    let mut silent = Scene::sound("Silent", "generic-full");
    silent.protocol = String::from("faults = [{ kind = \"silent\", from_s = 3.0 }]");
    let mut sound = Scene::sound("Sound", "generic-full");
    sound.loads = vec![0.8];
    vec![sound, silent]
}

#[test]
fn a_master_reads_sound_and_silent_monitors_for_what_they_are() {
    let stage = Stage::set(&scenes());
    let daemon = start(&with_table(&stage, SERVER));
    runtime().block_on(async {
        let mut audit = client(&daemon, 1).await;
        let sound = wait(&mut audit, 200, |block| block[3] == 1 && block[7] == 3 && block[8] == 1).await;
        assert!(f32::from_bits(u32::from(sound[40]) << 16 | u32::from(sound[41])) > 10_000.0, "corrected W");
        assert_eq!(words(&mut audit, 0, 1).await, [0x5741]);

        // The silent monitor answered at first; then its values must go and its state must say so.
        let stale = wait(&mut audit, 400, |block| block[3] == 2).await;
        assert_eq!(stale[6] & 2, 2, "the alarm \"not live\"");
        for offset in (40..112).step_by(2).filter(|offset| !(102..112).contains(offset)) {
            let value = f32::from_bits(u32::from(stale[offset]) << 16 | u32::from(stale[offset + 1]));
            assert!(value.is_nan(), "an old value at offset {offset}: {value}");
        }
        let mut meter = client(&daemon, 12).await;
        let watts = words(&mut meter, 40_098, 2).await;
        assert!(f32::from_bits(u32::from(watts[0]) << 16 | u32::from(watts[1])).is_nan(), "an old W");
        let mut passed = client(&daemon, 102).await;
        let silence = passed.read_holding_registers(0, 6).await.unwrap();
        assert_eq!(silence, Err(ExceptionCode::GatewayTargetDevice));
        // The neighbour is untouched by all this.
        let mut passed = client(&daemon, 101).await;
        let volts = words(&mut passed, 0, 2).await;
        let volts = f32::from_bits(u32::from(volts[0]) << 16 | u32::from(volts[1]));
        assert!((260.0..290.0).contains(&volts), "{volts} V read through");
    });
}

#[test]
fn nothing_is_written_and_nonsense_costs_its_sender_only() {
    let stage = Stage::set(&scenes());
    let daemon = start(&with_table(&stage, SERVER));
    runtime().block_on(async {
        for unit in [1, 11, 101, 77] {
            let mut master = client(&daemon, unit).await;
            let refused = Err(ExceptionCode::IllegalFunction);
            assert_eq!(master.write_single_register(200, 1).await.unwrap(), refused, "unit {unit}");
            assert_eq!(master.write_single_coil(200, true).await.unwrap(), refused, "unit {unit}");
            assert_eq!(master.write_multiple_registers(0, &[1; 100]).await.unwrap(), refused, "unit {unit}");
            assert_eq!(master.write_multiple_coils(0, &[true; 9]).await.unwrap(), refused, "unit {unit}");
        }
        let mut good = client(&daemon, 1).await;
        let noise: Vec<Vec<u8>> = vec![
            b"GET / HTTP/1.1\r\nHost: x\r\n\r\n".to_vec(),
            vec![0xFF; 300],
            vec![0, 1, 0, 0, 0xFF, 0xFF, 1, 3],
            // FC 0F with a quantity that its bytes do not hold.
            vec![0, 1, 0, 0, 0, 8, 1, 15, 0, 0, 0xFF, 0xFF, 1, 0],
            vec![0, 1, 0, 0, 0, 6, 1, 3],
        ];
        for bytes in noise {
            let mut bad = TcpStream::connect(daemon.modbus).await.unwrap();
            bad.write_all(&bytes).await.unwrap();
            bad.shutdown().await.unwrap();
            let mut rest = Vec::new();
            // A reset is as good an end as any.
            let _ = bad.read_to_end(&mut rest).await;
            assert_eq!(words(&mut good, 0, 1).await, [0x5741], "after {bytes:02X?}");
        }
    });
}
