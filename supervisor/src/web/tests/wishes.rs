//! Shelving, out of service and reset: forms, API, and what pages show of them.

use super::requests::{check_says, json};
use super::support::{before, id, line, snapshot, stage};
use super::{get, post_form, post_json};
use crate::handle::Wish;
use crate::snapshot::{OutOfService, Shelf};
use axum::http::{StatusCode, header};
use setward_alarm::AlarmState;
use setward_process::condition::{Condition, Test};
use setward_protocol::{Uptime, UtcMillis};
use std::time::Duration;

const HALF_AN_HOUR: Duration = Duration::from_secs(1800);

#[tokio::test]
async fn a_form_shelves_and_comes_back_with_what_became_of_it() {
    let night = stage(line(), snapshot());
    let path = "/alarms/fryer-outlet-cold/shelve";
    let answer =
        post_form(&night.state, path, "run=7&occurrence=3&by=+Ana+&why=probe+out&minutes=30&once=1").await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER);
    assert_eq!(answer.headers[header::LOCATION], "/alarms/fryer-outlet-cold?said=shelved");
    assert!(answer.headers[header::SET_COOKIE].to_str().unwrap().contains("Ana"));
    let asked = night.asked.lock().unwrap().clone();
    assert_eq!(asked[0].wish, Wish::Shelve { span: HALF_AN_HOUR, once: true });
    assert_eq!((asked[0].by.as_str(), asked[0].why.as_deref()), ("Ana", Some("probe out")));
    let page = get(&night.state, "/alarms/fryer-outlet-cold?said=shelved").await.text;
    check_says(&page, &["On the shelf. Nobody is called by it until its time is over"], &[]);
}

#[tokio::test]
async fn a_name_may_be_left_out() {
    let night = stage(line(), snapshot());
    let answer =
        post_form(&night.state, "/alarms/fryer-outlet-cold/out-of-service", "run=7&occurrence=3&by=&why=")
            .await;
    assert_eq!(answer.headers[header::LOCATION], "/alarms/fryer-outlet-cold?said=out-of-service");
    assert!(!answer.headers.contains_key(header::SET_COOKIE));
    let asked = night.asked.lock().unwrap().clone();
    assert_eq!((asked[0].wish, asked[0].by.as_str()), (Wish::TakeOutOfService, "somebody"));
}

#[tokio::test]
async fn what_makes_an_alarm_speak_again_is_never_too_late_and_what_silences_it_is() {
    let night = stage(line(), snapshot());
    for (wish, said) in [
        ("shelve", "look-again"),
        ("out-of-service", "look-again"),
        ("reset", "look-again"),
        ("unshelve", "unshelved"),
        ("return-to-service", "in-service"),
    ] {
        let minutes = if wish == "shelve" { "&minutes=10" } else { "" };
        let path = format!("/alarms/fryer-outlet-cold/{wish}");
        let answer = post_form(&night.state, &path, &format!("run=7&occurrence=2&by=A{minutes}")).await;
        let place = answer.headers[header::LOCATION].to_str().unwrap();
        assert_eq!(place, format!("/alarms/fryer-outlet-cold?said={said}"));
    }
}

/// An answer to a form has an address that gives no page: its markup is read anew where the alarm's is.
#[tokio::test]
async fn an_acknowledgement_without_a_name_is_answered_by_a_page_that_can_be_read_anew() {
    let night = stage(line(), snapshot());
    let path = "/alarms/fryer-outlet-cold/acknowledge";
    let answer = post_form(&night.state, path, "run=7&occurrence=3&by=+").await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(answer.text.contains("data-fresh=\"/alarms/fryer-outlet-cold\""), "{}", answer.text);
    assert_eq!(get(&night.state, "/alarms/fryer-outlet-cold").await.status, StatusCode::OK);
}

#[tokio::test]
async fn bad_forms_change_nothing() {
    let night = stage(line(), snapshot());
    for (wish, form) in [
        ("shelve", "run=7&occurrence=3&by=A"),
        ("shelve", "run=7&occurrence=3&by=A&minutes=0"),
        ("shelve", "run=7&occurrence=3&by=A&minutes=-5"),
        ("unshelve", "run=7&occurrence=3&by=A&minutes=5"),
        ("shelve", "run=x&occurrence=3&by=A&minutes=5"),
        ("out-of-service", "run=7&occurrence=3&by=a%0Ab"),
    ] {
        let answer = post_form(&night.state, &format!("/alarms/fryer-outlet-cold/{wish}"), form).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{wish} {form}");
        check_says(&answer.text, &["Nothing was changed"], &["deserialize"]);
    }
    let nothing = post_form(&night.state, "/alarms/fryer-outlet-cold/explode", "run=7&occurrence=3").await;
    assert_eq!(nothing.status, StatusCode::NOT_FOUND);
    assert!(night.asked.lock().unwrap().is_empty());
}

#[tokio::test]
async fn the_api_grants_once_and_says_so_twice() {
    let night = stage(line(), snapshot());
    let path = "/api/v1/alarms/fryer-outlet-cold/shelve";
    let body = r#"{"run":7,"occurrence":3,"by":"Ana","for_s":1800}"#;
    let done = post_json(&night.state, path, body).await;
    assert_eq!(done.status, StatusCode::OK);
    assert_eq!(json(&done.text)["shelved_until"], "2026-11-25T02:40:22Z");
    assert_eq!((&json(&done.text)["already"], &json(&done.text)["durable"]), (&false.into(), &true.into()));
    let again = post_json(&night.state, path, body).await;
    assert_eq!(json(&again.text)["already"], true);
}

#[tokio::test]
async fn what_the_api_refuses_is_a_problem_with_its_reason() {
    let night = stage(line(), snapshot());
    let cases = [
        ("shelve", r#"{"run":7,"occurrence":2,"for_s":60}"#, StatusCode::CONFLICT, "another occurrence"),
        ("reset", r#"{"run":7,"occurrence":3}"#, StatusCode::CONFLICT, "only a latched alarm"),
        ("shelve", r#"{"run":7,"occurrence":3,"for_s":90000}"#, StatusCode::UNPROCESSABLE_ENTITY, "86400 s"),
        ("shelve", r#"{"run":7,"occurrence":3}"#, StatusCode::UNPROCESSABLE_ENTITY, "for_s"),
        ("shelve", r#"{"run":7,"occurrence":3,"for_s":0}"#, StatusCode::UNPROCESSABLE_ENTITY, "1 or more"),
        ("unshelve", r#"{"run":7,"occurrence":3,"for_s":5}"#, StatusCode::UNPROCESSABLE_ENTITY, "for_s"),
        ("unshelve", r#"{"run":7,"occurrence":3,"x":5}"#, StatusCode::UNPROCESSABLE_ENTITY, "\"run\":1"),
        ("explode", r#"{"run":7,"occurrence":3}"#, StatusCode::NOT_FOUND, "return-to-service"),
    ];
    for (wish, body, status, says) in cases {
        let answer = post_json(&night.state, &format!("/api/v1/alarms/fryer-outlet-cold/{wish}"), body).await;
        assert_eq!(answer.status, status, "{wish} {body} {}", answer.text);
        assert_eq!(answer.headers[header::CONTENT_TYPE], "application/problem+json");
        assert!(json(&answer.text)["detail"].as_str().unwrap().contains(says), "{}", answer.text);
    }
    let none = post_json(&night.state, "/api/v1/alarms/none/shelve", r#"{"run":7,"occurrence":3}"#).await;
    assert_eq!(none.status, StatusCode::NOT_FOUND);
}

/// The outlet on the shelf, the flow out of service, the kettle latched.
#[tokio::test]
async fn every_page_says_who_put_an_alarm_aside_until_when_and_why() {
    let mut night = snapshot();
    let shelf = Shelf {
        until: UtcMillis(before(0).0 + 1_800_000),
        once: true,
        since: before(60),
        by: "Ana".to_owned(),
        why: Some("probe out".to_owned()),
    };
    night.alarms[1].flags.shelved_until = Some(Uptime::from_millis(1_800_000));
    (night.alarms[1].silent_until, night.alarms[1].shelf) = (Some(shelf.until), Some(shelf));
    night.alarms[2].flags.out_of_service = true;
    night.alarms[2].out_of_service =
        Some(OutOfService { since: before(600), by: "somebody".to_owned(), why: None });
    night.alarms[3].state = AlarmState::LatchedAcknowledged;
    let stage = stage(line(), night);
    let shelved = "shelved until 03:40:22, for one occurrence by Ana: probe out";
    let out = "out of service since 03:00:22, by somebody";
    let list = get(&stage.state, "/alarms").await.text;
    check_says(&list, &["Shelved by a person: 1", shelved, "Out of service: 1", out], &[]);
    let page = get(&stage.state, "/alarms/fryer-outlet-cold").await.text;
    check_says(&page, &[shelved, "Take off the shelf now"], &["Return to service"]);
    let page = get(&stage.state, "/alarms/oil-flow-low").await.text;
    check_says(&page, &[out, "Return to service"], &["Take off the shelf", "until somebody returns it"]);
    let page = get(&stage.state, "/alarms/kettle-hold-cold").await.text;
    check_says(&page, &["held until somebody has looked and resets it"], &[]);
    let body = json(&get(&stage.state, "/api/v1/alarms/fryer-outlet-cold").await.text);
    let flags = &body["item"]["flags"];
    assert_eq!((&flags["shelf"]["by"], &flags["names_checked"]), (&"Ana".into(), &false.into()));
    assert_eq!(flags["shelf"]["until"], "2026-11-25T02:40:22Z");
}

/// An alarm that waits for a mode which is not there, and one that waits for product.
#[tokio::test]
async fn the_condition_that_silences_an_alarm_is_named_with_what_it_finds() {
    let (mut line, mut night) = (line(), snapshot());
    let running = Condition { signal: id("TIC-310-MODE"), test: Test::Is(vec![1]) };
    let hot = Condition { signal: id("TT-310"), test: Test::Between { low: 178.0, high: 250.0 } };
    let known = Condition { signal: id("TT-313"), test: Test::Between { low: 100.0, high: 250.0 } };
    line.alarms[0].when = vec![running, known, hot];
    for alarm in [0, 1] {
        night.alarms[alarm].flags.suppressed.condition = true;
    }
    night.stations[2].product_present = Some(false);
    let stage = stage(line, night);
    let page = get(&stage.state, "/alarms/fryer-inlet-cold").await.text;
    let words = "silent: Fryer loop mode is manual, waits for automatic, and Fryer oil inlet is 176.4 °C, waits for 178.0 to 250.0 °C";
    check_says(&page, &[words], &["Fryer oil outlet is"]);
    let page = get(&stage.state, "/alarms/fryer-outlet-cold").await.text;
    check_says(&page, &["silent: no product under it"], &[]);
}

#[tokio::test]
async fn a_shelf_is_offered_for_no_longer_than_the_alarm_allows() {
    let mut line = line();
    line.alarms[1].settings.shelve_most = Some(Duration::from_secs(3600));
    line.alarms[2].settings.shelve_most = Some(Duration::from_secs(300));
    let stage = stage(line, snapshot());
    let page = get(&stage.state, "/alarms/fryer-outlet-cold").await.text;
    check_says(&page, &["10 min", "30 min", "1 h"], &["2 h"]);
    assert!(page.contains("<option value=\"60\"") && !page.contains("<option value=\"120\""));
    let page = get(&stage.state, "/alarms/oil-flow-low").await.text;
    assert!(page.contains("<option value=\"5\"") && !page.contains("<option value=\"10\""));
}

#[tokio::test(start_paused = true)]
async fn the_alarm_report_is_served_over_a_window_and_a_wrong_one_is_refused() {
    let night = stage(line(), snapshot());
    let body = json(&get(&night.state, "/api/v1/reports/alarms?from=2026-11-25T00:00:00Z").await.text);
    assert_eq!((&body["schema_version"], &body["calls"]), (&1.into(), &1.into()));
    assert_eq!(body["to"], "2026-11-25T02:10:22Z");
    assert_eq!(body["most_frequent"][0]["alarm"], "fryer-outlet-cold");
    for wrong in ["from=yesterday", "from=2026-11-26T00:00:00Z", "to=1"] {
        let answer = get(&night.state, &format!("/api/v1/reports/alarms?{wrong}")).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{wrong}");
    }
}
