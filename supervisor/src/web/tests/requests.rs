//! What the pages and the API answer.

use super::support::{FakeHistory, Stage, before, line, snapshot, stage, stage_with};
use super::{get, post_form, post_json, request, send};
use crate::snapshot::AlarmView;
use axum::http::{StatusCode, header};

fn night() -> Stage {
    stage(line(), snapshot())
}

pub(super) fn json(text: &str) -> serde_json::Value {
    serde_json::from_str(text).unwrap()
}

/// Checks that `page` says each of `phrases`, and that no phrase of `never` is anywhere in it.
pub(super) fn check_says(page: &str, phrases: &[&str], never: &[&str]) {
    let plain = without_tags(page);
    for phrase in phrases {
        assert!(plain.contains(phrase), "missing: {phrase}\n{plain}");
    }
    for phrase in never {
        assert!(!plain.contains(phrase), "must not be there: {phrase}\n{plain}");
    }
}

/// The text of a page as a person reads it, with single spaces.
fn without_tags(page: &str) -> String {
    let mut text = String::new();
    for piece in page.split('<') {
        let words = piece.split_once('>').map_or(piece, |(_, words)| words);
        text.push_str(words);
        text.push(' ');
    }
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[tokio::test]
async fn every_route_answers() {
    let night = night();
    for path in [
        "/",
        "/alarms",
        "/alarms/fryer-inlet-cold",
        "/signals/TT-310",
        "/stations/oven",
        "/healthz",
        "/metrics",
        "/static/page.css",
        "/static/live.js",
        "/static/icon.svg",
        "/api/v1/line",
        "/api/v1/signals",
        "/api/v1/signals/TT-310",
        "/api/v1/alarms",
        "/api/v1/alarms/oil-flow-low",
    ] {
        assert_eq!(get(&night.state, path).await.status, StatusCode::OK, "{path}");
    }
    for tag in line().signals.iter().map(|signal| &signal.tag) {
        assert_eq!(get(&night.state, &format!("/signals/{tag}")).await.status, StatusCode::OK, "{tag}");
    }
    for id in line().alarms.iter().map(|alarm| &alarm.id) {
        assert_eq!(get(&night.state, &format!("/alarms/{id}")).await.status, StatusCode::OK, "{id}");
    }
}

#[tokio::test]
async fn the_overview_puts_alarms_first_and_shows_no_value_where_there_is_none() {
    let page = get(&night().state, "/").await.text;
    let alarm = page.find("Fryer oil outlet too cold").unwrap();
    assert!(alarm < page.find("Kettle 1 cook temperature").unwrap());
    check_says(
        &page,
        &[
            "SIMULATED",
            "Blue-corn rounds, salted",
            "1 high 2 medium 2 not acknowledged",
            "MANUAL TIC-310 Fryer oil inlet",
            "oldest data 47 s old, from controller oven, at 03:10:22",
            "NO DATA from controller oven since 03:09:35",
            "Fryer run 2 alarms",
            "TT-313 Fryer oil outlet · Fryer",
            // The oven alarm's value is gone: nobody knows whether it is back in tolerance.
            "not known: no value",
            "2 of 6 blind",
            "176.4 °C",
            "\u{2212}5.6 K",
            "below tolerance",
            "No value: sensor fault last good 95.8 °C at 03:08:11",
            "entered 185.0 °C",
            "Unknown: the speed has no value (no reply)",
            "55.0 s",
            "Monitoring only",
        ],
        &["3276.7", "back inside"],
    );
}

#[tokio::test]
async fn a_station_page_shows_what_it_does_and_all_its_values() {
    let night = night();
    let page = get(&night.state, "/stations/fryer").await;
    assert_eq!(page.status, StatusCode::OK);
    check_says(
        &page.text,
        &[
            "Fryer run 2 alarms",
            "Fryer oil outlet too cold",
            "Fryer belt speed ST-340 3.60 m/min",
            "Controllers that feed it fryer",
        ],
        &["more values", "Kettle 1", "cook 127"],
    );
    let missing = get(&night.state, "/stations/fyrer").await;
    assert_eq!(missing.status, StatusCode::NOT_FOUND);
    assert!(missing.text.contains("href=\"/stations/fryer\""));
}

#[tokio::test]
async fn a_setpoint_that_someone_turned_is_told_against_the_recipe() {
    let night = night();
    let page = get(&night.state, "/signals/TIC-310-SP").await.text;
    check_says(
        &page,
        &["Entered 185.0 °C Recipe 182.0 °C Latitude ±2.0 K may be turned unasked; +3.0 K is 150 % of it"],
        &[],
    );
    let body = json(&get(&night.state, "/api/v1/signals/TIC-310-SP").await.text);
    let entered = &body["item"]["entered"];
    assert_eq!(
        (
            entered["recipe_value"].as_f64(),
            entered["deviation"].as_f64(),
            entered["beyond_latitude"].as_bool()
        ),
        (Some(182.0), Some(3.0), Some(true))
    );
}

#[tokio::test]
async fn the_age_of_a_lost_value_is_that_of_its_last_good_one() {
    let night = night();
    let page = get(&night.state, "/signals/TT-101").await.text;
    check_says(&page, &["bad: sensor fault, last good value 2 min 11 s old"], &["under 2 s old"]);
}

#[tokio::test]
async fn a_method_that_is_not_served_is_told_in_a_body() {
    let night = night();
    for path in ["/api/v1/alarms", "/api/v1/alarms/fryer-inlet-cold", "/alarms"] {
        let delete = request("DELETE", path).header(header::CONTENT_TYPE, "application/json");
        let answer = send(&night.state, delete.body(axum::body::Body::empty()).unwrap()).await;
        assert_eq!(answer.status, StatusCode::METHOD_NOT_ALLOWED, "{path}");
        assert_eq!(answer.headers[header::CONTENT_TYPE], "application/problem+json", "{path}");
        assert!(answer.headers.contains_key(header::ALLOW), "{path}");
        assert!(json(&answer.text)["detail"].as_str().unwrap().starts_with("DELETE is not served here"));
    }
}

#[tokio::test]
async fn the_list_names_the_alarms_that_cannot_judge() {
    let page = get(&night().state, "/alarms").await.text;
    check_says(
        &page,
        &[
            "Blind: 2 can’t raise now",
            "controller oven gives no data",
            "Kettle 1",
            "sensor fault",
            "Oven zone 1 too cold",
            "no reply",
        ],
        &[],
    );
}

#[tokio::test]
async fn an_alarm_that_is_blind_gives_no_order_without_saying_so() {
    let page = get(&night().state, "/alarms/oven-zone-1-cold").await;
    check_says(&page.text, &["This alarm can't judge now.", "Read the local instrument"], &[]);
}

#[tokio::test]
async fn the_alarm_page_says_what_where_how_far_how_long_and_what_to_do() {
    let page = get(&night().state, "/alarms/fryer-inlet-cold").await.text;
    check_says(
        &page,
        &[
            "Fryer oil inlet too cold for too long",
            "176.4 °C \u{2212}5.6 K",
            "below setpoint 182.0 °C (recipe 179.0 to 185.0 °C)",
            "Out for 58 s, since 03:09:24",
            "152 of 240 K·s, 63 %",
            "Trend worse, \u{2212}0.80 K/min",
            "raises within 1 min 40 s: getting worse",
            "Signal good, under 2 s old",
            "Operator, now Read heat demand",
            "Address 100 counted from 0 (printed 40101 or 400101 )",
            "function code 03",
            "127.0.0.1:5023 , unit id 1",
            "1764 = 0x06E4",
            "X31: 5, 6, 7, 8",
            "Lowest",
            "not known for 2 min 1 s in all",
        ],
        &["NaN", "None"],
    );
}

#[tokio::test]
async fn a_broken_history_leaves_the_page_standing_and_says_so() {
    let broken = stage_with(line(), snapshot(), FakeHistory { broken: true });
    for path in ["/alarms", "/alarms/fryer-inlet-cold", "/signals/TT-310"] {
        let answer = get(&broken.state, path).await;
        assert_eq!(answer.status, StatusCode::OK, "{path}");
        check_says(&answer.text, &["HISTORY could not be read"], &[]);
        assert!(answer.text.contains("&lt;b&gt;is full"), "{path}");
    }
}

#[tokio::test]
async fn hostile_names_stay_text() {
    let hostile = "<script>alert(1)</script>\"'&";
    let mut line = line();
    line.name = hostile.to_owned();
    line.plant = hostile.to_owned();
    for signal in &mut line.signals {
        signal.name = hostile.to_owned();
        signal.wiring.location = Some(hostile.to_owned());
    }
    for alarm in &mut line.alarms {
        alarm.name = hostile.to_owned();
        alarm.consequence = hostile.to_owned();
        alarm.response_now = vec![hostile.to_owned()];
    }
    let mut snapshot = snapshot();
    snapshot.history_problem = Some(hostile.to_owned());
    snapshot.alarms[2].acknowledged = Some((super::support::before(1), hostile.to_owned()));
    let stage = stage(line, snapshot);
    for path in [
        "/",
        "/alarms",
        "/alarms/fryer-inlet-cold",
        "/alarms/oil-flow-low",
        "/signals/TT-310",
        "/alarms/%3Cscript%3E%22",
        "/signals/%3Cscript%3E%22",
        "/%3Cscript%3E",
        "/alarms?said=%3Cscript%3E",
    ] {
        let page = get(&stage.state, path).await.text;
        assert_eq!(page.matches("<script").count(), 1, "only our own module: {path}");
        assert!(!page.contains("alert(1)</script>"), "{path}");
        assert!(!page.contains(" style=") && !page.contains(" onclick="), "{path}");
    }
}

#[tokio::test]
async fn what_is_not_there_is_404_with_the_nearest_name() {
    let night = night();
    let page = get(&night.state, "/signals/TT310").await;
    assert_eq!(page.status, StatusCode::NOT_FOUND);
    assert!(page.text.contains("href=\"/signals/TT-310\""));
    let page = get(&night.state, "/alarms/fryer-inlet-clod").await;
    assert_eq!(page.status, StatusCode::NOT_FOUND);
    assert!(page.text.contains("href=\"/alarms/fryer-inlet-cold\""));
    assert_eq!(get(&night.state, "/nothing").await.status, StatusCode::NOT_FOUND);
    let problem = get(&night.state, "/api/v1/signals/TT310").await;
    assert_eq!(problem.status, StatusCode::NOT_FOUND);
    assert_eq!(problem.headers[header::CONTENT_TYPE], "application/problem+json");
    assert_eq!(json(&problem.text)["nearest"], "TT-310");
    assert_eq!(json(&get(&night.state, "/api/v1/nothing").await.text)["status"], 404);
}

#[tokio::test]
async fn a_key_that_an_address_does_not_know_is_refused_and_not_passed_over() {
    let night = night();
    for (path, told) in [
        ("/api/v1/events?from=2026-11-25T00:00:00Z", "\"from\" is not known here, only alarm, limit, after"),
        ("/api/v1/events?limt=5", "did you mean \"limit\"?"),
        ("/api/v1/line?x", "takes nothing behind a ?"),
        ("/api/v1/alarms/fryer-inlet-cold?at=1", "takes nothing behind a ?"),
        ("/api/v1/trend?signals=TT-310&colums=100", "did you mean \"columns\"?"),
    ] {
        let answer = get(&night.state, path).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{path}: {}", answer.text);
        assert!(json(&answer.text)["detail"].as_str().unwrap().contains(told), "{path}: {}", answer.text);
    }
    assert_eq!(
        get(&night.state, "/api/v1/events?limit=5&alarm=fryer-inlet-cold").await.status,
        StatusCode::OK
    );
}

/// An occurrence that outlived a moment inside began before it raised, not when it went out again.
#[tokio::test]
async fn the_alarm_page_tells_when_the_trouble_of_the_occurrence_began() {
    let mut snapshot = snapshot();
    snapshot.alarms[0] = AlarmView {
        onset: Some(before(400)),
        raised: Some(before(370)),
        beyond_since: Some(before(60)),
        ..snapshot.alarms[0].clone()
    };
    let page = get(&stage(line(), snapshot).state, "/alarms/fryer-inlet-cold").await.text;
    check_says(&page, &["Trouble began 03:03:42", "Raised 03:04:12"], &[]);
}

#[tokio::test]
async fn the_form_acknowledges_once_and_remembers_the_name() {
    let night = night();
    let form = "run=7&occurrence=3&by=+In%C3%A9s+&back=alarm";
    let answer = post_form(&night.state, "/alarms/fryer-outlet-cold/acknowledge", form).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER);
    assert_eq!(answer.headers[header::LOCATION], "/alarms/fryer-outlet-cold?said=acknowledged");
    let cookie = answer.headers[header::SET_COOKIE].to_str().unwrap();
    assert!(cookie.contains("SameSite=Strict") && cookie.contains("HttpOnly"), "{cookie}");
    let asked = night.asked.lock().unwrap().clone();
    assert_eq!(asked.len(), 1);
    assert_eq!((asked[0].by.as_str(), asked[0].run.0, asked[0].occurrence), ("Inés", 7, 3));
    let again = post_form(&night.state, "/alarms/fryer-outlet-cold/acknowledge", form).await;
    assert_eq!(again.headers[header::LOCATION], "/alarms/fryer-outlet-cold?said=already");
    let page = get(&night.state, "/alarms/fryer-outlet-cold?said=acknowledged").await.text;
    check_says(&page, &["Acknowledged. Everyone who looks sees your name."], &[]);
}

#[tokio::test]
async fn a_stale_form_is_told_to_look_again() {
    let night = night();
    let form = "run=7&occurrence=2&by=In%C3%A9s&back=list";
    let answer = post_form(&night.state, "/alarms/fryer-outlet-cold/acknowledge", form).await;
    assert_eq!(answer.headers[header::LOCATION], "/alarms?said=stale");
    let page = get(&night.state, "/alarms?said=stale").await.text;
    check_says(&page, &["this alarm has raised again since your page was made. Look again"], &[]);
}

#[tokio::test]
async fn bad_forms_are_refused_and_reach_nobody() {
    let night = night();
    let path = "/alarms/fryer-outlet-cold/acknowledge";
    let cases = [
        ("run=7&occurrence=3&by=+", StatusCode::UNPROCESSABLE_ENTITY),
        ("run=7&occurrence=3", StatusCode::UNPROCESSABLE_ENTITY),
        ("run=x&occurrence=3&by=A", StatusCode::UNPROCESSABLE_ENTITY),
        ("run=7&occurrence=-1&by=A", StatusCode::UNPROCESSABLE_ENTITY),
        ("", StatusCode::UNPROCESSABLE_ENTITY),
    ];
    for (form, status) in cases {
        let answer = post_form(&night.state, path, form).await;
        assert_eq!(answer.status, status, "{form}");
        assert!(!answer.text.contains("deserialize"), "{form}: {}", answer.text);
    }
    let huge = format!("run=7&occurrence=3&by={}", "x".repeat(20_000));
    assert_eq!(post_form(&night.state, path, &huge).await.status, StatusCode::PAYLOAD_TOO_LARGE);
    assert_eq!(
        post_form(&night.state, "/alarms/none/acknowledge", "run=7&occurrence=3&by=A").await.status,
        StatusCode::NOT_FOUND
    );
    assert!(night.asked.lock().unwrap().is_empty());
}

#[tokio::test]
async fn the_api_acknowledges_and_names_the_present_occurrence_when_stale() {
    let night = night();
    let path = "/api/v1/alarms/fryer-outlet-cold/acknowledge";
    let done = post_json(&night.state, path, r#"{"run":7,"occurrence":3,"by":"Ana"}"#).await;
    assert_eq!(done.status, StatusCode::OK);
    let body = json(&done.text);
    assert_eq!(
        (body["state"].as_str(), body["durable"].as_bool(), body["already"].as_bool()),
        (Some("acknowledged"), Some(true), Some(false))
    );
    let stale = post_json(&night.state, path, r#"{"run":6,"occurrence":3,"by":"Ana"}"#).await;
    assert_eq!(stale.status, StatusCode::CONFLICT);
    assert_eq!(
        (json(&stale.text)["run"].as_i64(), json(&stale.text)["occurrence"].as_i64()),
        (Some(7), Some(3))
    );
    let cases = [
        (r#"{"run":7,"occurrence":3,"by":"  "}"#, StatusCode::UNPROCESSABLE_ENTITY),
        (r#"{"run":7,"occurrence":3}"#, StatusCode::UNPROCESSABLE_ENTITY),
        (r#"{"run":7,"occurrence":3,"by":"A","x":1}"#, StatusCode::UNPROCESSABLE_ENTITY),
        ("not json", StatusCode::BAD_REQUEST),
    ];
    for (body, status) in cases {
        let answer = post_json(&night.state, path, body).await;
        assert_eq!(answer.status, status, "{body}");
        assert_eq!(answer.headers[header::CONTENT_TYPE], "application/problem+json");
        assert!(!answer.text.contains("deserialize"), "{}", answer.text);
    }
}

/// The line is published with every scan for whoever watches all the time: holding the way to it is not watching.
#[tokio::test]
async fn only_a_receiver_of_its_own_watches_the_line() {
    let night = night();
    let clones = [night.state.handle.clone(), night.state.handle.clone()];
    let own = night.publish.receiver_count();
    let watching = night.state.handle.watch();
    assert_eq!((own, night.publish.receiver_count()), (1, 2));
    drop((watching, clones));
    assert_eq!(night.publish.receiver_count(), 1);
}

#[tokio::test]
async fn a_daemon_that_stops_says_that_nothing_was_acknowledged() {
    let mut night = night();
    let (requests, received) = tokio::sync::mpsc::channel(1);
    drop(received);
    night.state.handle =
        crate::handle::LineHandle::new(requests, night.publish.subscribe(), crate::handle::Looks::default());
    let path = "/api/v1/alarms/fryer-outlet-cold/acknowledge";
    let answer = post_json(&night.state, path, r#"{"run":7,"occurrence":3,"by":"Ana"}"#).await;
    assert_eq!(answer.status, StatusCode::SERVICE_UNAVAILABLE);
    let form = "run=7&occurrence=3&by=Ana";
    let answer = post_form(&night.state, "/alarms/fryer-outlet-cold/acknowledge", form).await;
    assert_eq!(answer.headers[header::LOCATION], "/alarms/fryer-outlet-cold?said=unavailable");
}

#[tokio::test]
async fn the_api_speaks_utc_units_and_reasons() {
    let night = night();
    let body = json(&get(&night.state, "/api/v1/signals/TT-310").await.text);
    let item = &body["item"];
    assert_eq!(body["schema_version"], 1);
    assert_eq!(
        (item["value"].as_f64(), item["unit"].as_str(), item["quality"].as_str()),
        (Some(176.4), Some("degC"), Some("good"))
    );
    assert_eq!(item["at"], "2026-11-25T02:10:22Z");
    assert_eq!(
        (item["registers"]["address"].as_i64(), item["registers"]["printed_number"].as_i64()),
        (Some(100), Some(400_101))
    );
    assert_eq!(item["setpoint"]["deviation_unit"], "K");
    let body = json(&get(&night.state, "/api/v1/signals/TT-101").await.text);
    assert_eq!(
        (&body["item"]["value"], body["item"]["reason"].as_str()),
        (&serde_json::Value::Null, Some("sensor_fault"))
    );
    let body = json(&get(&night.state, "/api/v1/alarms/fryer-inlet-cold").await.text);
    assert_eq!(
        (body["item"]["forecast"].as_str(), body["item"]["forecast_s"].as_f64()),
        (Some("raises"), Some(100.0))
    );
    let body = json(&get(&night.state, "/api/v1/line").await.text);
    assert_eq!(
        (
            body["item"]["counts"]["alarms_active"].as_i64(),
            body["item"]["counts"]["alarms_not_acknowledged"].as_i64()
        ),
        (Some(2), Some(2))
    );
}

#[tokio::test(start_paused = true)]
async fn health_turns_bad_when_the_line_task_stands_still() {
    let night = night();
    assert_eq!(get(&night.state, "/healthz").await.status, StatusCode::OK);
    tokio::time::advance(std::time::Duration::from_millis(9_900)).await;
    assert_eq!(get(&night.state, "/healthz").await.status, StatusCode::OK);
    tokio::time::advance(std::time::Duration::from_millis(200)).await;
    let answer = get(&night.state, "/healthz").await;
    assert_eq!(answer.status, StatusCode::SERVICE_UNAVAILABLE);
    assert!(answer.text.contains("the line task stands still"), "{}", answer.text);
}

/// A server that history is sent to: a line on the page, and in what a monitor asks for. Without one, no word of it.
#[tokio::test(start_paused = true)]
async fn servers_that_lag_or_refuse_are_told_on_the_page_and_to_a_monitor() {
    let night = night();
    assert!(!get(&night.state, "/").await.text.contains("Servers"));
    let mut state = night.state.clone();
    let at = state.clock.utc();
    let status = |problem: Option<&str>, behind_s: i64| crate::sink::ServerStatus {
        name: "central".to_owned(),
        rejected: 3,
        lost_rows: 1,
        waiting_rows: 7200,
        problem: problem.map(str::to_owned),
        sent_until: Some(setward_protocol::UtcMillis(at.0 - behind_s * 1000)),
        ..crate::sink::ServerStatus::default()
    };
    state.servers =
        vec![crate::sink::SharedServerStatus::of(status(Some("<central> takes no readings"), 7200))];
    let page = get(&state, "/").await.text;
    let phrases = [
        "Not sending: &lt;central&gt; takes no readings",
        "2 h behind, 7200 rows wait",
        "lacks for good: 1 row, 3 refused readings",
    ];
    check_says(&page, &phrases, &[]);
    let health = get(&state, "/healthz").await.text;
    let json = json(health.lines().nth(1).unwrap());
    assert_eq!(json["servers"][0]["behind_s"], 7200.0);
    assert_eq!(json["servers"][0]["waiting_rows"], 7200);
}
