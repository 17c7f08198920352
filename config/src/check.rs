//! From texts to a line: parse each file, read its tables, check what they mean together. All problems in one go.
//!
//! One file per concern in `check/`; this one holds their order and what they share.

mod access;
mod alarms;
mod conditions;
mod controllers;
mod cook;
mod derived;
mod entries;
mod heat_balance;
mod history;
mod intervals;
mod loops;
mod lots;
mod mqtt;
mod names;
mod notify;
mod places;
mod product;
mod recipe_numbers;
mod recipes;
mod registers;
mod renames;
mod setpoint_writes;
mod shifts;
mod signals;
pub(crate) mod site;
mod stations;
mod targets;
mod typical;

use crate::Loaded;
use crate::capacity::MAX_RECIPES;
use crate::line::{Display, HeatBalance, Line, LineEntry, LineSignal, Lots, Shift, User};
use crate::problem::{At, Code, Problem, Problems, Severity, SourceFile, Span};
use crate::raw;
use crate::raw::alarm::RawAlarms;
use crate::raw::line::RawLine;
use crate::raw::recipe::RawRecipe;
use crate::raw::site::RawSite;
use crate::raw::station::RawController;
use crate::reader::{Sink, TableReader, read_table};
use names::Names;
use sha2::{Digest, Sha256};
use std::fmt::Write as _;
use toml::de::DeTable;

/// What a line folder holds, as a hint.
pub(crate) const FILES_OF_A_LINE: &str = "a line folder holds line.toml, alarms.toml, site.toml and recipes/*.toml; \
     `setward demo --keep DIR` writes one to start from";

/// Everything that was written, before it is known to make sense.
#[derive(Debug, Default)]
struct Raw {
    line: Option<RawLine>,
    alarms: Option<RawAlarms>,
    site: Option<RawSite>,
    /// By file name without ending, in the order of files.
    recipes: Vec<(At<String>, RawRecipe)>,
}

/// Checks the files of one line, wherever they came from. Paths are relative to the line folder.
///
/// # Errors
/// All problems of all files, warnings included.
pub fn check_files(files: &[SourceFile]) -> Result<Loaded, Problems> {
    check_with_users(files, None)
}

/// The same with the file of users. It is no part of the line: neither of its fingerprint nor of what history keeps of it.
pub(crate) fn check_with_users(files: &[SourceFile], users: Option<&SourceFile>) -> Result<Loaded, Problems> {
    let mut sink = Sink::default();
    let mut line = check_into(files, &mut sink);
    let found = users.map(|file| check_users(files.len(), file, &mut sink)).unwrap_or_default();
    if let Some(own) = line.as_mut().and_then(|line| line.access.users.as_mut()) {
        (own.list, own.displays) = found;
    }
    never_without_a_reason(line.is_none(), &mut sink);
    let all: Vec<SourceFile> = files.iter().chain(users).cloned().collect();
    let problems = Problems::new(&all, sink.problems);
    match line {
        Some(line) if problems.error_count() == 0 => Ok(Loaded { line, warnings: problems }),
        Some(_) | None => Err(problems),
    }
}

/// Whoever is refused is told why, even where a rule of this check forgot to.
fn never_without_a_reason(is_refused: bool, sink: &mut Sink) {
    let is_error = |problem: &Problem| problem.code.severity() == Severity::Error;
    if is_refused && !sink.problems.iter().any(is_error) {
        let message =
            "something here can't be used, and the check can't say what: that is a fault of the check";
        let hint = "take back the last change and check again; please report the fault, with these files";
        let problem = Problems::of_path(Code::Conflict, "", message.to_owned(), hint.to_owned());
        sink.problems.push(problem);
    }
}

/// The problems that each of `files` has by itself. For a folder of which not everything could be read: every name in what
/// is not there would seem unknown.
pub(crate) fn check_alone(files: &[SourceFile]) -> Problems {
    let mut sink = Sink::default();
    read_files(files, &mut sink);
    Problems::new(files, sink.problems)
}

/// The users in `file`, which is the one with this index.
pub(crate) fn check_users(index: usize, file: &SourceFile, sink: &mut Sink) -> (Vec<User>, Vec<Display>) {
    if file.text.trim().is_empty() {
        return (Vec::new(), Vec::new());
    }
    let (users, displays) = read_file(index, file, "users.toml", sink, raw::users::read).unwrap_or_default();
    (access::users(&users, sink), access::displays(&displays, sink))
}

/// The line, if nothing is wrong, and all problems into `sink`.
pub(crate) fn check_into(files: &[SourceFile], sink: &mut Sink) -> Option<Line> {
    let raw = read_files(files, sink);
    // A file that is broken or absent would make every name in it unknown elsewhere: only noise.
    if sink.problems.iter().any(|problem| matches!(problem.code, Code::Syntax | Code::Missing)) {
        return None;
    }
    let line = assemble(&raw, fingerprint(files), sink)?;
    Some(Line { files: files.to_vec(), ..line })
}

/// Parses every file and reads its tables.
fn read_files(files: &[SourceFile], sink: &mut Sink) -> Raw {
    let mut raw = Raw::default();
    for (index, file) in files.iter().enumerate() {
        let recipe_key = file.path.strip_prefix("recipes/").and_then(|name| name.strip_suffix(".toml"));
        match (file.path.as_str(), recipe_key) {
            ("line.toml", _) => raw.line = read_file(index, file, "line.toml", sink, raw::line::read),
            ("alarms.toml", _) => raw.alarms = read_file(index, file, "alarms.toml", sink, raw::alarm::read),
            ("site.toml", _) => raw.site = read_file(index, file, "site.toml", sink, raw::site::read),
            (_, Some(key)) => {
                let at = Span { file: index, start: 0, end: 0 };
                let recipe = read_file(index, file, "a recipe", sink, raw::recipe::read);
                raw.recipes.extend(recipe.map(|recipe| (At { value: key.to_owned(), at }, recipe)));
            }
            (path, None) => sink.problems.push(not_read(path)),
        }
    }
    raw.recipes.sort_by(|(one, _), (other, _)| one.value.cmp(&other.value));
    for name in ["line.toml", "alarms.toml", "site.toml"] {
        if !files.iter().any(|file| file.path == name) {
            let message = format!("there is no {name}");
            sink.problems.push(Problems::of_path(Code::Missing, name, message, FILES_OF_A_LINE.to_owned()));
        }
    }
    if !files.iter().any(|file| file.path.starts_with("recipes/")) {
        let message = "there is no recipe".to_owned();
        sink.problems.push(Problems::of_path(Code::Missing, "recipes", message, FILES_OF_A_LINE.to_owned()));
    }
    raw
}

fn not_read(path: &str) -> Problem {
    let message = "nothing reads this file".to_owned();
    Problems::of_path(Code::NotRead, path, message, FILES_OF_A_LINE.to_owned())
}

/// The tables of one file, unless it is empty or no TOML.
pub(crate) fn read_file<T>(
    index: usize,
    file: &SourceFile,
    name: &'static str,
    sink: &mut Sink,
    read: impl FnOnce(&mut TableReader<'_, '_>) -> T,
) -> Option<T> {
    if file.text.trim().is_empty() {
        let message = "the file is empty".to_owned();
        sink.problems.push(Problems::of_path(Code::Missing, &file.path, message, FILES_OF_A_LINE.to_owned()));
        return None;
    }
    let (table, errors) = DeTable::parse_recoverable(&file.text);
    // What follows a broken table header lands in the table before it: keys that seem to be there twice.
    let first = errors.iter().find(|error| !is_duplicate(error.message())).and_then(|error| error.span());
    let follows = |error: &toml::de::Error| {
        is_duplicate(error.message())
            && first.as_ref().zip(error.span()).is_some_and(|(first, span)| span.start >= first.start)
    };
    for error in errors.iter().filter(|error| !follows(error)) {
        let range = error.span().unwrap_or_default();
        let at = Span { file: index, start: range.start, end: range.end };
        sink.report(
            Code::Syntax,
            at,
            format!("this is not TOML: {}", one_line(error.message())),
            syntax_hint(error.message(), line_at(&file.text, at.start)),
        );
    }
    if !errors.is_empty() {
        return None;
    }
    let at = Span { file: index, start: 0, end: 0 };
    Some(read_table(name, at, table.get_ref(), sink, read))
}

fn one_line(text: &str) -> String {
    text.split('\n').map(str::trim).collect::<Vec<_>>().join(", ")
}

fn is_duplicate(message: &str) -> bool {
    message.contains("duplicate key")
}

fn syntax_hint(message: &str, line: &str) -> String {
    if is_duplicate(message) {
        return "a key can be given once in a table: take one of the two out".to_owned();
    }
    let value =
        line.split_once('=').map_or("", |(_, value)| value.split('#').next().unwrap_or_default().trim());
    let is_digits = |text: &str| !text.is_empty() && text.bytes().all(|letter| letter.is_ascii_digit());
    if let Some((whole, decimals)) = value.split_once(',')
        && is_digits(whole.trim_start_matches(['+', '-']))
        && is_digits(decimals)
    {
        return format!("write a point in a number: {whole}.{decimals}");
    }
    "text stands in quotes, lists in [ ], and each key on a line of its own".to_owned()
}

/// The line of `text` that holds the byte `place`.
fn line_at(text: &str, place: usize) -> &str {
    let (before, after) = text.split_at_checked(place).unwrap_or((text, ""));
    let start = before.rfind('\n').map_or(0, |end| end + 1);
    let end = after.find('\n').map_or(text.len(), |end| place + end);
    text.get(start..end).unwrap_or_default()
}

fn too_many_recipes(count: usize, sink: &mut Sink) {
    if count > MAX_RECIPES {
        let message = format!("the folder holds {count} recipes; this version holds {MAX_RECIPES}");
        let problem =
            Problems::of_path(Code::Capacity, "recipes", message, "move old recipes elsewhere".to_owned());
        sink.problems.push(problem);
    }
}

/// Addresses that overlap, names of before, names in the site file, and how many recipes there are: nothing else hangs on these.
fn names_elsewhere(raw: &Raw, names: &LineNames<'_>, places: &[Option<places::Placed>], sink: &mut Sink) {
    if let Some(line) = &raw.line {
        places::check(line, places, sink);
        renames::check(line, names, sink);
    }
    if let Some(site) = &raw.site {
        history::known_signals(site, names, sink);
    }
    too_many_recipes(raw.recipes.len(), sink);
}

/// Everything checked against everything else.
fn assemble(raw: &Raw, fingerprint: String, sink: &mut Sink) -> Option<Line> {
    let (raw_line, raw_alarms, raw_site) = (raw.line.as_ref()?, raw.alarms.as_ref()?, raw.site.as_ref()?);
    let names = LineNames::of(raw_line, sink);
    let site = site::check(raw_site, raw_line, &names, sink);
    let head = stations::head(raw_line, sink);
    let times = controllers::times(raw_line, sink);
    let (mut signals, places) = signals::check(raw_line, &times, &names, sink);
    names_elsewhere(raw, &names, &places, sink);
    let belts = loops::belts(raw_line, &names, &signals, sink);
    signals.extend(derived::check(raw_line, &names, &signals, &belts, sink));
    let first_entered = signals.len();
    signals.extend(entries::signals(raw_line, &names, sink));
    signals::good_when(raw_line, &names, &mut signals, sink);
    let stations = stations::stations(raw_line, &names, &signals, sink);
    let ends = (times.as_slice(), site.endpoints.as_slice());
    let controllers = controllers::controllers(raw_line, &names, &signals, ends, sink);
    let loops = loops::loops(raw_line, &names, &signals, sink);
    let usual = targets::Usual::of(raw_line, &names, &loops, &belts);
    let recipes = recipes::check(&raw.recipes, &usual, &names, &signals, sink);
    let running_recipe = running(raw_line, raw, (&recipes, &mut signals), sink);
    let recipe_numbers = recipe_numbers::check(raw_line, &raw.recipes, &names, &signals, sink);
    let product = product::check(raw_line, &names, &signals, sink);
    let shifts = shifts::check(&raw_line.shifts, sink);
    let notify = notify::check(raw_site, shifts.as_deref(), sink);
    let setpoint_writes = setpoint_writes::check(raw_site, &names, (&signals, &stations), sink);
    let entries = entries::check(raw_line, &names, &signals, first_entered, sink);
    let told = (&product, entries.as_slice(), shifts.as_deref());
    let (heat_balance, lots) = balance_and_lots(raw_line, (&names, &signals), told, sink);
    let context = alarms::Context {
        entries: &entries,
        tanks: &product.tanks,
        servers: &site.history.servers,
        names: &names,
        signals: &signals,
        controllers: &controllers,
        stations: &stations,
        recipes: alarms::Recipes { raw: &raw.recipes, checked: &recipes, running: running_recipe },
    };
    let alarms = alarms::check(raw_alarms, &context, sink);
    let (name, plant, time_zone) = head?;
    Some(Line {
        name,
        plant,
        time_zone,
        simulated: site.simulated?,
        data_dir: site.data_dir,
        page_address: site.page_address?,
        access: site.access,
        history: site.history,
        notify,
        stations: stations.into_iter().collect::<Option<_>>()?,
        controllers: controllers.into_iter().collect::<Option<_>>()?,
        signals: signals.into_iter().collect::<Option<_>>()?,
        loops: loops.into_iter().collect::<Option<_>>()?,
        belts: belts.into_iter().collect::<Option<_>>()?,
        alarms: alarms.into_iter().collect::<Option<_>>()?,
        recipes,
        running_recipe: running_recipe?,
        recipe_numbers: recipe_numbers.into_iter().collect::<Option<_>>()?,
        kettles: product.kettles.into_iter().collect::<Option<_>>()?,
        tanks: product.tanks.into_iter().collect::<Option<_>>()?,
        delays: product.delays.into_iter().collect::<Option<_>>()?,
        entries: entries.into_iter().collect::<Option<_>>()?,
        feed: product.feed?,
        heat_balance: heat_balance?,
        lots: lots?,
        shifts: shifts?,
        setpoint_writes: setpoint_writes.into_iter().collect::<Option<_>>()?,
        fingerprint,
        files: Vec::new(),
    })
}

/// The recipe that runs at first; signals that nothing places sit where it wants them.
fn running(
    raw_line: &RawLine,
    raw: &Raw,
    (recipes, signals): (&[crate::line::Recipe], &mut [Option<LineSignal>]),
    sink: &mut Sink,
) -> Option<usize> {
    let running = recipes::running(raw_line, &raw.recipes, sink);
    typical::as_the_recipe_asks(raw_line, running.and_then(|place| recipes.get(place)), signals);
    running
}

/// What is known of the fryer's heat, and of lots; outer `None`: it is there and wrong.
type BalanceAndLots = (Option<Option<HeatBalance>>, Option<Option<Lots>>);

fn balance_and_lots(
    raw: &RawLine,
    (names, signals): (&LineNames<'_>, &[Option<LineSignal>]),
    (product, entries, shifts): (&product::Product, &[Option<LineEntry>], Option<&[Shift]>),
    sink: &mut Sink,
) -> BalanceAndLots {
    let weighed = product.feed.as_ref().and_then(Option::as_ref).map(|feed| feed.uncertainty);
    let balance = heat_balance::check(raw.heat_balance.as_ref(), signals, weighed, sink);
    let beside = lots::Beside { names, signals, entries, shifts };
    (balance, lots::check(raw.lots.as_ref(), &beside, sink))
}

/// The names in a line file by which others refer to its tables. The index is the place in the raw list.
pub(crate) struct LineNames<'a> {
    stations: Names<'a>,
    controllers: Names<'a>,
    /// One list a controller.
    poll_groups: Vec<Names<'a>>,
    /// Polled signals, then derived ones, then entered ones.
    signals: Names<'a>,
    belts: Names<'a>,
}

impl<'a> LineNames<'a> {
    fn of(raw: &'a RawLine, sink: &mut Sink) -> Self {
        Self {
            stations: Names::of("station", raw.stations.iter().map(|station| station.key.as_ref()), sink),
            controllers: Names::of("controller", raw.controllers.iter().map(|one| one.name.as_ref()), sink),
            poll_groups: raw.controllers.iter().map(|one| poll_groups(one, sink)).collect(),
            signals: Names::of("signal", raw.tags(), sink),
            belts: Names::of_texts("belt", raw.belts.iter().map(|belt| belt.name.as_ref()), sink),
        }
    }
}

fn poll_groups<'a>(controller: &'a RawController, sink: &mut Sink) -> Names<'a> {
    Names::of("poll group", controller.poll_groups.iter().map(|group| group.name.as_ref()), sink)
}

/// SHA-256 of all files in the order of paths; each path and text with its length, so that nothing can shift.
fn fingerprint(files: &[SourceFile]) -> String {
    let mut sorted: Vec<&SourceFile> = files.iter().collect();
    sorted.sort_by_key(|file| &file.path);
    let mut hash = Sha256::new();
    for part in sorted.iter().flat_map(|file| [&file.path, &file.text]) {
        hash.update((part.len() as u64).to_le_bytes());
        hash.update(part.as_bytes());
    }
    hash.finalize().iter().fold(String::new(), |mut text, byte| {
        // Writing into a string can't fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}
