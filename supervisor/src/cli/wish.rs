//! `setward alarms --shelve ..` and its like: what a person asks of one alarm, passed on to the running daemon.
//!
//! The daemon decides, keeps and answers, as it does for the page. The occurrence asked for is the one that is now, read
//! just before: somebody at a shell has seen no older page.

use super::ask::Daemon;
use super::{Exit, no_color, positive_time};
use crate::report::closures::CAUSES;
use axum::http::StatusCode;
use clap::builder::PossibleValuesParser;
use serde::Deserialize;
use serde_json::{Value, json};
use std::time::Duration;

/// The daemon's word for closing an occurrence, which is a record and no wish.
const CLOSE: &str = "close";

/// The one thing asked, and what belongs to it.
#[derive(Debug, Default, clap::Args)]
pub(crate) struct WishArguments {
    #[command(flatten)]
    what: What,
    /// With --shelve: how long it stays silent, for example "45 min" or "8 h"
    #[arg(long = "for", value_name = "TIME", value_parser = positive_time, requires = "shelve")]
    span: Option<Duration>,
    /// With --shelve: only until what stands now, or else the next occurrence, is over
    #[arg(long, requires = "shelve")]
    once: bool,
    /// With --close: what was found: sensor, input-output, controller, heat, oil, feed, recipe or no-fault
    #[arg(long, value_name = "CAUSE", requires = "close", value_parser = PossibleValuesParser::new(CAUSES.map(|(key, _)| key)))]
    cause: Option<String>,
    /// With --close: what was done
    #[arg(long, value_name = "TEXT", requires = "close")]
    note: Option<String>,
    /// Who asks; the name of this machine's user if it is not given
    #[arg(long, value_name = "NAME", requires = "What")]
    by: Option<String>,
    /// Why: kept with the event
    #[arg(long, value_name = "TEXT", requires = "What")]
    why: Option<String>,
}

#[derive(Debug, Default, clap::Args)]
#[group(multiple = false)]
struct What {
    /// Acknowledge an alarm: say that you have seen it
    #[arg(long, value_name = "ALARM")]
    acknowledge: Option<String>,
    /// Release a latched alarm whose condition has gone
    #[arg(long, value_name = "ALARM")]
    reset: Option<String>,
    /// Silence an alarm for a time: see --for, --once
    #[arg(long, value_name = "ALARM", requires = "span")]
    shelve: Option<String>,
    /// Take an alarm off the shelf
    #[arg(long, value_name = "ALARM")]
    unshelve: Option<String>,
    /// Take an alarm out of service, until it is returned: for repair and calibration
    #[arg(long, value_name = "ALARM")]
    out_of_service: Option<String>,
    /// Return an alarm to service
    #[arg(long, value_name = "ALARM")]
    return_to_service: Option<String>,
    /// Say what an alarm's last occurrence was: see --cause, --note
    #[arg(long, value_name = "ALARM", requires = "cause")]
    close: Option<String>,
}

/// The answer of the daemon, as far as words need it.
#[derive(Deserialize)]
struct Granted {
    state: String,
    shelved_until: Option<jiff::Timestamp>,
    out_of_service: bool,
    durable: bool,
    already: bool,
}

#[derive(Deserialize)]
struct AlarmAnswer {
    run: i64,
    item: Item,
}

#[derive(Deserialize)]
struct Item {
    name: String,
    occurrence: u32,
}

#[derive(Deserialize)]
struct LineAnswer {
    item: Zone,
}

#[derive(Deserialize)]
struct Zone {
    time_zone: String,
}

impl WishArguments {
    /// The alarm, and the daemon's word for what is asked of it; `None` if nothing is.
    fn asked(&self) -> Option<(&str, &'static str)> {
        let What { acknowledge, reset, shelve, unshelve, out_of_service, return_to_service, close } =
            &self.what;
        let all = [
            (acknowledge, "acknowledge"),
            (reset, "reset"),
            (shelve, "shelve"),
            (unshelve, "unshelve"),
            (out_of_service, "out-of-service"),
            (return_to_service, "return-to-service"),
            (close, CLOSE),
        ];
        all.into_iter().find_map(|(alarm, key)| Some((alarm.as_deref()?, key)))
    }

    /// Who asks, as far as that is known.
    fn name(&self) -> String {
        let user = || std::env::var("USER").or_else(|_| std::env::var("LOGNAME")).unwrap_or_default();
        self.by.clone().unwrap_or_else(user)
    }

    fn body(&self, run: i64, occurrence: u32, key: &str) -> Value {
        if key == CLOSE {
            let (cause, note) = (self.cause.as_deref(), self.note.as_deref().unwrap_or_default());
            return json!({ "occurrence": occurrence, "by": self.name(), "cause": cause, "note": note });
        }
        let mut body = json!({ "run": run, "occurrence": occurrence, "by": self.name() });
        if let Some(fields) = body.as_object_mut() {
            if let Some(why) = self.why.as_ref().filter(|_| key != "acknowledge") {
                fields.insert("why".to_owned(), json!(why));
            }
            if let Some(span) = self.span {
                fields.insert("for_s".to_owned(), json!(span.as_secs_f64()));
                fields.insert("once".to_owned(), json!(self.once));
            }
        }
        body
    }
}

/// Asks what was asked for; `None` if nothing was.
pub(crate) async fn wish(daemon: &Daemon, arguments: &WishArguments, as_json: bool) -> Option<Exit> {
    let (alarm, key) = arguments.asked()?;
    let is_signed = key == "acknowledge" || key == CLOSE;
    if is_signed && arguments.why.is_some() {
        return Some(super::misused(
            "--why is kept with every wish but --acknowledge and --close (which has --note): take it out",
        ));
    }
    if is_signed && arguments.name().trim().is_empty() {
        return Some(super::misused("this is somebody's word: give your name, --by NAME"));
    }
    let done = ask(daemon, arguments, alarm, key).await;
    Some(match done {
        Ok((answer, _)) if as_json => {
            println!("{answer}");
            Exit::Ok
        }
        Ok((_, text)) => {
            println!("{text}");
            Exit::Ok
        }
        Err((exit, text)) => {
            eprintln!("setward: {text}");
            exit
        }
    })
}

async fn ask(
    daemon: &Daemon,
    arguments: &WishArguments,
    alarm: &str,
    key: &str,
) -> Result<(Value, String), (Exit, String)> {
    let is_id = |byte: u8| byte.is_ascii_alphanumeric() || b"-._~".contains(&byte);
    if alarm.is_empty() || !alarm.bytes().all(is_id) {
        let text = format!("`{alarm}` is no id of an alarm; `setward alarms --json` lists them");
        return Err((Exit::Usage, text));
    }
    let path = format!("/api/v1/alarms/{alarm}");
    let unread = |text| (Exit::Unreachable, text);
    let seen: AlarmAnswer = daemon.read(&path).await.map_err(unread)?.map_err(|told| (Exit::Usage, told))?;
    let line: LineAnswer = daemon.get("/api/v1/line").await.map_err(unread)?;
    let body = arguments.body(seen.run, seen.item.occurrence, key);
    let (status, answer) = daemon.tell(&format!("{path}/{key}"), &body).await.map_err(unread)?;
    if status != StatusCode::OK {
        let told = answer.get("detail").and_then(Value::as_str).unwrap_or("the daemon gives no reason");
        return Err((super::refused_with(status), told.to_owned()));
    }
    if key == CLOSE {
        let already = answer.get("already").and_then(Value::as_bool) == Some(true);
        let before = if already { "; it had been said before" } else { "" };
        let (name, occurrence) = (&seen.item.name, seen.item.occurrence);
        return Ok((answer, format!("{name} ({alarm}): occurrence {occurrence} closed{before}")));
    }
    let granted = serde_json::from_value(answer.clone()).map_err(|_| {
        unread("the daemon is of another version than this command; use the same for both".to_owned())
    })?;
    Ok((answer, words(&seen.item.name, alarm, key, &granted, &line.item.time_zone)))
}

/// The outcome for a person: "Kettle 1 heats too slowly (kettle-heat-slow.TT-101): shelved until 14:20".
fn words(name: &str, id: &str, key: &str, granted: &Granted, zone: &str) -> String {
    let until = granted.shelved_until.map(|until| {
        let zone = jiff::tz::TimeZone::get(zone).unwrap_or(jiff::tz::TimeZone::UTC);
        until.to_zoned_datetime(zone).strftime("%Y-%m-%d %H:%M:%S %Z").to_string()
    });
    let now = match (key, until) {
        ("shelve", Some(until)) => format!("shelved until {until}"),
        ("unshelve", _) => "off the shelf".to_owned(),
        ("out-of-service", _) if granted.out_of_service => "out of service".to_owned(),
        ("return-to-service", _) => "in service".to_owned(),
        ("reset", _) => "reset".to_owned(),
        _ => format!("now {}", granted.state.replace('_', " ")),
    };
    let already = if granted.already { "; it was so before" } else { "" };
    let kept = if granted.durable { "" } else { ". NOT on disk: a restart forgets it; look at the disk" };
    let (bold, plain) = if no_color() || !std::io::IsTerminal::is_terminal(&std::io::stdout()) {
        ("", "")
    } else {
        ("\u{1b}[1m", "\u{1b}[0m")
    };
    format!("{bold}{name}{plain} ({id}): {now}{already}{kept}")
}
