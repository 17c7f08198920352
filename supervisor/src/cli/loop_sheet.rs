//! `setward loop-sheet`: sheets to fill in beside the line, a block for each signal and each alarm.

use super::probe::new_file;
use super::{Exit, check, fail, misused};
use crate::clock::Clock;
use crate::commission::loop_sheet::LoopSheets;
use std::io::Write as _;
use std::path::PathBuf;

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = LOOP_SHEET_EXAMPLES)]
pub(crate) struct LoopSheetArguments {
    /// The line folder: line.toml, alarms.toml, site.toml and recipes/*.toml
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// Write to FILE, which must not exist; else to the terminal
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// CSV, a row for each point, instead of a page to print
    #[arg(long, conflicts_with = "json")]
    csv: bool,
    /// JSON instead of a page to print
    #[arg(long)]
    json: bool,
    /// Accuracy asked of each loop, percent of its span; half a count of the register is added
    #[arg(long, value_name = "PERCENT", default_value_t = 0.5, allow_hyphen_values = true)]
    tolerance: f64,
}

const LOOP_SHEET_EXAMPLES: &str = "\
For each signal: wiring, register, what to inject at 0, 25, 50, 75 and 100 % (mA, ohm or mV, by the sensor that `wiring`
names), what must be read, room for as-found and as-left. For each alarm: how to provoke it, when it raises, who answers.

Examples:
  setward loop-sheet plant/line-2 --out loops.html        open it and print it
  setward loop-sheet plant/line-2 --csv --out loops.csv
  setward loop-sheet plant/line-2 --tolerance 0.25 --out loops.html";

/// Makes the sheets.
pub(crate) fn loop_sheet(arguments: &LoopSheetArguments) -> Exit {
    made(arguments).map_or_else(|exit| exit, |()| Exit::Ok)
}

fn made(arguments: &LoopSheetArguments) -> Result<(), Exit> {
    let tolerance = arguments.tolerance;
    if !(tolerance > 0.0 && tolerance <= 100.0) {
        return Err(misused(&format!(
            "--tolerance {tolerance}: no loop can be checked to that; write percent of the span above 0 and up to 100, such as 0.5"
        )));
    }
    let line = check::load(&arguments.folder)?;
    let utc_ms = Clock::system().utc().0;
    let made_utc =
        jiff::Timestamp::from_millisecond(utc_ms).map_or_else(|_| utc_ms.to_string(), |at| at.to_string());
    let sheets = LoopSheets::new(&line, made_utc, tolerance);
    let text = if arguments.csv {
        sheets.csv()
    } else if arguments.json {
        serde_json::to_string_pretty(&sheets).map_err(|error| fail(&format!("writing JSON: {error}")))? + "\n"
    } else {
        sheets.html()
    };
    match &arguments.out {
        None => print!("{text}"),
        Some(path) => {
            new_file(path)?
                .write_all(text.as_bytes())
                .map_err(|error| fail(&format!("writing {}: {error}", path.display())))?;
            eprintln!(
                "{}: {} signals, {} alarms",
                path.display(),
                sheets.signals.len(),
                sheets.alarms.len() + sheets.automatic_alarms.len()
            );
        }
    }
    Ok(())
}
