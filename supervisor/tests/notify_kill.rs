//! kill -9 between an alarm and its message: whatever was raised is told by the next run, and nothing under two keys.
//!
//! No controller answers, so that each of them is an alarm. The receiver is this test, on this machine.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "tests: a panic is a failed test")]

use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::io::{Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// Everything that came, and whether it is taken.
#[derive(Default)]
struct Receiver {
    takes: AtomicBool,
    ends: AtomicBool,
    tries: Mutex<u32>,
    taken: Mutex<Vec<Value>>,
}

fn answer(stream: &mut TcpStream, receiver: &Receiver) -> Option<()> {
    stream.set_read_timeout(Some(Duration::from_secs(5))).ok()?;
    let mut bytes = Vec::new();
    let (head, body) = loop {
        let mut part = [0; 4096];
        let count = stream.read(&mut part).ok().filter(|count| *count > 0)?;
        bytes.extend_from_slice(&part[..count]);
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let Some((head, body)) = text.split_once("\r\n\r\n") else { continue };
        let head = head.to_lowercase();
        let length: usize = head.split("content-length: ").nth(1)?.lines().next()?.parse().ok()?;
        if body.len() >= length {
            break (head, body.to_owned());
        }
    };
    let message: Value = serde_json::from_str(&body).unwrap();
    assert!(head.contains(&format!("idempotency-key: {}", message["key"].as_str().unwrap().to_lowercase())));
    *receiver.tries.lock().unwrap() += 1;
    let takes = receiver.takes.load(Ordering::SeqCst);
    if takes {
        receiver.taken.lock().unwrap().push(message);
    }
    let status = if takes { "204 No Content" } else { "503 Service Unavailable" };
    stream
        .write_all(format!("HTTP/1.1 {status}\r\ncontent-length: 0\r\nconnection: close\r\n\r\n").as_bytes())
        .ok()
}

/// Takes a bounded number of requests, and ends when told to.
fn receive(receiver: &Arc<Receiver>) -> (u16, std::thread::JoinHandle<()>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let receiver = Arc::clone(receiver);
    let serve = move || {
        for stream in listener.incoming().take(500) {
            if receiver.ends.load(Ordering::SeqCst) {
                return;
            }
            let _broke_off = answer(&mut stream.unwrap(), &receiver);
        }
    };
    (port, std::thread::spawn(serve))
}

/// The demo line, whose controllers nobody serves, with one webhook.
fn folder(hook: u16) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in setward_config::demo_files() {
        let file = folder.path().join(name);
        std::fs::create_dir_all(file.parent().unwrap()).unwrap();
        let mut text = (*text).to_owned();
        if *name == "site.toml" {
            for port in 15_501..15_505 {
                text =
                    text.replace(&format!("\"127.0.0.1:{port}\""), &format!("\"127.0.0.1:{}\"", free_port()));
            }
            text =
                text.replace("page = \"127.0.0.1:8470\"", &format!("page = \"127.0.0.1:{}\"", free_port()));
            text.push_str(&format!(
                "\n[[webhook]]\nname = \"pager\"\nurl = \"http://127.0.0.1:{hook}/\"\nsecret_file = \"webhook-secret\"\n"
            ));
        }
        if *name == "alarms.toml" {
            text = text.replace("at_least = \"10 s\"", "at_least = \"2 s\"");
        }
        std::fs::write(file, text).unwrap();
    }
    let secret = folder.path().join("webhook-secret");
    std::fs::write(&secret, "0123456789abcdef").unwrap();
    std::fs::set_permissions(&secret, std::fs::Permissions::from_mode(0o600)).unwrap();
    folder
}

fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

/// Stops by itself after some minutes.
fn start(folder: &Path) -> Child {
    let mut command = Command::new(env!("CARGO_BIN_EXE_setward"));
    command.arg("run").arg(folder).args(["--for", "4 min"]).stdout(Stdio::null()).stderr(Stdio::null());
    command.spawn().unwrap()
}

/// Waits until `is_so`, a minute and a half at most.
fn wait_until(what: &str, is_so: impl Fn() -> bool) {
    let (_held, nothing) = std::sync::mpsc::channel::<()>();
    for _ in 0..1800 {
        if is_so() {
            return;
        }
        let _timed_out = nothing.recv_timeout(Duration::from_millis(50));
    }
    panic!("never: {what}");
}

/// Keys of the calls that history holds.
fn calls(folder: &Path) -> BTreeSet<String> {
    let file = folder.join(".setward").join("history.sqlite");
    let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
    let Ok(connection) = rusqlite::Connection::open_with_flags(file, flags) else { return BTreeSet::new() };
    let Ok(mut statement) =
        connection.prepare("SELECT run, sequence, event FROM events WHERE alarm IS NOT NULL")
    else {
        return BTreeSet::new();
    };
    let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)));
    let rows = rows.unwrap().filter_map(Result::ok);
    let is_call = |(_, _, text): &(i64, i64, String)| {
        let event: Value = serde_json::from_str(text).unwrap();
        event["what"] == "raised" && event["note"].is_null()
    };
    rows.filter(is_call).map(|(run, sequence, _)| format!("{run}-{sequence}-pager")).collect()
}

#[test]
fn no_alarm_is_lost_to_a_kill_and_none_is_told_under_two_keys() {
    let receiver = Arc::new(Receiver::default());
    let (port, serving) = receive(&receiver);
    let folder = folder(port);
    let taken = || -> BTreeMap<String, BTreeSet<(String, u64)>> {
        let mut all: BTreeMap<String, BTreeSet<(String, u64)>> = BTreeMap::new();
        for message in receiver.taken.lock().unwrap().iter() {
            for item in message["items"].as_array().unwrap().iter().filter(|item| item["about"] == "alarm") {
                let call = (item["alarm"].as_str().unwrap().to_owned(), item["occurrence"].as_u64().unwrap());
                all.entry(item["key"].as_str().unwrap().to_owned()).or_default().insert(call);
            }
        }
        all
    };
    let all_told = || {
        let (calls, taken) = (calls(folder.path()), taken());
        calls.len() >= 4 && calls.iter().all(|key| taken.contains_key(key))
    };
    for turn in 0..4_u32 {
        let mut child = start(folder.path());
        // Killed with messages refused twice, and with the first one taken.
        let takes = turn % 2 == 1;
        receiver.takes.store(takes, Ordering::SeqCst);
        let before = *receiver.tries.lock().unwrap();
        // Once nothing is owed any more, nothing is tried.
        wait_until("a message is tried", || {
            *receiver.tries.lock().unwrap() > before + u32::from(!takes) || all_told()
        });
        child.kill().unwrap();
        child.wait().unwrap();
    }
    receiver.takes.store(true, Ordering::SeqCst);
    let mut child = start(folder.path());
    wait_until("every call arrives", all_told);
    child.kill().unwrap();
    child.wait().unwrap();
    let taken = taken();
    assert!(taken.values().all(|calls| calls.len() == 1), "a key means one call: {taken:?}");
    let all: Vec<_> = taken.values().flatten().collect();
    let different: BTreeSet<_> = all.iter().collect();
    assert_eq!(all.len(), different.len(), "and a call has one key: {taken:?}");
    receiver.ends.store(true, Ordering::SeqCst);
    // One more connection, so that it looks.
    let _woken = TcpStream::connect(("127.0.0.1", port));
    serving.join().unwrap();
}
