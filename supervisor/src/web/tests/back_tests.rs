//! Back-tests: numbers refused and taken, a run over a real history beside the page, what it finds, the file to review.

use super::requests::{check_says, json};
use super::support::{RUN, before, snapshot, stage};
use super::{Answer, request};
use crate::history::sqlite::InlineStore;
use crate::history::{Batch, HistoryStore, NewRun, NewSample, Settings};
use crate::snapshot::LineSnapshot;
use crate::web::router;
use axum::Router;
use axum::body::Body;
use axum::http::{StatusCode, header};
use setward_config::line::Line;
use setward_protocol::{Reading, Uptime};
use std::sync::Arc;
use tower::ServiceExt as _;

/// Hours of history behind the night.
const HOURS: i64 = 3;

/// A page over the demo's line with a real history: the oil is at 203 degC for a minute each hour.
struct Desk {
    app: Router,
    _folder: tempfile::TempDir,
    _history: Arc<InlineStore>,
}

impl Desk {
    async fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let line = Line { data_dir: folder.path().join("data"), ..setward_config::load_demo().unwrap().line };
        let history = Arc::new(InlineStore::open_without_syncs(&line.data_dir, Settings::default()).unwrap());
        fill(&line, &history).await;
        // Nothing is shown of the line's present here.
        let empty = LineSnapshot {
            signals: Vec::new(),
            stations: Vec::new(),
            controllers: Vec::new(),
            alarms: Vec::new(),
            ..snapshot()
        };
        let mut state = stage(line, empty).state;
        state.history = Arc::clone(&history) as Arc<dyn HistoryStore>;
        Self { app: router(state), _folder: folder, _history: history }
    }

    async fn ask(&self, request: axum::http::Request<Body>) -> Answer {
        let (parts, body) = self.app.clone().oneshot(request).await.unwrap().into_parts();
        let bytes = axum::body::to_bytes(body, 1 << 20).await.unwrap();
        Answer {
            status: parts.status,
            headers: parts.headers,
            text: String::from_utf8(bytes.to_vec()).unwrap(),
        }
    }

    async fn get(&self, path: &str) -> Answer {
        self.ask(request("GET", path).body(Body::empty()).unwrap()).await
    }

    async fn form(&self, path: &str, form: &str) -> Answer {
        let request = request("POST", path)
            .header(header::ORIGIN, "http://127.0.0.1:8080")
            .header("sec-fetch-site", "same-origin")
            .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
        self.ask(request.body(Body::from(form.to_owned())).unwrap()).await
    }

    async fn json(&self, path: &str, body: &str) -> Answer {
        let request = request("POST", path).header(header::CONTENT_TYPE, "application/json");
        self.ask(request.body(Body::from(body.to_owned())).unwrap()).await
    }

    /// What the API says of a back-test once it is over.
    async fn over(&self, n: u64) -> serde_json::Value {
        for _ in 0..6_000 {
            let body = json(&self.get(&format!("/api/v1/back-tests/{n}")).await.text);
            if body["state"] != "running" {
                return body;
            }
            tokio::time::sleep(std::time::Duration::from_millis(10)).await;
        }
        panic!("back-test {n} does not end");
    }
}

async fn fill(line: &Line, history: &InlineStore) {
    let run = NewRun::of(line, before(HOURS * 3600), "0");
    let run = history.start_run(run).await.unwrap();
    assert_ne!(run, RUN);
    let tag = line.signal_by_tag("TT-310").unwrap();
    let sample = |second: i64| NewSample {
        signal: tag.0,
        utc: before(HOURS * 3600 - second),
        at: Uptime::from_millis(u64::try_from(second * 1000).unwrap()),
        reading: Reading::Good(if (1800..1860).contains(&(second % 3600)) { 203.0 } else { 182.0 }),
    };
    for hour in 0..HOURS {
        let samples = (hour * 3600..(hour + 1) * 3600).map(sample).collect();
        history.append(run, Batch { samples, ..Batch::default() }).await.unwrap();
    }
}

const ALARM: &str = "fryer-oil-high.TT-310";

#[tokio::test]
async fn a_higher_limit_is_tried_and_every_call_of_now_would_be_missed() {
    let desk = Desk::new().await;
    let form = desk.get(&format!("/back-test/{ALARM}")).await.text;
    check_says(&form, &["Back-test: Fryer oil too hot", "now 200 degC", "they change together"], &[]);
    let begun = desk.form(&format!("/back-test/{ALARM}"), "limit=205+degC&deadband=3+K&days=1&by=Ana").await;
    assert_eq!(
        (begun.status, begun.headers[header::LOCATION].to_str().unwrap()),
        (StatusCode::SEE_OTHER, "/back-tests/1")
    );
    let found = desk.over(1).await;
    assert_eq!(found["state"], "done", "{found}");
    // The first hour warms up nothing here: history begins with the window's data.
    let own = &found["alarms"][0];
    assert_eq!(
        (own["alarm"].as_str(), own["calls_now"].as_u64(), own["calls_with"].as_u64()),
        (Some(ALARM), Some(3), Some(0))
    );
    assert_eq!((own["missed"].as_u64(), own["added"].as_u64()), (Some(3), Some(0)));
    let page = desk.get("/back-tests/1").await;
    check_says(
        &page.text,
        &[
            "limit: 200 degC to 205 degC",
            "3 calls as it is, 0 with these settings: 3 missed",
            "no call",
            "As it is",
            "With these settings",
        ],
        &["could not be read"],
    );
    assert_eq!(page.text.matches("class=\"alarm high\"").count(), 3);
    assert!(page.text.contains("href=\"/trend?signals=TT-310&amp;from="), "{}", page.text);
}

#[tokio::test]
async fn a_shorter_delay_makes_calls_longer_and_a_lower_limit_leaves_them_as_they_are() {
    let desk = Desk::new().await;
    let body = format!(r#"{{"alarm":"{ALARM}","numbers":{{"on_delay":"10 s"}},"days":1,"by":"Ana"}}"#);
    let begun = desk.json("/api/v1/back-tests", &body).await;
    assert_eq!((begun.status, json(&begun.text)["n"].as_u64()), (StatusCode::ACCEPTED, Some(1)));
    let later = desk.over(1).await;
    let own = &later["alarms"][0];
    assert_eq!(
        (own["missed"].as_u64(), own["shorter"].as_u64(), own["longer"].as_u64()),
        (Some(0), Some(3), Some(0))
    );
    assert_eq!(own["occurrences"][0]["later_s"].as_f64(), Some(8.0));
    let body = format!(r#"{{"alarm":"{ALARM}","numbers":{{"limit":"202 degC"}},"by":"Ana"}}"#);
    desk.json("/api/v1/back-tests", &body).await;
    let same = desk.over(2).await;
    assert_eq!(same["alarms"][0]["occurrences"][2]["change"], "same");
    check_says(
        &desk.get("/back-test").await.text,
        &["on_delay: 2 s to 10 s", "limit: 200 degC to 202 degC"],
        &[],
    );
}

#[tokio::test]
async fn what_is_found_is_given_away_as_a_file_that_the_check_accepts_and_that_says_who_tried_what() {
    let desk = Desk::new().await;
    desk.form(&format!("/back-test/{ALARM}"), "limit=205+degC&days=1&by=Ana%0A").await;
    desk.over(1).await;
    let file = desk.get("/back-tests/1/alarms.toml").await;
    assert!(
        file.headers[header::CONTENT_DISPOSITION]
            .to_str()
            .unwrap()
            .starts_with("attachment; filename=\"alarms-proposed-")
    );
    for says in [
        "# PROPOSED, not in force",
        "Tried by Ana on",
        "limit: 200 degC to 205 degC",
        "3 missed",
        "limit = \"205 degC\"",
    ] {
        assert!(file.text.contains(says), "{says}\n{}", &file.text[..800]);
    }
    let mut files = setward_config::load_demo().unwrap().line.files;
    files.iter_mut().find(|own| own.path == "alarms.toml").unwrap().text = file.text;
    assert!(setward_config::check_files(&files).is_ok());
}

#[tokio::test]
async fn readings_as_csv_name_recipe_and_version_as_an_export_does() {
    let desk = Desk::new().await;
    let csv = desk.get("/trend-readings.csv?signals=TT-310&last=5min").await;
    let rows: Vec<&str> = csv.text.lines().collect();
    assert_eq!(csv.status, StatusCode::OK);
    // The clock goes on while it is asked: the stretch may reach beyond the newest reading.
    assert!((1 + 270..=1 + 300).contains(&rows.len()), "{}", rows.len());
    let recipe = rows[0].split(',').position(|name| name == "recipe").unwrap();
    for row in &rows[1..] {
        let said = row.split(',').nth(recipe).unwrap();
        assert!(
            said.starts_with("blue-corn-rounds ") && said.len() == "blue-corn-rounds ".len() + 8,
            "{row}"
        );
    }
}

#[tokio::test]
async fn every_refused_value_is_told_beside_it_and_nothing_is_begun() {
    let desk = Desk::new().await;
    let page = desk.form(&format!("/back-test/{ALARM}"), "limit=205&on_delay=soon&days=30&by=").await;
    assert_eq!(page.status, StatusCode::UNPROCESSABLE_ENTITY);
    check_says(&page.text, &["205 degC", "write 1 to 7", "give your name", "Mend what is marked"], &[]);
    assert_eq!(page.text.matches("class=\"outside\"").count(), 4, "{}", page.text);
    assert!(page.text.contains("value=\"soon\""), "what was typed is gone");
    let nothing = desk.form(&format!("/back-test/{ALARM}"), "limit=200+degC&days=1&by=Ana").await;
    check_says(&nothing.text, &["nothing is changed"], &[]);
    for (body, status, says) in [
        (r#"{"alarm":"fryer-oil-hig","numbers":{},"by":"Ana"}"#, 404, "nearest"),
        (r#"{"alarm":"measurement.TT-310","numbers":{},"by":"Ana"}"#, 422, "comes with its signal"),
        (r#"{"alarm":"fryer-inlet-cold","numbers":{"limit":"3 K"},"by":"Ana"}"#, 422, "only allowance"),
        (r#"{"alarm":"fryer-inlet-cold"}"#, 422, "expected"),
    ] {
        let answer = desk.json("/api/v1/back-tests", body).await;
        assert_eq!(answer.status.as_u16(), status, "{body}");
        assert!(answer.text.contains(says), "{}", answer.text);
    }
    assert_eq!(json(&desk.get("/api/v1/back-tests").await.text)["back_tests"].as_array().unwrap().len(), 0);
    assert_eq!(desk.get("/back-tests/9").await.status, StatusCode::NOT_FOUND);
    assert_eq!(desk.get("/back-test/measurement.TT-310").await.status, StatusCode::NOT_FOUND);
    let numbers = json(&desk.get("/api/v1/alarms/fryer-inlet-cold/numbers").await.text);
    assert_eq!(numbers["numbers"][0]["value"], "240 K.s");
}

#[tokio::test]
async fn one_runs_at_a_time_and_can_be_stopped() {
    let desk = Desk::new().await;
    let begin = || desk.form("/back-test/fryer-inlet-cold", "allowance=120+K.s&days=7&by=Ana");
    assert_eq!(begin().await.status, StatusCode::SEE_OTHER);
    // Whether the first one still runs by now is the machine's affair; what is answered must agree with it.
    let second = begin().await;
    let first_runs = second.status == StatusCode::CONFLICT;
    assert!(first_runs || second.status == StatusCode::SEE_OTHER);
    if first_runs {
        check_says(&second.text, &["one runs already, of Ana"], &[]);
    }
    let stopped = desk.form("/back-tests/1/stop", "").await;
    assert_eq!(stopped.headers[header::LOCATION].to_str().unwrap(), "/back-tests/1");
    let first = desk.over(1).await;
    if first["state"] == "failed" {
        assert!(first["problem"].as_str().unwrap().contains("stopped"), "{first}");
        check_says(&desk.get("/back-tests/1").await.text, &["Nothing was found", "stopped"], &[]);
    }
}
