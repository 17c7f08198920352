//! Kettles and tanks: which batch went to which tank, and which tank fed the line when.

use super::Shape;
use super::kettle::{Kettle, Pumped, Reading, Told};
use crate::batches::Batch;
use crate::series::Span;
use crate::tanks::{Feeding, Fill, Tank, UnseenCorn};
use alloc::vec::Vec;
use core::time::Duration;
use setward_protocol::Uptime;

/// A tank that never fed is not believed to be empty before it was said for so long: a controller that restarts says 0 of
/// everything for a while, and thirteen hours of soak must not be forgotten for that. Engineering judgement.
const EMPTY_FOR: Duration = Duration::from_secs(300);

/// What a tank's state register says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TankReport {
    /// Nothing in it, or it is being rinsed: whatever was in it is gone. Of a tank that never fed only after some minutes.
    Empty,
    /// Corn is, or will be, pumped in.
    Filling,
    /// Full: soaking, ready or emptying.
    Full,
    /// Not known, or out of use: changes nothing.
    Unknown,
}

/// Which tank feeds the line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FedFrom {
    /// This one.
    Tank(u16),
    /// None.
    Nothing,
    /// Not known.
    Unknown,
}

/// A kettle batch and where it went.
#[derive(Debug, Clone, PartialEq)]
pub struct BatchRecord {
    /// Counts batches since the follower began: what [`Fill::batch`] names it by.
    pub id: u64,
    /// Which kettle, counted from 0.
    pub kettle: usize,
    /// The plant's own number of it, if one was read while it ran.
    pub number: Option<u64>,
    /// The recipe that the cook house ran when the batch was first seen, by the caller's number. It runs hours ahead of the
    /// line's.
    pub recipe: Option<u32>,
    /// What happened.
    pub batch: Batch,
    /// The tank that it was pumped to; `None` if none was filling then, or more than one: then it may be in each of those.
    pub tank: Option<u16>,
    /// Between when and when its soak began, the end of its transfer: one moment where the step tells it, the time in which it
    /// may have been pumped out where the temperature does. `None`: it was not pumped out, as far as anybody knows.
    pub soaks_from: Option<Span>,
}

/// A tank that feeds: since when, when that was last known, and what was in it.
#[derive(Debug, Clone, PartialEq)]
struct Feeds {
    number: u16,
    since: Uptime,
    known: Uptime,
    fills: Vec<Fill>,
    unseen: Option<UnseenCorn>,
}

impl Feeds {
    fn feeding(&self, until: Uptime) -> Feeding {
        let span = Span { from: self.since, to: until };
        Feeding { number: self.number, span, fills: self.fills.clone(), unseen: self.unseen }
    }
}

/// What a tank's state register has said.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Said {
    /// When it last said anything.
    at: Option<Uptime>,
    /// Since when it says empty.
    empty_since: Option<Uptime>,
    /// When corn last ran in, or may have.
    filled: Option<Uptime>,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Cookhouse {
    kettles: Vec<Kettle>,
    tanks: Vec<Tank>,
    /// Tank by tank.
    said: Vec<Said>,
    /// When corn may last have gone to a tank that nobody knows.
    unseen: Option<Span>,
    fed_from_gap_limit: Duration,
    /// The recipe in force.
    recipe: Option<u32>,
    batches: Vec<BatchRecord>,
    feedings: Vec<Feeding>,
    feeds: Option<Feeds>,
    next_id: u64,
}

impl Cookhouse {
    pub(super) fn new(shape: &Shape) -> Self {
        let tank = |number: &u16| Tank {
            number: *number,
            fills: Vec::new(),
            unseen: None,
            is_filling: false,
            feeding_since: None,
            fed_kg: 0.0,
        };
        Self {
            kettles: shape.kettles.iter().map(Kettle::new).collect(),
            tanks: shape.tanks.iter().map(tank).collect(),
            said: shape.tanks.iter().map(|_| Said::default()).collect(),
            unseen: None,
            fed_from_gap_limit: shape.fed_from_gap_limit,
            recipe: None,
            batches: Vec::new(),
            feedings: Vec::new(),
            feeds: None,
            next_id: 1,
        }
    }

    pub(super) fn tanks(&self) -> &[Tank] {
        &self.tanks
    }

    pub(super) fn batches(&self) -> &[BatchRecord] {
        &self.batches
    }

    pub(super) fn feedings(&self) -> Vec<Feeding> {
        let open = self.feeds.as_ref().map(|feeds| feeds.feeding(feeds.known));
        self.feedings.iter().cloned().chain(open).collect()
    }

    /// A reading of what tells a kettle's batches. One of another kind than the kettle's rule asks for is dropped.
    pub(super) fn read(&mut self, kettle: usize, at: Uptime, reading: Reading) -> Option<BatchRecord> {
        let Told { ended, begins, unseen } = self.kettles.get_mut(kettle)?.handle(at, reading);
        let record = ended.and_then(|(batch, pumped)| self.file(kettle, batch, pumped));
        if let Some(unseen) = unseen {
            self.corn_came_unseen(unseen);
        }
        if let Some(source) = self.kettles.get_mut(kettle).filter(|_| begins) {
            source.recipe = self.recipe;
        }
        self.note_targets();
        record
    }

    pub(super) const fn cook_recipe(&mut self, recipe: Option<u32>) {
        self.recipe = recipe;
    }

    pub(super) fn number(&mut self, kettle: usize, number: u64) {
        // A number that stays on after the batch must not name the next one: it counts while one runs.
        if let Some(kettle) = self.kettles.get_mut(kettle).filter(|kettle| kettle.runs()) {
            kettle.number = Some(number);
        }
    }

    pub(super) fn tank(&mut self, at: Uptime, number: u16, report: TankReport) {
        let both = self.tanks.iter_mut().zip(&mut self.said);
        let Some((tank, said)) = both.into_iter().find(|(tank, _)| tank.number == number) else {
            return;
        };
        let heard = said.at;
        let has_corn = matches!(report, TankReport::Full | TankReport::Filling);
        if has_corn {
            let was_empty = said.empty_since.take().is_some();
            if report == TankReport::Filling || tank.is_filling || was_empty {
                said.filled = Some(at);
            }
        }
        if report != TankReport::Unknown {
            said.at = Some(at);
        }
        match report {
            TankReport::Unknown => {}
            TankReport::Full => tank.is_filling = false,
            TankReport::Empty => {
                let since = *said.empty_since.get_or_insert(at);
                if tank.fed_kg > 0.0 || at.since(since) >= EMPTY_FOR {
                    empty(tank);
                    said.filled = None;
                }
            }
            TankReport::Filling => {
                // Filled anew after it fed: nobody reported it empty, but it must have been.
                if !tank.is_filling && tank.feeding_since.is_none() && tank.fed_kg > 0.0 {
                    empty(tank);
                }
                tank.is_filling = true;
            }
        }
        // Not before it is known what is still in it.
        if let Some(came) = came_unseen(tank, heard, at, self.unseen).filter(|_| has_corn) {
            self.note_unseen(number, came);
        }
        self.note_targets();
    }

    pub(super) fn fed_from(&mut self, at: Uptime, from: FedFrom) -> Option<Feeding> {
        let number = match from {
            FedFrom::Unknown => return None,
            FedFrom::Nothing => None,
            FedFrom::Tank(number) => Some(number),
        };
        let tank = self.tanks.iter().find(|tank| Some(tank.number) == number);
        let is_fresh = |feeds: &Feeds| at.since(feeds.known) <= self.fed_from_gap_limit;
        let mut ended = self.feeds.take();
        if let Some(feeds) = ended.take_if(|feeds| is_fresh(feeds) && Some(feeds.number) == number) {
            self.feeds = Some(Feeds { known: at, ..feeds });
            return None;
        }
        let ended = ended.map(|feeds| feeds.feeding(if is_fresh(&feeds) { at } else { feeds.known }));
        self.feedings.extend(ended.clone());
        self.feeds = tank.map(|tank| Feeds {
            number: tank.number,
            since: at,
            known: at,
            fills: tank.fills.clone(),
            unseen: tank.unseen,
        });
        for tank in &mut self.tanks {
            tank.feeding_since = if Some(tank.number) == number { Some(at) } else { None };
        }
        ended
    }

    /// Corn that left the tank that feeds, kg.
    pub(super) fn fed(&mut self, corn_kg: f64) {
        if let Some(tank) = self.tanks.iter_mut().find(|tank| tank.feeding_since.is_some()) {
            tank.fed_kg += corn_kg;
        }
    }

    pub(super) fn forget_before(&mut self, oldest: Uptime) {
        self.batches.retain(|record| record.batch.span().is_some_and(|span| span.to >= oldest));
        self.feedings.retain(|feeding| feeding.span.to >= oldest);
    }

    /// Files a batch that ended, and its corn in each tank that it went to, or may have gone to.
    fn file(&mut self, kettle: usize, batch: Batch, pumped: Option<Pumped>) -> Option<BatchRecord> {
        let id = self.next_id;
        self.next_id += 1;
        let source = self.kettles.get_mut(kettle)?;
        let (targets, corn_kg) = (source.take_targets(), source.corn_kg);
        let (number, recipe) = (source.number.take(), source.recipe.take());
        let known = pumped.filter(|pumped| pumped.is_known);
        let tank = match targets.as_slice() {
            [only] => Some(*only),
            [] | [_, ..] => None,
        };
        if let Some(Pumped { since, soaks_from, .. }) = pumped {
            let is_certain = tank.is_some() && known.is_some();
            let targets = if targets.is_empty() {
                // A tank of which nothing is heard meanwhile may have it too: that shows when it speaks again.
                self.unseen = Some(Span { from: since, to: soaks_from.to });
                self.filled_since(since)
            } else {
                targets
            };
            for number in targets {
                self.fill(number, Fill { batch: id, soaks_from, corn_kg, is_certain });
            }
        }
        let soaks_from = known.map(|pumped| pumped.soaks_from);
        let record = BatchRecord { id, kettle, number, recipe, batch, tank, soaks_from };
        self.batches.push(record.clone());
        Some(record)
    }

    fn fill(&mut self, number: u16, fill: Fill) {
        let Some(filled) = self.tanks.iter_mut().find(|tank| tank.number == number) else { return };
        filled.fills.push(fill);
        if let Some(feeds) = self.feeds.as_mut().filter(|feeds| feeds.number == number) {
            feeds.fills.push(fill);
        }
    }

    /// The tanks into which corn has, or may have, run since a time.
    fn filled_since(&self, since: Uptime) -> Vec<u16> {
        let both = self.tanks.iter().zip(&self.said);
        let filled = both.filter(|(tank, said)| tank.is_filling || said.filled.is_some_and(|at| at >= since));
        filled.map(|(tank, _)| tank.number).collect()
    }

    /// A batch of which nobody knows may have been pumped out within a time: each tank that filled since may have it.
    fn corn_came_unseen(&mut self, within: Span) {
        self.unseen = Some(within);
        let came = UnseenCorn { not_before: Some(within.from), not_after: within.to };
        for number in self.filled_since(within.from) {
            self.note_unseen(number, came);
        }
    }

    fn note_unseen(&mut self, number: u16, came: UnseenCorn) {
        if let Some(tank) = self.tanks.iter_mut().find(|tank| tank.number == number) {
            tank.unseen = Some(came.and(tank.unseen));
        }
        if let Some(feeds) = self.feeds.as_mut().filter(|feeds| feeds.number == number) {
            feeds.unseen = Some(came.and(feeds.unseen));
        }
    }

    /// Each tank that fills while a kettle is pumped out may be where its batch goes.
    fn note_targets(&mut self) {
        let filling: Vec<u16> =
            self.tanks.iter().filter(|tank| tank.is_filling).map(|tank| tank.number).collect();
        for kettle in &mut self.kettles {
            kettle.note_targets(&filling);
        }
    }
}

/// Whatever was in it is gone.
fn empty(tank: &mut Tank) {
    (tank.fills, tank.unseen, tank.is_filling, tank.fed_kg) = (Vec::new(), None, false, 0.0);
}

/// Corn that came into a tank before anybody saw it, by a report that it has some; `unseen`: when some may have gone to a tank
/// that nobody knows.
/// `heard`: when it said anything before.
fn came_unseen(tank: &Tank, heard: Option<Uptime>, at: Uptime, unseen: Option<Span>) -> Option<UnseenCorn> {
    let Some(heard) = heard else { return Some(UnseenCorn { not_before: None, not_after: at }) };
    // One that was full took none, and is told of by the kettle if it was filling.
    let unseen = unseen.filter(|unseen| heard <= unseen.from && tank.fills.is_empty())?;
    Some(UnseenCorn { not_before: Some(unseen.from), not_after: at })
}
