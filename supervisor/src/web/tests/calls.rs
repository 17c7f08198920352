//! What is said of an alarm to somebody far away, in the words of the page; and what the page says of the ways there.

use super::support::{NIGHT, before, line, snapshot, stage};
use super::{get, post_json};
use crate::notify::testing::{Told, alive, message};
use crate::notify::{ChannelStatus, Message, Outlook, SharedChannelStatus, Subject};
use crate::web::AppState;
use axum::http::StatusCode;

const OUTLET: Told<'static> = Told {
    alarm: "fryer-outlet-cold",
    occurrence: 3,
    subject: Subject::Alarm,
    raised: before(112),
    waited_s: 112,
    cleared: None,
    by: None,
};

fn told(all: &[Told<'_>]) -> Message {
    let mut line = line();
    line.notify.page_url = Some("https://line-1.example".to_owned());
    let message = message(&line, &snapshot(), NIGHT, all);
    assert!(message.line.chars().count() <= 120 && message.body.starts_with(&message.line), "{message:?}");
    assert!(!message.line.chars().any(char::is_control));
    message
}

#[test]
fn a_line_says_what_how_far_how_long_where_and_whether_it_gets_worse() {
    let message = told(&[OUTLET]);
    assert_eq!(
        message.line,
        "SIMULATED MEDIUM Fryer oil outlet too cold: -5.1 K below setpoint 168.0 C for 6 min 10 s, better (Fryer, TT-313)"
    );
    for part in [
        "Raised 03:08:30.",
        "Nobody has acknowledged it for 1 min 52 s.",
        "Where: Fryer, TT-313 Fryer oil outlet",
        "Value: 162.9 \u{b0}C",
        "How far: \u{2212}5.1 K below setpoint 168.0 \u{b0}C",
        "Out for: 6 min 10 s, since 03:04:12",
        "Trend: better, +0.30 K/min",
        "Signal: good, under 2 s old",
        "Operator, now:\n  1. Read heat demand",
        "Technician, next:\n  1. ",
        "Time to act before it costs product or worse:",
        "If nobody acts: Chips leave",
        "\nhttps://line-1.example/alarms/fryer-outlet-cold\n",
        "Quarry Lane, Line 1, 03:10:22",
        "it is no safety function",
    ] {
        assert!(message.body.contains(part), "{part:?} is not in\n{}", message.body);
    }
    let real = crate::notify::testing::message(
        &setward_config::Line { simulated: false, ..line() },
        &snapshot(),
        NIGHT,
        &[OUTLET],
    );
    assert!(real.line.starts_with("MEDIUM Fryer") && !real.body.contains("SIMULATED"), "{}", real.line);
    assert!(!real.body.contains("http"), "no address of a page, no link");
}

#[test]
fn a_reminder_an_end_and_a_call_that_somebody_took_say_so() {
    let reminder = told(&[Told { subject: Subject::Reminder, waited_s: 900, ..OUTLET }]).line;
    assert!(
        reminder.starts_with(
            "SIMULATED STILL MEDIUM Fryer oil outlet too cold: nobody has acknowledged it for 15 min"
        ),
        "{reminder}"
    );
    let over = Told { subject: Subject::Over, cleared: Some(before(22)), by: Some("In\u{e9}s"), ..OUTLET };
    assert_eq!(
        told(&[over]).line,
        "SIMULATED OVER Fryer oil outlet too cold: raised 03:08:30, over 03:10:00, acknowledged by In\u{e9}s (Fryer, TT-313)"
    );
    assert!(!told(&[over]).body.contains("Operator, now"), "nothing is to be done about it");
    let taken = told(&[Told { by: Some("Ana"), ..OUTLET }]);
    assert!(taken.body.contains("It is acknowledged by Ana."), "{}", taken.body);
}

/// The page's numbers are those of another occurrence by then.
#[test]
fn an_earlier_occurrence_is_not_told_with_the_present_ones_numbers() {
    let line = told(&[Told { occurrence: 2, ..OUTLET }]).line;
    assert_eq!(line, "SIMULATED MEDIUM Fryer oil outlet too cold: raised 03:08:30 (Fryer, TT-313)");
}

#[test]
fn a_value_that_nobody_knows_is_told_as_that() {
    let kettle = Told { alarm: "kettle-hold-cold", occurrence: 0, ..OUTLET };
    let message = told(&[kettle]);
    assert!(message.line.contains("Kettle 1 hold too cold: no value, "), "{}", message.line);
    assert!(message.body.contains("Look first: "), "{}", message.body);
}

#[test]
fn a_digest_counts_by_priority_and_lists_what_matters_most_first() {
    let high =
        Told { alarm: "oil-flow-low", occurrence: 12, raised: before(415), by: Some("In\u{e9}s"), ..OUTLET };
    let alone = told(&[high]).line;
    let expected = "SIMULATED HIGH Fryer oil flow low: -0.8 m3/h below limit 38.0 m3/h for 7 min, better (Fryer, FT-320)";
    assert_eq!(
        alone,
        format!("{expected}, acknowledged by In\u{e9}s")
            .chars()
            .take(alone.chars().count())
            .collect::<String>()
    );
    assert!(alone.starts_with(expected), "{alone}");
    let message = told(&[high, OUTLET, Told { alarm: "oven-zone-1-cold", occurrence: 2, ..OUTLET }]);
    assert_eq!(message.subject, Subject::Digest);
    assert_eq!(
        message.line,
        "SIMULATED 3 alarms on Line 1 since 03:03:27: 1 high, 2 medium; 2 stand; first: Fryer oil flow low"
    );
    assert_eq!(message.items.len(), 3);
    assert!(message.items.iter().all(|item| message.body.contains(&item.line)));
    assert!(message.body.contains("https://line-1.example/alarms\n"));
}

#[test]
fn the_message_of_the_day_counts_what_stands() {
    let message = alive(&line(), &snapshot(), NIGHT);
    assert_eq!(message.line, "SIMULATED Setward watches Line 1: 3 alarms stand, 2 not acknowledged");
}

/// Names come from files; nothing in them may begin a line of its own in the head of a mail.
#[test]
fn no_name_breaks_a_line() {
    let mut line = line();
    line.name = "Line 1\r\nBcc: all@plant.example".to_owned();
    for alarm in &mut line.alarms {
        alarm.name = format!("{}\r\n\u{2028}X-Evil: yes\u{202e}\u{0}", alarm.name);
        alarm.response_now = vec!["one\nX-Evil: two".to_owned()];
    }
    let messages = [
        message(&line, &snapshot(), NIGHT, &[OUTLET]),
        message(&line, &snapshot(), NIGHT, &[OUTLET, OUTLET]),
        alive(&line, &snapshot(), NIGHT),
    ];
    for message in messages {
        let lines = message.items.iter().map(|item| &item.line).chain([&message.line]);
        for text in lines {
            assert!(
                !text.chars().any(|letter| letter.is_control() || "\u{2028}\u{202e}".contains(letter)),
                "{text:?}"
            );
        }
        assert!(
            message.body.lines().all(|text| !text.starts_with("X-Evil") && !text.starts_with("Bcc")),
            "{}",
            message.body
        );
    }
}

fn with_channels(statuses: Vec<ChannelStatus>) -> AppState {
    let statuses = statuses.into_iter().map(SharedChannelStatus::of).collect();
    AppState { notify: Outlook { statuses, ..Outlook::default() }, ..stage(line(), snapshot()).state }
}

fn broken() -> ChannelStatus {
    ChannelStatus {
        name: "pager".to_owned(),
        way: "webhook",
        waiting: 2,
        problem: Some(
            "pager can't be told of alarms: connection refused; what is to be said waits".to_owned(),
        ),
        failing_since: Some(before(600)),
        is_broken: true,
        ..ChannelStatus::default()
    }
}

#[tokio::test]
async fn a_channel_that_fails_stands_on_every_page_and_in_the_health() {
    let fine = ChannelStatus {
        name: "desk".to_owned(),
        way: "mail",
        sent: 3,
        last_sent: Some(before(60)),
        ..ChannelStatus::default()
    };
    let state = with_channels(vec![fine.clone(), broken()]);
    for path in ["/", "/alarms", "/alarms/fryer-outlet-cold", "/signals/TT-310", "/stations/fryer"] {
        let page = get(&state, path).await.text;
        assert!(page.contains("to pager do not arrive since 03:00:22"), "{path}");
    }
    let page = get(&state, "/").await.text;
    assert!(page.contains("connection refused") && page.contains("last message 03:09:22"), "{page}");
    assert!(page.contains("no message yet in this run, 2 things to be said"), "{page}");
    let health = get(&state, "/healthz").await;
    assert_eq!(health.status, StatusCode::OK, "the line is watched all the same");
    let body: serde_json::Value = serde_json::from_str(health.text.lines().nth(1).unwrap()).unwrap();
    assert_eq!(
        (&body["channels"][0]["broken"], &body["channels"][1]["broken"]),
        (&false.into(), &true.into())
    );
    let listed: serde_json::Value =
        serde_json::from_str(&get(&state, "/api/v1/channels").await.text).unwrap();
    assert_eq!(listed["items"][1]["failing_since"], "2026-11-25T02:00:22Z");
    let calm = with_channels(vec![fine]);
    assert!(!get(&calm, "/").await.text.contains("do not arrive"));
}

/// Where looking needs a login, a stranger's probe learns how many are not well, and neither names nor addresses.
#[tokio::test]
async fn a_stranger_learns_from_the_health_that_something_is_not_well_and_not_what() {
    let mut state = with_channels(vec![broken()]);
    state.doors = super::doors::house(super::doors::access(true)).state.doors;
    let health = get(&state, "/healthz").await;
    assert_eq!(health.status, StatusCode::OK);
    let body: serde_json::Value = serde_json::from_str(health.text.lines().nth(1).unwrap()).unwrap();
    assert_eq!((&body["channels_failing"], &body["history_works"]), (&1.into(), &true.into()));
    for hidden in ["pager", "refused", "problem", "name"] {
        assert!(!health.text.contains(hidden), "{hidden}: {}", health.text);
    }
    let vera = super::doors::sign_in(&state, "Vera").await;
    let seen = super::doors::look(&state, "/healthz", &vera).await;
    assert!(seen.text.contains("pager") && seen.text.contains("connection refused"), "{}", seen.text);
}

#[tokio::test]
async fn a_test_message_is_a_write_like_any_other() {
    let state = with_channels(Vec::new());
    let none = post_json(&state, "/api/v1/channels/test", "{}").await;
    assert_eq!(none.status, StatusCode::NOT_FOUND);
    assert!(none.text.contains("[[webhook]]"), "{}", none.text);
    let wrong = post_json(&state, "/api/v1/channels/test", "{\"chanel\":\"x\"}").await;
    assert_eq!(wrong.status, StatusCode::BAD_REQUEST);
    let foreign = super::request("POST", "/api/v1/channels/test")
        .header("origin", "http://evil.example")
        .header("content-type", "application/json")
        .body(axum::body::Body::from("{}"))
        .unwrap();
    assert_eq!(super::send(&state, foreign).await.status, StatusCode::FORBIDDEN);
}
