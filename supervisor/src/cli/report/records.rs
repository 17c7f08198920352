//! `setward report records`: exceptions for the quality lead's review.

use super::{Opened, failed, print_json};
use crate::cli::window::StretchArguments;
use crate::cli::{Exit, misused};
use crate::report::review::{LONGEST_MS, review_report};
use std::path::PathBuf;

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct RecordsArguments {
    /// The line folder; its site.toml says where the history is
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    #[command(flatten)]
    stretch: StretchArguments,
    /// Print as JSON
    #[arg(long)]
    json: bool,
}

const EXAMPLES: &str = "\
A review is signed on the page /records or over the API; the signature is a record of its own.

Examples:
  setward report records plant/line-2
  setward report records plant/line-2 --from \"2026-11-23 06:00\" --to \"2026-11-24 06:00\" --json";

pub(super) async fn records(asked: &RecordsArguments) -> Result<(), Exit> {
    let opened = Opened::open(&asked.folder, asked.stretch.zone.as_deref())?;
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
