//! The door: who may do what, by which name, and what strangers get.

use super::requests::check_says;
use super::support::{Stage, line, snapshot, stage};
use super::{Answer, request, send};
use crate::history::sqlite::InlineStore;
use crate::history::{HistoryStore, Settings};
use crate::web::doors::{Needs, Peer, displays, passphrase};
use crate::web::{AppState, Doors, Web, declare, router};
use axum::body::Body;
use axum::http::{Method, StatusCode, header};
use setward_config::line::{Access, Display, User, UserRole, Users};
use std::sync::{Arc, OnceLock};
use std::time::Duration;
use tower::ServiceExt as _;

const WORDS: &str = "blue tin under stairs";

/// One hash for all: making it is what takes time.
fn hash() -> String {
    static HASH: OnceLock<String> = OnceLock::new();
    HASH.get_or_init(|| passphrase::hash(WORDS).unwrap()).clone()
}

fn user(name: &str, role: UserRole) -> User {
    User { name: name.to_owned(), role, passphrase: Some(hash()), os_user: None, disabled: false }
}

/// The pass of a screen in the fryer hall.
pub(super) const PASS: &str = "K7QF-2M9W-0X1Y-ZZ3D-8HJK-5VTR";

fn screen() -> Display {
    Display { name: "Fryer hall".to_owned(), pass: displays::hash(PASS) }
}

/// Vera looks, Olga operates, Ella is the engineer.
pub(super) fn access(view_needs_login: bool) -> Access {
    let list =
        vec![user("Vera", UserRole::View), user("Olga", UserRole::Operate), user("Ella", UserRole::Engineer)];
    Access {
        users: Some(Users { file: "users.toml".into(), list, displays: vec![screen()] }),
        view_needs_login,
        names: vec!["line-2.example".to_owned()],
        tls: None,
    }
}

pub(super) fn house(access: Access) -> Stage {
    let night = stage(line(), snapshot());
    Stage { state: AppState { doors: Arc::new(Doors::new(access)), ..night.state }, ..night }
}

/// A form of our own page, with a cookie if there is one.
pub(super) async fn form(state: &AppState, path: &str, cookie: &str, fields: &str) -> Answer {
    form_from(state, path, (cookie, [127, 0, 0, 1]), fields).await
}

pub(super) async fn form_from(
    state: &AppState,
    path: &str,
    (cookie, ip): (&str, [u8; 4]),
    fields: &str,
) -> Answer {
    let request = request("POST", path)
        .extension(Peer::Tcp(ip.into()))
        .header("sec-fetch-site", "same-origin")
        .header(header::COOKIE, cookie)
        .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
    send(state, request.body(Body::from(fields.to_owned())).unwrap()).await
}

pub(super) async fn look(state: &AppState, path: &str, cookie: &str) -> Answer {
    send(state, request("GET", path).header(header::COOKIE, cookie).body(Body::empty()).unwrap()).await
}

fn typed(name: &str, words: &str) -> String {
    format!("name={name}&passphrase={}&back=%2Falarms", words.replace(' ', "+"))
}

/// Signs in and gives the cookie.
pub(super) async fn sign_in(state: &AppState, name: &str) -> String {
    let answer = form(state, "/login", "", &typed(name, WORDS)).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.text);
    assert_eq!(answer.headers[header::LOCATION], "/alarms");
    let set = answer.headers[header::SET_COOKIE].to_str().unwrap();
    set.split(';').next().unwrap().to_owned()
}

pub(super) fn is_refused(answer: &Answer) -> bool {
    let location = answer.headers.get(header::LOCATION).and_then(|to| to.to_str().ok());
    answer.status == StatusCode::FORBIDDEN || location.is_some_and(|to| to.starts_with("/login"))
}

/// An address with its parts filled in.
fn filled(path: &str) -> String {
    let id = if path.contains("alarms") { "fryer-outlet-cold" } else { "1" };
    let parts = [
        ("{id}", id),
        ("{tag}", "TT-310"),
        ("{key}", "oven"),
        ("{wish}", "shelve"),
        ("{n}", "1"),
        ("{name}", "page.css"),
    ];
    let full = parts.iter().fold(path.to_owned(), |path, (part, with)| path.replace(part, with));
    assert!(!full.contains('{'), "{full} has a part that this test knows nothing of");
    full
}

async fn ask(state: &AppState, method: &Method, path: &str, cookie: &str) -> Answer {
    if path == "/events" {
        // Whoever may gets a stream without an end: only its beginning is looked at.
        let request = request("GET", path).header(header::COOKIE, cookie).body(Body::empty()).unwrap();
        let (parts, _endless) = router(state.clone()).oneshot(request).await.unwrap().into_parts();
        return Answer { status: parts.status, headers: parts.headers, text: String::new() };
    }
    if method == Method::GET {
        return look(state, path, cookie).await;
    }
    if path.starts_with("/api/") {
        let request = request("POST", path)
            .header(header::CONTENT_TYPE, "application/json")
            .header(header::COOKIE, cookie);
        return send(state, request.body(Body::from("{}")).unwrap()).await;
    }
    form(state, path, cookie, "").await
}

#[tokio::test]
async fn every_route_is_open_to_whoever_has_its_role_and_to_nobody_else() {
    let who = [
        ("", None),
        ("the screen", Some(Needs::Wall)),
        ("Vera", Some(Needs::View)),
        ("Olga", Some(Needs::Operate)),
        ("Ella", Some(Needs::Engineer)),
    ];
    for view_needs_login in [false, true] {
        for (name, own) in who {
            let night = house(access(view_needs_login));
            let web = Web::new(night.state.clone());
            let mut routes = declare(&web).done().1;
            assert!(routes.len() > 60, "{}", routes.len());
            // Signing out comes last.
            routes.sort_by_key(|one| one.path == "/logout");
            let cookie = match name {
                "" => String::new(),
                "the screen" => format!("setward_display={PASS}"),
                name => sign_in(&night.state, name).await,
            };
            // Where looking is free a screen may do what everybody may.
            let free = if view_needs_login { Needs::Nothing } else { Needs::View };
            let may = own.map_or(free, |own| own.max(free));
            for one in routes {
                let answer = ask(&night.state, &one.method, &filled(&one.path), &cookie).await;
                // A wrong form of signing in is no matter of roles.
                let is_login =
                    ["/login", "/display"].contains(&one.path.as_str()) && one.method == Method::POST;
                let expected = !is_login && one.needs > may;
                let told = format!("{} {} for {name:?}: {}", one.method, one.path, answer.status);
                assert_eq!(is_refused(&answer), expected, "{told}");
                assert!(answer.status < StatusCode::INTERNAL_SERVER_ERROR || !expected, "{told}");
            }
        }
    }
}

#[test]
fn a_route_can_only_come_about_with_its_role() {
    let here = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src/web");
    let mut folders = vec![here];
    let mut seen = 0;
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()) {
            if entry.is_dir() {
                folders.push(entry);
            } else if entry.extension().is_some_and(|end| end == "rs") && !entry.ends_with("routes.rs") {
                seen += 1;
                let text = std::fs::read_to_string(&entry).unwrap();
                let word = [".rou", "te("].concat();
                assert!(!text.contains(&word), "{} adds a route without a role", entry.display());
            }
        }
    }
    assert!(seen > 50);
}

#[tokio::test]
async fn what_a_person_does_bears_the_name_they_signed_in_with() {
    let night = house(access(false));
    let cookie = sign_in(&night.state, "Olga").await;
    let path = "/alarms/fryer-outlet-cold/acknowledge";
    form(&night.state, path, &cookie, "run=7&occurrence=3&by=Ella").await;
    form(&night.state, path, &cookie, "run=7&occurrence=3").await;
    form(&night.state, "/alarms/fryer-outlet-cold/shelve", &cookie, "run=7&occurrence=3&minutes=10&by=")
        .await;
    let request = request("POST", &format!("/api/v1{path}"))
        .header(header::CONTENT_TYPE, "application/json")
        .header(header::COOKIE, &cookie);
    let body = Body::from("{\"run\":7,\"occurrence\":3,\"by\":\"Ella\"}");
    assert_eq!(send(&night.state, request.body(body).unwrap()).await.status, StatusCode::OK);
    let asked: Vec<String> = night.asked.lock().unwrap().iter().map(|wish| wish.by.clone()).collect();
    assert_eq!(asked, ["Olga", "Olga", "Olga", "Olga"]);
}

#[tokio::test]
async fn a_wish_of_engineers_has_no_other_spelling() {
    let night = house(access(false));
    let cookie = sign_in(&night.state, "Olga").await;
    for word in
        ["out-of-service", "out%2Dof-service", "%6Fut-of-service", "return-to-service", "return%2dto-service"]
    {
        for prefix in ["", "/api/v1"] {
            let path = format!("{prefix}/alarms/fryer-outlet-cold/{word}");
            let answer = if prefix.is_empty() {
                form(&night.state, &path, &cookie, "run=7&occurrence=3").await
            } else {
                ask(&night.state, &Method::POST, &path, &cookie).await
            };
            assert!(answer.status.is_client_error(), "{path}: {}", answer.status);
        }
    }
    assert!(night.asked.lock().unwrap().is_empty());
}

#[tokio::test]
async fn whoever_may_not_look_learns_nothing_of_the_line_but_its_name() {
    let night = house(access(true));
    for path in ["/", "/alarms", "/alarms/no-such", "/nothing", "/trend?signals=TT-310"] {
        let answer = look(&night.state, path, "").await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{path}");
        assert!(answer.headers[header::LOCATION].to_str().unwrap().starts_with("/login"), "{path}");
    }
    for path in ["/api/v1/line", "/api/v1/nothing", "/events", "/metrics"] {
        let answer = look(&night.state, path, "").await;
        let is_told = answer.status == StatusCode::FORBIDDEN && answer.text.contains("/login")
            || path.ends_with("nothing") && answer.status == StatusCode::NOT_FOUND;
        assert!(is_told, "{path}: {} {}", answer.status, answer.text);
    }
    let page = look(&night.state, "/login?back=%2Falarms", "").await;
    check_says(
        &page.text,
        &["Line 1", "Your name", "Passphrase", "setward user FOLDER passphrase"],
        &["Fryer", "active"],
    );
    let vera = sign_in(&night.state, "Vera").await;
    check_says(&look(&night.state, "/", &vera).await.text, &["Signed in: Vera (view)", "Sign out"], &[]);
}

#[tokio::test]
async fn guessing_gets_slower_and_tells_nothing_and_a_right_one_comes_in_after_the_wait() {
    let night = house(access(false));
    tokio::time::pause();
    let known = form(&night.state, "/login", "", &typed("Olga", "wrong words and more")).await;
    let unknown = form(&night.state, "/login", "", &typed("Nora", "wrong words and more")).await;
    assert_eq!((known.status, unknown.status), (StatusCode::FORBIDDEN, StatusCode::FORBIDDEN));
    assert_eq!(known.text.replace("Olga", ""), unknown.text.replace("Nora", ""));
    let mut refused = 0;
    for _ in 0..20 {
        let answer = form(&night.state, "/login", "", &typed("Olga", "wrong words and more")).await;
        refused += u32::from(answer.status == StatusCode::TOO_MANY_REQUESTS);
    }
    assert_eq!(refused, 17, "five tries are free, and time stands still");
    let waiting = form(&night.state, "/login", "", &typed("Olga", WORDS)).await;
    assert_eq!(waiting.status, StatusCode::TOO_MANY_REQUESTS, "a right one waits too");
    assert_eq!(waiting.headers[header::RETRY_AFTER], "2");
    check_says(&waiting.text, &["Too many wrong tries", "wait 2 s", "setward alarms"], &[]);
    tokio::time::advance(Duration::from_secs(2)).await;
    sign_in(&night.state, "Olga").await;
}

#[tokio::test]
async fn an_unused_session_only_looks_until_its_person_signs_in_again() {
    let night = house(access(true));
    tokio::time::pause();
    let cookie = sign_in(&night.state, "Olga").await;
    tokio::time::advance(Duration::from_secs(15 * 60)).await;
    let page = look(&night.state, "/", &cookie).await;
    check_says(&page.text, &["Olga, nothing was done here for 15 min: you may look.", "Sign in again"], &[]);
    let late =
        form(&night.state, "/alarms/fryer-outlet-cold/acknowledge", &cookie, "run=7&occurrence=3").await;
    assert_eq!(late.status, StatusCode::FORBIDDEN);
    check_says(&late.text, &["Nothing was changed", "sign in again"], &[]);
    assert!(night.asked.lock().unwrap().is_empty());
    let anew = sign_in(&night.state, "Olga").await;
    assert_ne!(anew, cookie);
    let done = form(&night.state, "/alarms/fryer-outlet-cold/acknowledge", &anew, "run=7&occurrence=3").await;
    assert_eq!(done.status, StatusCode::SEE_OTHER);
    tokio::time::advance(Duration::from_secs(12 * 3600)).await;
    assert!(is_refused(&look(&night.state, "/", &anew).await), "a long shift is over");
}

#[tokio::test]
async fn a_change_of_users_counts_at_once() {
    let night = house(access(true));
    let (olga, ella) = (sign_in(&night.state, "Olga").await, sign_in(&night.state, "Ella").await);
    let mut next = access(true);
    let list = &mut next.users.as_mut().unwrap().list;
    list[2].role = UserRole::View;
    list[1].disabled = true;
    let told = night.state.doors.take_up(&next);
    assert_eq!(told, ["user Olga disabled", "user Ella: engineer is now view"]);
    assert!(is_refused(&look(&night.state, "/", &olga).await));
    assert_eq!(look(&night.state, "/", &ella).await.status, StatusCode::OK);
    assert!(is_refused(&form(&night.state, "/sign-offs", &ella, "").await));
    next.users.as_mut().unwrap().list[2].passphrase =
        Some(passphrase::hash("another tin under stairs").unwrap());
    assert_eq!(night.state.doors.take_up(&next), ["user Ella has another passphrase"]);
    assert!(is_refused(&look(&night.state, "/", &ella).await), "what the old one opened is shut");
    assert!(night.state.doors.take_up(&next).is_empty());
}

#[tokio::test]
async fn signing_out_ends_it_for_every_copy_of_the_cookie() {
    let night = house(access(true));
    let cookie = sign_in(&night.state, "Olga").await;
    let out = form(&night.state, "/logout", &cookie, "").await;
    assert!(out.headers[header::SET_COOKIE].to_str().unwrap().contains("Max-Age=0"));
    assert!(is_refused(&look(&night.state, "/", &cookie).await));
}

#[tokio::test]
async fn the_way_back_leads_to_no_other_site() {
    let night = house(access(false));
    for back in [
        "//other.example",
        "https://other.example",
        "/\\other.example",
        "javascript:alert(1)",
        "",
        "/%0d%0aSet-Cookie:x",
        // Browsers drop a tab wherever it stands: what is left would begin with two slashes.
        "/%09/other.example",
        "%09//other.example",
        "/%01/other.example",
    ] {
        let fields = format!("name=Olga&passphrase={}&back={back}", WORDS.replace(' ', "+"));
        let answer = form(&night.state, "/login", "", &fields).await;
        let to = answer.headers[header::LOCATION].to_str().unwrap();
        assert_eq!(to, "/", "{back}");
    }
}

#[tokio::test]
async fn the_first_user_comes_in_once_by_the_link_of_the_console_and_from_this_machine_only() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("users.toml");
    let none = Access { users: Some(Users { file: file.clone(), ..Users::default() }), ..access(true) };
    let night = house(none);
    let key = night.state.doors.offer_first().unwrap().unwrap();
    let path = format!("/first?key={key}");
    assert_eq!(look(&night.state, "/first?key=0", "").await.status, StatusCode::NOT_FOUND);
    check_says(&look(&night.state, &path, "").await.text, &["The first user", "15 characters or more"], &[]);
    let fields = |words: &str, again: &str| format!("key={key}&name=Ella&passphrase={words}&again={again}");
    let good = "blue+tin+under+stairs";
    let far = form_from(&night.state, "/first", ("", [192, 0, 2, 7]), &fields(good, good)).await;
    assert_eq!(far.status, StatusCode::NOT_FOUND, "from elsewhere the link is not good");
    for (words, again, says) in [("short", "short", "15 are the least"), (good, "blue+tin", "differ")] {
        let answer = form(&night.state, "/first", "", &fields(words, again)).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(answer.text.contains(says), "{}", answer.text);
    }
    let done = form(&night.state, "/first", "", &fields(good, good)).await;
    assert_eq!(done.status, StatusCode::SEE_OTHER, "{}", done.text);
    let cookie = done.headers[header::SET_COOKIE].to_str().unwrap().split(';').next().unwrap().to_owned();
    check_says(&look(&night.state, "/", &cookie).await.text, &["Signed in: Ella (engineer)"], &[]);
    assert_eq!(form(&night.state, "/first", "", &fields(good, good)).await.status, StatusCode::NOT_FOUND);
    let kept = std::fs::read_to_string(&file).unwrap();
    assert!(kept.contains("name = \"Ella\"") && !kept.contains("blue tin"), "{kept}");
    assert!(night.state.doors.offer_first().is_none(), "there is no second first user");
}

#[tokio::test]
async fn the_link_for_the_first_user_is_good_for_a_quarter_of_an_hour() {
    let none = Access { users: Some(Users { file: "u".into(), ..Users::default() }), ..access(true) };
    let night = house(none);
    tokio::time::pause();
    let path = format!("/first?key={}", night.state.doors.offer_first().unwrap().unwrap());
    tokio::time::advance(Duration::from_secs(15 * 60 - 1)).await;
    assert_eq!(look(&night.state, &path, "").await.status, StatusCode::OK);
    tokio::time::advance(Duration::from_secs(1)).await;
    assert_eq!(look(&night.state, &path, "").await.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn sign_ins_and_refusals_are_in_the_audit_trail_and_passphrases_are_not() {
    let folder = tempfile::tempdir().unwrap();
    let store = Arc::new(InlineStore::open_without_syncs(folder.path(), Settings::default()).unwrap());
    let night = house(access(true));
    let state = AppState { history: store.clone(), ..night.state };
    let cookie = sign_in(&state, "Olga").await;
    form(&state, "/login", "", &typed("my secret words typed here", "wrong words and more")).await;
    form(&state, "/sign-offs", &cookie, "").await;
    for _ in 0..100 {
        look(&state, "/", "").await;
    }
    form(&state, "/logout", &cookie, "").await;
    let trail = store.audit_trail(1000).await.unwrap();
    let told: Vec<String> = trail
        .iter()
        .rev()
        .map(|one| format!("{} {} {}", one.entry.by, one.entry.what, one.entry.about))
        .collect();
    assert_eq!(told[0], "Olga signed in from 127.0.0.1");
    assert_eq!(told[1], "somebody sign-in refused wrong name or passphrase, 1 from 127.0.0.1");
    assert_eq!(told[2], "Olga refused /sign-offs from 127.0.0.1");
    assert_eq!(told.last().unwrap(), "Olga signed out from 127.0.0.1");
    assert_eq!(told.len(), 3 + 18 + 1, "a hundred refusals are twenty at most");
    let all = format!("{trail:?}");
    assert!(!all.contains("secret") && !all.contains("wrong words"), "{all}");
    assert_eq!(store.broken_audit().await.unwrap().1, Vec::<String>::new());
}

#[tokio::test]
async fn the_socket_of_this_machine_knows_its_user() {
    let mut own = access(true);
    own.users.as_mut().unwrap().list[1].os_user = Some("nobody-of-this-name".to_owned());
    let night = house(own);
    let wish = |uid| {
        request("POST", "/api/v1/alarms/fryer-outlet-cold/acknowledge")
            .extension(Peer::Local { uid })
            .header(header::CONTENT_TYPE, "application/json")
            .body(Body::from("{\"run\":7,\"occurrence\":3,\"by\":\"Ella\"}"))
            .unwrap()
    };
    assert_eq!(
        send(&night.state, wish(0)).await.status,
        StatusCode::OK,
        "root could change every file anyway"
    );
    assert_eq!(night.asked.lock().unwrap()[0].by, "root at this machine");
    let other = send(&night.state, wish(4_000_000)).await;
    assert_eq!(other.status, StatusCode::FORBIDDEN, "{}", other.text);
    let reading = request("GET", "/api/v1/line").extension(Peer::Local { uid: 4_000_000 });
    assert_eq!(send(&night.state, reading.body(Body::empty()).unwrap()).await.status, StatusCode::OK);
}

/// More than a hundred spellings of ways out of a folder.
fn ways_out() -> Vec<String> {
    let ups = [
        "..",
        "%2e%2e",
        "%2E%2e",
        ".%2e",
        "%2e.",
        "..%00",
        "%252e%252e",
        "%c0%ae%c0%ae",
        "%uff0e%uff0e",
        "....",
        "..;",
        "%E2%80%A5",
    ];
    let slashes = ["/", "%2f", "%5c", "\\", "%252f", "%c0%af", "//", "/./"];
    let ends = ["etc/passwd", "users.toml"];
    let mut all = Vec::new();
    for (up, slash) in ups.iter().flat_map(|up| slashes.iter().map(move |slash| (up, slash))) {
        for end in ends {
            all.push(format!("/static/{}{end}", format!("{up}{slash}").repeat(6)));
        }
    }
    all
}

#[tokio::test]
async fn no_spelling_leads_out_of_what_is_served() {
    let night = house(access(false));
    let mut asked = 0;
    for way in ways_out() {
        let built = request("GET", &way).body(Body::empty());
        // What is no address at all never gets as far as here.
        let Ok(request) = built else { continue };
        let answer = send(&night.state, request).await;
        let is_shut = answer.status.is_client_error() || answer.status.is_redirection();
        assert!(is_shut && !answer.text.contains("root:"), "{way}: {}", answer.status);
        asked += 1;
    }
    assert!(asked >= 100, "{asked}");
}

#[tokio::test]
async fn forged_hosts_and_origins_are_refused_with_a_good_cookie_too() {
    let night = house(access(false));
    let cookie = sign_in(&night.state, "Ella").await;
    let host = |host: &str| {
        let built = axum::http::Request::get("/api/v1/line")
            .header(header::HOST, host)
            .header(header::COOKIE, &cookie);
        built.body(Body::empty()).unwrap()
    };
    for good in ["line-2.example", "LINE-2.example:8470", "localhost:8470"] {
        assert_eq!(send(&night.state, host(good)).await.status, StatusCode::OK, "{good}");
    }
    for wrong in [
        "other.example",
        "line-2.example.other.example",
        "127.0.0.1.other.example",
        "192.0.2.7",
        "",
        "[::2]",
        "localhost:8470:1",
    ] {
        assert_eq!(send(&night.state, host(wrong)).await.status, StatusCode::MISDIRECTED_REQUEST, "{wrong}");
    }
    let origin = |origin: &str, site: &str| {
        request("POST", "/alarms/fryer-outlet-cold/acknowledge")
            .header(header::ORIGIN, origin)
            .header("sec-fetch-site", site)
            .header(header::COOKIE, &cookie)
            .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded")
            .body(Body::from("run=7&occurrence=3"))
            .unwrap()
    };
    for (from, site) in [
        ("http://other.example", "cross-site"),
        ("http://other.example", "same-origin"),
        ("null", "cross-site"),
        ("http://127.0.0.1:8081", "same-site"),
        ("http://localhost:8080", "same-site"),
        ("http://127.0.0.1:8080.other.example", "same-origin"),
        ("ftp://127.0.0.1:8080", "same-origin"),
    ] {
        assert_eq!(
            send(&night.state, origin(from, site)).await.status,
            StatusCode::FORBIDDEN,
            "{from} {site}"
        );
    }
    assert!(night.asked.lock().unwrap().is_empty());
}

#[tokio::test]
async fn a_link_from_another_site_is_opened_anew_so_that_its_cookie_comes_along() {
    let night = house(access(true));
    let linked = request("GET", "/alarms/fryer-outlet-cold").header("sec-fetch-site", "cross-site");
    let answer = send(&night.state, linked.body(Body::empty()).unwrap()).await;
    assert_eq!(answer.status, StatusCode::OK);
    assert!(
        answer.text.contains("http-equiv=\"refresh\"") && answer.text.contains("/alarms/fryer-outlet-cold")
    );
}
