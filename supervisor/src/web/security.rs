//! What stands before every route: who may ask (host, origin), for how long, and what the browser may do with the answer.

use super::Web;
use super::doors::{self, Doors};
use super::problem::Problem;
use axum::extract::{Request, State};
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::http::{HeaderMap, Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::time::Duration;

/// Largest body of a request, bytes.
pub(super) const BODY_LIMIT_BYTES: usize = 16 * 1024;

/// How long a request may take from its last header to the first byte of the answer.
const ANSWER_WITHIN: Duration = Duration::from_secs(10);

/// Names by which a loopback server may be called. Anything else is another site's name pointed at this machine.
const HOSTS: [&str; 3] = ["127.0.0.1", "localhost", "[::1]"];

/// Nothing but our own files; no inline script or style; no string ever becomes markup in a script.
const CONTENT_SECURITY_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; \
     connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'; \
     require-trusted-types-for 'script'; trusted-types 'none'";

/// Refuses foreign hosts and foreign writes, limits the time, and puts the headers on whatever comes back.
pub(super) async fn guard(State(web): State<Web>, request: Request, next: Next) -> Response {
    let doors = &web.app.doors;
    let mut response = match refusal(request.method(), request.headers(), doors) {
        Some(problem) => problem.into_response(),
        None => {
            let visit = doors::of(doors, &request);
            let answer = doors::within(visit, next.run(request));
            tokio::time::timeout(ANSWER_WITHIN, answer).await.unwrap_or_else(|_late| {
                Problem::new(
                    StatusCode::SERVICE_UNAVAILABLE,
                    "no answer within 10 s: the daemon is too busy, try again",
                )
                .into_response()
            })
        }
    };
    add_headers(response.headers_mut());
    response
}

/// Why the request is not served at all.
fn refusal(method: &Method, headers: &HeaderMap, doors: &Doors) -> Option<Problem> {
    if !host_is_ours(headers, |host| doors.answers_to(host)) {
        return Some(Problem::new(
            StatusCode::MISDIRECTED_REQUEST,
            "this server answers only as 127.0.0.1, localhost, [::1] and the `page_names` of its site.toml: open it under one of \
             these names",
        ));
    }
    let reads = matches!(*method, Method::GET | Method::HEAD | Method::OPTIONS);
    (!reads && !write_is_ours(headers)).then(|| {
        Problem::new(
            StatusCode::FORBIDDEN,
            "the request came from another site, or does not say where from: send it from Setward's own page, \
             or as application/json without an Origin",
        )
    })
}

fn text(headers: &HeaderMap, name: HeaderName) -> Option<&str> {
    headers.get(name).map(|value| value.to_str().unwrap_or("?"))
}

/// The host without its port, if it is one of ours.
fn host_is_ours(headers: &HeaderMap, is_configured: impl Fn(&str) -> bool) -> bool {
    if headers.get_all(header::HOST).iter().count() != 1 {
        return false;
    }
    let Some(host) = text(headers, header::HOST) else { return false };
    let host = host.to_ascii_lowercase();
    let (name, port) = match host.rsplit_once(':') {
        Some((name, port)) if !port.ends_with(']') => (name, Some(port)),
        _ => (host.as_str(), None),
    };
    let is_port = |port: &str| !port.starts_with('+') && port.parse::<u16>().is_ok();
    (HOSTS.contains(&name) || is_configured(name)) && port.is_none_or(is_port)
}

/// Whether a write comes from our own page, or from a program that no browser can pose as.
fn write_is_ours(headers: &HeaderMap) -> bool {
    let origin = text(headers, header::ORIGIN);
    let own_origin = origin.is_some_and(|origin| {
        let host = text(headers, header::HOST).unwrap_or_default();
        origin.strip_prefix("http://").or_else(|| origin.strip_prefix("https://")) == Some(host)
    });
    match text(headers, HeaderName::from_static("sec-fetch-site")) {
        // Under `no-referrer` a form of our own page sends the origin "null"; the browser's own mark then decides.
        Some("same-origin") => own_origin || matches!(origin, None | Some("null")),
        Some(_) => false,
        None if origin.is_some() => own_origin,
        // A browser always says where a write comes from, and can't send JSON elsewhere without asking first.
        None => is_json(headers),
    }
}

fn is_json(headers: &HeaderMap) -> bool {
    let kind = text(headers, header::CONTENT_TYPE).unwrap_or_default();
    kind.split(';').next().is_some_and(|kind| kind.trim().eq_ignore_ascii_case("application/json"))
}

fn add_headers(headers: &mut HeaderMap) {
    let fixed = [
        (header::CONTENT_SECURITY_POLICY, CONTENT_SECURITY_POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    ];
    for (name, value) in fixed {
        headers.insert(name, HeaderValue::from_static(value));
    }
    // Static files set their own; everything else is data, and old data must never look live.
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&'static str, &'static str)]) -> HeaderMap {
        pairs.iter().map(|(n, v)| (HeaderName::from_static(n), HeaderValue::from_static(v))).collect()
    }

    fn check_host(host: &'static str, ours: bool) {
        assert_eq!(
            host_is_ours(&headers(&[("host", host)]), |name| name == "line-2.example"),
            ours,
            "{host}"
        );
    }

    #[test]
    fn only_loopback_names_are_answered() {
        for host in [
            "127.0.0.1",
            "127.0.0.1:8080",
            "localhost:1",
            "LOCALHOST:80",
            "[::1]",
            "[::1]:8080",
            "LINE-2.example:443",
        ] {
            check_host(host, true);
        }
        for host in [
            "plant.example",
            "127.0.0.1.plant.example",
            "localhost.example:80",
            "127.0.0.1:99999",
            "[::1]x",
            "[::1]:8080:1",
            "localhost:+1",
            "line-2.example.other",
            "line-2.example@other",
            "",
        ] {
            check_host(host, false);
        }
        assert!(!host_is_ours(&HeaderMap::new(), |_| true));
    }

    fn check_write(pairs: &[(&'static str, &'static str)], ours: bool) {
        let mut all = headers(&[("host", "127.0.0.1:8080")]);
        all.extend(headers(pairs));
        assert_eq!(write_is_ours(&all), ours, "{pairs:?}");
    }

    #[test]
    fn only_our_own_page_and_programs_may_write() {
        check_write(&[("sec-fetch-site", "same-origin"), ("origin", "http://127.0.0.1:8080")], true);
        check_write(&[("sec-fetch-site", "same-origin"), ("origin", "null")], true);
        check_write(&[("origin", "http://127.0.0.1:8080")], true);
        check_write(&[("content-type", "application/json")], true);
        check_write(&[("content-type", "Application/JSON; charset=utf-8")], true);
        check_write(&[("sec-fetch-site", "cross-site"), ("origin", "http://127.0.0.1:8080")], false);
        check_write(&[("sec-fetch-site", "same-site"), ("content-type", "application/json")], false);
        check_write(&[("sec-fetch-site", "same-origin"), ("origin", "http://other.example")], false);
        check_write(&[("origin", "http://127.0.0.1:9090")], false);
        check_write(&[("origin", "null"), ("content-type", "application/json")], false);
        check_write(&[("content-type", "application/x-www-form-urlencoded")], false);
        check_write(&[("content-type", "text/plain;application/json")], false);
        check_write(&[], false);
    }
}
