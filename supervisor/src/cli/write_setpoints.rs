//! `setward write-setpoints`: a recipe's setpoints into controllers, only in builds with the feature. Shows the difference first;
//! writes exactly what was shown.

use super::{Exit, check, fail, misused};
use crate::clock::Clock;
use crate::commission::probe::asker::Whom;
use crate::history::sqlite::InlineStore;
use crate::poll::dial::TcpDial;
use crate::poll::session::ReadFailure;
use crate::snapshot::LineSnapshot;
use crate::write_setpoints::CAUTIONS;
use crate::write_setpoints::carry_out::{Fate, Outcome, Writer};
use crate::write_setpoints::journal::{Journal, Occasion};
use crate::write_setpoints::plan::{Difference, Row, Seen, Verdict, enabled};
use crate::write_setpoints::wire::{Answer, Wire, read_once, write_once};
use crate::{Edges, start};
use async_trait::async_trait;
use setward_config::line::{Line, Recipe};
use setward_protocol::{Mode, Reading, SignalId, StationId};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

/// How long controllers have to answer before what is not known stays unknown.
const LOOKS_FOR: Duration = Duration::from_secs(10);
const LOOKS_EVERY: Duration = Duration::from_millis(100);

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = WRITE_EXAMPLES)]
pub(crate) struct WriteArguments {
    /// The line folder
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// The recipe: its file name without the ending
    #[arg(value_name = "RECIPE")]
    recipe: String,
    /// These setpoints only, by their tags, with commas between
    #[arg(long, value_name = "TAGS", value_delimiter = ',')]
    only: Vec<String>,
    /// Write; without it the difference is shown, and nothing is written
    #[arg(long, requires_all = ["difference", "by", "reason"])]
    write: bool,
    /// The difference as it was shown, by its eight digits: if it is another now, nothing is written
    #[arg(long, value_name = "DIGITS", requires = "write")]
    difference: Option<String>,
    /// Who decides this: a person's name
    #[arg(long, value_name = "NAME", requires = "write")]
    by: Option<String>,
    /// Why
    #[arg(long, value_name = "TEXT", requires = "write")]
    reason: Option<String>,
    /// Print the difference, and what became of it, as JSON
    #[arg(long)]
    json: bool,
}

const WRITE_EXAMPLES: &str = "\
Writes only setpoints that [[setpoint-write]] of site.toml enables, within its bounds, steps and modes, one after the other,
each read back; stops at the first that is not as it should be. Nothing is written again by itself. What was meant and what
became of it is in setpoint-writes.jsonl of the data folder. Many controllers serve one client: stop `setward run` first.

Examples:
  setward write-setpoints plant/line-2 white-corn-strips
  setward write-setpoints plant/line-2 white-corn-strips --write --difference 5f3a91c2 --by Ana --reason \"lot 2\"

Exit codes: 0 all is as the recipe asks or only shown, 1 something was not written, 2 usage, 3 the folder has problems";

/// Shows, or writes.
pub(crate) async fn write_setpoints(arguments: &WriteArguments) -> Exit {
    match asked(arguments).await {
        Ok(exit) | Err(exit) => exit,
    }
}

async fn asked(arguments: &WriteArguments) -> Result<Exit, Exit> {
    let line = Arc::new(check::load(&arguments.folder)?);
    let recipe = recipe_named(&line, &arguments.recipe)?;
    check_only(&line, recipe, &arguments.only)?;
    let clock = Clock::system();
    let mut journal = Journal::open(&line.data_dir).map_err(|text| fail(&text))?;
    let snapshot = look(&line, &enabled(&line, recipe)).await.map_err(|text| fail(&text))?;
    let seen = seen(&line, recipe, &snapshot);
    let difference = Difference::new(&line, recipe, &arguments.only, &seen, &journal.writes(clock.utc()));
    if !arguments.write {
        show(arguments, &line, &difference, &journal)?;
        return Ok(Exit::Ok);
    }
    if arguments.difference.as_deref() != Some(difference.code.as_str()) {
        show(arguments, &line, &difference, &journal)?;
        return Err(misused(
            "the difference is another now than the one named by --difference; nothing was written",
        ));
    }
    let occasion = occasion(arguments, &difference)?;
    CAUTIONS.iter().for_each(|caution| eprintln!("{caution}"));
    let dial = TcpDial { user_timeout: Duration::from_secs(5) };
    let mut wire = Plant { line: Arc::clone(&line), dial, clock };
    let mut writer = Writer { line: &line, occasion, journal: &mut journal, clock };
    let outcomes = writer.write(&difference, &mut wire).await;
    tell(arguments, &outcomes)
}

fn occasion(arguments: &WriteArguments, difference: &Difference) -> Result<Occasion, Exit> {
    let text = |given: &Option<String>, what: &str| {
        let given = given.as_deref().unwrap_or_default().trim().to_owned();
        let is_fit = !given.is_empty() && given.len() <= 200 && !given.contains(char::is_control);
        is_fit.then_some(given).ok_or_else(|| misused(&format!("{what} takes 1 to 200 letters on one line")))
    };
    Ok(Occasion {
        recipe: difference.recipe.clone(),
        code: difference.code.clone(),
        by: text(&arguments.by, "--by")?,
        os_user: os_user(),
        why: text(&arguments.reason, "--reason")?,
    })
}

/// Whom the system says this process belongs to.
fn os_user() -> String {
    use std::os::unix::fs::MetadataExt as _;
    std::fs::metadata("/proc/self").map_or_else(|_| "unknown".to_owned(), |own| format!("uid {}", own.uid()))
}

fn recipe_named<'a>(line: &'a Line, key: &str) -> Result<&'a Recipe, Exit> {
    line.recipes.iter().find(|recipe| recipe.key == key).ok_or_else(|| {
        let all: Vec<&str> = line.recipes.iter().map(|recipe| recipe.key.as_str()).collect();
        misused(&format!("there is no recipe {key:?}; there are: {}", all.join(", ")))
    })
}

fn check_only(line: &Line, recipe: &Recipe, only: &[String]) -> Result<(), Exit> {
    let known = |tag: &&String| recipe.setpoints.iter().any(|held| line.signal(held.signal).tag == **tag);
    match only.iter().find(|tag| !known(tag)) {
        None => Ok(()),
        Some(tag) => Err(misused(&format!("--only: recipe {} has no setpoint {tag:?}", recipe.key))),
    }
}

/// Watches the line until every one of `wanted` and its station is known, or it is late; keeps nothing.
async fn look(line: &Arc<Line>, wanted: &[SignalId]) -> Result<Arc<LineSnapshot>, String> {
    let clock = Clock::system();
    let history = Arc::new(InlineStore::in_memory().map_err(|error| error.text)?);
    let mut alone = Line::clone(line);
    alone.without_servers();
    let edges = Edges { dial: Arc::new(TcpDial { user_timeout: Duration::from_secs(5) }), history, clock };
    let running = start(Arc::new(alone), edges).await.map_err(|error| error.text)?;
    let begun = clock.now();
    let mut snapshot = running.handle().snapshot();
    while clock.now().duration_since(begun) < LOOKS_FOR {
        tokio::time::sleep(LOOKS_EVERY).await;
        snapshot = running.handle().snapshot();
        let is_known = |id: &SignalId| snapshot.signals.get(id.index()).is_some_and(|view| view.at.is_some());
        let has_scanned = snapshot.controllers.iter().all(|controller| controller.scans_good > 1);
        if has_scanned && wanted.iter().all(is_known) {
            break;
        }
    }
    running.stop().await.map_err(|error| format!("after looking: {error}"))?;
    Ok(snapshot)
}

fn seen(line: &Line, recipe: &Recipe, snapshot: &LineSnapshot) -> BTreeMap<SignalId, Seen> {
    let look = |id: SignalId| {
        let view = snapshot.signals.get(id.index())?;
        let value = match view.reading {
            Reading::Good(value) => Ok(value),
            Reading::Uncertain(_, why) => Err(format!("its value is doubtful ({why})")),
            Reading::Bad(why) => Err(why.to_string()),
        };
        let words = view.words.iter().take(usize::from(view.word_count)).copied().collect();
        let station = line.signal(id).station;
        let (value, mode) = match mode_of(line, station, snapshot) {
            Some(mode) => (value, mode),
            None => {
                let why = format!("what {} does can't be told", line.station(station).name);
                (value.and(Err(why)), snapshot.stations.get(station.index())?.mode)
            }
        };
        Some((id, Seen { value, words, mode }))
    };
    enabled(line, recipe).into_iter().filter_map(look).collect()
}

/// The signals that say what a station is doing; all that it has in registers, where no rule says it.
fn telling(line: &Line, station: StationId) -> Vec<SignalId> {
    let rules = &line.station(station).modes;
    if rules.is_empty() {
        let own = line.signals_with_ids().filter(|(_, signal)| signal.station == station);
        return own.filter(|(_, signal)| signal.register().is_some()).map(|(id, _)| id).collect();
    }
    let conditions = rules.iter().flat_map(|rule| rule.when.iter().chain(&rule.until));
    conditions.map(|condition| condition.signal).collect()
}

/// What a station is doing; `None` if any signal that says so is not known: the mode that is assumed without it would be believed.
fn mode_of(line: &Line, station: StationId, snapshot: &LineSnapshot) -> Option<Mode> {
    let is_known =
        |id: &SignalId| snapshot.signals.get(id.index()).is_some_and(|view| view.reading.good().is_some());
    let telling = telling(line, station);
    let is_seen = match line.station(station).modes.as_slice() {
        [] => telling.iter().any(is_known),
        _ => telling.iter().all(is_known),
    };
    snapshot.stations.get(station.index()).map(|view| view.mode).filter(|_| is_seen)
}

/// The controllers themselves.
struct Plant {
    line: Arc<Line>,
    dial: TcpDial,
    clock: Clock,
}

#[async_trait]
impl Wire for Plant {
    async fn write(&mut self, whom: &Whom, start: u16, words: &[u16]) -> Answer {
        write_once(&self.dial, whom, start, words).await
    }

    async fn read(&mut self, whom: &Whom, start: u16, count: u16) -> Result<Vec<u16>, ReadFailure> {
        read_once(&self.dial, self.clock, whom, (start, count)).await
    }

    async fn mode(&mut self, station: StationId) -> Option<Mode> {
        let snapshot = look(&self.line, &telling(&self.line, station)).await.ok()?;
        mode_of(&self.line, station, &snapshot)
    }

    async fn pause(&mut self, span: Duration) {
        tokio::time::sleep(span).await;
    }
}

fn show(
    arguments: &WriteArguments,
    line: &Line,
    difference: &Difference,
    journal: &Journal,
) -> Result<(), Exit> {
    if arguments.json {
        return print_json(difference);
    }
    let plant = if line.simulated { "SIMULATED controllers" } else { "the plant's controllers" };
    println!("Setpoints of {} against {plant} as they are now. Nothing is written.", difference.recipe);
    if let Some(intent) = journal.cut_at() {
        println!(
            "The last writing was cut while {} was being written with {}: what is there now is below.",
            intent.tag, intent.value
        );
    }
    if journal.damaged() > 0 {
        println!("{} lines of setpoint-writes.jsonl can't be read or were changed.", journal.damaged());
    }
    difference.rows.iter().for_each(|row| println!("{}", line_of(row)));
    let count = difference.to_write().count();
    if count == 0 {
        println!("Nothing would be written.");
        return Ok(());
    }
    println!("\nDifference {}. To write exactly this:", difference.code);
    println!(
        "  setward write-setpoints {} {} --write --difference {} --by NAME --reason TEXT\n",
        arguments.folder.display(),
        difference.recipe,
        difference.code
    );
    CAUTIONS.iter().for_each(|caution| println!("{caution}"));
    Ok(())
}

/// "  TIC-310-SP   182 to 184 degC   in 2 writes   fryer holding 212 (40213), written 3 times so far".
fn line_of(row: &Row) -> String {
    let now = row.now.map_or_else(|| "?".to_owned(), |now| format!("{now:.4}"));
    let now = now.trim_end_matches('0').trim_end_matches('.');
    let what = match &row.verdict {
        Verdict::Equal => format!("is {} {}, as the recipe asks", row.wanted, row.unit),
        Verdict::Write(steps) => {
            let writes = crate::web::call::counted(steps.len(), "write");
            let so_far = crate::web::call::counted(row.writes.ever as usize, "time");
            format!(
                "{now} to {} {} in {writes}; {}, written {so_far} so far",
                row.wanted, row.unit, row.place
            )
        }
        Verdict::Refused(why) => format!("{now} stays, {} {} is asked: {why}", row.wanted, row.unit),
    };
    format!("  {:<14}{what}", row.tag)
}

fn tell(arguments: &WriteArguments, outcomes: &[Outcome]) -> Result<Exit, Exit> {
    if arguments.json {
        print_json(outcomes)?;
    } else {
        outcomes.iter().for_each(|one| println!("{}", told(one)));
    }
    let is_well = |one: &Outcome| matches!(one.fate, Fate::Written | Fate::LeftAlone) && one.why.is_none();
    Ok(if outcomes.iter().all(is_well) { Exit::Ok } else { Exit::Failure })
}

fn told(one: &Outcome) -> String {
    let fate = match one.fate {
        Fate::LeftAlone => "left alone",
        Fate::NotTried => "not tried",
        Fate::Written => "written",
        Fate::Partly => "written on the way only",
        Fate::NotWritten => "not written",
        Fate::SomethingElse => "something else is there",
        Fate::Unknown => "what is there is not known: look at the panel",
    };
    let now = one.now.map(|now| format!(", now {now} {}", one.unit)).unwrap_or_default();
    let why = one.why.as_ref().map(|why| format!(": {why}")).unwrap_or_default();
    format!("  {:<14}{fate}{now}{why}", one.tag)
}

fn print_json(found: &(impl serde::Serialize + ?Sized)) -> Result<(), Exit> {
    let text =
        serde_json::to_string_pretty(found).map_err(|error| fail(&format!("writing JSON: {error}")))?;
    println!("{text}");
    Ok(())
}
