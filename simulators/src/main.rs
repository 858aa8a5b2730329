//! The `wattassay-simulator` program: hands the command line to the library and reports how it ended.
//!
//! Must never hold anything a test would want to reach.

use std::process::ExitCode;

fn main() -> ExitCode {
    match wattassay_simulators::run_command_line() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("error: {error:#}");
            ExitCode::FAILURE
        }
    }
}
