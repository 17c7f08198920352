//! `setward prove`: every alarm of a line folder made to raise and clear on a simulated plant, and a report of it.

mod plant;

use super::{Exit, check, fail, misused};
use crate::clock::Clock;
use crate::prove::report::Report;
use crate::prove::{Bench, prove as prove_alarms};
use plant::SimulatedPlant;
use setward_alarm::AlarmId;
use setward_config::line::Line;
use std::io::{IsTerminal as _, Write as _};
use std::path::PathBuf;
use std::sync::Arc;

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = PROVE_EXAMPLES)]
pub(crate) struct ProveArguments {
    /// The line folder: line.toml, alarms.toml, site.toml and recipes/*.toml. No plant is needed, and none is reached
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// Prove these alarms only, by their ids, with commas between
    #[arg(long, value_name = "IDS", value_delimiter = ',')]
    only: Vec<String>,
    /// Seed of the simulated plant; the same seed gives the same report
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Print the report as JSON
    #[arg(long)]
    json: bool,
    /// Write the report as a page for printing too, to FILE, which must not exist
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
}

const PROVE_EXAMPLES: &str = "\
Each alarm is brought about in virtual time, by a fault of the simulated process, an instrument or a controller, or where
nothing simulated does, by a register that shows what is not so. It must raise when its settings say, be acknowledged, and
clear. No plant is reached; nothing is written to the folder. Exit code 6 when an alarm fails.

Examples:
  setward prove plant/line-2
  setward prove plant/line-2 --html proof.html
  setward prove plant/line-2 --only fryer-inlet-cold,oil-flow-low --json";

/// Proves.
pub(crate) fn prove(arguments: &ProveArguments) -> Exit {
    match proven(arguments) {
        Ok(report) if report.has_failed() => Exit::ProofFailed,
        Ok(_report) => Exit::Ok,
        Err(exit) => exit,
    }
}

fn proven(arguments: &ProveArguments) -> Result<Report, Exit> {
    let mut line = check::load(&arguments.folder)?;
    // Said before minutes of proving, not after.
    if let Some(file) = arguments.html.as_deref().filter(|file| file.exists()) {
        super::probe::new_file(file)?;
    }
    // Nothing of a proof goes anywhere.
    line.without_servers();
    let line = Arc::new(line);
    let alarms = asked_for(&line, &arguments.only)?;
    let is_terminal = std::io::stderr().is_terminal();
    let bench = Bench {
        line: Arc::clone(&line),
        plant: &|| SimulatedPlant::new(&line, arguments.seed),
        progress: &|done, total| {
            if is_terminal {
                eprint!("\rproving {done} of {total} alarms ");
                let _shown = std::io::stderr().flush();
            }
        },
    };
    let proofs = prove_alarms(&bench, &alarms);
    if is_terminal {
        eprint!("\r{:40}\r", "");
    }
    let report = Report::new(&line, rfc3339(Clock::system()), arguments.seed, proofs);
    if let Some(file) = &arguments.html {
        let written = super::probe::new_file(file)?.write_all(report.html().as_bytes());
        written.map_err(|error| fail(&format!("writing {}: {error}", file.display())))?;
    }
    if arguments.json {
        let text = serde_json::to_string_pretty(&report);
        println!("{}", text.map_err(|error| fail(&format!("writing JSON: {error}")))?);
    } else {
        print!("{}", report.text());
    }
    Ok(report)
}

/// The alarms to be proven; all without `only`.
fn asked_for(line: &Line, only: &[String]) -> Result<Vec<AlarmId>, Exit> {
    if only.is_empty() {
        return Ok(line.alarms_with_ids().map(|(id, _)| id).collect());
    }
    only.iter().map(|id| line.alarm_by_id(id).ok_or_else(|| unknown(line, id))).collect()
}

fn unknown(line: &Line, id: &str) -> Exit {
    let near = |alarm: &&setward_config::line::LineAlarm| strsim::jaro_winkler(&alarm.id, id);
    let nearest = line.alarms.iter().max_by(|a, b| near(a).total_cmp(&near(b)));
    let hint = nearest.map(|alarm| format!("; the nearest is {}", alarm.id)).unwrap_or_default();
    misused(&format!("--only: this line has no alarm {id:?}{hint}"))
}

fn rfc3339(clock: Clock) -> String {
    let utc_ms = clock.utc().0;
    jiff::Timestamp::from_millisecond(utc_ms).map_or_else(|_| utc_ms.to_string(), |at| at.to_string())
}
