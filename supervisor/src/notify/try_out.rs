//! A message that only tries the way out, for the person who sets a channel up.

use super::deliver::Deliver;
use super::text::test_message;
use crate::clock::Clock;
use crate::handle::Teller;
use serde::Serialize;
use setward_config::line::Line;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::Semaphore;
use utoipa::ToSchema;

/// How long a channel is waited for.
const TRY_WITHIN: Duration = Duration::from_secs(8);
/// How long it may take to note that somebody tried.
const NOTE_WITHIN: Duration = Duration::from_secs(1);

/// What came of a try.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = ChannelTried)]
pub struct Tried {
    /// The channel.
    pub channel: String,
    /// Whether the other side has taken the message.
    pub arrived: bool,
    /// In words: its answer, or what is wrong.
    pub text: String,
}

/// Tries channels. Cheap to clone.
#[derive(Clone, Default)]
pub struct Tester {
    parts: Option<Arc<Parts>>,
}

struct Parts {
    line: Arc<Line>,
    ways: Vec<(String, Arc<dyn Deliver>)>,
    clock: Clock,
    teller: Option<Teller>,
    /// One at a time: nobody floods a relay from here.
    turn: Semaphore,
}

/// Why nothing was tried.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NotTried {
    /// The site file names nobody.
    NoChannels,
    /// There is none of this name; the names there are.
    Unknown(Vec<String>),
    /// Somebody else tries right now.
    Busy,
}

impl Tester {
    /// A tester over given edges, one a channel of the line. With a teller each try becomes an event.
    pub(crate) fn new(
        line: &Arc<Line>,
        ways: &[Arc<dyn Deliver>],
        clock: Clock,
        teller: Option<Teller>,
    ) -> Self {
        let names = line.notify.channels.iter().map(|channel| channel.name.clone());
        let ways = names.zip(ways.iter().cloned()).collect();
        Self {
            parts: Some(Arc::new(Parts {
                line: Arc::clone(line),
                ways,
                clock,
                teller,
                turn: Semaphore::new(1),
            })),
        }
    }

    /// A tester of the line's channels, beside no daemon.
    pub(crate) fn alone(line: &Arc<Line>, clock: Clock) -> Self {
        let edge = |channel| super::edge(channel, line, clock, None);
        let ways: Vec<_> = line.notify.channels.iter().map(edge).collect();
        Self::new(line, &ways, clock, None)
    }

    /// Sends a test message to `channel`, or to all of them at once.
    ///
    /// # Errors
    /// When there is nothing to try, or somebody else tries.
    pub async fn try_out(&self, channel: Option<&str>) -> Result<Vec<Tried>, NotTried> {
        let parts = self.parts.as_ref().filter(|parts| !parts.ways.is_empty()).ok_or(NotTried::NoChannels)?;
        let wanted: Vec<_> = parts
            .ways
            .iter()
            .filter(|(name, _)| channel.is_none_or(|wanted| wanted == name))
            .cloned()
            .collect();
        if wanted.is_empty() {
            return Err(NotTried::Unknown(parts.ways.iter().map(|(name, _)| name.clone()).collect()));
        }
        let Ok(_turn) = parts.turn.try_acquire() else { return Err(NotTried::Busy) };
        let now = parts.clock.utc();
        let tries: Vec<_> = wanted
            .into_iter()
            .map(|(name, way)| {
                let message = test_message(&parts.line, &name, now);
                let tried = async move { tokio::time::timeout(TRY_WITHIN, way.deliver(&message)).await };
                (name, tokio::spawn(tried))
            })
            .collect();
        let mut all = Vec::new();
        for (channel, tried) in tries {
            let (arrived, text) = match tried.await {
                Ok(Ok(Ok(receipt))) => {
                    let complaint = receipt.complaint.map(|why| format!("; but {why}")).unwrap_or_default();
                    (true, format!("taken, the answer was: {}{complaint}", receipt.answer))
                }
                Ok(Ok(Err(error))) => (false, error.text().to_owned()),
                Ok(Err(_late)) => (false, format!("no answer within {} s", TRY_WITHIN.as_secs())),
                Err(error) => (false, format!("an internal fault: {error}")),
            };
            all.push(Tried { channel, arrived, text });
        }
        if let Some(teller) = &parts.teller {
            for one in &all {
                let note = format!("to {}: {}", one.channel, one.text);
                let _late = tokio::time::timeout(NOTE_WITHIN, teller.tell("test message", note)).await;
            }
        }
        Ok(all)
    }
}
