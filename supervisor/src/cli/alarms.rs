//! `setward alarms`: what stands now, asked of a running daemon.

use super::ask::Daemon;
use super::wish::WishArguments;
use super::{Exit, check, no_color};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::Deserialize;
use serde_json::Value;
use setward_config::line::Line;
use std::cmp::Reverse;
use std::io::IsTerminal as _;
use std::path::Path;

/// Widest line of the table, characters.
const WIDTH: usize = 80;
/// Where the words begin, behind priority, state and time.
const INDENT: usize = 25;

/// Lists the alarms of the daemon that watches `folder`, or whose page is at `url`; or asks one thing of one of them.
pub(crate) async fn alarms(
    folder: Option<&Path>,
    url: Option<Daemon>,
    wish: &WishArguments,
    json: bool,
) -> Exit {
    let daemon = match whom_to_ask(folder, url) {
        Ok((daemon, _)) => daemon,
        Err(exit) => return exit,
    };
    if let Some(exit) = super::wish::wish(&daemon, wish, json).await {
        return exit;
    }
    let answers = match Answers::of(&daemon).await {
        Ok(answers) => answers,
        Err(problem) => {
            eprintln!("setward: {problem}");
            return Exit::Unreachable;
        }
    };
    if json {
        println!("{}", answers.json());
    } else {
        let colour = std::io::stdout().is_terminal() && !no_color();
        print!("{}", answers.table(colour));
    }
    answers.exit()
}

/// The daemon, and the line where a folder names it.
pub(super) fn whom_to_ask(
    folder: Option<&Path>,
    url: Option<Daemon>,
) -> Result<(Daemon, Option<Line>), Exit> {
    match (folder, url) {
        (_, Some(daemon)) => Ok((daemon, None)),
        (Some(folder), None) => check::load(folder).map(|line| (Daemon::of_line(&line), Some(line))),
        // The command line asks for one of the two.
        (None, None) => Err(super::fail("give a line folder or --url")),
    }
}

/// What the daemon said, as far as a table needs it.
#[derive(Deserialize)]
struct LineAnswer {
    item: LineItem,
}

#[derive(Deserialize)]
struct LineItem {
    name: String,
    time_zone: String,
    simulated: bool,
    counts: Counts,
}

#[derive(Deserialize)]
struct Counts {
    alarms_blind: u64,
}

#[derive(Deserialize)]
struct AlarmsAnswer {
    schema_version: u32,
    run: i64,
    at: Timestamp,
    items: Vec<Value>,
}

/// An alarm, as far as a table needs it.
#[derive(Deserialize)]
struct Alarm {
    name: String,
    signal: Option<String>,
    controller: Option<String>,
    priority: String,
    standing: bool,
    active: bool,
    awaits_acknowledgement: bool,
    raised_at: Option<Timestamp>,
    value_text: Option<String>,
    how_far_text: String,
    how_long_text: String,
    forecast_text: String,
}

impl Alarm {
    /// High first.
    fn rank(&self) -> u8 {
        match self.priority.as_str() {
            "high" => 0,
            "medium" => 1,
            _ => 2,
        }
    }
}

/// The alarms that stand, each with the object it came as.
pub(crate) struct Answers {
    line: LineItem,
    schema_version: u32,
    run: i64,
    at: Timestamp,
    /// Highest priority first; within it what is active before what has gone, then newest first.
    standing: Vec<(Alarm, Value)>,
}

impl Answers {
    /// Asks `daemon`.
    ///
    /// # Errors
    /// In words, with what to do, when it does not answer or speaks another version.
    pub(crate) async fn of(daemon: &Daemon) -> Result<Self, String> {
        let line: LineAnswer = daemon.get("/api/v1/line").await?;
        let AlarmsAnswer { schema_version, run, at, items } = daemon.get("/api/v1/alarms").await?;
        let read = |item: Value| Some((serde_json::from_value::<Alarm>(item.clone()).ok()?, item));
        let count = items.len();
        let mut standing: Vec<_> = items.into_iter().filter_map(read).collect();
        if standing.len() != count {
            return Err(
                "the daemon is of another version than this command; use the same for both".to_owned()
            );
        }
        standing.retain(|(alarm, _)| alarm.standing);
        standing.sort_by_key(|(alarm, _)| (alarm.rank(), !alarm.active, Reverse(alarm.raised_at)));
        Ok(Self { line: line.item, schema_version, run, at, standing })
    }

    /// Whether an alarm is present.
    pub(crate) const fn exit(&self) -> Exit {
        if self.standing.is_empty() { Exit::Ok } else { Exit::AlarmPresent }
    }

    /// For programs.
    pub(crate) fn json(&self) -> String {
        let body = serde_json::json!({
            "schema_version": self.schema_version,
            "line": self.line.name,
            "run": self.run,
            "at": self.at.to_string(),
            "alarms_blind": self.line.counts.alarms_blind,
            "alarms": self.standing.iter().map(|(_, item)| item).collect::<Vec<_>>(),
        });
        format!("{body:#}")
    }

    /// For people: nothing is wider than 80 characters.
    pub(crate) fn table(&self, colour: bool) -> String {
        let zone = TimeZone::get(&self.line.time_zone).unwrap_or(TimeZone::UTC);
        let mut table = format!("{}\n", self.summary(&zone));
        for (alarm, _) in &self.standing {
            table.push('\n');
            table.push_str(&entry(alarm, &zone, colour));
        }
        table
    }

    fn summary(&self, zone: &TimeZone) -> String {
        let waiting = self.standing.iter().filter(|(alarm, _)| alarm.awaits_acknowledgement).count();
        let what = match self.standing.len() {
            0 => "no alarm".to_owned(),
            1 => format!("1 alarm, {waiting} not acknowledged"),
            many => format!("{many} alarms, {waiting} not acknowledged"),
        };
        let simulated = if self.line.simulated { " (simulated)" } else { "" };
        let at = clock(Some(self.at), zone);
        let first = fitted(&format!("{}{simulated} at {at}: {what}", self.line.name), WIDTH);
        match self.line.counts.alarms_blind {
            0 => first,
            1 => format!("{first}\n1 alarm is blind: it can't raise, for want of a value"),
            blind => format!("{first}\n{blind} alarms are blind: they can't raise, for want of a value"),
        }
    }
}

/// One alarm: what, then the instrument and how far out, then for how long, then what comes.
fn entry(alarm: &Alarm, zone: &TimeZone, colour: bool) -> String {
    let priority = fitted(&alarm.priority.to_uppercase(), 6);
    let state = if alarm.awaits_acknowledgement { "NEW" } else { "" };
    let (on, off) = if colour { ("\u{1b}[1m", "\u{1b}[0m") } else { ("", "") };
    let since = clock(alarm.raised_at, zone);
    let subject = match (&alarm.signal, &alarm.controller) {
        (Some(tag), _) => format!("{tag} {}", alarm.value_text.as_deref().unwrap_or("no value")),
        (None, Some(name)) => format!("controller {name}"),
        (None, None) => String::new(),
    };
    let far = format!("{subject}, {}", alarm.how_far_text);
    let indent = " ".repeat(INDENT);
    let name = fitted(&alarm.name, WIDTH - INDENT);
    let mut entry = format!("{on}{priority:<6} {state:<3}{off}  {since:<11}  {name}\n");
    for line in [&far, &alarm.how_long_text, &alarm.forecast_text].into_iter().flat_map(|text| wrapped(text))
    {
        entry.push_str(&format!("{indent}{line}\n"));
    }
    entry
}

/// `text` in lines that fit beside the indent.
fn wrapped(text: &str) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= WIDTH - INDENT => {
                line.push(' ');
                line.push_str(word);
            }
            Some(_) | None => lines.push(word.to_owned()),
        }
    }
    lines.iter().map(|line| fitted(line, WIDTH - INDENT)).collect()
}

/// `line` cut to so many characters, with a mark where it was cut.
fn fitted(line: &str, most: usize) -> String {
    // What answers may be anything: no control character reaches the terminal.
    let line: String = line.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    if line.chars().count() <= most {
        return line;
    }
    let kept: String = line.chars().take(most.saturating_sub(1)).collect();
    format!("{}\u{2026}", kept.trim_end())
}

/// A time of the API as the plant's clock shows it: "25 03:08:22", the day of the month before the time.
fn clock(at: Option<Timestamp>, zone: &TimeZone) -> String {
    at.map_or_else(
        || "-".to_owned(),
        |at| at.to_zoned_datetime(zone.clone()).strftime("%d %H:%M:%S").to_string(),
    )
}
