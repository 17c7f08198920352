//! The demo's line on a thread of its own: through the week in virtual time over memory, then on in real time over TCP.
//!
//! One pipeline and one run. While the runtime's clock is paused nothing here waits for another thread: time would run on
//! meanwhile. What others ask comes in through the handle; what they see of time is shown to them.

use super::crew::Desk;
use super::rounds::Rounds;
use super::week::DemoWeek;
use crate::clock::{Clock, ShownTime};
use crate::handle::{LineHandle, Refusal, Wish, WishRequest};
use crate::history::HistoryStore;
use crate::history::sqlite::InlineStore;
use crate::poll::dial::{Dial, Stream, TcpDial};
use crate::report::shifts;
use crate::{Edges, RunSummary, start};
use async_trait::async_trait;
use setward_config::line::Line;
use setward_protocol::UtcMillis;
use sim_plc::{Scenario, Simulator};
use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::oneshot;
use tokio::task::AbortHandle;

/// Buffer of a connection over memory: a few frames.
const BUFFER_BYTES: usize = 2_048;
const SECOND: Duration = Duration::from_secs(1);
/// How often the shown time moves on once the line is live.
const SHOWN_EVERY: Duration = Duration::from_millis(100);
/// Whoever is on shift looks at what waits for a person this often, s.
const LOOKS_EVERY_S: u64 = 60;
/// .. and has seen to it after so long, ms.
const SEEN_AFTER_MS: i64 = 150_000;
/// Who is there, by the line's shifts.
const CREW: [(&str, &str); 3] = [("A", "Ana"), ("B", "Bruno"), ("C", "Carla")];

/// Seed of what the crew enters: apart from the plant's, so that neither changes the other.
const ROUNDS_SEED: u64 = 29;

/// What is needed to play a week and to go on.
pub(super) struct Play {
    pub(super) line: Arc<Line>,
    pub(super) week: DemoWeek,
    pub(super) plant: Simulator,
    pub(super) history: Arc<InlineStore>,
    /// The first moment of the week.
    pub(super) from: UtcMillis,
    pub(super) shown: ShownTime,
    pub(super) tcp: TcpDial,
}

/// How the main thread and the line's hear of each other.
pub(super) struct Signals {
    /// The way to the line, once its run has begun.
    pub(super) begun: oneshot::Sender<LineHandle>,
    /// The week is over: the line is asked over TCP from now on.
    pub(super) live: oneshot::Sender<()>,
    /// Ends it.
    pub(super) stop: oneshot::Receiver<()>,
}

/// Connections over memory until the line goes live, over TCP from then on.
struct WeekDial {
    plant: Simulator,
    tcp: TcpDial,
    /// The far ends over memory; `None` once the line is live.
    served: Mutex<Option<Vec<AbortHandle>>>,
}

impl WeekDial {
    fn go_live(&self) {
        let served = self.served.lock().unwrap_or_else(PoisonError::into_inner).take();
        served.into_iter().flatten().for_each(|far_end| far_end.abort());
    }
}

#[async_trait]
impl Dial for WeekDial {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        let near = {
            let mut served = self.served.lock().unwrap_or_else(PoisonError::into_inner);
            served.as_mut().map(|served| {
                let (near, far) = tokio::io::duplex(BUFFER_BYTES);
                let (plant, endpoint) = (self.plant.clone(), endpoint.to_owned());
                let far_end = tokio::spawn(async move { plant.serve_stream(far, &endpoint).await });
                served.retain(|far_end| !far_end.is_finished());
                served.push(far_end.abort_handle());
                near
            })
        };
        match near {
            Some(near) => Ok(Box::new(near)),
            None => self.tcp.dial(endpoint).await,
        }
    }
}

/// Plays the week and goes on until told to stop; for a thread of its own.
///
/// # Errors
/// What failed, in words.
pub(super) fn play(play: Play, signals: Signals) -> Result<RunSummary, String> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().start_paused(true).build();
    let runtime = runtime.map_err(|error| format!("no runtime for the demo's week: {error}"))?;
    runtime.block_on(go(play, signals))
}

async fn go(play: Play, signals: Signals) -> Result<RunSummary, String> {
    let clock = play.week.clock(play.from);
    let served = Mutex::new(Some(Vec::new()));
    let dial = Arc::new(WeekDial { plant: play.plant.clone(), tcp: play.tcp, served });
    let edges = Edges { dial: Arc::clone(&dial), history: play.history.clone(), clock };
    let mut running = start(Arc::clone(&play.line), edges).await.map_err(|error| error.text)?;
    // Nobody waits for it if the demo has been stopped meanwhile.
    let handle = running.handle();
    let _gone = signals.begun.send(running.handle());
    let mut stop = signals.stop;
    let shown = play.shown.clone();
    let watched = (&handle, &*play.history as &dyn HistoryStore);
    let lives =
        live_through(play.week, (&play.line, &play.plant), clock, watched, move |now| shown.show(now));
    let is_over = tokio::select! {
        biased;
        _ = &mut stop => false,
        lived = lives => {
            lived?;
            true
        }
        failed = running.failed() => return Err(format!("{failed:?}")),
    };
    if is_over {
        tokio::time::resume();
        play.history.sync_from_now_on().map_err(|error| error.text)?;
        play.plant.run_scenario(Scenario::demo());
        let _gone = signals.live.send(());
        dial.go_live();
        tokio::select! {
            biased;
            _ = &mut stop => {}
            () = show_time(&play.shown, clock) => {}
            failed = running.failed() => return Err(format!("{failed:?}")),
        }
    }
    running.stop().await.map_err(|error| format!("stopping: {error}"))
}

async fn show_time(shown: &ShownTime, clock: Clock) {
    loop {
        shown.show(clock.utc());
        tokio::time::sleep(SHOWN_EVERY).await;
    }
}

/// Lets the plant live through the week, second by second of the runtime's clock, with the crew that answers its alarms; `shows`
/// is told each second's wall time.
///
/// # Errors
/// When the plant can't do what the week asks, in words.
pub async fn live_through(
    mut week: DemoWeek,
    (line, plant): (&Line, &Simulator),
    clock: Clock,
    (handle, store): (&LineHandle, &dyn HistoryStore),
    mut shows: impl FnMut(UtcMillis),
) -> Result<(), String> {
    let mut ticks = tokio::time::interval(SECOND);
    let mut rounds = Rounds::new(line, ROUNDS_SEED);
    let begin = clock.utc();
    for second in 0..=week.length().as_secs() {
        ticks.tick().await;
        shows(clock.utc());
        let now = clock.utc();
        for saying in week.happen(Duration::from_secs(second), plant)? {
            let desk = Desk { line, handle, store, by: on_shift(line, now), now, begin };
            desk.keep(saying).await?;
        }
        plant.step(SECOND);
        if second % LOOKS_EVERY_S == LOOKS_EVERY_S - 1 {
            let by = on_shift(line, clock.utc());
            acknowledge(line, handle, clock.utc(), by).await;
            rounds.make(line, handle, clock.utc(), by).await;
        }
    }
    Ok(())
}

/// Who is there.
fn on_shift(line: &Line, now: UtcMillis) -> &'static str {
    let shift = shifts::at(line, now).map(|shift| shift.name);
    CREW.iter().find(|(name, _)| shift.as_deref() == Some(name)).map_or("somebody", |(_, person)| person)
}

/// Acknowledges what has waited for a person for a while.
async fn acknowledge(line: &Line, handle: &LineHandle, now: UtcMillis, by: &str) {
    let snapshot = handle.glance();
    for (alarm, _) in line.alarms_with_ids() {
        let Some(view) = snapshot.alarm(alarm) else { continue };
        let waited_ms = now.0.saturating_sub(view.raised.map_or(i64::MAX, |at| at.0));
        if !view.state.awaits_acknowledgement() || view.flags.are_silencing() || waited_ms < SEEN_AFTER_MS {
            continue;
        }
        let wish = WishRequest {
            alarm,
            run: snapshot.run,
            occurrence: view.occurrence,
            by: by.to_owned(),
            why: None,
            wish: Wish::Acknowledge,
        };
        match handle.ask(wish).await {
            // Somebody at the page was quicker, or it has raised anew.
            Ok(_) | Err(Refusal::Stale { .. } | Refusal::NeverRaised) => {}
            Err(refusal) => tracing::debug!(?refusal, "an acknowledgement of the demo's crew was refused"),
        }
    }
}
