//! `setward alarms FOLDER --test-message [CHANNEL]`: a message that only tries a way out, sent by the running daemon, or by this
//! command itself when none runs.

use super::alarms::whom_to_ask;
use super::ask::Daemon;
use super::{Exit, fail};
use crate::clock::Clock;
use crate::notify::{NotTried, Tester};
use serde::Deserialize;
use serde_json::{Value, json};
use setward_config::line::Line;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

/// How long the daemon may take: it waits eight seconds for the channels itself.
const ANSWER_WITHIN: Duration = Duration::from_secs(11);

#[derive(Deserialize)]
struct Answer {
    items: Vec<Item>,
}

#[derive(Deserialize)]
struct Item {
    channel: String,
    arrived: bool,
    text: String,
}

/// Sends it to `channel`, or to all of them; says what came of each.
pub(crate) async fn send(
    folder: Option<&Path>,
    url: Option<Daemon>,
    channel: Option<&str>,
    as_json: bool,
) -> Exit {
    let (daemon, line) = match whom_to_ask(folder, url) {
        Ok(found) => found,
        Err(exit) => return exit,
    };
    let answer = match line {
        Some(line) if !daemon.is_there().await => {
            eprintln!("setward: no daemon runs; this command sends the message itself, as the present user");
            alone(line, channel).await
        }
        Some(_) | None => ask(&daemon, channel).await,
    };
    let answer = match answer {
        Ok(answer) => answer,
        Err((exit, text)) => {
            eprintln!("setward: {text}");
            return exit;
        }
    };
    let Ok(Answer { items }) = serde_json::from_value(answer.clone()) else {
        return fail("the daemon is of another version than this command; use the same for both");
    };
    if as_json {
        println!("{answer}");
    } else {
        for item in &items {
            let word = if item.arrived { "arrived" } else { "FAILED" };
            println!("{}: {word}: {}", item.channel, item.text);
        }
    }
    if items.iter().all(|item| item.arrived) { Exit::Ok } else { Exit::Failure }
}

async fn ask(daemon: &Daemon, channel: Option<&str>) -> Result<Value, (Exit, String)> {
    let body = json!({ "channel": channel });
    let answer = daemon.post_within("/api/v1/channels/test", &body, ANSWER_WITHIN).await;
    answer.map_err(|text| (Exit::Unreachable, text))?.map_err(|refused| (Exit::Failure, refused))
}

async fn alone(line: Line, channel: Option<&str>) -> Result<Value, (Exit, String)> {
    let tester = Tester::alone(&Arc::new(line), Clock::system());
    let tried = tester.try_out(channel).await.map_err(|why| match why {
        NotTried::NoChannels => {
            (Exit::Failure, "nobody is told of alarms: site.toml has no [mail] and no [[webhook]]".to_owned())
        }
        NotTried::Unknown(names) => {
            (Exit::Usage, format!("no channel of this name; there is {}", names.join(", ")))
        }
        NotTried::Busy => (Exit::Failure, "the channels are being tried already".to_owned()),
    })?;
    Ok(json!({ "schema_version": 1, "items": tried }))
}
