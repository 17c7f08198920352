//! The poller over real sockets of this machine, for what only they do: a reset, a close in order, a port where nobody
//! listens, a peer that accepts and is never served.

use crate::support::{Registers, right_answer};
use setward::clock::Clock;
use setward::poll::dial::TcpDial;
use setward::poll::plan::{Block, EndpointPlan, ScanPlan, UnitPlan};
use setward::poll::session::ReadFailure;
use setward::poll::{Poller, ScanReport};
use setward::protocol::{Place, ReadLimits, ReadRequest, SignalId, Table};
use setward_config::line::ControllerId;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;

/// No test here may take longer.
const WITHIN: Duration = Duration::from_secs(20);

fn poll(address: SocketAddr) -> mpsc::Receiver<ScanReport> {
    let place = Place { table: Table::Holding, address: 7, words: 1 };
    let request = ReadRequest { table: Table::Holding, start: 7, count: 1 };
    let block = Arc::new(Block { request, signals: vec![(SignalId(0), place)] });
    let every = Duration::from_millis(100);
    let unit = UnitPlan {
        controller: ControllerId(0),
        unit_id: 1,
        identity: None,
        answer_within: Duration::from_millis(300),
        pause: Duration::ZERO,
        limits: ReadLimits::STANDARD,
        readable: Vec::new(),
        scans: vec![ScanPlan { poll_every: every, phase: Duration::ZERO, blocks: vec![block] }],
    };
    let plan = EndpointPlan { endpoint: address.to_string(), units: vec![unit] };
    let (send, receive) = mpsc::channel(1000);
    let dial = Arc::new(TcpDial { user_timeout: Duration::from_secs(1) });
    tokio::spawn(Poller::new(plan, dial, Clock::system(), send).run());
    receive
}

async fn listen() -> (TcpListener, SocketAddr) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    (listener, address)
}

/// The words of the next scan, or why there are none.
async fn next(reports: &mut mpsc::Receiver<ScanReport>) -> Result<Vec<u16>, ReadFailure> {
    let report = tokio::time::timeout(WITHIN, reports.recv()).await.unwrap().unwrap();
    report.blocks.into_iter().next().unwrap().words
}

/// Scans until one is good.
async fn next_good(reports: &mut mpsc::Receiver<ScanReport>) -> Vec<u16> {
    let good = async {
        loop {
            if let Ok(words) = next(reports).await {
                return words;
            }
        }
    };
    tokio::time::timeout(WITHIN, good).await.unwrap()
}

/// Answers one request.
async fn answer(stream: &mut TcpStream) {
    let mut request = [0; 12];
    stream.read_exact(&mut request).await.unwrap();
    stream.write_all(&right_answer(&request, &Registers(|_, address| 100 + address))).await.unwrap();
}

#[tokio::test]
async fn a_reset_is_a_lost_connection_and_is_replaced_at_once() {
    let (listener, address) = listen().await;
    let mut reports = poll(address);
    let (mut first, _) = listener.accept().await.unwrap();
    answer(&mut first).await;
    assert_eq!(next(&mut reports).await, Ok(vec![107]));
    // Closing with a linger of zero sends a reset.
    first.set_zero_linger().unwrap();
    drop(first);
    let (mut second, _) = tokio::time::timeout(WITHIN, listener.accept()).await.unwrap().unwrap();
    answer(&mut second).await;
    assert_eq!(next(&mut reports).await, Ok(vec![107]), "within the same scan");
}

/// The other end reads the end of the stream, not a reset, before it is dialled again.
#[tokio::test]
async fn a_silent_controller_sees_its_connection_closed_in_order_before_the_next() {
    let (listener, address) = listen().await;
    let mut reports = poll(address);
    let (mut first, _) = listener.accept().await.unwrap();
    let mut request = [0; 12];
    first.read_exact(&mut request).await.unwrap();
    assert_eq!(next(&mut reports).await, Err(ReadFailure::NoReply(Duration::from_millis(300))));
    let end = tokio::time::timeout(Duration::from_millis(500), first.read(&mut request)).await;
    assert_eq!(end.unwrap().unwrap(), 0, "a FIN");
    let early = tokio::time::timeout(Duration::from_millis(500), listener.accept()).await;
    assert!(early.is_err(), "not dialled within half a second");
    let (mut second, _) = tokio::time::timeout(WITHIN, listener.accept()).await.unwrap().unwrap();
    tokio::spawn(async move {
        loop {
            answer(&mut second).await;
        }
    });
    assert_eq!(next_good(&mut reports).await, [107]);
}

#[tokio::test]
async fn a_port_where_nobody_listens_is_refused_and_taken_up_when_somebody_does() {
    let (listener, address) = listen().await;
    drop(listener);
    let mut reports = poll(address);
    assert_eq!(next(&mut reports).await, Err(ReadFailure::Refused));
    let listener = TcpListener::bind(address).await.unwrap();
    tokio::spawn(async move {
        let (mut stream, _) = listener.accept().await.unwrap();
        loop {
            answer(&mut stream).await;
        }
    });
    assert_eq!(next_good(&mut reports).await, [107]);
}

/// The kernel of a controller that has no connection left may still accept into its queue.
#[tokio::test]
async fn a_connection_that_is_never_served_is_no_reply() {
    let (listener, address) = listen().await;
    let mut reports = poll(address);
    assert_eq!(next(&mut reports).await, Err(ReadFailure::NoReply(Duration::from_millis(300))));
    drop(listener);
}
