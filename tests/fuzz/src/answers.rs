//! What others send over a connection: a controller to the poller, a client to the simulator.

use crate::doors::{demo_line, in_virtual_time};
use crate::modbus::{TABLES, function_of};
use setward::poll::dial::Stream;
use setward::poll::session::{ModbusSession, RegisterRead as _};
use setward_protocol::ReadRequest;
use sim_plc::Simulator;
use sim_plc::frame::{MAX_FRAME_BYTES, Received, receive};
use std::time::Duration;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

/// The number of a connection's first request.
const FIRST: u16 = 0x0102;

/// A request of the poller, answered by any bytes in two pieces. What is taken for an answer must be in the bytes, whole.
pub(crate) fn controller(bytes: &[u8]) {
    let [table, unit, count, cut, rest @ ..] = bytes else { return };
    let table = TABLES[usize::from(*table) % TABLES.len()];
    let request = ReadRequest { table, start: 100, count: u16::from(*count % 125) + 1 };
    let (one, two) = rest.split_at(usize::from(*cut).min(rest.len()));
    let (one, two, unit) = (one.to_vec(), two.to_vec(), *unit);
    let (found, sent) = in_virtual_time(async move {
        let (near, mut far) = tokio::io::duplex(4096);
        let mut session = ModbusSession::over(Box::new(near) as Box<dyn Stream>, FIRST);
        let answering = async {
            let mut request = [0; MAX_FRAME_BYTES];
            let _asked = far.read(&mut request).await;
            let _sent = far.write_all(&one).await;
            tokio::time::sleep(Duration::from_millis(10)).await;
            let _sent = far.write_all(&two).await;
            let _closed = far.shutdown().await;
        };
        let reading = session.read(unit, request, Duration::from_millis(500));
        let (found, ()) = tokio::join!(biased; reading, answering);
        (found, [one, two].concat())
    });
    if let Ok(words) = found {
        let expected = answer_in(&sent, unit, request);
        assert_eq!(Some(words), expected, "words that no answer holds: {sent:02x?}");
    }
}

/// The words of the first right answer in `bytes`, by a reading of its own.
fn answer_in(mut bytes: &[u8], unit: u8, request: ReadRequest) -> Option<Vec<u16>> {
    let function = function_of(request.table);
    loop {
        let [high, low, 0, 0, long_high, long_low, rest @ ..] = bytes else { return None };
        let length = usize::from(u16::from_be_bytes([*long_high, *long_low]));
        let frame = rest.get(..length)?;
        if u16::from_be_bytes([*high, *low]) != FIRST {
            bytes = &rest[length..];
            continue;
        }
        let [found_unit, found_function, counted, data @ ..] = frame else { return None };
        let is_right =
            (*found_unit, *found_function) == (unit, function) && usize::from(*counted) == data.len();
        let words = if request.table.is_bits() {
            data.iter().flat_map(|byte| (0..8).map(move |bit| u16::from(byte >> bit & 1))).collect()
        } else {
            data.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect::<Vec<u16>>()
        };
        return is_right.then(|| words.into_iter().take(usize::from(request.count)).collect());
    }
}

/// Any bytes to the simulator, once whole and once in pieces: the same answers, and each a whole frame.
pub(crate) fn simulator(bytes: &[u8]) {
    thread_local! {
        static SIMULATOR: Simulator = Simulator::new(&demo_line(), 1);
    }
    let Some((cut, rest)) = bytes.split_first() else { return };
    let simulator = SIMULATOR.with(Clone::clone);
    let whole = answers_to(simulator.clone(), rest.to_vec(), rest.len());
    let pieces = answers_to(simulator, rest.to_vec(), usize::from(*cut % 32) + 1);
    assert_eq!(whole, pieces, "what the pieces change: {rest:02x?}");
    let mut left = whole.as_slice();
    while !left.is_empty() {
        let Received::Whole(frame) = receive(left) else { panic!("no frame: {left:02x?}") };
        left = &left[frame.bytes()..];
    }
}

fn answers_to(simulator: Simulator, bytes: Vec<u8>, piece: usize) -> Vec<u8> {
    let endpoint = demo_line().controllers[0].endpoint.clone();
    in_virtual_time(async move {
        let (mut near, far) = tokio::io::duplex(1 << 16);
        let asking = async {
            for piece in bytes.chunks(piece.max(1)) {
                if near.write_all(piece).await.is_err() {
                    break;
                }
                tokio::task::yield_now().await;
            }
            let _closed = near.shutdown().await;
            let mut answers = Vec::new();
            let _read = near.read_to_end(&mut answers).await;
            answers
        };
        let ((), answers) = tokio::join!(biased; simulator.serve_stream(far, &endpoint), asking);
        answers
    })
}
