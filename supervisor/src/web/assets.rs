//! The files a page needs, inside the binary. A file's mark is the hash of its bytes, so a browser keeps what has not changed.

use axum::extract::Path;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use percent_encoding::{NON_ALPHANUMERIC, utf8_percent_encode};
use sha2::{Digest as _, Sha256};
use std::sync::LazyLock;

/// A file inside the binary.
struct Asset {
    name: &'static str,
    kind: &'static str,
    body: &'static str,
    mark: String,
}

impl Asset {
    fn new(name: &'static str, kind: &'static str, body: &'static str) -> Self {
        let mark = Sha256::digest(body).iter().take(8).map(|byte| format!("{byte:02x}")).collect();
        Self { name, kind, body, mark }
    }
}

/// The library's style before our own: one file to fetch, and ours has the last word.
const TREND_CSS: &str =
    concat!(include_str!("assets/vendor/uplot/uPlot.min.css"), include_str!("assets/trend.css"));

/// The library and our own script over it, as one module: one file to fetch.
const TREND_JS: &str =
    concat!(include_str!("assets/vendor/uplot/uPlot.iife.min.js"), "\n", include_str!("assets/trend.js"));

static ASSETS: LazyLock<[Asset; 8]> = LazyLock::new(|| {
    [
        Asset::new("page.css", "text/css; charset=utf-8", include_str!("assets/page.css")),
        Asset::new("live.js", "text/javascript; charset=utf-8", include_str!("assets/live.js")),
        Asset::new("keypad.js", "text/javascript; charset=utf-8", include_str!("assets/keypad.js")),
        Asset::new("wall.css", "text/css; charset=utf-8", include_str!("assets/wall.css")),
        Asset::new("trend.css", "text/css; charset=utf-8", TREND_CSS),
        Asset::new("trend.js", "text/javascript; charset=utf-8", TREND_JS),
        Asset::new(
            "trend-picture.js",
            "text/javascript; charset=utf-8",
            include_str!("assets/trend-picture.js"),
        ),
        Asset::new("icon.svg", "image/svg+xml", include_str!("assets/icon.svg")),
    ]
});

/// The address of a file, with its mark, so that a new version is fetched at once.
pub(super) fn address(name: &str) -> String {
    let mark = ASSETS.iter().find(|asset| asset.name == name).map_or("", |asset| asset.mark.as_str());
    format!("/static/{name}?v={mark}")
}

/// The icon as an address that needs no request of its own.
pub(super) fn icon() -> &'static str {
    static ICON: LazyLock<String> = LazyLock::new(|| {
        let icon = include_str!("assets/icon.svg").trim();
        format!("data:image/svg+xml,{}", utf8_percent_encode(icon, NON_ALPHANUMERIC))
    });
    &ICON
}

/// Serves a file.
pub(super) async fn serve(Path(name): Path<String>, headers: HeaderMap) -> Response {
    let Some(asset) = ASSETS.iter().find(|asset| asset.name == name) else {
        return (StatusCode::NOT_FOUND, "no such file").into_response();
    };
    let tag = format!("\"{}\"", asset.mark);
    let known = headers.get(header::IF_NONE_MATCH).and_then(|value| value.to_str().ok());
    let has_it =
        known.is_some_and(|known| known.split(',').any(|one| one.trim().trim_start_matches("W/") == tag));
    let common = [(header::ETAG, tag), (header::CACHE_CONTROL, "max-age=86400".to_owned())];
    if has_it {
        return (StatusCode::NOT_MODIFIED, common).into_response();
    }
    (common, [(header::CONTENT_TYPE, asset.kind)], asset.body).into_response()
}
