//! Refusals and failures as RFC 9457 problem bodies.

use axum::http::{Method, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use std::fmt;
use utoipa::ToSchema;

/// A problem, as a program reads it.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct Problem {
    /// What kind, by its status: no address of its own.
    #[serde(rename = "type")]
    kind: &'static str,
    title: &'static str,
    status: u16,
    detail: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    run: Option<i64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    occurrence: Option<u32>,
    #[serde(skip_serializing_if = "Option::is_none")]
    nearest: Option<Box<str>>,
    /// It can be confirmed.
    #[serde(skip_serializing_if = "Option::is_none")]
    asked: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    meant: Option<f64>,
}

impl Problem {
    pub(super) fn new(status: StatusCode, detail: impl Into<String>) -> Self {
        Self {
            kind: "about:blank",
            title: status.canonical_reason().unwrap_or("Problem"),
            status: status.as_u16(),
            detail: detail.into(),
            run: None,
            occurrence: None,
            nearest: None,
            asked: None,
            meant: None,
        }
    }

    /// History did not answer.
    pub(super) fn unread(why: impl fmt::Display) -> Self {
        Self::new(StatusCode::SERVICE_UNAVAILABLE, format!("history could not be read: {why}"))
    }

    /// Adds the present run and occurrence, for an acknowledgement of another one.
    pub(super) fn with_present(self, run: i64, occurrence: u32) -> Self {
        Self { run: Some(run), occurrence: Some(occurrence), ..self }
    }

    /// Says that it is a question, and what may have been meant.
    pub(super) fn with_question(self, meant: Option<f64>) -> Self {
        Self { asked: Some(true), meant, ..self }
    }

    /// Adds the nearest name that exists.
    pub(super) fn with_nearest(self, nearest: Option<String>) -> Self {
        Self { nearest: nearest.map(String::into_boxed_str), ..self }
    }
}

/// The address is there, but not for this method.
pub(super) async fn method_not_allowed(method: Method) -> Problem {
    let text = format!(
        "{method} is not served here: addresses are read with GET or HEAD, and only what a person asks or decides, such as \
         .../acknowledge, takes a POST"
    );
    Problem::new(StatusCode::METHOD_NOT_ALLOWED, text)
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let body = serde_json::to_string(&self).unwrap_or_default();
        (status, [(header::CONTENT_TYPE, "application/problem+json")], body).into_response()
    }
}
