//! `setward report batch`: the record of a kettle batch, or a list of them.

use super::{Opened, print_json};
use crate::cli::{Exit, fail, misused};
use crate::history::{BatchRow, HistoryStore as _};
use crate::report::batch::BatchReport;
use serde::Serialize;
use setward_protocol::UtcMillis;
use std::path::PathBuf;

/// Batches that are listed, the newest.
const LISTED: usize = 500;
const WEEK_MS: i64 = 7 * 24 * 3_600_000;

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct BatchArguments {
    /// The line folder; its site.toml says where the history is
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// The batch, as the list names it, or the plant's own number of it; without one, the batches of the last week
    #[arg(value_name = "BATCH")]
    batch: Option<String>,
    /// Time zone of what is shown, such as Europe/Madrid; the plant's if it is not given
    #[arg(long, value_name = "ZONE")]
    zone: Option<String>,
    /// Print as JSON
    #[arg(long)]
    json: bool,
}

const EXAMPLES: &str = "\
A batch has a record from when it has left the kettle; its soak is added as it goes.

Examples:
  setward report batch plant/line-2
  setward report batch plant/line-2 kettle-1-20261123T0412Z
  setward report batch plant/line-2 26114071 --json";

#[derive(Serialize)]
struct List {
    schema_version: u32,
    batches: Vec<BatchReport>,
}

pub(super) async fn batch(asked: &BatchArguments) -> Result<(), Exit> {
    let opened = Opened::open(&asked.folder, asked.zone.as_deref())?;
    let local = |text: &str| opened.local(text);
    match &asked.batch {
        Some(id) => {
            let report = find(&opened, id).await?;
            if asked.json {
                return print_json(&report);
            }
            print!("{}", report.text(&local));
        }
        None => {
            let batches = latest(&opened).await?;
            if asked.json {
                return print_json(&List { schema_version: 1, batches });
            }
            for report in &batches {
                println!("{}", report.line_of_text(&local));
            }
            if batches.is_empty() {
                println!(
                    "no batch of the last week has a record; `setward run` keeps one of each that it sees end"
                );
            }
        }
    }
    Ok(())
}

async fn latest(opened: &Opened) -> Result<Vec<BatchReport>, Exit> {
    let from = UtcMillis(opened.now.0 - WEEK_MS);
    let rows = opened.reader.batches(from, UtcMillis(i64::MAX), LISTED).await;
    Ok(rows.map_err(|error| fail(&error.text))?.iter().filter_map(read).collect())
}

fn read(row: &BatchRow) -> Option<BatchReport> {
    serde_json::from_str(&row.record).ok()
}

/// By its name, or by the plant's number: the newest with that.
async fn find(opened: &Opened, id: &str) -> Result<BatchReport, Exit> {
    let failed = |error: crate::history::HistoryError| fail(&error.text);
    if let Some(row) = opened.reader.batch(id.to_owned()).await.map_err(failed)? {
        return read(&row).ok_or_else(|| fail("the record is of a newer version; use the newer program"));
    }
    let all =
        opened.reader.batches(UtcMillis(i64::MIN), UtcMillis(i64::MAX), usize::MAX).await.map_err(failed)?;
    let reports: Vec<BatchReport> = all.iter().filter_map(read).collect();
    if let Some(report) =
        reports.iter().find(|report| report.number.map(|number| number.to_string()).as_deref() == Some(id))
    {
        return Ok(report.clone());
    }
    let nearest = reports.iter().map(|report| (strsim::jaro_winkler(id, &report.id), &report.id));
    let hint = match nearest.max_by(|one, other| one.0.total_cmp(&other.0)) {
        Some((_, near)) => format!("the nearest is {near}; `setward report batch FOLDER` lists them"),
        None => "no batch has a record yet: `setward run` keeps one of each that it sees end".to_owned(),
    };
    Err(misused(&format!("there is no batch called {id:?}; {hint}")))
}
