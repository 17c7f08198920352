//! The connection to an endpoint: made when it is needed, given up when it can't be trusted, and not made too often.
//!
//! Many controllers serve few connections. So one that is given up is closed in order (FIN) and the next is dialled a
//! second later, when the controller has had time to notice. One that the other end has closed may be replaced at once;
//! so may one to a gateway, whose other units must not wait for the silent one.
//! Failures make the waits longer, and only an answer makes them short again: a controller that has run out of
//! connections accepts one and then says nothing.

use super::backoff::Backoff;
use super::dial::Dial;
use super::plan::UnitPlan;
use super::session::{ModbusSession, ReadFailure, RegisterRead as _};
use crate::clock::Clock;
use setward_protocol::ReadRequest;
use std::sync::Arc;
use std::time::Duration;
use tokio::time::Instant;

/// After closing a connection to a single controller the next is not dialled sooner.
const REDIAL_AFTER: Duration = Duration::from_secs(1);

/// The connection to the endpoint.
#[derive(Debug)]
pub(super) struct Link<D> {
    endpoint: String,
    dial: Arc<D>,
    clock: Clock,
    open: Option<Open>,
    /// Whether several units share the connection.
    is_gateway: bool,
    /// When a connection was last closed from this end.
    closed: Option<Instant>,
    /// When the last exchange ended.
    last: Option<Instant>,
    retry: Retry,
    random: fastrand::Rng,
}

/// A connection that stands.
#[derive(Debug)]
struct Open {
    session: ModbusSession,
    /// Whether anything has been answered on it.
    proven: bool,
}

/// Whether to try, or to wait a little after a failure.
#[derive(Debug)]
pub(super) struct Retry {
    backoff: Backoff,
    /// Whether the last attempt brought a good reply: then one failure costs no wait.
    proven: bool,
    until: Instant,
    reason: Option<ReadFailure>,
}

impl Retry {
    pub(super) fn new(seed: u64, now: Instant) -> Self {
        Self { backoff: Backoff::new(seed), proven: false, until: now, reason: None }
    }

    /// Why not to try at `now`, if so.
    pub(super) fn reason_at(&self, now: Instant) -> Option<ReadFailure> {
        self.reason.clone().filter(|_| now < self.until)
    }

    /// An attempt has ended, well or with `failure`.
    pub(super) fn judge(&mut self, failure: Option<ReadFailure>, now: Instant) {
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
    pub(super) fn new(endpoint: String, is_gateway: bool, dial: Arc<D>, clock: Clock, seed: u64) -> Self {
        let retry = Retry::new(seed, clock.now());
        let random = fastrand::Rng::with_seed(seed);
        Self { endpoint, is_gateway, dial, clock, open: None, closed: None, last: None, retry, random }
    }

    /// Whether the connection has brought an answer already.
    pub(super) fn is_proven(&self) -> bool {
        self.open.as_ref().is_some_and(|open| open.proven)
    }

    /// One read of one unit. Counts into `requests` what was sent.
    pub(super) async fn read(
        &mut self,
        unit: &UnitPlan,
        request: ReadRequest,
        requests: &mut u32,
    ) -> Result<Vec<u16>, ReadFailure> {
        self.see_to_it_that_it_is_open(unit.answer_within).await?;
        if let Some(last) = self.last.filter(|_| !unit.pause.is_zero()) {
            tokio::time::sleep_until(last + unit.pause).await;
        }
        let Some(open) = &mut self.open else { return Err(ReadFailure::Broken) };
        *requests += 1;
        let result = open.session.read(unit.unit_id, request, unit.answer_within).await;
        let now = self.clock.now();
        self.last = Some(now);
        match &result {
            Ok(_) | Err(ReadFailure::Exception(_)) => {
                open.proven = true;
                self.retry.judge(None, now);
            }
            Err(failure) => self.close(failure).await,
        }
        result
    }

    async fn see_to_it_that_it_is_open(&mut self, within: Duration) -> Result<(), ReadFailure> {
        if self.open.is_some() {
            return Ok(());
        }
        if let Some(reason) = self.retry.reason_at(self.clock.now()) {
            return Err(reason);
        }
        if let Some(closed) = self.closed.take().filter(|_| !self.is_gateway) {
            tokio::time::sleep_until(closed + REDIAL_AFTER).await;
        }
        let first = self.random.u16(..);
        match ModbusSession::connect(&*self.dial, &self.endpoint, within, first).await {
            Ok(session) => {
                self.open = Some(Open { session, proven: false });
                Ok(())
            }
            Err(failure) => {
                self.retry.judge(Some(failure.clone()), self.clock.now());
                Err(failure)
            }
        }
    }

    async fn close(&mut self, failure: &ReadFailure) {
        let Some(open) = self.open.take() else { return };
        if *failure == ReadFailure::Broken {
            // Accepted and closed without an answer is as good as refused. The silence of a unit is that unit's own.
            if !open.proven {
                self.retry.judge(Some(ReadFailure::Broken), self.clock.now());
            }
        } else {
            open.session.close().await;
            self.closed = Some(self.clock.now());
        }
    }
}
