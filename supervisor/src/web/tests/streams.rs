//! The live stream and the server's end, over a real loopback connection.

use super::support::{Stage, good, id, line, snapshot, stage};
use crate::web::{MOST_STREAMS, MOST_STREAMS_OF_ONE, serve};
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpListener, TcpSocket, TcpStream};
use tokio::sync::oneshot;
use tokio::task::JoinHandle;
use tokio::time::{Instant, timeout};

/// No test waits longer than this for an answer.
const PATIENCE: Duration = Duration::from_secs(10);

pub(super) struct Server {
    pub(super) address: SocketAddr,
    pub(super) stage: Stage,
    stop: Option<oneshot::Sender<()>>,
    task: JoinHandle<std::io::Result<()>>,
}

pub(super) async fn server() -> Server {
    let stage = stage(line(), snapshot());
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let (stop, stopped) = oneshot::channel::<()>();
    let task = tokio::spawn(serve(listener, stage.state.clone(), async {
        let _ = stopped.await;
    }));
    Server { address, stage, stop: Some(stop), task }
}

impl Server {
    async fn ask(&self, path: &str) -> TcpStream {
        self.ask_from([127, 0, 0, 1], path).await
    }

    /// Asks from another address of this machine.
    async fn ask_from(&self, ip: [u8; 4], path: &str) -> TcpStream {
        let socket = TcpSocket::new_v4().unwrap();
        socket.bind((ip, 0).into()).unwrap();
        let mut stream = socket.connect(self.address).await.unwrap();
        let request = format!("GET {path} HTTP/1.1\r\nHost: {}\r\n\r\n", self.address);
        stream.write_all(request.as_bytes()).await.unwrap();
        stream
    }
}

/// Reads until `end` has been seen.
async fn read_until(stream: &mut TcpStream, end: &str) -> String {
    let mut text = String::new();
    let mut bytes = [0_u8; 4096];
    timeout(PATIENCE, async {
        while !text.contains(end) {
            let count = stream.read(&mut bytes).await.unwrap();
            assert!(count > 0, "closed before {end:?}: {text}");
            text.push_str(&String::from_utf8_lossy(&bytes[..count]));
        }
    })
    .await
    .unwrap_or_else(|_| panic!("no {end:?} within {PATIENCE:?}"));
    text
}

#[tokio::test]
async fn a_stream_tells_everything_first_and_then_only_what_changed() {
    let server = server().await;
    let mut stream = server.ask("/events?signal=TT-310").await;
    let first = read_until(&mut stream, "}}\n\n").await;
    assert!(first.contains("text/event-stream") && first.contains(r#""TT-310.v":"176.4""#), "{first}");
    assert!(
        first.contains(r#""fryer-inlet-cold.fore":"raises within 1 min 40 s: getting worse""#),
        "{first}"
    );
    assert!(!first.contains("TT-313"), "only what the page shows: {first}");
    let mut warmer = snapshot();
    warmer.signals[id("TT-310").index()] = good(177.9, 0.5, [1779, 0, 0, 0]);
    server.stage.publish.send_replace(Arc::new(warmer));
    let second = read_until(&mut stream, "}}\n\n").await;
    assert!(second.contains(r#""TT-310.v":"177.9""#), "{second}");
    assert!(!second.contains("fryer-inlet-cold.expo"), "unchanged words are not sent again: {second}");
}

#[tokio::test]
async fn a_lost_value_changes_the_shape_so_that_the_page_fetches_new_markup() {
    let server = server().await;
    let mut stream = server.ask("/events").await;
    let first = read_until(&mut stream, "}}\n\n").await;
    let mut lost = snapshot();
    lost.signals[id("TT-310").index()].reading =
        setward_protocol::Reading::Bad(setward_protocol::NoData::SensorFault);
    server.stage.publish.send_replace(Arc::new(lost));
    let second = read_until(&mut stream, "}}\n\n").await;
    let shape = |text: &str| text.split(r#""shape":""#).nth(1).map(|rest| rest[..16].to_owned()).unwrap();
    assert_ne!(shape(&first), shape(&second));
}

#[tokio::test]
async fn one_stream_too_many_is_told_to_come_back_and_a_closed_one_makes_room() {
    let server = server().await;
    let mut open = Vec::new();
    for n in 0..MOST_STREAMS {
        let own = if n < MOST_STREAMS_OF_ONE { 1 } else { 2 };
        let mut stream = server.ask_from([127, 0, 0, own], "/events?alarm=oil-flow-low").await;
        read_until(&mut stream, "data:").await;
        open.push(stream);
    }
    let refused = read_until(&mut server.ask_from([127, 0, 0, 3], "/events").await, "\r\n\r\n").await;
    assert!(refused.starts_with("HTTP/1.1 503") && refused.contains("retry-after: 10\r\n"), "{refused}");
    drop(open.pop());
    let began = Instant::now();
    loop {
        let answer = read_until(&mut server.ask_from([127, 0, 0, 3], "/events").await, "\r\n\r\n").await;
        if answer.starts_with("HTTP/1.1 200") {
            break;
        }
        assert!(began.elapsed() < PATIENCE, "the closed stream kept its place");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

#[tokio::test]
async fn one_address_can_not_take_the_streams_of_all_others() {
    let server = server().await;
    let mut open = Vec::new();
    for _ in 0..MOST_STREAMS_OF_ONE {
        let mut stream = server.ask("/events?signal=TT-310").await;
        read_until(&mut stream, "data:").await;
        open.push(stream);
    }
    let refused = read_until(&mut server.ask("/events").await, "\"}").await;
    for phrase in
        ["HTTP/1.1 429", "retry-after: 10\r\n", "application/problem+json", "127.0.0.1 has 32 live streams"]
    {
        assert!(refused.contains(phrase), "{phrase}: {refused}");
    }
    let other = read_until(&mut server.ask_from([127, 0, 0, 2], "/events").await, "data:").await;
    assert!(other.starts_with("HTTP/1.1 200"), "{other}");
}

#[tokio::test]
async fn open_streams_end_with_the_server_within_a_second() {
    let mut server = server().await;
    let mut stream = server.ask("/events").await;
    read_until(&mut stream, "}}\n\n").await;
    let began = Instant::now();
    server.stop.take().unwrap().send(()).unwrap();
    timeout(PATIENCE, &mut server.task).await.unwrap().unwrap().unwrap();
    assert!(began.elapsed() < Duration::from_secs(1), "{:?}", began.elapsed());
    let mut rest = Vec::new();
    timeout(PATIENCE, stream.read_to_end(&mut rest)).await.unwrap().unwrap();
}

#[tokio::test]
async fn nonsense_on_the_wire_does_not_stop_the_server() {
    let server = server().await;
    let mut stream = TcpStream::connect(server.address).await.unwrap();
    stream.write_all(b"\x16\x03\x01\x00\xff nonsense\r\n\r\n").await.unwrap();
    let mut rest = Vec::new();
    timeout(PATIENCE, stream.read_to_end(&mut rest)).await.unwrap().unwrap();
    let answer = read_until(&mut server.ask("/healthz").await, "ok\n").await;
    assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
}
