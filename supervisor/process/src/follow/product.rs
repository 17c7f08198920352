//! From an alarm to the product that it touched: packed when, how many kilograms, from which tanks, between which checks.
//!
//! What was anywhere in the station from onset to return is touched: the first of it left the station at the onset, the
//! last of it entered at the return.

use super::{Follower, Place, Through};
use crate::series::Span;
use crate::tanks::behind;
use crate::windows::{Belt, Delay, Feed, Mass, Passage, Step, Unknown, Window, trace_back, trace_forward};
use alloc::vec::Vec;
use core::time::Duration;
use setward_protocol::Uptime;

/// For how long belts are taken to go on as they do, to say when product will be packed.
const FORESIGHT: Duration = Duration::from_secs(2 * 3600);

/// When the first and the last of a slice of product passed somewhere, each as far as it is known. A step of the path in
/// [`Unknown`] is a place of the whole path, counted from 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Times {
    /// When the first of it passed.
    pub first: Result<Window, Unknown>,
    /// When the last of it passed.
    pub last: Result<Window, Unknown>,
}

impl Times {
    /// Both, if both are known.
    #[must_use]
    pub fn passage(&self) -> Option<Passage> {
        Some(Passage { first: self.first.ok()?, last: self.last.ok()? })
    }
}

/// A tank that was behind the product.
#[derive(Debug, Clone, PartialEq)]
pub struct BehindProduct {
    /// The tank's number.
    pub number: u16,
    /// When it fed what became this product.
    pub fed: Span,
    /// Age of its youngest corn then, s.
    pub youngest_s: Option<f64>,
    /// Age of its oldest corn then, s; `None` if nobody knows.
    pub oldest_s: Option<f64>,
    /// It may have held corn that nobody saw come.
    pub has_unseen: bool,
    /// The batches that it held, or may have held, by [`BatchRecord::id`](super::BatchRecord::id).
    pub batches: Vec<u64>,
}

/// What a quality lead holds: from the last check that passed before the product to the next one after it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HoldWindow {
    /// The kind of check.
    pub kind: u16,
    /// The last that passed before; `None` if none is remembered.
    pub last_good: Option<Uptime>,
    /// The next that passed after; `None` if there is none yet.
    pub next_good: Option<Uptime>,
    /// Checks between them that failed.
    pub failed: usize,
    /// What was made between them, or up to now where there is no next one yet; `None` if there is no last one, or the
    /// feed is not known.
    pub mass: Option<Mass>,
}

/// The product that an alarm touched.
#[derive(Debug, Clone, PartialEq)]
pub struct Product {
    /// When it came out of the last place of the path.
    pub packed: Times,
    /// When it will have, if belts go on as they do; the same as `packed` where that is known.
    pub expected: Times,
    /// When it came out of the tanks.
    pub fed: Times,
    /// How much it is about.
    pub about: Option<Mass>,
    /// How much it is at most: with every time at its worst.
    pub whole: Option<Mass>,
    /// Recipes in force at the time, the caller's numbers, each once, in order: a recipe that was removed since is here.
    pub recipes: Vec<u32>,
    /// Tanks behind it.
    pub tanks: Vec<BehindProduct>,
    /// How long, s, it came out of the tanks while nobody knows which fed.
    pub unknown_tank_s: f64,
    /// For each kind of check, what lies between the last good and the next.
    pub holds: Vec<HoldWindow>,
    /// A belt of its way ran backward meanwhile: the times can't be relied on.
    pub was_reversed: bool,
}

impl Follower {
    /// The product that was in a station from `onset` to `returned` (until now, while the alarm stands). `None` if no
    /// place of the path belongs to the station.
    #[must_use]
    pub fn product(&self, station: u16, onset: Uptime, returned: Option<Uptime>) -> Option<Product> {
        let places = &self.shape.path;
        let entrance = places.iter().position(|place| place.station == station)?;
        let exit = places.iter().rposition(|place| place.station == station)? + 1;
        let returned = returned.unwrap_or(self.now).max(onset);
        let slice = Slice { onset, returned, entrance, exit };
        let (known, held) = (self.way(None), self.way(Some(self.now + FORESIGHT)));
        let packed = slice.times(&known, places.len());
        let expected = Times {
            first: packed.first.or_else(|_| slice.times(&held, places.len()).first),
            last: packed.last.or_else(|_| slice.times(&held, places.len()).last),
        };
        // What a place holds now came in a moment after the last that is seen of the belts before it.
        let fed = slice.times(&known, 0);
        let fed = Times {
            first: fed.first.or_else(|_| slice.times(&held, 0).first),
            last: fed.last.or_else(|_| slice.times(&held, 0).last),
        };
        let (about, whole) = self.masses(&known, slice);
        let (tanks, unknown_tank_s) = self.tanks_behind(fed);
        let holds = self.holds(&known, slice);
        Some(Product {
            packed,
            expected,
            fed,
            about,
            whole,
            recipes: self.recipes_between(onset, returned),
            tanks,
            unknown_tank_s,
            holds,
            was_reversed: self.was_reversed(&held, slice),
        })
    }

    /// What passes the weigher now, kg/h; `None` if the line does not weigh, or the rate is not known.
    #[must_use]
    pub fn rate_kg_per_h(&self) -> Option<f64> {
        let steps = self.records.get(self.shape.weighing?.rate)?.steps(None)?;
        steps.pieces().next_back()?.1
    }

    /// When what came out of the tanks in `fed` was packed, as far as the belts have been seen; and when it was or will be, if belts
    /// that are not seen yet go on as they do.
    #[must_use]
    pub fn packed_of(&self, fed: Span) -> (Times, Times) {
        let whole = self.shape.path.len();
        let slice = Slice { onset: fed.from, returned: fed.to, entrance: 0, exit: 0 };
        let (known, held) = (self.way(None), self.way(Some(self.now + FORESIGHT)));
        let packed = slice.times(&known, whole);
        let expected = Times {
            first: packed.first.or_else(|_| slice.times(&held, whole).first),
            last: packed.last.or_else(|_| slice.times(&held, whole).last),
        };
        (packed, expected)
    }

    /// The path as steps, each with its record; held on until a later time, if told. A step without a record is not known.
    fn way(&self, held_until: Option<Uptime>) -> Vec<Option<Step<'_>>> {
        self.shape.path.iter().map(|place| self.passed(place, held_until)).collect()
    }

    fn passed(&self, place: &Place, held_until: Option<Uptime>) -> Option<Step<'_>> {
        match place.through {
            Through::Belt { length_m, speed, ratio, spread, fastest_m_per_s } => {
                let speed = self.records.get(speed)?.steps(held_until)?;
                let belt =
                    Belt::new(length_m, speed).ok()?.with_ratio(ratio).ok()?.with_spread(spread).ok()?;
                let belt = match fastest_m_per_s {
                    Some(fastest) => belt.with_fastest(fastest).ok()?,
                    None => belt,
                };
                Some(Step::Belt(belt))
            }
            Through::Delay { least, most, running } => {
                let delay = Delay::new(least, most).ok()?;
                let Some(running) = running else { return Some(Step::Delay(delay)) };
                let running = self.records.get(running)?.steps(held_until)?;
                Some(Step::Delay(delay.while_running(running)))
            }
        }
    }

    /// Kilograms that are about it, and at most.
    fn masses(&self, way: &[Option<Step<'_>>], slice: Slice) -> (Option<Mass>, Option<Mass>) {
        let weighed = self.shape.weighing.and_then(|weighing| slice.times(way, weighing.before).passage());
        let Some(passage) = weighed else { return (None, None) };
        (self.weighed(passage.about()), self.weighed(passage.whole()))
    }

    fn weighed(&self, span: Span) -> Option<Mass> {
        let weighing = self.shape.weighing?;
        let rate_kg_per_h = self.records.get(weighing.rate)?.steps(None)?;
        let feed = Feed { rate_kg_per_h, spread: weighing.spread, most_kg_per_h: weighing.most_kg_per_h };
        let diverted = weighing.diverted.and_then(|record| self.records.get(record)?.steps(None));
        let diverted: Vec<Span> = diverted.map_or_else(Vec::new, |steps| {
            let away = steps.pieces_within(span).filter(|(_, value)| value.is_some_and(|value| value > 0.5));
            away.map(|(span, _)| span).collect()
        });
        feed.kilograms(span, &diverted)
    }

    fn recipes_between(&self, from: Uptime, to: Uptime) -> Vec<u32> {
        let ends = self.recipes.iter().skip(1).map(|(at, _)| *at).chain([self.now.max(to)]);
        let spans = self.recipes.iter().zip(ends);
        let in_force = spans.filter(|((since, _), until)| *since <= to && from <= *until);
        let mut found = Vec::new();
        for recipe in in_force.filter_map(|((_, recipe), _)| *recipe) {
            if !found.contains(&recipe) {
                found.push(recipe);
            }
        }
        found
    }

    fn tanks_behind(&self, fed: Times) -> (Vec<BehindProduct>, f64) {
        let Some(passage) = fed.passage() else { return (Vec::new(), 0.0) };
        let feedings = self.feedings();
        let (found, unknown_s) = behind(passage.whole(), &feedings);
        let told = found.iter().map(|tank| BehindProduct {
            number: tank.feeding.number,
            fed: tank.fed,
            youngest_s: tank.youngest_s,
            oldest_s: tank.oldest_s,
            has_unseen: tank.feeding.unseen.is_some(),
            batches: tank.feeding.fills.iter().map(|fill| fill.batch).collect(),
        });
        (told.collect(), unknown_s)
    }

    fn holds(&self, way: &[Option<Step<'_>>], slice: Slice) -> Vec<HoldWindow> {
        let hold = |point: &super::CheckPoint| {
            let times = slice.times(way, point.before);
            let of_kind = || self.checks.iter().filter(|check| check.kind == point.kind);
            let good = || of_kind().filter(|check| check.passed).map(|check| check.at);
            let last_good =
                times.first.ok().and_then(|first| good().filter(|at| *at <= first.earliest).max());
            let next_good = times.last.ok().and_then(|last| good().filter(|at| *at >= last.latest).min());
            let within =
                |at: Uptime| last_good.is_none_or(|good| at > good) && next_good.is_none_or(|good| at < good);
            let failed = of_kind().filter(|check| !check.passed && within(check.at)).count();
            let mass = last_good.and_then(|from| {
                let weighing = self.shape.weighing?;
                let at_scale = |at: Uptime| moved(way, at, point.before, weighing.before).ok();
                let until = match next_good {
                    Some(next) => at_scale(next)?.latest,
                    None => self.records.get(weighing.rate)?.steps(None)?.until(),
                };
                self.weighed(Span { from: at_scale(from)?.earliest, to: until })
            });
            HoldWindow { kind: point.kind, last_good, next_good, failed, mass }
        };
        self.shape.checks.iter().map(hold).collect()
    }

    /// Whether a belt ran backward while any of it was on it, as far as that is known.
    fn was_reversed(&self, way: &[Option<Step<'_>>], slice: Slice) -> bool {
        self.shape.path.iter().enumerate().any(|(at, place)| {
            let Through::Belt { speed, .. } = place.through else { return false };
            let from = slice.times(way, at).first.map_or(slice.onset, |window| window.earliest);
            let to = slice.times(way, at + 1).last.map_or(slice.returned, |window| window.latest);
            let on_it = Span { from, to: to.max(from) };
            self.records.get(speed).is_some_and(|record| record.was_reversed(on_it))
        })
    }
}

/// Product that was in a station: places `entrance` up to, not including, `exit`.
#[derive(Debug, Clone, Copy)]
struct Slice {
    onset: Uptime,
    returned: Uptime,
    entrance: usize,
    exit: usize,
}

impl Slice {
    /// When it passed the point before a place.
    fn times(self, way: &[Option<Step<'_>>], before: usize) -> Times {
        Times {
            first: moved(way, self.onset, self.exit, before),
            last: moved(way, self.returned, self.entrance, before),
        }
    }
}

/// When what passed the point before one place at a time passed, or passes, the point before another.
fn moved(way: &[Option<Step<'_>>], at: Uptime, from: usize, to: usize) -> Result<Window, Unknown> {
    let part = way.get(from.min(to)..from.max(to)).unwrap_or_default();
    let known: Vec<Step<'_>> = part.iter().copied().map_while(|step| step).collect();
    // A step that nothing was ever read of can't be passed.
    if known.len() < part.len() {
        return Err(Unknown::BeforeRecord { step: from.min(to) + known.len() });
    }
    let slice = Span { from: at, to: at };
    let traced = if from <= to { trace_forward(slice, &known) } else { trace_back(slice, &known) };
    match traced.stopped {
        Some(why) => Err(shifted(why, from.min(to))),
        None => Ok(traced.passages.last().map_or(Window::at(at), |passage| passage.first)),
    }
}

/// The same with its step counted on the whole path.
fn shifted(why: Unknown, by: usize) -> Unknown {
    match why {
        Unknown::BeforeRecord { step } => Unknown::BeforeRecord { step: step + by },
        Unknown::AfterRecord { step, earliest } => Unknown::AfterRecord { step: step + by, earliest },
        Unknown::SpeedMissing { step } => Unknown::SpeedMissing { step: step + by },
    }
}
