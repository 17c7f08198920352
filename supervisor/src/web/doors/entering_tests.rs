//! People who hang up while they sign in.

use super::*;
use crate::web::tests::stage_of_night;
use crate::web::{AppState, router};
use axum::body::Body;
use axum::http::{Request, header};
use setward_config::line::{Access, Users};
use std::future::Future as _;
use std::task::{Context, Waker};
use tower::ServiceExt as _;

fn login() -> Request<Body> {
    Request::post("/login")
        .header(header::HOST, "127.0.0.1:8080")
        .header("sec-fetch-site", "same-origin")
        .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded")
        .body(Body::from("name=Olga&passphrase=wrong+words+and+more"))
        .unwrap()
}

#[tokio::test]
async fn whoever_hangs_up_while_signing_in_starts_no_second_hash_and_is_counted_all_the_same() {
    let access =
        Access { users: Some(Users { file: "users.toml".into(), ..Users::default() }), ..Access::default() };
    let state = AppState { doors: Arc::new(Doors::new(access)), ..stage_of_night() };
    let (doors, router) = (Arc::clone(&state.doors), router(state));
    for _ in 0..50 {
        let mut asked = Box::pin(router.clone().oneshot(login()));
        // Until the form is read and the try has begun, or is refused because too many are in line.
        for _ in 0..20 {
            if asked.as_mut().poll(&mut Context::from_waker(Waker::noop())).is_ready() {
                break;
            }
            tokio::task::yield_now().await;
        }
        drop(asked);
    }
    // The place is free once the last hash is done, and no sooner: each of them has been counted by then.
    drop(doors.hashing.acquire().await.unwrap());
    let here = std::net::IpAddr::from([127, 0, 0, 1]);
    let tries = locked(&doors.guesses).wrong("Olga", here, doors.clock.uptime());
    assert!(tries > 5, "{} tries were counted before the place was free", tries - 1);
}
