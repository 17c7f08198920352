//! Paths that try to lead out of what is served.

use super::get;
use super::support::{line, snapshot, stage};
use axum::http::StatusCode;

#[tokio::test]
async fn a_path_that_leads_out_finds_nothing() {
    let night = stage(line(), snapshot());
    let steps = [
        "..",
        "%2e%2e",
        "%2E%2e",
        "%252e%252e",
        ".%2e",
        "..%00",
        "..%5c..",
        "%c0%ae%c0%ae",
        "....",
        "%u002e%u002e",
    ];
    let between = ["/", "%2f", "%252f", "%5c", "//", "/./"];
    let ends = ["etc/passwd", "site.toml", ".setward/history.sqlite", "page.css/../../etc/passwd"];
    let mut tried = 0;
    for root in ["/static/", "/", "/signals/", "/alarms/", "/api/v1/signals/", "/entries/"] {
        for step in steps {
            for way in between {
                for end in ends {
                    let path = format!("{root}{step}{way}{step}{way}{end}");
                    let answer = get(&night.state, &path).await;
                    let found = answer.status;
                    // Some have the form of an address that can only be asked by POST.
                    let refusals =
                        [StatusCode::NOT_FOUND, StatusCode::BAD_REQUEST, StatusCode::METHOD_NOT_ALLOWED];
                    assert!(refusals.contains(&found), "{path}: {found}");
                    assert!(!answer.text.contains("root:"), "{path}");
                    tried += 1;
                }
            }
        }
    }
    assert!(tried > 1_000, "{tried}");
}
