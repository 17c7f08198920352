//! The address line of the page and of the API, over a demo line that has run for two minutes in virtual time.

use async_trait::async_trait;
use axum::Router;
use axum::body::Body;
use axum::http::Request;
use setward::clock::{Clock, WallTime};
use setward::history::HistoryStore;
use setward::history::sqlite::InlineStore;
use setward::poll::dial::{Dial, Stream};
use setward::snapshot::LineSnapshot;
use setward::web::{self, AppState};
use setward::{Edges, Running};
use setward_config::line::Line;
use setward_protocol::UtcMillis;
use sim_plc::Simulator;
use std::future::Future;
use std::io;
use std::sync::{Arc, OnceLock};
use std::time::Duration;
use tokio::runtime::Runtime;
use tower::ServiceExt as _;

/// The demo line, read once.
pub(crate) fn demo_line() -> Line {
    static LINE: OnceLock<Line> = OnceLock::new();
    LINE.get_or_init(|| setward_config::load_demo().unwrap_or_else(|_| panic!("the demo line")).line).clone()
}

/// Runs `future` to its end where waiting costs nothing.
pub(crate) fn in_virtual_time<F: Future>(future: F) -> F::Output {
    thread_local! {
        static RUNTIME: Runtime = runtime();
    }
    RUNTIME.with(|runtime| runtime.block_on(future))
}

fn runtime() -> Runtime {
    tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .start_paused(true)
        .build()
        .unwrap_or_else(|error| panic!("no runtime: {error}"))
}

struct MemoryDial(Simulator);

#[async_trait]
impl Dial for MemoryDial {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        let (near, far) = tokio::io::duplex(4096);
        let (simulator, endpoint) = (self.0.clone(), endpoint.to_owned());
        tokio::spawn(async move { simulator.serve_stream(far, &endpoint).await });
        Ok(Box::new(near))
    }
}

/// A line that runs, and its page.
pub(crate) struct Ran {
    runtime: Runtime,
    router: Router,
    /// What was known of it at the end.
    pub(crate) snapshot: Arc<LineSnapshot>,
    _running: Running,
}

impl Ran {
    fn new() -> Self {
        let runtime = runtime();
        let (router, snapshot, running) = runtime.block_on(async {
            let line = Arc::new(demo_line());
            // 2026-11-25T02:10:22Z.
            let clock = Clock::starting_at(UtcMillis(1_795_572_622_000));
            let history: Arc<dyn HistoryStore> =
                Arc::new(InlineStore::in_memory().unwrap_or_else(|error| panic!("no store: {error}")));
            let simulator = Simulator::new(&demo_line(), 1);
            let dial = Arc::new(MemoryDial(simulator.clone()));
            let edges = Edges { dial, history: Arc::clone(&history), clock };
            let running = setward::start(Arc::clone(&line), edges).await;
            let running = running.unwrap_or_else(|error| panic!("no run: {error}"));
            for _ in 0..120 {
                simulator.step(Duration::from_secs(1));
                tokio::time::sleep(Duration::from_secs(1)).await;
            }
            let handle = running.handle();
            let snapshot = handle.snapshot();
            let state = AppState {
                handle,
                line,
                history,
                clock: WallTime::Run(clock),
                servers: Vec::new(),
                reloader: None,
                notify: setward::notify::Outlook::default(),
                doors: Arc::new(web::Doors::open()),
            };
            (web::router(state), snapshot, running)
        });
        Self { runtime, router, snapshot, _running: running }
    }

    /// The one of this thread.
    pub(crate) fn with<R>(work: impl FnOnce(&Self) -> R) -> R {
        thread_local! {
            static RAN: Ran = Ran::new();
        }
        RAN.with(work)
    }
}

/// Every address that reads.
const PATHS: [&str; 24] = [
    "/api/v1/trend?",
    "/trend?",
    "/trend.csv?",
    "/trend-readings.csv?",
    "/api/v1/reports/alarms?",
    "/api/v1/reports/shift?",
    "/api/v1/reports/hold?",
    "/api/v1/reports/records?",
    "/api/v1/reports/statistics?",
    "/api/v1/batches?",
    "/api/v1/batches/",
    "/api/v1/holds?",
    "/api/v1/alarms/",
    "/api/v1/signals/",
    "/api/v1/entries?",
    "/alarms/",
    "/signals/",
    "/stations/",
    "/entries/",
    "/handover?",
    "/records?",
    "/holds?",
    "/static/",
    "/",
];

/// Any text behind any of our paths: an answer, and never one that says that the fault is ours.
pub(crate) fn api_query(bytes: &[u8]) {
    let Some((path, rest)) = bytes.split_first() else { return };
    let Ok(text) = std::str::from_utf8(rest) else { return };
    let uri = format!("{}{text}", PATHS[usize::from(*path) % PATHS.len()]);
    let Ok(request) = Request::get(&uri).header("host", "127.0.0.1:8470").body(Body::empty()) else { return };
    let status = Ran::with(|ran| {
        let answer = ran.runtime.block_on(ran.router.clone().oneshot(request));
        answer.unwrap_or_else(|never| match never {}).status()
    });
    assert!(!status.is_server_error(), "{uri} gives {status}");
}
