//! `setward alarms --test-message` without a daemon, and `setward completions`: exit codes, and words that say what to do.

#![expect(clippy::unwrap_used, reason = "tests: a panic is a failed test")]

use std::io::{Read as _, Write as _};
use std::net::TcpListener;
use std::os::unix::fs::PermissionsExt as _;
use std::process::{Command, Output};

fn setward(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_setward")).args(arguments).output().unwrap()
}

/// Exit code, what is answered, what is told.
fn run(arguments: &[&str]) -> (i32, String, String) {
    let output = setward(arguments);
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (output.status.code().unwrap(), text(&output.stdout), text(&output.stderr))
}

fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

/// The demo line, watched by nobody, with these lines added to its site file, and a key that is its owner's only.
fn folder(added: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in setward_config::demo_files() {
        let file = folder.path().join(name);
        std::fs::create_dir_all(file.parent().unwrap()).unwrap();
        let text =
            text.replace("page = \"127.0.0.1:8470\"", &format!("page = \"127.0.0.1:{}\"", free_port()));
        let added = if *name == "site.toml" { added } else { "" };
        std::fs::write(file, format!("{text}\n{added}")).unwrap();
    }
    let secret = folder.path().join("webhook-secret");
    std::fs::write(&secret, "0123456789abcdef").unwrap();
    std::fs::set_permissions(&secret, std::fs::Permissions::from_mode(0o600)).unwrap();
    folder
}

fn webhook(name: &str, port: u16) -> String {
    format!(
        "[[webhook]]\nname = \"{name}\"\nurl = \"http://127.0.0.1:{port}/\"\nsecret_file = \"webhook-secret\"\n"
    )
}

#[test]
fn a_way_out_is_tried_by_the_command_itself_when_no_daemon_runs() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let folder = folder(&(webhook("pager", port) + &webhook("desk", free_port())));
    let path = folder.path().to_str().unwrap();
    let receiver = std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        let mut bytes = [0; 8192];
        let count = stream.read(&mut bytes).unwrap();
        stream
            .write_all(b"HTTP/1.1 200 OK\r\ncontent-length: 7\r\nconnection: close\r\n\r\nwelcome")
            .unwrap();
        String::from_utf8_lossy(bytes.get(..count).unwrap()).into_owned()
    });
    let (code, answered, told) = run(&["alarms", path, "--test-message", "pager"]);
    assert_eq!(
        (code, answered.as_str()),
        (0, "pager: arrived: taken, the answer was: 200 welcome\n"),
        "{told}"
    );
    assert!(told.contains("no daemon runs"), "{told}");
    assert!(receiver.join().unwrap().to_lowercase().contains("setward-signature: sha256="));
    let (code, answered, _) = run(&["alarms", path, "--test-message", "desk"]);
    assert_eq!(code, 1, "{answered}");
    assert!(answered.starts_with("desk: FAILED: ") && answered.contains("refused"), "{answered}");
    let (code, answered, _) = run(&["alarms", path, "--test-message", "desk", "--json"]);
    let answer: serde_json::Value = serde_json::from_str(&answered).unwrap();
    assert_eq!((code, answer.pointer("/items/0/arrived")), (1, Some(&false.into())), "{answered}");
    let (code, _, told) = run(&["alarms", path, "--test-message", "nobody"]);
    assert_eq!(code, 2);
    assert!(told.contains("there is pager, desk"), "{told}");
}

#[test]
fn a_line_that_tells_nobody_says_where_to_write_whom() {
    let folder = folder("");
    let (code, _, told) = run(&["alarms", folder.path().to_str().unwrap(), "--test-message"]);
    assert_eq!(code, 1);
    assert!(told.contains("no [mail] and no [[webhook]]"), "{told}");
}

#[test]
fn each_shell_gets_its_completions_and_an_unknown_one_the_list() {
    for shell in ["bash", "zsh", "fish"] {
        let (code, answered, _) = run(&["completions", shell]);
        assert_eq!(code, 0, "{shell}");
        assert!(answered.contains("test-message") && answered.contains("setward"), "{shell}");
    }
    let (code, _, told) = run(&["completions", "cmd"]);
    assert_eq!(code, 2);
    assert!(told.contains("bash"), "{told}");
}
