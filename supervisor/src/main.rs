//! The `setward` program. Everything is in the library; see `cli`.
#![forbid(unsafe_code)]

use std::process::ExitCode;

fn main() -> ExitCode {
    setward::cli::main()
}
