//! The `wattassay` program. Everything is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    wattassay::cli::main()
}
