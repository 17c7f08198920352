//! `setward report records`: exceptions for the quality lead's review.

use super::{Opened, failed, print_json};
use crate::cli::window::StretchArguments;
use crate::cli::{Exit, misused};
use crate::report::lot_review::{NoLot, lot_review};
use crate::report::review::{LONGEST_MS, review_report};
use std::path::PathBuf;

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct RecordsArguments {
    /// The line folder; its site.toml says where the history is
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// The review of this lot instead of a time
    #[arg(long, value_name = "LOT", conflicts_with_all = ["from", "to"])]
    lot: Option<String>,
    #[command(flatten)]
    stretch: StretchArguments,
    /// Print as JSON
    #[arg(long)]
    json: bool,
}

const EXAMPLES: &str = "\
A review of a time or of a lot is signed on the page /records or over the API; the signature is a record of its own. Where
[lots] of line.toml says when a lot begins, exceptions are gathered by lot.

Examples:
  setward report records plant/line-2
  setward report records plant/line-2 --from \"2026-11-23 06:00\" --to \"2026-11-24 06:00\" --json
  setward report records plant/line-2 --lot 2026-11-23";

pub(super) async fn records(asked: &RecordsArguments) -> Result<(), Exit> {
    let opened = Opened::open(&asked.folder, asked.stretch.zone.as_deref())?;
    if let Some(lot) = &asked.lot {
        return of_lot(&opened, lot, asked.json).await;
    }
    let window = asked.stretch.span(&opened.zone, opened.now).map_err(|text| misused(&text))?;
    if window.length_ms() > LONGEST_MS {
        return Err(misused("a review reaches over 93 days at most; ask for a shorter time"));
    }
    let known_until = opened.known_until()?;
    let report = review_report(&opened.line, &opened.reader, window, known_until).await.map_err(failed)?;
    if asked.json {
        return print_json(&report);
    }
    print!("{}", report.text(&|text| opened.local(text)));
    Ok(())
}

async fn of_lot(opened: &Opened, lot: &str, json: bool) -> Result<(), Exit> {
    match lot_review(&opened.line, &opened.reader, lot, opened.known_until()?).await {
        Ok((report, _, _)) if json => print_json(&report),
        Ok((report, _, _)) => {
            print!("{}", report.text(&|text| opened.local(text)));
            Ok(())
        }
        Err(NoLot::NotTold) => {
            Err(misused("nothing on this line tells lots; add [lots] to line.toml, or leave --lot out"))
        }
        Err(NoLot::NoSuchLot) => Err(misused(&format!(
            "no lot {lot:?} was packed, as far as history goes back; leave --lot out for a list of the last day's"
        ))),
        Err(NoLot::History(error)) => Err(failed(error)),
    }
}
