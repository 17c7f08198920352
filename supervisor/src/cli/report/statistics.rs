//! `setward report statistics`: one signal by shift, day, recipe, batch or lot.

use super::{Opened, failed, print_json};
use crate::cli::window::StretchArguments;
use crate::cli::{Exit, misused};
use crate::history::Span;
use crate::report::recent::events_for;
use crate::report::statistics::{By, statistics_report};
use crate::report::stops::modes;
use setward_protocol::SignalId;
use std::path::PathBuf;

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct StatisticsArguments {
    /// The line folder; its site.toml says where the history is
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// The signal, by its tag
    #[arg(long, value_name = "TAG")]
    signal: String,
    /// How the time is cut
    #[arg(long, value_enum, default_value_t = Cut::Shift)]
    by: Cut,
    #[command(flatten)]
    stretch: StretchArguments,
    /// Beginning of another window to hold this one against
    #[arg(long, value_name = "TIME", requires = "against_to")]
    against_from: Option<String>,
    /// End of that window
    #[arg(long, value_name = "TIME", requires = "against_from")]
    against_to: Option<String>,
    /// Print as JSON
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum Cut {
    /// The whole window
    Window,
    /// Shifts of line.toml
    Shift,
    /// Local days
    Day,
    /// The recipe in force
    Recipe,
    /// The hold phases of kettle batches
    Batch,
    /// Lots of line.toml, by when they were packed: what is upstream was there some minutes before
    Lot,
}

impl From<Cut> for By {
    fn from(cut: Cut) -> Self {
        match cut {
            Cut::Window => Self::Window,
            Cut::Shift => Self::Shift,
            Cut::Day => Self::Day,
            Cut::Recipe => Self::Recipe,
            Cut::Batch => Self::Batch,
            Cut::Lot => Self::Lot,
        }
    }
}

const EXAMPLES: &str = "\
Counts only time in which the station ran and the value was good. Ppk stands on the overall standard deviation, Cpk on the one
within; either is refused with a reason where the values are worth too little.

Examples:
  setward report statistics plant/line-2 --signal TT-310
  setward report statistics plant/line-2 --signal TT-310 --by recipe --from \"7 d\"
  setward report statistics plant/line-2 --signal TT-310 --by window --from \"8 h\" --against-from \"32 h\" --against-to \"24 h\"";

pub(super) async fn statistics(asked: &StatisticsArguments) -> Result<(), Exit> {
    let opened = Opened::open(&asked.folder, asked.stretch.zone.as_deref())?;
    let signal = known(&opened, &asked.signal)?;
    let between =
        |stretch: &StretchArguments| stretch.span(&opened.zone, opened.now).map_err(|text| misused(&text));
    let window = between(&asked.stretch)?;
    let other = match (&asked.against_from, &asked.against_to) {
        (Some(from), Some(to)) => {
            Some(between(&StretchArguments { from: Some(from.clone()), to: Some(to.clone()), zone: None })?)
        }
        (_, _) => None,
    };
    let known_until = opened.known_until()?;
    let whole = other
        .map_or(Ok(window), |other| Span::new(window.from().min(other.from()), window.to().max(other.to())));
    let whole = whole.map_err(|error| misused(&error.text))?;
    let events = events_for(&opened.line, &opened.reader, whole.from()).await.map_err(failed)?;
    let modes = modes(&opened.line, &events, whole, known_until);
    let asked_for = (signal, asked.by.into());
    let report = statistics_report(&opened.line, &opened.reader, asked_for, (window, other), &modes).await;
    let report = report.map_err(failed)?;
    if asked.json {
        return print_json(&report);
    }
    print!("{}", report.text(&|text| opened.local(text)));
    Ok(())
}

fn known(opened: &Opened, tag: &str) -> Result<SignalId, Exit> {
    opened.line.signal_by_tag(tag).ok_or_else(|| {
        let tags = opened
            .line
            .signals
            .iter()
            .map(|signal| (strsim::jaro_winkler(&tag.to_uppercase(), &signal.tag), &signal.tag));
        let near = tags.max_by(|one, other| one.0.total_cmp(&other.0)).map(|(_, near)| near.as_str());
        misused(&format!("the line has no signal {tag:?}; the nearest is {:?}", near.unwrap_or("none")))
    })
}
