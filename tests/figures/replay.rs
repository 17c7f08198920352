//! How fast alarm settings are replayed: readings a second through feed and engine, on one core.
//!
//! `cargo run --release --example replay-figures [HOURS]` makes so many hours (default 6) of the demo line's signals, each at
//! its own period around its typical value with its noise, keeps them in a history in memory, and replays them with one and
//! with four sets of settings. It prints what was read and fed a second: with the reading, and by the engine alone.
#![expect(clippy::print_stdout, clippy::unwrap_used, reason = "a program that measures")]

use rand_core::{Rng as _, SeedableRng as _};
use rand_pcg::Pcg64Mcg;
use setward::clock::Clock;
use setward::history::sqlite::InlineStore;
use setward::history::{Batch, HistoryStore, NewRun, NewSample, Span};
use setward::protocol::{Reading, Uptime, UtcMillis};
use setward::replay::Replay;
use setward_config::line::{Line, LineSignal};
use std::sync::Arc;
use std::time::Duration;

/// 2026-01-05 00:00 UTC.
const START_MS: i64 = 1_767_571_200_000;

#[tokio::main(flavor = "current_thread")]
async fn main() {
    let hours: u64 = std::env::args().nth(1).map_or(6, |hours| hours.parse().expect("hours in digits"));
    let line =
        setward_config::load_demo().unwrap_or_else(|problems| panic!("{}", problems.render(false))).line;
    let clock = Clock::system();
    let store = InlineStore::in_memory().unwrap();
    let count = fill(&line, &store, hours * 3600).await;
    println!("{count} readings of {} signals, {} alarms, {hours} h", line.signals.len(), line.alarms.len());
    println!("made and kept in {:.1} s", clock.uptime().as_secs_f64());
    let span = Span::new(UtcMillis(START_MS), UtcMillis(START_MS + hours as i64 * 3_600_000)).unwrap();
    let line = Arc::new(line);
    let reading_s = replay(&[], &store, span, clock).await;
    for sets in [1, 4] {
        let took_s = replay(&vec![Arc::clone(&line); sets], &store, span, clock).await;
        let all = count as f64 * sets as f64;
        println!(
            "{sets} sets of settings: {took_s:.2} s; {:.2} M readings a second and set with the reading, {:.2} M by the engine alone",
            all / took_s / 1e6,
            all / (took_s - reading_s).max(1e-9) / 1e6
        );
    }
    println!("reading alone: {reading_s:.2} s, {:.2} M readings a second", count as f64 / reading_s / 1e6);
}

/// Seconds that a replay takes; without any settings, that of the reading.
async fn replay(lines: &[Arc<Line>], store: &InlineStore, span: Span, clock: Clock) -> f64 {
    let begun = clock.uptime();
    if lines.is_empty() {
        let line =
            setward_config::load_demo().unwrap_or_else(|problems| panic!("{}", problems.render(false))).line;
        let mut feed = setward::replay::feed::Feed::new(&line, span);
        while feed.page(store).await.unwrap().is_some() {}
    } else {
        let outcome = Replay { lines, store, span }.run(&mut |_| {}).await.unwrap();
        assert!(outcome.samples > 0);
    }
    clock.uptime().seconds_since(begun)
}

async fn fill(line: &Line, store: &InlineStore, seconds: u64) -> u64 {
    let run = store.start_run(NewRun::of(line, UtcMillis(START_MS), "0")).await.unwrap();
    let mut noise = Pcg64Mcg::seed_from_u64(1);
    let mut count = 0;
    for minute in 0..seconds / 60 {
        let mut batch = Batch::default();
        for second in minute * 60..(minute + 1) * 60 {
            batch.samples.extend(scan(line, second, &mut noise));
        }
        count += batch.samples.len() as u64;
        store.append(run, batch).await.unwrap();
    }
    count
}

/// What is due in this second, group by group as the pollers bring it.
fn scan(line: &Line, second: u64, noise: &mut Pcg64Mcg) -> Vec<NewSample> {
    let due = |signal: &LineSignal| {
        signal.register().is_some_and(|register| second.is_multiple_of(register.poll_every.as_secs().max(1)))
    };
    let mut due: Vec<_> = line.signals_with_ids().filter(|(_, signal)| due(signal)).collect();
    due.sort_by_key(|(id, signal)| {
        let register = signal.register().unwrap();
        (register.controller, register.poll_every, *id)
    });
    let sample = |(id, signal): (setward::protocol::SignalId, &LineSignal)| {
        let controller = signal.register().unwrap().controller.0;
        let at = Uptime::from_millis(second * 1000 + u64::from(controller) * 7) + Duration::from_secs(1);
        let unit = f64::from(noise.next_u32()) / f64::from(u32::MAX) - 0.5;
        let value = signal.simulate.typical + signal.simulate.noise * unit * 3.4;
        let utc = UtcMillis(START_MS + (second * 1000 + u64::from(controller) * 7) as i64);
        NewSample { signal: id.0, utc, at, reading: Reading::Good(value) }
    };
    due.into_iter().map(sample).collect()
}
