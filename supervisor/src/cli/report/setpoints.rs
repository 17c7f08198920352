//! `setward report setpoints`: a sheet for the person who enters setpoints.

use super::super::probe::new_file;
use super::super::{Exit, check, fail};
use super::print_json;
use crate::clock::Clock;
use crate::commission::setpoints::SetpointSheet;
use std::io::Write as _;
use std::path::PathBuf;

/// What the report is given.
#[derive(Debug, clap::Args)]
#[command(after_help = SETPOINTS_EXAMPLES)]
pub(super) struct SetpointsArguments {
    /// The line folder; no history is needed
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// Write a page to print to FILE, which must not exist, too
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Print the sheet as JSON
    #[arg(long)]
    json: bool,
}

const SETPOINTS_EXAMPLES: &str = "\
Every setpoint that a person enters, for each recipe: value, how far it may be turned unasked, tolerance, specification,
register. Nothing is written to a controller.

Examples:
  setward report setpoints plant/line-2
  setward report setpoints plant/line-2 --html setpoints.html";

pub(super) fn setpoints(arguments: &SetpointsArguments) -> Result<(), Exit> {
    let line = check::load(&arguments.folder)?;
    let utc_ms = Clock::system().utc().0;
    let made_utc =
        jiff::Timestamp::from_millisecond(utc_ms).map_or_else(|_| utc_ms.to_string(), |at| at.to_string());
    let sheet = SetpointSheet::new(&line, made_utc);
    if let Some(path) = &arguments.html {
        new_file(path)?
            .write_all(sheet.html().as_bytes())
            .map_err(|error| fail(&format!("writing {}: {error}", path.display())))?;
    }
    if arguments.json {
        return print_json(&sheet);
    }
    print!("{}", sheet.text());
    Ok(())
}
