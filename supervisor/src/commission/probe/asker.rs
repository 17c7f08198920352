//! Reads one controller politely: one connection, one request at a time, a rest after each reply, and never faster than
//! [`FASTEST_PER_S`] requests a second. Reads only, through the poller's own session.
//!
//! It keeps what an integrator wants to know of the controller: how long replies took, and the shortest rest that was
//! kept.

use crate::clock::Clock;
use crate::poll::dial::Dial;
use crate::poll::session::{ModbusSession, ReadFailure, RegisterRead as _};
use serde::Serialize;
use setward_protocol::{ReadRequest, Table};
use std::time::Duration;
use tokio::time::Instant;

/// The most requests a second that are ever sent to a controller.
pub const FASTEST_PER_S: u32 = 20;
/// The least rest between a reply and the next request.
pub const LEAST_REST: Duration = Duration::from_millis(1000 / FASTEST_PER_S as u64);
/// After closing a connection the next is not dialled sooner: many controllers serve one at a time.
const REDIAL_AFTER: Duration = Duration::from_secs(1);
/// So many reads in a row without an answer, and the controller is left alone.
const SILENT_READS: u32 = 3;

/// Whom to ask, and how.
#[derive(Debug, Clone)]
pub struct Whom {
    /// `host:port`.
    pub endpoint: String,
    /// Modbus unit id.
    pub unit_id: u8,
    /// How long a reply may take.
    pub within: Duration,
    /// Rest between a reply and the next request; [`LEAST_REST`] if it is shorter.
    pub rest: Duration,
}

/// What was measured of a controller.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Measured {
    /// Requests that were sent.
    pub requests: u32,
    /// Requests that brought no answer at all.
    pub without_answer: u32,
    /// Median time from a request to its reply, ms.
    pub reply_median_ms: Option<f64>,
    /// Longest, ms.
    pub reply_longest_ms: Option<f64>,
    /// Shortest rest between a reply and the next request, ms. The controller kept up with that; shorter was not tried.
    pub shortest_rest_ms: Option<f64>,
}

/// Asks one controller.
pub struct Asker<'a> {
    dial: &'a dyn Dial,
    clock: Clock,
    whom: Whom,
    session: Option<ModbusSession>,
    /// When the last exchange ended, and whether its connection still stands.
    ended: Option<Instant>,
    closed: Option<Instant>,
    silent: u32,
    /// Why the last read brought nothing at all.
    failure: Option<ReadFailure>,
    replies_ms: Vec<f64>,
    shortest_rest: Option<Duration>,
    requests: u32,
    without_answer: u32,
}

impl std::fmt::Debug for Asker<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Asker").field("whom", &self.whom).finish_non_exhaustive()
    }
}

impl<'a> Asker<'a> {
    /// Connects with the first read.
    #[must_use]
    pub fn new(dial: &'a dyn Dial, clock: Clock, whom: Whom) -> Self {
        Self {
            dial,
            clock,
            whom: Whom { rest: whom.rest.max(LEAST_REST), ..whom },
            session: None,
            ended: None,
            closed: None,
            silent: 0,
            failure: None,
            replies_ms: Vec::new(),
            shortest_rest: None,
            requests: 0,
            without_answer: 0,
        }
    }

    /// Whether it has been silent so often that it is left alone.
    #[must_use]
    pub const fn has_given_up(&self) -> bool {
        self.silent >= SILENT_READS
    }

    /// One read.
    ///
    /// # Errors
    /// Why nothing came; the same again, without a request, once it has been silent too often.
    pub async fn read(&mut self, request: ReadRequest) -> Result<Vec<u16>, ReadFailure> {
        if self.has_given_up()
            && let Some(failure) = &self.failure
        {
            return Err(failure.clone());
        }
        let words = self.exchange(request).await;
        self.failure = words.as_ref().err().filter(|failure| !failure.is_answer()).cloned();
        match &words {
            Ok(_) | Err(ReadFailure::Exception(_)) => self.silent = 0,
            Err(ReadFailure::Refused | ReadFailure::Unreachable(_)) => self.silent = SILENT_READS,
            Err(
                ReadFailure::NoReply(_)
                | ReadFailure::Broken
                | ReadFailure::NotModbus
                | ReadFailure::NotOurAnswer
                | ReadFailure::OtherDevice { .. }
                | ReadFailure::WrongUnit { .. }
                | ReadFailure::WrongLength { .. },
            ) => {
                self.silent += 1;
                self.without_answer += 1;
            }
        }
        words
    }

    async fn exchange(&mut self, request: ReadRequest) -> Result<Vec<u16>, ReadFailure> {
        let mut session = match self.session.take() {
            Some(session) => session,
            None => self.connect().await?,
        };
        if let Some(ended) = self.ended {
            tokio::time::sleep_until(ended + self.whom.rest).await;
        }
        let sent = self.clock.now();
        if let Some(ended) = self.ended {
            let rest = sent.duration_since(ended);
            self.shortest_rest = Some(self.shortest_rest.map_or(rest, |shortest| shortest.min(rest)));
        }
        self.requests += 1;
        let words = session.read(self.whom.unit_id, request, self.whom.within).await;
        let ended = self.clock.now();
        self.ended = Some(ended);
        if matches!(words, Ok(_) | Err(ReadFailure::Exception(_))) {
            self.replies_ms.push(ended.duration_since(sent).as_secs_f64() * 1e3);
            self.session = Some(session);
        } else {
            session.close().await;
            self.closed = Some(self.clock.now());
        }
        words
    }

    async fn connect(&mut self) -> Result<ModbusSession, ReadFailure> {
        if let Some(closed) = self.closed.take() {
            tokio::time::sleep_until(closed + REDIAL_AFTER).await;
        }
        ModbusSession::connect(self.dial, &self.whom.endpoint, self.whom.within, fastrand::u16(..)).await
    }

    /// Words from `start` on, in as few reads as the controller allows: a stretch that it refuses is halved until the
    /// addresses that do not exist are alone. `None` where it has none.
    ///
    /// # Errors
    /// Anything but an exception.
    pub async fn stretch(
        &mut self,
        table: Table,
        start: u16,
        count: u16,
    ) -> Result<Vec<Option<u16>>, ReadFailure> {
        let mut found = vec![None; usize::from(count)];
        let mut todo = vec![(0_u16, count)];
        while let Some((from, count)) = todo.pop() {
            match self.read(ReadRequest { table, start: start + from, count }).await {
                Ok(words) => {
                    let places = found.iter_mut().skip(usize::from(from));
                    places.zip(words).for_each(|(place, word)| *place = Some(word));
                }
                // Of anything but a missing address halves would say the same.
                Err(ReadFailure::Exception(2 | 3)) => {
                    if count > 1 {
                        let lower = count / 2;
                        todo.push((from + lower, count - lower));
                        todo.push((from, lower));
                    }
                }
                Err(failure) => return Err(failure),
            }
        }
        Ok(found)
    }

    /// Closes the connection in order and leaves the controller the time to notice.
    pub async fn close(&mut self) {
        if let Some(session) = self.session.take() {
            session.close().await;
            self.closed = Some(self.clock.now());
        }
    }

    /// Waits until another connection may be made.
    pub async fn rest_before_redial(&mut self) {
        if let Some(closed) = self.closed.take() {
            tokio::time::sleep_until(closed + REDIAL_AFTER).await;
        }
    }

    /// What was measured so far.
    #[must_use]
    pub fn measured(&self) -> Measured {
        let mut sorted = self.replies_ms.clone();
        sorted.sort_by(f64::total_cmp);
        Measured {
            requests: self.requests,
            without_answer: self.without_answer,
            reply_median_ms: sorted.get(sorted.len() / 2).copied(),
            reply_longest_ms: sorted.last().copied(),
            shortest_rest_ms: self.shortest_rest.map(|rest| rest.as_secs_f64() * 1e3),
        }
    }
}
