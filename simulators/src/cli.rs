//! The command line of the simulator: serve stations, dump samples, list what is built in.
//!
//! Must never open a socket beyond loopback unless told to.

use std::fmt::Write as _;
use std::io::Write as _;
use std::net::SocketAddr;
use std::path::PathBuf;

use anyhow::Context as _;
use clap::{Args, Parser, Subcommand, ValueEnum};
use tokio_util::sync::CancellationToken;

use crate::clock::SimClock;
use crate::demo::{demo_stations, demo_texts};
use crate::dump::Dump;
use crate::error::SimError;
use crate::image_file::ImageFile;
use crate::map_file::builtin_map_names;
use crate::monitor_file::{ProtocolFile, Transport};
use crate::server::{Running, serve_images, start_with};
use crate::station::Station;
use crate::station_file::{StationFile, Verdict};

/// Pump stations that are wrong on purpose, metered from sampled waveforms and served over Modbus.
///
/// A station file (TOML) says what the supply, the pumps and the leads of each monitor really are. The simulator
/// samples the waveforms, meters them as the monitor would, and serves its registers. Nothing can be written to it.
#[derive(Debug, Parser)]
#[command(name = "wattassay-simulator", version)]
struct CommandLine {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Serve stations over Modbus until interrupted (Ctrl-C or SIGTERM).
    Serve(Serve),
    /// Print the sampled waveforms of one monitor at one moment, with what was metered from them.
    Dump(DumpCommand),
    /// Serve registers from a JSON file, on FC 01 to 04, until interrupted: for interoperability tests.
    ServeImage(ServeImage),
    /// List the bundled stations, their monitors and the built-in meter maps.
    List,
}

#[derive(Debug, Args)]
struct Serve {
    /// Station files; the bundled demonstration stations when none is given.
    files: Vec<PathBuf>,
    /// Station time runs this many times as fast as the wall clock.
    #[arg(long, default_value_t = 1.0)]
    rate: f64,
    /// Allow listening beyond this computer. The protocol has no authentication.
    #[arg(long)]
    expose: bool,
}

#[derive(Debug, Args)]
struct ServeImage {
    /// What to serve; its form is told in `src/image_file.rs`.
    file: PathBuf,
    /// Allow listening beyond this computer. The protocol has no authentication.
    #[arg(long)]
    expose: bool,
}

#[derive(Debug, Args)]
struct DumpCommand {
    /// A station file, or the name of a bundled station (see `list`).
    #[arg(long)]
    station: String,
    /// Monitor; the first of the station when not given.
    #[arg(long)]
    monitor: Option<String>,
    /// Station time in seconds.
    #[arg(long, default_value_t = 10.0)]
    at: f64,
    /// Whole cycles to sample, 1 to 600.
    #[arg(long, default_value_t = 4)]
    cycles: usize,
    /// Form of the output.
    #[arg(long, value_enum, default_value_t = Form::Json)]
    format: Form,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Form {
    /// One JSON object with samples and metered values.
    Json,
    /// Samples only, one row each.
    Csv,
}

/// Runs the program on the process's arguments.
pub fn run_command_line() -> anyhow::Result<()> {
    let output = match CommandLine::parse().command {
        Command::Serve(command) => return serve(&command),
        Command::ServeImage(command) => return serve_image_file(&command),
        Command::Dump(command) => dump(&command)?,
        Command::List => list()?,
    };
    match std::io::stdout().lock().write_all(output.as_bytes()) {
        // The reader of a pipe may stop early; that is its right, not a fault.
        Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
        written => written.context("cannot write the output"),
    }
}

fn serve(command: &Serve) -> anyhow::Result<()> {
    tracing_subscriber::fmt()
        .with_writer(std::io::stderr)
        .with_env_filter(
            tracing_subscriber::EnvFilter::try_from_default_env()
                .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("info")),
        )
        .init();
    if !command.rate.is_finite() || command.rate <= 0.0 {
        return Err(SimError::Usage(format!("--rate must be more than 0, not {}", command.rate)).into());
    }
    let stations = if command.files.is_empty() {
        demo_stations()
    } else {
        command.files.iter().map(|path| StationFile::read(path)).collect::<Result<_, _>>()?
    };
    if !command.expose {
        check_loopback(&stations)?;
    }
    let runtime = tokio::runtime::Runtime::new().context("cannot start the runtime")?;
    runtime.block_on(async {
        let cancel = CancellationToken::new();
        let running = start_with(stations, SimClock::running(command.rate), cancel.clone()).await?;
        print!("{}", describe(&running));
        println!("ready: {} monitors", running.monitors.len());
        std::io::stdout().flush().context("cannot write the output")?;
        stop_signal().await?;
        cancel.cancel();
        running.stopped().await;
        Ok(())
    })
}

fn serve_image_file(command: &ServeImage) -> anyhow::Result<()> {
    let file = ImageFile::read(&command.file)?;
    if !command.expose && !file.listen.ip().is_loopback() {
        return Err(SimError::Usage(format!("{} is beyond this computer: allow it with --expose", file.listen)).into());
    }
    let images = file.images()?;
    let runtime = tokio::runtime::Runtime::new().context("cannot start the runtime")?;
    runtime.block_on(async {
        let cancel = CancellationToken::new();
        let protocol = ProtocolFile::default();
        let running = serve_images(file.listen, Transport::Tcp, images, &protocol, cancel.clone()).await?;
        println!("ready: {}", running.address);
        std::io::stdout().flush().context("cannot write the output")?;
        stop_signal().await?;
        cancel.cancel();
        running.stopped().await;
        Ok(())
    })
}

/// Waits for Ctrl-C or SIGTERM.
async fn stop_signal() -> anyhow::Result<()> {
    let mut terminate = tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate())
        .context("cannot listen for SIGTERM")?;
    tokio::select! {
        interrupt = tokio::signal::ctrl_c() => interrupt.context("cannot listen for Ctrl-C"),
        _ = terminate.recv() => Ok(()),
    }
}

fn check_loopback(stations: &[StationFile]) -> Result<(), SimError> {
    for station in stations {
        for monitor in &station.monitors {
            // An address that cannot be read is reported where the server reads it.
            if monitor.listen.parse::<SocketAddr>().is_ok_and(|address| !address.ip().is_loopback()) {
                return Err(SimError::Usage(format!(
                    "station \"{}\", monitor \"{}\" listens on {}, beyond this computer: allow it with --expose",
                    station.name, monitor.name, monitor.listen
                )));
            }
        }
    }
    Ok(())
}

fn describe(running: &Running) -> String {
    let mut text = String::new();
    for monitor in &running.monitors {
        let transport = match monitor.transport {
            Transport::Tcp => "tcp",
            Transport::RtuOverTcp => "rtu-over-tcp",
        };
        // Writing to a string cannot fail.
        let _ = writeln!(
            text,
            "{:<22} {:<6} {:<21} unit {:<3} {transport:<12} {}",
            monitor.station, monitor.monitor, monitor.address, monitor.unit, monitor.map
        );
    }
    text
}

fn dump(command: &DumpCommand) -> anyhow::Result<String> {
    let bundled = demo_texts().iter().find(|(name, _)| *name == command.station);
    let file = match bundled {
        Some((_, text)) => StationFile::from_toml(text)?,
        None => StationFile::read(std::path::Path::new(&command.station))?,
    };
    let station = Station::new(&file)?;
    let first = file.monitors.first().map(|monitor| monitor.name.clone());
    let monitor = command
        .monitor
        .clone()
        .or(first)
        .ok_or_else(|| SimError::Usage(format!("station \"{}\" has no monitor", file.name)))?;
    if !command.at.is_finite() || command.at < 0.0 {
        return Err(SimError::Usage(format!("--at must not be negative, not {}", command.at)).into());
    }
    if !(1..=600).contains(&command.cycles) {
        return Err(SimError::Usage(format!("--cycles must be 1 to 600, not {}", command.cycles)).into());
    }
    let dump = Dump::take(&station, &monitor, command.at, command.cycles)?;
    Ok(match command.format {
        Form::Json => serde_json::to_string_pretty(&dump).context("cannot write the samples")? + "\n",
        Form::Csv => dump.to_csv(),
    })
}

fn list() -> anyhow::Result<String> {
    let mut text = String::from("Bundled stations:\n");
    for (key, source) in demo_texts() {
        let file = StationFile::from_toml(source)?;
        let truth = match &file.expect {
            Some(expect) if expect.verdict == Verdict::Sound => format!("OK. {}", expect.note),
            Some(expect) => format!("fault: {}", expect.note),
            None => "truth not stated".to_owned(),
        };
        let _ = writeln!(text, "  {key:<22} {} - {truth}", file.name);
        for monitor in &file.monitors {
            let _ =
                writeln!(text, "    {:<6} {} unit {} map {}", monitor.name, monitor.listen, monitor.unit, monitor.map);
        }
    }
    text += "Meter maps:\n";
    for name in builtin_map_names() {
        let _ = writeln!(text, "  {name}");
    }
    text += "  sunspec-201 .. sunspec-204 (integers), sunspec-211 .. sunspec-214 (floats)\n";
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_line_is_consistent() {
        use clap::CommandFactory as _;
        CommandLine::command().debug_assert();
    }

    #[test]
    fn listening_beyond_loopback_is_refused_unless_exposed() {
        let mut stations = demo_stations();
        assert!(check_loopback(&stations).is_ok());
        stations[0].monitors[0].listen = "0.0.0.0:15021".to_owned();
        assert!(check_loopback(&stations).unwrap_err().to_string().contains("--expose"));
    }
}
