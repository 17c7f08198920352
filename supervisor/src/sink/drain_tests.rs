//! After an outage: hours of the demo line wait, a server comes back on this machine, and everything arrives once, in order,
//! while the line goes on. How fast is printed, as multiples of what the line makes; it is no condition.
//!
//! `SETWARD_DRAIN_HOURS=48 cargo test --release -p setward --lib a_long_outage -- --ignored --nocapture`

use super::*;
use crate::history::sqlite::ThreadedStore;
use crate::history::{Batch, NewRun, NewSample};
use crate::snapshot::RunId;
use axum::Router;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::routing::post;
use flate2::read::GzDecoder;
use setward_config::line::{Origin, Server};
use setward_protocol::{Reading, SignalId, Uptime};
use std::collections::BTreeMap;
use std::io::Read as _;
use tokio::time::Instant;

const START_MS: i64 = 1_795_572_000_000;
/// Seconds of readings in one batch of the backlog.
const BATCH_S: u64 = 600;

/// What arrived: of each series how many readings, and the time of the last.
#[derive(Debug, Default)]
struct Arrived {
    series: BTreeMap<String, (u64, i64)>,
    again: u64,
}

type Shared = Arc<Mutex<Arrived>>;

async fn take(State(arrived): State<Shared>, headers: HeaderMap, body: Bytes) -> StatusCode {
    let mut lines = String::new();
    if headers.get("content-encoding").is_some_and(|how| how == "gzip") {
        GzDecoder::new(&body[..]).read_to_string(&mut lines).unwrap();
    } else {
        lines.push_str(std::str::from_utf8(&body).unwrap());
    }
    let mut arrived = arrived.lock().unwrap();
    for line in lines.lines() {
        let (point, time) = line.rsplit_once(' ').unwrap();
        let series = point.split(' ').next().unwrap();
        let time: i64 = time.parse().unwrap();
        match arrived.series.get_mut(series) {
            // The order is kept, so what is not newer was here before.
            Some((_, last)) if time <= *last => arrived.again += 1,
            Some((count, last)) => (*count, *last) = (*count + 1, time),
            None => {
                arrived.series.insert(series.to_owned(), (1, time));
            }
        }
    }
    StatusCode::NO_CONTENT
}

/// The polled signals of the demo line with their periods.
fn polled(line: &Line) -> Vec<(SignalId, u64)> {
    let period = |(id, signal): (SignalId, &setward_config::line::LineSignal)| match &signal.origin {
        Origin::Register(register) => Some((id, register.poll_every.as_secs().max(1))),
        Origin::Derived(_) | Origin::Entered | Origin::Followed(_) => None,
    };
    line.signals_with_ids().filter_map(period).collect()
}

fn readings(signals: &[(SignalId, u64)], seconds: std::ops::Range<u64>) -> Batch {
    let mut batch = Batch::default();
    for second in seconds {
        for (signal, _) in signals.iter().filter(|(_, period)| second.is_multiple_of(*period)) {
            let (utc, at) = (UtcMillis(START_MS + second as i64 * 1000), Uptime::from_millis(second * 1000));
            let value = 180.0 + ((second * 7 + u64::from(signal.0)) % 100) as f64 / 10.0;
            batch.samples.push(NewSample { signal: signal.0, utc, at, reading: Reading::Good(value) });
        }
    }
    batch
}

struct Drained {
    /// Readings a second that the line makes.
    live: f64,
    backlog: u64,
    in_all: u64,
    took: Duration,
    arrived: Arrived,
    lost: u64,
}

/// The demo line with a server on this machine.
async fn line_with_server(arrived: &Shared) -> Line {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}", listener.local_addr().unwrap());
    let app = Router::new().route("/api/v2/write", post(take)).with_state(Arc::clone(arrived));
    let app = app.layer(axum::extract::DefaultBodyLimit::max(64 << 20));
    tokio::spawn(async move { axum::serve(listener, app).await.unwrap() });
    let mut line = setward_config::load_demo().unwrap().line;
    line.history.servers.push(Server {
        name: "central".to_owned(),
        url,
        org: String::new(),
        bucket: "line".to_owned(),
        token_file: None,
        ca: None,
        send: None,
        behind_most: Duration::from_secs(900),
    });
    line
}

/// Fills a history with `seconds`, then sends it while a second of the line comes each second.
async fn drain(seconds: u64) -> Drained {
    let arrived = Shared::default();
    let line = line_with_server(&arrived).await;
    let signals = polled(&line);
    let folder = tempfile::tempdir().unwrap();
    let threaded = Arc::new(ThreadedStore::open(folder.path()).unwrap());
    let store: Arc<dyn HistoryStore> = threaded.clone();
    let run: RunId = store.start_run(NewRun::of(&line, UtcMillis(START_MS), "0")).await.unwrap();
    let mut backlog = 0;
    for from in (0..seconds).step_by(BATCH_S as usize) {
        let batch = readings(&signals, from..(from + BATCH_S).min(seconds));
        backlog += batch.samples.len() as u64;
        store.append(run, batch).await.unwrap();
    }
    let (teller, mut told) = crate::handle::Teller::new(64);
    let (supervision, _gave_up) = Supervision::new(teller, Clock::system());
    tokio::spawn(async move { while told.recv().await.is_some() {} });
    let began = Instant::now();
    let forwarding = Forwarding::start(&line, &store, Clock::system(), &supervision);
    let status = forwarding.statuses().remove(0);
    let (mut second, mut in_all, mut took) = (seconds, backlog, None);
    // The line goes on: three seconds more once the server has all that waited.
    let mut left = 3;
    while left > 0 {
        let batch = readings(&signals, second..second + 1);
        in_all += batch.samples.len() as u64;
        store.append(run, batch).await.unwrap();
        second += 1;
        tokio::time::sleep(Duration::from_secs(1)).await;
        if took.is_none() && arrived_in_all(&arrived) >= backlog {
            took = Some(began.elapsed());
        }
        left -= i32::from(took.is_some());
    }
    while arrived_in_all(&arrived) < in_all {
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    let lost = status.now().lost_rows;
    forwarding.stop().await;
    let live = signals.iter().map(|(_, period)| 1.0 / *period as f64).sum();
    let arrived = std::mem::take(&mut *arrived.lock().unwrap());
    Drained { live, backlog, in_all, took: took.unwrap_or_default(), arrived, lost }
}

fn arrived_in_all(arrived: &Shared) -> u64 {
    arrived.lock().unwrap().series.values().map(|(count, _)| count).sum()
}

fn check(drained: &Drained) {
    let arrived: u64 = drained.arrived.series.values().map(|(count, _)| count).sum();
    assert_eq!(arrived, drained.in_all, "everything arrives, what was made meanwhile too");
    assert_eq!((drained.arrived.again, drained.lost), (0, 0), "each once, none lost");
    assert!(drained.in_all > drained.backlog);
}

#[tokio::test]
async fn what_waited_and_what_comes_meanwhile_arrives_once_and_in_order() {
    let drained = tokio::time::timeout(Duration::from_secs(120), drain(1800)).await.unwrap();
    check(&drained);
}

#[tokio::test]
#[ignore = "takes minutes: see the top of the file"]
async fn a_long_outage_drains_while_the_line_goes_on() {
    let hours: u64 =
        std::env::var("SETWARD_DRAIN_HOURS").ok().and_then(|text| text.parse().ok()).unwrap_or(48);
    let drained = drain(hours * 3600).await;
    check(&drained);
    let rate = drained.backlog as f64 / drained.took.as_secs_f64();
    println!(
        "{hours} h of the demo line: {} readings in {:.0} s, {:.0}/s where the line makes {:.0}/s: {:.0} times live",
        drained.backlog,
        drained.took.as_secs_f64(),
        rate,
        drained.live,
        rate / drained.live
    );
}
