//! What goes for every answer of the API: a refusal is a problem body, whoever refused, and what has not changed is not sent again.

use super::problem::Problem;
use axum::body::{Body, HttpBody as _};
use axum::extract::Request;
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use sha2::{Digest as _, Sha256};

/// Longest body that gets a tag, bytes: a week of readings is not held a second time.
const TAGGED_MOST: u64 = 4 << 20;
/// Longest words of another's refusal that are passed on, characters.
const WORDS_MOST: usize = 200;

/// Stands around every route of the API.
pub(super) async fn finish(request: Request, next: Next) -> Response {
    let is_read = request.method() == Method::GET;
    let known = request.headers().get(header::IF_NONE_MATCH).cloned();
    let answer = next.run(request).await;
    if answer.status().is_client_error() || answer.status().is_server_error() {
        return as_problem(answer).await;
    }
    if is_read && answer.status() == StatusCode::OK && is_json(answer.headers()) {
        let known = known.as_ref().and_then(|known| known.to_str().ok());
        return tagged(answer, known.unwrap_or_default()).await;
    }
    answer
}

fn is_json(headers: &HeaderMap) -> bool {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or_default();
    kind.starts_with("application/json") || kind.starts_with("application/problem+json")
}

/// A refusal that the library wrote, as a problem.
async fn as_problem(answer: Response) -> Response {
    if is_json(answer.headers()) {
        return answer;
    }
    let status = answer.status();
    let words = axum::body::to_bytes(answer.into_body(), 4096).await.unwrap_or_default();
    let words: String = String::from_utf8_lossy(&words).chars().take(WORDS_MOST).collect();
    let plain = words.split_whitespace().collect::<Vec<_>>().join(" ");
    let text = if plain.is_empty() { "the address can't be read".to_owned() } else { plain };
    Problem::new(status, text).into_response()
}

/// The answer with a tag of its bytes; without them if the asker has them already.
async fn tagged(answer: Response, known: &str) -> Response {
    if answer.body().size_hint().exact().is_none_or(|length| length > TAGGED_MOST) {
        return answer;
    }
    let (mut parts, body) = answer.into_parts();
    let Ok(bytes) = axum::body::to_bytes(body, usize::try_from(TAGGED_MOST).unwrap_or(usize::MAX)).await
    else {
        let text = "the answer broke off: ask again";
        return Problem::new(StatusCode::SERVICE_UNAVAILABLE, text).into_response();
    };
    let hash: String = Sha256::digest(&bytes).iter().take(16).map(|byte| format!("{byte:02x}")).collect();
    let tag = format!("\"{hash}\"");
    if let Ok(value) = tag.parse() {
        // A program may compare; a browser still keeps nothing, for old data must never look live.
        parts.headers.insert(header::ETAG, value);
    }
    let same = |one: &str| one.trim().trim_start_matches("W/") == tag || one.trim() == "*";
    if known.split(',').any(same) {
        parts.status = StatusCode::NOT_MODIFIED;
        parts.headers.remove(header::CONTENT_TYPE);
        parts.headers.remove(header::CONTENT_LENGTH);
        return Response::from_parts(parts, Body::empty());
    }
    Response::from_parts(parts, Body::from(bytes))
}
