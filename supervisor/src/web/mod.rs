//! The page and the API over one snapshot, one history and one line.
//!
//! Owns routes, markup, wording and the live stream. It holds no state of the line and decides nothing about it: it
//! reads snapshots and history, and passes a person's wishes to the line task.
//! Every page is complete without scripts; `assets/live.js` only keeps it fresh.

mod acknowledge;
mod api;
mod api_types;
mod assets;
pub(crate) mod call;
mod channels;
mod entries;
mod facts;
mod health;
mod listen;
mod live;
mod metrics;
mod names;
mod pages;
mod problem;
mod records;
mod reload;
mod reports;
mod security;
mod stream;
mod svg;
mod switch;
mod times;
mod trends;
mod wishes;
mod words;

#[cfg(test)]
mod tests;

use crate::clock::WallTime;
use crate::handle::LineHandle;
use crate::history::HistoryStore;
use crate::notify::Outlook;
use crate::reload::Reloader;
use crate::sink::{ServerStatus, SharedServerStatus};
use crate::snapshot::LineSnapshot;
use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::routing::{get, post};
use facts::Scene;
use setward_config::line::Line;
use std::future::Future;
use std::io;
use std::sync::Arc;
pub use switch::Pages;
use times::Zone;
use tokio::net::TcpListener;
use tokio::sync::{Semaphore, watch};

/// Most live streams at a time; more are told to come back later.
pub const MOST_STREAMS: usize = 64;

/// Most answers at a time that hold a week of single readings; others wait their turn.
const MOST_HEAVY: usize = 2;

/// What the page and the API stand on.
#[derive(Clone)]
pub struct AppState {
    /// The way to the line task.
    pub handle: LineHandle,
    /// The line as configured.
    pub line: Arc<Line>,
    /// Where readings and events are kept.
    pub history: Arc<dyn HistoryStore>,
    /// The run's wall time.
    pub clock: WallTime,
    /// How each server is doing that history is sent to.
    pub servers: Vec<SharedServerStatus>,
    /// The way to have the line folder read anew, if this daemon has one.
    pub reloader: Option<Reloader>,
    /// How each way is doing in which alarms leave.
    pub notify: Outlook,
}

/// [`AppState`] with what the web task itself needs.
#[derive(Clone)]
struct Web {
    app: AppState,
    zone: Zone,
    streams: Arc<Semaphore>,
    /// Answers that hold a week of single readings in memory, each some tens of megabytes: few at a time.
    heavy: Arc<Semaphore>,
    /// True once the server stops: open streams end.
    stopping: Arc<watch::Sender<bool>>,
}

impl Web {
    fn new(app: AppState) -> Self {
        Self {
            zone: Zone::named(&app.line.time_zone),
            app,
            streams: Arc::new(Semaphore::new(MOST_STREAMS)),
            heavy: Arc::new(Semaphore::new(MOST_HEAVY)),
            stopping: Arc::new(watch::Sender::new(false)),
        }
    }

    /// How each server is doing that history is sent to.
    fn servers(&self) -> Vec<ServerStatus> {
        self.app.servers.iter().map(SharedServerStatus::now).collect()
    }

    /// What can be said from `snapshot` now.
    fn scene<'a>(&'a self, snapshot: &'a LineSnapshot) -> Scene<'a> {
        let (line, zone, outlook) = (&*self.app.line, &self.zone, Some(&self.app.notify));
        Scene { line, snapshot, zone, now: self.app.clock.utc(), outlook }
    }
}

/// Returns once the server stops.
async fn stopped(stopping: &mut watch::Receiver<bool>) {
    // The sender lives as long as the server; if it went, the server has stopped too.
    let _ = stopping.wait_for(|stopping| *stopping).await;
}

/// All routes over `state`.
pub fn router(state: AppState) -> Router {
    routes(Web::new(state))
}

fn routes(web: Web) -> Router {
    Router::new()
        .route("/", get(pages::line::show))
        .route("/alarms", get(pages::alarms::show))
        .route("/alarms/{id}", get(pages::alarm::show))
        .route("/alarms/{id}/acknowledge", post(acknowledge::from_form))
        .route("/alarms/{id}/close", post(records::close_from_form))
        .route("/alarms/{id}/{wish}", post(wishes::from_form))
        .route("/signals/{tag}", get(pages::signal::show))
        .route("/stations/{key}", get(pages::station::show))
        .route("/tanks", get(pages::tanks::show))
        .route("/entries", get(pages::entries::show))
        .route("/entries/{tag}", get(pages::keypad::show).post(entries::from_form))
        .route("/batches", get(pages::records::batches::list))
        .route("/batches/{id}", get(pages::records::batches::one))
        .route("/holds", get(pages::records::holds::show).post(records::hold_from_form))
        .route("/holds/{n}/decision", post(records::decision_from_form))
        .route("/handover", get(pages::records::handover::show))
        .route("/stops/{id}/reason", post(records::reason_from_form))
        .route("/records", get(pages::records::review::show))
        .route("/sign-offs", post(records::sign_from_form))
        .route("/trend", get(pages::trend_page::show))
        .route("/trend.csv", get(trends::downloads::columns))
        .route("/trend.png", get(trends::downloads::picture))
        .route("/trend-samples.csv", get(trends::downloads::samples))
        .route("/trend-readings.csv", get(trends::downloads::readings))
        .route("/trend/notes", post(trends::notes::from_form))
        .route("/events", get(stream::open))
        .route("/healthz", get(health::show))
        .route("/readyz", get(health::show_ready))
        .route("/metrics", get(metrics::show))
        .route("/static/{name}", get(assets::serve))
        .nest("/api/v1", api::routes())
        .fallback(pages::messages::not_found)
        .method_not_allowed_fallback(problem::method_not_allowed)
        .layer(DefaultBodyLimit::max(security::BODY_LIMIT_BYTES))
        .layer(axum::middleware::from_fn(security::guard))
        .with_state(web)
}

/// Serves `state` on `listener` until `shutdown`, then ends open streams and waits a moment for running answers.
///
/// # Errors
/// When the listener breaks for good.
pub async fn serve(
    listener: TcpListener,
    state: AppState,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> io::Result<()> {
    Pages::new(state).serve(listener, shutdown).await
}
