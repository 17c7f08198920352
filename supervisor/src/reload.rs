//! Taking up changed files without stopping the program: who asks, what is answered, what has changed.

use crate::line::renamed::id_now;
use setward_config::Problems;
use setward_config::line::Line;
use setward_config::problem::ProblemEntry;
use std::collections::BTreeMap;
use std::path::PathBuf;
use tokio::sync::{mpsc, oneshot};

/// Most wishes to reload that wait.
const WAITING_MAX: usize = 4;
/// Most names told one by one.
const NAMES_MAX: usize = 8;

/// What is to be read anew.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Anew {
    /// The whole line folder.
    Folder,
    /// Who may come in, and nothing else: whatever else of the folder is half edited stays as it is in force.
    Users {
        /// The file that was changed; `None`: whichever is in force.
        file: Option<PathBuf>,
    },
}

/// Somebody wants the files read anew.
#[derive(Debug)]
pub struct ReloadRequest {
    /// Which.
    pub anew: Anew,
    /// Who, as typed, or the signal that asked.
    pub by: String,
    /// Where the answer goes.
    pub answer: oneshot::Sender<ReloadAnswer>,
}

/// What came of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ReloadAnswer {
    /// The new files are in force.
    Done(Reloaded),
    /// The files are as they were.
    Unchanged {
        /// Their fingerprint.
        fingerprint: String,
    },
    /// The files can't be used: those in force stay.
    Refused {
        /// All problems, for people.
        text: String,
        /// The same for programs.
        problems: Vec<ProblemEntry>,
    },
    /// It can't be done without a restart, or the new run could not be begun: the files in force stay.
    NotNow {
        /// Why, and what to do.
        why: String,
    },
}

/// A reload that was done.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, utoipa::ToSchema)]
pub struct Reloaded {
    /// The run that began with it.
    pub run: i64,
    /// Fingerprint of the files before.
    pub old_configuration: String,
    /// Fingerprint of the files now.
    pub new_configuration: String,
    /// What differs, for people.
    pub changes: Vec<String>,
}

/// The way to ask for a reload. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Reloader(mpsc::Sender<ReloadRequest>);

impl Reloader {
    /// A way, and where wishes arrive.
    #[must_use]
    pub fn new() -> (Self, mpsc::Receiver<ReloadRequest>) {
        let (wishes, arriving) = mpsc::channel(WAITING_MAX);
        (Self(wishes), arriving)
    }

    /// Asks; returns when the new files are in force, or why they are not.
    pub async fn reload(&self, by: String, anew: Anew) -> ReloadAnswer {
        let gone = || ReloadAnswer::NotNow { why: "the daemon is stopping".to_owned() };
        let (answer, answered) = oneshot::channel();
        if self.0.send(ReloadRequest { anew, by, answer }).await.is_err() {
            return gone();
        }
        answered.await.unwrap_or_else(|_dropped| gone())
    }
}

impl ReloadAnswer {
    /// The files have problems.
    #[must_use]
    pub fn refused(problems: &Problems) -> Self {
        Self::Refused { text: problems.render(false), problems: problems.entries() }
    }
}

/// What differs between two lines, for people: a line of text for each kind of thing.
#[must_use]
pub fn changes(old: &Line, new: &Line) -> Vec<String> {
    let signals =
        |line: &Line| line.signals.iter().map(|one| (one.tag.clone(), format!("{one:?}"))).collect();
    let alarms = |line: &Line| line.alarms.iter().map(|one| (one.id.clone(), format!("{one:?}"))).collect();
    let recipes =
        |line: &Line| line.recipes.iter().map(|one| (one.key.clone(), format!("{one:?}"))).collect();
    let controllers =
        |line: &Line| line.controllers.iter().map(|one| (one.name.clone(), format!("{one:?}"))).collect();
    let mut told = Vec::new();
    let (mut old_signals, mut new_signals) = (signals(old), signals(new));
    let (mut old_alarms, mut new_alarms) = (alarms(old), alarms(new));
    let tags = new.signals.iter().filter_map(|one| Some((one.was.clone()?, one.tag.clone()))).collect();
    let ids = old.alarms.iter().filter_map(|one| Some((one.id.clone(), id_now(new, &one.id)?))).collect();
    renamed("signals", tags, &mut old_signals, &mut new_signals, &mut told);
    renamed("alarms", ids, &mut old_alarms, &mut new_alarms, &mut told);
    for (what, before, after) in [
        ("signals", old_signals, new_signals),
        ("alarms", old_alarms, new_alarms),
        ("recipes", recipes(old), recipes(new)),
        ("controllers", controllers(old), controllers(new)),
    ] {
        differing(what, &before, &after, &mut told);
    }
    if told.is_empty() {
        told.push("neither signals nor alarms, recipes or controllers".to_owned());
    }
    told
}

type Named = BTreeMap<String, String>;

/// Tells what goes on under another name, and takes it out of both: it is neither new nor gone.
fn renamed(
    what: &str,
    pairs: Vec<(String, String)>,
    before: &mut Named,
    after: &mut Named,
    told: &mut Vec<String>,
) {
    let mut names = Vec::new();
    for (from, to) in pairs {
        let is_new = before.contains_key(&from) && after.contains_key(&to);
        if is_new && !before.contains_key(&to) && !after.contains_key(&from) {
            before.remove(&from);
            after.remove(&to);
            names.push(format!("{from} to {to}"));
        }
    }
    tell(what, "renamed", &names, told);
}

fn differing(what: &str, before: &Named, after: &Named, told: &mut Vec<String>) {
    let only_in = |one: &Named, other: &Named| -> Vec<String> {
        one.keys().filter(|name| !other.contains_key(*name)).cloned().collect()
    };
    let is_other = |(name, text): (&String, &String)| {
        before.get(name).is_some_and(|old| old != text).then(|| name.clone())
    };
    let changed = after.iter().filter_map(is_other).collect();
    for (how, names) in
        [("new", only_in(after, before)), ("gone", only_in(before, after)), ("changed", changed)]
    {
        tell(what, how, &names, told);
    }
}

fn tell(what: &str, how: &str, names: &[String], told: &mut Vec<String>) {
    let shown = names.iter().take(NAMES_MAX).cloned().collect::<Vec<_>>().join(", ");
    match names.len() {
        0 => {}
        count if count > NAMES_MAX => {
            told.push(format!("{what} {how}: {shown} and {} more", count - NAMES_MAX))
        }
        _ => told.push(format!("{what} {how}: {shown}")),
    }
}

/// Why `new` can't take the place of `old` in a running program.
#[must_use]
pub fn needs_a_restart(old: &Line, new: &Line) -> Option<String> {
    (old.data_dir != new.data_dir).then(|| {
        format!(
            "`data_dir` in site.toml would move the history from {} to {}: stop setward, move the folder, start it again",
            old.data_dir.display(),
            new.data_dir.display()
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_differs_between_two_lines_is_told_by_name() {
        let old = setward_config::load_demo().unwrap().line;
        let mut new = old.clone();
        new.signals.iter_mut().find(|one| one.tag == "TT-310").unwrap().name = "Oil inlet".to_owned();
        let gone = new.alarms.pop().unwrap();
        assert_eq!(
            changes(&old, &new),
            ["signals changed: TT-310".to_owned(), format!("alarms gone: {}", gone.id)]
        );
        assert_eq!(changes(&old, &old), ["neither signals nor alarms, recipes or controllers"]);
        new.alarms.clear();
        assert!(changes(&old, &new)[1].ends_with(&format!(" and {} more", old.alarms.len() - 8)));
        let mut new = old.clone();
        let signal = new.signals.iter_mut().find(|one| one.tag == "TT-311").unwrap();
        (signal.tag, signal.was) = ("TT-312B".to_owned(), Some("TT-311".to_owned()));
        for alarm in &mut new.alarms {
            alarm.id = alarm.id.replace(".TT-311", ".TT-312B");
        }
        let told = changes(&old, &new);
        assert_eq!(told[0], "signals renamed: TT-311 to TT-312B");
        assert!(told[1].starts_with("alarms renamed: "), "{told:?}");
        assert!(told[1].contains("measurement.TT-311 to measurement.TT-312B"), "{told:?}");
        assert!(told.len() == 2, "neither new nor gone: {told:?}");
        assert_eq!(needs_a_restart(&old, &new), None);
        new.data_dir = "/elsewhere".into();
        assert!(needs_a_restart(&old, &new).is_some_and(|why| why.contains("start it again")));
    }
}
