//! `setward report`: what history says of the line over a stretch of time.

mod batch;
mod hold;
mod loops;
mod records;
mod setpoints;
mod shift;
mod statistics;

use super::window::{local, now_of, span_between, zone_named};
use super::{Exit, check, fail, misused};
use crate::history::HistoryReader;
use crate::report::alarm_report;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::Serialize;
use setward_config::line::Line;
use setward_protocol::UtcMillis;
use std::path::{Path, PathBuf};

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
    /// The record of a kettle batch, or a list of them
    Batch(batch::BatchArguments),
    /// The handover of a shift: what stands, what happened, what was made
    Shift(shift::ShiftArguments),
    /// What to hold for an occurrence of an alarm, and what is on hold
    Hold(hold::HoldArguments),
    /// Statistics of one signal by shift, day, recipe or batch
    Statistics(statistics::StatisticsArguments),
    /// Whether control loops swing, how they answer to steps, and settings as advice
    Loops(loops::LoopsArguments),
    /// Exceptions over a time, for review and signature
    Records(records::RecordsArguments),
    /// Every setpoint that is entered, for each recipe, to print
    Setpoints(setpoints::SetpointsArguments),
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
    let done = match &arguments.what {
        What::Alarms(asked) => alarms(asked).await,
        What::Batch(asked) => batch::batch(asked).await,
        What::Shift(asked) => shift::shift(asked).await,
        What::Hold(asked) => hold::hold(asked).await,
        What::Statistics(asked) => statistics::statistics(asked).await,
        What::Loops(asked) => loops::loops(asked).await,
        What::Records(asked) => records::records(asked).await,
        What::Setpoints(asked) => setpoints::setpoints(asked),
    };
    match done {
        Ok(()) => Exit::Ok,
        Err(exit) => exit,
    }
}

/// The line and its history, as a report needs them.
struct Opened {
    line: Line,
    reader: HistoryReader,
    zone: TimeZone,
    now: UtcMillis,
}

impl Opened {
    fn open(folder: &Path, zone: Option<&str>) -> Result<Self, Exit> {
        let line = check::load(folder)?;
        let zone = zone_named(zone, &line).map_err(|text| misused(&text))?;
        let reader = HistoryReader::open(&line.data_dir).map_err(|error| fail(&error.text))?;
        let now = now_of(&line, &reader);
        Ok(Self { line, reader, zone, now })
    }

    /// The last that history knows, in events or readings; told if it knows nothing.
    fn known_until(&self) -> Result<UtcMillis, Exit> {
        match self.reader.extent().map_err(failed)? {
            Some((_, last)) => Ok(UtcMillis(last.0.min(self.now.0) + 1)),
            None => Err(fail("the history is empty so far; let `setward run` watch the line for a while")),
        }
    }

    /// A time that a report keeps as RFC 3339, as the zone's clock shows it.
    fn local(&self, text: &str) -> String {
        match text.parse::<Timestamp>() {
            Ok(at) => local(UtcMillis(at.as_millisecond()), &self.zone),
            Err(_) => text.to_owned(),
        }
    }
}

fn failed(error: crate::history::HistoryError) -> Exit {
    fail(&error.text)
}

fn print_json(report: &impl Serialize) -> Result<(), Exit> {
    let text =
        serde_json::to_string_pretty(report).map_err(|error| fail(&format!("writing JSON: {error}")))?;
    println!("{text}");
    Ok(())
}

async fn alarms(asked: &AlarmsOver) -> Result<(), Exit> {
    let Opened { line, reader, zone, now } = Opened::open(&asked.folder, asked.zone.as_deref())?;
    let ends = (asked.from.as_deref(), asked.to.as_deref());
    let span = span_between(ends, USUAL_LENGTH_MS, &zone, now).map_err(|text| misused(&text))?;
    let last = reader.extent().map_err(failed)?.map_or(UtcMillis(i64::MIN), |(_, last)| last);
    let report = alarm_report(&line, &reader, span, last).await.map_err(failed)?;
    if asked.json {
        return print_json(&report);
    }
    print!("{}", report.text());
    Ok(())
}
