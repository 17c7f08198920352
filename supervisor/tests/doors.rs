//! The page's door from outside: when a start is refused, users by command, encryption, and crowds that must not touch polling.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "tests: a panic is a failed test")]

use axum::body::Body;
use axum::http::{HeaderMap, Request, StatusCode, header};
use hyper_util::rt::TokioIo;
use setward::clock::{Clock, WallTime};
use setward::history::sqlite::InlineStore;
use setward::notify::Outlook;
use setward::poll::dial::TcpDial;
use setward::web::{AppState, Doors, Pages};
use setward::{Edges, start};
use sha2::{Digest as _, Sha256};
use std::io::{BufRead as _, BufReader, Write as _};
use std::os::unix::fs::PermissionsExt as _;
use std::os::unix::process::CommandExt as _;
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt as _, AsyncWrite, AsyncWriteExt as _};
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;
use tokio_rustls::rustls::pki_types::pem::PemObject as _;
use tokio_rustls::rustls::pki_types::{CertificateDer, ServerName};
use tokio_rustls::rustls::{ClientConfig, RootCertStore, crypto::ring};

const WORDS: &str = "blue tin under stairs";

/// The demo's folder with `more` above its first table, at ports where no controller answers.
fn folder(more: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in setward_config::demo_files() {
        let file = folder.path().join(name);
        std::fs::create_dir_all(file.parent().unwrap()).unwrap();
        let text = text.replace("127.0.0.1:155", "127.0.0.1:9");
        let text = if *name == "site.toml" { format!("{more}\n{text}") } else { text };
        std::fs::write(file, text).unwrap();
    }
    folder
}

/// The demo's site.toml with a table at its end too.
fn add_table(folder: &Path, table: &str) {
    let site = folder.join("site.toml");
    let text = std::fs::read_to_string(&site).unwrap();
    std::fs::write(site, format!("{text}\n{table}\n")).unwrap();
}

fn setward(arguments: &[&str], typed: &str) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_setward"));
    command.args(arguments).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    // A command that asks for nothing may be gone by now.
    let _gone = child.stdin.take().unwrap().write_all(typed.as_bytes());
    child.wait_with_output().unwrap()
}

fn told(output: &Output) -> String {
    String::from_utf8_lossy(&[output.stdout.clone(), output.stderr.clone()].concat()).into_owned()
}

fn add_user(folder: &Path, name: &str, role: &str) {
    let folder = folder.to_str().unwrap();
    let added = setward(&["user", folder, "add", name, "--role", role], &format!("{WORDS}\n"));
    assert!(added.status.success(), "{}", told(&added));
}

fn check_refused(folder: &Path, phrases: &[&str]) {
    let arguments = ["run", folder.to_str().unwrap(), "--page", "0.0.0.0:0", "--for", "1 s"];
    let refused = setward(&arguments, "");
    assert_eq!(refused.status.code(), Some(3), "{}", told(&refused));
    for phrase in phrases {
        assert!(told(&refused).contains(phrase), "{phrase}: {}", told(&refused));
    }
}

#[test]
fn the_page_is_not_shown_to_others_without_encryption_and_somebody_who_can_sign_in() {
    let bare = folder("");
    check_refused(
        bare.path(),
        &["other machines can reach it", "[tls]", "users = \"users.toml\"", "127.0.0.1"],
    );
    let with_users = folder("users = \"users.toml\"");
    check_refused(with_users.path(), &["[tls]", "a user who can sign in", "setward user"]);
    add_table(with_users.path(), "[tls]");
    check_refused(with_users.path(), &["without a user who can sign in", "add NAME --role engineer"]);
    add_user(with_users.path(), "Ella", "engineer");
    let path = with_users.path().to_str().unwrap();
    let off = setward(&["user", path, "disable", "Ella"], "");
    assert!(off.status.success(), "{}", told(&off));
    check_refused(with_users.path(), &["without a user who can sign in"]);
    std::fs::set_permissions(with_users.path().join("users.toml"), std::fs::Permissions::from_mode(0o640))
        .unwrap();
    check_refused(with_users.path(), &["users.toml", "chmod 600"]);
    let listed = folder("");
    let site = listed.path().join("site.toml");
    let text = std::fs::read_to_string(&site).unwrap();
    std::fs::write(&site, text.replacen("page = \"127.0.0.1:8470\"", "page = \"192.0.2.7:8470\"", 1))
        .unwrap();
    let checked = setward(&["check", listed.path().to_str().unwrap()], "");
    assert_eq!(checked.status.code(), Some(3));
    assert!(told(&checked).contains("without users or encryption"), "{}", told(&checked));
}

#[test]
fn users_come_and_go_by_command_and_no_passphrase_is_kept() {
    let folder = folder("users = \"users.toml\"");
    let path = folder.path().to_str().unwrap();
    let run = |arguments: &[&str], typed: &str| setward(&[&["user", path], arguments].concat(), typed);
    let check = |arguments: &[&str], typed: &str, code: i32, phrase: &str| {
        let output = run(arguments, typed);
        assert_eq!(output.status.code(), Some(code), "{arguments:?}: {}", told(&output));
        assert!(told(&output).contains(phrase), "{phrase}: {}", told(&output));
    };
    check(&["list"], "", 0, "nobody yet");
    check(&["add", "In\u{e9}s", "--role", "engineer"], "too short\n", 2, "15 are the least");
    check(
        &["add", "In\u{e9}s", "--role", "engineer"],
        "blue tin under stairs\n",
        0,
        "may come in, with the role engineer",
    );
    check(&["add", "In\u{e9}s", "--role", "view"], "blue tin under stairs\n", 2, "already");
    check(&["add", "Marek", "--role", "boss"], "blue tin under stairs\n", 2, "engineer");
    check(&["add", "two\nlines", "--role", "view"], "blue tin under stairs\n", 2, "no name of a person");
    let file = folder.path().join("first-words");
    std::fs::write(&file, "green door behind the mill\n").unwrap();
    check(
        &[
            "add",
            "Marek",
            "--role",
            "operate",
            "--os-user",
            "marek",
            "--passphrase-file",
            file.to_str().unwrap(),
        ],
        "",
        0,
        "Marek",
    );
    check(&["role", "Marek", "view"], "", 0, "view now");
    check(&["role", "Mark", "view"], "", 2, "there are In\u{e9}s, Marek");
    check(
        &["passphrase", "Marek", "--passphrase-file", "-"],
        "yellow door behind the mill\n",
        0,
        "another passphrase",
    );
    check(&["disable", "Marek"], "", 0, "may not come in");
    check(&["list"], "", 0, "view      Marek  at the prompt: marek  disabled");
    check(&["enable", "Marek"], "", 0, "again");
    let list = run(&["list", "--json"], "");
    let list: serde_json::Value = serde_json::from_slice(&list.stdout).unwrap();
    assert_eq!((&list["schema_version"], &list["users"][1]["role"]), (&1.into(), &"view".into()));
    let users = folder.path().join("users.toml");
    let text = std::fs::read_to_string(&users).unwrap();
    assert!(
        !text.contains("door") && !text.contains("tin") && text.matches("$argon2id$").count() == 2,
        "{text}"
    );
    assert_eq!(std::fs::metadata(&users).unwrap().permissions().mode() & 0o777, 0o600);
    std::fs::write(folder.path().join("site.toml"), "simulated = true\n").unwrap();
    check(&["list"], "", 3, "users = \"users.toml\"");
}

#[test]
fn a_screen_gets_a_pass_by_command_and_it_can_be_taken_back() {
    let folder = folder("users = \"users.toml\"");
    let path = folder.path().to_str().unwrap();
    let run = |arguments: &[&str]| setward(&[&["user", path], arguments].concat(), "");
    let made = run(&["add-display", "Fryer hall"]);
    assert!(made.status.success(), "{}", told(&made));
    let text = told(&made);
    let pass = text.lines().map(str::trim).find(|line| line.len() == 29 && line.matches('-').count() == 5);
    let kept = std::fs::read_to_string(folder.path().join("users.toml")).unwrap();
    assert!(kept.contains("name = \"Fryer hall\"") && !kept.contains(pass.unwrap()), "{kept}");
    let again = run(&["add-display", "Fryer hall"]);
    assert!(again.status.code() == Some(2) && told(&again).contains("already"), "{}", told(&again));
    assert!(told(&run(&["list"])).contains("display   Fryer hall"), "{}", told(&run(&["list"])));
    let list: serde_json::Value = serde_json::from_slice(&run(&["list", "--json"]).stdout).unwrap();
    assert_eq!(list["displays"][0]["name"], "Fryer hall");
    let unknown = run(&["remove-display", "Hall"]);
    assert!(told(&unknown).contains("there are Fryer hall"), "{}", told(&unknown));
    assert!(told(&run(&["remove-display", "Fryer hall"])).contains("taken back"));
    let kept = std::fs::read_to_string(folder.path().join("users.toml")).unwrap();
    assert!(!kept.contains("[[display]]"), "{kept}");
    assert!(told(&run(&["remove-display", "Fryer hall"])).contains("none at all"));
}

/// A daemon of its own, killed with the test.
struct Daemon {
    child: Child,
    port: u16,
    /// What it printed until its page was there.
    greeting: String,
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _gone = self.child.kill();
        let _ended = self.child.wait();
    }
}

impl Daemon {
    fn start(folder: &Path, last_word: &str) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_setward"));
        command.args(["run", folder.to_str().unwrap(), "--page", "127.0.0.1:0", "--for", "120 s"]);
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::null());
        let mut child = command.spawn().unwrap();
        let (mut greeting, mut lines) = (String::new(), BufReader::new(child.stdout.take().unwrap()).lines());
        while !greeting.contains(last_word) {
            greeting += &(lines.next().unwrap().unwrap() + "\n");
        }
        let address = greeting.split("://127.0.0.1:").nth(1).unwrap().split('/').next().unwrap();
        Self { child, port: address.parse().unwrap(), greeting }
    }
}

/// Asks over `stream`, whatever it is.
async fn ask<S>(stream: S, request: Request<Body>) -> (StatusCode, HeaderMap, String)
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let (mut sender, connection) = hyper::client::conn::http1::handshake(TokioIo::new(stream)).await.unwrap();
    let driving = tokio::spawn(connection);
    let (parts, body) = sender.send_request(request).await.unwrap().into_parts();
    let bytes = axum::body::to_bytes(Body::new(body), 1 << 20).await.unwrap();
    driving.abort();
    (parts.status, parts.headers, String::from_utf8_lossy(&bytes).into_owned())
}

/// An encrypted connection to `port`, believing the certificate in `file` alone; and the certificate's hash.
async fn encrypted(port: u16, file: &Path) -> (impl AsyncRead + AsyncWrite + Unpin + Send + 'static, String) {
    let mut roots = RootCertStore::empty();
    roots.add(CertificateDer::from_pem_file(file).unwrap()).unwrap();
    let config = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_root_certificates(roots)
        .with_no_client_auth();
    let stream = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
    let name = ServerName::try_from("line-2.plant.example").unwrap();
    let stream = TlsConnector::from(Arc::new(config)).connect(name, stream).await.unwrap();
    let shown = stream.get_ref().1.peer_certificates().unwrap()[0].clone();
    let hash = Sha256::digest(&shown).iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(":");
    (stream, hash)
}

fn get(path: &str, cookie: &str) -> Request<Body> {
    let request =
        Request::get(path).header(header::HOST, "line-2.plant.example").header(header::COOKIE, cookie);
    request.body(Body::empty()).unwrap()
}

fn login(name: &str) -> Request<Body> {
    Request::post("/login")
        .header(header::HOST, "line-2.plant.example")
        .header(header::ORIGIN, "https://line-2.plant.example")
        .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded")
        .body(Body::from(format!("name={name}&passphrase={}", WORDS.replace(' ', "+"))))
        .unwrap()
}

#[tokio::test]
async fn an_encrypted_page_lets_people_in_and_a_command_shuts_them_out_at_once() {
    let folder = folder("users = \"users.toml\"\nview = \"login\"\npage_names = [\"line-2.plant.example\"]");
    let path = folder.path().to_str().unwrap();
    add_table(folder.path(), "[tls]");
    add_user(folder.path(), "Ella", "engineer");
    let daemon = Daemon::start(folder.path(), "SHA-256");
    let own = folder.path().join(".setward/page-certificate.pem");
    let key = std::fs::metadata(folder.path().join(".setward/page-key.pem")).unwrap();
    assert_eq!(key.permissions().mode() & 0o777, 0o600);
    let (stream, hash) = encrypted(daemon.port, &own).await;
    assert!(daemon.greeting.contains(&hash), "{hash}: {}", daemon.greeting);
    assert_eq!(ask(stream, get("/api/v1/line", "")).await.0, StatusCode::FORBIDDEN);
    let (status, headers, _) = ask(encrypted(daemon.port, &own).await.0, login("Ella")).await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    let set = headers[header::SET_COOKIE].to_str().unwrap();
    assert!(
        set.starts_with("__Host-setward=") && set.ends_with("; Path=/; Secure; HttpOnly; SameSite=Strict"),
        "{set}"
    );
    let cookie = set.split(';').next().unwrap().to_owned();
    let (status, _, text) = ask(encrypted(daemon.port, &own).await.0, get("/", &cookie)).await;
    assert!(status == StatusCode::OK && text.contains("Signed in: <b>Ella</b>"), "{text}");

    // On the machine itself no login is needed: the system says who asks.
    let listed = setward(&["alarms", path, "--json"], "");
    let answer: Result<serde_json::Value, _> = serde_json::from_slice(&listed.stdout);
    assert!(answer.is_ok(), "{}", told(&listed));
    let off = setward(&["user", path, "disable", "Ella"], "");
    assert!(told(&off).contains("the running daemon has taken it up"), "{}", told(&off));
    assert_eq!(
        ask(encrypted(daemon.port, &own).await.0, get("/api/v1/line", &cookie)).await.0,
        StatusCode::FORBIDDEN
    );
}

#[tokio::test]
async fn users_and_certificate_are_taken_up_without_a_new_run() {
    let folder = folder("users = \"users.toml\"\npage_names = [\"line-2.plant.example\"]");
    let path = folder.path().to_str().unwrap();
    add_table(folder.path(), "[tls]\ncertificate = \"page.pem\"\nkey = \"page-key.pem\"");
    let make = || {
        let made = rcgen::generate_simple_self_signed(vec!["line-2.plant.example".to_owned()]).unwrap();
        std::fs::write(folder.path().join("page.pem"), made.cert.pem()).unwrap();
        std::fs::write(folder.path().join("page-key.pem"), made.key_pair.serialize_pem()).unwrap();
        std::fs::set_permissions(folder.path().join("page-key.pem"), std::fs::Permissions::from_mode(0o600))
            .unwrap();
    };
    make();
    add_user(folder.path(), "Ella", "engineer");
    let daemon = Daemon::start(folder.path(), "SHA-256");
    let own = folder.path().join("page.pem");
    let (stream, before) = encrypted(daemon.port, &own).await;
    let cookie = ask(stream, login("Ella")).await.1[header::SET_COOKIE]
        .to_str()
        .unwrap()
        .split(';')
        .next()
        .unwrap()
        .to_owned();
    let run = |text: &str| serde_json::from_str::<serde_json::Value>(text).unwrap()["run"].clone();
    let first = run(&ask(encrypted(daemon.port, &own).await.0, get("/api/v1/line", &cookie)).await.2);

    let role = setward(&["user", path, "role", "Ella", "view"], "");
    assert!(told(&role).contains("the running daemon has taken it up"), "{}", told(&role));
    let sign = Request::post("/api/v1/sign-offs")
        .header(header::HOST, "line-2.plant.example")
        .header(header::CONTENT_TYPE, "application/json")
        .header(header::COOKIE, &cookie)
        .body(Body::from("{}"))
        .unwrap();
    let (status, _, text) = ask(encrypted(daemon.port, &own).await.0, sign).await;
    assert!(status == StatusCode::FORBIDDEN && text.contains("Ella has the role view"), "{text}");

    make();
    let reloaded = setward(&["reload", path], "");
    assert!(
        reloaded.status.success() && told(&reloaded).contains("the page's certificate is"),
        "{}",
        told(&reloaded)
    );
    let (stream, after) = encrypted(daemon.port, &own).await;
    assert_ne!(before, after);
    assert_eq!(run(&ask(stream, get("/api/v1/line", &cookie)).await.2), first, "the run went on");
    let unchanged = setward(&["reload", path], "");
    assert!(told(&unchanged).contains("unchanged"), "{}", told(&unchanged));

    std::fs::write(folder.path().join("page.pem"), "no certificate").unwrap();
    let refused = setward(&["reload", path], "");
    assert!(told(&refused).contains("page.pem"), "{}", told(&refused));
    std::fs::remove_file(folder.path().join("page-key.pem")).unwrap();
    assert_eq!(
        ask(encrypted_as(daemon.port, &after).await, get("/api/v1/line", &cookie)).await.0,
        StatusCode::OK
    );
}

#[tokio::test]
async fn a_start_without_users_prints_a_link_and_a_command_from_elsewhere_is_not_permitted() {
    let folder = folder("users = \"users.toml\"");
    let path = folder.path().to_str().unwrap();
    let daemon = Daemon::start(folder.path(), "/first?key=");
    let address = daemon.greeting.split("/first?key=").nth(1).unwrap().trim();
    let link = Request::get(format!("/first?key={address}")).header(header::HOST, "localhost");
    let stream = TcpStream::connect(("127.0.0.1", daemon.port)).await.unwrap();
    let (status, _, text) = ask(stream, link.body(Body::empty()).unwrap()).await;
    assert!(status == StatusCode::OK && text.contains("The first user"), "{text}");
    let url = format!("http://127.0.0.1:{}", daemon.port);
    let wish = ["--shelve", "communication.fryer", "--for", "10 min", "--why", "test", "--by", "Ella"];
    let far = setward(&[&["alarms", "--url", &url], &wish[..]].concat(), "");
    assert_eq!(far.status.code(), Some(5), "{}", told(&far));
    assert!(told(&far).contains("signed in with the role operate"), "{}", told(&far));
    let here = setward(&[&["alarms", path], &wish[..]].concat(), "");
    assert_eq!(here.status.code(), Some(0), "{}", told(&here));
    assert!(folder.path().join(".setward/ctl.sock").exists());
}

/// A page that is not encrypted, on this machine; the cookie of whoever signs in there.
async fn plain_sign_in(port: u16, name: &str) -> (StatusCode, String) {
    let form = format!("name={name}&passphrase={}", WORDS.replace(' ', "+"));
    let request = Request::post("/login")
        .header(header::HOST, "127.0.0.1")
        .header("sec-fetch-site", "same-origin")
        .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
    let stream = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
    let (status, headers, _) = ask(stream, request.body(Body::from(form)).unwrap()).await;
    let cookie = headers.get(header::SET_COOKIE).map(|set| set.to_str().unwrap().split(';').next().unwrap());
    (status, cookie.unwrap_or_default().to_owned())
}

async fn plain_get(port: u16, path: &str, cookie: &str) -> (StatusCode, String) {
    let request = Request::get(path).header(header::HOST, "127.0.0.1").header(header::COOKIE, cookie);
    let stream = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
    let (status, _, text) = ask(stream, request.body(Body::empty()).unwrap()).await;
    (status, text)
}

#[tokio::test]
async fn a_change_of_users_is_in_force_at_once_whatever_else_is_half_edited_and_puts_nothing_else_in_force() {
    let folder = folder("users = \"users.toml\"\nview = \"login\"");
    let path = folder.path().to_str().unwrap();
    add_user(folder.path(), "Ella", "engineer");
    add_user(folder.path(), "Otto", "operate");
    let daemon = Daemon::start(folder.path(), "Page:");
    let (ella, otto) =
        (plain_sign_in(daemon.port, "Ella").await.1, plain_sign_in(daemon.port, "Otto").await.1);
    let run = async || {
        let (status, text) = plain_get(daemon.port, "/api/v1/line", &ella).await;
        assert_eq!(status, StatusCode::OK, "{text}");
        let line: serde_json::Value = serde_json::from_str(&text).unwrap();
        line["run"].as_i64().unwrap()
    };
    let first = run().await;
    let alarms = folder.path().join("alarms.toml");
    let text = std::fs::read_to_string(&alarms).unwrap();
    let edited = text.replacen("allowance = \"240 K.s\"", "allowance = \"250 K.s\"", 1);
    assert_ne!(edited, text);
    std::fs::write(&alarms, &edited).unwrap();
    let role = setward(&["user", path, "role", "Otto", "view"], "");
    assert!(role.status.success() && told(&role).contains("has taken it up"), "{}", told(&role));
    assert_eq!(run().await, first, "alarm settings that nobody has reloaded are not in force");
    assert!(plain_get(daemon.port, "/", &otto).await.1.contains("Otto</b> (view)"));

    std::fs::write(&alarms, edited + "\n[[time-weighted]\nid = ").unwrap();
    let off = setward(&["user", path, "disable", "Otto"], "");
    assert!(off.status.success() && told(&off).contains("has taken it up"), "{}", told(&off));
    assert_eq!(plain_get(daemon.port, "/api/v1/line", &otto).await.0, StatusCode::FORBIDDEN);
    assert_eq!(plain_sign_in(daemon.port, "Otto").await.0, StatusCode::FORBIDDEN);
    assert_eq!(run().await, first);

    // Another file than the one in force: what is written there lets nobody in and shuts nobody out.
    let site = folder.path().join("site.toml");
    let text = std::fs::read_to_string(&site).unwrap();
    std::fs::write(&site, text.replacen("users.toml", "others.toml", 1)).unwrap();
    add_user_in_vain(folder.path(), "Ella");
    let off = setward(&["user", path, "disable", "Ella"], "");
    assert_eq!(off.status.code(), Some(1), "{}", told(&off));
    let said = told(&off);
    assert!(said.contains("STILL SIGNED IN") && said.contains("What to do:"), "{said}");
    assert!(off.stdout.is_empty(), "nothing says that it is done: {said}");
    assert_eq!(run().await, first);
}

fn add_user_in_vain(folder: &Path, name: &str) {
    let arguments = ["user", folder.to_str().unwrap(), "add", name, "--role", "engineer"];
    let added = setward(&arguments, &format!("{WORDS}\n"));
    assert_eq!(added.status.code(), Some(1), "{}", told(&added));
    assert!(told(&added).contains("can't sign in yet"), "{}", told(&added));
}

/// Somebody of the daemon's group who may read the folder, but not the users: only root can try to be somebody else.
#[test]
fn a_command_works_for_whoever_may_not_read_the_users() {
    if !rustix::process::geteuid().is_root() {
        return;
    }
    let nobody = |program: &Path, arguments: &[&str]| {
        let mut command = Command::new(program);
        command.args(arguments).uid(65_534).gid(0).stdin(Stdio::null()).output().unwrap()
    };
    let folder = folder("users = \"users.toml\"");
    let path = folder.path().to_str().unwrap();
    let readable = std::fs::Permissions::from_mode(0o755);
    std::fs::set_permissions(folder.path(), readable.clone()).unwrap();
    add_user(folder.path(), "Ella", "engineer");
    let own = setward(
        &["user", path, "add", "Otto", "--role", "operate", "--os-user", "nobody"],
        &format!("{WORDS}\n"),
    );
    assert!(own.status.success(), "{}", told(&own));
    // Where the tests' own programs are, others may not look.
    let program = folder.path().join("setward");
    std::fs::copy(env!("CARGO_BIN_EXE_setward"), &program).unwrap();
    std::fs::set_permissions(&program, readable).unwrap();
    let _daemon = Daemon::start(folder.path(), "Page:");
    let listed = nobody(&program, &["alarms", path]);
    assert!([Some(0), Some(10)].contains(&listed.status.code()), "{}", told(&listed));
    assert!(!told(&listed).contains("users.toml"), "{}", told(&listed));
    let wish = ["alarms", path, "--shelve", "communication.fryer", "--for", "10 min", "--why", "test"];
    let shelved = nobody(&program, &wish);
    assert_eq!(shelved.status.code(), Some(0), "{}", told(&shelved));
    let due = nobody(&program, &["enter", path, "--due"]);
    assert_eq!(due.status.code(), Some(0), "{}", told(&due));
    let refused = nobody(&program, &["user", path, "disable", "Ella"]);
    assert_eq!(refused.status.code(), Some(3), "{}", told(&refused));
    let reload = nobody(&program, &["reload", path]);
    assert_eq!(reload.status.code(), Some(5), "{}", told(&reload));
}

/// A connection that shows the certificate with this hash, which no file has any more.
async fn encrypted_as(port: u16, hash: &str) -> impl AsyncRead + AsyncWrite + Unpin + Send + 'static {
    use tokio_rustls::rustls::client::danger::{
        HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier,
    };
    use tokio_rustls::rustls::pki_types::UnixTime;
    use tokio_rustls::rustls::{DigitallySignedStruct, Error, SignatureScheme};
    #[derive(Debug)]
    struct Pinned(String);
    impl ServerCertVerifier for Pinned {
        fn verify_server_cert(
            &self,
            shown: &CertificateDer<'_>,
            _between: &[CertificateDer<'_>],
            _name: &ServerName<'_>,
            _ocsp: &[u8],
            _now: UnixTime,
        ) -> Result<ServerCertVerified, Error> {
            let hash =
                Sha256::digest(shown).iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(":");
            if hash == self.0 { Ok(ServerCertVerified::assertion()) } else { Err(Error::General(hash)) }
        }
        fn verify_tls12_signature(
            &self,
            _message: &[u8],
            _certificate: &CertificateDer<'_>,
            _signed: &DigitallySignedStruct,
        ) -> Result<HandshakeSignatureValid, Error> {
            Ok(HandshakeSignatureValid::assertion())
        }
        fn verify_tls13_signature(
            &self,
            _message: &[u8],
            _certificate: &CertificateDer<'_>,
            _signed: &DigitallySignedStruct,
        ) -> Result<HandshakeSignatureValid, Error> {
            Ok(HandshakeSignatureValid::assertion())
        }
        fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
            ring::default_provider().signature_verification_algorithms.supported_schemes()
        }
    }
    let config = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .dangerous()
        .with_custom_certificate_verifier(Arc::new(Pinned(hash.to_owned())))
        .with_no_client_auth();
    let stream = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
    let name = ServerName::try_from("line-2.plant.example").unwrap();
    TlsConnector::from(Arc::new(config)).connect(name, stream).await.unwrap()
}

/// A line that is polled over TCP, with its page, on this one thread: as in the program.
async fn polled_line() -> (setward::Running, Pages, std::net::SocketAddr, Vec<tokio::task::JoinHandle<()>>) {
    let mut line = setward_config::load_demo().unwrap().line;
    let bound = sim_plc::bind(&mut line, true).await.unwrap();
    let simulator = sim_plc::Simulator::new(&line, 1);
    let serving = tokio::spawn(sim_plc::serve(bound, simulator, std::future::pending()));
    let (line, clock) = (Arc::new(line), Clock::system());
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let dial = Arc::new(TcpDial { user_timeout: Duration::from_secs(3) });
    let running = start(Arc::clone(&line), Edges { dial, history: history.clone(), clock }).await.unwrap();
    let state = AppState {
        handle: running.handle(),
        line,
        history,
        clock: WallTime::Run(clock),
        servers: Vec::new(),
        reloader: None,
        notify: Outlook::default(),
        doors: Arc::new(Doors::open()),
    };
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let pages = Pages::new(state);
    let serve = pages.serve(listener, std::future::pending());
    let page = tokio::spawn(async move {
        let _ended = serve.await;
    });
    (running, pages, address, vec![serving, page])
}

/// Waits until that many more scans of controllers were begun than `from`.
async fn scans_beyond(running: &setward::Running, from: u64, more: u64) {
    for _ in 0..1200 {
        if running.handle().snapshot().counts.scans >= from + more {
            return;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    panic!("not {more} more scans within a minute: {:?}", running.handle().snapshot().counts);
}

#[tokio::test]
async fn idle_sockets_slow_clients_and_endless_bodies_never_touch_polling() {
    let (running, _pages, address, tasks) = polled_line().await;
    scans_beyond(&running, 0, 8).await;
    let mut idle = Vec::new();
    for _ in 0..1000 {
        // Beyond its share one address is refused, or waits in the kernel's queue; it must only never hurt.
        if let Ok(Ok(stream)) =
            tokio::time::timeout(Duration::from_millis(20), TcpStream::connect(address)).await
        {
            idle.push(stream);
        }
    }
    assert!(idle.len() >= 128, "{}", idle.len());
    let shut = {
        let mut shut = 0;
        for stream in &mut idle {
            let mut byte = [0];
            let read = tokio::time::timeout(Duration::from_millis(1), stream.read(&mut byte)).await;
            shut += usize::from(matches!(read, Ok(Ok(0) | Err(_))));
        }
        shut
    };
    assert!(shut >= idle.len() - 140, "one address has its share only: {shut} of {} were closed", idle.len());
    drop(idle);
    let slow: Vec<_> = (0..40)
        .map(|_| {
            tokio::spawn(async move {
                let Ok(mut stream) = TcpStream::connect(address).await else { return };
                for byte in b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: yes-very-slow-indeed\r\n" {
                    if stream.write_all(&[*byte]).await.is_err() {
                        return;
                    }
                    tokio::time::sleep(Duration::from_millis(300)).await;
                }
            })
        })
        .collect();
    let endless: Vec<_> = (0..4)
        .map(|_| {
            tokio::spawn(async move {
                let Ok(mut stream) = TcpStream::connect(address).await else { return 0 };
                let head = "POST /api/v1/entries HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: 104857600\r\n\r\n";
                let mut sent = 0;
                if stream.write_all(head.as_bytes()).await.is_ok() {
                    let chunk = vec![b' '; 64 * 1024];
                    while sent < 100 << 20 && stream.write_all(&chunk).await.is_ok() {
                        sent += chunk.len();
                    }
                }
                sent
            })
        })
        .collect();
    let before = running.handle().snapshot().counts.scans;
    scans_beyond(&running, before, 24).await;
    for task in endless {
        assert!(task.await.unwrap() < 100 << 20, "a body of 100 MB must be refused long before its end");
    }
    let (status, _, text) = ask(TcpStream::connect(address).await.unwrap(), plain("/api/v1/line")).await;
    assert_eq!(status, StatusCode::OK, "{text}");
    let snapshot = running.handle().snapshot();
    let failed: u64 = snapshot.controllers.iter().map(|controller| controller.scans_failed).sum();
    assert_eq!((failed, snapshot.counts.samples_lost, snapshot.counts.events_lost), (0, 0, 0));
    slow.into_iter().chain(tasks).for_each(|task| task.abort());
    running.stop().await.unwrap();
}

fn plain(path: &str) -> Request<Body> {
    Request::get(path).header(header::HOST, "127.0.0.1").body(Body::empty()).unwrap()
}
