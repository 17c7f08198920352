//! `setward report loops`: whether control loops swing, how they answer to steps, and settings as advice.

use super::{Opened, failed, print_json};
use crate::cli::window::StretchArguments;
use crate::cli::{Exit, misused};
use crate::report::loops::loops_report;
use crate::report::recent::events_for;
use crate::report::stops::modes;
use std::path::PathBuf;

/// Longer would be more readings than can be looked at.
const LONGEST_MS: i64 = 8 * 86_400_000;

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct LoopsArguments {
    /// The line folder; its site.toml says where the history is
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// This loop only, by its tag
    #[arg(long, value_name = "TAG")]
    only: Option<String>,
    #[command(flatten)]
    stretch: StretchArguments,
    /// Print as JSON
    #[arg(long)]
    json: bool,
}

const EXAMPLES: &str = "\
Whether each [[loop]] swings while it is in automatic, with period and size; dead time and lag by the last steps of its
setpoint, or of its output while a person held it in manual. Settings by the SIMC rules are advice, from steps of the output
alone; nothing is written to a controller.

Examples:
  setward report loops plant/line-2
  setward report loops plant/line-2 --only TIC-310 --from \"2026-11-16 10:00\" --to \"2026-11-16 12:00\" --json";

pub(super) async fn loops(asked: &LoopsArguments) -> Result<(), Exit> {
    let opened = Opened::open(&asked.folder, asked.stretch.zone.as_deref())?;
    let is_known = |only: &&str| opened.line.loops.iter().any(|own| own.tag == **only);
    if let Some(unknown) = asked.only.as_deref().filter(|only| !is_known(only)) {
        let tags: Vec<&str> = opened.line.loops.iter().map(|own| own.tag.as_str()).collect();
        let there = if tags.is_empty() { "none".to_owned() } else { tags.join(", ") };
        return Err(misused(&format!("the line has no loop {unknown:?}; it has {there}")));
    }
    let window = asked.stretch.span(&opened.zone, opened.now).map_err(|text| misused(&text))?;
    if window.length_ms() > LONGEST_MS {
        return Err(misused("loops are looked at over 8 days at most; ask for a shorter time"));
    }
    let known_until = opened.known_until()?;
    let events = events_for(&opened.line, &opened.reader, window.from()).await.map_err(failed)?;
    let modes = modes(&opened.line, &events, window, known_until);
    let report = loops_report(&opened.line, &opened.reader, asked.only.as_deref(), (window, &modes)).await;
    let report = report.map_err(failed)?;
    if asked.json {
        return print_json(&report);
    }
    print!("{}", report.text(&|text| opened.local(text)));
    Ok(())
}
