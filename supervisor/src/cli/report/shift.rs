//! `setward report shift`: the handover.

use super::{Opened, failed, print_json};
use crate::cli::{Exit, misused};
use crate::line::past;
use crate::report::shift::{AtTheEnd, shift_report};
use crate::report::shifts::{self, ShiftSpan, local_day};
use jiff::civil::Date;
use setward_protocol::{Uptime, UtcMillis};
use std::path::PathBuf;

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct ShiftArguments {
    /// The line folder; its site.toml says where the history is
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// The shift, as line.toml names it; without one, the one that goes on
    #[arg(long, value_name = "NAME", conflicts_with = "last")]
    shift: Option<String>,
    /// The local day on which it begins, 2026-11-23; without one, its last one that has begun
    #[arg(long, value_name = "DATE", requires = "shift")]
    date: Option<String>,
    /// The last shift that is over
    #[arg(long)]
    last: bool,
    /// Print as JSON
    #[arg(long)]
    json: bool,
}

const EXAMPLES: &str = "\
A shift lasts until the next one of line.toml begins. Times are those of the plant's clocks.

Examples:
  setward report shift plant/line-2
  setward report shift plant/line-2 --last
  setward report shift plant/line-2 --shift C --date 2026-11-23 --json";

pub(super) async fn shift(asked: &ShiftArguments) -> Result<(), Exit> {
    let opened = Opened::open(&asked.folder, None)?;
    let shift = find(&opened, asked).map_err(|text| misused(&text))?;
    if shift.span.from() > opened.now {
        return Err(misused(&format!("shift {} of {} has not begun", shift.name, shift.date)));
    }
    let known_until = opened.known_until()?;
    let now = shift.span.to().min(known_until);
    let since = UtcMillis(now.0.min(shift.span.from().0.max(now.0 - 3_600_000)));
    let book = past::followed(&opened.line, &opened.reader, since, now).await;
    let tanks = book.tanks(&opened.line, Uptime::START, now);
    let state = AtTheEnd { tanks: &tanks, due: None };
    let report =
        shift_report(&opened.line, &opened.reader, &shift, state, known_until).await.map_err(failed)?;
    if asked.json {
        return print_json(&report);
    }
    print!("{}", report.text(&|text| opened.local(text)));
    Ok(())
}

fn find(opened: &Opened, asked: &ShiftArguments) -> Result<ShiftSpan, String> {
    let line = &opened.line;
    let Some(present) = shifts::at(line, opened.now) else {
        return Err("line.toml names no shifts: add [[shift]] with `name` and `from`".to_owned());
    };
    if asked.last {
        return shifts::before(line, &present).ok_or_else(|| "there is no shift before".to_owned());
    }
    let Some(name) = &asked.shift else { return Ok(present) };
    let names: Vec<&str> = line.shifts.iter().map(|shift| shift.name.as_str()).collect();
    if !names.contains(&name.as_str()) {
        return Err(format!("there is no shift {name:?}; line.toml names {}", names.join(", ")));
    }
    let day = match &asked.date {
        Some(text) => {
            text.parse::<Date>().map_err(|_| format!("{text:?} is no day; write one as 2026-11-23"))?
        }
        None => local_day(&shifts::zone(line), opened.now),
    };
    let found = |day: Date| shifts::named(line, name, day);
    let begun = found(day).filter(|shift| asked.date.is_some() || shift.span.from() <= opened.now);
    let begun = begun.or_else(|| found(day.yesterday().ok()?).filter(|_| asked.date.is_none()));
    begun.ok_or_else(|| format!("shift {name} of {day} has no length: the clocks are put forward then"))
}
