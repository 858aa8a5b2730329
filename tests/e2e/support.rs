//! What the outer tests share: simulated stations in this process, the real binary beside it, configuration between them.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::Duration;

use serde_json::Value;
use tempfile::TempDir;
use tokio_util::sync::CancellationToken;
use wattassay_simulators::{StationFile, start};

/// Looks that a test takes before it gives up.
const LOOKS: u32 = 600;
/// Between two looks at what tells of no change by itself.
const BETWEEN_LOOKS: Duration = Duration::from_millis(50);

/// The binary under test.
pub fn wattassay() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_wattassay"));
    command.env_remove("RUST_LOG");
    command
}

/// A simulated station and how the daemon is told of it.
#[derive(Debug, Clone)]
pub struct Scene {
    /// Station name, unique in a test.
    pub name: String,
    /// Map of the monitor, by the daemon's name; also the simulator's unless `simulated_map` says otherwise.
    pub map: &'static str,
    /// What the simulator encodes with.
    pub simulated_map: &'static str,
    /// What the voltage channels see.
    pub voltage: [String; 3],
    /// What the current channels see.
    pub current: [String; 3],
    /// What the current channels of a second pump on the same monitor see, where there is one; it runs as the first does.
    pub second: Option<[String; 3]>,
    /// Extra lines for the pumps of the station file.
    pub pump_extra: String,
    /// Magnitude of each supply phase, as a TOML array.
    pub phase_scale: &'static str,
    /// Load steps of three seconds each; 0 is a stopped pump.
    pub loads: Vec<f64>,
    /// Lines of `[monitors.protocol]`.
    pub protocol: String,
    /// "tcp" or "rtu-over-tcp".
    pub transport: &'static str,
    /// Extra lines for the monitor in the daemon's configuration.
    pub monitor_extra: String,
    /// Text of the map file that `map` names, when it is not a built-in one.
    pub map_file: Option<String>,
}

impl Scene {
    /// A sound pump that runs through three loads.
    pub fn sound(name: impl Into<String>, map: &'static str) -> Scene {
        let straight = || ["A", "B", "C"].map(str::to_owned);
        Scene {
            name: name.into(),
            map,
            simulated_map: map,
            voltage: straight(),
            current: straight(),
            second: None,
            pump_extra: String::new(),
            phase_scale: "[1.0, 0.995, 1.003]",
            loads: vec![1.0, 0.7, 0.42],
            protocol: String::new(),
            transport: "tcp",
            monitor_extra: String::new(),
            map_file: None,
        }
    }

    /// The simulator's file of the station.
    pub fn station_file(&self, seed: usize) -> String {
        let quoted = |three: &[String; 3]| format!("[\"{}\", \"{}\", \"{}\"]", three[0], three[1], three[2]);
        let step = |(n, load): (usize, &f64)| match load {
            0.0 => format!("{{ at_s = {}.0, stop = true }}", 3 * n),
            load => format!("{{ at_s = {}.0, load = {load} }}", 3 * n),
        };
        let steps: Vec<String> = self.loads.iter().enumerate().map(step).collect();
        let (steps, repeat) = (steps.join(", "), 3 * self.loads.len());
        let pump = |name: &str| {
            format!(
                r#"
[[pumps]]
name = "{name}"
load = "induction-motor"
rated_power_w = 44742.0
rated_voltage_v = 460.0
full_load_current_a = 77.0
full_load_power_factor = 0.86
schedule = [{steps}]
repeat_s = {repeat}.0
{extra}"#,
                extra = self.pump_extra,
            )
        };
        let pumps: String = self.pumps().iter().map(|name| pump(name)).collect();
        let currents: Vec<String> = std::iter::once(&self.current).chain(&self.second).map(quoted).collect();
        format!(
            r#"
name = "{name}"
seed = {seed}
[source]
line_voltage_v = 480.0
phase_scale = {scale}
noise = 0.001
{pumps}
[[monitors]]
name = "PM-1"
listen = "127.0.0.1:0"
map = "{map}"
circuits = {circuits:?}
transport = "{transport}"
voltage = {voltage}
currents = [{currents}]
[monitors.protocol]
{protocol}
"#,
            name = self.name,
            scale = self.phase_scale,
            map = self.simulated_map,
            circuits = self.pumps(),
            transport = self.transport,
            voltage = quoted(&self.voltage),
            currents = currents.join(", "),
            protocol = self.protocol,
        )
    }

    fn pumps(&self) -> &[&str] {
        if self.second.is_some() { &["Pump 1", "Pump 2"] } else { &["Pump 1"] }
    }

    /// How the daemon is told of the station, its monitor at an address.
    pub fn config(&self, address: &str, unit: u8) -> String {
        let circuit = |(n, name): (usize, &&str)| {
            format!(
                r#"[[stations.circuits]]
name = "{name}"
monitor = "PM-1"
slot = {slot}
load = "induction-motor"
rated_power = "60 hp"
rated_voltage = "460 V"
full_load_current = "77 A"
full_load_power_factor = 0.86
ct_ratio = "200:5"
"#,
                slot = n + 1,
            )
        };
        let circuits: String = self.pumps().iter().enumerate().map(circuit).collect();
        format!(
            r#"
[[stations]]
name = "{name}"
service = "wye-4-wire"
nominal_voltage = "480 V"
voltage_connection = "direct"
[[stations.monitors]]
name = "PM-1"
address = "{address}"
unit = {unit}
map = "{map}"
transport = "{transport}"
poll_period = "200 ms"
timeout = "100 ms"
{extra}
{circuits}"#,
            name = self.name,
            map = self.map,
            transport = self.transport,
            extra = self.monitor_extra,
        )
    }
}

/// Simulated stations being served, and the configuration file that names them.
pub struct Stage {
    _runtime: tokio::runtime::Runtime,
    cancel: CancellationToken,
    /// Keeps the folder of the configuration until the end.
    _folder: TempDir,
    /// The configuration.
    pub config: PathBuf,
    /// Where the monitor of each scene listens, in order.
    pub addresses: Vec<String>,
}

impl Drop for Stage {
    fn drop(&mut self) {
        self.cancel.cancel();
    }
}

impl Stage {
    /// Serves the scenes on free ports and writes the configuration.
    pub fn set(scenes: &[Scene]) -> Stage {
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
        let cancel = CancellationToken::new();
        let files: Vec<StationFile> = scenes
            .iter()
            .enumerate()
            .map(|(n, scene)| StationFile::from_toml(&scene.station_file(n + 1)).unwrap())
            .collect();
        let running = runtime.block_on(start(files, cancel.clone())).unwrap();
        let folder = tempfile::tempdir().unwrap();
        let mut text = String::from("[http]\nlisten = \"127.0.0.1:0\"\n[maps]\nfolder = \"maps\"\n");
        std::fs::create_dir(folder.path().join("maps")).unwrap();
        let mut addresses = Vec::new();
        for scene in scenes {
            let monitor = running.monitors.iter().find(|m| m.station == scene.name).unwrap();
            addresses.push(monitor.address.to_string());
            text += &scene.config(&monitor.address.to_string(), monitor.unit);
            if let Some(map) = &scene.map_file {
                std::fs::write(folder.path().join("maps").join(format!("{}.toml", scene.map)), map).unwrap();
            }
        }
        let config = folder.path().join("stations.toml");
        std::fs::write(&config, text).unwrap();
        Stage { _runtime: runtime, cancel, _folder: folder, config, addresses }
    }

    /// Runs `wattassay audit --json` for a number of seconds; exit code and document.
    pub fn audit(&self, seconds: u32) -> (i32, Value) {
        audit(&self.config, seconds)
    }
}

/// Runs `wattassay audit --json` on a configuration.
pub fn audit(config: &Path, seconds: u32) -> (i32, Value) {
    let output = wattassay()
        .args(["audit", "--json", "--for", &format!("{seconds} s"), "--config"])
        .arg(config)
        .output()
        .unwrap();
    let document =
        serde_json::from_slice(&output.stdout).unwrap_or_else(|error| panic!("no JSON ({error}): {}", told(&output)));
    (output.status.code().unwrap_or(-1), document)
}

/// What a look finds, sooner or later.
pub fn looked_for<T>(what: &str, look: impl Fn() -> Option<T>) -> T {
    for _ in 0..LOOKS {
        if let Some(found) = look() {
            return found;
        }
        std::thread::sleep(BETWEEN_LOOKS);
    }
    panic!("{what} was not seen")
}

/// What a process said, for messages.
pub fn told(output: &Output) -> String {
    format!(
        "exit {:?}\n{}\n{}",
        output.status.code(),
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    )
}

/// The station of that name in an audit document.
pub fn station<'a>(document: &'a Value, name: &str) -> &'a Value {
    document["stations"]
        .as_array()
        .and_then(|stations| stations.iter().find(|s| s["name"] == name))
        .unwrap_or_else(|| panic!("no station {name} in {document}"))
}

/// Words of all wirings in the leading group of a circuit.
pub fn leading(circuit: &Value) -> Vec<&str> {
    let members = circuit["diagnosis"]["groups"][0]["members"].as_array();
    members.map(|m| m.iter().filter_map(|m| m["words"].as_str()).collect()).unwrap_or_default()
}
