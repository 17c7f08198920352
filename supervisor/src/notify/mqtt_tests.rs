//! A broker of our own on this machine, that keeps what it is told to keep and ends with the test.

use super::super::post_tests::{ALARMS, START, line, snapshot};
use super::*;
use crate::handle::{Looks, Teller};
use crate::notify::Subject;
use crate::snapshot::RunId;
use bytes::BytesMut;
use rcgen::{BasicConstraints, CertificateParams, IsCa, KeyPair};
use rumqttc::{ConnAck, ConnectReturnCode, PubAck};
use serde_json::Value;
use setward_alarm::AlarmState;
use setward_config::line::BrokerTls;
use setward_protocol::UtcMillis;
use std::collections::BTreeMap;
use std::os::unix::fs::PermissionsExt as _;
use std::sync::Mutex;
use tokio::io::{AsyncRead, AsyncReadExt as _, AsyncWrite, AsyncWriteExt as _};
use tokio::net::TcpListener;
use tokio::task::JoinHandle;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::pki_types::{PrivateKeyDer, PrivatePkcs8KeyDer};

/// What the broker knows.
#[derive(Default)]
struct Kept {
    hellos: Vec<Connect>,
    retained: BTreeMap<String, Vec<u8>>,
    passed: Vec<Publish>,
    /// How often somebody went with a word.
    goodbyes: usize,
}

/// How it behaves.
#[derive(Clone, Default)]
struct Manner {
    code: Option<ConnectReturnCode>,
    /// Closes the connection instead of acknowledging a message.
    is_short: bool,
    /// How long each acknowledgement takes.
    acknowledges_after: Duration,
    tls: Option<TlsAcceptor>,
}

struct Peer {
    port: u16,
    kept: Arc<Mutex<Kept>>,
    task: JoinHandle<()>,
}

impl Peer {
    async fn at(port: u16, manner: Manner) -> Self {
        let listener = TcpListener::bind(("127.0.0.1", port)).await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let kept = Arc::new(Mutex::new(Kept::default()));
        let shared = Arc::clone(&kept);
        let task = tokio::spawn(async move {
            let mut talks = tokio::task::JoinSet::new();
            for _ in 0..50 {
                let (stream, _) = listener.accept().await.unwrap();
                let (kept, manner) = (Arc::clone(&shared), manner.clone());
                talks.spawn(async move {
                    match manner.tls.clone() {
                        None => serve(stream, manner, kept).await,
                        Some(tls) => match tls.accept(stream).await {
                            Ok(stream) => serve(stream, manner, kept).await,
                            Err(_refused) => {}
                        },
                    }
                });
            }
        });
        Self { port, kept, task }
    }

    /// It is gone, with its connections.
    async fn stop(self) -> u16 {
        self.task.abort();
        let _aborted = self.task.await;
        self.port
    }

    fn state(&self, topic: &str) -> Value {
        let kept = self.kept.lock().unwrap();
        kept.retained.get(topic).map_or(Value::Null, |body| serde_json::from_slice(body).unwrap())
    }

    /// Waits until what it keeps is as wanted.
    async fn until(&self, what: &str, is_so: impl Fn(&Kept) -> bool) {
        for _ in 0..600 {
            if is_so(&self.kept.lock().unwrap()) {
                return;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        panic!("never: {what}");
    }
}

async fn serve<S: AsyncRead + AsyncWrite + Unpin>(mut stream: S, manner: Manner, kept: Arc<Mutex<Kept>>) {
    let (mut bytes, mut hello) = (BytesMut::new(), None::<Connect>);
    loop {
        while let Some(packet) = wire::parsed(&mut bytes).unwrap() {
            let answer = match packet.clone() {
                Packet::Connect(connect) => {
                    kept.lock().unwrap().hellos.push(connect.clone());
                    hello = Some(connect);
                    let code = manner.code.unwrap_or(ConnectReturnCode::Success);
                    Packet::ConnAck(ConnAck::new(code, false))
                }
                Packet::Publish(publish) => {
                    assert_eq!(publish.qos, QoS::AtLeastOnce);
                    let is_message = !publish.retain;
                    let id = publish.pkid;
                    let mut kept = kept.lock().unwrap();
                    if publish.retain {
                        kept.retained.insert(publish.topic.clone(), publish.payload.to_vec());
                    }
                    kept.passed.push(publish);
                    if manner.is_short && is_message {
                        return;
                    }
                    Packet::PubAck(PubAck::new(id))
                }
                Packet::PingReq => Packet::PingResp,
                Packet::Disconnect => {
                    kept.lock().unwrap().goodbyes += 1;
                    return;
                }
                Packet::ConnAck(_)
                | Packet::PubAck(_)
                | Packet::PubRec(_)
                | Packet::PubRel(_)
                | Packet::PubComp(_)
                | Packet::Subscribe(_)
                | Packet::SubAck(_)
                | Packet::Unsubscribe(_)
                | Packet::UnsubAck(_)
                | Packet::PingResp => panic!("{packet:?}"),
            };
            if matches!(answer, Packet::PubAck(_)) {
                tokio::time::sleep(manner.acknowledges_after).await;
            }
            let mut out = BytesMut::new();
            answer.write(&mut out, 1000).unwrap();
            stream.write_all(&out).await.unwrap();
        }
        if stream.read_buf(&mut bytes).await.unwrap_or(0) == 0 {
            // Gone without a word: the will is done.
            if let Some(will) = hello.and_then(|hello| hello.last_will) {
                kept.lock().unwrap().retained.insert(will.topic, will.message.to_vec());
            }
            return;
        }
    }
}

fn broker(port: u16) -> Broker {
    let topic = "plant/line-2".to_owned();
    Broker { host: "localhost".to_owned(), port, topic, tls: BrokerTls::None, login: None }
}

fn message(key: &str) -> Message {
    Message {
        key: key.to_owned(),
        subject: Subject::Alarm,
        made: START.0,
        line: "HIGH Oil flow low: 30 % below".to_owned(),
        body: "HIGH Oil flow low: 30 % below\n".to_owned(),
        items: Vec::new(),
    }
}

/// A line that is watched, and its way to a broker.
struct Bench {
    line: Arc<Line>,
    publish: watch::Sender<Arc<LineSnapshot>>,
    handle: LineHandle,
    stop: watch::Sender<bool>,
    supervision: Supervision,
    _folder: tempfile::TempDir,
}

impl Bench {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let line = Arc::new(line(&folder, &["boards"]));
        let (publish, watched) = watch::channel(Arc::new(snapshot(&line, RunId(7), &[])));
        let handle = LineHandle::new(mpsc::channel(1).0, watched, Looks::default());
        let (supervision, _too_often) = Supervision::new(Teller::new(1).0, Clock::system());
        Self { line, publish, handle, stop: watch::Sender::new(false), supervision, _folder: folder }
    }

    fn announcer(&self, broker: Broker) -> Announcer {
        let (handle, stopped) = (self.handle.clone(), self.stop.subscribe());
        let live = Live { handle, stopped, supervision: self.supervision.clone() };
        Announcer::new(broker, "boards", (&self.line, Clock::system()), Some(live))
    }

    fn happens(&self, known: &[(&str, AlarmState, u32)]) {
        let known: Vec<_> = known
            .iter()
            .map(|(id, state, n)| ((*id).to_owned(), *state, *n, UtcMillis(START.0 - 60_000)))
            .collect();
        self.publish.send(Arc::new(snapshot(&self.line, RunId(7), &known))).unwrap();
    }
}

fn topic(alarm: &str) -> String {
    format!("plant/line-2/alarms/{alarm}")
}

#[tokio::test]
async fn the_state_of_every_alarm_stands_at_the_broker_and_follows() {
    let (bench, peer) = (Bench::new(), Peer::at(0, Manner::default()).await);
    let announcer = bench.announcer(broker(peer.port));
    let all = bench.line.alarms.len() + 1;
    peer.until("every state", |kept| kept.retained.len() == all).await;
    assert_eq!(peer.state("plant/line-2/line")["state"], "online");
    assert_eq!(peer.state(&topic(ALARMS[0]))["state"], "normal");

    bench.happens(&[(ALARMS[0], AlarmState::Unacknowledged, 3)]);
    let is_raised = |kept: &Kept| {
        kept.passed.iter().any(|one| {
            one.topic == topic(ALARMS[0]) && {
                let body: Value = serde_json::from_slice(&one.payload).unwrap();
                body["occurrence"] == 3
            }
        })
    };
    peer.until("a raise", is_raised).await;
    let raised = peer.state(&topic(ALARMS[0]));
    assert_eq!(raised["state"], "active-unacknowledged");
    assert_eq!((raised["letter"].as_str(), raised["run"].as_i64()), (Some("B"), Some(7)));
    assert!(raised["text"].as_str().unwrap().starts_with("SIMULATED HIGH "), "{raised}");
    let passed = peer.kept.lock().unwrap().passed.len();
    assert_eq!(passed, all + 2, "nothing is said twice: every state, then one alarm and the line");
    assert_eq!(peer.state("plant/line-2/line")["alarms_unacknowledged"], 1);

    let receipt = announcer.deliver(&message("7-12-boards")).await.unwrap();
    assert!(receipt.answer.contains("acknowledged"), "{receipt:?}");
    let last = peer.kept.lock().unwrap().passed.last().cloned().unwrap();
    assert_eq!((last.topic.as_str(), last.retain), ("plant/line-2/messages", false));
    assert_eq!(last.payload, Letterhead::of(&bench.line).body(&message("7-12-boards")).as_bytes());

    bench.stop.send(true).unwrap();
    peer.until("a last word", |kept| kept.goodbyes == 1).await;
    assert_eq!(peer.state("plant/line-2/line")["state"], "offline");
}

#[tokio::test]
async fn after_an_outage_the_states_are_made_true_again_and_no_message_is_lost() {
    let (bench, peer) = (Bench::new(), Peer::at(0, Manner::default()).await);
    let announcer = bench.announcer(broker(peer.port));
    let all = bench.line.alarms.len() + 1;
    peer.until("every state", |kept| kept.retained.len() == all).await;
    let first = peer.kept.lock().unwrap().hellos[0].clone();
    let port = peer.stop().await;

    bench.happens(&[(ALARMS[1], AlarmState::Acknowledged, 5)]);
    let failed = announcer.deliver(&message("7-13-boards")).await;
    assert!(matches!(failed, Err(SendError::Unreachable(_))), "{failed:?}");

    // It has lost everything that it kept.
    let peer = Peer::at(port, Manner::default()).await;
    peer.until("every state anew", |kept| kept.retained.len() == all).await;
    assert_eq!(peer.state(&topic(ALARMS[1]))["state"], "active-acknowledged");
    announcer.deliver(&message("7-13-boards")).await.unwrap();
    let again = peer.kept.lock().unwrap().hellos[0].clone();
    assert_eq!(first.client_id, again.client_id, "the same client for ever");
    assert!(
        first.client_id.len() <= 23 && first.client_id.chars().all(|letter| letter.is_ascii_alphanumeric())
    );
    let will = again.last_will.unwrap();
    assert!(will.retain && will.topic == "plant/line-2/line");
    assert_eq!(serde_json::from_slice::<Value>(&will.message).unwrap()["state"], "offline");
}

/// A far broker: every state anew takes its time, and an alarm does not wait for it.
#[tokio::test]
async fn a_message_goes_before_the_states_that_a_new_connection_says_anew() {
    let slow = Manner { acknowledges_after: Duration::from_millis(100), ..Manner::default() };
    let (bench, peer) = (Bench::new(), Peer::at(0, slow).await);
    let announcer = bench.announcer(broker(peer.port));
    peer.until("a first state", |kept| !kept.passed.is_empty()).await;
    announcer.deliver(&message("7-12-boards")).await.unwrap();
    let is_message = |one: &Publish| one.topic == "plant/line-2/messages";
    let place = peer.kept.lock().unwrap().passed.iter().position(is_message).unwrap();
    assert!(place <= 2, "number {place} of {} states", bench.line.alarms.len() + 1);
    peer.until("every state", |kept| kept.retained.len() == bench.line.alarms.len() + 1).await;
}

#[tokio::test]
async fn a_message_that_was_given_up_goes_as_no_further_copy() {
    let slow = Manner { acknowledges_after: Duration::from_millis(300), ..Manner::default() };
    let (bench, peer) = (Bench::new(), Peer::at(0, slow).await);
    let announcer = bench.announcer(broker(peer.port));
    peer.until("a first state", |kept| !kept.passed.is_empty()).await;
    let given_up = message("7-12-boards");
    timeout(Duration::from_millis(20), announcer.deliver(&given_up)).await.unwrap_err();
    announcer.deliver(&message("7-13-boards")).await.unwrap();
    let bodies: Vec<Value> = {
        let kept = peer.kept.lock().unwrap();
        let messages = kept.passed.iter().filter(|one| one.topic == "plant/line-2/messages");
        messages.map(|one| serde_json::from_slice(&one.payload).unwrap()).collect()
    };
    let keys: Vec<_> = bodies.iter().filter_map(|body| body["key"].as_str()).collect();
    assert_eq!(keys, ["7-13-boards"]);
}

#[tokio::test]
async fn a_connection_that_ends_without_a_word_leaves_the_line_offline() {
    let (bench, peer) = (Bench::new(), Peer::at(0, Manner::default()).await);
    let announcer = bench.announcer(broker(peer.port));
    peer.until("online", |kept| kept.retained.contains_key("plant/line-2/line")).await;
    // As a kill would: nobody holds it any more, and nothing was said.
    drop(announcer);
    peer.until("the will", |kept| {
        kept.retained["plant/line-2/line"].windows(9).any(|nine| nine == b"\"offline\"")
    })
    .await;
    assert_eq!(peer.kept.lock().unwrap().goodbyes, 0);
}

#[tokio::test]
async fn what_a_broker_refuses_is_told_and_what_breaks_off_may_have_arrived() {
    let bench = Bench::new();
    for (code, word) in [
        (ConnectReturnCode::BadUserNamePassword, "password_file"),
        (ConnectReturnCode::NotAuthorized, "rights"),
        (ConnectReturnCode::ServiceUnavailable, "not available"),
    ] {
        let peer = Peer::at(0, Manner { code: Some(code), ..Manner::default() }).await;
        let failed = Announcer::new(broker(peer.port), "boards", (&bench.line, Clock::system()), None);
        let error = failed.deliver(&message("1")).await.unwrap_err();
        assert!(error.text().contains(word), "{error:?}");
        let is_refusal = matches!(error, SendError::Refused(_));
        assert_eq!(is_refusal, code != ConnectReturnCode::ServiceUnavailable, "{error:?}");
    }
    let peer = Peer::at(0, Manner { is_short: true, ..Manner::default() }).await;
    let short = Announcer::new(broker(peer.port), "boards", (&bench.line, Clock::system()), None);
    let error = short.deliver(&message("1")).await.unwrap_err();
    assert!(matches!(&error, SendError::Unreachable(why) if why.contains("closed")), "{error:?}");
    assert_eq!(peer.kept.lock().unwrap().passed.len(), 1);

    let nobody = peer.stop().await;
    let error = Announcer::new(broker(nobody), "boards", (&bench.line, Clock::system()), None)
        .deliver(&message("1"))
        .await;
    assert!(matches!(&error, Err(SendError::Unreachable(why)) if why.contains("no connection")), "{error:?}");
}

#[tokio::test]
async fn somebody_who_only_tries_pushes_nobody_out_and_leaves_no_state() {
    let (bench, peer) = (Bench::new(), Peer::at(0, Manner::default()).await);
    let _connected = bench.announcer(broker(peer.port));
    peer.until("online", |kept| kept.retained.contains_key("plant/line-2/line")).await;
    let only = Announcer::new(broker(peer.port), "boards", (&bench.line, Clock::system()), None);
    only.deliver(&message("test-1-boards")).await.unwrap();
    let kept = peer.kept.lock().unwrap();
    assert_ne!(kept.hellos[0].client_id, kept.hellos[1].client_id);
    assert!(kept.hellos[1].last_will.is_none());
}

/// A broker's certificate, and the authority that signed it.
fn certified() -> (TlsAcceptor, String) {
    let authority_key = KeyPair::generate().unwrap();
    let mut params = CertificateParams::new(Vec::new()).unwrap();
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let authority = params.self_signed(&authority_key).unwrap();
    let key = KeyPair::generate().unwrap();
    let params = CertificateParams::new(vec!["localhost".to_owned()]).unwrap();
    let own = params.signed_by(&key, &authority, &authority_key).unwrap();
    let secret = PrivateKeyDer::Pkcs8(PrivatePkcs8KeyDer::from(key.serialize_der()));
    let provider = Arc::new(tokio_rustls::rustls::crypto::ring::default_provider());
    let config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(vec![own.der().clone()], secret)
        .unwrap();
    (TlsAcceptor::from(Arc::new(config)), authority.pem())
}

#[tokio::test]
async fn tls_takes_the_plants_own_authority_and_no_other_and_the_password_goes_over_it() {
    let bench = Bench::new();
    let folder = tempfile::tempdir().unwrap();
    let [ca, foreign, secret] = ["ca.pem", "foreign.pem", "secret"].map(|name| folder.path().join(name));
    let (tls, authority) = certified();
    std::fs::write(&ca, authority).unwrap();
    std::fs::write(&foreign, certified().1).unwrap();
    std::fs::write(&secret, "correct horse\n").unwrap();
    std::fs::set_permissions(&secret, std::fs::Permissions::from_mode(0o600)).unwrap();
    let peer = Peer::at(0, Manner { tls: Some(tls), ..Manner::default() }).await;
    let over = |tls| Broker { tls, login: Some(("setward".to_owned(), secret.clone())), ..broker(peer.port) };
    let try_out = async |broker| {
        Announcer::new(broker, "boards", (&bench.line, Clock::system()), None).deliver(&message("1")).await
    };
    try_out(over(BrokerTls::Plant(ca.clone()))).await.unwrap();
    let login = peer.kept.lock().unwrap().hellos[0].login.clone().unwrap();
    assert_eq!((login.username.as_str(), login.password.as_str()), ("setward", "correct horse"));
    for (tls, word) in [
        (BrokerTls::Plant(foreign), "certificate"),
        (BrokerTls::Web, "certificate"),
        (BrokerTls::Plant(folder.path().join("none.pem")), "none.pem"),
        (BrokerTls::Plant(secret.clone()), "there is none"),
    ] {
        let error = try_out(over(tls)).await.unwrap_err();
        assert!(matches!(error, SendError::Refused(_)), "{error:?}");
        assert!(error.text().contains(word), "{error:?}");
    }
    assert_eq!(peer.kept.lock().unwrap().hellos.len(), 1, "nobody else was told anything");
}

/// A firewall that forgets a connection, or a broker's machine without power, says nothing: what is sent goes nowhere.
#[tokio::test(start_paused = true)]
async fn a_broker_that_has_died_without_a_word_is_found_within_forty_seconds() {
    let (ours, mut its) = tokio::io::duplex(4096);
    let clock = Clock::system();
    let mut link = Link::new(Wire::over(ours), clock, 0);
    let begun = clock.now();
    let at_s = |now: Instant| now.duration_since(begun).as_secs();
    assert!(matches!(link.hear().await, Turn::Ping));
    assert_eq!(at_s(clock.now()), 30);
    link.ping().await.unwrap();

    // It is there: one word, and the next question has its own time.
    let mut out = BytesMut::new();
    Packet::PingResp.write(&mut out, 10).unwrap();
    its.write_all(&out).await.unwrap();
    let Turn::Packet(Ok(packet)) = link.hear().await else { panic!("an answer") };
    link.take(&packet, &broker(1883));
    assert!(matches!(link.hear().await, Turn::Ping));
    link.ping().await.unwrap();

    // Now it is gone.
    assert!(matches!(link.hear().await, Turn::Late));
    assert_eq!(at_s(clock.now()), 70);
}

/// The codec is another's: whatever comes, it must end in a packet or in words.
#[test]
fn no_bytes_of_a_broker_make_the_decoder_panic() {
    let mut packets = 0;
    for kind in 0..=u8::MAX {
        for length in 0..=12_u8 {
            for filling in 0..40_u32 {
                let body = (0..u32::from(length)).map(|place| match filling {
                    0 => 0,
                    1 => u8::MAX,
                    2 => u8::from(place % 2 == 1),
                    _ => (filling.wrapping_mul(2_654_435_761) >> (place % 25)) as u8,
                });
                let mut bytes: BytesMut = [kind, length].into_iter().chain(body).collect();
                packets += usize::from(matches!(wire::parsed(&mut bytes), Ok(Some(_))));
            }
        }
    }
    assert!(packets > 1_000, "{packets}");
    assert!(wire::parsed(&mut BytesMut::from(&[u8::MAX; 6][..])).is_err(), "no length is so long");
}
