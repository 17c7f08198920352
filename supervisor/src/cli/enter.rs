//! `setward enter`: a value that a person read, to a running daemon; what is due, and what was entered.

use super::ask::Daemon;
use super::{Exit, check, window};
use crate::clock::Clock;
use axum::http::StatusCode;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::Deserialize;
use serde_json::{Value, json};
use setward_config::line::Line;
use setward_protocol::UtcMillis;
use std::path::PathBuf;

#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(crate) struct EnterArguments {
    /// The line folder; its site.toml says where the daemon's page is
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// Tag of the [[entry]]
    #[arg(value_name = "TAG", required_unless_present_any = ["due", "list"])]
    tag: Option<String>,
    /// What was read: 1.3 or 1,3; passed or failed; of a calibration "FOUND LEFT RIGHT"
    #[arg(value_name = "VALUE", allow_negative_numbers = true, required_unless_present_any = ["due", "list"])]
    value: Option<String>,
    /// When the sample was taken: "10 min" ago, 09:30, 2026-11-25T09:30. Default: now
    #[arg(long, value_name = "TIME")]
    taken: Option<String>,
    /// Who read it. Default: the name of the account
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// The number of the entry that this one corrects
    #[arg(long, value_name = "N")]
    correct: Option<u64>,
    /// It was asked back, and is meant
    #[arg(long)]
    confirm: bool,
    /// A lot, tank or bag that it is about
    #[arg(long, value_name = "TEXT")]
    about: Option<String>,
    /// A remark
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// List what is due, the latest first
    #[arg(long, conflicts_with_all = ["value", "list"])]
    due: bool,
    /// List the last entries, with corrections; of TAG, if one is given
    #[arg(long, conflicts_with = "value")]
    list: bool,
    /// The daemon's page, for example http://127.0.0.1:8470, instead of the one in site.toml
    #[arg(long, value_name = "URL", value_parser = Daemon::of_url)]
    url: Option<Daemon>,
    /// Print the answer as JSON
    #[arg(long)]
    json: bool,
}

const EXAMPLES: &str = "\
Examples:
  setward enter plant/line-2 AI-451 1.3 --by Inés
  setward enter plant/line-2 AI-451 1,3 --taken \"10 min\" --note \"second sample\"
  setward enter plant/line-2 XI-455 passed --by Inés
  setward enter plant/line-2 TI-310 \"181.2 182.0 182.1\" --by Marek
  setward enter plant/line-2 AI-451 1.3 --correct 17
  setward enter plant/line-2 --due
  setward enter plant/line-2 AI-451 --list --json

Exit codes: 0 entered, 1 refused or asked back (send it again with --confirm), 2 usage, 3 configuration, 4 no daemon answers,
5 not permitted";

/// Enters, or lists.
pub(crate) async fn enter(arguments: &EnterArguments) -> Exit {
    let line = match check::load(&arguments.folder) {
        Ok(line) => line,
        Err(exit) => return exit,
    };
    let daemon = arguments.url.clone().unwrap_or_else(|| Daemon::of_line(&line));
    if arguments.due || arguments.list {
        return show(arguments, &line, &daemon).await;
    }
    // "10 min" ago is by the daemon's clock, which is not this machine's where a line is simulated.
    let now = match arguments.taken {
        Some(_) => time_of(&daemon).await,
        None => None,
    };
    match body(arguments, &line, now.unwrap_or_else(|| Clock::system().utc())) {
        Ok(body) => send(arguments, &daemon, &body).await,
        Err(problem) => super::misused(&problem),
    }
}

/// The time at the daemon, if it answers.
async fn time_of(daemon: &Daemon) -> Option<UtcMillis> {
    let answer: Value = daemon.get("/api/v1/line").await.ok()?;
    let at: Timestamp = answer.get("at")?.as_str()?.parse().ok()?;
    Some(UtcMillis(at.as_millisecond()))
}

fn body(arguments: &EnterArguments, line: &Line, now: UtcMillis) -> Result<Value, String> {
    let by = arguments.by.clone().or_else(|| std::env::var("USER").ok()).filter(|by| !by.trim().is_empty());
    let by = by.ok_or_else(|| "nobody says who read it; give --by NAME".to_owned())?;
    let zone = window::zone_named(None, line)?;
    let taken = arguments.taken.as_deref().map(|text| taken(text, &zone, now)).transpose()?;
    Ok(json!({
        "entry": arguments.tag,
        "value": arguments.value,
        "by": by,
        "taken": taken,
        "about": arguments.about,
        "note": arguments.note,
        "corrects": arguments.correct,
        "confirmed": arguments.confirm,
    }))
}

/// When the sample was taken, as RFC 3339. An hour and minute alone is the last such one.
fn taken(text: &str, zone: &TimeZone, now: UtcMillis) -> Result<String, String> {
    let text = text.trim();
    let is_time = text.len() == 5 && text.as_bytes().get(2) == Some(&b':');
    let at = if is_time {
        let today = Timestamp::from_millisecond(now.0).map_err(|error| error.to_string())?;
        let today = today.to_zoned_datetime(zone.clone()).date();
        let on = |date: jiff::civil::Date| window::moment(&format!("{date}T{text}"), zone, now, now);
        let at = on(today)?;
        if at > now { on(today.yesterday().unwrap_or(today))? } else { at }
    } else {
        window::moment(text, zone, now, now)?
    };
    Timestamp::from_millisecond(at.0).map(|at| at.to_string()).map_err(|error| error.to_string())
}

async fn send(arguments: &EnterArguments, daemon: &Daemon, body: &Value) -> Exit {
    let (status, answer) = match daemon.tell("/api/v1/entries", body).await {
        Ok(answer) => answer,
        Err(problem) => {
            eprintln!("setward: {problem}");
            return Exit::Unreachable;
        }
    };
    if arguments.json {
        println!("{answer:#}");
    }
    if status == StatusCode::OK {
        if !arguments.json {
            println!("{}", entered(&answer));
        }
        return Exit::Ok;
    }
    let detail = answer.get("detail").and_then(Value::as_str).unwrap_or("the daemon gives no reason");
    let is_question = answer.get("asked") == Some(&Value::Bool(true));
    let hint = if is_question { "; if it is right, send it again with --confirm" } else { "" };
    eprintln!("setward: not entered: {detail}{hint}");
    match status {
        StatusCode::NOT_FOUND => Exit::Usage,
        _ => super::refused_with(status),
    }
}

fn entered(answer: &Value) -> String {
    let entry = answer.get("entry").unwrap_or(&Value::Null);
    let n = entry.get("n").and_then(Value::as_u64).unwrap_or_default();
    let durable = answer.get("durable") == Some(&Value::Bool(true));
    let warning = if durable { "" } else { ", but not on disk yet: history waits" };
    format!("entered as number {n}{warning}")
}

#[derive(Deserialize)]
struct Answer {
    items: Vec<Value>,
}

/// A kind of entry, as far as a list needs it.
#[derive(Deserialize)]
struct Kind {
    tag: String,
    name: String,
    kind: String,
    unit: String,
    due: String,
    due_at: Option<Timestamp>,
    awaited_for: Vec<String>,
    entries: Vec<Row>,
}

#[derive(Deserialize)]
struct Row {
    n: u64,
    value: f64,
    taken_at: Timestamp,
    by: String,
    corrects: Option<u64>,
    corrected: bool,
    note: Option<String>,
}

async fn show(arguments: &EnterArguments, line: &Line, daemon: &Daemon) -> Exit {
    let answer: Value = match daemon.get("/api/v1/entries").await {
        Ok(answer) => answer,
        Err(problem) => {
            eprintln!("setward: {problem}");
            return Exit::Unreachable;
        }
    };
    let Ok(Answer { items }) = serde_json::from_value::<Answer>(answer.clone()) else {
        return super::fail("the daemon's answer is of another version");
    };
    let is_wanted = |item: &&Value| {
        let of_tag =
            arguments.tag.as_deref().is_none_or(|tag| item.get("tag").and_then(Value::as_str) == Some(tag));
        let is_due = ["due", "overdue"].map(Some).contains(&item.get("due").and_then(Value::as_str));
        of_tag && (is_due || !arguments.due)
    };
    let wanted: Vec<&Value> = items.iter().filter(is_wanted).collect();
    if let (Some(tag), true) = (&arguments.tag, wanted.is_empty() && !arguments.due) {
        return super::misused(&format!("nothing called {tag:?} is entered on this line; see --list"));
    }
    if arguments.json {
        let mut shown = answer;
        if let Some(list) = shown.get_mut("items") {
            *list = wanted.into_iter().cloned().collect();
        }
        println!("{shown:#}");
        return Exit::Ok;
    }
    let zone = TimeZone::get(&line.time_zone).unwrap_or(TimeZone::UTC);
    let mut kinds: Vec<Kind> =
        wanted.into_iter().filter_map(|item| serde_json::from_value(item.clone()).ok()).collect();
    if arguments.due {
        kinds.sort_by_key(|kind| (kind.due != "overdue", kind.due_at));
        print!("{}", due_table(&kinds, &zone));
    } else {
        print!("{}", list_table(&kinds, &zone));
    }
    Exit::Ok
}

fn local(at: Timestamp, zone: &TimeZone) -> String {
    at.to_zoned_datetime(zone.clone()).strftime("%F %H:%M").to_string()
}

fn due_table(kinds: &[Kind], zone: &TimeZone) -> String {
    if kinds.is_empty() {
        return "nothing is due\n".to_owned();
    }
    let row = |kind: &Kind| {
        let since = kind.due_at.map(|at| local(at, zone)).unwrap_or_default();
        let awaited = kind.awaited_for.first().map(|first| format!("  for {first}")).unwrap_or_default();
        format!("{:<8} since {since}  {:<8} {}{awaited}\n", kind.due, kind.tag, kind.name)
    };
    kinds.iter().map(row).collect()
}

fn list_table(kinds: &[Kind], zone: &TimeZone) -> String {
    let mut text = String::new();
    for kind in kinds {
        text += &format!("{} {}\n", kind.tag, kind.name);
        for row in &kind.entries {
            let value = match kind.kind.as_str() {
                "check" => if row.value == 1.0 { "passed" } else { "failed" }.to_owned(),
                _ => format!("{} {}", row.value, kind.unit),
            };
            let mut beside = String::new();
            if row.corrected {
                beside += "  corrected";
            }
            if let Some(wrong) = row.corrects {
                beside += &format!("  in place of {wrong}");
            }
            if let Some(note) = &row.note {
                beside += &format!("  {note}");
            }
            text +=
                &format!("  {:>5}  {}  {value:>10}  {}{beside}\n", row.n, local(row.taken_at, zone), row.by);
        }
        if kind.entries.is_empty() {
            text += "         nothing entered yet\n";
        }
    }
    text
}
