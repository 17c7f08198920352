//! The desk: all entries of the line, judged by the pure rules, on one axis of time that runs on over restarts.
//!
//! Durations are monotonic within a run. What was entered before this run lies as far back on the axis as the wall clock
//! said at the start; a clock that steps later moves nothing.

mod before;

use super::schedule::{Begins, Daily};
use super::{DueView, EntryRefusal, EntryView, EntryWish, OLDEST_DAYS, SHOWN_MAX, Typed};
use crate::history::StoredEntry;
use crate::line::WallAnchor;
use setward_config::line::{EntryDue, EntryKind, Line, LineEntry, StationId};
use setward_process::entries::{
    AWAITED_MAX, Due, DueState, Entry, EntryBook, EntryRule, NotTaken, Question, Said,
};
use setward_protocol::{SignalId, Uptime, UtcMillis};
use std::time::Duration;

/// So far back the axis begins before the run.
const AXIS_BEGINS_BEFORE: Duration = Duration::from_secs(400 * 86_400);
/// Entries of one kind that are remembered: days of half-hourly ones. Older ones are in history.
pub const REMEMBERED: usize = 300;

/// All entries of a line.
#[derive(Debug)]
pub struct EntryDesk {
    kinds: Vec<Kind>,
    next_n: u64,
}

#[derive(Debug)]
struct Kind {
    book: EntryBook,
    /// In the order of their numbers.
    rows: Vec<StoredEntry>,
    daily: Option<Daily>,
    begins: Option<Begins>,
    /// What asks for one, by name: one for each event that the book awaits one for, in its order.
    awaited_for: Vec<String>,
}

/// An entry that was taken, and what it means for its signal.
#[derive(Debug, Clone, PartialEq)]
pub struct Entered {
    /// It, to be kept.
    pub row: StoredEntry,
    /// It is the newest sample of its signal.
    pub is_newest: bool,
    /// It replaces the value that the signal had.
    pub takes_back: bool,
}

const fn on_axis(at: Uptime) -> Uptime {
    Uptime::from_nanos(at.as_nanos() + AXIS_BEGINS_BEFORE.as_nanos() as u64)
}

/// A moment in wall time, seen from `wall`.
fn axis_of(utc: UtcMillis, wall: WallAnchor) -> Uptime {
    let now = on_axis(wall.at);
    let ahead = Duration::from_millis(u64::try_from(utc.0.saturating_sub(wall.utc.0)).unwrap_or(0));
    let back = Duration::from_millis(u64::try_from(wall.utc.0.saturating_sub(utc.0)).unwrap_or(0));
    Uptime::START + now.since(Uptime::START).saturating_sub(back) + ahead
}

fn utc_of(at: Uptime, wall: WallAnchor) -> UtcMillis {
    let now = on_axis(wall.at);
    let back = i64::try_from(now.since(at).as_millis()).unwrap_or(i64::MAX);
    let ahead = i64::try_from(at.since(now).as_millis()).unwrap_or(i64::MAX);
    UtcMillis(wall.utc.0.saturating_sub(back).saturating_add(ahead))
}

fn rule(entry: &LineEntry) -> EntryRule {
    let due = match &entry.due {
        EntryDue::Running(every) => Due::EachRunning(*every),
        EntryDue::Clock(every) => Due::Each(*every),
        // A sample taken a little before its time of the day is of that time.
        EntryDue::Daily(_) => Due::Once(entry.late_after),
        EntryDue::After { wait, .. } => Due::Once(*wait),
        EntryDue::Never => Due::Once(Duration::ZERO),
    };
    let (possible, usual, most_change) = match entry.kind {
        EntryKind::Number | EntryKind::Check => (entry.possible, entry.usual, entry.most_change),
        // Of a calibration the error is judged.
        EntryKind::Calibration => {
            let span = entry.possible.1 - entry.possible.0;
            let usual = entry.most_change.unwrap_or(span);
            ((-span, span), (-usual, usual), None)
        }
    };
    EntryRule { due, grace: entry.late_after, possible, usual, most_change }
}

impl EntryDesk {
    /// A desk with what was entered before this run, in any order; `newest_n` is the highest number there is.
    #[must_use]
    pub fn new(line: &Line, kept: Vec<StoredEntry>, newest_n: u64, wall: WallAnchor) -> Self {
        let mut kept = kept;
        kept.sort_by_key(|row| row.n);
        let next_n = kept.iter().map(|row| row.n).fold(newest_n, u64::max) + 1;
        let kind = |entry: &LineEntry| {
            let tag = &line.signal(entry.signal).tag;
            let rows: Vec<StoredEntry> = kept.iter().filter(|row| row.tag == *tag).cloned().collect();
            let mut book = EntryBook::new(rule(entry), on_axis(wall.at));
            book.restore(rows.iter().map(|row| entry_of(row, wall)));
            let (mut daily, mut begins) = (None, None);
            match &entry.due {
                EntryDue::Daily(times) => {
                    let late_ms = i64::try_from(entry.late_after.as_millis()).unwrap_or(0);
                    let day_ago = wall.utc.0 - 86_400_000;
                    let last = rows.iter().map(|row| row.taken.0 + late_ms).max().unwrap_or(day_ago);
                    daily = Some(Daily::new(&line.time_zone, times, UtcMillis(last.max(day_ago))));
                }
                EntryDue::After { any, .. } => begins = Some(Begins::new(any)),
                EntryDue::Never | EntryDue::Running(_) | EntryDue::Clock(_) => {}
            }
            Kind { book, rows, daily, begins, awaited_for: Vec::new() }
        };
        Self { kinds: line.entries.iter().map(kind).collect(), next_n }
    }

    /// A second has passed: which stations run, and what the signals say.
    pub fn handle_tick(
        &mut self,
        line: &Line,
        wall: WallAnchor,
        runs: impl Fn(StationId) -> bool,
        good: impl Fn(SignalId) -> Option<f64>,
    ) {
        let now = on_axis(wall.at);
        for (entry, kind) in line.entries.iter().zip(&mut self.kinds) {
            if matches!(entry.due, EntryDue::Running(_)) {
                kind.book.handle_running(now, runs(line.signal(entry.signal).station));
            }
            if let Some(daily) = &mut kind.daily {
                let early_ms = i64::try_from(entry.late_after.as_millis()).unwrap_or(0);
                if let Some(at) = daily.come(UtcMillis(wall.utc.0 + early_ms)) {
                    kind.book.handle_event(axis_of(UtcMillis(at.0 - early_ms), wall));
                }
            }
            for signal in kind.begins.as_mut().map(|begins| begins.begun(&good)).unwrap_or_default() {
                kind.ask(now, line.signal(signal).name.clone());
            }
        }
    }

    /// Takes an entry, or says why not.
    ///
    /// # Errors
    /// When it is to be confirmed, can't be, or corrects what is not there.
    pub fn enter(
        &mut self,
        line: &Line,
        wish: &EntryWish,
        wall: WallAnchor,
    ) -> Result<Entered, EntryRefusal> {
        let refused = |text: String| EntryRefusal::Refused(text);
        let missing = || refused("there is no such entry on this line".to_owned());
        let entry = line.entries.get(wish.entry).ok_or_else(missing)?;
        let kind = self.kinds.get_mut(wish.entry).ok_or_else(missing)?;
        let (value, calibration) = value_of(entry, wish.typed)?;
        let taken_utc = wish.taken.unwrap_or(wall.utc);
        if taken_utc.0 < wall.utc.0 - OLDEST_DAYS * 86_400_000 {
            return Err(refused(format!(
                "the sample is said to be older than {OLDEST_DAYS} days; check its time"
            )));
        }
        kind.is_as_seen(wish)?;
        let before = kind.newest_holding().map(|row| row.n);
        let now = on_axis(wall.at);
        kind.book.number_from(self.next_n);
        let taken = axis_of(taken_utc, wall);
        let answered = kind.book.answers(taken).filter(|_| wish.corrects.is_none());
        let asked = |error: NotTaken| refusal(entry, value, wish, error);
        let n = match wish.corrects {
            Some(wrong) => {
                let known = kind.rows.iter().find(|row| row.n == wrong);
                let by_another = kind.rows.iter().find(|row| row.corrects == Some(wrong));
                if let (Some(_), Some(other)) = (known, by_another) {
                    let text = format!(
                        "entry {wrong} was corrected already, by {} with entry {}; correct that one",
                        other.by, other.n
                    );
                    return Err(EntryRefusal::Corrected(text));
                }
                kind.book.correct(now, wrong, value, 0, wish.confirmed).map_err(asked)?
            }
            None => kind
                .book
                .enter(now, Said { value, taken, by: 0, confirmed: wish.confirmed })
                .map_err(asked)?,
        };
        kind.forget_name(answered);
        self.next_n = n + 1;
        let row = kind.file(line, entry, wish, (n, calibration), wall);
        let is_newest = kind.newest_holding().map(|row| row.n) == Some(n);
        Ok(Entered {
            takes_back: is_newest && wish.corrects.is_some() && wish.corrects == before,
            is_newest,
            row,
        })
    }

    /// What a page may show, in the order of the line's entries.
    #[must_use]
    pub fn views(&self, wall: WallAnchor) -> Vec<EntryView> {
        let now = on_axis(wall.at);
        let view = |kind: &Kind| EntryView {
            due: match kind.book.due(now) {
                DueState::NotAsked => DueView::NotAsked,
                DueState::DueAt(at) => DueView::At(utc_of(at, wall)),
                DueState::DueSince(at) => DueView::Since(utc_of(at, wall)),
                DueState::Overdue(at) => DueView::Overdue(utc_of(at, wall)),
            },
            awaited_for: kind.awaited_for.clone(),
            rows: kind.rows.iter().rev().take(SHOWN_MAX).cloned().collect(),
        };
        self.kinds.iter().map(view).collect()
    }

    /// The newest sample of each kind that holds, with when it was taken, as a time before `wall`.
    pub fn newest<'a>(&'a self, line: &'a Line) -> impl Iterator<Item = (SignalId, &'a StoredEntry)> {
        let pairs = line.entries.iter().zip(&self.kinds);
        pairs.filter_map(|(entry, kind)| Some((entry.signal, kind.newest_holding()?)))
    }

    /// How long ago, s, the newest sample of a signal was taken that `is_good`; `None` if there is none.
    #[must_use]
    pub fn since_good(
        &self,
        line: &Line,
        signal: SignalId,
        wall: WallAnchor,
        is_good: impl Fn(f64) -> bool,
    ) -> Option<f64> {
        let place = line.entries.iter().position(|entry| entry.signal == signal)?;
        let kind = self.kinds.get(place)?;
        let newest =
            kind.book.holding().filter(|entry| is_good(entry.value)).map(|entry| entry.taken).max()?;
        Some(on_axis(wall.at).seconds_since(newest))
    }
}

impl Kind {
    /// Something has happened that asks for an entry, by its name.
    fn ask(&mut self, at: Uptime, name: String) {
        self.book.handle_event(at);
        // The book lets go of the oldest too.
        if self.awaited_for.len() >= AWAITED_MAX {
            self.awaited_for.remove(0);
        }
        self.awaited_for.push(name);
    }

    /// The event in this place has its entry. What asks by the time of the day has no name.
    fn forget_name(&mut self, answered: Option<usize>) {
        if let Some(place) = answered.filter(|place| *place < self.awaited_for.len()) {
            self.awaited_for.remove(place);
        }
    }

    fn newest_holding(&self) -> Option<&StoredEntry> {
        let is_corrected = |n: u64| self.rows.iter().any(|row| row.corrects == Some(n));
        self.rows.iter().filter(|row| !is_corrected(row.n)).max_by_key(|row| (row.taken, row.n))
    }

    /// Whether nobody has entered anything since the person looked; if somebody has, it is asked back.
    fn is_as_seen(&self, wish: &EntryWish) -> Result<(), EntryRefusal> {
        let newest = self.rows.last();
        let is_stale = newest.zip(wish.seen).is_some_and(|(newest, seen)| newest.n > seen);
        match newest {
            Some(newest) if is_stale && !wish.confirmed => Err(EntryRefusal::Asked {
                question: format!(
                    "{} has entered {} meanwhile; confirm to enter yours as well",
                    newest.by, newest.value
                ),
                meant: None,
            }),
            Some(_) | None => Ok(()),
        }
    }

    fn file(
        &mut self,
        line: &Line,
        entry: &LineEntry,
        wish: &EntryWish,
        (n, calibration): (u64, Option<[f64; 3]>),
        wall: WallAnchor,
    ) -> StoredEntry {
        let judged = self.book.all().iter().rev().find(|one| one.id == n);
        let corrected = wish.corrects.and_then(|wrong| self.rows.iter().find(|row| row.n == wrong));
        let row = StoredEntry {
            n,
            tag: line.signal(entry.signal).tag.clone(),
            value: judged.map_or(f64::NAN, |one| one.value),
            // A correction is of the same sample, to the millisecond.
            taken: corrected.map_or_else(|| wish.taken.unwrap_or(wall.utc), |row| row.taken),
            entered: wall.utc,
            by: wish.by.clone(),
            corrects: wish.corrects,
            was_asked: judged.is_some_and(|one| one.was_asked),
            late_s: judged.map_or(0.0, |one| one.late_s),
            calibration,
            about: wish.about.clone(),
            note: wish.note.clone(),
        };
        self.rows.push(row.clone());
        let over = self.rows.len().saturating_sub(REMEMBERED);
        self.rows.drain(..over);
        self.book.forget_beyond(REMEMBERED);
        row
    }
}

fn entry_of(row: &StoredEntry, wall: WallAnchor) -> Entry {
    Entry {
        id: row.n,
        value: row.value,
        taken: axis_of(row.taken, wall),
        entered: axis_of(row.entered, wall),
        by: 0,
        corrects: row.corrects,
        was_asked: row.was_asked,
        late_s: row.late_s,
    }
}

/// The signal's value, and the three numbers of a calibration.
fn value_of(entry: &LineEntry, typed: Typed) -> Result<(f64, Option<[f64; 3]>), EntryRefusal> {
    let other = || EntryRefusal::Refused(format!("this entry is a {}", entry.kind.name()));
    match (entry.kind, typed) {
        (EntryKind::Number, Typed::Number(value)) => Ok((value, None)),
        (EntryKind::Check, Typed::Check(passed)) => Ok((f64::from(u8::from(passed)), None)),
        (EntryKind::Calibration, Typed::Calibration { found, left, right }) => {
            let (low, high) = entry.possible;
            for value in [found, left, right] {
                if !(low..=high).contains(&value) {
                    let text = format!("{value} {} can't be; it is from {low} to {high}", entry.unit);
                    return Err(EntryRefusal::Refused(text));
                }
            }
            // Nine places are more than anybody types.
            let error = ((found - right) * 1e9).round() / 1e9;
            Ok((error, Some([found, left, right])))
        }
        (EntryKind::Number | EntryKind::Check | EntryKind::Calibration, _) => Err(other()),
    }
}

fn refusal(entry: &LineEntry, value: f64, wish: &EntryWish, error: NotTaken) -> EntryRefusal {
    let unit = match entry.kind {
        EntryKind::Calibration => entry.unit.of_difference(),
        EntryKind::Number | EntryKind::Check => entry.unit,
    };
    match error {
        NotTaken::Asked(question) => EntryRefusal::Asked {
            question: format!("{value} {unit}: {error}"),
            meant: match question {
                Question::Unusual { meant, .. } | Question::Jump { meant, .. } => meant,
            },
        },
        NotTaken::Impossible { .. } | NotTaken::InTheFuture => {
            EntryRefusal::Refused(format!("{value} {unit}: {error}"))
        }
        NotTaken::NoSuchEntry(_) => {
            let wrong = wish.corrects.unwrap_or_default();
            EntryRefusal::Corrected(format!(
                "there is no entry {wrong} here to correct, or it is too old; see the list"
            ))
        }
    }
}

#[cfg(test)]
#[path = "desk_tests.rs"]
mod tests;
