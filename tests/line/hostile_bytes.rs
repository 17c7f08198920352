//! Every way in which an answer can be wrong, one after the other: nothing panics, no value is invented, the other
//! controllers are read as if nothing were, the words say what to do, and right answers are taken up again.

use crate::support::{
    AUTOMATIC, Act, Door, MemoryDial, PeerDial, Registers, demo_line, frame_of, heartbeat, right_answer,
};
use async_trait::async_trait;
use setward::clock::Clock;
use setward::history::HistoryStore as _;
use setward::history::sqlite::InlineStore;
use setward::poll::dial::{Dial, Stream};
use setward::protocol::{Reading, Table, UtcMillis};
use setward::snapshot::{ControllerView, LineSnapshot};
use setward::{Edges, start};
use setward_config::line::Line;
use sim_plc::Simulator;
use std::io;
use std::sync::Arc;
use std::time::Duration;
use tokio::time::Instant;

/// The fault lasts from here ..
const FROM: u64 = 20;
/// .. to here, in seconds.
const TO: u64 = 50;

/// The fryer is one peer; everything else is the simulator.
struct FryerAlone {
    fryer: PeerDial,
    endpoint: String,
    others: MemoryDial,
}

#[async_trait]
impl Dial for FryerAlone {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        if endpoint == self.endpoint {
            self.fryer.dial(endpoint).await
        } else {
            self.others.dial(endpoint).await
        }
    }
}

struct Outcome {
    line: Arc<Line>,
    fryer: usize,
    during: Arc<LineSnapshot>,
    after: Arc<LineSnapshot>,
    good_values: Vec<f64>,
}

impl Outcome {
    fn others(&self) -> Vec<(u64, u64)> {
        let others = self.after.controllers.iter().enumerate().filter(|(index, _)| *index != self.fryer);
        others.map(|(_, view)| (view.scans_good, view.scans_failed)).collect()
    }

    fn fryer(&self) -> &ControllerView {
        &self.after.controllers[self.fryer]
    }

    fn inlet(&self, snapshot: &LineSnapshot) -> Reading {
        snapshot.signal(self.line.signal_by_tag("TT-310").unwrap()).unwrap().reading
    }
}

/// The right answer of a fryer at 182.0 degC.
fn right(begun: Instant, request: &[u8]) -> Vec<u8> {
    right_answer(
        request,
        &Registers(move |table, address| match (table, address) {
            (Table::Holding, 100) => 1820,
            (Table::Holding, 113) => AUTOMATIC,
            (Table::Holding, 181) => heartbeat(begun.elapsed().as_secs()),
            _ => 0,
        }),
    )
}

fn is_faulty(begun: Instant) -> bool {
    (FROM..TO).contains(&begun.elapsed().as_secs())
}

/// A peer that does `fault` with a request and its right answer for half a minute.
fn faulty(fault: impl Fn(&[u8], Vec<u8>) -> Vec<Act> + Send + Sync + 'static) -> PeerDial {
    let begun = Instant::now();
    PeerDial::new(move |_, request| {
        let right = right(begun, request);
        if is_faulty(begun) { fault(request, right) } else { vec![Act::Send(right)] }
    })
}

async fn suffer(fryer: PeerDial) -> Outcome {
    let line = Arc::new(demo_line());
    let index = line.controllers.iter().position(|controller| controller.name == "fryer").unwrap();
    let simulator = Simulator::new(&line, 1);
    let stepped = simulator.clone();
    let stepping = tokio::spawn(async move {
        loop {
            tokio::time::sleep(Duration::from_secs(1)).await;
            stepped.step(Duration::from_secs(1));
        }
    });
    let endpoint = line.controllers[index].endpoint.clone();
    let dial = FryerAlone { fryer, endpoint, others: MemoryDial(simulator) };
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let clock = Clock::starting_at(UtcMillis(1_767_571_200_000));
    let edges = Edges { dial: Arc::new(dial), history: history.clone(), clock };
    let running = start(Arc::clone(&line), edges).await.unwrap();
    tokio::time::sleep(Duration::from_millis(TO * 1000 - 500)).await;
    let during = running.handle().snapshot();
    tokio::time::sleep(Duration::from_secs(40)).await;
    let after = running.handle().snapshot();
    running.stop().await.unwrap();
    stepping.abort();
    let all = history.samples("TT-310".to_owned(), UtcMillis(0), UtcMillis(i64::MAX), 10_000).await.unwrap();
    let good_values = all.iter().filter_map(|sample| sample.reading.good()).collect();
    Outcome { line, fryer: index, during, after, good_values }
}

/// How often the other controllers are scanned when nothing is wrong with the fryer.
async fn undisturbed() -> Vec<(u64, u64)> {
    let outcome = suffer(faulty(|_, right| vec![Act::Send(right)])).await;
    let others = outcome.others();
    assert!(
        others.len() >= 2 && others.iter().all(|(good, failed)| *good > 40 && *failed == 0),
        "{others:?}"
    );
    others
}

/// What every fault must leave alone.
fn check_the_rest(name: &str, outcome: &Outcome, others: &[(u64, u64)]) {
    assert_eq!(outcome.others(), others, "{name}: the other controllers");
    assert_eq!(outcome.inlet(&outcome.after), Reading::Good(182.0), "{name}: afterwards");
    assert_eq!(outcome.fryer().problem, None, "{name}: afterwards");
    let invented = outcome.good_values.iter().find(|value| (**value - 182.0).abs() > 1e-9);
    assert_eq!(invented, None, "{name}: an invented value");
}

/// A fault brings no value and is told in its words. It is made when its turn comes: its seconds count from then on.
async fn check_fault(name: &str, says: &str, others: &[(u64, u64)], make: impl FnOnce() -> PeerDial) {
    let outcome = suffer(make()).await;
    check_the_rest(name, &outcome, others);
    let reading = outcome.inlet(&outcome.during);
    assert!(matches!(reading, Reading::Bad(_)), "{name}: {reading:?}");
    let problem = outcome.during.controllers[outcome.fryer].problem.clone().unwrap_or_default();
    assert!(problem.contains(says), "{name}: {problem:?} does not say {says:?}");
    assert!(outcome.good_values.len() > 40, "{name}: {} good values", outcome.good_values.len());
}

type Fault = fn(&[u8], Vec<u8>) -> Vec<Act>;

async fn check_each(faults: &[(&str, &str, Fault)]) {
    let others = undisturbed().await;
    for (name, says, fault) in faults {
        check_fault(name, says, &others, || faulty(*fault)).await;
    }
}

/// The right answer with its PDU changed.
fn with_pdu(request: &[u8], right: &[u8], change: impl FnOnce(&mut Vec<u8>)) -> Vec<Act> {
    let mut pdu = right[7..].to_vec();
    change(&mut pdu);
    vec![Act::Send(frame_of(request, &pdu))]
}

/// The right answer with one byte of its header changed.
fn with_header(mut right: Vec<u8>, place: usize, byte: u8) -> Vec<Act> {
    right[place] = byte;
    vec![Act::Send(right)]
}

#[tokio::test(start_paused = true)]
async fn no_answer_half_an_answer_and_a_late_one() {
    check_each(&[
        ("silence", "no reply within 500 ms", |_, _| Vec::new()),
        ("four bytes of a header", "no reply within", |_, right| vec![Act::Send(right[..4].to_vec())]),
        ("half a frame", "no reply within", |_, right| vec![Act::Send(right[..right.len() - 3].to_vec())]),
        ("late", "no reply within", |_, right| vec![Act::Wait(Duration::from_millis(700)), Act::Send(right)]),
        ("very late", "no reply within", |_, right| {
            vec![Act::Wait(Duration::from_secs(5)), Act::Send(right)]
        }),
        ("it does not even read", "no reply within", |_, _| vec![Act::Freeze]),
    ])
    .await;
}

#[tokio::test(start_paused = true)]
async fn connections_that_end() {
    check_each(&[
        ("closed", "connection lost", |_, _| vec![Act::Close]),
        ("closed in the middle", "connection lost", |_, right| {
            vec![Act::Send(right[..right.len() / 2].to_vec()), Act::Close]
        }),
        ("closed in the header", "connection lost", |_, right| {
            vec![Act::Send(right[..3].to_vec()), Act::Close]
        }),
    ])
    .await;
}

#[tokio::test(start_paused = true)]
async fn headers_that_are_not_modbus() {
    check_each(&[
        ("text", "not Modbus TCP", |_, _| vec![Act::Send(b"HTTP/1.1 400 Bad Request\r\n\r\n".to_vec())]),
        ("length FFFF", "not Modbus TCP", |_, mut right| {
            (right[4], right[5]) = (0xFF, 0xFF);
            vec![Act::Send(right)]
        }),
        ("length 0", "not Modbus TCP", |_, right| with_header(right, 5, 0)),
        ("length 1", "not Modbus TCP", |_, right| with_header(right, 5, 1)),
        ("protocol 1", "not Modbus TCP", |_, right| with_header(right, 3, 1)),
        ("a body of 254 bytes", "not Modbus TCP", |request, right| {
            with_pdu(request, &right, |pdu| pdu.resize(254, 0))
        }),
        ("a body of 1002 bytes", "not Modbus TCP", |request, right| {
            with_pdu(request, &right, |pdu| pdu.resize(1002, 0))
        }),
    ])
    .await;
}

#[tokio::test(start_paused = true)]
async fn lengths_that_lie() {
    check_each(&[
        ("length too long", "asked for", |_, right| with_header(right, 5, 250)),
        ("length two too short", "asked for", |_, right| {
            let length = right[5] - 2;
            with_header(right, 5, length)
        }),
        ("byte count above the data", "asked for", |request, right| {
            with_pdu(request, &right, |pdu| pdu[1] += 2)
        }),
        ("byte count below the data", "asked for", |request, right| {
            with_pdu(request, &right, |pdu| pdu[1] -= 1)
        }),
        ("odd byte count", "asked for", |request, right| {
            with_pdu(request, &right, |pdu| {
                pdu[1] += 1;
                pdu.push(7);
            })
        }),
        ("one register too few", "asked for", |request, right| {
            with_pdu(request, &right, |pdu| {
                pdu[1] -= if pdu[0] < 3 { 1 } else { 2 };
                pdu.truncate(2 + usize::from(pdu[1]));
            })
        }),
        ("one register or eight bits too many", "asked for", |request, right| {
            with_pdu(request, &right, |pdu| {
                pdu[1] += if pdu[0] < 3 { 1 } else { 2 };
                pdu.resize(2 + usize::from(pdu[1]), 9);
            })
        }),
        ("none at all", "asked for", |request, right| {
            with_pdu(request, &right, |pdu| {
                pdu.truncate(2);
                pdu[1] = 0;
            })
        }),
    ])
    .await;
}

#[tokio::test(start_paused = true)]
async fn answers_to_others() {
    check_each(&[
        ("another transaction", "another request", |_, right| {
            let other = right[1] ^ 0x55;
            with_header(right, 1, other)
        }),
        ("another unit", "check unit_id in site.toml", |_, right| with_header(right, 6, 77)),
        ("function 04 for 03", "another request", |_, right| {
            let other = right[7] ^ 7;
            with_header(right, 7, other)
        }),
        ("a written register", "another request", |request, _| {
            vec![Act::Send(frame_of(request, &[5, 0, 1, 0, 3]))]
        }),
        ("function 63", "another request", |request, _| vec![Act::Send(frame_of(request, &[0x63, 0, 1]))]),
        ("exception of another function", "another request", |request, _| {
            vec![Act::Send(frame_of(request, &[0x95, 2]))]
        }),
        ("FF 02", "another request", |request, _| vec![Act::Send(frame_of(request, &[0xFF, 2]))]),
    ])
    .await;
}

/// An exception is told by number, meaning and what to do, whether or not the standard has it.
#[tokio::test(start_paused = true)]
async fn exceptions_of_every_number() {
    let others = undisturbed().await;
    for (code, says) in [
        (1, "exception 01 (illegal function)"),
        (2, "exception 02 (illegal data address)"),
        (3, "exception 03 (illegal data value)"),
        (4, "exception 04 (device failure)"),
        (5, "exception 05 (acknowledge)"),
        (6, "exception 06 (device busy)"),
        (8, "exception 08 (memory parity error)"),
        (0x0A, "exception 10 (gateway path unavailable)"),
        (0x0B, "exception 11 (gateway target did not respond)"),
        (7, "exception 07 (not a standard code)"),
        (0, "exception 00 (not a standard code)"),
        (0x83, "exception 131 (not a standard code)"),
    ] {
        let refuse = move |request: &[u8], _| vec![Act::Send(frame_of(request, &[request[7] | 0x80, code]))];
        check_fault(says, says, &others, || faulty(refuse)).await;
    }
    let with_more = |request: &[u8], _| vec![Act::Send(frame_of(request, &[request[7] | 0x80, 4, 1, 2, 3]))];
    check_fault("with three bytes more", "exception 04", &others, || faulty(with_more)).await;
    let without_code = |request: &[u8], _| vec![Act::Send(frame_of(request, &[request[7] | 0x80]))];
    check_fault("without its number", "not Modbus TCP", &others, || faulty(without_code)).await;
}

#[tokio::test(start_paused = true)]
async fn doors_that_do_not_open() {
    let others = undisturbed().await;
    for (name, says, door) in [
        ("refused", "connection refused", Door::Refuses),
        ("dead", "no answer to connect within 500 ms", Door::Dead),
        ("closed at once", "connection lost", Door::Open(vec![Act::Close])),
        ("shouts", "not Modbus TCP", Door::Open(vec![Act::Send(b"220 ready\r\n".to_vec())])),
    ] {
        let peer = || {
            let begun = Instant::now();
            let door = move |_| if is_faulty(begun) { door.clone() } else { Door::Open(Vec::new()) };
            faulty(|_, _| vec![Act::Close]).greeting(door)
        };
        check_fault(name, says, &others, peer).await;
    }
}

/// What is unusual and yet right costs nothing.
#[tokio::test(start_paused = true)]
async fn single_bytes_doubled_answers_and_a_word_too_many_cost_no_scan() {
    let others = undisturbed().await;
    let single_bytes: Fault = |_, right| {
        let byte = |byte| [Act::Send(vec![byte]), Act::Wait(Duration::from_millis(1))];
        right.into_iter().flat_map(byte).collect()
    };
    let twice: Fault =
        |_, right| vec![Act::Send(right.clone()), Act::Wait(Duration::from_millis(60)), Act::Send(right)];
    let old_one_first: Fault = |_, right| {
        let mut old = right.clone();
        old[1] = old[1].wrapping_sub(1);
        old[9..].fill(0x0B);
        vec![Act::Send(old), Act::Send(right)]
    };
    for (name, fault) in
        [("single bytes", single_bytes), ("twice", twice), ("an old one first", old_one_first)]
    {
        let outcome = suffer(faulty(fault)).await;
        check_the_rest(name, &outcome, &others);
        assert_eq!(outcome.fryer().scans_failed, 0, "{name}");
    }
}

/// Frames that nobody asked for, numbered as libraries number their first requests, wait in each new connection. They
/// hold another temperature.
#[tokio::test(start_paused = true)]
async fn frames_sent_unasked_are_never_taken_for_answers() {
    let others = undisturbed().await;
    let begun = Instant::now();
    let unasked = || {
        let frame = |transaction: u8, count: u8| {
            let mut bytes = vec![0, transaction, 0, 0, 0, 3 + 2 * count, 1, 3, 2 * count];
            bytes.extend([0x0B, 0xAD].repeat(usize::from(count)));
            Act::Send(bytes)
        };
        // Of every length that a first request may have.
        (0..4).flat_map(|transaction| (1..=125).map(move |count| frame(transaction, count))).collect()
    };
    let peer = PeerDial::new(move |_, request| {
        let closes = (30..33).contains(&begun.elapsed().as_secs());
        if closes { vec![Act::Close] } else { vec![Act::Send(right(begun, request))] }
    });
    let outcome = suffer(peer.greeting(move |_| Door::Open(unasked()))).await;
    check_the_rest("unasked", &outcome, &others);
    assert!(outcome.good_values.len() > 80, "{}", outcome.good_values.len());
}
