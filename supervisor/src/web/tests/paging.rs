//! Lists longer than anything that is asked for in one go: page by page each row comes once.

use super::get;
use super::records::{batch, night};
use super::requests::json;
use super::support::before;
use crate::history::sqlite::InlineStore;
use crate::history::{Batch, BatchRow, Event, HistoryStore, NewRun};
use crate::report::batch::BatchReport;
use crate::snapshot::RunId;
use crate::web::AppState;
use axum::http::StatusCode;
use serde_json::Value;
use setward_protocol::Uptime;

const ALARM: &str = "fryer-outlet-cold";

/// `n`th event of a run: an alarm that raises and clears again and again.
fn event(n: u64) -> Event {
    let second = i64::try_from(n).unwrap();
    Event {
        sequence: n,
        utc: before(100_000 - second),
        at: Uptime::from_millis(n * 1000),
        alarm: Some(ALARM.to_owned()),
        occurrence: u32::try_from(n.div_ceil(2)).unwrap(),
        what: if n % 2 == 1 { "raised" } else { "cleared" }.to_owned(),
        states: "AB".to_owned(),
        onset: None,
        value: None,
        exposure: None,
        by: None,
        note: None,
    }
}

/// Two runs with so many events each.
async fn keep_events(state: &AppState, store: &InlineStore, each: u64) -> [RunId; 2] {
    let mut runs = Vec::new();
    for _ in 0..2 {
        let run = store.start_run(NewRun::of(&state.line, before(200_000), "0")).await.unwrap();
        store
            .append(run, Batch { events: (1..=each).map(event).collect(), ..Batch::default() })
            .await
            .unwrap();
        runs.push(run);
    }
    runs.try_into().unwrap()
}

/// Every item of a list, page by page.
async fn all(state: &AppState, path: &str, key: &str) -> Vec<Value> {
    let (mut items, mut after) = (Vec::new(), String::new());
    for _ in 0..100 {
        let with = if path.contains('?') { '&' } else { '?' };
        let answer = get(state, &format!("{path}{with}limit=400{after}")).await;
        assert_eq!(answer.status, StatusCode::OK, "{}", answer.text);
        let body = json(&answer.text);
        let page = body[key].as_array().unwrap();
        assert!(!page.is_empty() && page.len() <= 400, "{}", page.len());
        items.extend(page.iter().cloned());
        match body["next"].as_str() {
            Some(next) => after = format!("&after={next}"),
            None => return items,
        }
    }
    panic!("{path} has no end");
}

#[tokio::test]
async fn every_event_is_reached_over_runs_and_beyond_any_number_asked_for_at_once() {
    let (state, store) = night();
    let [first, second] = keep_events(&state, &store, 3_600).await;
    for path in ["/api/v1/events", "/api/v1/events?alarm=fryer-outlet-cold"] {
        let found = all(&state, path, "events").await;
        let told: Vec<(i64, u64)> = found
            .iter()
            .map(|one| (one["run"].as_i64().unwrap(), one["sequence"].as_u64().unwrap()))
            .collect();
        let expected: Vec<(i64, u64)> =
            [second, first].iter().flat_map(|run| (1..=3_600).rev().map(|n| (run.0, n))).collect();
        assert!(told == expected, "{} events, of {}", told.len(), expected.len());
    }
    for wrong in ["7", "7.x", "a.1", ".", "7.1.2"] {
        let answer = get(&state, &format!("/api/v1/events?after={wrong}")).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{wrong}");
    }
}

#[tokio::test]
async fn every_time_an_alarm_called_is_reached() {
    let (state, store) = night();
    let run = store.start_run(NewRun::of(&state.line, before(200_000), "0")).await.unwrap();
    store.append(run, Batch { events: (1..=9_000).map(event).collect(), ..Batch::default() }).await.unwrap();
    let found = all(&state, "/api/v1/alarms/fryer-outlet-cold/times", "times").await;
    let told: Vec<u64> = found.iter().map(|one| one["occurrence"].as_u64().unwrap()).collect();
    assert!(told == (1..=4_500).rev().collect::<Vec<_>>(), "{} times", told.len());
    assert!(found.iter().all(|one| one["lasted_s"] == 1), "each has its end, on another page or not");
}

#[tokio::test]
async fn every_batch_is_reached_two_that_began_at_once_too() {
    let (state, store) = night();
    let name = |n: i64| format!("kettle-{}-{:06}", n % 2, n / 2);
    for n in 0..6_000 {
        let record = serde_json::to_string(&BatchReport { id: name(n), ..batch() }).unwrap();
        let row = BatchRow { id: name(n), start: before(90_000 - n / 2), end: None, record };
        store.keep_batch(row).await.unwrap();
    }
    let found = all(&state, "/api/v1/batches", "batches").await;
    let told: Vec<&str> = found.iter().map(|one| one["id"].as_str().unwrap()).collect();
    let expected: Vec<String> = (0..6_000).rev().map(name).collect();
    assert!(told == expected, "{} batches", told.len());
    let unknown = get(&state, "/api/v1/batches?after=kettle-9").await;
    assert_eq!(unknown.status, StatusCode::UNPROCESSABLE_ENTITY);
}
