//! Polling: one task and one connection an endpoint, so that no controller delays another's.
//!
//! A task scans its controllers, each poll period by itself, and reports each scan whole: words of the blocks that
//! answered, reasons for those that did not. It decodes nothing and decides nothing about alarms.
//!
//! A task can't be made to wait by another's fault: connecting and each read have their own time limit. Units behind one
//! endpoint share a connection and take turns, one request each, so that a unit with much to say does not make the others
//! late. A silent unit is asked less and less often. Scans that fall due in such a rest are reported as failed.

pub mod backoff;
pub mod blocks;
pub mod dial;
pub mod guard;
mod link;
pub mod plan;
mod scan;
pub mod session;

use crate::clock::Clock;
use blocks::BlockReport;
use dial::Dial;
use link::{Link, Retry};
use plan::{EndpointPlan, UnitPlan};
use scan::Scan;
use session::ReadFailure;
use setward_config::line::ControllerId;
use setward_protocol::{ReadRequest, Uptime, UtcMillis};
use std::cmp::Reverse;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;

/// A scan that begins more than this many periods after the one before it is late: samples further apart than that do
/// not count as joined.
const LATE_AFTER_PERIODS: u32 = 3;

/// One scan of one controller: all its signals with one poll period.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanReport {
    /// Which controller.
    pub controller: ControllerId,
    /// How often this scan is due: names the group of signals together with the controller.
    pub poll_every: Duration,
    /// When the scan was complete: the one time stamp of everything in it.
    pub at: Uptime,
    /// The same in wall time.
    pub utc: UtcMillis,
    /// How long the scan took.
    pub took: Duration,
    /// Time since the scan of this group before it began; `None` for the first.
    pub achieved: Option<Duration>,
    /// Scans that were due before it and had to be left out.
    pub skipped: u32,
    /// Requests sent.
    pub requests: u32,
    /// What each block brought.
    pub blocks: Vec<BlockReport>,
    /// Reads that were refused as a whole in this scan and have been split to find out why.
    pub split: Vec<ReadRequest>,
}

impl ScanReport {
    /// Whether the controller answered at all: an exception is an answer, a gateway's word that the unit is silent is not.
    #[must_use]
    pub fn answered(&self) -> bool {
        self.blocks.iter().any(|block| block.words.as_ref().map_or_else(ReadFailure::is_answer, |_| true))
    }

    /// Whether it brought any words.
    #[must_use]
    pub fn brought_words(&self) -> bool {
        self.blocks.iter().any(|block| block.words.is_ok())
    }

    /// Whether more than three periods lie between this scan and the one before: its signals have a gap.
    #[must_use]
    pub fn is_late(&self) -> bool {
        self.achieved.is_some_and(|achieved| achieved > self.poll_every * LATE_AFTER_PERIODS)
    }

    /// The first failure of the scan, and the block that failed.
    #[must_use]
    pub fn failure(&self) -> Option<(&BlockReport, &ReadFailure)> {
        self.blocks.iter().find_map(|block| Some((block, block.words.as_ref().err()?)))
    }
}

/// Polls one endpoint until the receiver of its reports is gone.
#[derive(Debug)]
pub struct Poller<D> {
    link: Link<D>,
    units: Vec<Unit>,
    scans: Vec<Scan>,
    reports: mpsc::Sender<ScanReport>,
    clock: Clock,
    /// Turns given so far.
    turns: u64,
}

/// One controller behind the endpoint: how it has been answering.
#[derive(Debug)]
struct Unit {
    plan: UnitPlan,
    retry: Retry,
    /// Its latest turn on the connection.
    turn: u64,
}

impl<D: Dial> Poller<D> {
    /// A poller for `plan` that sends its reports to `reports`.
    #[must_use]
    pub fn new(plan: EndpointPlan, dial: Arc<D>, clock: Clock, reports: mpsc::Sender<ScanReport>) -> Self {
        let seed = plan.endpoint.bytes().fold(0, |seed: u64, byte| seed.rotate_left(8) ^ u64::from(byte));
        let now = clock.now();
        let units = plan.units.iter().enumerate();
        let scans =
            units.flat_map(|(index, unit)| unit.scans.iter().map(move |scan| Scan::new(index, scan, now)));
        let scans = scans.collect();
        let unit =
            |plan: UnitPlan| Unit { retry: Retry::new(seed ^ u64::from(plan.unit_id), now), plan, turn: 0 };
        let is_gateway = plan.units.len() > 1;
        let units = plan.units.into_iter().map(unit).collect();
        Self {
            link: Link::new(plan.endpoint, is_gateway, dial, clock, seed),
            units,
            scans,
            reports,
            clock,
            turns: 0,
        }
    }

    /// Polls until nobody listens to the reports.
    pub async fn run(mut self) {
        while let Some(due) = self.scans.iter().map(Scan::wants_turn_at).min() {
            // A timer that is due already would still wait for the next whole millisecond, at every block of a scan.
            if due > self.clock.now() {
                tokio::select! {
                    biased;
                    () = self.reports.closed() => return,
                    () = tokio::time::sleep_until(due) => {}
                }
            } else if self.reports.is_closed() {
                return;
            }
            if let Some(report) = self.take_turn().await
                && self.reports.send(report).await.is_err()
            {
                return;
            }
        }
        // Nothing to ask here: wait until nobody listens.
        self.reports.closed().await;
    }

    /// One request of the unit that has waited longest; its report, if that was the last of its scan.
    async fn take_turn(&mut self) -> Option<ScanReport> {
        let now = self.clock.now();
        let ready = self.scans.iter_mut().filter(|scan| scan.wants_turn_at() <= now);
        // A scan under way goes on before another of its unit begins: everything in it has one time stamp.
        let order = |scan: &&mut Scan| {
            let turn = self.units.get(scan.unit).map(|unit| unit.turn);
            (turn, Reverse(scan.is_under_way()), scan.wants_turn_at())
        };
        let scan = ready.min_by_key(order)?;
        let unit = self.units.get_mut(scan.unit)?;
        self.turns += 1;
        unit.turn = self.turns;
        scan.take_turn(unit, &mut self.link, self.clock).await
    }
}
