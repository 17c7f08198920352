//! Replay against what was told live: same samples, same settings, same events; other settings, other events.

use crate::support::{MemoryDial, demo_line};
use setward::clock::Clock;
use setward::entries::{EntryWish, Typed};
use setward::handle::{Wish, WishRequest};
use setward::history::sqlite::InlineStore;
use setward::history::{Event, HistoryStore, Span, StoredEvent};
use setward::protocol::UtcMillis;
use setward::replay::Replay;
use setward::replay::compare::{Looked, compare, occurrences};
use setward::report::made::made;
use setward::{Edges, Running, start};
use setward_alarm_settings::with_twice_the_allowance;
use setward_config::line::Line;
use sim_plc::{Disturbance, Scenario, Simulator};
use std::sync::Arc;
use std::time::Duration;

/// 2026-01-05 06:00 UTC: any Monday will do.
const START: UtcMillis = UtcMillis(1_767_592_800_000);

const BETWEEN_SCANS: Duration = Duration::from_millis(137);

mod setward_alarm_settings {
    use setward::alarm::{Allowance, Kind};
    use setward_config::line::Line;

    /// The line with alarms that wait for twice the exposure.
    pub(super) fn with_twice_the_allowance(mut line: Line) -> Line {
        for alarm in &mut line.alarms {
            if let Kind::TimeWeighted(settings) = &mut alarm.settings.kind {
                settings.allowance = match settings.allowance {
                    Allowance::Area(area) => Allowance::Area(2.0 * area),
                    Allowance::AtTwice(seconds) => Allowance::AtTwice(2.0 * seconds),
                };
            }
        }
        line
    }
}

/// A run of the demo line over memory, which goes on until it is stopped or dropped.
struct Live {
    running: Running,
    simulator: Simulator,
}

async fn begin(line: &Arc<Line>, history: &Arc<InlineStore>, from_s: i64, seed: u64) -> Live {
    let simulator = Simulator::new(line, seed);
    simulator.run_scenario(Scenario::demo());
    let clock = Clock::starting_at(UtcMillis(START.0 + 1000 * from_s));
    let edges = Edges { dial: Arc::new(MemoryDial(simulator.clone())), history: history.clone(), clock };
    Live { running: start(Arc::clone(line), edges).await.unwrap(), simulator }
}

impl Live {
    /// Lets so many seconds pass; whoever is on shift acknowledges what waits, every seven minutes.
    async fn pass(&self, line: &Line, seconds: u64) {
        for second in 1..=seconds {
            // Between two scans: which of two things at one instant came first is not kept.
            tokio::time::sleep(BETWEEN_SCANS).await;
            if second % 420 == 0 {
                self.acknowledge_all(line).await;
            }
            tokio::time::sleep(Duration::from_secs(1) - BETWEEN_SCANS).await;
            self.simulator.step(Duration::from_secs(1));
        }
    }

    async fn acknowledge_all(&self, line: &Line) {
        let snapshot = self.running.handle().snapshot();
        for (alarm, _) in line.alarms_with_ids() {
            let view = snapshot.alarm(alarm).unwrap();
            if view.state.awaits_acknowledgement() {
                let wish = WishRequest {
                    alarm,
                    run: snapshot.run,
                    occurrence: view.occurrence,
                    by: "Ana".to_owned(),
                    why: None,
                    wish: Wish::Acknowledge,
                };
                self.running.handle().ask(wish).await.unwrap();
            }
        }
    }

    async fn ask(&self, line: &Line, alarm: &str, wish: Wish) {
        tokio::time::sleep(BETWEEN_SCANS).await;
        let snapshot = self.running.handle().snapshot();
        let alarm = line.alarm_by_id(alarm).unwrap();
        let occurrence = snapshot.alarm(alarm).unwrap().occurrence;
        let (by, why) = ("Ana".to_owned(), Some("probe out".to_owned()));
        let wish = WishRequest { alarm, run: snapshot.run, occurrence, by, why, wish };
        self.running.handle().ask(wish).await.unwrap();
        tokio::time::sleep(Duration::from_secs(1) - BETWEEN_SCANS).await;
    }
}

fn span(seconds: i64) -> Span {
    Span::new(START, UtcMillis(START.0 + 1000 * seconds)).unwrap()
}

/// What was told of alarms, without the numbers that other events share.
fn alarm_events(events: &[StoredEvent]) -> Vec<(i64, Event)> {
    let of_alarms = events.iter().filter(|stored| stored.event.alarm.is_some());
    of_alarms.map(|stored| (stored.run.0, Event { sequence: 0, ..stored.event.clone() })).collect()
}

async fn live_events(history: &InlineStore) -> Vec<(i64, Event)> {
    let mut events = history.events(None, 1_000_000).await.unwrap();
    events.reverse();
    alarm_events(&events)
}

async fn replayed(line: Line, history: &InlineStore, seconds: i64) -> (Vec<(i64, Event)>, u64) {
    let lines = [Arc::new(line)];
    let replay = Replay { lines: &lines, store: history, span: span(seconds) };
    let outcome = replay.run(&mut |_| {}).await.unwrap();
    (alarm_events(&outcome.told[0]), outcome.samples)
}

/// The first difference, with what came before it.
fn same(found: &[(i64, Event)], expected: &[(i64, Event)]) {
    for (place, (found, expected)) in found.iter().zip(expected).enumerate() {
        assert_eq!(found, expected, "event {place}");
    }
    assert_eq!(found.len(), expected.len());
}

/// A day of the demo line in two runs, with its faults, people who acknowledge and shelve, and a stop in between: every event
/// of every alarm again, at its nanosecond, with its occurrence, states, value and exposure.
#[tokio::test(start_paused = true)]
async fn a_day_replayed_with_its_own_settings_tells_exactly_what_was_told() {
    let line = Arc::new(demo_line());
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let first = begin(&line, &history, 0, 5).await;
    first.pass(&line, 3_000).await;
    first
        .ask(&line, "fryer-inlet-cold", Wish::Shelve { span: Duration::from_secs(5_000), once: false })
        .await;
    first.pass(&line, 20_000).await;
    first.ask(&line, "oil-flow-low", Wish::TakeOutOfService).await;
    first.pass(&line, 20_000).await;
    first.running.stop().await.unwrap();
    let second = begin(&line, &history, 43_200, 6).await;
    second.pass(&line, 21_600).await;
    second.ask(&line, "oil-flow-low", Wish::ReturnToService).await;
    second.pass(&line, 21_600).await;
    second.running.stop().await.unwrap();

    let live = live_events(&history).await;
    let (again, samples) = replayed(demo_line(), &history, 90_000).await;
    assert!(live.len() > 200, "{} events are too few to say anything", live.len());
    assert!(samples > 5_000_000, "{samples}");
    same(&again, &live);
}

/// The same where one reply in twenty-two is bad: late, cut off, of another unit. Then a scan may be told half a second after
/// its last good reply, and timers run out in between.
#[tokio::test(start_paused = true)]
async fn hours_with_bad_replies_replayed_tell_what_was_told() {
    let line = Arc::new(demo_line());
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let live = begin(&line, &history, 0, 5).await;
    live.simulator.disturb(Some(Disturbance::new(7, 0.045)));
    live.pass(&line, 21_600).await;
    live.running.stop().await.unwrap();

    let live = live_events(&history).await;
    let (again, _) = replayed(demo_line(), &history, 30_000).await;
    assert!(live.len() > 100, "{} events are too few to say anything", live.len());
    same(&again, &live);
}

/// The check above must be able to fail: with other settings the same day tells something else.
#[tokio::test(start_paused = true)]
async fn with_other_settings_the_same_samples_tell_something_else() {
    let line = Arc::new(demo_line());
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let live = begin(&line, &history, 0, 5).await;
    live.pass(&line, 1_800).await;
    live.running.stop().await.unwrap();
    let then = live_events(&history).await;
    let (again, _) = replayed(demo_line(), &history, 3_600).await;
    let (other, _) = replayed(with_twice_the_allowance(demo_line()), &history, 3_600).await;
    same(&again, &then);
    let raised = |events: &[(i64, Event)]| {
        let of_one = events.iter().filter(|(_, event)| event.alarm.as_deref() == Some("fryer-inlet-cold"));
        let raises = of_one.filter(|(_, event)| event.what == "raised");
        raises.map(|(_, event)| event.utc.0).collect::<Vec<_>>()
    };
    assert!(!raised(&then).is_empty(), "the demo's script chills the fryer");
    assert_ne!(raised(&then), raised(&other));
}

/// Kilograms and recipe of what was called then, against the store's own readings summed up apart from the replay.
#[tokio::test(start_paused = true)]
async fn a_replay_tells_the_kilograms_that_the_kept_readings_add_up_to() {
    let line = Arc::new(demo_line());
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let live = begin(&line, &history, 0, 5).await;
    live.pass(&line, 2_400).await;
    live.running.stop().await.unwrap();
    let lines = [Arc::new(with_twice_the_allowance(demo_line()))];
    let replay = Replay { lines: &lines, store: &*history, span: span(3_600) };
    let outcome = replay.run(&mut |_| {}).await.unwrap();
    let mut events = history.events(None, 1_000_000).await.unwrap();
    events.reverse();
    let then = occurrences(&events);
    let looked = Looked { window: span(3_600), fed_to: span(3_600).to() };
    let found = compare(&line, &then, &occurrences(&outcome.told[0]), (looked, &outcome.ground));
    let cold = found.iter().find(|one| one.alarm == "fryer-inlet-cold").unwrap();
    let (mut touched_kg, mut before_call_kg) = (0.0, 0.0);
    for one in &then["fryer-inlet-cold"] {
        let kept = |to| made(&line, &*history, (one.onset, to));
        touched_kg += kept(one.cleared.unwrap()).await.unwrap().unwrap().kg;
        before_call_kg += kept(one.raised).await.unwrap().unwrap().kg;
    }
    let risk = cold.at_risk_then.unwrap();
    assert!(before_call_kg > 10.0 && touched_kg > before_call_kg, "{before_call_kg} of {touched_kg} kg");
    assert!((risk.touched_kg - touched_kg).abs() < 0.02 * touched_kg, "{risk:?}, not {touched_kg} kg");
    assert!(
        (risk.before_call_kg - before_call_kg).abs() < 0.02 * touched_kg,
        "{risk:?}, not {before_call_kg} kg"
    );
    assert!(cold.at_risk_now.is_none_or(|now| now.before_call_kg > risk.before_call_kg), "{cold:?}");
    let turn = &cold.turns[0].turn;
    assert_eq!((turn.shift.as_deref(), turn.recipe.as_str()), (Some("C"), "blue-corn-rounds"));
}

/// The demo line, but for its fryer's recipe number, which a person enters.
fn line_whose_recipe_is_entered() -> Line {
    let mut line = demo_line();
    let number = line.signal_by_tag("AI-150").unwrap();
    let word = line.recipe_numbers.iter_mut().find(|word| word.numbers.len() == 2 && word.stations.len() > 2);
    word.unwrap().signal = number;
    line
}

async fn enter(live: &Live, line: &Line, tag: &str, value: f64) {
    tokio::time::sleep(BETWEEN_SCANS).await;
    let signal = line.signal_by_tag(tag).unwrap();
    let wish = EntryWish {
        entry: line.entries.iter().position(|entry| entry.signal == signal).unwrap(),
        typed: Typed::Number(value),
        taken: None,
        by: "Ana".to_owned(),
        about: None,
        note: None,
        corrects: None,
        seen: None,
        confirmed: true,
    };
    live.running.handle().enter(wish).await.unwrap();
    tokio::time::sleep(Duration::from_secs(1) - BETWEEN_SCANS).await;
}

/// What the replay of a window tells of alarms that are judged value by value, or against the recipe.
fn judged_soon(
    line: &Line,
    events: &[(i64, Event)],
    from: UtcMillis,
) -> Vec<(i64, String, String, Option<String>)> {
    use setward::alarm::Kind;
    let soon = |id: &str| {
        let kind = line.alarm_by_id(id).map(|id| line.alarm(id).settings.kind);
        matches!(kind, Some(Kind::Limit(_) | Kind::Deviation(_) | Kind::TimeWeighted(_) | Kind::Status(_)))
    };
    let of =
        |event: &Event| Some((event.utc.0, event.alarm.clone()?, event.what.clone(), event.note.clone()));
    let all = events.iter().filter(|(_, event)| event.utc >= from).filter_map(|(_, event)| of(event));
    all.filter(|(_, id, ..)| soon(id)).collect()
}

/// White-corn strips, chosen in the run before, on a line that makes blue-corn rounds: what is told is told against the strips, also of
/// a window that begins hours after the entry and after the start.
#[tokio::test(start_paused = true)]
async fn a_replay_holds_the_line_against_the_recipe_that_was_entered_before_its_window() {
    let line = Arc::new(line_whose_recipe_is_entered());
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let first = begin(&line, &history, 0, 5).await;
    first.pass(&line, 60).await;
    enter(&first, &line, "AI-150", 7.0).await;
    enter(&first, &line, "AI-451", 1.3).await;
    first.pass(&line, 1_800).await;
    first.running.stop().await.unwrap();
    let second = begin(&line, &history, 2_000, 6).await;
    second.pass(&line, 14_400).await;
    second.running.stop().await.unwrap();
    let live = live_events(&history).await;
    same(&replayed(line_whose_recipe_is_entered(), &history, 20_000).await.0, &live);

    // An hour to warm up, from two hours after the start on.
    let [fed, window] = [7_200, 10_800].map(|second| UtcMillis(START.0 + 1000 * second));
    let lines = [Arc::clone(&line)];
    let replay = Replay { lines: &lines, store: &*history, span: Span::new(fed, span(20_000).to()).unwrap() };
    let again = replay.run(&mut |_| {}).await.unwrap();
    let expected = judged_soon(&line, &live, window);
    assert!(expected.len() > 5, "{} events are too few to say anything", expected.len());
    assert_eq!(judged_soon(&line, &alarm_events(&again.told[0]), window), expected);
}
