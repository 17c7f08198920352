//! What an earlier run has read of kettles, tanks and belts, for the follower to begin with: a soak outlives a restart.

use super::follow::FollowBook;
use crate::history::{ExactSample, HistoryStore, Span};
use setward_config::line::Line;
use setward_protocol::{SignalId, Uptime, UtcMillis};

/// Tanks and kettles are read again for so long: the longest soak, and the cook before it.
const SOAK_MS: i64 = 40 * 3_600_000;
/// Belts and rates for so long: what is on its way now, and what was fed before.
const WAY_MS: i64 = 4 * 3_600_000;
/// So much is asked for at a time: an answer holds so many readings and no more, and a temperature may be read ten times a second.
const PIECE_MS: i64 = 4 * 3_600_000;

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

/// All that the follower wants to know of the time before `now`, in order of time. What history can't give is unknown.
pub async fn of(line: &Line, history: &dyn HistoryStore, now: UtcMillis) -> Vec<Past> {
    between(line, history, now, now).await
}

/// The follower as it was at `now`, by what history holds: it knows the way of all that was fed since `since`.
pub async fn followed(
    line: &Line,
    history: &dyn HistoryStore,
    since: UtcMillis,
    now: UtcMillis,
) -> FollowBook {
    let past = between(line, history, since, now).await;
    let mut book = FollowBook::new(line);
    book.handle_recipe(Uptime::START, line.running_recipe);
    book.take_past(line, &past, now);
    book
}

async fn between(line: &Line, history: &dyn HistoryStore, since: UtcMillis, now: UtcMillis) -> Vec<Past> {
    let book = FollowBook::new(line);
    let mut past = Vec::new();
    for (is_slow, back) in [(true, SOAK_MS), (false, WAY_MS)] {
        let pieces = pieces(UtcMillis(since.0 - back), now);
        for signal in book.signals(is_slow) {
            for piece in &pieces {
                match history.exact(vec![line.signal(signal).tag.clone()], *piece).await {
                    Ok(read) => past.extend(
                        read.iter().flat_map(|read| &read.samples).map(|sample| of_sample(signal, sample)),
                    ),
                    Err(error) => {
                        tracing::info!(
                            code = "past-unknown",
                            "where corn and product are is not known from before the start: {error}"
                        );
                        return Vec::new();
                    }
                }
            }
        }
    }
    past.sort_by_key(|one| one.utc);
    past
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
