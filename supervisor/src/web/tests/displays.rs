//! A screen on a wall: what its pass opens, and for how long.

use super::doors::{PASS, access, form, form_from, house, is_refused, look, sign_in};
use super::request;
use super::requests::check_says;
use crate::history::HistoryStore;
use crate::history::sqlite::InlineStore;
use crate::web::{AppState, Doors, router};
use axum::body::Body;
use axum::http::{StatusCode, header};
use std::sync::Arc;
use std::time::Duration;
use tower::ServiceExt as _;

fn typed(pass: &str) -> String {
    format!("pass={}", pass.replace(' ', "+"))
}

/// Types the pass and gives the cookie.
async fn enrol(state: &AppState) -> String {
    let answer = form(state, "/display", "", &typed(&PASS.to_lowercase().replace('-', " "))).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.text);
    assert_eq!(answer.headers[header::LOCATION], "/wall");
    let set = answer.headers[header::SET_COOKIE].to_str().unwrap();
    assert!(set.ends_with("; Max-Age=34560000; HttpOnly; SameSite=Strict"), "{set}");
    set.split(';').next().unwrap().to_owned()
}

#[tokio::test]
async fn a_pass_shows_the_wall_and_nothing_else_and_outlives_a_restart() {
    let night = house(access(true));
    assert!(is_refused(&look(&night.state, "/wall", "").await));
    check_says(&look(&night.state, "/login", "").await.text, &["This screen hangs on a wall"], &[]);
    check_says(&look(&night.state, "/display", "").await.text, &["pass", "add-display"], &["Fryer hall"]);
    let cookie = enrol(&night.state).await;
    let anew = AppState { doors: Arc::new(Doors::new(access(true))), ..night.state.clone() };
    for state in [&night.state, &anew] {
        check_says(&look(state, "/wall", &cookie).await.text, &["Display: Fryer hall", "Fryer"], &[]);
        for path in ["/", "/alarms", "/api/v1/line", "/metrics", "/trend?signals=TT-310", "/holds"] {
            assert!(is_refused(&look(state, path, &cookie).await), "{path}");
        }
    }
    tokio::time::pause();
    tokio::time::advance(Duration::from_secs(30 * 86_400)).await;
    assert_eq!(look(&night.state, "/wall", &cookie).await.status, StatusCode::OK, "a month later");
}

/// The beginning of a stream that may have no end.
async fn opened(state: &AppState, path: &str, cookie: &str) -> StatusCode {
    let asked = request("GET", path).header(header::COOKIE, cookie).body(Body::empty()).unwrap();
    router(state.clone()).oneshot(asked).await.unwrap().status()
}

#[tokio::test]
async fn a_pass_lets_a_screen_hear_of_the_whole_line_and_of_no_part_of_it() {
    let night = house(access(true));
    let (screen, vera) = (enrol(&night.state).await, sign_in(&night.state, "Vera").await);
    assert_eq!(opened(&night.state, "/events", &screen).await, StatusCode::OK);
    for path in [
        "/events?signal=TT-310",
        "/events?alarm=fryer-outlet-cold",
        "/events?station=fryer",
        "/events?signal=no-such",
        "/events?station=",
    ] {
        assert_eq!(opened(&night.state, path, &screen).await, StatusCode::FORBIDDEN, "{path}");
        assert_ne!(opened(&night.state, path, &vera).await, StatusCode::FORBIDDEN, "{path}");
    }
}

#[tokio::test]
async fn a_pass_that_is_taken_back_shows_nothing_at_once() {
    let night = house(access(true));
    let cookie = enrol(&night.state).await;
    let mut next = access(true);
    next.users.as_mut().unwrap().displays.clear();
    assert_eq!(night.state.doors.take_up(&next), ["the pass of display Fryer hall is taken back"]);
    assert!(is_refused(&look(&night.state, "/wall", &cookie).await));
    assert_eq!(form(&night.state, "/display", "", &typed(PASS)).await.status, StatusCode::FORBIDDEN);
    assert_eq!(night.state.doors.take_up(&access(true)), ["display Fryer hall has a pass"]);
}

#[tokio::test]
async fn passes_are_guessed_ever_more_slowly_and_people_sign_in_meanwhile() {
    let night = house(access(true));
    tokio::time::pause();
    let mut answers = Vec::new();
    for n in 0..12 {
        answers.push(form(&night.state, "/display", "", &typed(&format!("K7QF-{n}"))).await.status);
    }
    assert_eq!(answers[0], StatusCode::FORBIDDEN);
    assert_eq!(answers[11], StatusCode::TOO_MANY_REQUESTS, "{answers:?}");
    let elsewhere = form_from(&night.state, "/display", ("", [192, 0, 2, 7]), &typed(PASS)).await;
    assert_eq!(elsewhere.status, StatusCode::SEE_OTHER, "a new screen in another place does not wait");
    tokio::time::advance(Duration::from_secs(120)).await;
    sign_in(&night.state, "Vera").await;
}

#[tokio::test]
async fn the_audit_trail_tells_of_screens_and_holds_no_pass() {
    let night = house(access(true));
    let store = Arc::new(InlineStore::in_memory().unwrap());
    let state = AppState { history: Arc::clone(&store) as Arc<dyn HistoryStore>, ..night.state };
    form(&state, "/display", "", &typed("wrong")).await;
    let cookie = enrol(&state).await;
    look(&state, "/alarms", &cookie).await;
    let trail: Vec<String> = store
        .audit_trail(10)
        .await
        .unwrap()
        .into_iter()
        .rev()
        .map(|one| format!("{}, {}, {}", one.entry.what, one.entry.by, one.entry.about))
        .collect();
    assert_eq!(
        trail,
        [
            "sign-in refused, somebody, wrong name or passphrase, 1 from 127.0.0.1",
            "display let in, Fryer hall, from 127.0.0.1",
            "refused, Fryer hall, /alarms from 127.0.0.1",
        ]
    );
}

#[tokio::test]
async fn where_nobody_signs_in_no_screen_needs_a_pass() {
    let night = super::support::stage(super::support::line(), super::support::snapshot());
    assert_eq!(look(&night.state, "/wall", "").await.status, StatusCode::OK);
    assert_eq!(look(&night.state, "/display", "").await.status, StatusCode::NOT_FOUND);
}
