//! Polling: one task and one connection an endpoint, so that no controller delays another's.
//!
//! A task scans its controllers each at its own period, and reports each scan whole: words of the blocks that answered,
//! reasons for those that did not. It decodes nothing and decides nothing about alarms.
//!
//! A task can't be made to wait by another's fault: connecting and each read have their own time limit, and the pause
//! after a failed connection is slept while the scans that fall due meanwhile are reported as failed.

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
    /// The first failure of the scan.
    #[must_use]
    pub fn failure(&self) -> Option<&ReadFailure> {
        self.blocks.iter().find_map(|block| block.as_ref().err())
    }
}

/// Polls one endpoint until the receiver of its reports is gone.
#[derive(Debug)]
pub struct Poller<D> {
    plan: EndpointPlan,
    dial: Arc<D>,
    clock: Clock,
    reports: mpsc::Sender<ScanReport>,
    session: Option<ModbusSession>,
    /// Whether the present session has brought a good reply.
    proven: bool,
    backoff: Backoff,
    /// Not before this is another connection tried.
    retry_at: Instant,
    /// The last failure to connect, while waiting to try again.
    last_failure: ReadFailure,
}

/// When a controller is scanned next. The first scan of all is at once; after it the phases are spread.
#[derive(Debug, Clone, Copy)]
struct Due {
    at: Instant,
    phase: Duration,
    first: bool,
}

impl Due {
    /// The scan after one that was due and ran now: later ones keep their phase, and what was missed is skipped.
    fn advance(&mut self, every: Duration, now: Instant) {
        self.at += every + if std::mem::take(&mut self.first) { self.phase } else { Duration::ZERO };
        if self.at < now {
            let behind = now.duration_since(self.at).as_nanos() / every.as_nanos().max(1) + 1;
            self.at += every * u32::try_from(behind).unwrap_or(u32::MAX);
        }
    }
}

impl<D: Dial> Poller<D> {
    /// A poller for `plan` that sends its reports to `reports`.
    #[must_use]
    pub fn new(plan: EndpointPlan, dial: Arc<D>, clock: Clock, reports: mpsc::Sender<ScanReport>) -> Self {
        let seed = plan.endpoint.bytes().fold(0, |seed: u64, byte| seed.rotate_left(8) ^ u64::from(byte));
        Self {
            plan,
            dial,
            clock,
            reports,
            session: None,
            proven: false,
            backoff: Backoff::new(seed),
            retry_at: Instant::now(),
            last_failure: ReadFailure::Refused,
        }
    }

    /// Polls until nobody listens to the reports. `phase` is the share of a period by which scans lag, 0 to 1.
    pub async fn run(mut self, phase: f64) {
        let start = Instant::now();
        let controllers = self.plan.controllers.clone();
        let mut due: Vec<Due> = controllers
            .iter()
            .map(|controller| Due { at: start, phase: controller.poll_every.mul_f64(phase), first: true })
            .collect();
        loop {
            let Some(index) = (0..due.len()).min_by_key(|index| due.get(*index).map(|due| due.at)) else {
                return;
            };
            let (Some(controller), Some(next)) = (controllers.get(index), due.get_mut(index)) else { return };
            tokio::select! {
                biased;
                () = self.reports.closed() => return,
                () = tokio::time::sleep_until(next.at) => {}
            }
            let report = self.scan(controller).await;
            if self.reports.send(report).await.is_err() {
                return;
            }
            next.advance(controller.poll_every, Instant::now());
        }
    }

    async fn scan(&mut self, controller: &ControllerPlan) -> ScanReport {
        let started = Instant::now();
        let mut requests = 0;
        let mut blocks: Vec<Result<Vec<u16>, ReadFailure>> = Vec::with_capacity(controller.blocks.len());
        let mut lost = None;
        for block in &controller.blocks {
            let result = match &lost {
                // One lost session costs one time limit, not one a block.
                Some(failure) => Err(ReadFailure::clone(failure)),
                None => self.read(controller, block.request, &mut requests).await,
            };
            if let Err(failure) = &result
                && !failure.keeps_session()
            {
                lost.get_or_insert_with(|| failure.clone());
            }
            blocks.push(result);
        }
        ScanReport {
            controller: controller.controller,
            at: self.clock.uptime(),
            utc: self.clock.utc(),
            took: started.elapsed(),
            requests,
            blocks,
        }
    }

    async fn read(
        &mut self,
        controller: &ControllerPlan,
        request: ReadRequest,
        requests: &mut u32,
    ) -> Result<Vec<u16>, ReadFailure> {
        let session = self.session(controller.answer_within).await?;
        *requests += 1;
        let result = session.read(controller.unit_id, request, controller.answer_within).await;
        self.judge(&result);
        result
    }

    /// The session, connected anew if need be and allowed.
    async fn session(&mut self, within: Duration) -> Result<&mut ModbusSession, ReadFailure> {
        if self.session.is_none() {
            if Instant::now() < self.retry_at {
                return Err(self.last_failure.clone());
            }
            match ModbusSession::connect(&*self.dial, &self.plan.endpoint, within).await {
                Ok(session) => {
                    self.session = Some(session);
                    self.proven = false;
                }
                Err(failure) => {
                    self.pause_after(&failure);
                    return Err(failure);
                }
            }
        }
        self.session.as_mut().ok_or(ReadFailure::Broken)
    }

    /// Keeps or drops the session by what a read brought.
    fn judge(&mut self, result: &Result<Vec<u16>, ReadFailure>) {
        match result {
            Ok(_) => self.prove(),
            Err(failure) if failure.keeps_session() => self.prove(),
            Err(failure) => {
                self.session = None;
                // A session that worked is made anew with the next scan; one that never did has to wait its turn.
                if !self.proven {
                    self.pause_after(failure);
                }
            }
        }
    }

    fn prove(&mut self) {
        self.proven = true;
        self.backoff.succeeded();
    }

    fn pause_after(&mut self, failure: &ReadFailure) {
        self.retry_at = Instant::now() + self.backoff.failed();
        self.last_failure = failure.clone();
    }
}
