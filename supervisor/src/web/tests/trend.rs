//! The trend page, its notes, its files and its API: a day of the fryer with a stop, a change of recipe, an alarm and a gap.

use super::requests::{check_says, json};
use super::support::{FakeHistory, before, line, snapshot, stage, stage_with};
use super::{get, post_form, request, send};
use crate::history::sqlite::InlineStore;
use crate::history::{Band, Batch, Event, HistoryStore, NewRun, NewSample};
use crate::web::AppState;
use axum::body::Body;
use axum::http::{StatusCode, header};
use setward_protocol::{NoData, Reading, Uptime, UtcMillis};
use std::sync::Arc;

const HOURS: i64 = 12;
/// Seconds before the night's moment: the fryer stops, runs again; nothing is kept; readings without a value.
const STOP: std::ops::Range<i64> = 7 * 3600..8 * 3600;
const GAP: std::ops::Range<i64> = 4 * 3600..5 * 3600;
const BAD: std::ops::Range<i64> = 2 * 3600..3 * 3600;

fn at(seconds_before: i64) -> (UtcMillis, Uptime) {
    let since_start = u64::try_from(HOURS * 3600 - seconds_before).unwrap();
    (before(seconds_before), Uptime::from_millis(since_start * 1000))
}

fn event(sequence: u64, seconds_before: i64, what: &str, alarm: Option<&str>, note: Option<&str>) -> Event {
    let (utc, at) = at(seconds_before);
    Event {
        sequence,
        utc,
        at,
        alarm: alarm.map(str::to_owned),
        occurrence: u32::from(alarm.is_some()),
        what: what.to_owned(),
        states: "AB".to_owned(),
        onset: None,
        value: None,
        exposure: None,
        by: None,
        note: note.map(str::to_owned),
    }
}

fn value(seconds_before: i64) -> Option<Reading> {
    if GAP.contains(&seconds_before) {
        None
    } else if BAD.contains(&seconds_before) {
        Some(Reading::Bad(NoData::SensorFault))
    } else if STOP.contains(&seconds_before) {
        Some(Reading::Good(40.0))
    } else {
        // A little scatter: a value that never moves is none.
        let scatter = (seconds_before % 7 - 3) as f64 * 0.05;
        Some(Reading::Good(if seconds_before < 1800 { 174.0 } else { 182.0 } + scatter))
    }
}

/// The night's line over a history of its own.
async fn fryer() -> (AppState, Arc<InlineStore>) {
    let line = line();
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let run = history.start_run(NewRun::of(&line, before(HOURS * 3600), "0.1.0")).await.unwrap();
    let signal = line.signal_by_tag("TT-310").unwrap();
    let band = |seconds_before: i64, setpoint: f64| {
        let (utc, at) = at(seconds_before);
        Band {
            signal: signal.0,
            utc,
            at,
            setpoint: Some(setpoint),
            tolerance: Some((setpoint - 3.0, setpoint + 3.0)),
        }
    };
    let readings = (1..HOURS * 3600).rev().step_by(2).filter_map(|seconds_before| {
        let (utc, at) = at(seconds_before);
        Some(NewSample { signal: signal.0, utc, at, reading: value(seconds_before)? })
    });
    let events = vec![
        event(1, HOURS * 3600, "started", None, None),
        event(2, STOP.end, "station mode", None, Some("fryer: run to stopped")),
        event(3, STOP.start, "station mode", None, Some("fryer: stopped to run")),
        event(4, 6 * 3600, "raised", Some("fryer-inlet-cold"), None),
        event(5, 5 * 3600 + 1800, "cleared", Some("fryer-inlet-cold"), None),
        event(6, 1200, "raised", Some("fryer-inlet-cold"), None),
    ];
    let batch = Batch {
        samples: readings.collect(),
        events,
        bands: vec![band(HOURS * 3600, 180.0), band(6 * 3600, 182.0)],
        ..Batch::default()
    };
    history.append(run, batch).await.unwrap();
    let mut state = stage(line, snapshot()).state;
    state.history = Arc::clone(&history) as Arc<dyn HistoryStore>;
    (state, history)
}

const DAY: &str = "signals=TT-310&from=2026-11-24T14:10:22Z&to=2026-11-25T02:10:22Z";

#[tokio::test]
async fn without_scripts_the_page_shows_band_stop_gap_bad_values_alarms_and_figures() {
    let (state, _history) = fryer().await;
    let answer = get(&state, &format!("/trend?{DAY}")).await;
    assert_eq!(answer.status, StatusCode::OK, "{}", answer.text);
    check_says(
        &answer.text,
        &[
            "SIMULATED",
            "Tue 2026-11-24 15:10:22 to Wed 2026-11-25 03:10:22",
            "12 h",
            "times in Europe/Madrid",
            "stopped",
            "stops included",
            "show them all",
            "Fryer oil inlet too cold",
            "2 times, 50 min in all",
            "stands",
            "returned after 30 min",
            "None yet.",
            "Every reading (CSV)",
        ],
        &["nothing kept in this time"],
    );
    let page = &answer.text;
    let path = |class: &str| {
        page.split(&format!("<path class=\"{class}\" d=\"")).nth(1).unwrap().split('"').next().unwrap()
    };
    assert_eq!(path("band").matches('M').count(), 2, "the band steps: {}", path("band"));
    assert!(path("mean").matches('M').count() >= 3, "the gap and the bad hour are open: {}", path("mean"));
    assert_eq!(path("none").matches('M').count(), 1, "{}", path("none"));
    assert!(!path("out").is_empty());
    assert_eq!(page.matches("class=\"stop\" x=").count(), 1);
    assert_eq!(page.matches("class=\"alarm ").count(), 2);
    assert!(!page.contains("style="), "the page forbids inline style");
    assert!(page.matches("http-equiv").count() == 0, "a page of a stretch stays as it is");
}

#[tokio::test]
async fn two_stretches_are_laid_over_each_other_with_both_figures() {
    let (state, _history) = fryer().await;
    let query =
        "signals=TT-310&from=2026-11-25T01:00:22Z&to=2026-11-25T02:10:22Z&against=2026-11-24T14:10:22Z";
    let page = get(&state, &format!("/trend?{query}")).await.text;
    check_says(
        &page,
        &[
            "Held against",
            "mean of the other stretch",
            "the other stretch",
            "difference",
            "choose a longer time",
        ],
        &[],
    );
    let body = json(&get(&state, &format!("/api/v1/trend?{query}&columns=20")).await.text);
    assert_eq!(body["against_from"], "2026-11-24T14:10:22Z");
    assert_eq!(body["signals"][0]["against"]["mean"].as_array().unwrap().len(), 20);
}

#[tokio::test]
async fn a_program_gets_columns_bands_stops_and_alarms_in_one_answer() {
    let (state, _history) = fryer().await;
    let body = json(&get(&state, &format!("/api/v1/trend?{DAY}&columns=48")).await.text);
    assert_eq!((body["schema_version"].as_i64(), body["columns"].as_i64()), (Some(1), Some(48)));
    let signal = &body["signals"][0];
    for key in ["lowest", "highest", "mean"] {
        assert_eq!(signal[key].as_array().unwrap().len(), 48, "{key}");
    }
    let quality = signal["quality"].as_str().unwrap();
    assert_eq!(quality.len(), 48);
    // The gap of an hour, and the hour without values: a quarter of an hour a column.
    assert!(quality.contains("---") && quality.contains("bbb"), "{quality}");
    assert!(signal["mean"][30].is_null(), "{signal}");
    assert!((signal["mean"][4].as_f64().unwrap() - 182.0).abs() < 0.1, "{signal}");
    assert_eq!(signal["asked"][1]["setpoint"].as_f64(), Some(182.0));
    assert_eq!(signal["not_running"][0]["text"], "stopped");
    assert_eq!(body["alarms"][0]["stood"][0]["to"], "2026-11-24T20:40:22Z");
    assert!(body["alarms"][0]["stood"][1]["to"].is_null(), "it stands");
}

#[tokio::test]
async fn the_pages_own_script_asks_for_the_panes_alone_and_gets_the_same_ones() {
    let (state, _history) = fryer().await;
    let whole = json(&get(&state, &format!("/api/v1/trend?{DAY}&columns=48")).await.text);
    let panes = json(&get(&state, &format!("/api/v1/trend?{DAY}&columns=48&parts=panes")).await.text);
    assert_eq!(panes["signals"], whole["signals"], "stops and columns");
    assert!(!panes["signals"][0]["not_running"].as_array().unwrap().is_empty());
    for left_out in ["alarms", "batches", "samples", "notes", "recipes"] {
        assert!(panes.get(left_out).is_none() && whole.get(left_out).is_some(), "{left_out}");
    }
    let wrong = get(&state, &format!("/api/v1/trend?{DAY}&parts=some")).await;
    assert_eq!(wrong.status, StatusCode::UNPROCESSABLE_ENTITY);
}

#[tokio::test]
async fn what_can_not_be_answered_is_a_problem_for_programs_and_a_way_on_for_people() {
    let (state, _history) = fryer().await;
    let many = "TT-310,".repeat(60);
    let cases = [
        ("signals=TT-301", 404, "TT-310"),
        ("from=2026-11-25T00:00:00Z&to=2026-11-24T00:00:00Z", 422, "must lie after"),
        ("last=9000d", 422, "up to 366 days"),
        ("from=1970-01-01", 422, "400 days at most"),
        ("columns=100000", 422, "10 to 2000"),
        (&format!("signals={many}"), 422, "more than 12"),
        ("sgnals=x", 422, "did you mean"),
        ("from=%ff&to=now", 422, "no time"),
    ];
    for (query, status, phrase) in cases {
        let api = get(&state, &format!("/api/v1/trend?{query}")).await;
        assert_eq!(api.status.as_u16(), status, "{query}: {}", api.text);
        assert_eq!(api.headers[header::CONTENT_TYPE], "application/problem+json", "{query}");
        assert!(api.text.contains(phrase), "{query}: {}", api.text);
        let page = get(&state, &format!("/trend?{query}")).await;
        assert_eq!(page.status.as_u16(), status, "{query}");
        assert!(page.text.contains("The trend of the last week"), "{query}");
    }
    assert!(get(&state, "/trend?signals=%3Cb%3E").await.text.contains("&lt;b&gt;"));
}

#[tokio::test]
async fn a_note_is_kept_with_who_and_when_and_markup_in_it_is_text() {
    let (state, _history) = fryer().await;
    let keep = async |text: &str, by: &str| {
        let form = format!("{}&text={text}&by={by}", DAY);
        post_form(&state, "/trend/notes", &form).await.headers[header::LOCATION].to_str().unwrap().to_owned()
    };
    let there = keep("%3Cscript%3Ealert(1)%3C%2Fscript%3E+pump+swapped", "In%C3%A9s+%3Cb%3E").await;
    assert!(there.starts_with("/trend?signals=TT-310&from=2026-11-24T14:10:22Z&"), "{there}");
    assert!(there.ends_with("&said=note-kept#notes"), "{there}");
    assert!(
        keep("%3Cscript%3Ealert(1)%3C%2Fscript%3E+pump+swapped", "In%C3%A9s+%3Cb%3E")
            .await
            .contains("said=note-before")
    );
    assert!(keep("+", "Ana").await.contains("said=no-note"));
    assert!(keep(&"x".repeat(501), "Ana").await.contains("said=no-note"));
    assert!(keep("x", "").await.contains("said=no-name"));
    let page = get(&state, there.split('#').next().unwrap()).await.text;
    check_says(
        &page,
        &[
            "Kept, with your name and the time",
            "&lt;script&gt;alert(1)&lt;/script&gt; pump swapped",
            "Inés &lt;b&gt;",
            "Wed 2026-11-25 03:10:22",
        ],
        &[],
    );
    assert!(!page.contains("<script>alert"));
    let body = json(&get(&state, &format!("/api/v1/trend?{DAY}")).await.text);
    assert_eq!(body["notes"][0]["text"], "<script>alert(1)</script> pump swapped");
    let later =
        get(&state, "/trend?signals=TT-310&from=2026-11-26T00:00:00Z&to=2026-11-26T01:00:00Z").await.text;
    check_says(&later, &["None yet.", "nothing kept in this time"], &["pump swapped"]);
}

#[tokio::test]
async fn a_note_from_another_site_is_refused() {
    let (state, _history) = fryer().await;
    let foreign = request("POST", "/trend/notes")
        .header(header::ORIGIN, "http://elsewhere.example")
        .header("sec-fetch-site", "cross-site")
        .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded")
        .body(Body::from(format!("{DAY}&text=x&by=Ana")));
    assert_eq!(send(&state, foreign.unwrap()).await.status, StatusCode::FORBIDDEN);
    let broken = post_form(&state, "/trend/notes", "text=x").await;
    assert_eq!(broken.status, StatusCode::UNPROCESSABLE_ENTITY);
}

#[tokio::test]
async fn the_same_stretch_comes_as_files_with_names_and_bounds() {
    let (state, _history) = fryer().await;
    let columns = get(&state, &format!("/trend.csv?{DAY}&columns=24")).await;
    assert_eq!(columns.text.lines().count(), 25);
    let disposition = columns.headers[header::CONTENT_DISPOSITION].to_str().unwrap();
    assert!(disposition.contains("-columns-TT-310-20261124T1410Z.csv"), "{disposition}");
    let readings =
        get(&state, "/trend-readings.csv?signals=TT-310&from=2026-11-24T23:10:22Z&to=2026-11-25T02:10:22Z")
            .await;
    assert!(readings.text.starts_with("utc,local_time,tag,value,unit,quality"), "{}", &readings.text[..80]);
    // Every two seconds, with the hour without values.
    assert_eq!(readings.text.lines().count() as i64, 1 + 3 * 1800);
    assert_eq!(readings.text.matches("sensor").count(), 1800);
    let much = get(&state, "/trend-readings.csv?signals=TT-310&last=30d").await;
    assert_eq!(much.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(much.text.contains("setward export"), "{}", much.text);
}

#[tokio::test]
async fn a_signals_and_an_alarms_page_lead_to_the_trend_of_that_time() {
    let (state, _history) = fryer().await;
    let signal = get(&state, "/signals/TT-310").await.text;
    assert!(signal.contains("href=\"/trend?signals=TT-310&amp;last=8h\""), "{signal}");
    let alarm = get(&state, "/alarms/fryer-outlet-cold").await.text;
    let there =
        alarm.split("href=\"/trend?").nth(1).unwrap().split('"').next().unwrap().replace("&amp;", "&");
    assert!(there.starts_with("signals=TT-313&from=2026-11-25T00:"), "{there}");
    assert_eq!(get(&state, &format!("/trend?{there}")).await.status, StatusCode::OK);
}

#[tokio::test]
async fn a_history_that_can_not_be_read_is_not_nothing() {
    let stage = stage_with(line(), snapshot(), FakeHistory { broken: true });
    let answer = get(&stage.state, &format!("/trend?{DAY}")).await;
    assert_eq!(answer.status, StatusCode::SERVICE_UNAVAILABLE);
    check_says(
        &answer.text,
        &["HISTORY could not be read: the disk &lt;b&gt;is full&lt;/b&gt;"],
        &["No alarm"],
    );
    assert_eq!(get(&stage.state, "/api/v1/trend").await.status, StatusCode::SERVICE_UNAVAILABLE);
}

#[test]
fn the_vendored_library_is_as_published() {
    let files = [
        (include_str!("../assets/vendor/uplot/uPlot.iife.min.js"), "uPlot.iife.min.js"),
        (include_str!("../assets/vendor/uplot/uPlot.min.css"), "uPlot.min.css"),
        (include_str!("../assets/vendor/uplot/LICENSE"), "LICENSE"),
    ];
    let listed = include_str!("../assets/vendor/uplot/README.md");
    for (text, name) in files {
        let sum = crate::history::sha256_hex(text.as_bytes());
        assert!(listed.contains(&format!("| {name} | {sum} |")), "{name}: {sum}");
    }
}
