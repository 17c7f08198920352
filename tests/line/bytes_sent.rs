//! Read-only: every byte the supervisor sends is captured, and asks for nothing but reads.

use crate::support::{Act, MemoryDial, PeerDial, Registers, asked_for, demo_line, frame_of, right_answer};
use async_trait::async_trait;
use setward::clock::Clock;
use setward::history::sqlite::InlineStore;
use setward::poll::dial::{Dial, Stream};
use setward::protocol::UtcMillis;
use setward::{Edges, start};
use sim_plc::{Scenario, Simulator};
use std::collections::BTreeSet;
use std::io;
use std::pin::Pin;
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::Instant;

pub(crate) type Captured = Arc<Mutex<Vec<Vec<u8>>>>;

/// A connection that remembers what is written to it, one entry a connection.
#[derive(Debug)]
struct Tap {
    inner: Box<dyn Stream>,
    captured: Captured,
    index: usize,
}

impl AsyncRead for Tap {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_read(context, buffer)
    }
}

impl AsyncWrite for Tap {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.inner).poll_write(context, bytes);
        if let Poll::Ready(Ok(count)) = &written {
            let index = self.index;
            self.captured.lock().unwrap()[index].extend(&bytes[..*count]);
        }
        written
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_shutdown(context)
    }
}

pub(crate) struct TapDial<D> {
    pub(crate) inner: D,
    pub(crate) captured: Captured,
}

#[async_trait]
impl<D: Dial> Dial for TapDial<D> {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        let inner = self.inner.dial(endpoint).await?;
        let mut captured = self.captured.lock().unwrap();
        captured.push(Vec::new());
        Ok(Box::new(Tap { inner, captured: Arc::clone(&self.captured), index: captured.len() - 1 }))
    }
}

/// Function codes of the frames in a stream of requests.
pub(crate) fn functions(mut bytes: &[u8]) -> BTreeSet<u8> {
    let mut functions = BTreeSet::new();
    while bytes.len() >= 8 {
        let length = usize::from(u16::from_be_bytes([bytes[4], bytes[5]]));
        assert_eq!(length, 6, "a read has a unit, a function, an address and a count: {bytes:02x?}");
        functions.insert(bytes[7]);
        bytes = &bytes[6 + length..];
    }
    assert!(bytes.is_empty(), "part of a frame: {bytes:02x?}");
    functions
}

#[tokio::test(start_paused = true)]
async fn a_quarter_of_an_hour_with_faults_sends_function_codes_01_to_04_only() {
    let line = demo_line();
    let simulator = Simulator::new(&line, 3);
    simulator.run_scenario(Scenario::demo());
    let captured = Captured::default();
    let dial = TapDial { inner: MemoryDial(simulator.clone()), captured: Arc::clone(&captured) };
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let clock = Clock::starting_at(UtcMillis(1_767_571_200_000));
    let running = start(Arc::new(line), Edges { dial: Arc::new(dial), history, clock }).await.unwrap();
    for _ in 0..900 {
        tokio::time::sleep(Duration::from_secs(1)).await;
        simulator.step(Duration::from_secs(1));
    }
    let summary = running.stop().await.unwrap();
    let captured = captured.lock().unwrap();
    let requests: usize = captured.iter().map(Vec::len).sum::<usize>() / 12;
    // A read is twelve bytes. Each of the three pollers may have been stopped in the middle of one.
    let counted = summary.requests..=summary.requests + 3;
    assert!(counted.contains(&(requests as u64)), "{requests} requests sent, {} counted", summary.requests);
    let sent: BTreeSet<u8> = captured.iter().flat_map(|bytes| functions(bytes)).collect();
    assert!(sent.iter().all(|function| (1..=4).contains(function)), "function codes sent: {sent:?}");
    assert!(sent.contains(&3), "{sent:?}");
}

/// Controllers that refuse, are busy, lie, are silent and hang up, by turns, so that reads are split, repeated and sent on
/// new connections.
#[tokio::test(start_paused = true)]
async fn ten_minutes_of_refusals_and_broken_connections_send_function_codes_01_to_04_only() {
    let begun = Instant::now();
    let peer = PeerDial::new(move |_, request| {
        let (start, count) = asked_for(request);
        let right = right_answer(request, &Registers(|_, address| address));
        let exception = |code: u8| vec![Act::Send(frame_of(request, &[request[7] | 0x80, code]))];
        match begun.elapsed().as_secs() % 60 {
            _ if (start..start + count).contains(&103) => exception(2),
            10..15 => exception(6),
            20..25 => exception(0x0B),
            30..33 => Vec::new(),
            35..38 => vec![Act::Close],
            40..43 => vec![Act::Send(b"not modbus".to_vec())],
            45..48 => vec![Act::Send(right[..9].to_vec())],
            50..53 => exception(1),
            55..58 => exception(2),
            _ => vec![Act::Send(right)],
        }
    });
    let captured = Captured::default();
    let dial = TapDial { inner: peer.clone(), captured: Arc::clone(&captured) };
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let clock = Clock::starting_at(UtcMillis(1_767_571_200_000));
    let edges = Edges { dial: Arc::new(dial), history, clock };
    let running = start(Arc::new(demo_line()), edges).await.unwrap();
    tokio::time::sleep(Duration::from_secs(600)).await;
    let summary = running.stop().await.unwrap();
    assert!(peer.dialled().len() > 50, "{} connections", peer.dialled().len());
    assert!(summary.requests > 3000, "{summary}");
    let sent: BTreeSet<u8> = captured.lock().unwrap().iter().flat_map(|bytes| functions(bytes)).collect();
    assert_eq!(sent, BTreeSet::from([1, 2, 3, 4]), "function codes sent");
}
