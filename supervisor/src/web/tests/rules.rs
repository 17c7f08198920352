//! What is refused, and what every answer carries.

use super::support::{line, snapshot, stage};
use super::{get, request, send};
use axum::body::Body;
use axum::http::{Request, StatusCode, header};

#[tokio::test]
async fn a_foreign_host_gets_nothing_not_even_a_static_file() {
    let night = stage(line(), snapshot());
    for path in ["/", "/api/v1/line", "/events", "/static/page.css", "/healthz"] {
        let request = Request::get(path).header(header::HOST, "evil.example").body(Body::empty()).unwrap();
        let answer = send(&night.state, request).await;
        assert_eq!(answer.status, StatusCode::MISDIRECTED_REQUEST, "{path}");
        assert!(!answer.text.contains("Line 1"), "{path}");
    }
}

#[tokio::test]
async fn a_foreign_page_cannot_acknowledge() {
    let night = stage(line(), snapshot());
    for path in ["/alarms/fryer-outlet-cold/acknowledge", "/api/v1/alarms/fryer-outlet-cold/acknowledge"] {
        let foreign = request("POST", path)
            .header(header::ORIGIN, "http://evil.example")
            .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded")
            .body(Body::from("run=7&occurrence=3&by=Mallory"))
            .unwrap();
        assert_eq!(send(&night.state, foreign).await.status, StatusCode::FORBIDDEN, "{path}");
    }
    assert!(night.asked.lock().unwrap().is_empty());
}

#[tokio::test]
async fn every_answer_carries_the_strict_headers() {
    let night = stage(line(), snapshot());
    for path in ["/", "/nothing", "/api/v1/line", "/static/page.css", "/healthz"] {
        let answer = get(&night.state, path).await;
        let policy = answer.headers[header::CONTENT_SECURITY_POLICY].to_str().unwrap();
        assert!(policy.starts_with("default-src 'none'; script-src 'self'"), "{policy}");
        assert!(!policy.contains("unsafe"), "{policy}");
        assert_eq!(answer.headers[header::X_CONTENT_TYPE_OPTIONS], "nosniff");
        assert_eq!(answer.headers[header::REFERRER_POLICY], "no-referrer");
        let keeps = path.starts_with("/static/");
        assert_eq!(answer.headers[header::CACHE_CONTROL] == "no-store", !keeps, "{path}");
    }
}

#[tokio::test]
async fn a_file_that_the_browser_has_is_not_sent_again() {
    let night = stage(line(), snapshot());
    let first = get(&night.state, "/static/page.css").await;
    let tag = first.headers[header::ETAG].clone();
    let again =
        request("GET", "/static/page.css").header(header::IF_NONE_MATCH, tag).body(Body::empty()).unwrap();
    let answer = send(&night.state, again).await;
    assert_eq!((answer.status, answer.text.len()), (StatusCode::NOT_MODIFIED, 0));
    assert_eq!(get(&night.state, "/static/..%2Fmod.rs").await.status, StatusCode::NOT_FOUND);
}

/// The value of `--name` in a part of the style sheet.
fn token(css: &str, name: &str) -> [f64; 3] {
    let at = css.split(&format!("--{name}: #")).nth(1).unwrap();
    let channel = |from: usize| {
        let eight_bit = f64::from(u8::from_str_radix(&at[from..from + 2], 16).unwrap()) / 255.0;
        if eight_bit <= 0.03928 { eight_bit / 12.92 } else { ((eight_bit + 0.055) / 1.055).powf(2.4) }
    };
    [channel(0), channel(2), channel(4)]
}

/// WCAG 2 contrast ratio of two colours.
fn contrast(a: [f64; 3], b: [f64; 3]) -> f64 {
    let luminance = |[r, g, b]: [f64; 3]| 0.2126 * r + 0.7152 * g + 0.0722 * b;
    let (a, b) = (luminance(a) + 0.05, luminance(b) + 0.05);
    a.max(b) / a.min(b)
}

#[test]
fn every_theme_keeps_its_contrast() {
    let css = include_str!("../assets/page.css");
    let (light, dark) = css.split_once("@media (prefers-color-scheme: dark)").unwrap();
    for (theme, name) in [(light, "light"), (dark, "dark")] {
        for ground in ["ground", "panel"] {
            let against = |token_name: &str| contrast(token(theme, token_name), token(theme, ground));
            for words in ["text", "soft"] {
                assert!(against(words) >= 4.5, "{name} {words} on {ground}: {:.2}", against(words));
            }
            for line in ["edge", "trace", "mark"] {
                assert!(against(line) >= 3.0, "{name} {line} on {ground}: {:.2}", against(line));
            }
        }
        for line in ["edge", "trace"] {
            let on_band = contrast(token(theme, line), token(theme, "band"));
            assert!(on_band >= 3.0, "{name} {line} on band: {on_band:.2}");
        }
    }
    for fill in ["high", "medium", "low"] {
        assert!(contrast(token(light, fill), token(light, "ink")) >= 4.5, "{fill}");
    }
    // Light grey by rule: #E8E8E8 or lighter.
    assert!(token(light, "ground")[0] >= (232.0_f64 / 255.0).powf(2.4));
}
