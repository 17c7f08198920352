//! What people do with alarms, with the real line task and history, under a paused clock.

use crate::support::{AUTOMATIC, Registers, ScriptedDial, demo_line, fryer_only, heartbeat, right_answer};
use setward::clock::Clock;
use setward::handle::{Granted, Refusal, Wish, WishRequest};
use setward::history::HistoryStore;
use setward::history::sqlite::InlineStore;
use setward::protocol::{Table, UtcMillis};
use setward::{Edges, Running, start};
use setward_config::line::Line;
use std::sync::Arc;
use std::time::Duration;
use tokio::time::Instant;

/// 2026-01-05 00:00 UTC: any Monday will do.
const START: UtcMillis = UtcMillis(1_767_571_200_000);
const ALARM: &str = "fryer-inlet-cold";
const HALF_AN_HOUR: Duration = Duration::from_secs(1800);

/// The fryer alone, whose alarms hide none of each other and whose probes may stand still: all registers but one are zero.
fn fryer() -> Line {
    let mut line = fryer_only(demo_line());
    line.alarms.iter_mut().for_each(|alarm| alarm.hides.clear());
    line.signals.iter_mut().for_each(|signal| signal.stuck_after = None);
    line
}

/// A fryer whose inlet reads this, in tenths of a degree; all else is zero but heartbeat and mode.
fn reading(inlet: u16) -> ScriptedDial {
    let begun = Instant::now();
    let registers = move |table: Table, address: u16| match (table, address) {
        (Table::Holding, 100) => inlet,
        (Table::Holding, 113) => AUTOMATIC,
        (Table::Holding, 181) => heartbeat(begun.elapsed().as_secs()),
        _ => 0,
    };
    ScriptedDial(Arc::new(move |request: &[u8]| {
        Some((Duration::ZERO, right_answer(request, &Registers(registers))))
    }))
}

struct Bench {
    line: Arc<Line>,
    history: Arc<InlineStore>,
}

impl Bench {
    fn new() -> Self {
        let line = Arc::new(fryer());
        Self { line, history: Arc::new(InlineStore::in_memory().unwrap()) }
    }

    /// A run that begins so many seconds after the first, and has gone on for `seconds`.
    async fn run(&self, inlet: u16, from: i64, seconds: u64) -> Running {
        let clock = Clock::starting_at(UtcMillis(START.0 + 1000 * from));
        let edges = Edges { dial: Arc::new(reading(inlet)), history: self.history.clone(), clock };
        let running = start(Arc::clone(&self.line), edges).await.unwrap();
        tokio::time::sleep(Duration::from_secs(seconds)).await;
        running
    }

    async fn ask(&self, running: &Running, wish: Wish, occurrence: u32) -> Result<Granted, Refusal> {
        let run = running.handle().snapshot().run;
        let alarm = self.line.alarm_by_id(ALARM).unwrap();
        let (by, why) = ("Ana".to_owned(), Some("probe out".to_owned()));
        running.handle().ask(WishRequest { alarm, run, occurrence, by, why, wish }).await
    }

    /// What happened to the alarm, oldest first.
    async fn story(&self) -> Vec<String> {
        let events = self.history.events(Some(ALARM.to_owned()), 100).await.unwrap();
        events.iter().rev().map(|stored| stored.event.what.clone()).collect()
    }

    fn letter(&self, running: &Running) -> char {
        let snapshot = running.handle().snapshot();
        let view = snapshot.alarm(self.line.alarm_by_id(ALARM).unwrap()).unwrap();
        view.flags.letter(view.state)
    }
}

#[tokio::test(start_paused = true)]
async fn a_shelf_and_who_put_the_alarm_there_outlive_a_restart_and_it_ends_on_time() {
    let bench = Bench::new();
    let first = bench.run(1820, 0, 10).await;
    let shelve = Wish::Shelve { span: HALF_AN_HOUR, once: false };
    let granted = bench.ask(&first, shelve, 0).await.unwrap();
    assert!(granted.durable && !granted.already);
    let until = UtcMillis(START.0 + 1_810_000);
    assert_eq!(granted.shelved_until, Some(until));
    assert!(bench.ask(&first, shelve, 0).await.unwrap().already, "the same wish, sent twice");
    let events = bench.history.events(Some(ALARM.to_owned()), 10).await.unwrap();
    assert_eq!(events.len(), 1);
    assert_eq!(events[0].event.note.as_deref(), Some("until 2026-01-05T00:30:10Z; probe out"));
    first.stop().await.unwrap();
    // Cold, and on the shelf still: it raises and nobody is called.
    let second = bench.run(1760, 600, 300).await;
    assert_eq!(bench.letter(&second), 'G');
    let snapshot = second.handle().snapshot();
    let view = snapshot.alarm(bench.line.alarm_by_id(ALARM).unwrap()).unwrap();
    let shelf = view.shelf.clone().unwrap();
    assert_eq!((shelf.until, shelf.by.as_str(), shelf.why.as_deref()), (until, "Ana", Some("probe out")));
    assert_eq!(view.silent_until, Some(until));
    // 00:15:00 now; the shelf ends at 00:30:10.
    tokio::time::sleep(Duration::from_secs(905)).await;
    assert_eq!(bench.letter(&second), 'G');
    tokio::time::sleep(Duration::from_secs(10)).await;
    assert_eq!(bench.letter(&second), 'B');
    second.stop().await.unwrap();
    assert_eq!(bench.story().await, ["shelved", "raised", "unshelved", "raised"]);
}

#[tokio::test(start_paused = true)]
async fn a_shelf_that_ran_out_while_nothing_ran_is_over_at_the_start() {
    let bench = Bench::new();
    let first = bench.run(1760, 0, 120).await;
    bench.ask(&first, Wish::Shelve { span: HALF_AN_HOUR, once: false }, 1).await.unwrap();
    assert_eq!(bench.letter(&first), 'G');
    first.stop().await.unwrap();
    let second = bench.run(1760, 7200, 10).await;
    assert_eq!(bench.letter(&second), 'B', "told anew: it still stands");
    second.stop().await.unwrap();
    assert_eq!(bench.story().await, ["raised", "shelved", "silenced", "unshelved", "raised"]);
}

#[tokio::test(start_paused = true)]
async fn out_of_service_lasts_over_restarts_until_somebody_returns_it() {
    let bench = Bench::new();
    let first = bench.run(1820, 0, 10).await;
    assert!(bench.ask(&first, Wish::TakeOutOfService, 0).await.unwrap().out_of_service);
    assert!(bench.ask(&first, Wish::TakeOutOfService, 0).await.unwrap().already);
    // Cut off, not stopped: what was granted was on disk.
    drop(first);
    let second = bench.run(1760, 86_400 * 30, 300).await;
    assert_eq!(bench.letter(&second), 'I');
    // Too old a page may not silence, but it may return.
    let stale = bench.ask(&second, Wish::Shelve { span: HALF_AN_HOUR, once: true }, 0).await;
    assert!(matches!(stale, Err(Refusal::Stale { occurrence: 1, .. })), "{stale:?}");
    assert!(!bench.ask(&second, Wish::ReturnToService, 0).await.unwrap().out_of_service);
    assert_eq!(bench.letter(&second), 'B');
    second.stop().await.unwrap();
    assert_eq!(bench.story().await, ["out of service", "raised", "returned to service", "raised"]);
}

#[tokio::test(start_paused = true)]
async fn without_a_longest_time_in_the_file_a_shelf_lasts_a_day_at_most_and_only_a_latched_alarm_is_reset() {
    let bench = Bench::new();
    let running = bench.run(1760, 0, 120).await;
    let most = bench.line.alarm(bench.line.alarm_by_id(ALARM).unwrap()).settings.shelve_most;
    let most = most.unwrap_or(Duration::from_secs(86_400));
    let shelve = |span| Wish::Shelve { span, once: false };
    let refused = bench.ask(&running, shelve(most + Duration::from_secs(1)), 1).await;
    assert_eq!(refused, Err(Refusal::TooLong { most }));
    assert!(bench.ask(&running, shelve(most), 1).await.is_ok());
    assert_eq!(bench.ask(&running, Wish::Reset, 1).await, Err(Refusal::NotResettable));
    running.stop().await.unwrap();
}

/// Held until a person has acknowledged and reset it; asking for a reset twice changes nothing.
#[tokio::test(start_paused = true)]
async fn a_latched_alarm_is_held_until_it_is_reset_also_over_a_restart() {
    let mut bench = Bench::new();
    let mut line = fryer();
    let alarm = line.alarm_by_id(ALARM).unwrap();
    line.alarms[alarm.index()].settings.latching = true;
    bench.line = Arc::new(line);
    let first = bench.run(1760, 0, 120).await;
    bench.ask(&first, Wish::Acknowledge, 1).await.unwrap();
    first.stop().await.unwrap();
    let second = bench.run(1820, 200, 300).await;
    assert_eq!(bench.letter(&second), 'F');
    let reset = bench.ask(&second, Wish::Reset, 1).await.unwrap();
    assert_eq!((reset.state.letter(), reset.already), ('A', false));
    assert!(bench.ask(&second, Wish::Reset, 1).await.unwrap().already);
    second.stop().await.unwrap();
    assert_eq!(bench.story().await, ["raised", "acknowledged", "cleared", "reset"]);
}

/// Seconds of the alarm by reason, over all that history has, and the seconds watched.
async fn blind_s(history: &InlineStore) -> (std::collections::BTreeMap<String, f64>, f64) {
    let (mut sums, mut watched_s) = (std::collections::BTreeMap::new(), 0.0);
    for stored in history.events(None, 10_000).await.unwrap() {
        if stored.event.what != "blindness" {
            continue;
        }
        let note: serde_json::Value = serde_json::from_str(&stored.event.note.unwrap()).unwrap();
        assert_eq!(note["day"], "2026-01-05");
        watched_s += note["watched_s"].as_f64().unwrap();
        for (reason, seconds) in note["alarms"][ALARM].as_object().into_iter().flatten() {
            *sums.entry(reason.clone()).or_insert(0.0) += seconds.as_f64().unwrap();
        }
    }
    (sums, watched_s)
}

/// In the middle of a repair the signal gets another tag: the alarm that bears it stays out of service, over this start and the
/// next, and nothing is left open under the old id.
#[tokio::test(start_paused = true)]
async fn an_alarm_stays_out_of_service_when_its_signal_gets_another_tag() {
    let (old_id, new_id) = ("cold.TT-310", "cold.TT-312B");
    let mut bench = Bench::new();
    let cold = bench.line.alarm_by_id(ALARM).unwrap();
    let mut line = fryer();
    line.alarms[cold.index()].id = old_id.to_owned();
    bench.line = Arc::new(line.clone());
    let first = bench.run(1820, 0, 10).await;
    let wish = WishRequest {
        alarm: cold,
        run: first.handle().snapshot().run,
        occurrence: 0,
        by: "Ana".to_owned(),
        why: Some("probe out".to_owned()),
        wish: Wish::TakeOutOfService,
    };
    first.handle().ask(wish).await.unwrap();
    first.stop().await.unwrap();
    line.alarms[cold.index()].id = new_id.to_owned();
    let signal = line.signals.iter_mut().find(|signal| signal.tag == "TT-310").unwrap();
    (signal.tag, signal.was) = ("TT-312B".to_owned(), Some("TT-310".to_owned()));
    bench.line = Arc::new(line);
    for from in [600, 1200] {
        let next = bench.run(1760, from, 300).await;
        let snapshot = next.handle().snapshot();
        let out = snapshot.alarm(cold).unwrap().out_of_service.clone();
        assert_eq!(out.map(|out| out.by).as_deref(), Some("Ana"), "{from} s after the first start");
        next.stop().await.unwrap();
    }
    let records = bench.history.alarm_records().await.unwrap();
    let old = records.iter().find(|record| record.id == old_id).unwrap();
    assert!(old.state == 'A' && old.out_of_service.is_none(), "{old:?}");
    let removed = bench.history.events(Some(old_id.to_owned()), 10).await.unwrap();
    assert!(removed.iter().all(|stored| stored.event.what != "cleared"), "it is not gone");
}

/// 10 minutes on the shelf, 5 out of service, 5 in sight; then a new run whose probe is broken throughout.
#[tokio::test(start_paused = true)]
async fn the_ledger_says_how_long_an_alarm_could_not_have_fired_and_why() {
    let bench = Bench::new();
    let first = bench.run(1820, 43_200, 300).await;
    bench.ask(&first, Wish::Shelve { span: Duration::from_secs(600), once: false }, 0).await.unwrap();
    tokio::time::sleep(Duration::from_secs(600)).await;
    bench.ask(&first, Wish::TakeOutOfService, 0).await.unwrap();
    tokio::time::sleep(Duration::from_secs(300)).await;
    first.stop().await.unwrap();
    let (sums, watched_s) = blind_s(&bench.history).await;
    let close = |found: f64, expected: f64| (found - expected).abs() <= 2.0;
    assert!(close(sums["shelved"], 600.0) && close(sums["out_of_service"], 300.0), "{sums:?}");
    assert!(close(watched_s, 1200.0), "{watched_s}");
    let back = bench.run(32_767, 50_000, 5).await;
    bench.ask(&back, Wish::ReturnToService, 0).await.unwrap();
    tokio::time::sleep(Duration::from_secs(400)).await;
    back.stop().await.unwrap();
    let (sums, watched_s) = blind_s(&bench.history).await;
    let unseen = sums["not_yet_seen"] + sums["bad_signal"];
    assert!(close(unseen, 400.0) && close(watched_s, 1605.0), "{sums:?} {watched_s}");
    assert!(sums.values().sum::<f64>() < 1310.0, "one reason at a time: {sums:?}");
}
