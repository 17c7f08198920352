//! `setward check`: every problem of a line folder, and loading for the commands that need one.

use super::{Exit, no_color};
use setward_config::line::Line;
use setward_config::problem::ProblemEntry;
use setward_config::{Loaded, Problems};
use std::io::IsTerminal as _;
use std::path::Path;

/// What `--json` prints.
#[derive(serde::Serialize)]
struct Report {
    schema_version: u32,
    problems: Vec<ProblemEntry>,
}

/// Lists every problem of `folder`.
pub(crate) fn check(folder: &Path, json: bool) -> Exit {
    let (problems, line) = match setward_config::load(folder) {
        Ok(Loaded { line, warnings }) => (warnings, Some(line)),
        Err(problems) => (problems, None),
    };
    if json {
        let report = Report { schema_version: 1, problems: problems.entries() };
        match serde_json::to_string_pretty(&report) {
            Ok(text) => println!("{text}"),
            Err(error) => return super::fail(&format!("writing JSON: {error}")),
        }
    } else {
        print_problems(&problems);
        match &line {
            Some(line) => println!("{}", praise(line, &problems)),
            None => eprintln!("{} in {}", count_of(&problems), folder.display()),
        }
    }
    if line.is_some() { Exit::Ok } else { Exit::Configuration }
}

/// The line in `folder`, without its users, whose file only the daemon's own account may read; or, with its problems told, nothing.
pub(crate) fn load(folder: &Path) -> Result<Line, Exit> {
    told(folder, setward_config::load_for_reading(folder))
}

/// The same with its users: for what lets people in.
pub(crate) fn load_with_users(folder: &Path) -> Result<Line, Exit> {
    told(folder, setward_config::load(folder))
}

fn told(folder: &Path, loaded: Result<Loaded, Problems>) -> Result<Line, Exit> {
    match loaded {
        Ok(Loaded { line, warnings }) => {
            print_problems(&warnings);
            Ok(line)
        }
        Err(problems) => {
            print_problems(&problems);
            eprintln!("{} in {}; nothing was started", count_of(&problems), folder.display());
            Err(Exit::Configuration)
        }
    }
}

fn print_problems(problems: &Problems) {
    if !problems.is_empty() {
        eprintln!("{}", problems.render(std::io::stderr().is_terminal() && !no_color()));
    }
}

fn count_of(problems: &Problems) -> String {
    match problems.error_count() {
        1 => "1 problem".to_owned(),
        count => format!("{count} problems"),
    }
}

fn praise(line: &Line, warnings: &Problems) -> String {
    let warned = match warnings.warning_count() {
        0 => String::new(),
        1 => ", 1 warning".to_owned(),
        count => format!(", {count} warnings"),
    };
    format!(
        "{}: {} controllers, {} signals, {} alarms, {} recipes, no problems{warned}\nconfiguration {}",
        line.name,
        line.controllers.len(),
        line.signals.len(),
        line.alarms.len(),
        line.recipes.len(),
        line.fingerprint
    )
}
