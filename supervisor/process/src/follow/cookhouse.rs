//! Kettles and tanks: which batch went to which tank, and which tank fed the line when.

use super::Shape;
use crate::batches::{Batch, BatchTracker, Phase};
use crate::series::Span;
use crate::tanks::{Feeding, Fill, Tank};
use alloc::vec::Vec;
use core::time::Duration;
use setward_protocol::Uptime;

/// What a tank's state register says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TankReport {
    /// Nothing in it, or it is being rinsed: whatever was in it is gone.
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
    /// What happened.
    pub batch: Batch,
    /// The tank that it was pumped to; `None` if none was filling then, or more than one.
    pub tank: Option<u16>,
}

#[derive(Debug, Clone, PartialEq)]
struct Kettle {
    tracker: BatchTracker,
    number: Option<u64>,
    target: Target,
}

/// Where a batch is pumped to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Target {
    NotSeen,
    One(u16),
    Several,
}

impl Target {
    const fn or(self, number: u16) -> Self {
        match self {
            Self::NotSeen => Self::One(number),
            Self::One(same) if same == number => self,
            Self::One(_) | Self::Several => Self::Several,
        }
    }
}

/// A tank that feeds: since when, and when that was last known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Feeds {
    number: u16,
    since: Uptime,
    known: Uptime,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Cookhouse {
    kettles: Vec<Kettle>,
    tanks: Vec<Tank>,
    batch_corn_kg: f64,
    gap_limit: Duration,
    batches: Vec<BatchRecord>,
    feedings: Vec<Feeding>,
    feeds: Option<Feeds>,
    next_id: u64,
}

impl Cookhouse {
    pub(super) fn new(shape: &Shape) -> Self {
        let kettle = |rule: &crate::batches::StepRule| Kettle {
            tracker: BatchTracker::new(rule.clone()),
            number: None,
            target: Target::NotSeen,
        };
        let tank = |number: &u16| Tank {
            number: *number,
            fills: Vec::new(),
            is_filling: false,
            feeding_since: None,
            fed_kg: 0.0,
        };
        Self {
            kettles: shape.kettles.iter().map(kettle).collect(),
            tanks: shape.tanks.iter().map(tank).collect(),
            batch_corn_kg: shape.batch_corn_kg,
            gap_limit: shape.gap_limit,
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
        let open = self.feeds.and_then(|feeds| self.feeding(feeds, feeds.known));
        self.feedings.iter().cloned().chain(open).collect()
    }

    pub(super) fn step(&mut self, kettle: usize, at: Uptime, code: Option<i64>) -> Option<BatchRecord> {
        let ended = self.kettles.get_mut(kettle)?.tracker.handle(at, code);
        let record = ended.map(|batch| self.ended(kettle, batch));
        self.note_targets();
        record.flatten()
    }

    pub(super) fn number(&mut self, kettle: usize, number: u64) {
        // A number that stays on after the batch must not name the next one: it counts while one runs.
        if let Some(kettle) = self.kettles.get_mut(kettle).filter(|kettle| kettle.tracker.running().is_some())
        {
            kettle.number = Some(number);
        }
    }

    pub(super) fn tank(&mut self, number: u16, report: TankReport) {
        let Some(tank) = self.tanks.iter_mut().find(|tank| tank.number == number) else { return };
        match report {
            TankReport::Unknown => {}
            TankReport::Full => tank.is_filling = false,
            TankReport::Empty => {
                let feeding_since = tank.feeding_since;
                *tank = Tank { number, fills: Vec::new(), is_filling: false, feeding_since, fed_kg: 0.0 };
            }
            TankReport::Filling => {
                // Filled anew after it fed: nobody reported it empty, but it must have been.
                if !tank.is_filling && tank.feeding_since.is_none() && tank.fed_kg > 0.0 {
                    (tank.fills, tank.fed_kg) = (Vec::new(), 0.0);
                }
                tank.is_filling = true;
            }
        }
        self.note_targets();
    }

    pub(super) fn fed_from(&mut self, at: Uptime, from: FedFrom) -> Option<Feeding> {
        let number = match from {
            FedFrom::Unknown => return None,
            FedFrom::Nothing => None,
            FedFrom::Tank(number) => self.tanks.iter().any(|tank| tank.number == number).then_some(number),
        };
        let is_fresh = |feeds: &Feeds| at.since(feeds.known) <= self.gap_limit;
        if let Some(feeds) = &mut self.feeds.filter(is_fresh).filter(|feeds| Some(feeds.number) == number) {
            self.feeds = Some(Feeds { known: at, ..*feeds });
            return None;
        }
        let ended = self.feeds.take().map(|feeds| (feeds, if is_fresh(&feeds) { at } else { feeds.known }));
        let feeding = ended.and_then(|(feeds, until)| self.feeding(feeds, until));
        self.feedings.extend(feeding.clone());
        self.feeds = number.map(|number| Feeds { number, since: at, known: at });
        for tank in &mut self.tanks {
            tank.feeding_since = if Some(tank.number) == number { Some(at) } else { None };
        }
        feeding
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

    fn feeding(&self, feeds: Feeds, until: Uptime) -> Option<Feeding> {
        let tank = self.tanks.iter().find(|tank| tank.number == feeds.number)?;
        let span = Span { from: feeds.since, to: until };
        Some(Feeding { number: tank.number, span, fills: tank.fills.clone() })
    }

    /// Files a batch that ended, and its corn in the tank that it went to.
    fn ended(&mut self, kettle: usize, batch: Batch) -> Option<BatchRecord> {
        let id = self.next_id;
        self.next_id += 1;
        let source = self.kettles.get_mut(kettle)?;
        let target = core::mem::replace(&mut source.target, Target::NotSeen);
        let number = source.number.take();
        let tank = match target {
            Target::One(number) => Some(number),
            Target::NotSeen | Target::Several => None,
        };
        let filled = self.tanks.iter_mut().find(|candidate| Some(candidate.number) == tank);
        if let (Some(filled), Some(transferred)) = (filled, batch.phase(Phase::Transfer)) {
            filled.fills.push(Fill { batch: id, transferred, corn_kg: self.batch_corn_kg });
        }
        let record = BatchRecord { id, kettle, number, batch, tank };
        self.batches.push(record.clone());
        Some(record)
    }

    /// Each tank that fills while a kettle is pumped out may be where its batch goes.
    fn note_targets(&mut self) {
        let filling: Vec<u16> =
            self.tanks.iter().filter(|tank| tank.is_filling).map(|tank| tank.number).collect();
        for kettle in &mut self.kettles {
            let pumps = kettle.tracker.running().and_then(|batch| batch.phases.last());
            if pumps.is_some_and(|last| last.phase == Phase::Transfer) {
                kettle.target = filling.iter().fold(kettle.target, |target, number| target.or(*number));
            }
        }
    }
}
