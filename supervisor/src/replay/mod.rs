//! Replay: the same engine over kept history, with these settings or others. It never writes.
//!
//! It gets what the line task got: scans in the order in which they were kept, timers at their own moments, what people did
//! when they did it, and restarts. So with the settings of then it tells what was told then, event for event
//! (`tests/line/replay.rs`), and with others what would have been.
//!
//! What is not kept can't be replayed: readings that the disk refused, and the last seconds before a cut.

mod before;
pub mod compare;
mod entered;
pub mod feed;
pub mod ground;
mod player;
pub mod settings;
pub mod text;

use crate::history::{AlarmRecord, EventsAsked, HistoryError, HistoryStore, Span, StoredEvent};
use crate::line::WallAnchor;
use crate::line::recipes::RecipeChange;
use crate::line::storage::Storage;
use entered::{Begins, Entered};
use feed::{Feed, Scan};
use ground::Ground;
use player::{Player, is_wish};
use setward_config::line::Line;
use setward_protocol::{Uptime, UtcMillis};
use std::sync::Arc;
use std::time::Duration;

/// Events that are looked at, the newest.
const EVENTS_MAX: usize = 1_000_000;

/// So much history is fed before a window, so that exposure, delays and modes are settled when it begins, and after it, so that of
/// a trouble at its end is seen whether the other settings call for it too.
pub const AROUND_MS: i64 = 3_600_000;

/// What is fed for a window of a history that goes from its first row to its last; `None` if it has nothing of it.
#[must_use]
pub fn fed_for(window: Span, (first, last): (UtcMillis, UtcMillis)) -> Option<Span> {
    let end = UtcMillis(last.0.saturating_add(1));
    let from = UtcMillis(window.from().0.saturating_sub(AROUND_MS)).max(first);
    if from >= window.to().min(end) {
        return None;
    }
    Span::new(from, UtcMillis(window.to().0.saturating_add(AROUND_MS)).min(end)).ok()
}

/// What a replay told.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Outcome {
    /// For each set of settings: every event of an alarm, in order.
    pub told: Vec<Vec<StoredEvent>>,
    /// Readings that were fed to each.
    pub samples: u64,
    /// Runs that were met.
    pub runs: usize,
    /// What the line did meanwhile, whatever the settings.
    pub ground: Ground,
}

/// What is replayed.
pub struct Replay<'a> {
    /// The lines, alike but for their alarms.
    pub lines: &'a [Arc<Line>],
    /// Where readings and events are.
    pub store: &'a dyn HistoryStore,
    /// The stretch, with what is wanted to warm up.
    pub span: Span,
}

impl Replay<'_> {
    /// Feeds everything; calls `progress` with the share done.
    ///
    /// # Errors
    /// When history can't be read whole.
    pub async fn run(&self, progress: &mut (dyn FnMut(f64) + Send)) -> Result<Outcome, HistoryError> {
        let events = all_events(self.store).await?;
        let mut outcome = Outcome { told: vec![Vec::new(); self.lines.len()], ..Outcome::default() };
        let mut carried = vec![before::carried(&events, self.span.from()); self.lines.len()];
        let Some(first) = self.lines.first() else { return Ok(outcome) };
        let entered = Entered::of(first, self.store).await?;
        outcome.ground = Ground::new(first);
        let mut feed = Feed::new(first, self.span);
        let whole_ms = feed.left_ms().max(1) as f64;
        let mut waiting: std::vec::IntoIter<Scan> = Vec::new().into_iter();
        let mut next = self.next_scan(&mut feed, &mut waiting).await?;
        while let Some(begins) = next.take() {
            outcome.runs += 1;
            outcome.ground.run_begins(first, begins.utc);
            let run = begins.run;
            let mut storages: Vec<Storage> = self.lines.iter().map(|line| Storage::of(line)).collect();
            let kept = Kept { events: &events, entered: &entered, from: self.span.from() };
            let mut playing = Playing::new(self.lines, &mut storages, &begins, &kept, carried);
            let mut scan = Some(begins);
            while let Some(one) = scan.take().filter(|scan| scan.run == run) {
                outcome.samples += one.samples.len() as u64;
                playing.scan(&one);
                outcome.ground.scan(&one);
                scan = match waiting.next() {
                    Some(scan) => Some(scan),
                    None => {
                        progress(1.0 - feed.left_ms() as f64 / whole_ms);
                        self.next_scan(&mut feed, &mut waiting).await?
                    }
                };
                if scan.as_ref().is_some_and(|scan| scan.run != run) {
                    next = scan.take();
                }
            }
            outcome.ground.recipes(first, &playing.recipes());
            carried = playing.end(&mut outcome.told);
        }
        Ok(outcome)
    }

    async fn next_scan(
        &self,
        feed: &mut Feed,
        waiting: &mut std::vec::IntoIter<Scan>,
    ) -> Result<Option<Scan>, HistoryError> {
        loop {
            if let Some(scan) = waiting.next() {
                return Ok(Some(scan));
            }
            match feed.page(self.store).await? {
                Some(scans) => *waiting = scans.into_iter(),
                None => return Ok(None),
            }
        }
    }
}

/// Every kept event of the stretch, in order.
///
/// # Errors
/// When history can't be read.
pub async fn kept_events(store: &dyn HistoryStore, span: Span) -> Result<Vec<StoredEvent>, HistoryError> {
    let asked = EventsAsked { since: Some(span.from()), limit: EVENTS_MAX, ..EventsAsked::default() };
    let mut events = store.events_of(asked).await?;
    events.reverse();
    events.retain(|stored| span.contains(stored.event.utc));
    Ok(events)
}

async fn all_events(store: &dyn HistoryStore) -> Result<Vec<StoredEvent>, HistoryError> {
    let mut events = store.events(None, EVENTS_MAX).await?;
    events.reverse();
    Ok(events)
}

/// What history has beside the readings, and where the stretch begins.
struct Kept<'k> {
    events: &'k [StoredEvent],
    entered: &'k Entered,
    from: UtcMillis,
}

/// One run, played with every set of settings at once.
struct Playing<'a> {
    players: Vec<Player<'a>>,
    /// What people did in the run, in order.
    wishes: std::iter::Peekable<std::vec::IntoIter<StoredEvent>>,
    /// When the run was stopped, if it was.
    stopped: Option<Uptime>,
}

impl<'a> Playing<'a> {
    fn new(
        lines: &[Arc<Line>],
        storages: &'a mut [Storage],
        begins: &Scan,
        kept: &Kept<'_>,
        carried: Vec<Vec<AlarmRecord>>,
    ) -> Self {
        let of_run = |stored: &&StoredEvent| stored.run == begins.run;
        let (started, wall) = starts_of(begins, kept);
        let players = lines.iter().zip(storages).zip(carried);
        let mut players: Vec<Player<'a>> = players
            .map(|((line, storage), carried)| Player::new(line, storage, begins.run, wall, carried))
            .collect();
        if let Some(line) = lines.first() {
            let begins = Begins { run: begins.run, started, played_from: wall };
            for scan in kept.entered.standing(line, begins) {
                players.iter_mut().for_each(|player| player.scan(&scan));
            }
        }
        // What people did before the window is in what the alarms carried.
        let in_window = |stored: &&StoredEvent| is_wish(&stored.event) && stored.event.at >= wall.at;
        let wishes: Vec<StoredEvent> = kept.events.iter().filter(of_run).filter(in_window).cloned().collect();
        let mut stops = kept.events.iter().filter(of_run).filter(|stored| stored.event.what == "stopped");
        let stopped = stops.next().map(|stored| stored.event.at);
        Self { players, wishes: wishes.into_iter().peekable(), stopped }
    }

    fn scan(&mut self, scan: &Scan) {
        while let Some(wish) = self.wishes.next_if(|wish| wish.event.at <= scan.at) {
            self.players.iter_mut().for_each(|player| player.wish(&wish.event));
        }
        self.players.iter_mut().for_each(|player| player.scan(scan));
    }

    /// Recipe numbers that have changed: the same for all settings.
    fn recipes(&mut self) -> Vec<(UtcMillis, RecipeChange)> {
        self.players.first_mut().map(Player::recipes).unwrap_or_default()
    }

    /// What is left of the run; adds what each told, and gives what each carries over.
    fn end(mut self, told: &mut [Vec<StoredEvent>]) -> Vec<Vec<AlarmRecord>> {
        for wish in self.wishes {
            self.players.iter_mut().for_each(|player| player.wish(&wish.event));
        }
        let mut carried = Vec::new();
        for (mut player, all) in self.players.into_iter().zip(told) {
            if let Some(stopped) = self.stopped {
                player.pass(stopped);
            }
            let (events, mut records) = player.end();
            if self.stopped.is_none() {
                // Only a run that stops in order hands over how much of a delay had passed.
                records.iter_mut().for_each(|record| record.waited = Duration::ZERO);
            }
            all.extend(events);
            carried.push(records);
        }
        carried
    }
}

/// When the run began, as far as that is known, and when it is played from: its first scan in the window, if that begins in the
/// middle of it.
fn starts_of(begins: &Scan, kept: &Kept<'_>) -> (WallAnchor, WallAnchor) {
    let first = WallAnchor { at: begins.at, utc: begins.utc };
    let mut events = kept.events.iter().filter(|one| one.run == begins.run);
    let started = events.find(|one| one.event.what == "started");
    let Some(started) = started.map(|one| WallAnchor { at: one.event.at, utc: one.event.utc }) else {
        return (first, first);
    };
    (started, if started.utc >= kept.from { started } else { first })
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR: i64 = AROUND_MS;

    fn span(from: i64, to: i64) -> Span {
        Span::new(UtcMillis(from), UtcMillis(to)).unwrap()
    }

    #[test]
    fn an_hour_on_both_sides_is_fed_as_far_as_history_has_it() {
        let kept = (UtcMillis(10 * HOUR), UtcMillis(20 * HOUR - 1));
        assert_eq!(fed_for(span(12 * HOUR, 13 * HOUR), kept), Some(span(11 * HOUR, 14 * HOUR)));
        assert_eq!(fed_for(span(10 * HOUR, 20 * HOUR), kept), Some(span(10 * HOUR, 20 * HOUR)));
        assert_eq!(fed_for(span(0, HOUR), kept), None);
        assert_eq!(fed_for(span(9 * HOUR, 10 * HOUR), kept), None, "what comes after it is not of it");
        assert_eq!(fed_for(span(30 * HOUR, 31 * HOUR), kept), None);
    }
}
