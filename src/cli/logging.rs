//! Logs on standard error, for people or for machines.

use std::io;

use anyhow::Context;
use clap::{Args, ValueEnum};
use tracing_subscriber::EnvFilter;

/// Changes worth telling; the Modbus library speaks at lower levels of every frame.
pub(super) const TELL_NEWS: &str = "info,tokio_modbus=error";
/// For commands whose result is their output.
pub(super) const ERRORS_ONLY: &str = "error,tokio_modbus=off";

#[derive(Debug, Args)]
pub(super) struct LogOptions {
    /// How log lines on standard error look: human or json
    #[arg(
        long,
        global = true,
        value_enum,
        default_value_t = LogFormat::Human,
        value_name = "FORMAT",
        hide_possible_values = true,
        help_heading = "Log options"
    )]
    log_format: LogFormat,
    /// Which log lines to write [default: "info,tokio_modbus=error" for run and demo, errors only otherwise]
    #[arg(long, global = true, value_name = "FILTER", help_heading = "Log options")]
    log_filter: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum LogFormat {
    /// For people
    Human,
    /// One JSON object a line
    Json,
}

/// Starts logging; a panic anywhere becomes a log line too.
pub(super) fn start(options: &LogOptions, default_filter: &str) -> anyhow::Result<()> {
    let filter = options.log_filter.as_deref().unwrap_or(default_filter);
    let filter = EnvFilter::try_new(filter).with_context(|| format!("--log-filter \"{filter}\""))?;
    let builder = tracing_subscriber::fmt().with_env_filter(filter).with_writer(io::stderr);
    match options.log_format {
        // The fields repeat what the sentence says; people read the sentence.
        LogFormat::Human => builder
            .with_target(false)
            .with_ansi(false)
            .fmt_fields(tracing_subscriber::fmt::format::debug_fn(|writer, field, value| {
                if field.name() == "message" { write!(writer, "{value:?}") } else { Ok(()) }
            }))
            .try_init(),
        LogFormat::Json => builder.json().flatten_event(true).try_init(),
    }
    .map_err(|error| anyhow::anyhow!("cannot start logging: {error}"))?;
    std::panic::set_hook(Box::new(|panic| {
        let place = panic.location().map_or_else(String::new, |l| format!(" at {}:{}", l.file(), l.line()));
        let text = panic
            .payload()
            .downcast_ref::<&str>()
            .copied()
            .or_else(|| panic.payload().downcast_ref::<String>().map(String::as_str));
        tracing::error!("internal error{place}: {}", text.unwrap_or("no message"));
    }));
    Ok(())
}
