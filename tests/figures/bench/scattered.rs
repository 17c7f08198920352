//! Two hundred signals scattered over five hundred registers: one request each, and the fewest that the declared gaps allow.
//!
//! The count is asserted; what each way costs is printed.

use super::responder::Responder;
use super::{cpu, figure, median};
use setward::clock::Clock;
use setward::poll::Poller;
use setward::poll::dial::TcpDial;
use setward::poll::plan::{Block, EndpointPlan, ScanPlan, UnitPlan};
use setward::protocol::{Place, ReadLimits, ReadRequest, RegisterSpan, SignalId, Table, plan_reads};
use setward_config::line::ControllerId;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;

const SIGNALS: u16 = 200;
const REGISTERS: u16 = 500;
/// 500 registers by at most 125.
const FEWEST: usize = 4;
const ROUNDS: usize = 30;

/// The signals' places, no two neighbours in order.
pub(crate) fn places() -> Vec<Place> {
    let address = |index: u16| (index * 5 / 2 * 77) % REGISTERS;
    (0..SIGNALS).map(|index| Place { table: Table::Holding, address: address(index), words: 1 }).collect()
}

/// All addresses between may be read.
pub(crate) fn readable() -> RegisterSpan {
    RegisterSpan { table: Table::Holding, first: 0, last: REGISTERS - 1 }
}

pub(crate) async fn run() {
    let places = places();
    let coalesced = plan_reads(&places, &[readable()], ReadLimits::STANDARD);
    assert_eq!(coalesced.len(), FEWEST, "{coalesced:?}");
    assert!(places.iter().all(|place| coalesced.iter().any(|request| request.covers(*place))));
    let single = |place: &Place| ReadRequest { table: place.table, start: place.address, count: 1 };
    let scattered: Vec<ReadRequest> = places.iter().map(single).collect();
    figure("scattered.requests", coalesced.len() as f64, "requests");
    let responder = Responder::start();
    let mut medians = Vec::new();
    for (name, requests) in [("one_by_one", scattered), ("coalesced", coalesced)] {
        let (cpu_us, took_us) = scans(responder.port, &places, &requests).await;
        println!(
            "  {name:<12} {:>4} requests: {cpu_us:>8.0} us of processor, {took_us:>8.0} us in all",
            requests.len()
        );
        figure(&format!("scattered.{name}"), cpu_us, "us a scan");
        medians.push(cpu_us);
    }
    figure("scattered.ratio", medians[0] / medians[1], "x");
}

/// us of processor and us in all, of a scan by the product's own poller.
async fn scans(port: u16, places: &[Place], requests: &[ReadRequest]) -> (f64, f64) {
    let block = |request: &ReadRequest| {
        let its = (0..).map(SignalId).zip(places).filter(|(_, place)| request.covers(**place));
        Arc::new(Block { request: *request, signals: its.map(|(id, place)| (id, *place)).collect() })
    };
    let blocks = requests.iter().map(block).collect();
    let scan = ScanPlan { poll_every: Duration::from_millis(50), phase: Duration::ZERO, blocks };
    let unit = UnitPlan {
        identity: None,
        controller: ControllerId(0),
        unit_id: 1,
        answer_within: Duration::from_millis(500),
        pause: Duration::ZERO,
        limits: ReadLimits::STANDARD,
        readable: vec![readable()],
        scans: vec![scan],
    };
    let plan = EndpointPlan { endpoint: format!("127.0.0.1:{port}"), units: vec![unit] };
    let (reports, mut arriving) = mpsc::channel(4);
    let dial = Arc::new(TcpDial { user_timeout: Duration::from_secs(1) });
    let poller = tokio::spawn(Poller::new(plan, dial, Clock::system(), reports).run());
    arriving.recv().await.unwrap();
    let (mut cpu_us, mut took_us) = (Vec::new(), Vec::new());
    for _ in 0..ROUNDS {
        let before = cpu::used();
        let report = arriving.recv().await.unwrap();
        assert_eq!(report.requests as usize, requests.len(), "{:?}", report.failure());
        cpu_us.push((cpu::used() - before).as_secs_f64() * 1e6);
        took_us.push(report.took.as_secs_f64() * 1e6);
    }
    poller.abort();
    (median(&cpu_us), median(&took_us))
}
