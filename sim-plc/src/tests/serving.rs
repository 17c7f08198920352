//! Over streams and sockets.

use super::line::{running, small_line};
use crate::frame::{Frame, MAX_FRAME_BYTES};
use crate::server::{IDLE_LIMIT, MAX_CONNECTIONS};
use crate::simulator::Response;
use crate::{BindError, Simulator, bind, serve};
use proptest::prelude::*;
use std::net::SocketAddr;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex};
use tokio::net::TcpStream;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;
use tokio::time::{Instant, timeout};

const FRYER: &str = "127.0.0.1:15503";
/// Transaction 7, unit 1, two holding registers from 150 on: belt speed and fry time.
const REQUEST: [u8; 12] = [0, 7, 0, 0, 0, 6, 1, 3, 0, 150, 0, 2];
const REPLY: [u8; 13] = [0, 7, 0, 0, 0, 7, 1, 3, 4, 0x0E, 0x10, 0, 55];

/// Longer than anything real takes here.
const REAL_LIMIT: Duration = Duration::from_secs(20);

/// A connection in memory to the controllers at `endpoint`.
fn connect(simulator: &Simulator, endpoint: &'static str) -> (DuplexStream, JoinHandle<()>) {
    let (near, far) = duplex(4096);
    let simulator = simulator.clone();
    (near, tokio::spawn(async move { simulator.serve_stream(far, endpoint).await }))
}

async fn exchange(stream: &mut (impl AsyncReadExt + AsyncWriteExt + Unpin), request: &[u8], reply: &[u8]) {
    stream.write_all(request).await.unwrap();
    let mut found = vec![0; reply.len()];
    stream.read_exact(&mut found).await.unwrap();
    assert_eq!(found, reply);
}

#[tokio::test(start_paused = true)]
async fn a_request_is_answered_with_its_transaction_and_unit() {
    let (mut stream, serving) = connect(&running(0), FRYER);
    exchange(&mut stream, &REQUEST, &REPLY).await;
    drop(stream);
    serving.await.unwrap();
}

#[tokio::test(start_paused = true)]
async fn requests_in_one_segment_and_in_single_bytes_are_answered_in_order() {
    let (mut stream, _serving) = connect(&running(0), FRYER);
    let mut both = REQUEST.to_vec();
    both.extend(REQUEST);
    both[13] = 8;
    let mut replies = REPLY.to_vec();
    replies.extend(REPLY);
    replies[14] = 8;
    exchange(&mut stream, &both, &replies).await;
    for byte in &REQUEST[..11] {
        stream.write_all(&[*byte]).await.unwrap();
        tokio::task::yield_now().await;
    }
    exchange(&mut stream, &REQUEST[11..], &REPLY).await;
}

#[tokio::test(start_paused = true)]
async fn a_unit_that_is_not_there_is_refused_as_a_gateway_would() {
    let (mut stream, _serving) = connect(&running(0), "127.0.0.1:15501");
    exchange(&mut stream, &[0, 1, 0, 0, 0, 6, 9, 3, 0, 0, 0, 1], &[0, 1, 0, 0, 0, 3, 9, 0x83, 0x0B]).await;
}

#[tokio::test(start_paused = true)]
async fn more_than_the_controller_takes_is_refused() {
    let (mut stream, _serving) = connect(&running(0), FRYER);
    exchange(&mut stream, &[0, 1, 0, 0, 0, 6, 1, 3, 0, 0, 0, 101], &[0, 1, 0, 0, 0, 3, 1, 0x83, 3]).await;
    exchange(&mut stream, &[0, 1, 0, 0, 0, 6, 1, 3, 0, 0, 0, 1], &[0, 1, 0, 0, 0, 3, 1, 0x83, 2]).await;
}

#[tokio::test(start_paused = true)]
async fn what_is_no_modbus_frame_closes_the_connection() {
    for garbage in
        [&b"GET / HTTP/1.1\r\n\r\n"[..], &[0, 1, 0, 1, 0, 6, 1, 3], &[0, 1, 0, 0, 0xFF, 0xFF, 1, 3]]
    {
        let (mut stream, serving) = connect(&running(0), FRYER);
        stream.write_all(garbage).await.unwrap();
        serving.await.unwrap();
        assert_eq!(stream.read(&mut [0]).await.unwrap(), 0);
    }
}

#[tokio::test(start_paused = true)]
async fn an_endpoint_of_no_controller_closes_at_once() {
    let (_stream, serving) = connect(&running(0), "127.0.0.1:1");
    serving.await.unwrap();
}

#[tokio::test(start_paused = true)]
async fn a_connection_that_says_nothing_is_closed() {
    let (_stream, serving) = connect(&running(0), FRYER);
    let began = Instant::now();
    serving.await.unwrap();
    assert_eq!(began.elapsed(), IDLE_LIMIT);
}

#[tokio::test(start_paused = true)]
async fn a_slow_controller_takes_its_time_and_a_silent_one_for_ever() {
    let simulator = running(0);
    simulator.inject("controller-slow fryer 400 ms".parse().unwrap()).unwrap();
    let (mut stream, _serving) = connect(&simulator, FRYER);
    let began = Instant::now();
    exchange(&mut stream, &REQUEST, &REPLY).await;
    assert_eq!(began.elapsed(), Duration::from_millis(400));
    simulator.clear_all();
    simulator.inject("controller-silent fryer".parse().unwrap()).unwrap();
    stream.write_all(&REQUEST).await.unwrap();
    assert!(timeout(Duration::from_secs(60), stream.read(&mut [0])).await.is_err());
}

#[tokio::test(start_paused = true)]
async fn a_dropping_controller_closes_without_an_answer() {
    let simulator = running(0);
    simulator.inject("controller-drop fryer".parse().unwrap()).unwrap();
    let (mut stream, serving) = connect(&simulator, FRYER);
    stream.write_all(&REQUEST).await.unwrap();
    serving.await.unwrap();
    assert_eq!(stream.read(&mut [0]).await.unwrap(), 0);
}

#[tokio::test(start_paused = true)]
async fn a_bytewise_controller_sends_the_right_answer_in_single_bytes() {
    let simulator = running(0);
    simulator.inject("controller-bytewise fryer".parse().unwrap()).unwrap();
    let (mut stream, _serving) = connect(&simulator, FRYER);
    stream.write_all(&REQUEST).await.unwrap();
    let (mut found, mut reads) = (Vec::new(), 0);
    while found.len() < REPLY.len() {
        let mut piece = [0; 64];
        let count = stream.read(&mut piece).await.unwrap();
        found.extend(&piece[..count]);
        reads += 1;
    }
    assert_eq!((found.as_slice(), reads), (&REPLY[..], REPLY.len()));
}

/// Of two hundred replies of the fryer a good third is bad in some way; the oven behind the other door gives all of its own.
#[tokio::test(start_paused = true)]
async fn bad_replies_of_one_controller_are_no_others() {
    let simulator = running(0);
    simulator.inject("replies-bad fryer 40".parse().unwrap()).unwrap();
    let (mut good, mut bad) = (0, 0);
    for _ in 0..200 {
        let (mut stream, _serving) = connect(&simulator, FRYER);
        stream.write_all(&REQUEST).await.unwrap();
        let mut reply = [0; 13];
        let read = timeout(Duration::from_millis(40), stream.read_exact(&mut reply)).await;
        if matches!(read, Ok(Ok(_))) && reply == REPLY {
            good += 1
        } else {
            bad += 1
        }
        let (mut stream, _serving) = connect(&simulator, "127.0.0.1:15501");
        let bake_time = [0, 1, 0, 0, 0, 6, 2, 3, 0x04, 0x15, 0, 1];
        exchange(&mut stream, &bake_time, &[0, 1, 0, 0, 0, 5, 2, 3, 2, 0, 160]).await;
    }
    assert!((50..110).contains(&bad) && good + bad == 200, "{bad} bad");
    simulator.clear("replies-bad").unwrap();
    let (mut stream, _serving) = connect(&simulator, FRYER);
    exchange(&mut stream, &REQUEST, &REPLY).await;
}

/// Asks on a real socket and waits for the 13 bytes of the reply, but not for ever.
async fn ask(stream: &mut TcpStream) -> [u8; 13] {
    let mut reply = [0; 13];
    stream.write_all(&REQUEST).await.unwrap();
    timeout(REAL_LIMIT, stream.read_exact(&mut reply)).await.expect("no reply").unwrap();
    reply
}

/// Waits until the other end has closed.
async fn closed(stream: &mut TcpStream) {
    let read = timeout(REAL_LIMIT, stream.read(&mut [0])).await.expect("still open");
    assert!(matches!(read, Ok(0) | Err(_)), "{read:?}");
}

/// The small line on free ports, its addresses, and what stops it.
async fn serve_small_line() -> (Vec<SocketAddr>, Simulator, oneshot::Sender<()>, JoinHandle<()>) {
    let mut line = small_line();
    let bound = bind(&mut line, true).await.unwrap();
    let simulator = Simulator::new(&line, 1);
    let addresses: Vec<_> = bound.addresses().collect();
    assert_eq!(line.controllers[2].endpoint, addresses[1].to_string());
    let (stop, stopped) = oneshot::channel::<()>();
    let serving = serve(bound, simulator.clone(), async {
        // A dropped sender stops it too.
        stopped.await.unwrap_or_default();
    });
    (addresses, simulator, stop, tokio::spawn(serving))
}

#[tokio::test]
async fn one_port_for_each_endpoint_answers_in_real_time_and_stops() {
    let (addresses, simulator, stop, serving) = serve_small_line().await;
    assert_eq!(addresses.len(), 2);
    let mut stream = TcpStream::connect(addresses[1]).await.unwrap();
    assert_eq!(ask(&mut stream).await[..9], REPLY[..9]);
    // Unit 2 of the shared endpoint is the oven: bake time 16.0 s.
    let mut shared = TcpStream::connect(addresses[0]).await.unwrap();
    let bake_time = [0, 1, 0, 0, 0, 6, 2, 3, 0x04, 0x15, 0, 1];
    let answered = exchange(&mut shared, &bake_time, &[0, 1, 0, 0, 0, 5, 2, 3, 2, 0, 160]);
    timeout(REAL_LIMIT, answered).await.unwrap();
    let moved_on = async {
        while simulator.elapsed() < Duration::from_millis(200) {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    };
    timeout(REAL_LIMIT, moved_on).await.unwrap();
    stop.send(()).unwrap();
    serving.await.unwrap();
    assert!(TcpStream::connect(addresses[1]).await.is_err());
    closed(&mut stream).await;
}

#[tokio::test]
async fn a_controller_that_refuses_lets_go_of_who_is_in_and_listens_again_by_itself() {
    let (addresses, simulator, stop, serving) = serve_small_line().await;
    let mut stream = TcpStream::connect(addresses[1]).await.unwrap();
    ask(&mut stream).await;
    simulator.inject("controller-refuses fryer".parse().unwrap()).unwrap();
    closed(&mut stream).await;
    let refused = TcpStream::connect(addresses[1]).await.unwrap_err();
    assert_eq!(refused.kind(), std::io::ErrorKind::ConnectionRefused);
    assert!(TcpStream::connect(addresses[0]).await.is_ok(), "its neighbour listens");
    simulator.clear("controller-refuses").unwrap();
    let again = async {
        loop {
            match TcpStream::connect(addresses[1]).await {
                Ok(stream) => return stream,
                Err(_) => tokio::time::sleep(Duration::from_millis(20)).await,
            }
        }
    };
    ask(&mut timeout(REAL_LIMIT, again).await.expect("nobody listens again")).await;
    stop.send(()).unwrap();
    serving.await.unwrap();
}

#[tokio::test]
async fn one_connection_too_many_closes_the_one_idle_longest() {
    let (addresses, _simulator, stop, serving) = serve_small_line().await;
    let mut streams = Vec::new();
    for _ in 0..MAX_CONNECTIONS {
        let mut stream = TcpStream::connect(addresses[1]).await.unwrap();
        ask(&mut stream).await;
        streams.push(stream);
    }
    // The first speaks again, so the second is now idle longest.
    ask(&mut streams[0]).await;
    let mut late = TcpStream::connect(addresses[1]).await.unwrap();
    ask(&mut late).await;
    closed(&mut streams[1]).await;
    ask(&mut streams[0]).await;
    stop.send(()).unwrap();
    serving.await.unwrap();
}

async fn bind_error(endpoint: &str) -> BindError {
    let mut line = small_line();
    line.controllers.truncate(1);
    line.controllers[0].endpoint = endpoint.to_owned();
    bind(&mut line, false).await.unwrap_err()
}

#[tokio::test]
async fn other_machines_and_nonsense_are_refused_before_anything_listens() {
    for endpoint in ["0.0.0.0:15502", "192.0.2.7:502", "[::]:502", "plant.example:502"] {
        let error = bind_error(endpoint).await;
        assert!(matches!(error, BindError::NotLoopback { .. }), "{endpoint}: {error}");
    }
    for endpoint in ["15502", "127.0.0.1:port", "127.0.0.1:99999"] {
        let error = bind_error(endpoint).await;
        assert!(matches!(error, BindError::BadEndpoint { .. }), "{endpoint}: {error}");
    }
}

#[tokio::test]
async fn a_port_in_use_names_address_controller_and_remedy() {
    let taken = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = taken.local_addr().unwrap();
    let message = bind_error(&address.to_string()).await.to_string();
    for part in [&address.to_string()[..], "\"cook\"", "already in use", "site.toml"] {
        assert!(message.contains(part), "{message}");
    }
}

/// One port for each endpoint; behind a shared one the unit id says whose registers are meant.
#[tokio::test(start_paused = true)]
async fn the_demo_line_answers_for_each_of_its_controllers() {
    let line = setward_config::load_demo().unwrap().line;
    let simulator = Simulator::new(&line, 1);
    let mut shared = line.clone();
    for (unit, controller) in (1..).zip(&mut shared.controllers) {
        (controller.endpoint, controller.unit_id) = (FRYER.to_owned(), unit);
    }
    let gateway = Simulator::new(&shared, 1);
    for register in line.signals.iter().filter_map(|signal| signal.register()) {
        let place = register.wire.place();
        let [high, low] = place.address.to_be_bytes();
        let pdu = [place.table.read_function(), high, low, 0, place.words as u8];
        let ask = |simulator: &Simulator, line: &setward_config::line::Line| {
            let controller = line.controller(register.controller);
            let request = Frame { transaction: 9, unit: controller.unit_id, pdu: &pdu };
            let response = simulator.respond(&simulator.controllers_at(&controller.endpoint), &request);
            let Response::Send { bytes: reply, .. } = response else { panic!("{pdu:?} got no reply") };
            assert_eq!((reply[6], reply[7]), (controller.unit_id, pdu[0]));
            reply[8..].to_vec()
        };
        // The same words whether a controller has a port of its own or shares one.
        assert_eq!(ask(&simulator, &line), ask(&gateway, &shared));
    }
}

proptest! {
    #[test]
    fn any_request_to_the_demo_line_gets_a_lawful_reply(unit: u8, pdu in proptest::collection::vec(any::<u8>(), 1..254)) {
        let line = setward_config::load_demo().unwrap().line;
        let simulator = Simulator::new(&line, 1);
        for controller in &line.controllers {
            let request = Frame { transaction: 1, unit, pdu: &pdu };
            let response = simulator.respond(&simulator.controllers_at(&controller.endpoint), &request);
            let Response::Send { bytes: reply, .. } = response else { panic!("{response:?}") };
            prop_assert!(reply.len() <= MAX_FRAME_BYTES);
            prop_assert_eq!(reply[7] & 0x7F, pdu[0] & 0x7F);
            prop_assert!(reply[7] & 0x80 == 0 || reply.len() == 9);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn no_bytes_on_a_connection_end_in_a_panic(bytes: Vec<u8>, whole: bool) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build().unwrap();
        runtime.block_on(async {
            let (mut stream, serving) = connect(&running(0), FRYER);
            let mut sent = if whole { vec![0, 1, 0, 0, 0, bytes.len() as u8 + 1, 1] } else { Vec::new() };
            sent.extend(bytes);
            // The server may close first; then writing fails, which is as good.
            let _closed = stream.write_all(&sent).await;
            drop(stream);
            serving.await.unwrap();
        });
    }
}
