//! The reads of one scan as they are asked now: a refused block is split until the bad address stands alone, and what is
//! refused or busy rests.
//!
//! A controller that lacks one address refuses the whole block. The block is halved at once, until the address that is
//! refused is known; the others go on being read. The refused one is asked again once a minute, the whole block after
//! ten minutes: somebody may have loaded another program.

use super::plan::{Block, UnitPlan};
use super::session::ReadFailure;
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;
use tokio::time::Instant;

/// A read that the controller does not serve is asked again after this.
const REFUSED_RESTS: Duration = Duration::from_secs(60);
/// A split block is asked as a whole again after this.
const WHOLE_AGAIN_AFTER: Duration = Duration::from_secs(600);
/// A controller that is busy is left alone for this long at first, and at most for [`BUSY_RESTS_MOST`]: somebody may be
/// typing at its panel.
const BUSY_RESTS: Duration = Duration::from_secs(1);
/// See [`BUSY_RESTS`].
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
pub(super) struct Blocks {
    planned: Vec<Arc<Block>>,
    live: VecDeque<Live>,
    whole_again: Option<Instant>,
}

#[derive(Debug, Clone)]
pub(super) struct Live {
    pub(super) block: Arc<Block>,
    rest: Option<Rest>,
}

#[derive(Debug, Clone)]
struct Rest {
    until: Instant,
    /// How long it rested.
    length: Duration,
    why: ReadFailure,
}

impl Live {
    fn of(block: &Arc<Block>) -> Self {
        Self { block: Arc::clone(block), rest: None }
    }

    /// Why it is not asked at `now`, if it rests.
    pub(super) fn resting(&self, now: Instant) -> Option<&ReadFailure> {
        self.rest.as_ref().filter(|rest| now < rest.until).map(|rest| &rest.why)
    }

    fn rests(&self, length: Duration, why: ReadFailure, now: Instant) -> Self {
        Self { block: Arc::clone(&self.block), rest: Some(Rest { until: now + length, length, why }) }
    }
}

impl Blocks {
    pub(super) fn new(planned: &[Arc<Block>]) -> Self {
        let live = planned.iter().map(Live::of).collect();
        Self { planned: planned.to_vec(), live, whole_again: None }
    }

    /// Begins a scan: what is to be asked, in order.
    pub(super) fn begin(&mut self, now: Instant) -> VecDeque<Live> {
        if self.whole_again.is_some_and(|at| at <= now) {
            *self = Self::new(&self.planned);
        }
        std::mem::take(&mut self.live)
    }

    /// Takes a block that was not asked back as it is.
    pub(super) fn keep(&mut self, live: Live) {
        self.live.push_back(live);
    }

    /// Takes a block back with what it brought; gives the halves to ask now, if it is split, and then nothing is to be
    /// reported of it.
    pub(super) fn judge(
        &mut self,
        live: &Live,
        brought: &Result<Vec<u16>, ReadFailure>,
        unit: &UnitPlan,
        now: Instant,
    ) -> Option<Vec<Live>> {
        let next = match brought {
            Err(why @ ReadFailure::Exception(2 | 3)) => {
                if let Some(halves) = live.block.halves(unit) {
                    self.whole_again = Some(now + WHOLE_AGAIN_AFTER);
                    return Some(halves.iter().map(Live::of).collect());
                }
                live.rests(REFUSED_RESTS, why.clone(), now)
            }
            Err(why @ ReadFailure::Exception(1)) => live.rests(REFUSED_RESTS, why.clone(), now),
            Err(why @ ReadFailure::Exception(5 | 6)) => {
                let before = live.rest.as_ref().map(|rest| rest.length * 2);
                live.rests(before.unwrap_or(BUSY_RESTS).min(BUSY_RESTS_MOST), why.clone(), now)
            }
            Ok(_) | Err(_) => Live::of(&live.block),
        };
        self.live.push_back(next);
        None
    }
}
