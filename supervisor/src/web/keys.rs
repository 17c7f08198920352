//! Keys behind the `?` of an API address: one that it does not know is refused. A window that is asked for and not looked at would be
//! answered with something else.

use super::problem::Problem;
use super::{names, openapi};
use axum::extract::{Query, Request, State};
use axum::http::StatusCode;
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::collections::BTreeMap;
use std::sync::{Arc, OnceLock};

/// What of a strange key is shown.
const SHOWN: usize = 60;

/// The keys that a read knows, as the API's description has them; `None` for what it does not describe.
pub(super) fn of(path: &str) -> Option<Arc<[String]>> {
    static DESCRIBED: OnceLock<BTreeMap<String, Arc<[String]>>> = OnceLock::new();
    DESCRIBED.get_or_init(openapi::keys).get(path).cloned()
}

/// Lets a request through whose keys are all known.
pub(super) async fn check(State(known): State<Arc<[String]>>, request: Request, next: Next) -> Response {
    // What can't be read at all is the handler's to refuse.
    let pairs = Query::<Vec<(String, String)>>::try_from_uri(request.uri()).map(|Query(pairs)| pairs);
    let strange = pairs.unwrap_or_default().into_iter().map(|(key, _)| key).find(|key| !known.contains(key));
    match strange {
        Some(key) => Problem::new(StatusCode::UNPROCESSABLE_ENTITY, refusal(&key, &known)).into_response(),
        None => next.run(request).await,
    }
}

fn refusal(key: &str, known: &[String]) -> String {
    let shown: String = key.chars().take(SHOWN).collect();
    if known.is_empty() {
        return format!("\"{shown}\" is not known here; this address takes nothing behind a ?");
    }
    let nearest = names::nearest(key, known.iter().map(String::as_str));
    let hint = nearest.map(|near| format!("; did you mean \"{near}\"?")).unwrap_or_default();
    format!("\"{shown}\" is not known here, only {}{hint}", known.join(", "))
}
