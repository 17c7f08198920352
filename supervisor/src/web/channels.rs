//! The API of the ways in which alarms leave: how each is doing, and a message that only tries it.

use super::Web;
use super::api_types::{self, SCHEMA_VERSION};
use super::problem::Problem;
use super::times::rfc3339;
use crate::notify::{ChannelStatus, NotTried, Tried};
use axum::Json;
use axum::extract::State;
use axum::extract::rejection::JsonRejection;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A channel, for programs.
#[derive(Serialize, ToSchema)]
pub(super) struct ChannelBody {
    name: String,
    way: &'static str,
    messages_sent: u64,
    waiting: usize,
    last_sent_at: Option<String>,
    problem: Option<String>,
    failing_since: Option<String>,
    broken: bool,
}

impl ChannelBody {
    /// Whether something is wrong with it.
    pub(super) const fn is_failing(&self) -> bool {
        self.broken || self.problem.is_some()
    }
}

impl From<ChannelStatus> for ChannelBody {
    fn from(channel: ChannelStatus) -> Self {
        Self {
            name: channel.name,
            way: channel.way,
            messages_sent: channel.sent,
            waiting: channel.waiting,
            last_sent_at: channel.last_sent.map(rfc3339),
            problem: channel.problem,
            failing_since: channel.failing_since.map(rfc3339),
            broken: channel.is_broken,
        }
    }
}

impl Web {
    /// How each way out is doing.
    pub(super) fn channels(&self) -> Vec<ChannelBody> {
        self.app.notify.statuses.iter().map(|status| status.now().into()).collect()
    }
}

/// Lists them.
pub(super) async fn list(State(web): State<Web>) -> Response {
    let snapshot = web.app.handle.snapshot();
    Json(api_types::list(&web.scene(&snapshot), web.channels())).into_response()
}

/// Which channel; without one, all of them.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct TestBody {
    #[serde(default)]
    channel: Option<String>,
}

/// What came of it, channel by channel.
#[derive(Serialize, ToSchema)]
#[schema(as = ChannelsTried)]
pub(super) struct TriedBody {
    schema_version: u32,
    items: Vec<Tried>,
}

/// Sends a test message and waits for what the other side says.
pub(super) async fn test(State(web): State<Web>, body: Result<Json<TestBody>, JsonRejection>) -> Response {
    let Ok(Json(body)) = body else {
        let text = "expected {\"channel\":\"name\"}, or {} for all of them";
        return Problem::new(StatusCode::BAD_REQUEST, text).into_response();
    };
    match web.app.notify.tester.try_out(body.channel.as_deref()).await {
        Ok(items) => Json(TriedBody { schema_version: SCHEMA_VERSION, items }).into_response(),
        Err(NotTried::NoChannels) => {
            let text = "nobody is told of alarms: site.toml has no [mail] and no [[webhook]]";
            Problem::new(StatusCode::NOT_FOUND, text).into_response()
        }
        Err(NotTried::Unknown(names)) => {
            let text = format!("no channel of this name; there is {}", names.join(", "));
            Problem::new(StatusCode::NOT_FOUND, text).into_response()
        }
        Err(NotTried::Busy) => {
            let text = "somebody else tries the channels right now: ask again in a few seconds";
            Problem::new(StatusCode::TOO_MANY_REQUESTS, text).into_response()
        }
    }
}
