//! Routes over a hand-built line: what people and programs get, and what they are refused.

mod back_tests;
mod boards;
mod calls;
mod command;
mod displays;
mod doors;
mod entries;
mod metrics;
mod paging;
mod paths;
mod product;
mod records;
mod requests;
mod rules;
mod silences;
mod streams;
mod support;
mod trend;
mod wishes;

use super::{AppState, router};
use axum::body::Body;
use axum::http::{Request, Response, StatusCode, header};
use tower::ServiceExt as _;

/// Largest answer read in a test, bytes.
const MOST_BYTES: usize = 1 << 20;

/// An answer, read to its end.
struct Answer {
    status: StatusCode,
    headers: axum::http::HeaderMap,
    text: String,
}

async fn send(state: &AppState, request: Request<Body>) -> Answer {
    let response: Response<Body> = router(state.clone()).oneshot(request).await.unwrap();
    let (parts, body) = response.into_parts();
    let bytes = axum::body::to_bytes(body, MOST_BYTES).await.unwrap();
    Answer { status: parts.status, headers: parts.headers, text: String::from_utf8(bytes.to_vec()).unwrap() }
}

fn request(method: &str, path: &str) -> axum::http::request::Builder {
    Request::builder().method(method).uri(path).header(header::HOST, "127.0.0.1:8080")
}

async fn get(state: &AppState, path: &str) -> Answer {
    send(state, request("GET", path).body(Body::empty()).unwrap()).await
}

async fn post_form(state: &AppState, path: &str, form: &str) -> Answer {
    let request = request("POST", path)
        .header(header::ORIGIN, "http://127.0.0.1:8080")
        .header("sec-fetch-site", "same-origin")
        .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
    send(state, request.body(Body::from(form.to_owned())).unwrap()).await
}

async fn post_json(state: &AppState, path: &str, body: &str) -> Answer {
    let request = request("POST", path).header(header::CONTENT_TYPE, "application/json");
    send(state, request.body(Body::from(body.to_owned())).unwrap()).await
}

/// The line of the tests on its bad night, for tests beside the code.
pub(super) fn stage_of_night() -> AppState {
    support::stage(support::line(), support::snapshot()).state
}
