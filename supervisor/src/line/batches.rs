//! Kettle batches as their records know them: in wall time, by a name that stays the same over restarts.
//!
//! A batch is called by its kettle and the minute in which it began, "kettle-1-20261123T0412Z": whoever follows the same
//! readings again gives the same names.

use super::follow::millis;
use jiff::Timestamp;
use setward_config::line::Line;
use setward_process::batches::{Ending, Oddity, Phase, ToldBy};
use setward_process::follow::{BatchRecord, Follower, Times};
use setward_process::series::Span;
use setward_process::tanks::oldest_from;
use setward_process::windows::Unknown;
use setward_protocol::{Uptime, UtcMillis};
use std::collections::BTreeMap;
use std::time::Duration;

/// What has stood on the belts for so long after its tank fed is taken off them, not packed; judgement.
const GIVEN_UP_AFTER: Duration = Duration::from_secs(24 * 3600);

/// From when to when, in wall time.
pub type WallSpan = (UtcMillis, UtcMillis);

/// A kettle batch, as far as it has come.
#[derive(Debug, Clone, PartialEq)]
pub struct BatchView {
    /// Its name.
    pub id: String,
    /// Index into the line's kettles.
    pub kettle: usize,
    /// The plant's own number of it.
    pub number: Option<u64>,
    /// Index into the line's recipes.
    pub recipe: usize,
    /// Its phases, in order of time.
    pub phases: Vec<(Phase, WallSpan)>,
    /// How it ended.
    pub ending: Option<Ending>,
    /// What is odd about it.
    pub oddities: Vec<Oddity>,
    /// When its step was not known.
    pub unseen: Vec<WallSpan>,
    /// What told its phases.
    pub told_by: ToldBy,
    /// The tank that it was pumped to; `None` if that is not known.
    pub tank: Option<u16>,
    /// Between when and when its soak began: the same moment where the step told it; `None`: it was not pumped out.
    pub soaks_from: Option<WallSpan>,
    /// Its corn is in that tank still, or may be in any where it may have gone.
    pub is_in_tank: bool,
    /// When it was fed.
    pub fed: Vec<FedView>,
}

/// A time in which a tank fed the line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FedView {
    /// The tank's number.
    pub tank: u16,
    /// From when to when, or to now.
    pub span: WallSpan,
    /// It goes on.
    pub is_open: bool,
    /// End of the first transfer into it at its earliest, and of the last at its latest: from when its oldest and its youngest
    /// corn soaked.
    pub soaked_from: WallSpan,
    /// No older corn was in it; else some may have been that nobody saw come.
    pub is_oldest_known: bool,
    /// When what it fed was, or will be, packed, as a middle estimate.
    pub packed: Option<WallSpan>,
    /// The widest time in which any of it may have been packed.
    pub packed_at_most: Option<WallSpan>,
    /// Some of it is on its way still: belts may yet tell another time.
    pub is_forecast: bool,
}

impl BatchView {
    /// From its first phase to its last.
    #[must_use]
    pub fn span(&self) -> Option<WallSpan> {
        Some((self.phases.first()?.1.0, self.phases.last()?.1.1))
    }

    /// From the first to the last time in one phase.
    #[must_use]
    pub fn phase(&self, phase: Phase) -> Option<WallSpan> {
        let mut spans = self.phases.iter().filter(|(own, _)| *own == phase).map(|(_, span)| *span);
        let first = spans.next()?;
        Some(spans.fold(first, |whole, next| (whole.0, next.1)))
    }

    /// Whether nothing about it will change: it never got to a tank, or its corn has left it and is packed.
    #[must_use]
    pub fn is_complete(&self) -> bool {
        let is_over = |fed: &FedView| !fed.is_open && !fed.is_forecast;
        !self.is_in_tank && self.fed.iter().all(is_over)
    }
}

/// Names and times of the batches that are remembered.
#[derive(Debug, Default)]
pub(super) struct BatchBook {
    /// By the follower's number.
    known: BTreeMap<u64, Known>,
    has_news: bool,
}

#[derive(Debug)]
struct Known {
    id: String,
    recipe: usize,
    phases: Vec<(Phase, WallSpan)>,
    unseen: Vec<WallSpan>,
    soaks_from: Option<WallSpan>,
}

/// A moment in both times, to tell others by.
#[derive(Debug, Clone, Copy)]
struct Anchor {
    at: Uptime,
    utc: UtcMillis,
}

impl Anchor {
    fn utc(self, then: Uptime) -> UtcMillis {
        UtcMillis(self.utc.0 + millis(then.seconds_since(self.at)) - millis(self.at.seconds_since(then)))
    }

    fn span(self, span: Span) -> WallSpan {
        (self.utc(span.from), self.utc(span.to))
    }
}

impl BatchBook {
    /// A batch has ended at a moment. `cooks`: the recipe that the cook house runs now, for one that began before its number
    /// was read.
    pub(super) fn note(
        &mut self,
        line: &Line,
        record: &BatchRecord,
        cooks: Option<usize>,
        (at, utc): (Uptime, UtcMillis),
    ) {
        let wall = Anchor { at, utc };
        let phases: Vec<_> =
            record.batch.phases.iter().map(|part| (part.phase, wall.span(part.span))).collect();
        let began = phases.first().map_or(utc, |(_, span)| span.0);
        let own = record.recipe.and_then(|recipe| usize::try_from(recipe).ok());
        self.known.insert(
            record.id,
            Known {
                id: name(record.kettle, began),
                recipe: own.or(cooks).unwrap_or(line.running_recipe),
                phases,
                unseen: record.batch.unseen.iter().map(|span| wall.span(*span)).collect(),
                soaks_from: record.soaks_from.map(|span| wall.span(span)),
            },
        );
        self.has_news = true;
    }

    /// A tank no longer feeds.
    pub(super) const fn note_feeding(&mut self) {
        self.has_news = true;
    }

    /// The name of a batch.
    pub(super) fn name(&self, batch: u64) -> Option<String> {
        self.known.get(&batch).map(|known| known.id.clone())
    }

    /// The recipe of a batch, as an index into the line's.
    pub(super) fn recipe(&self, batch: u64) -> Option<usize> {
        self.known.get(&batch).map(|known| known.recipe)
    }

    /// All that are remembered; `None` if nothing has happened since this was asked last, unless it is forced.
    pub(super) fn views(
        &mut self,
        line: &Line,
        follower: &Follower,
        (at, utc): (Uptime, UtcMillis),
        force: bool,
    ) -> Option<Vec<BatchView>> {
        if !std::mem::take(&mut self.has_news) && !force {
            return None;
        }
        let wall = Anchor { at, utc };
        let feedings = follower.feedings();
        let fed: Vec<(Vec<u64>, FedView)> = feedings
            .iter()
            .enumerate()
            .filter_map(|(index, feeding)| {
                let is_last = index + 1 == feedings.len();
                let tank = follower.tanks().iter().find(|tank| tank.number == feeding.number);
                let is_open = is_last && tank.is_some_and(|tank| tank.feeding_since.is_some());
                let oldest = feeding.oldest_from();
                let soaked =
                    Span { from: oldest.or(oldest_from(&feeding.fills))?, to: feeding.youngest_from()? };
                let (known, expected) = follower.packed_of(feeding.span);
                let packed = expected.passage();
                let is_given_up = at.since(feeding.span.to) > GIVEN_UP_AFTER;
                let view = FedView {
                    tank: feeding.number,
                    span: wall.span(feeding.span),
                    is_open,
                    soaked_from: wall.span(soaked),
                    is_oldest_known: oldest.is_some(),
                    packed: packed.map(|packed| wall.span(packed.about())),
                    packed_at_most: packed.map(|packed| wall.span(packed.whole())),
                    is_forecast: !is_given_up && may_change(&known, at),
                };
                Some((feeding.fills.iter().map(|fill| fill.batch).collect(), view))
            })
            .collect();
        let remembered = follower.batches().iter();
        let views = remembered.filter_map(|record| self.view(line, follower, record, &fed)).collect();
        self.forget(follower);
        Some(views)
    }

    fn view(
        &self,
        line: &Line,
        follower: &Follower,
        record: &BatchRecord,
        fed: &[(Vec<u64>, FedView)],
    ) -> Option<BatchView> {
        let known = self.known.get(&record.id)?;
        line.kettles.get(record.kettle)?;
        let in_tank =
            |tank: &setward_process::tanks::Tank| tank.fills.iter().any(|fill| fill.batch == record.id);
        Some(BatchView {
            id: known.id.clone(),
            kettle: record.kettle,
            number: record.number,
            recipe: known.recipe,
            phases: known.phases.clone(),
            ending: record.batch.ending,
            oddities: record.batch.oddities.clone(),
            unseen: known.unseen.clone(),
            told_by: record.batch.told_by,
            tank: record.tank,
            soaks_from: known.soaks_from,
            is_in_tank: follower.tanks().iter().any(in_tank),
            fed: fed
                .iter()
                .filter(|(batches, _)| batches.contains(&record.id))
                .map(|(_, fed)| *fed)
                .collect(),
        })
    }

    /// What the follower has forgotten is forgotten here, unless its corn is somewhere still.
    fn forget(&mut self, follower: &Follower) {
        let Some(oldest) = follower.batches().first().map(|record| record.id) else { return };
        let in_tanks = follower.tanks().iter().flat_map(|tank| &tank.fills).map(|fill| fill.batch);
        let oldest = in_tanks.fold(oldest, u64::min);
        self.known.retain(|id, _| *id >= oldest);
    }
}

/// Whether belts may yet tell another time than is known at `now`. What was on a belt while nobody saw it will never be known.
fn may_change(known: &Times, now: Uptime) -> bool {
    let mut is_on_its_way = false;
    for end in [known.first, known.last] {
        match end {
            Ok(window) => is_on_its_way |= window.latest > now,
            Err(Unknown::AfterRecord { .. }) => is_on_its_way = true,
            Err(Unknown::BeforeRecord { .. } | Unknown::SpeedMissing { .. }) => return false,
        }
    }
    is_on_its_way
}

/// "kettle-1-20261123T0412Z".
fn name(kettle: usize, began: UtcMillis) -> String {
    let began = Timestamp::from_millisecond(began.0).unwrap_or(Timestamp::UNIX_EPOCH);
    format!("kettle-{}-{}", kettle + 1, began.strftime("%Y%m%dT%H%MZ"))
}

#[cfg(test)]
#[path = "batches_tests.rs"]
mod tests;
