//! Polling: one task and one connection an endpoint, so that no controller delays another's.
//!
//! A task scans its controllers, each poll period by itself, and reports each scan whole: words of the blocks that
//! answered, reasons for those that did not. It decodes nothing and decides nothing about alarms.
//!
//! A task can't be made to wait by another's fault: connecting and each read have their own time limit. Units behind one
//! endpoint share a connection and take turns; a silent one is asked less and less often, so that it does not use up the
//! others' time. Scans that fall due in a pause are reported as failed.

pub mod backoff;
pub mod blocks;
pub mod dial;
pub mod guard;
pub mod plan;
pub mod session;

use crate::clock::Clock;
use backoff::Backoff;
use blocks::{BlockReport, Blocks};
use dial::Dial;
use plan::{EndpointPlan, ScanPlan, UnitPlan};
use session::{ModbusSession, ReadFailure, RegisterRead as _};
use setward_config::line::ControllerId;
use setward_protocol::{ReadRequest, Uptime, UtcMillis};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::Instant;

/// One scan of one controller: all its signals with one poll period.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanReport {
    /// Which controller.
    pub controller: ControllerId,
    /// How often this scan is due.
    pub poll_every: Duration,
    /// When the scan was complete: the one time stamp of everything in it.
    pub at: Uptime,
    /// The same in wall time.
    pub utc: UtcMillis,
    /// How long the scan took.
    pub took: Duration,
    /// Scans that were due before it and had to be left out.
    pub skipped: u32,
    /// Requests sent.
    pub requests: u32,
    /// What each block brought.
    pub blocks: Vec<BlockReport>,
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
}

/// One controller behind the endpoint: how it has been answering.
#[derive(Debug)]
struct Unit {
    plan: UnitPlan,
    pause: Pause,
}

/// One scan of a unit: when it is due next, and what is asked in it.
#[derive(Debug)]
struct Scan {
    /// Its place in the list of units.
    unit: usize,
    poll_every: Duration,
    due: Instant,
    /// By how much scans after the first lag, so that controllers do not answer all at once.
    phase: Duration,
    served: Option<Instant>,
    skipped: u32,
    blocks: Blocks,
}

/// Whether to try, or to wait a little after a failure.
#[derive(Debug)]
struct Pause {
    backoff: Backoff,
    /// Whether the last attempt brought a good reply: then one failure costs no pause.
    proven: bool,
    until: Instant,
    reason: Option<ReadFailure>,
}

/// The connection to the endpoint.
#[derive(Debug)]
struct Link<D> {
    endpoint: String,
    dial: Arc<D>,
    clock: Clock,
    session: Option<ModbusSession>,
    /// When the last exchange ended.
    last: Option<Instant>,
    pause: Pause,
}

impl<D: Dial> Poller<D> {
    /// A poller for `plan` that sends its reports to `reports`. `phase` is the share of a period by which its scans lag
    /// after the first, 0 to 1.
    #[must_use]
    pub fn new(
        plan: EndpointPlan,
        dial: Arc<D>,
        clock: Clock,
        reports: mpsc::Sender<ScanReport>,
        phase: f64,
    ) -> Self {
        let seed = plan.endpoint.bytes().fold(0, |seed: u64, byte| seed.rotate_left(8) ^ u64::from(byte));
        let now = clock.now();
        let scans =
            plan.units.iter().enumerate().flat_map(|(unit, plan)| {
                plan.scans.iter().map(move |scan| Scan::new(unit, scan, now, phase))
            });
        let scans = scans.collect();
        let unit = |plan: UnitPlan| Unit { pause: Pause::new(seed ^ u64::from(plan.unit_id), now), plan };
        let units = plan.units.into_iter().map(unit).collect();
        let link = Link {
            endpoint: plan.endpoint,
            dial,
            clock,
            session: None,
            last: None,
            pause: Pause::new(seed, now),
        };
        Self { link, units, scans, reports, clock }
    }

    /// Polls until nobody listens to the reports.
    pub async fn run(mut self) {
        // Of those due at the same time, the one that has waited longest.
        while let Some(scan) = self.scans.iter_mut().min_by_key(|scan| (scan.due, scan.served)) {
            tokio::select! {
                biased;
                () = self.reports.closed() => return,
                () = tokio::time::sleep_until(scan.due) => {}
            }
            let Some(unit) = self.units.get_mut(scan.unit) else { return };
            let report = scan.run(unit, &mut self.link, self.clock).await;
            if self.reports.send(report).await.is_err() {
                return;
            }
            scan.advance(self.clock.now());
        }
        // Nothing to ask here: wait until nobody listens.
        self.reports.closed().await;
    }
}

impl Scan {
    fn new(unit: usize, plan: &ScanPlan, now: Instant, phase: f64) -> Self {
        Self {
            unit,
            poll_every: plan.poll_every,
            due: now,
            phase: plan.poll_every.mul_f64(phase),
            served: None,
            skipped: 0,
            blocks: Blocks::new(&plan.blocks),
        }
    }

    async fn run<D: Dial>(&mut self, unit: &mut Unit, link: &mut Link<D>, clock: Clock) -> ScanReport {
        let started = clock.now();
        let mut stamp = (clock.uptime(), clock.utc());
        let mut requests = 0;
        let mut reports: Vec<BlockReport> = Vec::new();
        // One lost session costs one time limit, not one a block.
        let mut lost = unit.pause.reason_at(started);
        let mut to_ask = self.blocks.begin(started);
        while let Some(live) = to_ask.pop_front() {
            let waits = lost.as_ref().or_else(|| live.resting(started));
            if let Some(why) = waits {
                reports.push(BlockReport { block: Arc::clone(&live.block), words: Err(why.clone()) });
                self.blocks.keep(live);
                continue;
            }
            let words = link.read(&unit.plan, live.block.request, &mut requests).await;
            match &words {
                // The last answer that came dates the scan; a block that times out after it must not.
                Ok(_) => stamp = (clock.uptime(), clock.utc()),
                Err(failure) if failure.is_answer() => {}
                Err(failure) => lost = Some(failure.clone()),
            }
            match self.blocks.judge(&live, &words, &unit.plan, clock.now()) {
                Some(halves) => halves.into_iter().rev().for_each(|half| to_ask.push_front(half)),
                None => reports.push(BlockReport { block: live.block, words }),
            }
        }
        if reports.iter().all(|block| block.words.is_err()) {
            stamp = (clock.uptime(), clock.utc());
        }
        if requests > 0 {
            unit.pause.judge(lost, clock.now());
        }
        let (at, utc) = stamp;
        ScanReport {
            controller: unit.plan.controller,
            poll_every: self.poll_every,
            at,
            utc,
            took: started.elapsed(),
            skipped: std::mem::take(&mut self.skipped),
            requests,
            blocks: reports,
        }
    }

    /// The scan after one that was due and has run: later ones keep their phase, and what was missed is skipped.
    fn advance(&mut self, now: Instant) {
        let first = self.served.replace(now).is_none();
        let every = self.poll_every;
        self.due += every + if first { self.phase } else { Duration::ZERO };
        if self.due < now {
            let behind = now.duration_since(self.due).as_nanos() / every.as_nanos().max(1) + 1;
            let behind = u32::try_from(behind).unwrap_or(u32::MAX);
            self.due += every * behind;
            self.skipped = behind;
        }
    }
}

impl Pause {
    fn new(seed: u64, now: Instant) -> Self {
        Self { backoff: Backoff::new(seed), proven: false, until: now, reason: None }
    }

    /// Why not to try at `now`, if so.
    fn reason_at(&self, now: Instant) -> Option<ReadFailure> {
        self.reason.clone().filter(|_| now < self.until)
    }

    /// An attempt has ended, well or with `failure`.
    fn judge(&mut self, failure: Option<ReadFailure>, now: Instant) {
        match failure {
            None => {
                self.backoff.succeeded();
                (self.proven, self.reason) = (true, None);
            }
            Some(failure) => {
                // What worked a moment ago is tried again at once; what goes on failing has to wait its turn.
                self.until = if self.proven { now } else { now + self.backoff.failed() };
                (self.proven, self.reason) = (false, Some(failure));
            }
        }
    }
}

impl<D: Dial> Link<D> {
    async fn read(
        &mut self,
        unit: &UnitPlan,
        request: ReadRequest,
        requests: &mut u32,
    ) -> Result<Vec<u16>, ReadFailure> {
        self.session(unit.answer_within).await?;
        if let Some(last) = self.last.filter(|_| !unit.pause.is_zero()) {
            tokio::time::sleep_until(last + unit.pause).await;
        }
        let Some(session) = &mut self.session else { return Err(ReadFailure::Broken) };
        *requests += 1;
        let result = session.read(unit.unit_id, request, unit.answer_within).await;
        self.last = Some(self.clock.now());
        if result.as_ref().is_err_and(|failure| !failure.keeps_session()) {
            self.session = None;
        }
        result
    }

    /// Sees to it that there is a session, connected anew if need be and allowed.
    async fn session(&mut self, within: Duration) -> Result<(), ReadFailure> {
        if self.session.is_none() {
            if let Some(reason) = self.pause.reason_at(self.clock.now()) {
                return Err(reason);
            }
            let connected = ModbusSession::connect(&*self.dial, &self.endpoint, within).await;
            self.pause.judge(connected.as_ref().err().cloned(), self.clock.now());
            self.session = Some(connected?);
        }
        Ok(())
    }
}
