//! What an earlier run has read of kettles, tanks and belts, for the follower to begin with: a soak outlives a restart.

use super::follow::FollowBook;
use crate::history::{ExactSample, HistoryError, HistoryStore, Span};
use setward_config::line::{EntryDue, Line};
use setward_protocol::{SignalId, Uptime, UtcMillis};
use std::collections::BTreeSet;

/// Tanks and kettles are read again for so long: the longest soak, and the cook before it.
const SOAK_MS: i64 = 40 * 3_600_000;
/// Belts and rates for so long: what is on its way now, and what was fed before.
const WAY_MS: i64 = 4 * 3_600_000;
/// So much is asked for at a time: an answer holds so many readings and no more, and a temperature may be read ten times a second.
const PIECE_MS: i64 = 4 * 3_600_000;
/// Entries of one kind that are looked at, the newest.
const ENTRIES_MAX: usize = 200_000;

/// One reading of an earlier run; `None`: there was no good value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Past {
    /// When.
    pub utc: UtcMillis,
    /// Of which signal.
    pub signal: SignalId,
    /// Its good value.
    pub value: Option<f64>,
}

/// All that the follower wants to know of the time before `now`, and the desk of what asks for an entry, in order of time. What
/// history can't give is unknown.
pub async fn of(line: &Line, history: &dyn HistoryStore, now: UtcMillis) -> Vec<Past> {
    let asking = line.entries.iter().flat_map(|entry| match &entry.due {
        EntryDue::After { any, .. } => any.as_slice(),
        EntryDue::Never | EntryDue::Running(_) | EntryDue::Clock(_) | EntryDue::Daily(_) => &[],
    });
    let asking = asking.map(|condition| condition.signal).collect();
    known_between(line, history, (now, now), asking).await
}

/// The follower as it was at `now`, by what history holds: it knows the way of all that was fed since `since`.
pub async fn followed(
    line: &Line,
    history: &dyn HistoryStore,
    since: UtcMillis,
    now: UtcMillis,
) -> FollowBook {
    let past = known_between(line, history, (since, now), BTreeSet::new()).await;
    let mut book = FollowBook::new(line);
    book.handle_recipe(Uptime::START, line.running_recipe);
    book.take_past(line, &past, now);
    book
}

async fn known_between(
    line: &Line,
    history: &dyn HistoryStore,
    span: (UtcMillis, UtcMillis),
    besides: BTreeSet<SignalId>,
) -> Vec<Past> {
    between(line, history, span, besides).await.unwrap_or_else(|error| {
        tracing::info!(
            code = "past-unknown",
            "where corn and product are is not known from before the start: {error}"
        );
        Vec::new()
    })
}

/// `besides`: signals that are read as far back as those of tanks and kettles.
async fn between(
    line: &Line,
    history: &dyn HistoryStore,
    (since, now): (UtcMillis, UtcMillis),
    besides: BTreeSet<SignalId>,
) -> Result<Vec<Past>, HistoryError> {
    let book = FollowBook::new(line);
    let mut slow = besides;
    slow.extend(book.signals(true));
    let fast = book.signals(false).filter(|signal| !slow.contains(signal)).collect();
    let mut past = chosen(line, history, UtcMillis(since.0 - SOAK_MS)).await?;
    for (signals, back) in [(&slow, SOAK_MS), (&fast, WAY_MS)] {
        let pieces = pieces(UtcMillis(since.0 - back), now);
        for signal in signals {
            for piece in &pieces {
                let read = history.exact(vec![line.signal(*signal).tag.clone()], *piece).await?;
                let samples = read.iter().flat_map(|read| &read.samples);
                past.extend(samples.map(|sample| of_sample(*signal, sample)));
            }
        }
    }
    past.sort_by_key(|one| one.utc);
    Ok(past)
}

/// The recipe numbers that people had chosen by a moment: each holds until another is entered, however long ago it was.
async fn chosen(line: &Line, history: &dyn HistoryStore, by: UtcMillis) -> Result<Vec<Past>, HistoryError> {
    let mut chosen = Vec::new();
    for asked in line.recipe_numbers.iter().filter(|asked| line.chooses_recipe(asked.signal)) {
        let tag = line.signal(asked.signal).tag.clone();
        let mut rows = history.entries(Some(tag), ENTRIES_MAX).await?;
        rows.retain(|row| row.entered < by);
        let corrected: BTreeSet<u64> = rows.iter().filter_map(|row| row.corrects).collect();
        let holding = rows.iter().filter(|row| !corrected.contains(&row.n));
        let newest = holding.max_by_key(|row| (row.taken, row.n));
        chosen.extend(newest.map(|row| Past { utc: by, signal: asked.signal, value: Some(row.value) }));
    }
    Ok(chosen)
}

/// The time from one moment to another, in pieces of which none has anything in common with the next.
fn pieces(from: UtcMillis, to: UtcMillis) -> Vec<Span> {
    let begins = std::iter::successors(Some(from), |begin| Some(UtcMillis(begin.0 + PIECE_MS)));
    let begins = begins.take_while(|begin| *begin < to);
    begins.filter_map(|begin| Span::new(begin, UtcMillis((begin.0 + PIECE_MS).min(to.0))).ok()).collect()
}

fn of_sample(signal: SignalId, sample: &ExactSample) -> Past {
    Past { utc: sample.utc, signal, value: sample.reading.good() }
}

#[cfg(test)]
#[path = "past_tests.rs"]
mod tests;
