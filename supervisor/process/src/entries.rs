//! Values that people enter: when each is due, whether it is plausible, and how it is corrected.
//!
//! - An entry is due after so much running, by the clock, or once after an event (a tank was filled). It is overdue after
//!   its grace.
//! - A value outside what can be is refused. One outside what is usual, or far from the last, is asked back once: most are
//!   slips of the decimal point, and the question says what may have been meant. Confirmed, it is taken.
//! - Nothing is ever overwritten: a correction is an entry of its own that names the one it replaces, and who made it.
//!
//! People and entries are numbers here; names and reasons stay with the caller, under the entry's number.

use alloc::vec::Vec;
use core::fmt;
use core::time::Duration;
use setward_protocol::Uptime;

/// Most stretches of running that are told apart since the last sample.
const SPANS_MAX: usize = 4096;
/// Most events that await their entry.
pub const AWAITED_MAX: usize = 64;

/// When an entry is due.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Due {
    /// So long after the last sample was taken, counting only time in which the station ran.
    EachRunning(Duration),
    /// So long after the last sample was taken, by the clock.
    Each(Duration),
    /// Once, so long after each event.
    Once(Duration),
}

/// What is accepted of one kind of entry, all in its unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EntryRule {
    /// When it is due.
    pub due: Due,
    /// How late it may be before it is overdue.
    pub grace: Duration,
    /// What can be at all; outside it is refused.
    pub possible: (f64, f64),
    /// What is usual; outside it is asked back.
    pub usual: (f64, f64),
    /// A larger change from the last value is asked back; `None`: any change is taken.
    pub most_change: Option<f64>,
}

/// One entry. Corrections are entries too.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Entry {
    /// Its number: counts up.
    pub id: u64,
    /// The value.
    pub value: f64,
    /// When the sample was taken: what the value is true of.
    pub taken: Uptime,
    /// When it was entered.
    pub entered: Uptime,
    /// Who entered it: the caller's number.
    pub by: u32,
    /// The entry that it corrects.
    pub corrects: Option<u64>,
    /// It was asked back, and confirmed.
    pub was_asked: bool,
    /// How late it was entered after it was due, s; 0 in time, and for corrections.
    pub late_s: f64,
}

/// Why a value is asked back.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Question {
    /// It is not usual.
    Unusual {
        /// What is usual.
        usual: (f64, f64),
        /// What it would be with the decimal point moved, if that is usual.
        meant: Option<f64>,
    },
    /// It is far from the last.
    Jump {
        /// The last value.
        last: f64,
        /// What it would be with the decimal point moved, if that is near the last.
        meant: Option<f64>,
    },
}

/// Why an entry is not taken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NotTaken {
    /// It is to be confirmed first.
    Asked(Question),
    /// It can't be.
    Impossible {
        /// What was given.
        found: f64,
        /// What can be.
        possible: (f64, f64),
    },
    /// The sample would have been taken after it was entered.
    InTheFuture,
    /// There is no such entry, or it has been corrected already.
    NoSuchEntry(u64),
}

impl fmt::Display for NotTaken {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let meaning = |f: &mut fmt::Formatter<'_>, meant: Option<f64>| match meant {
            Some(meant) => write!(f, "; did you mean {meant}? confirm or correct it"),
            None => f.write_str("; confirm or correct it"),
        };
        match *self {
            Self::Asked(Question::Unusual { usual: (low, high), meant }) => {
                write!(f, "usual is {low} to {high}")?;
                meaning(f, meant)
            }
            Self::Asked(Question::Jump { last, meant }) => {
                write!(f, "the last was {last}")?;
                meaning(f, meant)
            }
            Self::Impossible { found, possible: (low, high) } => {
                write!(f, "{found} can't be; it is from {low} to {high}")
            }
            Self::InTheFuture => f.write_str("the sample is said to be taken later than now; check its time"),
            Self::NoSuchEntry(id) => {
                write!(f, "entry {id} is not there or was corrected already; correct the newest one")
            }
        }
    }
}

impl core::error::Error for NotTaken {}

/// Whether an entry is due.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DueState {
    /// Nothing is asked for: the station stands, or no event awaits one.
    NotAsked,
    /// It will be due then, if the station runs on.
    DueAt(Uptime),
    /// It is due since then.
    DueSince(Uptime),
    /// It is due since then, and its grace is over.
    Overdue(Uptime),
}

/// What a person says: a value of a sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Said {
    /// The value.
    pub value: f64,
    /// When the sample was taken.
    pub taken: Uptime,
    /// Who says so: the caller's number.
    pub by: u32,
    /// The value was asked back and is confirmed.
    pub confirmed: bool,
}

/// All entries of one kind, and when the next is due.
#[derive(Debug, Clone, PartialEq)]
pub struct EntryBook {
    rule: EntryRule,
    entries: Vec<Entry>,
    /// Spans in which the station ran since the last sample; the last may go on.
    running: Vec<(Uptime, Option<Uptime>)>,
    /// Events that await their entry, in order of time.
    awaited: Vec<Uptime>,
    /// From when the clock counts before there is an entry.
    began: Uptime,
    next_id: u64,
}

impl EntryBook {
    /// An empty one that begins at a time.
    #[must_use]
    pub const fn new(rule: EntryRule, began: Uptime) -> Self {
        Self { rule, entries: Vec::new(), running: Vec::new(), awaited: Vec::new(), began, next_id: 1 }
    }

    /// Takes up entries of before, in the order of their numbers. Nothing is judged: they were.
    pub fn restore(&mut self, entries: impl IntoIterator<Item = Entry>) {
        for entry in entries {
            self.next_id = self.next_id.max(entry.id + 1);
            self.entries.push(entry);
        }
    }

    /// The next entry gets this number or a later one: several books may count as one.
    pub fn number_from(&mut self, next: u64) {
        self.next_id = self.next_id.max(next);
    }

    /// Forgets the oldest entries beyond `kept`. What is forgotten can't be corrected here any more.
    pub fn forget_beyond(&mut self, kept: usize) {
        let over = self.entries.len().saturating_sub(kept);
        self.entries.drain(..over);
    }

    /// All that was ever entered, corrections too, in the order of entering.
    #[must_use]
    pub fn all(&self) -> &[Entry] {
        &self.entries
    }

    /// What holds: entries that nothing corrects.
    pub fn holding(&self) -> impl DoubleEndedIterator<Item = &Entry> {
        self.entries.iter().filter(|entry| !self.is_corrected(entry.id))
    }

    /// An entry and all that it corrects, the newest first.
    #[must_use]
    pub fn story(&self, id: u64) -> Vec<Entry> {
        let mut story = Vec::new();
        let mut next = Some(id);
        // Entries correct older ones only, so this ends.
        while let Some(entry) = next.and_then(|id| self.find(id)) {
            story.push(*entry);
            next = entry.corrects;
        }
        story
    }

    /// The station began or stopped to run.
    pub fn handle_running(&mut self, at: Uptime, runs: bool) {
        let is_full = self.running.len() >= SPANS_MAX;
        match (self.running.last_mut(), runs) {
            (Some((_, until @ None)), false) => *until = Some(at),
            // So many stops without an entry: it has long been due, and when is known from the first of them.
            (None | Some((_, Some(_))), true) if is_full => {}
            (None | Some((_, Some(_))), true) => self.running.push((at, None)),
            (Some((_, None)), true) | (None | Some((_, Some(_))), false) => {}
        }
    }

    /// The station ran before anything was entered: the clock counts from there.
    pub fn count_from(&mut self, at: Uptime) {
        self.began = self.began.min(at);
    }

    /// Something happened that asks for an entry.
    pub fn handle_event(&mut self, at: Uptime) {
        if matches!(self.rule.due, Due::Once(_)) {
            // Nobody will go back to all of them: the oldest is let go.
            if self.awaited.len() >= AWAITED_MAX {
                self.awaited.remove(0);
            }
            self.awaited.push(at);
        }
    }

    /// Which of the events that await an entry, counted from the oldest, a sample taken then answers: the oldest that it can be of.
    #[must_use]
    pub fn answers(&self, taken: Uptime) -> Option<usize> {
        self.awaited.iter().position(|event| *event <= taken)
    }

    /// The event that a sample taken then answers awaits none any more; which it was, as [`Self::answers`] says. An entry does
    /// so by itself; this is for those that are taken up from before.
    pub fn answer(&mut self, taken: Uptime) -> Option<usize> {
        let answered = self.answers(taken)?;
        self.awaited.remove(answered);
        Some(answered)
    }

    /// Whether an entry is due.
    #[must_use]
    pub fn due(&self, now: Uptime) -> DueState {
        let Some(due) = self.due_time(now) else { return DueState::NotAsked };
        if now < due {
            DueState::DueAt(due)
        } else if now.since(due) <= self.rule.grace {
            DueState::DueSince(due)
        } else {
            DueState::Overdue(due)
        }
    }

    /// Takes an entry; its number.
    ///
    /// # Errors
    /// A value that can't be, or is to be confirmed first; a sample from the future.
    pub fn enter(&mut self, now: Uptime, said: Said) -> Result<u64, NotTaken> {
        let last = self.holding().max_by_key(|entry| (entry.taken, entry.id)).map(|entry| entry.value);
        let was_asked = self.judge(now, said, last)?;
        let late_s = self.due_time(now).map_or(0.0, |due| now.seconds_since(due));
        let id = self.file(now, said, None, was_asked, late_s);
        self.answer(said.taken);
        // Running before the newest sample counts for nothing any more.
        let newest = self.last_taken();
        self.running.retain(|(_, until)| until.is_none_or(|until| until > newest));
        Ok(id)
    }

    /// Corrects an entry, of the same sample; the correction's number. The old value stays.
    ///
    /// # Errors
    /// As for [`EntryBook::enter`]; an entry that is not there or was corrected already.
    pub fn correct(
        &mut self,
        now: Uptime,
        id: u64,
        value: f64,
        by: u32,
        confirmed: bool,
    ) -> Result<u64, NotTaken> {
        let wrong = self.find(id).copied().filter(|entry| !self.is_corrected(entry.id));
        let wrong = wrong.ok_or(NotTaken::NoSuchEntry(id))?;
        let said = Said { value, taken: wrong.taken, by, confirmed };
        // The value before the one that is corrected is what it is held against.
        let others = self.holding().filter(|entry| entry.id != id && entry.taken <= wrong.taken);
        let last = others.max_by_key(|entry| (entry.taken, entry.id)).map(|entry| entry.value);
        let was_asked = self.judge(now, said, last)?;
        Ok(self.file(now, said, Some(id), was_asked, 0.0))
    }

    fn find(&self, id: u64) -> Option<&Entry> {
        self.entries.iter().find(|entry| entry.id == id)
    }

    fn is_corrected(&self, id: u64) -> bool {
        self.entries.iter().any(|entry| entry.corrects == Some(id))
    }

    fn last_taken(&self) -> Uptime {
        self.entries.iter().map(|entry| entry.taken).max().unwrap_or(self.began)
    }

    fn file(&mut self, now: Uptime, said: Said, corrects: Option<u64>, was_asked: bool, late_s: f64) -> u64 {
        let Said { value, taken, by, .. } = said;
        let id = self.next_id;
        self.next_id += 1;
        self.entries.push(Entry { id, value, taken, entered: now, by, corrects, was_asked, late_s });
        id
    }

    /// Whether it was to be confirmed, and is.
    fn judge(&self, now: Uptime, said: Said, last: Option<f64>) -> Result<bool, NotTaken> {
        let (found, possible) = (said.value, self.rule.possible);
        if !(possible.0..=possible.1).contains(&found) {
            return Err(NotTaken::Impossible { found, possible });
        }
        if said.taken > now {
            return Err(NotTaken::InTheFuture);
        }
        match self.question(found, last) {
            Some(question) if !said.confirmed => Err(NotTaken::Asked(question)),
            question => Ok(question.is_some()),
        }
    }

    fn question(&self, value: f64, last: Option<f64>) -> Option<Question> {
        let usual = self.rule.usual;
        let is_usual = |value: f64| (usual.0..=usual.1).contains(&value);
        let jump = last.zip(self.rule.most_change);
        let is_near = |value: f64| jump.is_none_or(|(last, most)| (value - last).abs() <= most);
        let meant = || {
            [value / 10.0, value * 10.0]
                .map(to_nine_places)
                .into_iter()
                .find(|it| is_usual(*it) && is_near(*it))
        };
        if !is_usual(value) {
            return Some(Question::Unusual { usual, meant: meant() });
        }
        let (last, _) = jump.filter(|_| !is_near(value))?;
        Some(Question::Jump { last, meant: meant() })
    }

    fn due_time(&self, now: Uptime) -> Option<Uptime> {
        match self.rule.due {
            Due::Each(each) => Some(self.last_taken() + each),
            Due::Once(after) => self.awaited.first().map(|event| *event + after),
            Due::EachRunning(each) => self.due_running(now, each),
        }
    }

    /// When the station has run for so long since the last sample; `None` if it stands before that.
    fn due_running(&self, now: Uptime, each: Duration) -> Option<Uptime> {
        let since = self.last_taken();
        let mut left = each;
        for (from, until) in &self.running {
            let from = (*from).max(since);
            let ran = until.unwrap_or(now).since(from);
            if ran >= left || until.is_none() {
                return Some(from + left);
            }
            left = left.saturating_sub(ran);
        }
        None
    }
}

/// What people type has few places; what a product of it adds behind them is not shown.
fn to_nine_places(value: f64) -> f64 {
    libm::round(value * 1e9) / 1e9
}

#[cfg(test)]
mod tests;
