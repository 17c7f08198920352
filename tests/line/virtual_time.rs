//! The real poller, engine and history against the simulator, over memory, under a paused clock.

use crate::support::{
    AUTOMATIC, MemoryDial, Registers, ScriptedDial, demo_line, fryer_only, heartbeat, right_answer,
};
use setward::alarm::Kind;
use setward::clock::Clock;
use setward::entries::{EntryWish, Typed};
use setward::handle::LineHandle;
use setward::history::sqlite::InlineStore;
use setward::history::{HistoryStore, StoredEvent};
use setward::poll::dial::Dial;
use setward::protocol::{Reading, Table, UtcMillis};
use setward::{Edges, Running, start};
use setward_config::line::{Line, LineAlarm, LineSignal, Origin, RecipeSetpoint, Role};
use sim_plc::{Operation, Scenario, Simulator};
use std::sync::Arc;
use std::time::Duration;
use tokio::time::Instant;

/// 2026-01-05 00:00 UTC: any Monday will do.
const START: UtcMillis = UtcMillis(1_767_571_200_000);

async fn begin<D: Dial + 'static>(line: Line, dial: D) -> (Running, Arc<InlineStore>) {
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let edges = Edges { dial: Arc::new(dial), history: history.clone(), clock: Clock::starting_at(START) };
    let line = Arc::new(line);
    let running = start(Arc::clone(&line), edges).await.unwrap();
    tokio::spawn(check_detector(line, running.handle()));
    (running, history)
}

/// Packing checks its metal detector every half hour, so that nobody is called for that.
async fn check_detector(line: Arc<Line>, handle: LineHandle) {
    let tag = line.signal_by_tag("XI-455").unwrap();
    let Some(entry) = line.entries.iter().position(|entry| entry.signal == tag) else { return };
    let wish = EntryWish {
        entry,
        typed: Typed::Check(true),
        taken: None,
        by: "Ana".to_owned(),
        about: None,
        note: None,
        corrects: None,
        seen: None,
        confirmed: true,
    };
    while handle.enter(wish.clone()).await.is_ok() {
        tokio::time::sleep(Duration::from_secs(1_800)).await;
    }
}

/// Events of one alarm, oldest first: what happened, and when in seconds of the run.
async fn story(history: &InlineStore, alarm: &str) -> Vec<(String, f64)> {
    let mut events: Vec<StoredEvent> = history.events(Some(alarm.to_owned()), 100).await.unwrap();
    events.reverse();
    events.into_iter().map(|stored| (stored.event.what, stored.event.at.as_secs_f64())).collect()
}

fn close(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{found} s, expected {expected} s");
}

/// A fryer whose inlet reads 182.0 degC, then 176.0 from 60 s to 180 s, then 182.0 again; everything else is zero but
/// the heartbeat.
#[tokio::test(start_paused = true)]
async fn a_time_weighted_alarm_raises_and_clears_at_the_computed_second() {
    let begun = Instant::now();
    let registers = move |table: Table, address: u16| {
        let second = begun.elapsed().as_secs();
        match (table, address) {
            (Table::Holding, 100) if (60..180).contains(&second) => 1760,
            (Table::Holding, 100) => 1820,
            (Table::Holding, 113) => AUTOMATIC,
            (Table::Holding, 181) => heartbeat(second),
            _ => 0,
        }
    };
    let script =
        Arc::new(move |request: &[u8]| Some((Duration::ZERO, right_answer(request, &Registers(registers)))));
    let (running, history) = begin(fryer_only(demo_line()), ScriptedDial(script)).await;
    tokio::time::sleep(Duration::from_secs(600)).await;
    let summary = running.stop().await.unwrap();

    // The line from 182 (sample at `before`) to 176 one poll later leaves tolerance (179) in the middle of the step and
    // gains 0.75 K.s on the way; then 3 K a second until 240 K.s. Poll phase: the scripted step is met by the next poll.
    let samples =
        history.samples("TT-310".to_owned(), UtcMillis(0), UtcMillis(i64::MAX), 10_000).await.unwrap();
    let first_cold = samples.iter().find(|sample| sample.reading == Reading::Good(176.0)).unwrap();
    let cold_from = (first_cold.utc.0 - START.0) as f64 / 1000.0;
    let story = story(&history, "fryer-inlet-cold").await;
    assert_eq!(story.len(), 2, "{story:?}");
    assert_eq!((story[0].0.as_str(), story[1].0.as_str()), ("raised", "cleared"));
    close(story[0].1, cold_from + (240.0 - 0.75) / 3.0, 0.01);

    let first_warm = samples.iter().filter(|sample| sample.utc > first_cold.utc);
    let first_warm = first_warm.clone().find(|sample| sample.reading == Reading::Good(182.0)).unwrap();
    let warm_from = (first_warm.utc.0 - START.0) as f64 / 1000.0;
    let share = (0.75 + 3.0 * (warm_from - 1.0 - cold_from) + 0.75) / 240.0;
    close(story[1].1, warm_from - 0.5 + 90.0 * (share / 0.5).ln(), 0.01);
    // Zero registers are a cold outlet and no flow, and the other controllers are lost: those alarms are right to raise.
    assert_eq!(summary.alarms_raised, called_for(&history).await.len() as u64);
}

/// Raises for which somebody was called: the alarm, and the second of the run.
async fn called_for(history: &InlineStore) -> Vec<(String, u64)> {
    let events = history.events(None, 10_000).await.unwrap().into_iter().map(|stored| stored.event);
    let raised = events.filter(|event| event.what == "raised" && event.note.is_none());
    let mut raised: Vec<_> =
        raised.map(|event| (event.alarm.unwrap_or_default(), event.at.as_secs_f64() as u64)).collect();
    raised.reverse();
    raised
}

/// Steps the simulator along with virtual time, ten times a second.
fn keep_stepping(simulator: Simulator) {
    tokio::spawn(async move {
        let mut tick = tokio::time::interval(Duration::from_millis(100));
        loop {
            tick.tick().await;
            simulator.step(Duration::from_millis(100));
        }
    });
}

/// Walks every stored segment in small steps: the plainest model of the rule, from the samples that were delivered.
fn naive_story(
    samples: &[(f64, f64)],
    setpoint: f64,
    tolerance: f64,
    allowance: f64,
    recovery_s: f64,
) -> Vec<(&'static str, f64)> {
    let (mut area, mut active, mut story) = (0.0_f64, false, Vec::new());
    for pair in samples.windows(2).filter(|pair| pair[1].0 - pair[0].0 <= 3.0) {
        let step = (pair[1].0 - pair[0].0) / 1000.0;
        for index in 0..1000 {
            let value = pair[0].1 + (pair[1].1 - pair[0].1) * (f64::from(index) + 0.5) / 1000.0;
            let beyond = setpoint - value - tolerance;
            area = if beyond > 0.0 { area + beyond * step } else { area * (-step / recovery_s).exp() };
            let at = pair[0].0 + step * f64::from(index + 1);
            if !active && area >= allowance {
                active = true;
                story.push(("raised", at));
            } else if active && beyond <= 0.0 && area <= 0.5 * allowance {
                active = false;
                story.push(("cleared", at));
            }
        }
    }
    story
}

/// One round of the demo's fault script, with the simulator's physics, noise and all three controllers.
#[tokio::test(start_paused = true)]
async fn the_demo_script_raises_the_cold_fryer_alarm_and_the_engine_agrees_with_a_naive_model() {
    let line = demo_line();
    let simulator = Simulator::new(&line, 1);
    simulator.run_scenario(Scenario::demo());
    keep_stepping(simulator.clone());
    let (running, history) = begin(line, MemoryDial(simulator)).await;
    tokio::time::sleep(Duration::from_secs(900)).await;
    let summary = running.stop().await.unwrap();

    let samples =
        history.samples("TT-310".to_owned(), UtcMillis(0), UtcMillis(i64::MAX), 10_000).await.unwrap();
    let good: Vec<(f64, f64)> = samples
        .iter()
        .filter_map(|sample| Some(((sample.utc.0 - START.0) as f64 / 1000.0, sample.reading.good()?)))
        .collect();
    assert!(good.len() > 850, "{} good samples in 900 s", good.len());
    let expected = naive_story(&good, 182.0, 3.0, 240.0, 90.0);
    let found = story(&history, "fryer-inlet-cold").await;
    assert_eq!(found.len(), 2, "{found:?}");
    for ((word, at), (expected_word, expected_at)) in found.iter().zip(&expected) {
        assert_eq!(word, expected_word);
        // Stored wall times are whole milliseconds; the model walks in milliseconds too.
        close(*at, *expected_at, 0.05);
    }
    assert_eq!(found.len(), expected.len(), "{expected:?}");
    assert_eq!(summary.samples_lost, 0);
    assert!(summary.samples_stored > 17_000, "{summary}");
}

#[tokio::test(start_paused = true)]
async fn an_undisturbed_line_raises_nothing_in_an_hour_and_stays_good() {
    let line = demo_line();
    // What people enter, and ages of corn that nobody has seen cooked, are not known within an hour: not good, not bad.
    let of_the_plant =
        |signal: &&LineSignal| matches!(signal.origin, Origin::Register(_) | Origin::Derived(_));
    let count = line.signals.iter().filter(of_the_plant).count();
    let simulator = Simulator::new(&line, 7);
    keep_stepping(simulator.clone());
    let (running, history) = begin(line, MemoryDial(simulator)).await;
    tokio::time::sleep(Duration::from_secs(3600)).await;
    let summary = running.stop().await.unwrap();
    assert_eq!(called_for(&history).await, []);
    assert_eq!(summary.alarms_raised, 0);
    assert!(summary.signals_good >= count, "{summary}");
    assert_eq!(summary.signals_bad, 0);
}

/// Two runs of one seed: every stored event and reading of the fryer inlet alike.
#[tokio::test(start_paused = true)]
async fn the_same_seed_gives_the_same_history() {
    let mut histories = Vec::new();
    for _ in 0..2 {
        let line = demo_line();
        let simulator = Simulator::new(&line, 42);
        simulator.run_scenario(Scenario::demo());
        let stepping = simulator.clone();
        let (running, history) = begin(line, MemoryDial(simulator)).await;
        for _ in 0..4000 {
            tokio::time::sleep(Duration::from_millis(100)).await;
            stepping.step(Duration::from_millis(100));
        }
        running.stop().await.unwrap();
        let samples =
            history.samples("TT-310".to_owned(), UtcMillis(0), UtcMillis(i64::MAX), 10_000).await.unwrap();
        histories.push((samples, history.events(None, 1000).await.unwrap()));
    }
    assert!(histories[0].0.len() > 390);
    assert_eq!(histories[0], histories[1]);
}

/// A daemon that is stopped in the middle of a build-up and started again on the same history.
#[tokio::test(start_paused = true)]
async fn a_restart_keeps_exposure_occurrence_and_acknowledgement() {
    let script = |inlet: u16| {
        let begun = Instant::now();
        Arc::new(move |request: &[u8]| {
            let registers = |table: Table, address: u16| match (table, address) {
                (Table::Holding, 100) => inlet,
                (Table::Holding, 113) => AUTOMATIC,
                (Table::Holding, 181) => heartbeat(begun.elapsed().as_secs()),
                _ => 0,
            };
            Some((Duration::ZERO, right_answer(request, &Registers(registers))))
        })
    };
    let line = Arc::new(fryer_only(demo_line()));
    let alarm = line.alarm_by_id("fryer-inlet-cold").unwrap();
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let run = async |inlet: u16, seconds: u64| {
        let clock = Clock::starting_at(START);
        let edges = Edges { dial: Arc::new(ScriptedDial(script(inlet))), history: history.clone(), clock };
        let running = start(Arc::clone(&line), edges).await.unwrap();
        tokio::time::sleep(Duration::from_secs(seconds)).await;
        running
    };
    // 40 s at -6 K: half the allowance.
    let first = run(1760, 40).await;
    let before = first.handle().snapshot().alarm(alarm).unwrap().exposure.unwrap();
    close(before, 0.49, 0.03);
    first.stop().await.unwrap();
    // The outage counts as unknown: another 42 s raise it, as occurrence 1.
    let second = run(1760, 43).await;
    let handle = second.handle();
    let snapshot = handle.snapshot();
    assert_eq!(
        (snapshot.alarm(alarm).unwrap().state.letter(), snapshot.alarm(alarm).unwrap().occurrence),
        ('B', 1)
    );
    let wish = setward::handle::WishRequest {
        alarm,
        run: snapshot.run,
        occurrence: 1,
        by: "night shift".to_owned(),
        why: None,
        wish: setward::handle::Wish::Acknowledge,
    };
    let acknowledged = handle.ask(wish.clone()).await.unwrap();
    assert!(acknowledged.durable && !acknowledged.already);
    assert!(handle.ask(wish).await.unwrap().already);
    second.stop().await.unwrap();
    // Warm again, a third run: still acknowledged, then clears; the number goes on with the next raise.
    let third = run(1820, 5).await;
    let snapshot = third.handle().snapshot();
    let view = snapshot.alarm(alarm).unwrap();
    assert_eq!((view.state.letter(), view.occurrence), ('C', 1));
    assert_eq!(view.acknowledged.as_ref().unwrap().1, "night shift");
    tokio::time::sleep(Duration::from_secs(120)).await;
    assert_eq!(third.handle().snapshot().alarm(alarm).unwrap().state.letter(), 'A');
    third.stop().await.unwrap();
}

/// An on-delay that runs when its run stops in order, as for a reload, goes on in the next; under other settings it begins anew.
#[tokio::test(start_paused = true)]
async fn a_delay_under_way_goes_on_after_a_reload_and_begins_anew_when_the_alarm_has_changed() {
    let script = || {
        let begun = Instant::now();
        Arc::new(move |request: &[u8]| {
            let registers = |_: Table, address: u16| match address {
                113 => AUTOMATIC,
                181 => heartbeat(begun.elapsed().as_secs()),
                // Cold oil, no flow: some limit is passed.
                _ => 0,
            };
            Some((Duration::ZERO, right_answer(request, &Registers(registers))))
        })
    };
    let on_delay = |alarm: &LineAlarm| {
        let Kind::Limit(limit) = alarm.settings.kind else { return None };
        (20..=600).contains(&limit.on_delay.as_secs()).then_some(limit.on_delay)
    };
    for changes in [false, true] {
        let line = fryer_only(demo_line());
        let history = Arc::new(InlineStore::in_memory().unwrap());
        let run = async |line: &Line, span: Duration| {
            let clock = Clock::starting_at(START);
            let edges = Edges { dial: Arc::new(ScriptedDial(script())), history: history.clone(), clock };
            let running = start(Arc::new(line.clone()), edges).await.unwrap();
            tokio::time::sleep(span).await;
            running
        };
        let first = run(&line, Duration::from_secs(15)).await;
        let snapshot = first.handle().snapshot();
        let (alarm, delay) = line
            .alarms_with_ids()
            .filter_map(|(id, alarm)| Some((id, on_delay(alarm)?)))
            .find(|(id, _)| {
                let view = snapshot.alarm(*id).unwrap();
                view.state.letter() == 'A' && view.beyond_since.is_some()
            })
            .expect("a limit with a delay that runs");
        tokio::time::sleep(delay.mul_f64(0.6).saturating_sub(Duration::from_secs(15))).await;
        first.stop().await.unwrap();
        let mut next = line.clone();
        if changes {
            next.alarms[alarm.index()].settings.settle += Duration::from_secs(1);
        }
        let second = run(&next, delay.mul_f64(0.6)).await;
        let letter = second.handle().snapshot().alarm(alarm).unwrap().state.letter();
        let raised = letter != 'A';
        assert_eq!(raised, !changes, "{} {letter}", line.alarm(alarm).id);
        second.stop().await.unwrap();
    }
}

/// A run that is dropped where it stands, as by a power cut, and one that is stopped in order.
#[tokio::test(start_paused = true)]
async fn a_start_says_whether_the_run_before_was_cut_off() {
    let line = Arc::new(fryer_only(demo_line()));
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let begin = async || {
        let dial = MemoryDial(Simulator::new(&line, 1));
        let edges =
            Edges { dial: Arc::new(dial), history: history.clone(), clock: Clock::starting_at(START) };
        let running = start(Arc::clone(&line), edges).await.unwrap();
        tokio::time::sleep(Duration::from_secs(5)).await;
        let events = history.events(None, 100).await.unwrap();
        let started = events.into_iter().find(|stored| stored.event.what == "started").unwrap();
        (running, started.event.note.unwrap().contains("without being stopped"))
    };
    let (first, cut_off) = begin().await;
    assert!(!cut_off);
    drop(first);
    let (second, cut_off) = begin().await;
    assert!(cut_off);
    second.stop().await.unwrap();
    let (third, cut_off) = begin().await;
    assert!(!cut_off);
    third.stop().await.unwrap();
}

/// Runs the whole line from its steady state through `operations`, each begun at its second; gives who was called.
async fn operated(operations: &[(u64, Operation)], seconds: u64) -> Vec<(String, u64)> {
    operated_with(None, operations, seconds).await
}

async fn operated_with(
    fault: Option<&str>,
    operations: &[(u64, Operation)],
    seconds: u64,
) -> Vec<(String, u64)> {
    let line = demo_line();
    let simulator = Simulator::new(&line, 11);
    if let Some(fault) = fault {
        simulator.inject(fault.parse().unwrap()).unwrap();
    }
    keep_stepping(simulator.clone());
    let (running, history) = begin(line, MemoryDial(simulator.clone())).await;
    let mut now = 0;
    for &(at, operation) in operations {
        tokio::time::sleep(Duration::from_secs(at - now)).await;
        now = at;
        simulator.operate(operation);
    }
    tokio::time::sleep(Duration::from_secs(seconds - now)).await;
    running.stop().await.unwrap();
    called_for(&history).await
}

#[tokio::test(start_paused = true)]
async fn a_boil_out_and_the_heat_up_after_it_call_nobody() {
    let operations = [(300, Operation::Stop), (2_100, Operation::BoilOut), (9_300, Operation::Run)];
    assert_eq!(operated(&operations, 18_000).await, []);
}

#[tokio::test(start_paused = true)]
async fn a_stopped_line_calls_nobody_and_neither_does_its_start() {
    let operations = [(300, Operation::Stop), (7_500, Operation::Run)];
    assert_eq!(operated(&operations, 14_400).await, []);
}

/// Ten minutes without feed: only the gap itself is told, after its ninety seconds; no oven and no fryer temperature is.
#[tokio::test(start_paused = true)]
async fn a_gap_in_the_feed_has_one_alarm_and_no_temperature_does() {
    let operations = [(300, Operation::StopFeed), (900, Operation::Run)];
    let called: Vec<String> =
        operated(&operations, 3_600).await.into_iter().map(|(alarm, _)| alarm).collect();
    assert_eq!(called, ["feed-gap-long"]);
}

/// The same boil-out, but the dry-out is skipped: the oil that is heated too fast while it may be wet has its alarm.
#[tokio::test(start_paused = true)]
async fn a_heat_up_after_a_boil_out_that_skips_the_dry_out_is_told() {
    let operations = [(300, Operation::Stop), (2_100, Operation::BoilOut), (9_300, Operation::Run)];
    let called = operated_with(Some("dry-out-skipped"), &operations, 14_400).await;
    let ids: Vec<&str> = called.iter().map(|(alarm, _)| alarm.as_str()).collect();
    assert_eq!(ids, ["wet-oil-heat-up"]);
}

/// Somebody chooses the other recipe at the fryer panel after five minutes, and its setpoints if `turned`; gives who was
/// called, and what the run said of recipes and modes of the fryer.
async fn changed_over(turned: bool, seconds: u64) -> (Vec<(String, u64)>, Vec<(String, u64)>) {
    let line = demo_line();
    let simulator = Simulator::new(&line, 11);
    keep_stepping(simulator.clone());
    let (running, history) = begin(line.clone(), MemoryDial(simulator.clone())).await;
    tokio::time::sleep(Duration::from_secs(300)).await;
    simulator.inject("shows XI-393 7".parse().unwrap()).unwrap();
    let white = line.recipes.iter().find(|recipe| recipe.key == "white-corn-strips").unwrap();
    let entered = white.setpoints.iter().filter(|asked| line.signal(asked.signal).role == Role::Setpoint);
    let of_line = |asked: &&RecipeSetpoint| line.signal(asked.signal).station != line.signals[0].station;
    for asked in entered.filter(of_line).filter(|_| turned) {
        let fault = format!("setpoint-turned {} {}", line.signal(asked.signal).tag, asked.target.setpoint);
        simulator.inject(fault.parse().unwrap()).unwrap();
    }
    tokio::time::sleep(Duration::from_secs(seconds - 300)).await;
    running.stop().await.unwrap();
    let events = history.events(None, 10_000).await.unwrap().into_iter().rev().map(|stored| stored.event);
    let told = events.filter_map(|event| {
        let note =
            event.note.filter(|note| note.starts_with("fryer:") || event.what.starts_with("recipe"))?;
        Some((note, event.at.as_secs_f64() as u64))
    });
    let told = told.collect();
    (called_for(&history).await, told)
}

/// No setpoint of the seasoning is read, so nobody here could set it: once the time for the changeover is up, it is told.
#[tokio::test(start_paused = true)]
async fn a_changeover_calls_for_nothing_that_was_set_and_ends_early_where_all_is_within() {
    let (called, told) = changed_over(true, 2_400).await;
    let [(alarm, at)] = called.as_slice() else { panic!("{called:?}") };
    assert_eq!(alarm, "seasoning-ratio-low");
    assert!(*at > 305 + 20 * 60, "it waits for the end of the changeover: {at}");
    let notes: Vec<&str> = told.iter().map(|(note, _)| note.as_str()).collect();
    let stations = "wash, mill, sheeter, oven, equilibrator, fryer, cooling, seasoning, packing";
    let first_look = format!("blue-corn-rounds: XI-393 says 3; {stations}");
    let change = format!("white-corn-strips: XI-393 says 7, before it 3; {stations}");
    let cook = "blue-corn-rounds: XI-123 says 3; kettle";
    assert_eq!(
        notes,
        [first_look.as_str(), cook, &change, "fryer: run to changeover", "fryer: changeover to run"]
    );
    let [.., (_, begins), (_, ends)] = told.as_slice() else { panic!("{told:?}") };
    assert!((305..=308).contains(begins) && (begins + 30..begins + 1_100).contains(ends), "{told:?}");
}

/// The number alone: each setpoint that nobody turned is told when the time is up, and the fryer is too cold for the recipe.
#[tokio::test(start_paused = true)]
async fn a_recipe_number_without_its_setpoints_is_told_setpoint_by_setpoint() {
    let (called, _) = changed_over(false, 2_400).await;
    let ids: Vec<&str> = called.iter().map(|(alarm, _)| alarm.as_str()).collect();
    assert!(called.iter().all(|(_, at)| *at >= 305 + 20 * 60), "{called:?}");
    for loop_tag in ["TIC-201-SP", "TIC-310-SP", "KIC-220-SP"] {
        assert!(ids.contains(&format!("setpoint-not-recipe.{loop_tag}").as_str()), "{called:?}");
    }
    assert!(ids.contains(&"fryer-inlet-cold"), "{called:?}");
}
