//! A receiver of our own on this machine, that checks the signature as README.md says.

use super::*;
use crate::notify::message::{Item, Subject};
use serde_json::{Value, json};
use setward_protocol::UtcMillis;
use std::os::unix::fs::PermissionsExt as _;
use std::path::PathBuf;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpListener;

const SECRET: &str = "0123456789abcdef-of-tests";
/// 2026-11-25T02:10:22Z.
const NIGHT: UtcMillis = UtcMillis(1_795_572_622_000);

fn secret(folder: &tempfile::TempDir, text: &str, mode: u32) -> PathBuf {
    let file = folder.path().join("secret");
    std::fs::write(&file, text).unwrap();
    std::fs::set_permissions(&file, std::fs::Permissions::from_mode(mode)).unwrap();
    file
}

fn poster(url: String, secret_file: PathBuf) -> Poster {
    Poster {
        hook: Webhook { url, secret_file, ca: None },
        head: Letterhead {
            plant: "Quarry Lane".to_owned(),
            line: "Line 1".to_owned(),
            simulated: true,
            page_url: Some("https://line.example".to_owned()),
        },
        clock: Clock::starting_at(NIGHT),
    }
}

fn message() -> Message {
    let item = Item {
        key: "7-12-pager".to_owned(),
        subject: Subject::Alarm,
        alarm: Some("fryer-inlet-cold".to_owned()),
        occurrence: 3,
        priority: Some("high".to_owned()),
        raised: Some(NIGHT.0 - 60_000),
        line: "SIMULATED HIGH Fryer oil inlet cold".to_owned(),
    };
    Message {
        key: "7-12-pager".to_owned(),
        subject: Subject::Alarm,
        made: NIGHT.0,
        line: item.line.clone(),
        body: "more\n".to_owned(),
        items: vec![item],
    }
}

/// Takes one request, gives `answer`; gives what came: its head in small letters, and its body.
async fn receive(answer: &'static str) -> (String, tokio::task::JoinHandle<(String, String)>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}/setward", listener.local_addr().unwrap());
    let task = tokio::spawn(async move {
        let (mut stream, _) = listener.accept().await.unwrap();
        let mut bytes = Vec::new();
        let (head, body) = loop {
            let mut part = [0; 4096];
            let count = stream.read(&mut part).await.unwrap();
            bytes.extend_from_slice(&part[..count]);
            let text = String::from_utf8_lossy(&bytes).into_owned();
            let Some((head, body)) = text.split_once("\r\n\r\n") else { continue };
            let head = head.to_lowercase();
            let length: usize = value(&head, "content-length").parse().unwrap();
            if body.len() >= length {
                break (head, body.to_owned());
            }
        };
        stream.write_all(answer.as_bytes()).await.unwrap();
        (head, body)
    });
    (url, task)
}

fn value(head: &str, name: &str) -> String {
    let line = head.lines().find(|line| line.starts_with(&format!("{name}: "))).unwrap();
    line.split_once(": ").unwrap().1.to_owned()
}

const TAKEN: &str = "HTTP/1.1 202 Accepted\r\ncontent-length: 5\r\nconnection: close\r\n\r\nthank";

#[tokio::test]
async fn what_arrives_can_be_checked_with_the_key_and_says_all_that_readme_promises() {
    let folder = tempfile::tempdir().unwrap();
    let (url, received) = receive(TAKEN).await;
    let poster = poster(url, secret(&folder, &format!("{SECRET}\n"), 0o600));
    let receipt = poster.deliver(&message()).await.unwrap();
    assert_eq!(receipt.answer, "202 thank");
    let (head, body) = received.await.unwrap();
    assert!(head.starts_with("post /setward http/1.1"), "{head}");
    assert_eq!(value(&head, "idempotency-key"), "7-12-pager");
    let stamp: i64 = value(&head, "setward-timestamp").parse().unwrap();
    assert!((NIGHT.0 / 1000..NIGHT.0 / 1000 + 60).contains(&stamp));
    // As a receiver does it: from what came, by another implementation than the sender's.
    let mut mac = Hmac::<Sha256>::new_from_slice(SECRET.as_bytes()).unwrap();
    mac.update(format!("{stamp}.{body}").as_bytes());
    let signed = value(&head, "setward-signature");
    let hex = signed.strip_prefix("sha256=").unwrap();
    let bytes: Vec<u8> =
        (0..hex.len()).step_by(2).map(|at| u8::from_str_radix(&hex[at..at + 2], 16).unwrap()).collect();
    mac.verify_slice(&bytes).unwrap();
    let told: Value = serde_json::from_str(&body).unwrap();
    let expected = json!({
        "schema_version": 1,
        "key": "7-12-pager",
        "about": "alarm",
        "made_at": "2026-11-25T02:10:22Z",
        "plant": "Quarry Lane",
        "line": "Line 1",
        "simulated": true,
        "page_url": "https://line.example",
        "text": "SIMULATED HIGH Fryer oil inlet cold",
        "details": "more\n",
        "items": [{
            "key": "7-12-pager",
            "about": "alarm",
            "alarm": "fryer-inlet-cold",
            "occurrence": 3,
            "priority": "high",
            "raised_at": "2026-11-25T02:09:22Z",
            "text": "SIMULATED HIGH Fryer oil inlet cold",
        }],
    });
    assert_eq!(told, expected);
    let readme = include_str!("README.md");
    for key in told.as_object().unwrap().keys().chain(told["items"][0].as_object().unwrap().keys()) {
        assert!(readme.contains(&format!("`{key}`")), "{key} is not described");
    }
}

/// From RFC 4231, test case 2, with the stamp and the point in front taken as part of the text.
#[test]
fn the_signature_is_hmac_sha_256() {
    let mut mac = Hmac::<Sha256>::new_from_slice(b"Jefe").unwrap();
    mac.update(b"what do ya want for nothing?");
    let known = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843";
    assert_eq!(format!("{:x}", mac.finalize().into_bytes()), known);
    let one = signature("key", 12, "body").unwrap();
    assert_eq!(one.len(), 7 + 64);
    assert_ne!(Some(&one), signature("key", 13, "body").as_ref(), "another moment");
    assert_ne!(Some(&one), signature("yek", 12, "body").as_ref(), "another key");
    assert_eq!(Some(&one), signature("key", 12, "body").as_ref());
}

#[test]
fn each_answer_has_its_consequence() {
    let kind = |status| of_status(status, "why so");
    for taken in [200, 202, 204] {
        assert!(kind(taken).is_ok(), "{taken}");
    }
    for busy in [408, 429, 500, 503] {
        assert!(matches!(kind(busy), Err(SendError::Busy(text)) if text.contains("why so")), "{busy}");
    }
    assert!(matches!(kind(401), Err(SendError::Refused(text)) if text.contains("secret_file")));
    assert!(matches!(kind(302), Err(SendError::Refused(text)) if text.contains("elsewhere")));
    for refused in [400, 404, 410, 422] {
        assert!(matches!(kind(refused), Err(SendError::Refused(_))), "{refused}");
    }
}

#[tokio::test]
async fn who_is_not_there_or_breaks_off_may_have_it_and_a_redirect_is_not_followed() {
    let folder = tempfile::tempdir().unwrap();
    let file = secret(&folder, SECRET, 0o600);
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let told =
        poster(format!("http://127.0.0.1:{port}/"), file.clone()).deliver(&message()).await.unwrap_err();
    assert!(matches!(&told, SendError::Unreachable(text) if text.contains("refused")), "{told:?}");
    let (url, received) = receive("").await;
    let told = poster(url, file.clone()).deliver(&message()).await.unwrap_err();
    assert!(matches!(&told, SendError::Unreachable(_)), "{told:?}");
    received.await.unwrap();
    let (url, received) = receive(
        "HTTP/1.1 307 Temporary Redirect\r\nlocation: http://127.0.0.1:1/\r\ncontent-length: 0\r\n\r\n",
    )
    .await;
    let told = poster(url, file).deliver(&message()).await.unwrap_err();
    assert!(matches!(&told, SendError::Refused(_)), "{told:?}");
    received.await.unwrap();
}

#[tokio::test]
async fn a_key_that_is_short_open_or_missing_signs_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let url = || "http://127.0.0.1:9/".to_owned();
    for (text, mode) in [("short", 0o600), (SECRET, 0o644), ("two words are no key", 0o600)] {
        let told = poster(url(), secret(&folder, text, mode)).deliver(&message()).await.unwrap_err();
        assert!(matches!(&told, SendError::Refused(text) if text.contains("secret")), "{told:?}");
    }
    let told = poster(url(), folder.path().join("none")).deliver(&message()).await.unwrap_err();
    assert!(matches!(&told, SendError::Refused(text) if text.contains("none")), "{told:?}");
}
