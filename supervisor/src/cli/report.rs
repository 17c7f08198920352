//! `setward report`: what history says of the line over a stretch of time.

use super::window::{span_between, zone_named};
use super::{Exit, check, fail, misused};
use crate::clock::Clock;
use crate::history::HistoryReader;
use crate::report::alarm_report;
use setward_protocol::UtcMillis;
use std::path::PathBuf;

/// How far back a report looks when it is not told.
const USUAL_LENGTH_MS: i64 = 7 * 24 * 3_600_000;

/// What the command is given.
#[derive(Debug, clap::Args)]
pub(crate) struct ReportArguments {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, clap::Subcommand)]
enum What {
    /// How well the alarms serve the person who hears them, and how long each could not have fired
    Alarms(AlarmsOver),
}

#[derive(Debug, clap::Args)]
#[command(after_help = REPORT_EXAMPLES)]
struct AlarmsOver {
    /// The line folder; its site.toml says where the history is
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// Beginning: "2026-11-23 06:00", 2026-11-23T06:00:00+01:00, or how long before the end, "7 d", which is the default
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// End, no longer in it: as --from, or how long before now, "2 h". Default now
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// Time zone of --from and --to, such as Europe/Madrid; the plant's if it is not given
    #[arg(long, value_name = "ZONE")]
    zone: Option<String>,
    /// Print the report as JSON
    #[arg(long)]
    json: bool,
}

const REPORT_EXAMPLES: &str = "\
Works while the line is watched and when it is not. Aims are those openly restated from ISA-18.2.

Examples:
  setward report alarms plant/line-2
  setward report alarms plant/line-2 --from \"30 d\" --json";

/// Prints a report.
pub(crate) async fn report(arguments: &ReportArguments) -> Exit {
    let What::Alarms(asked) = &arguments.what;
    match alarms(asked).await {
        Ok(()) => Exit::Ok,
        Err(exit) => exit,
    }
}

async fn alarms(asked: &AlarmsOver) -> Result<(), Exit> {
    let failed = |error: crate::history::HistoryError| fail(&error.text);
    let line = check::load(&asked.folder)?;
    let zone = zone_named(asked.zone.as_deref(), &line).map_err(|text| misused(&text))?;
    let now = Clock::system().utc();
    let ends = (asked.from.as_deref(), asked.to.as_deref());
    let span = span_between(ends, USUAL_LENGTH_MS, &zone, now).map_err(|text| misused(&text))?;
    let reader = HistoryReader::open(&line.data_dir).map_err(failed)?;
    let last = reader.extent().map_err(failed)?.map_or(UtcMillis(i64::MIN), |(_, last)| last);
    let report = alarm_report(&line, &reader, span, last).await.map_err(failed)?;
    if asked.json {
        let text =
            serde_json::to_string_pretty(&report).map_err(|error| fail(&format!("writing JSON: {error}")))?;
        println!("{text}");
    } else {
        print!("{}", report.text());
    }
    Ok(())
}
