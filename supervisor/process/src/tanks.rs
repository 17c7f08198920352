//! Soak tanks: how old the corn in each is, which feeds next, what a stop of the line does to them, and which batches
//! were behind the product on the belt.
//!
//! A tank holds several batches, and nobody knows which kernel is from which. So each tank has two ages: the youngest
//! (from the end of the last transfer into it) is held against the least, the oldest (from the end of the first) against
//! the most. Where the end of a transfer is known as a span, each age counts from the end of it that speaks against the
//! corn. A sum or a mean of both would hide what matters.
//!
//! Units: times as [`Uptime`], masses in kg of dry corn as it was weighed into the kettle, rates in kg/h of the same corn.

#[cfg(test)]
mod tests;

use crate::batches::verdict::{Accept, Verdict};
use crate::series::Span;
use alloc::vec::Vec;
use core::time::Duration;
use setward_protocol::Uptime;

/// One batch in a tank.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fill {
    /// Which batch: whatever the caller numbers them by.
    pub batch: u64,
    /// Between when and when its soak began: when its transfer ended, which may be known as a span only.
    pub soaks_from: Span,
    /// How much corn it brought, kg.
    pub corn_kg: f64,
    /// It went there for certain; else it may be in another tank: its age counts here and there, its kilograms nowhere.
    pub is_certain: bool,
}

/// Corn in a tank that nobody saw come: before the first reading, or while the kettles were not watched.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct UnseenCorn {
    /// It began to soak then at the earliest; `None`: it may be of any age.
    pub not_before: Option<Uptime>,
    /// And then at the latest.
    pub not_after: Uptime,
}

impl UnseenCorn {
    /// With other such corn.
    #[must_use]
    pub fn and(self, other: Option<Self>) -> Self {
        let Some(other) = other else { return self };
        let earliest = self.not_before.zip(other.not_before).map(|(one, other)| one.min(other));
        Self { not_before: earliest, not_after: self.not_after.max(other.not_after) }
    }
}

/// What is known of a tank.
#[derive(Debug, Clone, PartialEq)]
pub struct Tank {
    /// Its number on the floor.
    pub number: u16,
    /// What is in it, or may be; empty if nothing that was seen to come is.
    pub fills: Vec<Fill>,
    /// Corn that may be in it too.
    pub unseen: Option<UnseenCorn>,
    /// Another batch is to come before it is full.
    pub is_filling: bool,
    /// It feeds the line since then; `None` if it does not.
    pub feeding_since: Option<Uptime>,
    /// How much of its corn has been fed, kg.
    pub fed_kg: f64,
}

/// A recipe's limits on the soak.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SoakLimits {
    /// The youngest corn must be at least this old when it is fed.
    pub least: Duration,
    /// The oldest corn must be at most this old when it is fed.
    pub most: Duration,
}

/// What a tank is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TankState {
    /// Nothing in it.
    Empty,
    /// Another batch is to come.
    Filling,
    /// Full, the youngest corn is not old enough.
    Soaking,
    /// May be fed.
    Ready,
    /// Feeds the line.
    Feeding,
    /// The oldest corn is too old, whether it feeds or not.
    OverAge,
}

/// One tank on the board.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    /// The tank's number.
    pub number: u16,
    /// What it is doing.
    pub state: TankState,
    /// It feeds the line, as far as is known.
    pub is_feeding: bool,
    /// Corn left in it, kg, of what is there for certain.
    pub corn_kg: f64,
    /// Age of the youngest corn, s; `None` if it is empty.
    pub youngest_s: Option<f64>,
    /// Age of the oldest corn at most, s; `None` if it is empty, or may hold corn of any age.
    pub oldest_s: Option<f64>,
    /// Age of the oldest corn that was seen to come, s: the oldest in it is at least so old.
    pub oldest_seen_s: Option<f64>,
    /// It may hold corn that nobody saw come into it.
    pub has_unseen: bool,
    /// When it may be fed; `None` if it is empty or still filling.
    pub ready_at: Option<Uptime>,
    /// When what was seen to come is too old; `None` if it is empty.
    pub over_age_at: Option<Uptime>,
}

/// When the oldest corn of some batches began to soak, at its earliest: what is held against the most.
#[must_use]
pub fn oldest_from(fills: &[Fill]) -> Option<Uptime> {
    fills.iter().map(|fill| fill.soaks_from.from).min()
}

/// When the youngest corn of some batches began to soak, at its latest: what is held against the least.
#[must_use]
pub fn youngest_from(fills: &[Fill]) -> Option<Uptime> {
    fills.iter().map(|fill| fill.soaks_from.to).max()
}

/// The same with corn that nobody saw come: not known if that may be of any age.
fn oldest_with(fills: &[Fill], unseen: Option<UnseenCorn>) -> Option<Uptime> {
    let seen = oldest_from(fills)?;
    unseen.map_or(Some(seen), |unseen| unseen.not_before.map(|unseen| seen.min(unseen)))
}

fn youngest_with(fills: &[Fill], unseen: Option<UnseenCorn>) -> Option<Uptime> {
    let seen = youngest_from(fills)?;
    Some(unseen.map_or(seen, |unseen| seen.max(unseen.not_after)))
}

impl Tank {
    /// End of the first transfer into it, at its earliest: its oldest corn.
    fn oldest_from(&self) -> Option<Uptime> {
        oldest_with(&self.fills, self.unseen)
    }

    /// End of the last transfer into it, at its latest: its youngest corn.
    fn youngest_from(&self) -> Option<Uptime> {
        youngest_with(&self.fills, self.unseen)
    }

    /// Corn left, kg: never below nothing, however far the feed's meter is off.
    fn left_kg(&self) -> f64 {
        let certain = self.fills.iter().filter(|fill| fill.is_certain);
        (certain.map(|fill| fill.corn_kg).sum::<f64>() - self.fed_kg).max(0.0)
    }

    /// Its row on the board. A transfer that ends after `now` counts as age 0.
    #[must_use]
    pub fn row(&self, now: Uptime, limits: SoakLimits) -> Row {
        let ready_at = self.youngest_from().filter(|_| !self.is_filling).map(|from| from + limits.least);
        let oldest_seen = oldest_from(&self.fills);
        let over_age_at = oldest_seen.map(|from| from + limits.most);
        let state = if self.fills.is_empty() {
            TankState::Empty
        } else if over_age_at.is_some_and(|over| now > over) {
            TankState::OverAge
        } else if self.feeding_since.is_some() {
            TankState::Feeding
        } else if self.is_filling {
            TankState::Filling
        } else if ready_at.is_some_and(|ready| now >= ready) {
            TankState::Ready
        } else {
            TankState::Soaking
        };
        Row {
            number: self.number,
            state,
            is_feeding: self.feeding_since.is_some(),
            corn_kg: self.left_kg(),
            youngest_s: self.youngest_from().map(|from| now.seconds_since(from)),
            oldest_s: self.oldest_from().map(|from| now.seconds_since(from)),
            oldest_seen_s: oldest_seen.map(|from| now.seconds_since(from)),
            has_unseen: self.unseen.is_some() || self.fills.iter().any(|fill| !fill.is_certain),
            ready_at,
            over_age_at,
        }
    }
}

/// The order in which tanks should be fed: the one that feeds, then by the oldest corn. Empty tanks are left out; one that
/// is still filling stands where its corn puts it.
#[must_use]
pub fn feeding_order(tanks: &[Tank]) -> Vec<&Tank> {
    let mut order: Vec<_> = tanks.iter().filter(|tank| !tank.fills.is_empty()).collect();
    order.sort_by_key(|tank| {
        (tank.feeding_since.is_none(), tank.feeding_since, tank.oldest_from(), tank.number)
    });
    order
}

/// When a tank will feed the line, by a forecast.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlannedFeed {
    /// The tank's number.
    pub number: u16,
    /// When it begins and ends to feed.
    pub span: Span,
    /// How long the line waits for it with nothing to eat, s.
    pub waited_s: f64,
    /// Age of its oldest corn when the last of it is fed, s.
    pub oldest_at_end_s: f64,
    /// Corn that is too old when it is fed, kg.
    pub over_age_kg: f64,
}

/// What becomes of the tanks.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// Each tank that holds corn and is full, in feeding order.
    pub feeds: Vec<PlannedFeed>,
    /// How long the line starves between them, s.
    pub starved_s: f64,
    /// Corn that becomes too old, kg.
    pub over_age_kg: f64,
    /// When the corn runs out.
    pub empty_at: Uptime,
}

/// What becomes of the tanks if the line now stops for `stop` (nothing: it runs on) and then eats `rate_kg_per_h`. `limits` are those
/// of the recipe that a tank's corn was cooked for.
///
/// Corn that is not cooked yet is not in it, nor tanks still filling: `empty_at` says how long there is to cook more.
/// `None` unless the rate is above zero.
#[must_use]
pub fn forecast(
    tanks: &[Tank],
    now: Uptime,
    limits: impl Fn(&Tank) -> SoakLimits,
    rate_kg_per_h: f64,
    stop: Duration,
) -> Option<Forecast> {
    if !(rate_kg_per_h > 0.0 && rate_kg_per_h.is_finite()) {
        return None;
    }
    let mut free_at = now + stop;
    let mut feeds = Vec::new();
    for tank in feeding_order(tanks).into_iter().filter(|tank| !tank.is_filling) {
        let row = tank.row(now, limits(tank));
        let (Some(ready_at), Some(over_age_at), Some(oldest_from)) =
            (row.ready_at, row.over_age_at, tank.oldest_from())
        else {
            continue;
        };
        // A tank that feeds already is fed on, ready or not.
        let from = if tank.feeding_since.is_some() { free_at } else { free_at.max(ready_at) };
        let to = from.plus_seconds(row.corn_kg / rate_kg_per_h * 3600.0);
        feeds.push(PlannedFeed {
            number: tank.number,
            span: Span { from, to },
            waited_s: from.seconds_since(free_at),
            oldest_at_end_s: to.seconds_since(oldest_from),
            over_age_kg: to.seconds_since(over_age_at.max(from)) / 3600.0 * rate_kg_per_h,
        });
        free_at = to;
    }
    let sum = |of: fn(&PlannedFeed) -> f64| feeds.iter().map(of).sum();
    let (starved_s, over_age_kg) = (sum(|feed| feed.waited_s), sum(|feed| feed.over_age_kg));
    Some(Forecast { feeds, starved_s, over_age_kg, empty_at: free_at })
}

/// A time in which a tank fed the line, and what was in it.
#[derive(Debug, Clone, PartialEq)]
pub struct Feeding {
    /// The tank's number.
    pub number: u16,
    /// When it fed.
    pub span: Span,
    /// The batches it held, or may have held.
    pub fills: Vec<Fill>,
    /// Corn that it may have held too.
    pub unseen: Option<UnseenCorn>,
}

impl Feeding {
    /// When its oldest corn began to soak, at the earliest; `None` if nobody knows.
    #[must_use]
    pub fn oldest_from(&self) -> Option<Uptime> {
        oldest_with(&self.fills, self.unseen)
    }

    /// When its youngest corn began to soak, at the latest; `None` if nobody knows.
    #[must_use]
    pub fn youngest_from(&self) -> Option<Uptime> {
        youngest_with(&self.fills, self.unseen)
    }
}

/// A feeding that may be behind a window of product.
#[derive(Debug, Clone, PartialEq)]
pub struct Behind<'a> {
    /// Which feeding; any of its batches may be in the product.
    pub feeding: &'a Feeding,
    /// The part of the window in which it fed.
    pub fed: Span,
    /// Age of the youngest corn at the beginning of that part, s; `None` if nobody knows what was in the tank.
    pub youngest_s: Option<f64>,
    /// Age of the oldest corn at its end, s; `None` likewise.
    pub oldest_s: Option<f64>,
}

impl Behind<'_> {
    /// The verdicts on the least (by the youngest corn) and on the most (by the oldest).
    #[must_use]
    pub fn verdicts(&self, limits: SoakLimits) -> (Verdict, Verdict) {
        let judged = |accept: Accept, age_s: Option<f64>| {
            age_s.map_or(Verdict::Unknown, |age| accept.verdict(age, age))
        };
        (
            judged(Accept::at_least(limits.least.as_secs_f64()), self.youngest_s),
            judged(Accept::at_most(limits.most.as_secs_f64()), self.oldest_s),
        )
    }
}

/// Which tanks fed what left the tanks during a window (traced back from the belt), and for how long, s, of the window no
/// feeding is recorded: that part is unknown.
#[must_use]
pub fn behind(window: Span, feedings: &[Feeding]) -> (Vec<Behind<'_>>, f64) {
    let mut found = Vec::new();
    for feeding in feedings {
        let at_once =
            window.from == window.to && feeding.span.from <= window.from && window.to <= feeding.span.to;
        let Some(fed) = feeding.span.overlap(window).or(at_once.then_some(window)) else { continue };
        found.push(Behind {
            feeding,
            fed,
            youngest_s: feeding.youngest_from().map(|last| fed.from.seconds_since(last)),
            oldest_s: feeding.oldest_from().map(|first| fed.to.seconds_since(first)),
        });
    }
    let unknown_s = window.seconds() - covered_s(&found);
    (found, unknown_s.max(0.0))
}

/// Seconds in which at least one of them fed: two tanks may feed together over a change.
fn covered_s(found: &[Behind<'_>]) -> f64 {
    let mut spans: Vec<_> = found.iter().map(|behind| behind.fed).collect();
    spans.sort_by_key(|span| span.from);
    let (mut covered_s, mut until) = (0.0, Uptime::START);
    for span in spans {
        covered_s += span.to.seconds_since(span.from.max(until));
        until = until.max(span.to);
    }
    covered_s
}
