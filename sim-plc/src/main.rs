//! The program `sim-plc`. All of it is in [`sim_plc::cli`].
#![forbid(unsafe_code)]

use std::process::ExitCode;

fn main() -> ExitCode {
    sim_plc::cli::run()
}
