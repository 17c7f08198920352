//! `setward reload`: has the running daemon read its line folder anew.

use super::ask::Daemon;
use super::{Exit, check};
use axum::http::StatusCode;
use serde_json::{Value, json};
use std::path::PathBuf;
use std::time::Duration;

/// How long the daemon may take: it ends a run and begins another, on a machine that may be busy.
const WITHIN: Duration = Duration::from_secs(60);

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = RELOAD_EXAMPLES)]
pub(crate) struct ReloadArguments {
    /// The line folder that the daemon runs with
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// The daemon's page, for example http://127.0.0.1:8470, if it is not where site.toml says
    #[arg(long, value_name = "URL", value_parser = Daemon::of_url)]
    url: Option<Daemon>,
    /// Who asks; the name of this machine's user if it is not given
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Print the answer as JSON
    #[arg(long)]
    json: bool,
}

const RELOAD_EXAMPLES: &str = "\
The files are checked first; if anything is wrong with them, all problems are listed and the files from before stay in force.
States of alarms, shelves and exposure go on; the second or two in between count as unknown time. An alarm that is gone from the
files is closed, with the reason. Changes of `data_dir` and `page` need a restart. The signal SIGHUP
does the same to a daemon without a terminal.

Exit codes: 0 in force or unchanged, 1 it can't be done now, 3 problems in the files, 4 no daemon answers, 5 not permitted.

Examples:
  setward reload plant/line-2 --by Ana
  setward reload plant/line-2 --url http://127.0.0.1:8471 --json";

/// Asks, and says what came of it.
pub(crate) async fn reload(arguments: &ReloadArguments) -> Exit {
    let daemon = match &arguments.url {
        Some(daemon) => daemon.clone(),
        // Where the daemon is stands in files that may just have been broken: their problems are its answer too.
        None => match check::load(&arguments.folder) {
            Ok(line) => Daemon::of_line(&line),
            Err(exit) => {
                eprintln!("nothing was changed: a daemon that runs keeps the files from before");
                return exit;
            }
        },
    };
    let user = || std::env::var("USER").or_else(|_| std::env::var("LOGNAME")).unwrap_or_default();
    let by = arguments.by.clone().unwrap_or_else(user);
    let by = if by.trim().is_empty() { "somebody at this machine".to_owned() } else { by };
    match daemon.tell_within("/api/v1/reload", &json!({ "by": by }), WITHIN).await {
        Ok((status, answer)) => told(status, &answer, arguments.json),
        Err(text) => {
            eprintln!("setward: {text}");
            Exit::Unreachable
        }
    }
}

fn told(status: StatusCode, answer: &Value, as_json: bool) -> Exit {
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let outcome = answer.get("outcome").and_then(Value::as_str).unwrap_or_default();
    if as_json {
        println!("{answer:#}");
    }
    match outcome {
        "reloaded" => {
            if !as_json {
                let done = answer.get("reloaded").unwrap_or(&Value::Null);
                println!("in force, as run {}", done.get("run").and_then(Value::as_i64).unwrap_or_default());
                for change in done.get("changes").and_then(Value::as_array).into_iter().flatten() {
                    println!("  {}", text(change));
                }
            }
            Exit::Ok
        }
        "unchanged" => {
            if !as_json {
                println!("unchanged: the daemon runs with these files");
            }
            Exit::Ok
        }
        "refused" => {
            eprintln!("{}", answer.get("detail").map(text).unwrap_or_default());
            eprintln!("nothing was changed: the files from before stay in force");
            Exit::Configuration
        }
        _ => {
            let detail =
                answer.get("detail").map(text).unwrap_or_else(|| format!("the daemon says {status}"));
            eprintln!("setward: {detail}");
            super::refused_with(status)
        }
    }
}
