//! Entries over the API and by form, with a real desk behind them: taken, asked back, refused, corrected.

use super::requests::{check_says, json};
use super::support::{line, snapshot, stage};
use super::{get, post_form, post_json};
use crate::entries::desk::EntryDesk;
use crate::entries::{EntryRequest, Taken};
use crate::line::WallAnchor;
use crate::snapshot::SignalView;
use crate::web::AppState;
use axum::http::{StatusCode, header};
use setward_config::line::{EntryDue, EntryKind, LineEntry, Origin, Role};
use setward_protocol::{SignalId, Unit, Uptime, UtcMillis};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;

/// The line with finished moisture to be entered, and a desk that takes it and shows it at once.
fn desk() -> AppState {
    desk_begun(Duration::ZERO)
}

/// That desk so long after it began to watch.
fn desk_begun(ago: Duration) -> AppState {
    let (mut line, mut snapshot) = (line(), snapshot());
    let id = SignalId(u16::try_from(line.signals.len()).unwrap());
    let mut signal = line.signals[0].clone();
    (signal.tag, signal.name) = ("AI-451".to_owned(), "Finished moisture".to_owned());
    (signal.role, signal.origin, signal.unit) = (Role::Entered, Origin::Entered, Unit::Percent);
    line.signals.push(signal);
    line.entries.push(LineEntry {
        traced_to: Vec::new(),
        signal: id,
        kind: EntryKind::Number,
        unit: Unit::Percent,
        possible: (0.0, 20.0),
        usual: (0.6, 2.5),
        most_change: Some(0.8),
        due: EntryDue::Clock(Duration::from_secs(1800)),
        late_after: Duration::from_secs(600),
        class: None,
    });
    snapshot.signals.push(SignalView::NOT_POLLED);
    let wall = WallAnchor { at: Uptime::START + Duration::from_secs(3600), utc: snapshot.utc };
    let hour = Duration::from_secs(3600);
    let begun =
        WallAnchor { at: Uptime::START + (hour - ago), utc: UtcMillis(wall.utc.0 - ago.as_millis() as i64) };
    let mut desk = EntryDesk::new(&line, Vec::new(), 0, begun);
    snapshot.entries = Arc::new(desk.views(wall));
    let night = stage(line.clone(), snapshot.clone());
    let (entering, mut entered) = mpsc::channel::<EntryRequest>(8);
    tokio::spawn(async move {
        while let Some(EntryRequest { wish, answer }) = entered.recv().await {
            let taken = desk.enter(&line, &wish, wall);
            snapshot.entries = Arc::new(desk.views(wall));
            night.publish.send_replace(Arc::new(snapshot.clone()));
            let _ = answer.send(taken.map(|taken| Taken { entry: taken.row, durable: true }));
        }
    });
    AppState { handle: night.state.handle.clone().with_entries(entering), ..night.state }
}

const API: &str = "/api/v1/entries";

#[tokio::test]
async fn a_program_enters_is_asked_back_and_corrects() {
    let state = desk();
    let answer =
        post_json(&state, API, r#"{"entry":"AI-451","value":"1,3","by":"Ana","about":"lot 4"}"#).await;
    assert_eq!(answer.status, StatusCode::OK, "{}", answer.text);
    let body = json(&answer.text);
    assert_eq!(
        (&body["entry"]["n"], &body["entry"]["value"], &body["durable"]),
        (&1.into(), &1.3.into(), &true.into())
    );
    let asked = post_json(&state, API, r#"{"entry":"AI-451","value":13,"by":"Ana"}"#).await;
    assert_eq!(asked.status, StatusCode::CONFLICT);
    let body = json(&asked.text);
    assert_eq!((&body["asked"], &body["meant"]), (&true.into(), &1.3.into()));
    assert!(body["detail"].as_str().unwrap().contains("did you mean 1.3"), "{body}");
    let confirmed = r#"{"entry":"AI-451","value":13,"by":"Ana","confirmed":true}"#;
    assert_eq!(post_json(&state, API, confirmed).await.status, StatusCode::OK);
    let corrects = r#"{"entry":"AI-451","value":1.4,"by":"QA","corrects":2}"#;
    assert_eq!(post_json(&state, API, corrects).await.status, StatusCode::OK);
    let again = post_json(&state, API, corrects).await;
    assert_eq!(again.status, StatusCode::CONFLICT);
    assert!(again.text.contains("corrected already, by QA with entry 3"), "{}", again.text);
    let list = json(&get(&state, API).await.text);
    let entry = &list["items"][0];
    assert_eq!(
        (&entry["tag"], &entry["newest"], &entry["due"]),
        (&"AI-451".into(), &3.into(), &"due_later".into())
    );
    assert_eq!((&entry["entries"][1]["n"], &entry["entries"][1]["corrected"]), (&2.into(), &true.into()));
}

#[tokio::test]
async fn what_is_wrong_is_refused_in_words() {
    let state = desk();
    for (body, status, words) in [
        (r#"{"entry":"AI-45","value":1.3,"by":"A"}"#, 404, "the nearest is \"AI-451\"".replace('"', "\\\"")),
        (r#"{"entry":"AI-451","value":"NaN","by":"A"}"#, 422, "is no number".to_owned()),
        (r#"{"entry":"AI-451","value":"1.3 kg","by":"A"}"#, 422, "entered in %".to_owned()),
        (r#"{"entry":"AI-451","value":-1,"by":"A"}"#, 422, "can't be".to_owned()),
        (r#"{"entry":"AI-451","value":1.3,"by":" "}"#, 422, "1 to 60 characters".to_owned()),
        (r#"{"entry":"AI-451","value":1.3,"by":"A","taken":"noon"}"#, 422, "RFC 3339".to_owned()),
        (
            r#"{"entry":"AI-451","value":1.3,"by":"A","taken":"2099-01-01T00:00:00Z"}"#,
            422,
            "later than now".to_owned(),
        ),
        (
            r#"{"entry":"AI-451","value":1.3,"by":"A","taken":"1999-01-01T00:00:00Z"}"#,
            422,
            "older than 31 days".to_owned(),
        ),
        (r#"{"entry":"AI-451","value":1.3,"by":"A","colour":"red"}"#, 422, "confirmed".to_owned()),
        (r#"{"entry":"AI-451","value":1.3,"by":"A","corrects":9}"#, 409, "no entry 9".to_owned()),
    ] {
        let answer = post_json(&state, API, body).await;
        assert_eq!(answer.status.as_u16(), status, "{body}: {}", answer.text);
        assert!(answer.text.contains(&words), "{body}: {}", answer.text);
    }
}

#[tokio::test]
async fn a_phone_without_scripts_enters_by_form() {
    let state = desk();
    let page = get(&state, "/entries/AI-451").await.text;
    check_says(&page, &["Finished moisture", "Value in %", "Your name"], &[]);
    for raw in ["inputmode=\"decimal\"", "data-key=\"7\"", "name=\"seen\" value=\"0\""] {
        assert!(page.contains(raw), "{raw}");
    }
    assert!(!page.contains("http-equiv=\"refresh\""), "nothing is fetched anew under a hand that writes");
    let asked = post_form(&state, "/entries/AI-451", "value=13&by=In%C3%A9s&seen=0").await;
    assert_eq!(asked.status, StatusCode::CONFLICT);
    check_says(&asked.text, &["did you mean 1.3?", "I meant 1.3", "It is right"], &[]);
    assert!(asked.text.contains("value=\"13\""));
    let kept = post_form(&state, "/entries/AI-451", "value=13&meant=1.3&by=In%C3%A9s&seen=0&taken=").await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER);
    assert_eq!(kept.headers[header::LOCATION], "/entries?said=kept&n=1");
    let list = get(&state, "/entries?said=kept&n=1").await.text;
    check_says(&list, &["Entered as number 1.", "1.3 %", "Inés", "Correct no. 1"], &[]);
    // A page made before that: somebody was quicker.
    let stale = post_form(&state, "/entries/AI-451", "value=1.2&by=Bo&seen=0").await;
    check_says(&stale.text, &["Inés has entered 1.3 meanwhile"], &[]);
    let nobody = post_form(&state, "/entries/AI-451", "value=1.2&by=&seen=1").await;
    assert_eq!(nobody.status, StatusCode::UNPROCESSABLE_ENTITY);
    check_says(&nobody.text, &["Not entered: give your name"], &[]);
    assert!(nobody.text.contains("value=\"1.2\""));
    let correcting = get(&state, "/entries/AI-451?correct=1").await.text;
    check_says(&correcting, &["In place of no. 1: 1.3 %"], &[]);
    assert!(correcting.contains("name=\"corrects\" value=\"1\""));
    let missing = get(&state, "/entries/AI-45").await;
    assert_eq!(missing.status, StatusCode::NOT_FOUND);
    check_says(&missing.text, &["Did you mean", "AI-451"], &[]);
}

#[tokio::test]
async fn a_station_whose_check_is_due_is_not_called_ready() {
    let state = desk_begun(Duration::from_secs(2000));
    let board = get(&state, "/start-up").await.text;
    check_says(&board, &["Finished moisture is due since"], &[]);
    let body = json(&get(&state, "/api/v1/start-up").await.text);
    let kettles = body["stations"].as_array().unwrap().iter().find(|one| one["station"] == "kettle").unwrap();
    assert_eq!(kettles["ready"], false, "{kettles}");
}
