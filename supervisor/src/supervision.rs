//! Tasks that are begun anew when they fail, alone and not for ever.
//!
//! A panic is told as an event first, then the task begins anew. What fails again and again is not got rid of by that: after a few
//! times the whole program stops with an error, for the service manager to start it afresh.

use crate::clock::Clock;
use crate::handle::Teller;
use std::any::Any;
use std::collections::VecDeque;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::task::{JoinError, JoinHandle};

/// How long a task that failed waits before it begins anew: its event is on the disk by then.
const RESTART_AFTER: Duration = Duration::from_secs(1);
/// So many new beginnings within this time; one failure more is too many.
pub const RESTARTS_MAX: usize = 5;
/// See [`RESTARTS_MAX`].
pub const RESTARTS_WITHIN: Duration = Duration::from_secs(600);

/// What watches over the tasks of a run. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Supervision {
    teller: Teller,
    clock: Clock,
    gave_up: mpsc::Sender<String>,
}

/// What a supervised task is called.
#[derive(Debug, Clone)]
pub struct TaskName {
    /// The event that tells of its failure, in stable words.
    pub event: &'static str,
    /// What it does, for people: "polling 10.0.0.5:502".
    pub doing: String,
}

/// Ends a task when whoever waits for it goes.
struct EndWith<T>(JoinHandle<T>);

impl<T> Drop for EndWith<T> {
    fn drop(&mut self) {
        self.0.abort();
    }
}

impl Supervision {
    /// Watches, and tells `teller` of failures. The receiver gets a word when something fails too often.
    #[must_use]
    pub fn new(teller: Teller, clock: Clock) -> (Self, mpsc::Receiver<String>) {
        let (gave_up, too_often) = mpsc::channel(1);
        (Self { teller, clock, gave_up }, too_often)
    }

    /// The way to the daemon's events.
    #[must_use]
    pub const fn teller(&self) -> &Teller {
        &self.teller
    }

    /// Runs what `begin` makes, and again whenever that panics; returns when it ends by itself, or has failed too often.
    pub async fn keep<T>(self, name: TaskName, begin: impl Fn() -> T + Send)
    where
        T: Future<Output = ()> + Send + 'static,
    {
        let mut failures = VecDeque::new();
        loop {
            let mut task = EndWith(tokio::spawn(begin()));
            let Err(error) = (&mut task.0).await else { return };
            let now = self.clock.now();
            failures.push_back(now);
            while failures.front().is_some_and(|at| now.duration_since(*at) > RESTARTS_WITHIN) {
                failures.pop_front();
            }
            let (doing, why) = (&name.doing, reason(error));
            let is_too_often = failures.len() > RESTARTS_MAX;
            let next = if is_too_often { "too often: setward stops" } else { "it begins anew" };
            tracing::error!(code = "task-failed", "{doing} failed ({why}); {next}");
            self.teller.tell(name.event, format!("{doing}: {why}; {next}")).await;
            if is_too_often {
                let within = RESTARTS_WITHIN.as_secs() / 60;
                let text = format!("{doing} failed {} times within {within} min: {why}", failures.len());
                // Whoever listened has gone: the run ends already.
                let _ended = self.gave_up.send(text).await;
                return;
            }
            tokio::time::sleep(RESTART_AFTER).await;
        }
    }
}

/// What a task said when it failed.
fn reason(error: JoinError) -> String {
    let Ok(payload) = error.try_into_panic() else { return "ended from outside".to_owned() };
    let text = |payload: &(dyn Any + Send)| {
        let fixed = payload.downcast_ref::<&str>().map(|text| (*text).to_owned());
        fixed.or_else(|| payload.downcast_ref::<String>().cloned())
    };
    text(&*payload).unwrap_or_else(|| "no word why".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::handle::Told;
    use std::sync::Arc;
    use std::sync::atomic::{AtomicUsize, Ordering};

    fn events(told: &mut mpsc::Receiver<Told>) -> Vec<(&'static str, String)> {
        std::iter::from_fn(|| told.try_recv().ok())
            .filter_map(|told| match told {
                Told::Event { what, note } => Some((what, note)),
                Told::Server { .. } => None,
            })
            .collect()
    }

    /// Panics the first `times`, then goes on for ever; gives how often it was begun, its events, and the last word.
    async fn failing(times: usize, apart: Duration) -> (usize, Vec<(&'static str, String)>, Option<String>) {
        let (teller, mut told) = Teller::new(64);
        let (supervision, mut gave_up) = Supervision::new(teller, Clock::system());
        let begun = Arc::new(AtomicUsize::new(0));
        let count = Arc::clone(&begun);
        let name = TaskName { event: "polling failed", doing: "polling plc:502".to_owned() };
        let task = tokio::spawn(supervision.keep(name, move || {
            let nth = count.fetch_add(1, Ordering::Relaxed);
            async move {
                tokio::time::sleep(apart).await;
                assert!(nth >= times, "a fault on purpose, number {nth}");
                std::future::pending::<()>().await;
            }
        }));
        let _long = tokio::time::timeout(Duration::from_secs(100_000), task).await;
        (begun.load(Ordering::Relaxed), events(&mut told), gave_up.try_recv().ok())
    }

    #[tokio::test(start_paused = true)]
    async fn a_task_that_panics_is_told_and_begins_anew_and_after_five_times_in_ten_minutes_the_program_gives_up()
     {
        let (begun, events, last) = failing(5, Duration::from_secs(60)).await;
        assert_eq!((begun, last), (6, None), "five times are borne");
        assert_eq!(events.len(), 5);
        assert_eq!(events[0].0, "polling failed");
        assert!(
            events[0].1.contains("polling plc:502: a fault on purpose, number 0; it begins anew"),
            "{events:?}"
        );

        let (begun, events, last) = failing(100, Duration::from_secs(60)).await;
        assert_eq!((begun, events.len()), (6, 6));
        assert!(last.is_some_and(|text| text.contains("failed 6 times within 10 min")), "{events:?}");

        let (begun, _, last) = failing(20, Duration::from_secs(200)).await;
        assert_eq!((begun, last), (21, None), "now and then is no reason to give up");
    }
}
