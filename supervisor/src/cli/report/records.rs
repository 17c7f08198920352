//! `setward report records`: exceptions for the quality lead's review.

use super::{Opened, failed, print_json};
use crate::cli::window::span_between;
use crate::cli::{Exit, misused};
use crate::report::review::{LONGEST_MS, review_report};
use std::path::PathBuf;

const USUAL_LENGTH_MS: i64 = 24 * 3_600_000;

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct RecordsArguments {
    /// The line folder; its site.toml says where the history is
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// Beginning: "2026-11-23 06:00", 2026-11-23T06:00:00+01:00, or how long before the end, "24 h", which is the default
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// End, no longer in it: as --from, or how long before now, "2 h". Default now
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// Time zone of what is written and shown, such as Europe/Madrid; the plant's if it is not given
    #[arg(long, value_name = "ZONE")]
    zone: Option<String>,
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
    let opened = Opened::open(&asked.folder, asked.zone.as_deref())?;
    let ends = (asked.from.as_deref(), asked.to.as_deref());
    let window =
        span_between(ends, USUAL_LENGTH_MS, &opened.zone, opened.now).map_err(|text| misused(&text))?;
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
