//! The reads of one scan as they are asked now: a refused block is split until the bad address stands alone, and what is
//! refused or busy rests.
//!
//! A controller that lacks one address refuses the whole block (exception 02). The block is halved at once, until the
//! address that is refused is known; the others go on being read. The refused one is asked again ever more slowly, and
//! the block is put together again when it answers, or after ten minutes: somebody may have loaded another program. A
//! block of which nothing at all is answered is not a hole but a controller that is not ready: it stays whole.
//!
//! Exceptions 01 and 03 say that the file is wrong about the controller: the block rests as a refused address does. Busy
//! (05, 06) rests shorter. A device failure (04) is asked about again with the next scan.

use super::plan::{Block, UnitPlan};
use super::session::ReadFailure;
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;
use tokio::time::Instant;

/// A read that the controller does not serve rests for this long at first, then twice as long each time.
const REFUSED_RESTS: Duration = Duration::from_secs(5);
/// And at most for this long.
const REFUSED_RESTS_MOST: Duration = Duration::from_secs(60);
/// A split block is asked as a whole again after this.
const WHOLE_AGAIN_AFTER: Duration = Duration::from_secs(600);
/// A controller that is busy is left alone for this long at first, then twice as long each time.
const BUSY_RESTS: Duration = Duration::from_secs(1);
/// And at most for this long: somebody may be typing at its panel.
const BUSY_RESTS_MOST: Duration = Duration::from_secs(15);

/// What one read brought.
#[derive(Debug, Clone, PartialEq)]
pub struct BlockReport {
    /// The read.
    pub block: Arc<Block>,
    /// Its words, or why there are none.
    pub words: Result<Vec<u16>, ReadFailure>,
}

/// The reads of one scan.
#[derive(Debug)]
pub(super) struct Blocks(Vec<Planned>);

/// A read as it was planned, and what is asked in its place.
#[derive(Debug)]
struct Planned {
    whole: Arc<Block>,
    /// Itself, or the pieces it has been split into.
    pieces: Vec<Live>,
    /// When it is put together again, if it is split.
    whole_again: Option<Instant>,
    /// Whether it was split in the scan that is under way.
    split_now: bool,
}

/// A read, and whether it rests.
#[derive(Debug, Clone)]
pub(super) struct Live {
    pub(super) block: Arc<Block>,
    /// Which of the planned reads it is, or is a piece of.
    planned: usize,
    rest: Option<Rest>,
    answered: bool,
}

#[derive(Debug, Clone)]
struct Rest {
    until: Instant,
    /// How long it rests.
    length: Duration,
    why: ReadFailure,
}

/// What becomes of a read that has ended.
#[derive(Debug)]
pub(super) enum Verdict {
    /// It stands as it is.
    Report,
    /// These are asked in its place, now.
    Split(Vec<Live>),
}

impl Live {
    fn new(planned: usize, block: Arc<Block>) -> Self {
        Self { block, planned, rest: None, answered: false }
    }

    /// Why it is not asked at `now`, if it rests.
    pub(super) fn resting(&self, now: Instant) -> Option<&ReadFailure> {
        self.rest.as_ref().filter(|rest| now < rest.until).map(|rest| &rest.why)
    }

    /// The same, resting: `first`, or twice as long as before, up to `most`.
    fn rests(&self, first: Duration, most: Duration, why: &ReadFailure, now: Instant) -> Self {
        let length = self.rest.as_ref().map_or(first, |before| (before.length * 2).clamp(first, most));
        let rest = Some(Rest { until: now + length, length, why: why.clone() });
        Self { block: Arc::clone(&self.block), planned: self.planned, rest, answered: false }
    }

    /// Splitting costs many requests: what is known to be refused in all its pieces is split only once a minute.
    fn may_be_split(&self) -> bool {
        let known = self.rest.as_ref().filter(|rest| rest.why == ReadFailure::Exception(2));
        known.is_none_or(|rest| rest.length >= REFUSED_RESTS_MOST)
    }
}

impl Blocks {
    pub(super) fn new(planned: &[Arc<Block>]) -> Self {
        let planned = planned.iter().enumerate().map(|(index, whole)| Planned {
            whole: Arc::clone(whole),
            pieces: vec![Live::new(index, Arc::clone(whole))],
            whole_again: None,
            split_now: false,
        });
        Self(planned.collect())
    }

    /// Begins a scan: what is to be asked, in order.
    pub(super) fn begin(&mut self, now: Instant) -> VecDeque<Live> {
        let mut to_ask = VecDeque::new();
        for (index, planned) in self.0.iter_mut().enumerate() {
            planned.split_now = false;
            if planned.whole_again.is_some_and(|at| at <= now) {
                planned.whole_again = None;
                planned.pieces = vec![Live::new(index, Arc::clone(&planned.whole))];
            }
            to_ask.extend(planned.pieces.drain(..));
        }
        to_ask
    }

    /// Takes a block back as it is.
    pub(super) fn keep(&mut self, live: Live) {
        if let Some(planned) = self.0.get_mut(live.planned) {
            planned.pieces.push(live);
        }
    }

    /// Takes a block back with what it brought.
    pub(super) fn judge(
        &mut self,
        live: &Live,
        brought: &Result<Vec<u16>, ReadFailure>,
        unit: &UnitPlan,
        now: Instant,
    ) -> Verdict {
        let Some(planned) = self.0.get_mut(live.planned) else { return Verdict::Report };
        let next = match brought {
            Err(why @ ReadFailure::Exception(2)) => {
                if let Some(halves) = live.block.halves(unit).filter(|_| live.may_be_split()) {
                    planned.split_now = true;
                    let half = |block| Live { rest: live.rest.clone(), ..Live::new(live.planned, block) };
                    return Verdict::Split(halves.into_iter().map(half).collect());
                }
                live.rests(REFUSED_RESTS, REFUSED_RESTS_MOST, why, now)
            }
            Err(why @ ReadFailure::Exception(1 | 3)) => {
                live.rests(REFUSED_RESTS, REFUSED_RESTS_MOST, why, now)
            }
            Err(why @ ReadFailure::Exception(5 | 6)) => live.rests(BUSY_RESTS, BUSY_RESTS_MOST, why, now),
            Ok(_) => {
                if live.rest.is_some() && planned.whole_again.is_some() {
                    // What was refused is there now.
                    planned.whole_again = Some(now);
                }
                Live { answered: true, ..Live::new(live.planned, Arc::clone(&live.block)) }
            }
            Err(_) => Live::new(live.planned, Arc::clone(&live.block)),
        };
        planned.pieces.push(next);
        Verdict::Report
    }

    /// Ends a scan in which everything has been taken back.
    pub(super) fn end(&mut self, now: Instant) {
        for (index, planned) in self.0.iter_mut().enumerate().filter(|(_, planned)| planned.split_now) {
            planned.whole_again = Some(now + WHOLE_AGAIN_AFTER);
            let nothing_answered = !planned.pieces.iter().any(|piece| piece.answered);
            let refused = planned.pieces.iter().find(|piece| piece.rest.is_some());
            if let Some(refused) = refused.filter(|_| nothing_answered).cloned() {
                planned.whole_again = None;
                planned.pieces = vec![Live { block: Arc::clone(&planned.whole), planned: index, ..refused }];
            }
        }
    }
}
