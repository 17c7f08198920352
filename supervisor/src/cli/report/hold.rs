//! `setward report hold`: what to hold for an occurrence of an alarm, and what is on hold.

use super::{Opened, failed, print_json};
use crate::cli::{Exit, fail, misused};
use crate::report::hold_window::{NoWindow, hold_report};
use crate::report::holds::{HoldRow, holds};
use crate::report::tables::hold_words;
use serde::Serialize;
use std::path::PathBuf;

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct HoldArguments {
    /// The line folder; its site.toml says where the history is
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// The alarm whose product is asked for, and which occurrence, fryer-outlet-cold@3; the last one without a number. Without
    /// an alarm: every hold
    #[arg(long, value_name = "ALARM[@OCCURRENCE]")]
    alarm: Option<String>,
    /// Time zone of what is shown, such as Europe/Madrid; the plant's if it is not given
    #[arg(long, value_name = "ZONE")]
    zone: Option<String>,
    /// Print as JSON
    #[arg(long)]
    json: bool,
}

const EXAMPLES: &str = "\
Product is put on hold, and decided about, on the page /holds or over the API.

Examples:
  setward report hold plant/line-2
  setward report hold plant/line-2 --alarm fryer-outlet-cold
  setward report hold plant/line-2 --alarm fryer-outlet-cold@3 --json";

#[derive(Serialize)]
struct List {
    schema_version: u32,
    holds: Vec<HoldRow>,
}

pub(super) async fn hold(asked: &HoldArguments) -> Result<(), Exit> {
    let opened = Opened::open(&asked.folder, asked.zone.as_deref())?;
    let local = |text: &str| opened.local(text);
    let Some(alarm) = &asked.alarm else {
        let holds = holds(&opened.reader).await.map_err(failed)?;
        if asked.json {
            return print_json(&List { schema_version: 1, holds });
        }
        for row in &holds {
            println!("{}", hold_words(row, &local));
        }
        if holds.is_empty() {
            println!("nothing has been put on hold");
        }
        return Ok(());
    };
    let (id, number) = wanted(alarm).map_err(|text| misused(&text))?;
    let Some(found) = opened.line.alarm_by_id(id) else {
        let ids = opened.line.alarms.iter().map(|alarm| (strsim::jaro_winkler(id, &alarm.id), &alarm.id));
        let near = ids.max_by(|one, other| one.0.total_cmp(&other.0)).map(|(_, near)| near.as_str());
        return Err(misused(&format!(
            "there is no alarm {id:?}; the nearest is {:?}",
            near.unwrap_or("none")
        )));
    };
    match hold_report(&opened.line, &opened.reader, (found, number), opened.known_until()?).await {
        Ok(report) if asked.json => print_json(&report),
        Ok(report) => {
            print!("{}", report.text(&local));
            Ok(())
        }
        Err(NoWindow::NoSuchOccurrence) => Err(misused(&match number {
            Some(number) => {
                format!("history has no occurrence {number} of {id}; leave the number out for the last one")
            }
            None => format!("{id} has never raised, as far as history goes back: there is nothing to hold"),
        })),
        Err(NoWindow::History(error)) => Err(fail(&error.text)),
    }
}

/// An alarm's id, and which occurrence.
fn wanted(text: &str) -> Result<(&str, Option<u32>), String> {
    match text.split_once('@') {
        None => Ok((text, None)),
        Some((id, number)) => match number.parse() {
            Ok(number) => Ok((id, Some(number))),
            Err(_) => Err(format!("{number:?} is no occurrence: write its number, {id}@3")),
        },
    }
}
