//! The numbers of one alarm as its file has them: found in the text of `alarms.toml`, and put back there changed. What they may be
//! is the check of the line folder to say, so that a page refuses just what `setward check` refuses. Writes no file.

pub(in crate::web) use super::fields::Field;
use super::fields::{Form, KINDS, ONLY_WHERE_WRITTEN};
use setward_alarm::AlarmId;
use setward_config::line::{Line, LineAlarm};
use setward_config::problem::{Code, ProblemEntry, Severity};
use setward_config::{SourceFile, check_files};
use std::collections::BTreeMap;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// The file that holds alarms.
pub(in crate::web) const ALARMS: &str = "alarms.toml";
/// Longest value that is looked at, characters.
const LONGEST: usize = 120;

/// One alarm's table in the text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::web) struct Written {
    /// Its numbers as they stand, with those that are not written empty.
    pub(in crate::web) numbers: Vec<(Field, String)>,
    /// The table's id: an alarm on one of several signals has its signal's tag behind that.
    pub(in crate::web) id: String,
    /// Of keys that are written: where the key begins, and where its value is.
    places: BTreeMap<&'static str, (usize, Range<usize>)>,
    /// Where the line of the id ends: what is new goes below it.
    below_id: usize,
}

/// A value that is refused, or what is wrong with the whole.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub(in crate::web) struct Refused {
    /// The key; `None`: the alarm as a whole.
    pub(in crate::web) key: Option<String>,
    /// What was found, and what is accepted.
    pub(in crate::web) text: String,
}

/// A number that is to be changed.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub(in crate::web) struct Changed {
    /// Its key in the file.
    pub(in crate::web) key: &'static str,
    /// As it stands; empty: not written.
    pub(in crate::web) old: String,
    /// As it would be; empty: not written.
    pub(in crate::web) new: String,
}

/// Other settings of one alarm, checked as the folder is.
#[derive(Debug, Clone)]
pub(in crate::web) struct Proposal {
    /// The line with them.
    pub(in crate::web) line: Line,
    /// The whole file with them.
    pub(in crate::web) text: String,
    /// The alarm's table in it.
    pub(in crate::web) table: String,
    pub(in crate::web) changed: Vec<Changed>,
}

/// Finds the table of an alarm; `None` for those that no table makes: each signal's and each controller's own.
pub(in crate::web) fn written(line: &Line, alarm: &LineAlarm) -> Option<Written> {
    let text = &alarms_file(&line.files)?.text;
    let parsed = DeTable::parse(text).ok()?;
    KINDS.iter().find_map(|(kind, fields)| {
        let tables = parsed.get_ref().get(*kind)?.get_ref().as_array()?;
        let is_it =
            |table: &DeTable<'_>| id_of(table).is_some_and(|id| id == alarm.id || of_signal(&alarm.id, id));
        let mut own = tables.iter().filter_map(|one| one.get_ref().as_table()).filter(|table| is_it(table));
        // A table of its own before one over several signals.
        let first = own.next()?;
        let exact = std::iter::once(first).chain(own).find(|table| id_of(table) == Some(&alarm.id));
        let table = exact.unwrap_or(first);
        Some(of_table(text, table, fields))
    })
}

/// The alarms whose numbers can be changed, in the order of the line.
pub(in crate::web) fn offered(line: &Line) -> Vec<AlarmId> {
    let text = alarms_file(&line.files).map_or("", |file| &file.text);
    let Ok(parsed) = DeTable::parse(text) else { return Vec::new() };
    let of_kind = |kind: &str| parsed.get_ref().get(kind).and_then(|all| all.get_ref().as_array());
    let tables = KINDS.iter().filter_map(|(kind, _)| of_kind(kind)).flat_map(|all| all.iter());
    let ids: Vec<&str> = tables.filter_map(|one| id_of(one.get_ref().as_table()?)).collect();
    let is_offered = |alarm: &LineAlarm| ids.iter().any(|id| *id == alarm.id || of_signal(&alarm.id, id));
    line.alarms_with_ids().filter(|(_, alarm)| is_offered(alarm)).map(|(id, _)| id).collect()
}

/// Whether an alarm's numbers can be changed, as far as its name tells: quick enough for a page that only links there.
pub(in crate::web) fn may_be_offered(line: &Line, alarm: &LineAlarm) -> bool {
    let text = alarms_file(&line.files).map_or("", |file| &file.text);
    let named = |id: &str| text.contains(&format!("\"{id}\""));
    let tag = alarm.settings.watches.signal().map(|id| &line.signal(id).tag);
    let table = tag.and_then(|tag| alarm.id.strip_suffix(tag.as_str())?.strip_suffix('.'));
    named(&alarm.id) || table.is_some_and(named)
}

fn alarms_file(files: &[SourceFile]) -> Option<&SourceFile> {
    files.iter().find(|file| file.path == ALARMS)
}

/// "fryer-oil-high.TT-310" is of the table "fryer-oil-high".
pub(super) fn of_signal(alarm: &str, table: &str) -> bool {
    alarm.strip_prefix(table).is_some_and(|rest| rest.starts_with('.'))
}

fn id_of<'a>(table: &'a DeTable<'_>) -> Option<&'a str> {
    table.get("id")?.get_ref().as_str()
}

fn of_table(text: &str, table: &DeTable<'_>, fields: &[Field]) -> Written {
    // A list over several lines is one value on one line of a page.
    let slice =
        |at: Range<usize>| text.get(at).unwrap_or_default().split_whitespace().collect::<Vec<_>>().join(" ");
    let shown = |value: &Spanned<DeValue<'_>>| {
        value.get_ref().as_str().map_or_else(|| slice(value.span()), str::to_owned)
    };
    let mut places = BTreeMap::new();
    let mut numbers = Vec::new();
    for field in fields {
        let found = table.iter().find(|(key, _)| key.get_ref() == field.key);
        match found {
            Some((key, value)) => {
                places.insert(field.key, (key.span().start, value.span()));
                numbers.push((*field, shown(value)));
            }
            None if ONLY_WHERE_WRITTEN.contains(&field.key) => {}
            None => numbers.push((*field, String::new())),
        }
    }
    let id_ends = table.get("id").map_or(0, |id| id.span().end);
    let rest = text.get(id_ends..).unwrap_or_default();
    let below_id = id_ends + rest.find('\n').map_or(rest.len(), |end| end + 1);
    Written { numbers, id: id_of(table).unwrap_or_default().to_owned(), places, below_id }
}

/// The line with other numbers in an alarm's table.
///
/// # Errors
/// Every value that is refused, with what is accepted.
pub(in crate::web) fn propose(
    line: &Line,
    written: &Written,
    wanted: &BTreeMap<String, String>,
) -> Result<Proposal, Vec<Refused>> {
    let whole = |text: &str| vec![Refused { key: None, text: text.to_owned() }];
    let Some(file) = alarms_file(&line.files) else { return Err(whole("the line's files are not known")) };
    let changed = changes(written, wanted)?;
    if changed.is_empty() {
        return Err(whole("nothing is changed: change at least one number"));
    }
    let (text, places) = spliced(&file.text, written, &changed);
    let mut files = line.files.clone();
    for file in files.iter_mut().filter(|file| file.path == ALARMS) {
        file.text.clone_from(&text);
    }
    let checked = match check_files(&files) {
        Ok(loaded) => loaded.line,
        Err(problems) => return Err(refused(&text, written, &places, &problems.entries())),
    };
    let mut proposed = line.clone();
    for alarm in &mut proposed.alarms {
        // The same alarms in the same order: only numbers have changed. What the line has besides stays as it is.
        if let Some(other) = checked.alarm_by_id(&alarm.id) {
            alarm.clone_from(checked.alarm(other));
        }
    }
    Ok(Proposal { table: table_text(&text, &written.id), line: proposed, text, changed })
}

/// What differs from the file, each written as the file would have it.
fn changes(written: &Written, wanted: &BTreeMap<String, String>) -> Result<Vec<Changed>, Vec<Refused>> {
    let (mut changed, mut wrong) = (Vec::new(), Vec::new());
    for (key, value) in wanted {
        let value = value.trim();
        let Some((field, old)) = written.numbers.iter().find(|(field, _)| field.key == key) else {
            let known: Vec<&str> = written.numbers.iter().map(|(field, _)| field.key).collect();
            let key: String = key.chars().take(40).collect();
            let text = format!("`{key}` can't be changed here, only {}", known.join(", "));
            wrong.push(Refused { key: None, text });
            continue;
        };
        if value == old {
            continue;
        }
        let is_long = value.chars().count() > LONGEST || value.chars().any(char::is_control);
        if is_long || (field.form == Form::Bare && !value.is_empty() && !is_value(value)) {
            let found: String = value.chars().filter(|c| !c.is_control()).take(40).collect();
            let text = format!("\u{201c}{found}\u{201d} can't be read; write {}", field.accepts);
            wrong.push(Refused { key: Some(field.key.to_owned()), text });
            continue;
        }
        changed.push(Changed { key: field.key, old: old.clone(), new: value.to_owned() });
    }
    if wrong.is_empty() { Ok(changed) } else { Err(wrong) }
}

/// Whether a text is one value of the file's language, and nothing more.
fn is_value(text: &str) -> bool {
    let line = format!("x = {text}");
    !text.contains('#') && DeTable::parse(&line).is_ok_and(|table| table.get_ref().len() == 1)
}

/// The text with the changes in it, and where each new value stands.
fn spliced(
    text: &str,
    written: &Written,
    changed: &[Changed],
) -> (String, BTreeMap<&'static str, Range<usize>>) {
    // (where, what goes, what comes, at which place in what comes the value begins, key)
    let mut edits: Vec<(Range<usize>, String, usize, &'static str)> = Vec::new();
    for change in changed {
        let form =
            written.numbers.iter().find(|(field, _)| field.key == change.key).map(|(field, _)| field.form);
        let value = match form {
            Some(Form::Bare) => change.new.clone(),
            Some(Form::Quoted) | None => in_quotes(&change.new),
        };
        edits.push(match written.places.get(change.key) {
            Some((begins, at)) if change.new.is_empty() => (*begins..at.end, String::new(), 0, change.key),
            Some((_, at)) => (at.clone(), value, 0, change.key),
            None => {
                let before = format!("{} = ", change.key);
                let at = written.below_id..written.below_id;
                (at, format!("{before}{value}\n"), before.len(), change.key)
            }
        });
    }
    edits.sort_by_key(|(at, ..)| (at.start, at.end));
    let (mut out, mut done, mut places) = (String::new(), 0, BTreeMap::new());
    for (at, new, value_at, key) in edits {
        out.push_str(text.get(done..at.start).unwrap_or_default());
        places.insert(key, out.len() + value_at..out.len() + new.trim_end().len());
        out.push_str(&new);
        done = at.end;
    }
    out.push_str(text.get(done..).unwrap_or_default());
    (out, places)
}

/// Text as the file's language writes it. What was typed holds no control characters.
fn in_quotes(text: &str) -> String {
    format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\""))
}

/// Problems as refusals: those that stand at a new value are its own.
fn refused(
    text: &str,
    written: &Written,
    places: &BTreeMap<&'static str, Range<usize>>,
    problems: &[ProblemEntry],
) -> Vec<Refused> {
    let errors = problems.iter().filter(|problem| problem.severity == Severity::Error);
    errors
        .map(|problem| {
            let at = problem.line.zip(problem.column).filter(|_| problem.path == ALARMS);
            let at = at.and_then(|(line, column)| offset(text, line, column));
            let key =
                at.and_then(|at| places.iter().find(|(_, place)| place.contains(&at))).map(|(key, _)| *key);
            let field = written.numbers.iter().map(|(field, _)| field).find(|field| Some(field.key) == key);
            // The reader's hint knows what was found, the field what it is for.
            let text = match field.filter(|_| problem.code == Code::Quantity.name()) {
                Some(field) => format!("{}; {}. Accepted: {}", problem.message, problem.hint, field.accepts),
                None => format!("{}; {}", problem.message, problem.hint),
            };
            // What marks a key in a terminal is noise on a page.
            Refused { key: key.map(str::to_owned), text: text.replace('`', "") }
        })
        .collect()
}

/// The byte at which a column of a line begins, both from 1.
fn offset(text: &str, line: usize, column: usize) -> Option<usize> {
    let mut begins = 0;
    for _ in 1..line {
        begins += text.get(begins..)?.find('\n')? + 1;
    }
    let (at, _) = text.get(begins..)?.char_indices().nth(column.checked_sub(1)?)?;
    Some(begins + at)
}

/// The lines of an alarm's table: from its head to the next one's, without comments between.
pub(in crate::web) fn table_text(text: &str, id: &str) -> String {
    let lines: Vec<&str> = text.lines().collect();
    let names_it = |line: &str| {
        let said =
            line.trim().strip_prefix("id").map(str::trim_start).and_then(|rest| rest.strip_prefix('='));
        said.is_some_and(|said| said.trim_start().starts_with(&format!("\"{id}\"")))
    };
    let Some(at) = lines.iter().position(|line| names_it(line)) else { return String::new() };
    let is_head = |line: &&&str| line.starts_with("[[");
    let first = lines.iter().take(at).rposition(|line| line.starts_with("[[")).unwrap_or(at);
    let more = lines.iter().skip(at).take_while(|line| !is_head(line)).count();
    let own: Vec<&str> = lines.iter().skip(first).take(at - first + more).copied().collect();
    let is_bare = |line: &&&str| line.trim().is_empty() || line.trim_start().starts_with('#');
    let empty = own.iter().rev().take_while(is_bare).count();
    own.get(..own.len() - empty).unwrap_or_default().join("\n")
}

#[cfg(test)]
#[path = "settings_tests.rs"]
mod tests;
