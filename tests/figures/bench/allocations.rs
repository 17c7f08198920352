//! What is asked of the heap: nothing between a sample's words and its events, the same number for each scan of the poller.
//!
//! This is a test as well: it ends with 101 where that does not hold.

use super::core::courses;
use super::poller::plan;
use super::responder::Responder;
use super::{HEAP, figure};
use setward::clock::Clock;
use setward::line::signals::decode;
use setward::poll::Poller;
use setward::poll::dial::TcpDial;
use stats_alloc::Region;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;

/// Reports of one window: the channel takes its memory in pieces of so many.
const WINDOW: usize = 32;
const WINDOWS: usize = 6;
const READS: u16 = 4;

pub(crate) async fn run() {
    in_the_core();
    in_the_poller().await;
}

fn in_the_core() {
    for mut course in courses() {
        // Windows fill, alarms raise and clear for the first time.
        (course.round)();
        let region = Region::new(HEAP);
        let samples = (course.round)();
        let asked = region.change();
        println!("  {:<24} {:>4} allocations in {samples} samples", course.name, asked.allocations);
        assert_eq!(asked.allocations + asked.reallocations, 0, "{} asks of the heap: {asked:?}", course.name);
        if course.name == "sample" {
            figure("allocations.sample", asked.allocations as f64, "a sample");
        }
    }
}

async fn in_the_poller() {
    let responder = Responder::start();
    let (reports, mut arriving) = mpsc::channel(64);
    let dial = Arc::new(TcpDial { user_timeout: Duration::from_secs(1) });
    let plan = plan(responder.port, READS, Duration::ZERO);
    let poller = tokio::spawn(Poller::new(plan, dial, Clock::system(), reports).run());
    let mut counts = Vec::new();
    for _ in 0..WINDOWS + 2 {
        let region = Region::new(HEAP);
        for _ in 0..WINDOW {
            let report = arriving.recv().await.unwrap();
            assert!(report.blocks.iter().all(|block| block.words.is_ok()), "{:?}", report.failure());
        }
        let asked = region.change();
        counts.push(asked.allocations + asked.reallocations);
    }
    // The first two hold the connection, and the channel's first pieces.
    let steady = &counts[2..];
    let a_scan = steady[0] as f64 / WINDOW as f64;
    println!(
        "  poller, {READS} reads a scan: {a_scan:.2} allocations a scan; windows of {WINDOW}: {counts:?}"
    );
    assert!(steady.iter().all(|count| *count == steady[0]), "not the same for each scan: {counts:?}");
    figure("allocations.scan", a_scan, "a scan of 4 reads");
    in_decoding();
    poller.abort();
}

/// What the line task asks of the heap for the readings of a scan: a list, however many there are.
fn in_decoding() {
    let demo = super::demo::Demo::load();
    let (line, report) = (&demo.line, demo.report());
    let count = || {
        let region = Region::new(HEAP);
        let fresh = decode(line, &report);
        (region.change().allocations + region.change().reallocations, fresh.len())
    };
    let ((first, signals), (second, _)) = (count(), count());
    println!("  readings of a scan of {signals} signals: {first} allocations");
    assert_eq!(first, second);
    figure("allocations.readings", first as f64, "a scan");
}
