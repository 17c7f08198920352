//! One request's visit: who it is, known to everything that answers it, and what a route needs of them.
//!
//! Who asks is a property of the task that answers, set once at the door: so no page and no handler can forget to pass it on, and
//! no record can bear a name that did not sign in.

use super::displays::KEPT_S;
use super::sessions::{Key, key_of};
use super::{Doors, forms};
use crate::web::Web;
use crate::web::problem::Problem;
use axum::extract::{Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use setward_config::line::UserRole;
use std::net::{IpAddr, Ipv4Addr};

/// The cookie of an encrypted page: bound to this host and to encryption by its name.
const COOKIE: &str = "__Host-setward";
/// The cookie of a plain page on this machine, where the other would be refused by browsers.
const PLAIN_COOKIE: &str = "setward_session";

/// Where a request comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Peer {
    /// Over the network.
    Tcp(IpAddr),
    /// Over the socket in the data folder, from this machine's user.
    Local {
        /// The user's number.
        uid: u32,
    },
}

impl Peer {
    /// Its address.
    pub(super) const fn address(&self) -> IpAddr {
        match self {
            Self::Tcp(address) => *address,
            Self::Local { .. } => IpAddr::V4(Ipv4Addr::LOCALHOST),
        }
    }
}

/// The same for a screen's pass: a person who signs in at a screen for a moment does not take it away.
const DISPLAY_COOKIE: &str = "__Host-setward_display";
/// On a plain page.
const PLAIN_DISPLAY_COOKIE: &str = "setward_display";

/// What a route needs of who asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(in crate::web) enum Needs {
    /// Nothing: signing in itself, style, signs of life.
    Nothing,
    /// To see what a screen on a wall shows.
    Wall,
    /// To see the line.
    View,
    /// To act as a shift does.
    Operate,
    /// To change how the line is watched, or to end a matter for good.
    Engineer,
}

impl Needs {
    const fn role(self) -> UserRole {
        match self {
            Self::Nothing | Self::Wall | Self::View => UserRole::View,
            Self::Operate => UserRole::Operate,
            Self::Engineer => UserRole::Engineer,
        }
    }
}

/// Who asks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::web) enum Visitor {
    /// Nobody signs in here.
    Anybody,
    /// Somebody who has not signed in.
    Guest {
        /// Looking is free.
        may_view: bool,
    },
    /// A screen on a wall, with a pass of its own.
    Display {
        /// Where it hangs.
        name: String,
    },
    /// Somebody who has.
    Person {
        /// As in the records.
        name: String,
        /// What for.
        role: UserRole,
        /// Unused for so long that looking is all that is left.
        is_asleep: bool,
    },
}

impl Visitor {
    /// Whether they may do what needs this.
    pub(in crate::web) fn may(&self, needs: Needs) -> bool {
        match self {
            Self::Anybody => true,
            Self::Guest { may_view } => needs == Needs::Nothing || (*may_view && needs <= Needs::View),
            Self::Display { .. } => needs <= Needs::Wall,
            Self::Person { role, is_asleep, .. } => {
                needs <= Needs::View || (!is_asleep && *role >= needs.role())
            }
        }
    }
}

/// One visit.
#[derive(Debug, Clone)]
pub(in crate::web) struct Visit {
    pub(in crate::web) visitor: Visitor,
    pub(super) peer: Peer,
    /// What was asked for: the way back from signing in.
    pub(super) path: String,
    pub(super) key: Option<Key>,
    /// The pass of a screen on a wall.
    pub(super) pass: Option<String>,
}

impl Visit {
    /// Where it comes from.
    pub(in crate::web) const fn address(&self) -> IpAddr {
        self.peer.address()
    }
}

tokio::task_local! {
    static VISIT: Visit;
}

/// Whose request is being answered. Outside of any, nobody's: nothing is allowed.
pub(in crate::web) fn visit() -> Visit {
    let nobody = || Visit {
        visitor: Visitor::Guest { may_view: false },
        peer: Peer::Tcp(IpAddr::V4(Ipv4Addr::LOCALHOST)),
        path: "/".to_owned(),
        key: None,
        pass: None,
    };
    VISIT.try_with(Clone::clone).unwrap_or_else(|_outside| nobody())
}

/// The name of whoever has signed in and may act: what goes into records, whatever a form says.
pub(in crate::web) fn signed_name() -> Option<String> {
    match visit().visitor {
        Visitor::Person { name, .. } => Some(name),
        Visitor::Anybody | Visitor::Guest { .. } | Visitor::Display { .. } => None,
    }
}

/// Whose visit `request` is. A request that came over no connection is a test's, from this machine.
pub(in crate::web) fn of(doors: &Doors, request: &Request) -> Visit {
    let peer = request.extensions().get().copied().unwrap_or(Peer::Tcp(IpAddr::V4(Ipv4Addr::LOCALHOST)));
    let [session, display] = cookie_names(doors);
    let key = cookie_called(session, request.headers()).map(key_of);
    let pass = cookie_called(display, request.headers()).map(str::to_owned);
    if let Some(key) = key.as_ref().filter(|_| is_by_hand(request)) {
        doors.touch(key);
    }
    let path = request.uri().path_and_query().map_or("/", |whole| whole.as_str()).to_owned();
    let visitor = doors.visitor(&peer, key.as_ref(), pass.as_deref());
    Visit { visitor, peer, path, key, pass }
}

/// Whether a person did it, and no page that keeps itself fresh.
fn is_by_hand(request: &Request) -> bool {
    request.method() == Method::POST || request.headers().get("sec-fetch-user").is_some()
}

/// Runs `answer` as this visit's.
pub(in crate::web) async fn within<F: Future>(visit: Visit, answer: F) -> F::Output {
    VISIT.scope(visit, answer).await
}

/// Whether the visit may still do what needs this: asked again and again by what stays open for hours.
pub(in crate::web) fn may_still(doors: &Doors, visit: &Visit, needs: Needs) -> bool {
    doors.visitor(&visit.peer, visit.key.as_ref(), visit.pass.as_deref()).may(needs)
}

/// For an answer of which a part needs more than its route: the refusal, unless they may.
pub(in crate::web) async fn unless(web: &Web, needs: Needs) -> Option<Response> {
    let visit = visit();
    if visit.visitor.may(needs) {
        return None;
    }
    let path = visit.path.split('?').next().unwrap_or_default();
    web.app.doors.note_refusal(web, &visit, path).await;
    Some(Problem::new(StatusCode::FORBIDDEN, why(&visit.visitor, needs)).into_response())
}

/// Stands before each route: only who may goes in.
pub(in crate::web) async fn check(
    State((web, needs)): State<(Web, Needs)>,
    request: Request,
    next: Next,
) -> Response {
    if visit().visitor.may(needs) {
        return next.run(request).await;
    }
    refuse(&web, needs, &request.into_parts().0).await
}

/// For addresses that nobody serves: whoever may not look is not told which ones those are.
pub(in crate::web) async fn shut(web: &Web, request: &Parts) -> Option<Response> {
    if visit().visitor.may(Needs::View) { None } else { Some(refuse(web, Needs::View, request).await) }
}

async fn refuse(web: &Web, needs: Needs, request: &Parts) -> Response {
    let visit = visit();
    // The whole path: a nested router sees only its own end of it.
    let path = visit.path.split('?').next().unwrap_or_default();
    web.app.doors.note_refusal(web, &visit, path).await;
    if path.starts_with("/api/") || path == "/events" || path == "/metrics" {
        return Problem::new(StatusCode::FORBIDDEN, why(&visit.visitor, needs)).into_response();
    }
    forms::sign_in_first(web, needs, &request.method, (&visit.path, &request.headers))
}

/// Why it is refused, with what to do.
pub(super) fn why(visitor: &Visitor, needs: Needs) -> String {
    let role = needs.role().name();
    match visitor {
        Visitor::Person { is_asleep: true, name, .. } => {
            format!("{name} has done nothing for 15 min, so this browser only looks: sign in again")
        }
        Visitor::Person { name, role: own, .. } => {
            format!("this needs the role {role}; {name} has the role {}", own.name())
        }
        Visitor::Anybody | Visitor::Guest { .. } | Visitor::Display { .. } => {
            format!("this needs somebody signed in with the role {role}: sign in at /login")
        }
    }
}

/// The names of a session's cookie and of a screen's.
fn cookie_names(doors: &Doors) -> [&'static str; 2] {
    if doors.is_encrypted() { [COOKIE, DISPLAY_COOKIE] } else { [PLAIN_COOKIE, PLAIN_DISPLAY_COOKIE] }
}

/// What the cookie `wanted` holds.
fn cookie_called<'a>(wanted: &str, headers: &'a HeaderMap) -> Option<&'a str> {
    let lines = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    let mut pairs = lines.flat_map(|line| line.split(';')).filter_map(|pair| pair.trim().split_once('='));
    pairs.find(|(name, _)| *name == wanted).map(|(_, id)| id)
}

/// The line that sets the cookie, or with an empty id takes it away.
pub(super) fn cookie(doors: &Doors, id: &str) -> String {
    let [name, _display] = cookie_names(doors);
    set_cookie(doors, (name, id), if id.is_empty() { Some(0) } else { None })
}

/// The line that sets a screen's cookie.
pub(super) fn cookie_of(doors: &Doors, pass: &str) -> String {
    let [_session, name] = cookie_names(doors);
    set_cookie(doors, (name, pass), Some(KEPT_S))
}

fn set_cookie(doors: &Doors, (name, value): (&str, &str), age_s: Option<u32>) -> String {
    let secure = if doors.is_encrypted() { "; Secure" } else { "" };
    let age = age_s.map(|age| format!("; Max-Age={age}")).unwrap_or_default();
    format!("{name}={value}; Path=/{secure}{age}; HttpOnly; SameSite=Strict")
}
