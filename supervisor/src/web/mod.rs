//! The page and the API over one snapshot, one history and one line.
//!
//! Owns routes, markup, wording and the live stream. It holds no state of the line and decides nothing about it: it
//! reads snapshots and history, and passes a person's wishes to the line task.
//! Every page is complete without scripts; `assets/live.js` only keeps it fresh.

mod acknowledge;
mod answers;
mod api;
mod api_types;
mod assets;
mod backtest;
mod boards;
pub(crate) mod call;
mod channels;
mod crowd;
pub(crate) mod doors;
mod entries;
mod events;
mod facts;
mod health;
mod keys;
mod listen;
mod live;
mod metrics;
mod names;
mod openapi;
mod pages;
mod paging;
mod problem;
mod records;
mod reload;
mod reports;
mod routes;
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
pub use doors::Doors;
use doors::Needs;
use facts::Scene;
use routes::Routes;
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

/// Most of them from one address, which may be that of a whole hall behind a router: half, so that the other half is for others.
pub const MOST_STREAMS_OF_ONE: usize = MOST_STREAMS / 2;

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
    /// Who may come in, and what for.
    pub doors: Arc<Doors>,
}

/// [`AppState`] with what the web task itself needs.
#[derive(Clone)]
struct Web {
    app: AppState,
    zone: Zone,
    streams: Arc<Semaphore>,
    /// Who has them.
    watching: crowd::Crowd,
    /// Answers that hold a week of single readings or of events in memory, each some tens of megabytes: few at a time.
    heavy: Arc<Semaphore>,
    back_tests: Arc<backtest::Desk>,
    /// True once the server stops: open streams end.
    stopping: Arc<watch::Sender<bool>>,
}

impl Web {
    fn new(app: AppState) -> Self {
        Self {
            zone: Zone::named(&app.line.time_zone),
            app,
            streams: Arc::new(Semaphore::new(MOST_STREAMS)),
            watching: crowd::Crowd::default(),
            heavy: Arc::new(Semaphore::new(MOST_HEAVY)),
            back_tests: Arc::default(),
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

/// Every page with what it needs. What the API needs stands in `api.rs`.
fn page_routes(routes: Routes) -> Routes {
    use Needs::{Engineer, Nothing, Operate, View, Wall};
    routes
        .get("/", View, pages::line::show)
        .get("/alarms", View, pages::alarms::show)
        .get("/alarms/{id}", View, pages::alarm::show)
        .post("/alarms/{id}/acknowledge", Operate, acknowledge::from_form)
        .post("/alarms/{id}/close", Operate, records::close_from_form)
        .post("/alarms/{id}/{wish}", Operate, wishes::from_form)
        .get("/signals/{tag}", View, pages::signal::show)
        .get("/stations/{key}", View, pages::station::show)
        .get("/tanks", View, pages::tanks::show)
        .get("/entries", View, pages::entries::show)
        .get("/entries/{tag}", View, pages::keypad::show)
        .post("/entries/{tag}", Operate, entries::from_form)
        .get("/batches", View, pages::records::batches::list)
        .get("/batches/{id}", View, pages::records::batches::one)
        .get("/holds", View, pages::records::holds::show)
        .post("/holds", Operate, records::hold_from_form)
        .post("/holds/{n}/decision", Engineer, records::decision_from_form)
        .get("/handover", View, pages::records::handover::show)
        .post("/stops/{id}/reason", Operate, records::reason_from_form)
        .get("/records", View, pages::records::review::show)
        .post("/sign-offs", Engineer, records::sign_from_form)
        .get("/alarm-report", View, pages::records::alarm_report::show)
        .get("/trend", View, pages::trend_page::show)
        .get("/trend.csv", View, trends::downloads::columns)
        .get("/trend.png", View, trends::downloads::picture)
        .get("/trend-samples.csv", View, trends::downloads::samples)
        .get("/trend-readings.csv", View, trends::downloads::readings)
        .post("/trend/notes", Operate, trends::notes::from_form)
        .get("/wall", Wall, pages::wall::show)
        .get("/start-up", View, pages::boards::start_up::show)
        .get("/changeover", View, pages::boards::changeover::show)
        .get("/back-test", View, pages::backtest::list)
        .get("/back-test/{id}", View, pages::backtest::form)
        .post("/back-test/{id}", Engineer, pages::backtest::post)
        .get("/back-tests/{n}", View, pages::backtest::one)
        .post("/back-tests/{n}/stop", Engineer, pages::backtest::stop)
        .get("/back-tests/{n}/alarms.toml", View, pages::backtest::download)
        .get("/events", Wall, stream::open)
        .get("/healthz", Nothing, health::show)
        .get("/readyz", Nothing, health::show_ready)
        .get("/metrics", View, metrics::show)
        .get("/static/{name}", Nothing, assets::serve)
        .get("/login", Nothing, doors::login_page)
        .post("/login", Nothing, doors::login)
        .post("/logout", Nothing, doors::logout)
        .get("/display", Nothing, doors::display_page)
        .post("/display", Nothing, doors::display)
        .get("/first", Nothing, doors::first_page)
        .post("/first", Nothing, doors::first_user)
        .post("/alarms/{id}/out-of-service", Engineer, wishes::out_from_form)
        .post("/alarms/{id}/return-to-service", Engineer, wishes::back_from_form)
}

/// All routes as they are declared.
fn declare(web: &Web) -> Routes {
    page_routes(Routes::new(web.clone())).nest("/api/v1", api::routes, |router| {
        router
            .fallback(api::unknown)
            .method_not_allowed_fallback(problem::method_not_allowed)
            .layer(axum::middleware::from_fn(answers::finish))
    })
}

fn routes(web: Web) -> Router {
    let (router, _declared) = declare(&web).done();
    router
        .fallback(pages::messages::not_found)
        .method_not_allowed_fallback(problem::method_not_allowed)
        .layer(DefaultBodyLimit::max(security::BODY_LIMIT_BYTES))
        .layer(axum::middleware::from_fn_with_state(web.clone(), security::guard))
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
