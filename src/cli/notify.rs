//! `wattassay notify`: tries the targets of notifications, beside a running daemon or without one.

use std::time::{Instant, SystemTime, UNIX_EPOCH};

use anyhow::bail;
use clap::{Args, Subcommand};

use super::{ConfigFile, Exit, print};
use crate::config;
use crate::notify::message::Message;
use crate::notify::outbox_file::Waiting;
use crate::notify::send::{self, file_problems};
use crate::notify::settings::Target;
use crate::reading::UnixMs;

#[derive(Debug, Args)]
pub(super) struct Options {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Send one test message to each target, past the outbox, and say what happened
    Test(TestOptions),
}

#[derive(Debug, Args)]
struct TestOptions {
    #[command(flatten)]
    config: ConfigFile,
    /// Only this target
    #[arg(long, value_name = "NAME")]
    target: Option<String>,
}

pub(super) async fn run(options: Options) -> anyhow::Result<Exit> {
    let Action::Test(options) = options.action;
    let config = config::load(&options.config.config)?;
    let targets = config.notifications.map(|settings| settings.targets).unwrap_or_default();
    let names: Vec<String> = targets.iter().map(|target| format!("\"{}\"", target.name)).collect();
    let chosen: Vec<Target> = targets
        .into_iter()
        .filter(|target| options.target.as_ref().is_none_or(|wanted| target.name == *wanted))
        .collect();
    if chosen.is_empty() {
        match options.target {
            Some(wanted) if !names.is_empty() => {
                bail!("there is no target \"{wanted}\"; the configuration has {}", names.join(", "))
            }
            _ => bail!("the configuration names no target of notifications"),
        }
    }
    let mut exit = Exit::Well;
    for target in &chosen {
        let (place, began) = (format!("{} ({} {})", target.name, target.kind(), target.place()), Instant::now());
        let outcome = match file_problems(target).into_iter().next() {
            Some(problem) => Err(problem),
            None => send::deliver(target, &test_message(target)).await.map_err(|failure| failure.to_string()),
        };
        let line = match outcome {
            Ok(answer) => format!("{place}: delivered in {:.2} s: {answer}\n", began.elapsed().as_secs_f64()),
            Err(why) => {
                exit = Exit::FaultFound;
                format!("{place}: NOT delivered: {why}\n")
            }
        };
        print(&line)?;
    }
    Ok(exit)
}

fn test_message(target: &Target) -> Waiting {
    let now_ms = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_millis() as i64);
    let message = Message::test(UnixMs(now_ms), &target.name);
    Waiting { sequence: 0, id: format!("test-{now_ms}-{:08x}", fastrand::u32(..)), message }
}
