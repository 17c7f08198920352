//! Polling: one task and one connection an endpoint, so that no controller delays another's.
//!
//! A task scans its controllers each at its own period, and reports each scan whole: words of the blocks that answered,
//! reasons for those that did not. It decodes nothing and decides nothing about alarms.
//!
//! A task can't be made to wait by another's fault: connecting and each read have their own time limit. Units behind one
//! endpoint share a connection and take turns; a silent one is asked less and less often, so that it does not use up the
//! others' time. Scans that fall due in a pause are reported as failed.

pub mod backoff;
pub mod dial;
pub mod plan;
pub mod session;

use crate::clock::Clock;
use backoff::Backoff;
use dial::Dial;
use plan::{ControllerPlan, EndpointPlan};
use session::{ModbusSession, ReadFailure, RegisterRead as _};
use setward_config::line::ControllerId;
use setward_protocol::{ReadRequest, Uptime, UtcMillis};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::Instant;

/// One scan of one controller.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanReport {
    /// Which controller.
    pub controller: ControllerId,
    /// When the scan was complete: the one time stamp of everything in it.
    pub at: Uptime,
    /// The same in wall time.
    pub utc: UtcMillis,
    /// How long the scan took.
    pub took: Duration,
    /// Requests sent.
    pub requests: u32,
    /// What each block of the plan brought, in the plan's order.
    pub blocks: Vec<Result<Vec<u16>, ReadFailure>>,
}

impl ScanReport {
    /// Whether the controller answered at all: an exception is an answer, a gateway's word that the unit is silent is not.
    #[must_use]
    pub fn answered(&self) -> bool {
        self.blocks.iter().any(|block| block.as_ref().map_or_else(ReadFailure::is_answer, |_| true))
    }

    /// The first failure of the scan.
    #[must_use]
    pub fn failure(&self) -> Option<&ReadFailure> {
        self.blocks.iter().find_map(|block| block.as_ref().err())
    }
}

/// Polls one endpoint until the receiver of its reports is gone.
#[derive(Debug)]
pub struct Poller<D> {
    link: Link<D>,
    units: Vec<Unit>,
    reports: mpsc::Sender<ScanReport>,
    clock: Clock,
}

/// One controller behind the endpoint: when it is asked next, and how it has been answering.
#[derive(Debug)]
struct Unit {
    plan: ControllerPlan,
    due: Instant,
    /// By how much scans after the first lag, so that controllers do not answer all at once.
    phase: Duration,
    served: Option<Instant>,
    pause: Pause,
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
        let unit = |plan: ControllerPlan| Unit {
            due: now,
            phase: plan.poll_every.mul_f64(phase),
            served: None,
            pause: Pause::new(seed ^ u64::from(plan.unit_id), now),
            plan,
        };
        let units = plan.controllers.into_iter().map(unit).collect();
        let link = Link { endpoint: plan.endpoint, dial, clock, session: None, pause: Pause::new(seed, now) };
        Self { link, units, reports, clock }
    }

    /// Polls until nobody listens to the reports.
    pub async fn run(mut self) {
        // Of those due at the same time, the one that has waited longest.
        while let Some(unit) = self.units.iter_mut().min_by_key(|unit| (unit.due, unit.served)) {
            tokio::select! {
                biased;
                () = self.reports.closed() => return,
                () = tokio::time::sleep_until(unit.due) => {}
            }
            let report = unit.scan(&mut self.link, self.clock).await;
            if self.reports.send(report).await.is_err() {
                return;
            }
            unit.advance(self.clock.now());
        }
    }
}

impl Unit {
    async fn scan<D: Dial>(&mut self, link: &mut Link<D>, clock: Clock) -> ScanReport {
        let started = clock.now();
        let mut stamp = (clock.uptime(), clock.utc());
        let mut requests = 0;
        let mut blocks: Vec<Result<Vec<u16>, ReadFailure>> = Vec::with_capacity(self.plan.blocks.len());
        // One lost session costs one time limit, not one a block.
        let mut lost = self.pause.reason_at(started);
        for block in &self.plan.blocks {
            let result = match &lost {
                Some(failure) => Err(failure.clone()),
                None => link.read(&self.plan, block.request, &mut requests).await,
            };
            match &result {
                // The last answer that came dates the scan; a block that times out after it must not.
                Ok(_) => stamp = (clock.uptime(), clock.utc()),
                Err(failure) if failure.keeps_session() => {}
                Err(failure) if lost.is_none() => lost = Some(failure.clone()),
                Err(_) => {}
            }
            blocks.push(result);
        }
        if blocks.iter().all(Result::is_err) {
            stamp = (clock.uptime(), clock.utc());
        }
        if requests > 0 {
            self.pause.judge(lost, clock.now());
        }
        let (at, utc) = stamp;
        ScanReport { controller: self.plan.controller, at, utc, took: started.elapsed(), requests, blocks }
    }

    /// The scan after one that was due and has run: later ones keep their phase, and what was missed is skipped.
    fn advance(&mut self, now: Instant) {
        let first = self.served.replace(now).is_none();
        let every = self.plan.poll_every;
        self.due += every + if first { self.phase } else { Duration::ZERO };
        if self.due < now {
            let behind = now.duration_since(self.due).as_nanos() / every.as_nanos().max(1) + 1;
            self.due += every * u32::try_from(behind).unwrap_or(u32::MAX);
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
        plan: &ControllerPlan,
        request: ReadRequest,
        requests: &mut u32,
    ) -> Result<Vec<u16>, ReadFailure> {
        let session = self.session(plan.answer_within).await?;
        *requests += 1;
        let result = session.read(plan.unit_id, request, plan.answer_within).await;
        if result.as_ref().is_err_and(|failure| !failure.keeps_session()) {
            self.session = None;
        }
        result
    }

    /// The session, connected anew if need be and allowed.
    async fn session(&mut self, within: Duration) -> Result<&mut ModbusSession, ReadFailure> {
        if self.session.is_none() {
            if let Some(reason) = self.pause.reason_at(self.clock.now()) {
                return Err(reason);
            }
            let connected = ModbusSession::connect(&*self.dial, &self.endpoint, within).await;
            self.pause.judge(connected.as_ref().err().cloned(), self.clock.now());
            self.session = Some(connected?);
        }
        self.session.as_mut().ok_or(ReadFailure::Broken)
    }
}
