//! Whether the daemon's heart beats: the age of the last snapshot.

use super::Web;
use super::channels::ChannelBody;
use super::doors::{Needs, visit};
use crate::sink::ServerStatus;
use crate::watchdog::is_ready;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use setward_protocol::UtcMillis;

/// A snapshot older than this means that the line task stands still, s.
const OLDEST_SNAPSHOT_S: f64 = 10.0;

#[derive(Serialize)]
struct HealthBody {
    snapshot_age_s: f64,
    run: i64,
    controllers: usize,
    controllers_failing: usize,
    history_problem: Option<String>,
    samples_stored: u64,
    samples_lost: u64,
    events_lost: u64,
    servers: Vec<ServerBody>,
    channels: Vec<ChannelBody>,
}

/// A server that history is sent to.
#[derive(Serialize)]
struct ServerBody {
    name: String,
    behind_s: Option<f64>,
    waiting_rows: u64,
    rejected: u64,
    lost_rows: u64,
    problem: Option<String>,
}

/// What anybody is told: how many of what are not well, and nothing of which.
#[derive(Serialize)]
struct StrangersBody {
    snapshot_age_s: f64,
    controllers: usize,
    controllers_failing: usize,
    history_works: bool,
    servers_failing: usize,
    channels_failing: usize,
}

impl StrangersBody {
    fn of(body: &HealthBody) -> Self {
        Self {
            snapshot_age_s: body.snapshot_age_s,
            controllers: body.controllers,
            controllers_failing: body.controllers_failing,
            history_works: body.history_problem.is_none(),
            servers_failing: body.servers.iter().filter(|server| server.problem.is_some()).count(),
            channels_failing: body.channels.iter().filter(|channel| channel.is_failing()).count(),
        }
    }
}

impl ServerBody {
    fn of(server: ServerStatus, now: UtcMillis) -> Self {
        Self {
            behind_s: server.behind_s(now),
            waiting_rows: server.waiting_rows,
            rejected: server.rejected,
            lost_rows: server.lost_rows,
            problem: server.problem,
            name: server.name,
        }
    }
}

/// 200 once every controller that is asked for something has been scanned and history has answered, 503 before that.
pub(super) async fn show_ready(State(web): State<Web>) -> Response {
    if is_ready(&web.app.line, &web.app.handle.glance()) {
        (StatusCode::OK, "ready\n").into_response()
    } else {
        (StatusCode::SERVICE_UNAVAILABLE, "not every controller has been asked yet\n").into_response()
    }
}

/// 200 while the line task lives, 503 with what stands still when it does not. Silent controllers are alarms of the
/// line, not ill health of the daemon.
pub(super) async fn show(State(web): State<Web>) -> Response {
    let snapshot = web.app.handle.snapshot();
    let age_s = web.app.clock.seconds_since(snapshot.at, snapshot.utc);
    let body = HealthBody {
        snapshot_age_s: (age_s * 10.0).round() / 10.0,
        run: snapshot.run.0,
        controllers: snapshot.controllers.len(),
        controllers_failing: snapshot.controllers.iter().filter(|each| each.problem.is_some()).count(),
        history_problem: snapshot.history_problem.clone(),
        samples_stored: snapshot.counts.samples_stored,
        samples_lost: snapshot.counts.samples_lost,
        events_lost: snapshot.counts.events_lost,
        servers: web.servers().into_iter().map(|server| ServerBody::of(server, snapshot.utc)).collect(),
        channels: web.channels(),
    };
    // Names and reasons hold addresses of the plant: they are for whoever may see the line.
    let details = if visit().visitor.may(Needs::View) {
        serde_json::to_string(&body)
    } else {
        serde_json::to_string(&StrangersBody::of(&body))
    };
    let details = details.unwrap_or_default();
    if age_s < OLDEST_SNAPSHOT_S {
        (StatusCode::OK, format!("ok\n{details}\n")).into_response()
    } else {
        let text = format!("the line task stands still: last snapshot {age_s:.0} s ago\n{details}\n");
        (StatusCode::SERVICE_UNAVAILABLE, text).into_response()
    }
}
