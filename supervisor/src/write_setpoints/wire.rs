//! The one place that writes to a controller: one request on a connection of its own, so that whatever comes back is the answer
//! to it; and reading back, on another.

use crate::clock::Clock;
use crate::commission::probe::asker::{Asker, LEAST_REST, Whom};
use crate::poll::dial::Dial;
use crate::poll::session::ReadFailure;
use async_trait::async_trait;
use setward_protocol::{Mode, ReadRequest, StationId, Table};
use std::time::Duration;
use tokio::time::timeout;
use tokio_modbus::client::{Client as _, Writer as _, tcp};
use tokio_modbus::slave::{Slave, SlaveContext as _};

/// How long closing a connection in order may take.
const CLOSE_WITHIN: Duration = Duration::from_millis(100);

/// What came of a request to write.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// The controller says that it is done.
    Done,
    /// The controller refuses, or says that it is not yet done.
    Exception(u8),
    /// No connection: nothing was sent.
    NotSent(String),
    /// It was sent, and what came of it is not known.
    Unsure(String),
}

/// Everything outside that writing touches.
#[async_trait]
pub trait Wire: Send {
    /// Writes holding registers from `start` on.
    async fn write(&mut self, whom: &Whom, start: u16, words: &[u16]) -> Answer;
    /// Reads them back.
    async fn read(&mut self, whom: &Whom, start: u16, count: u16) -> Result<Vec<u16>, ReadFailure>;
    /// What a station is doing now; `None` if it can't be told.
    async fn mode(&mut self, station: StationId) -> Option<Mode>;
    /// Lets time pass.
    async fn pause(&mut self, span: Duration);
}

/// One request to write, on a connection of its own.
pub async fn write_once(dial: &dyn Dial, whom: &Whom, start: u16, words: &[u16]) -> Answer {
    let stream = match timeout(whom.within, dial.dial(&whom.endpoint)).await {
        Ok(Ok(stream)) => stream,
        Ok(Err(error)) => return Answer::NotSent(error.to_string()),
        Err(_elapsed) => {
            return Answer::NotSent(format!("no answer to connect within {} ms", whom.within.as_millis()));
        }
    };
    let mut context = tcp::attach_slave(stream, Slave(whom.unit_id));
    context.set_slave(Slave(whom.unit_id));
    let request = send(&mut context, start, words);
    let answer = match timeout(whom.within, request).await {
        Ok(Ok(Ok(()))) => Answer::Done,
        Ok(Ok(Err(exception))) => Answer::Exception(exception.into()),
        Ok(Err(error)) => Answer::Unsure(format!("the connection ended: {error}")),
        Err(_elapsed) => Answer::Unsure(format!("no reply within {} ms", whom.within.as_millis())),
    };
    // Whether the other end still listens does not matter any more.
    let _ended = timeout(CLOSE_WITHIN, context.disconnect()).await;
    answer
}

/// One word by function 06, which every controller has; more by 16.
#[expect(clippy::disallowed_methods, reason = "this is the feature that writes, and this its one place")]
async fn send(
    context: &mut tokio_modbus::client::Context,
    start: u16,
    words: &[u16],
) -> tokio_modbus::Result<()> {
    match words {
        [word] => context.write_single_register(start, *word).await,
        words => context.write_multiple_registers(start, words).await,
    }
}

/// Holding registers, read on a connection of its own.
///
/// # Errors
/// Why nothing came.
pub async fn read_once(
    dial: &dyn Dial,
    clock: Clock,
    whom: &Whom,
    (start, count): (u16, u16),
) -> Result<Vec<u16>, ReadFailure> {
    let mut asker = Asker::new(dial, clock, Whom { rest: whom.rest.max(LEAST_REST), ..whom.clone() });
    let words = asker.read(ReadRequest { table: Table::Holding, start, count }).await;
    asker.close().await;
    words
}
