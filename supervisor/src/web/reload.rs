//! `POST /api/v1/reload`: the line folder is read anew, checked, and put in force; or it is told what is wrong with it.
//! `POST /api/v1/users/reload`: the same with who may come in, and nothing else.

use super::Web;
use super::acknowledge::checked_name;
use super::api_types::SCHEMA_VERSION;
use super::problem::Problem;
use crate::reload::{Anew, ReloadAnswer, Reloaded};
use axum::Json;
use axum::extract::State;
use axum::extract::rejection::JsonRejection;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::path::PathBuf;
use utoipa::ToSchema;

/// Body of the wish.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct ReloadBody {
    #[serde(default)]
    by: String,
}

/// Body of the wish that is about users.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct UsersBody {
    #[serde(default)]
    by: String,
    /// The file that was changed: refused if the users in force stand in another.
    #[serde(default)]
    file: Option<String>,
}

/// What came of it.
#[derive(Serialize, ToSchema)]
#[schema(as = ReloadOutcome)]
pub(super) struct OutcomeBody {
    schema_version: u32,
    /// reloaded or unchanged.
    outcome: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    reloaded: Option<Reloaded>,
    /// Fingerprint of the files in force, where they are the same as before.
    #[serde(skip_serializing_if = "Option::is_none")]
    configuration: Option<String>,
}

fn outcome(outcome: &'static str, reloaded: Option<Reloaded>, configuration: Option<String>) -> Response {
    Json(OutcomeBody { schema_version: SCHEMA_VERSION, outcome, reloaded, configuration }).into_response()
}

/// Asks, and waits for what comes of it. A refusal's body lists every problem.
pub(super) async fn from_api(
    State(web): State<Web>,
    body: Result<Json<ReloadBody>, JsonRejection>,
) -> Response {
    let Ok(Json(body)) = body else {
        return Problem::new(StatusCode::BAD_REQUEST, "expected {\"by\":\"name\"}").into_response();
    };
    read_anew(&web, &body.by, Anew::Folder).await
}

/// The same for users alone.
pub(super) async fn users_from_api(
    State(web): State<Web>,
    body: Result<Json<UsersBody>, JsonRejection>,
) -> Response {
    let Ok(Json(body)) = body else {
        let text = "expected {\"by\":\"name\"}, with \"file\" if a certain one was changed";
        return Problem::new(StatusCode::BAD_REQUEST, text).into_response();
    };
    read_anew(&web, &body.by, Anew::Users { file: body.file.map(PathBuf::from) }).await
}

async fn read_anew(web: &Web, by: &str, anew: Anew) -> Response {
    let Some(by) = checked_name(by) else {
        let text = "`by` is empty, too long or holds line breaks: give a name of at most 60 characters";
        return Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text).into_response();
    };
    let Some(reloader) = &web.app.reloader else {
        let text = "this daemon has no line folder that could be read anew: it is a demo";
        return Problem::new(StatusCode::CONFLICT, text).into_response();
    };
    match reloader.reload(by, anew).await {
        ReloadAnswer::Done(reloaded) => outcome("reloaded", Some(reloaded), None),
        ReloadAnswer::Unchanged { fingerprint } => outcome("unchanged", None, Some(fingerprint)),
        ReloadAnswer::Refused { text, problems } => {
            let body = json!({ "schema_version": SCHEMA_VERSION, "outcome": "refused", "detail": text, "problems": problems });
            (StatusCode::UNPROCESSABLE_ENTITY, Json(body)).into_response()
        }
        ReloadAnswer::NotNow { why } => Problem::new(StatusCode::CONFLICT, why).into_response(),
    }
}
