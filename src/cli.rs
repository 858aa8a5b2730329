//! The command line: one file a command, and the exit codes they share.
//!
//! Results go to standard output, logs and errors to standard error.

mod alarm_report;
mod alarms;
mod audit;
mod check;
mod columns;
mod demo;
mod finding;
mod history;
mod journal;
mod logging;
mod maps;
mod notify;
mod registers;
mod reload;
mod replay;
mod run;
mod sheet;
mod signals;
mod span;
mod users;

use std::future::Future;
use std::io::{self, Write};
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration;

use clap::{Args, Parser, Subcommand};

use self::logging::LogOptions;

const EXIT_CODES: &str = "\
Exit codes:
  0  all well (run: stopped as told; audit, replay, sheet: every circuit is sound; check: nothing wrong)
  1  audit, replay, sheet: a fault was found; check: the configuration has problems (warnings alone: 0);
     maps try: the map does not fit, or values are impossible or could not be read;
     journal verify: the journal was altered; notify test: a target did not take the message
  2  audit, replay, sheet: no fault found, but at least one circuit could not be judged;
     maps try: the device answers and gives no measured value (all registers 0, all the same, not available)
  3  error: bad arguments, unreadable configuration or recording, address in use and the like

wattassay only ever reads from monitors; it has no way of writing to one.";

/// Audits the power metering of pump stations: reads monitors over Modbus, says which lead is wrong and how sure that is,
/// and computes the power that a rightly wired monitor would show.
#[derive(Debug, Parser)]
#[command(name = "wattassay", version, after_help = EXIT_CODES, max_term_width = 100)]
struct Cli {
    #[command(flatten)]
    log: LogOptions,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Watch all stations of a configuration until stopped, and serve metrics and JSON
    Run(run::Options),
    /// Have the running daemon read its configuration again (SIGHUP does the same)
    Reload(reload::Options),
    /// Look for mistakes in configuration files without touching any monitor
    Check(check::Options),
    /// Read the monitors for a while, then print what is wrong with each circuit
    Audit(audit::Options),
    /// Put recorded readings through the same audit: tables (CSV, plain or gzip) of one or many stations
    Replay(replay::Options),
    /// Draft the columns file that replay needs from the heading of a recorded table
    Columns(columns::Options),
    /// Read one circuit for a while, then give a page to take to the panel
    Sheet(sheet::Options),
    /// Add one finding of a check at the panel to the findings file, and show how the diagnosis moved
    Finding(finding::Options),
    /// Show it all working on simulated pump stations, some of them wired wrong on purpose
    Demo(demo::Options),
    /// List the built-in register maps, print one, or try one on a monitor
    Maps(maps::Options),
    /// List the registers of the Modbus server: text, a manual, or a CSV for tag import
    Registers(registers::Options),
    /// Show what the history holds, or export a span of it
    History(history::Options),
    /// Add, list, change and remove users and API tokens
    Users(users::Options),
    /// Check that a journal is what was written, or export it
    Journal(journal::Options),
    /// List the kinds of alarms, or report how well the alarms of a period served the operator
    Alarms(alarms::Options),
    /// Try the targets of notifications
    Notify(notify::Options),
}

/// Where the configuration is.
#[derive(Debug, Args)]
struct ConfigFile {
    /// Configuration file (TOML)
    #[arg(long, value_name = "FILE")]
    config: PathBuf,
}

/// How a command ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Exit {
    Well,
    FaultFound,
    CouldNotTell,
    Error,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> ExitCode {
        ExitCode::from(exit as u8)
    }
}

/// Parses the arguments, runs the command, and turns its end into an exit code.
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            // Nothing sensible is left to do when even this cannot be printed.
            let _ = error.print();
            // clap's own code for bad arguments is 2, which here would say "could not tell".
            return if error.use_stderr() { Exit::Error } else { Exit::Well }.into();
        }
    };
    match dispatch(cli) {
        Ok(exit) => exit.into(),
        Err(error) => {
            complain(&told(&error));
            Exit::Error.into()
        }
    }
}

fn dispatch(cli: Cli) -> anyhow::Result<Exit> {
    match cli.command {
        Command::Run(options) => {
            logging::start(&cli.log, logging::TELL_NEWS)?;
            on_runtime(run::run(options))
        }
        Command::Reload(options) => on_runtime(reload::run(options)),
        Command::Check(options) => check::run(&options),
        Command::Audit(options) => {
            logging::start(&cli.log, logging::ERRORS_ONLY)?;
            on_runtime(audit::run(options))
        }
        Command::Replay(options) => {
            logging::start(&cli.log, logging::ERRORS_ONLY)?;
            replay::run(&options)
        }
        Command::Columns(options) => columns::run(&options),
        Command::Sheet(options) => {
            logging::start(&cli.log, logging::ERRORS_ONLY)?;
            on_runtime(sheet::run(options))
        }
        Command::Finding(options) => {
            logging::start(&cli.log, logging::ERRORS_ONLY)?;
            on_runtime(finding::run(options))
        }
        Command::Demo(options) => {
            logging::start(&cli.log, logging::TELL_NEWS)?;
            on_runtime(demo::run(options))
        }
        Command::Maps(options) => {
            logging::start(&cli.log, logging::ERRORS_ONLY)?;
            on_runtime(maps::run(options))
        }
        Command::Registers(options) => registers::run(&options),
        Command::History(options) => history::run(&options),
        Command::Users(options) => users::run(&options),
        Command::Journal(options) => journal::run(&options),
        Command::Alarms(options) => alarms::run(&options),
        Command::Notify(options) => {
            logging::start(&cli.log, logging::ERRORS_ONLY)?;
            on_runtime(notify::run(options))
        }
    }
}

fn on_runtime(command: impl Future<Output = anyhow::Result<Exit>>) -> anyhow::Result<Exit> {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build()?;
    let result = runtime.block_on(command);
    // A name look-up that hangs in the system's resolver must not hold up the end.
    runtime.shutdown_timeout(Duration::from_millis(100));
    result
}

/// Writes to standard output. A reader that has gone away (`| head`) is not an error.
fn print(text: &str) -> anyhow::Result<()> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => Err(error.into()),
        _ => Ok(()),
    }
}

/// An error with its causes; a cause that its error has told already is not told twice.
fn told(error: &anyhow::Error) -> String {
    error
        .chain()
        .skip(1)
        .map(ToString::to_string)
        .fold(error.to_string(), |text, cause| if text.contains(&cause) { text } else { format!("{text}: {cause}") })
}

/// Writes a line to standard error, if anyone is there to read it.
fn complain(text: &str) {
    let _ = writeln!(io::stderr().lock(), "{text}");
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::*;

    #[test]
    fn the_command_line_is_well_formed() {
        Cli::command().debug_assert();
    }

    #[test]
    fn a_cause_is_told_once() {
        let taken = io::Error::new(io::ErrorKind::AddrInUse, "in use");
        let error = anyhow::Error::new(taken).context("cannot listen: in use").context("no daemon");
        assert_eq!(told(&error), "no daemon: cannot listen: in use");
    }

    #[test]
    fn exit_codes_are_as_documented() {
        let codes = [Exit::Well, Exit::FaultFound, Exit::CouldNotTell, Exit::Error].map(|e| e as u8);
        assert_eq!(codes, [0, 1, 2, 3]);
    }
}
