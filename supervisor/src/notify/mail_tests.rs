//! A mail relay of our own on this machine, that takes a bounded number of connections and ends with them.

use super::*;
use crate::notify::message::Subject;
use rcgen::{BasicConstraints, Certificate as Made, CertificateParams, IsCa, KeyPair};
use std::collections::BTreeMap;
use std::os::unix::fs::PermissionsExt as _;
use std::path::PathBuf;
use std::sync::Arc;
use tokio::io::{AsyncBufReadExt as _, AsyncRead, AsyncWrite, AsyncWriteExt as _, BufReader};
use tokio::net::TcpListener;
use tokio::task::JoinHandle;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::pki_types::{PrivateKeyDer, PrivatePkcs8KeyDer};

/// What the relay does.
#[derive(Clone, Default)]
struct Manner {
    /// By receiver: its answer in place of yes.
    answers: BTreeMap<String, &'static str>,
    /// Offers TLS.
    tls: Option<TlsAcceptor>,
    /// Asks for a login.
    login: bool,
}

/// A mail as it came.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Taken {
    to: String,
    text: String,
    login: Option<String>,
    encrypted: bool,
}

/// What one connection has said so far.
#[derive(Default)]
struct Talk {
    to: String,
    login: Option<String>,
}

/// Takes `connections`, then ends; gives the mails.
async fn relay(connections: usize, manner: Manner) -> (u16, JoinHandle<Vec<Taken>>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let task = tokio::spawn(async move {
        let mut all = Vec::new();
        for _ in 0..connections {
            let (stream, _) = listener.accept().await.unwrap();
            let mut stream = BufReader::new(stream);
            stream.write_all(b"220 relay.example\r\n").await.unwrap();
            let mut talk = Talk::default();
            if speak(&mut stream, &manner, &mut talk, (&mut all, false)).await {
                let acceptor = manner.tls.clone().unwrap();
                let Ok(stream) = acceptor.accept(stream.into_inner()).await else { continue };
                let mut stream = BufReader::new(stream);
                speak(&mut stream, &manner, &mut talk, (&mut all, true)).await;
            }
        }
        all
    });
    (port, task)
}

/// Until the other side goes; true when it wants TLS.
async fn speak<S: AsyncRead + AsyncWrite + Unpin>(
    stream: &mut BufReader<S>,
    manner: &Manner,
    talk: &mut Talk,
    (all, encrypted): (&mut Vec<Taken>, bool),
) -> bool {
    loop {
        let mut line = String::new();
        if stream.read_line(&mut line).await.unwrap_or(0) == 0 {
            return false;
        }
        let line = line.trim_end();
        let word = line.split(' ').next().unwrap().to_uppercase();
        let answer = match word.as_str() {
            "EHLO" => {
                let tls = if manner.tls.is_some() && !encrypted { "250-STARTTLS\r\n" } else { "" };
                let login = if manner.login { "250-AUTH PLAIN\r\n" } else { "" };
                format!("250-relay.example\r\n{tls}{login}250 8BITMIME")
            }
            "STARTTLS" => {
                stream.write_all(b"220 go on\r\n").await.unwrap();
                return true;
            }
            "AUTH" => {
                talk.login = Some(line.to_owned());
                "235 welcome".to_owned()
            }
            "MAIL" => "250 yes".to_owned(),
            "RCPT" => {
                talk.to = line.split(['<', '>']).nth(1).unwrap().to_owned();
                (*manner.answers.get(&talk.to).unwrap_or(&"250 yes")).to_owned()
            }
            "DATA" => {
                stream.write_all(b"354 go on\r\n").await.unwrap();
                let mut text = String::new();
                while stream.read_line(&mut text).await.unwrap() > 0 && !text.ends_with("\r\n.\r\n") {}
                all.push(Taken { to: talk.to.clone(), text, login: talk.login.clone(), encrypted });
                "250 taken as 4711".to_owned()
            }
            "QUIT" => {
                let _gone = stream.write_all(b"221 bye\r\n").await;
                return false;
            }
            _ => "250 yes".to_owned(),
        };
        stream.write_all(format!("{answer}\r\n").as_bytes()).await.unwrap();
    }
}

fn mail_to(port: u16, to: &[&str]) -> MailTo {
    let relay = Relay { host: "localhost".to_owned(), port, tls: MailTls::None, login: None, ca: None };
    MailTo {
        relay,
        from: "setward@plant.example".to_owned(),
        to: to.iter().map(|to| (*to).to_owned()).collect(),
    }
}

fn message(line: &str) -> Message {
    Message {
        key: "7-12-night".to_owned(),
        subject: Subject::Alarm,
        made: 1_795_572_622_000,
        line: line.to_owned(),
        body: format!("{line}\n\nWhere: Fryer, TT-310\nValue: 176.4 \u{b0}C\n.\nOperator, now:\n"),
        items: Vec::new(),
    }
}

#[tokio::test]
async fn a_mail_arrives_whole_with_its_line_as_subject() {
    let (port, relay) = relay(1, Manner::default()).await;
    let mailer = Mailer::new(mail_to(port, &["night@plant.example"]));
    let receipt = mailer.deliver(&message("HIGH Fryer oil inlet cold: -5.6 K")).await.unwrap();
    assert_eq!(receipt, Receipt { answer: "250 taken as 4711".to_owned(), complaint: None });
    let [mail] = relay.await.unwrap().try_into().unwrap();
    assert_eq!(mail.to, "night@plant.example");
    for head in [
        "From: setward@plant.example\r\n",
        "To: night@plant.example\r\n",
        "Subject: HIGH Fryer oil inlet cold: -5.6 K\r\n",
        "Message-ID: <7-12-night@plant.example>\r\n",
        "Date: Wed, 25 Nov 2026 02:10:22 +0000\r\n",
        "Auto-Submitted: auto-generated\r\n",
        "charset=utf-8",
    ] {
        assert!(mail.text.contains(head), "{head:?} is not in {}", mail.text);
    }
    assert!(mail.text.contains("Where: Fryer, TT-310"), "{}", mail.text);
}

/// A name from a file must not begin a line of its own in the head of a mail.
#[tokio::test]
async fn nothing_in_a_line_becomes_a_head_of_its_own() {
    let (port, relay) = relay(1, Manner::default()).await;
    let mut wicked = message("Fryer\r\nBcc: all@plant.example\r\n\r\nbody");
    wicked.key = "7-12-x>\r\nX-Evil: yes".to_owned();
    Mailer::new(mail_to(port, &["night@plant.example"])).deliver(&wicked).await.unwrap();
    let [mail] = relay.await.unwrap().try_into().unwrap();
    let head = mail.text.split("\r\n\r\n").next().unwrap();
    assert!(head.lines().all(|line| !line.starts_with("Bcc") && !line.starts_with("X-Evil")), "{head}");
    assert!(head.contains("Subject: Fryer  Bcc: all@plant.example    body"), "{head}");
    assert_eq!(mail.to, "night@plant.example");
}

#[tokio::test]
async fn an_address_that_is_refused_keeps_no_other_from_its_mail() {
    let answers = BTreeMap::from([("gone@plant.example".to_owned(), "550 no such user")]);
    let (port, relay) = relay(3, Manner { answers, ..Manner::default() }).await;
    let to = ["a@plant.example", "gone@plant.example", "b@plant.example"];
    let receipt = Mailer::new(mail_to(port, &to)).deliver(&message("x")).await.unwrap();
    let complaint = receipt.complaint.unwrap();
    assert!(complaint.contains("gone@plant.example") && complaint.contains("no such user"), "{complaint}");
    let got: Vec<_> = relay.await.unwrap().into_iter().map(|mail| mail.to).collect();
    assert_eq!(got, ["a@plant.example", "b@plant.example"]);
}

#[tokio::test]
async fn a_repeat_goes_only_to_those_that_have_not_got_it() {
    let answers = BTreeMap::from([("b@plant.example".to_owned(), "451 later")]);
    let (port, first) = relay(2, Manner { answers, ..Manner::default() }).await;
    let to = ["a@plant.example", "b@plant.example"];
    let mut mailer = Mailer::new(mail_to(port, &to));
    let told = mailer.deliver(&message("x")).await.unwrap_err();
    assert!(matches!(&told, SendError::Busy(text) if text.contains("later")), "{told:?}");
    assert_eq!(first.await.unwrap().len(), 1);
    let (port, second) = relay(1, Manner::default()).await;
    mailer.to.relay.port = port;
    mailer.deliver(&message("x")).await.unwrap();
    let [mail] = second.await.unwrap().try_into().unwrap();
    assert_eq!(mail.to, "b@plant.example");
}

#[test]
fn a_test_message_that_crosses_another_marks_no_address_as_served_and_forgets_none() {
    let mailer = Mailer::new(mail_to(9, &["a@plant.example", "b@plant.example"]));
    let alarm = message("x");
    let test = Message { key: "test-1-night".to_owned(), subject: Subject::Test, ..message("test") };
    assert!(mailer.has(&test).is_empty());
    assert!(mailer.has(&alarm).is_empty());
    mailer.note(&test, "a@plant.example");
    assert!(mailer.has(&alarm).is_empty(), "only the test message went there");
    mailer.note(&alarm, "b@plant.example");
    assert!(mailer.has(&test).is_empty());
    mailer.note(&test, "a@plant.example");
    assert_eq!(mailer.has(&alarm), BTreeSet::from(["b@plant.example".to_owned()]));
    // A message that came late is as little this one.
    mailer.note(&Message { key: "7-11-night".to_owned(), ..message("y") }, "a@plant.example");
    assert_eq!(mailer.has(&alarm).len(), 1);
}

#[tokio::test]
async fn a_relay_that_refuses_or_is_away_is_told_apart() {
    let answers = BTreeMap::from([("gone@plant.example".to_owned(), "550 5.1.1 no such user")]);
    let (port, relay) = relay(1, Manner { answers, ..Manner::default() }).await;
    let told = Mailer::new(mail_to(port, &["gone@plant.example"])).deliver(&message("x")).await.unwrap_err();
    assert!(matches!(&told, SendError::Refused(text) if text.contains("550")), "{told:?}");
    assert!(relay.await.unwrap().is_empty());
    // Its port is closed now.
    let told = Mailer::new(mail_to(port, &["a@plant.example"])).deliver(&message("x")).await.unwrap_err();
    assert!(matches!(&told, SendError::Unreachable(_)), "{told:?}");
}

/// An authority, and a relay's certificate by it.
fn authority() -> (Made, TlsAcceptor) {
    let mut params = CertificateParams::new(Vec::new()).unwrap();
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let authority_key = KeyPair::generate().unwrap();
    let authority = params.self_signed(&authority_key).unwrap();
    let key = KeyPair::generate().unwrap();
    let params = CertificateParams::new(vec!["localhost".to_owned()]).unwrap();
    let certificate = params.signed_by(&key, &authority, &authority_key).unwrap();
    let key = PrivateKeyDer::Pkcs8(PrivatePkcs8KeyDer::from(key.serialize_der()));
    let config = ServerConfig::builder()
        .with_no_client_auth()
        .with_single_cert(vec![certificate.der().clone()], key)
        .unwrap();
    (authority, TlsAcceptor::from(Arc::new(config)))
}

fn kept(folder: &tempfile::TempDir, name: &str, text: &str, mode: u32) -> PathBuf {
    let file = folder.path().join(name);
    std::fs::write(&file, text).unwrap();
    std::fs::set_permissions(&file, std::fs::Permissions::from_mode(mode)).unwrap();
    file
}

#[tokio::test]
async fn a_relay_with_tls_of_the_plants_authority_gets_login_and_mail_and_no_other_gets_anything() {
    let folder = tempfile::tempdir().unwrap();
    let (ours, acceptor) = authority();
    let manner = Manner { tls: Some(acceptor), login: true, ..Manner::default() };
    let password = kept(&folder, "password", "correct horse\n", 0o600);
    let secured = |port, ca: &Made| {
        let ca = kept(&folder, "ca.pem", &ca.pem(), 0o644);
        let mut to = mail_to(port, &["night@plant.example"]);
        to.relay = Relay {
            tls: MailTls::StartTls,
            ca: Some(ca),
            login: Some(("setward".to_owned(), password.clone())),
            ..to.relay
        };
        Mailer::new(to)
    };
    let (port, served) = relay(1, manner.clone()).await;
    secured(port, &ours).deliver(&message("x")).await.unwrap();
    let [mail] = served.await.unwrap().try_into().unwrap();
    assert!(mail.encrypted);
    // AUTH PLAIN carries NUL user NUL password.
    assert_eq!(mail.login.as_deref(), Some("AUTH PLAIN AHNldHdhcmQAY29ycmVjdCBob3JzZQ=="));

    let (other, _) = authority();
    let (port, served) = relay(1, manner).await;
    let told = secured(port, &other).deliver(&message("x")).await.unwrap_err();
    assert!(told.text().contains("certificate"), "{told:?}");
    assert!(served.await.unwrap().is_empty(), "nothing was said to a stranger");

    // A relay that offers no TLS gets neither password nor mail.
    let (port, served) = relay(1, Manner { login: true, ..Manner::default() }).await;
    let told = secured(port, &ours).deliver(&message("x")).await.unwrap_err();
    assert!(matches!(&told, SendError::Refused(text) if text.contains("tls")), "{told:?}");
    assert!(served.await.unwrap().is_empty());
}

#[tokio::test]
async fn a_password_that_others_can_read_is_not_used() {
    let folder = tempfile::tempdir().unwrap();
    let mut to = mail_to(9, &["night@plant.example"]);
    to.relay.login = Some(("setward".to_owned(), kept(&folder, "password", "word", 0o644)));
    let told = Mailer::new(to).deliver(&message("x")).await.unwrap_err();
    assert!(matches!(&told, SendError::Refused(text) if text.contains("chmod 600")), "{told:?}");
}
