//! Signing in and out, and the first user: pages complete without scripts, in a frame of their own that shows nothing of the line
//! but its name.

use super::entering::{Tried, try_to_enter};
use super::visit::{Needs, Visitor, cookie, visit, why};
use super::{Doors, Visit, audit, keep, locked, passphrase};
use crate::web::{Web, acknowledge, assets};
use axum::extract::rejection::FormRejection;
use axum::extract::{Form, Query, State};
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use maud::{DOCTYPE, Markup, html};
use percent_encoding::{NON_ALPHANUMERIC, utf8_percent_encode};
use serde::Deserialize;
use setward_config::line::{User, UserRole};
use std::sync::Arc;

/// Longest way back that is believed, bytes.
const LONGEST_BACK: usize = 512;

/// Where the login page was asked from.
#[derive(Deserialize)]
pub(in crate::web) struct Asked {
    #[serde(default)]
    back: String,
}

/// The form.
#[derive(Deserialize)]
pub(in crate::web) struct LoginForm {
    name: String,
    passphrase: String,
    #[serde(default)]
    back: String,
}

/// The link's own part.
#[derive(Deserialize)]
pub(in crate::web) struct FirstAsked {
    #[serde(default)]
    key: String,
}

/// The form of the first user.
#[derive(Deserialize)]
pub(in crate::web) struct FirstForm {
    key: String,
    name: String,
    passphrase: String,
    again: String,
}

/// A page that tells nothing of the line but its name.
pub(super) fn bare(web: &Web, status: StatusCode, title: &str, body: Markup) -> Response {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) " \u{2013} " (web.app.line.name) }
                link rel="stylesheet" href=(assets::address("page.css"));
                link rel="icon" href=(assets::address("icon.svg")) type="image/svg+xml";
            }
            body {
                header {
                    div.place {
                        b { (web.app.line.name) } span.plant { (web.app.line.plant) }
                        @if web.app.line.simulated { span.simulated { "SIMULATED" } }
                    }
                }
                main #main { h1 { (title) } (body) }
                footer {
                    p {
                        b { "Monitoring only" } ": not a safety function, high limit, burner management or interlock. The line's own "
                        "panels work without signing in anywhere."
                    }
                }
            }
        }
    };
    (status, page).into_response()
}

/// A way back on this page: never to another site. Browsers drop tabs and line breaks before they read an address, and take a
/// backslash for a slash: what is no letter of an address is no way back.
fn way_back(back: &str) -> &str {
    let is_own = back.starts_with('/') && !back.starts_with("//");
    let is_plain = back.bytes().all(|byte| byte.is_ascii_graphic() && byte != b'\\');
    if is_own && is_plain && back.len() <= LONGEST_BACK { back } else { "/" }
}

fn login_address(back: &str) -> String {
    match way_back(back) {
        "/" => "/login".to_owned(),
        back => format!("/login?back={}", utf8_percent_encode(back, NON_ALPHANUMERIC)),
    }
}

fn login_form(said: &str, name: &str, back: &str) -> Markup {
    html! {
        @if !said.is_empty() { p.said role="status" { (said) } }
        form.login method="post" action="/login" {
            label for="name" { "Your name" }
            input id="name" type="text" name="name" value=(name) required maxlength="60" autocomplete="username" autocapitalize="none";
            label for="passphrase" { "Passphrase" }
            input id="passphrase" type="password" name="passphrase" required maxlength="256" autocomplete="current-password";
            input type="hidden" name="back" value=(way_back(back));
            p { button type="submit" { "Sign in" } }
        }
        details {
            summary { "You can\u{2019}t sign in?" }
            p { "An engineer gives you a new passphrase at the machine: " code { "setward user FOLDER passphrase \"NAME\"" } ". "
                "Nothing on the line waits for it: panels, interlocks and alarms go on without this page." }
        }
        p { a href="/display" { "This screen hangs on a wall" } ": it shows the line without anybody signed in." }
    }
}

/// The login page.
pub(in crate::web) async fn login_page(State(web): State<Web>, Query(asked): Query<Asked>) -> Response {
    if !web.app.doors.has_users() {
        return nobody_signs_in(&web);
    }
    let name = acknowledge::remembered_name(&HeaderMap::new()).unwrap_or_default();
    bare(&web, StatusCode::OK, "Sign in", login_form("", &name, &asked.back))
}

pub(super) fn nobody_signs_in(web: &Web) -> Response {
    let body = html! {
        p { "Nobody signs in on this line: whoever reaches its page may do everything there, under any name." }
        p { a.button href="/" { "The line" } }
    };
    bare(web, StatusCode::NOT_FOUND, "No logins", body)
}

impl Doors {
    /// A session for `user`, and the cookie that carries it.
    fn let_in(&self, user: &User) -> Result<String, String> {
        let hash = user.passphrase.as_deref().unwrap_or_default();
        let id = locked(&self.sessions).open(&user.name, hash, self.clock.uptime())?;
        Ok(cookie(self, &id))
    }
}

/// Signs in.
pub(in crate::web) async fn login(
    State(web): State<Web>,
    form: Result<Form<LoginForm>, FormRejection>,
) -> Response {
    let doors = Arc::clone(&web.app.doors);
    if !doors.has_users() {
        return nobody_signs_in(&web);
    }
    let Ok(Form(form)) = form else {
        let said = "The form did not arrive whole. Try again.";
        return bare(&web, StatusCode::BAD_REQUEST, "Sign in", login_form(said, "", ""));
    };
    let (visit, name) = (visit(), form.name.trim().chars().take(60).collect::<String>());
    let typed: String = form.passphrase.chars().take(passphrase::MOST + 1).collect();
    match try_to_enter(&web, &visit, &name, typed).await {
        Tried::Right(user) => welcome(&web, &visit, &user, way_back(&form.back)).await,
        Tried::Wrong => {
            let said = "That name and passphrase do not belong together. Mind capital letters; the name is the one in the records.";
            bare(&web, StatusCode::FORBIDDEN, "Sign in", login_form(said, &name, &form.back))
        }
        Tried::Wait(left) => {
            let seconds = left.as_secs() + 1;
            let said = format!(
                "Too many wrong tries for this name or from this place: wait {seconds} s, then try again. It never locks for good. If \
                 the line needs you now, its own panels work, and `setward alarms` at the machine needs no passphrase."
            );
            let mut page =
                bare(&web, StatusCode::TOO_MANY_REQUESTS, "Sign in", login_form(&said, &name, &form.back));
            page.headers_mut().insert(header::RETRY_AFTER, seconds.into());
            page
        }
        Tried::Busy => {
            let said = "Many are signing in just now. Try again in a moment.";
            bare(&web, StatusCode::SERVICE_UNAVAILABLE, "Sign in", login_form(said, &name, &form.back))
        }
    }
}

async fn welcome(web: &Web, visit: &Visit, user: &User, back: &str) -> Response {
    let doors = &web.app.doors;
    if let Some(key) = &visit.key {
        locked(&doors.sessions).close(key);
    }
    match doors.let_in(user) {
        Ok(cookie) => {
            audit::note(web, "signed in", &user.name, &format!("from {}", visit.peer.address()), None).await;
            ([(header::SET_COOKIE, cookie)], Redirect::to(back)).into_response()
        }
        Err(why) => bare(
            web,
            StatusCode::SERVICE_UNAVAILABLE,
            "Sign in",
            html! { p.said role="status" { "It can\u{2019}t be done now: " (why) } },
        ),
    }
}

/// Signs out.
pub(in crate::web) async fn logout(State(web): State<Web>) -> Response {
    let (doors, visit) = (&web.app.doors, visit());
    let closed = visit.key.and_then(|key| locked(&doors.sessions).close(&key));
    if let Some(session) = closed {
        audit::note(&web, "signed out", &session.name, &format!("from {}", visit.peer.address()), None).await;
    }
    ([(header::SET_COOKIE, cookie(doors, ""))], Redirect::to("/")).into_response()
}

/// What a browser is told whose visitor must sign in first, or may not do it at all.
pub(super) fn sign_in_first(
    web: &Web,
    needs: Needs,
    method: &Method,
    (back, headers): (&str, &HeaderMap),
) -> Response {
    let visitor = visit().visitor;
    let reads = matches!(*method, Method::GET | Method::HEAD);
    let sent_from = headers.get("sec-fetch-site").and_then(|site| site.to_str().ok());
    if reads && sent_from == Some("cross-site") {
        // A link on another site comes without our cookie, by design; opened from here it comes with it.
        return bare(
            web,
            StatusCode::OK,
            "One moment",
            html! { meta http-equiv="refresh" content="0"; p { a.button href=(way_back(back)) { "Go on" } } },
        );
    }
    let is_known = matches!(visitor, Visitor::Person { is_asleep: false, .. });
    if reads && !is_known {
        return Redirect::to(&login_address(back)).into_response();
    }
    let body = html! {
        p.said role="status" { "Nothing was changed: " (why(&visitor, needs)) "." }
        p { a.button href=(login_address("")) { "Sign in" } " " a.button href="/" { "The line" } }
    };
    bare(web, StatusCode::FORBIDDEN, "Not permitted", body)
}

fn is_at_the_machine(visit: &Visit) -> bool {
    visit.peer.address().is_loopback()
}

fn no_such_link(web: &Web) -> Response {
    let body = html! {
        p { "This link is not good, or not any more: it works once, within a quarter of an hour, and on the machine itself only." }
        p { "A new start of " code { "setward run" } " prints a new one while there is no user. Or, at the machine: "
            code { "setward user FOLDER add \"NAME\" --role engineer" } }
    };
    bare(web, StatusCode::NOT_FOUND, "No such link", body)
}

fn first_form(key: &str, name: &str, said: &str) -> Markup {
    html! {
        p { "You become the first engineer of this line, who adds the others. No passphrase is set by default, and nobody can look yours up." }
        @if !said.is_empty() { p.said role="status" { (said) } }
        form.login method="post" action="/first" {
            input type="hidden" name="key" value=(key);
            label for="name" { "Your name, as it will stand in records" }
            input id="name" type="text" name="name" value=(name) required maxlength="60" autocomplete="username";
            label for="passphrase" { "Passphrase, " (passphrase::LEAST) " characters or more" }
            input id="passphrase" type="password" name="passphrase" required minlength=(passphrase::LEAST) maxlength="256" autocomplete="new-password";
            label for="again" { "The same again" }
            input id="again" type="password" name="again" required maxlength="256" autocomplete="new-password";
            p { button type="submit" { "Set the passphrase" } }
        }
    }
}

/// The page behind the link on the console.
pub(in crate::web) async fn first_page(State(web): State<Web>, Query(asked): Query<FirstAsked>) -> Response {
    if !is_at_the_machine(&visit()) || !web.app.doors.is_first(&asked.key) {
        return no_such_link(&web);
    }
    bare(&web, StatusCode::OK, "The first user", first_form(&asked.key, "", ""))
}

/// Takes the first user's passphrase.
pub(in crate::web) async fn first_user(
    State(web): State<Web>,
    form: Result<Form<FirstForm>, FormRejection>,
) -> Response {
    let doors = Arc::clone(&web.app.doors);
    let visit = visit();
    let Ok(Form(form)) = form else { return no_such_link(&web) };
    if !is_at_the_machine(&visit) || !doors.is_first(&form.key) {
        return no_such_link(&web);
    }
    let again = |said: String| {
        let body = first_form(&form.key, &form.name, &said);
        bare(&web, StatusCode::UNPROCESSABLE_ENTITY, "The first user", body)
    };
    let Some(name) = acknowledge::well_formed_name(&form.name) else {
        return again("Give your name, 1 to 60 characters.".to_owned());
    };
    if let Some(why) = passphrase::refusal(&form.passphrase, &name) {
        return again(format!("This passphrase is not taken: {why}."));
    }
    if form.passphrase != form.again {
        return again("The two passphrases differ. Type the same twice.".to_owned());
    }
    // From here on it is used up, whatever comes of it: two at a time must not both be first.
    if !doors.use_first(&form.key) {
        return no_such_link(&web);
    }
    match doors.add_first(name, form.passphrase).await {
        Ok(user) => {
            let when = (user.name.as_str(), web.app.clock.utc());
            audit::note_users(&*web.app.history, &doors.access(), when).await;
            welcome(&web, &visit, &user, "/").await
        }
        Err(why) => bare(
            &web,
            StatusCode::SERVICE_UNAVAILABLE,
            "The first user",
            html! { p.said role="status" { "Nothing was kept: " (why) } p { "Start setward again for another link." } },
        ),
    }
}

impl Doors {
    /// Adds the first engineer to the file and to what is in force.
    async fn add_first(&self, name: String, typed: String) -> Result<User, String> {
        let mut access = (*self.access()).clone();
        let users = access.users.as_mut().ok_or("nobody signs in on this line")?;
        let hashed = tokio::task::spawn_blocking(move || passphrase::hash(&typed)).await;
        let hash = hashed.map_err(|error| error.to_string())??;
        let os_user = users.list.iter().find(|user| user.name == name).and_then(|user| user.os_user.clone());
        let user = User { name, role: UserRole::Engineer, passphrase: Some(hash), os_user, disabled: false };
        let before = users.clone();
        users.list.retain(|one| one.name != user.name);
        users.list.push(user.clone());
        // A command may be changing the file just now.
        let after = users.clone();
        let kept = tokio::task::spawn_blocking(move || keep::change(&before, &after)).await;
        kept.map_err(|error| error.to_string())??;
        self.take_up(&access);
        Ok(user)
    }
}

/// Who is signed in, for the foot of every page, and the way in or out.
pub(in crate::web) fn who() -> Markup {
    let visit = visit();
    html! {
        @match &visit.visitor {
            Visitor::Anybody => {}
            Visitor::Display { name } => { p.who { "Display " (name) } }
            Visitor::Guest { .. } => {
                p.who { "Not signed in: you may look. " a href=(login_address(&visit.path)) { "Sign in" } }
            }
            Visitor::Person { name, role, is_asleep } => {
                form.who method="post" action="/logout" {
                    @if *is_asleep {
                        (name) ", nothing was done here for 15 min: you may look. " a href=(login_address(&visit.path)) { "Sign in again" }
                    } @else {
                        "Signed in: " b { (name) } " (" (role.name()) ") "
                    }
                    button type="submit" { "Sign out" }
                }
            }
        }
    }
}

/// The display that this is, for the foot of the wall: so that one knows which pass to take back.
pub(in crate::web) fn who_watches() -> String {
    match visit().visitor {
        Visitor::Display { name } => format!("Display: {name}"),
        Visitor::Anybody | Visitor::Guest { .. } | Visitor::Person { .. } => String::new(),
    }
}

/// What stands in the place of a form that the visitor may not send; nothing if they may.
pub(in crate::web) fn instead(needs: Needs, what: &str) -> Option<Markup> {
    let visit = visit();
    if visit.visitor.may(needs) {
        return None;
    }
    let is_another_role = matches!(visit.visitor, Visitor::Person { is_asleep: false, .. });
    let address = login_address(&visit.path);
    Some(html! {
        p.instead {
            @if is_another_role {
                "To " (what) " takes another role than yours. " a href=(address) { "Sign in as somebody else" }
            } @else {
                a href=(address) { "Sign in" } " to " (what) "."
            }
        }
    })
}
