//! `setward prove`: every alarm of a line folder made to raise and clear on a simulated plant, and a report of it.

mod plant;

use super::{Exit, check, fail, misused};
use crate::clock::Clock;
use crate::prove::report::Report;
use crate::prove::{Bench, prove as prove_alarms};
use plant::SimulatedPlant;
use setward_alarm::{AlarmId, Watched};
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
clear: on each side where it has two, for too little and too much, for each code. What of it could not be brought about is
told, and is no failure. No plant is reached; nothing is written to the folder. Exit code 6 when an alarm fails.

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
    // Nothing of a proof goes anywhere: the alarms on servers are left out, and the report says so.
    let on_servers = line.alarms.iter().filter(|alarm| matches!(alarm.settings.watches, Watched::Server(_)));
    let on_servers: Vec<String> = on_servers.map(|alarm| alarm.id.clone()).collect();
    line.without_servers();
    let line = Arc::new(line);
    let (alarms, left_out) = asked_for(&line, &arguments.only, on_servers)?;
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
    let report = Report::new(&line, rfc3339(Clock::system()), arguments.seed, proofs).leaving_out(left_out);
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

/// The alarms to be proven, all without `only`; and the ids of those that are left out.
fn asked_for(
    line: &Line,
    only: &[String],
    on_servers: Vec<String>,
) -> Result<(Vec<AlarmId>, Vec<String>), Exit> {
    if only.is_empty() {
        return Ok((line.alarms_with_ids().map(|(id, _)| id).collect(), on_servers));
    }
    let (left_out, tried): (Vec<String>, Vec<String>) =
        only.iter().cloned().partition(|id| on_servers.contains(id));
    let asked = tried.iter().map(|id| line.alarm_by_id(id).ok_or_else(|| unknown(line, id)));
    Ok((asked.collect::<Result<_, Exit>>()?, left_out))
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn alarms_on_servers_are_left_out_and_named() {
        let line = setward_config::load_demo().unwrap().line;
        let servers = || vec!["forwarding.archive".to_owned()];
        let Ok((alarms, left_out)) = asked_for(&line, &[], servers()) else { panic!() };
        assert_eq!((alarms.len(), left_out), (line.alarms.len(), servers()));
        let only = ["forwarding.archive", "oil-flow-low"].map(str::to_owned);
        let Ok((alarms, left_out)) = asked_for(&line, &only, servers()) else { panic!() };
        assert_eq!((alarms, left_out), (vec![line.alarm_by_id("oil-flow-low").unwrap()], servers()));
        let Ok((_, left_out)) = asked_for(&line, &only[1..], servers()) else { panic!() };
        assert!(left_out.is_empty(), "nobody asked for it");
    }
}
