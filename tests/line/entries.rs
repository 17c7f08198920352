//! What people enter, through the real line task, history and engine, in virtual time: taken, kept, told, restored.

use crate::support::{MemoryDial, demo_line};
use setward::cli::demo::rounds::Rounds;
use setward::clock::Clock;
use setward::entries::{DueView, EntryRefusal, EntryView, EntryWish, Taken, Typed};
use setward::history::sqlite::InlineStore;
use setward::history::{HistoryStore, Span};
use setward::protocol::{Mode, NoData, Reading, UtcMillis};
use setward::{Edges, Running, start};
use setward_config::line::Line;
use sim_plc::Simulator;
use std::sync::Arc;
use std::time::Duration;

/// 2026-01-05 06:00 UTC, midnight in Chicago: any Monday will do.
const START: UtcMillis = UtcMillis(1_767_592_800_000);

struct Bench {
    line: Arc<Line>,
    history: Arc<InlineStore>,
    simulator: Simulator,
}

impl Bench {
    fn new() -> Self {
        Self::of(demo_line())
    }

    fn of(line: Line) -> Self {
        let line = Arc::new(line);
        let simulator = Simulator::new(&line, 5);
        let stepped = simulator.clone();
        tokio::spawn(async move {
            let mut tick = tokio::time::interval(Duration::from_secs(1));
            loop {
                tick.tick().await;
                stepped.step(Duration::from_secs(1));
            }
        });
        Self { line, history: Arc::new(InlineStore::in_memory().unwrap()), simulator }
    }

    async fn run(&self, clock: Clock) -> Running {
        let dial = Arc::new(MemoryDial(self.simulator.clone()));
        let edges = Edges { dial, history: self.history.clone(), clock };
        start(Arc::clone(&self.line), edges).await.unwrap()
    }

    async fn enter(&self, running: &Running, tag: &str, typed: Typed) -> Result<Taken, EntryRefusal> {
        self.enter_as(running, tag, typed, |wish| wish).await
    }

    async fn enter_as(
        &self,
        running: &Running,
        tag: &str,
        typed: Typed,
        change: impl Fn(EntryWish) -> EntryWish,
    ) -> Result<Taken, EntryRefusal> {
        let wish = EntryWish {
            entry: self.place(tag),
            typed,
            taken: None,
            by: "Ana".to_owned(),
            about: None,
            note: None,
            corrects: None,
            seen: None,
            confirmed: false,
        };
        running.handle().enter(change(wish)).await
    }

    fn place(&self, tag: &str) -> usize {
        let signal = self.line.signal_by_tag(tag).unwrap();
        self.line.entries.iter().position(|entry| entry.signal == signal).unwrap()
    }

    fn view(&self, running: &Running, tag: &str) -> EntryView {
        running.handle().snapshot().entries[self.place(tag)].clone()
    }

    fn reading(&self, running: &Running, tag: &str) -> Reading {
        let signal = self.line.signal_by_tag(tag).unwrap();
        running.handle().snapshot().signal(signal).unwrap().reading
    }

    /// What the alarm told, with the seconds from the start.
    async fn story(&self, alarm: &str) -> Vec<(f64, String)> {
        let events = self.history.events(Some(alarm.to_owned()), 100).await.unwrap();
        let told = |one: &setward::history::StoredEvent| {
            ((one.event.utc.0 - START.0) as f64 / 1000.0, one.event.what.clone())
        };
        events.iter().rev().map(told).collect()
    }
}

async fn pass(seconds: u64) {
    tokio::time::sleep(Duration::from_secs(seconds)).await;
}

fn near(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{found} is not within {within} of {expected}");
}

#[tokio::test(start_paused = true)]
async fn an_entry_is_kept_before_it_is_answered_and_is_a_reading_like_any_other() {
    let bench = Bench::new();
    let running = bench.run(Clock::starting_at(START)).await;
    pass(600).await;
    let taken = bench.enter(&running, "AI-451", Typed::Number(13.0)).await.unwrap_err();
    assert!(matches!(taken, EntryRefusal::Asked { meant: Some(1.3), .. }), "{taken:?}");
    let taken = bench
        .enter_as(&running, "AI-451", Typed::Number(13.0), |wish| EntryWish { confirmed: true, ..wish })
        .await
        .unwrap();
    assert!(taken.durable);
    let kept = bench.history.entries(None, 10).await.unwrap();
    assert_eq!(kept, std::slice::from_ref(&taken.entry), "on disk already");
    assert_eq!(bench.reading(&running, "AI-451"), Reading::Good(13.0));
    pass(60).await;
    let right = |wish| EntryWish { corrects: Some(1), note: Some("slip".to_owned()), ..wish };
    let corrected = bench.enter_as(&running, "AI-451", Typed::Number(1.3), right).await.unwrap();
    assert_eq!((corrected.entry.n, corrected.entry.taken), (2, taken.entry.taken));
    assert_eq!(bench.reading(&running, "AI-451"), Reading::Good(1.3));
    let view = bench.view(&running, "AI-451");
    assert_eq!((view.rows.len(), view.is_corrected(1), view.last().unwrap().n), (2, true, 2));
    running.stop().await.unwrap();
    let span = Span::new(START, UtcMillis(START.0 + 3_600_000)).unwrap();
    let kept = bench.history.exact(vec!["AI-451".to_owned()], span).await.unwrap();
    let readings: Vec<Reading> = kept[0].samples.iter().map(|sample| sample.reading).collect();
    let expected = [Reading::Good(13.0), Reading::Bad(NoData::TakenBack), Reading::Good(1.3)];
    assert_eq!(readings, expected, "a point each, and what was taken back is seen");
    let audit = bench.history.audit_trail(10).await.unwrap();
    assert_eq!(audit.len(), 2);
    assert_eq!(audit[0].entry.old.as_deref(), Some("13 (entry 1)"));
    let story = bench.story("finished-moisture-off-specification").await;
    assert_eq!(story.iter().map(|(_, what)| what.as_str()).collect::<Vec<_>>(), ["raised", "cleared"]);
    near(story[0].0, 600.0, 1.0);
    near(story[1].0, 660.0, 1.0);
}

#[tokio::test(start_paused = true)]
async fn a_check_that_is_missed_calls_after_70_min_and_one_that_fails_does_not_help() {
    let bench = Bench::new();
    let running = bench.run(Clock::starting_at(START)).await;
    pass(120).await;
    bench.enter(&running, "XI-455", Typed::Check(true)).await.unwrap();
    pass(3_000).await;
    bench.enter(&running, "XI-455", Typed::Check(false)).await.unwrap();
    let due = bench.view(&running, "XI-455").due;
    assert!(matches!(due, DueView::At(_)), "a failed check was a check: {due:?}");
    pass(1_300).await;
    let alarm = "detector-check-overdue";
    let story = bench.story(alarm).await;
    assert_eq!(story.len(), 1, "{story:?}");
    near(story[0].0, 120.0 + 4_200.0, 1.0);
    bench.enter(&running, "XI-455", Typed::Check(true)).await.unwrap();
    pass(5).await;
    let story = bench.story(alarm).await;
    assert_eq!((story.len(), story[1].1.as_str()), (2, "cleared"), "with the entry, not ten seconds later");
    running.stop().await.unwrap();
}

#[tokio::test(start_paused = true)]
async fn entries_their_numbers_and_the_age_of_a_check_outlive_a_restart() {
    let bench = Bench::new();
    let clock = Clock::starting_at(START);
    let running = bench.run(clock).await;
    pass(60).await;
    bench.enter(&running, "XI-455", Typed::Check(true)).await.unwrap();
    bench.enter(&running, "AI-451", Typed::Number(1.65)).await.unwrap();
    running.stop().await.unwrap();
    pass(600).await;
    let running = bench.run(Clock::starting_at(clock.utc())).await;
    pass(30).await;
    assert_eq!(bench.reading(&running, "AI-451"), Reading::Good(1.65));
    let Reading::Good(age_min) = bench.reading(&running, "KY-455") else { panic!() };
    near(age_min, 630.0 / 60.0, 0.3);
    // The second in a row that is out, the first having been entered before the restart.
    let second = bench.enter(&running, "AI-451", Typed::Number(1.7)).await.unwrap();
    assert_eq!(second.entry.n, 3);
    pass(5).await;
    let story = bench.story("finished-moisture-out").await;
    assert_eq!(story.iter().map(|(_, what)| what.as_str()).collect::<Vec<_>>(), ["raised"], "{story:?}");
    near(story[0].0, 690.0, 2.0);
    running.stop().await.unwrap();
}

/// Finished moisture each half hour of running: due, then overdue, and asked for no more once it is entered.
#[tokio::test(start_paused = true)]
async fn what_is_due_is_told_by_running_time() {
    let bench = Bench::new();
    let running = bench.run(Clock::starting_at(START)).await;
    let due = |minutes: i64| UtcMillis(START.0 + minutes * 60_000);
    let is_near = |found: DueView, at: UtcMillis, overdue: bool| {
        let (since, late) = match found {
            DueView::Since(at) => (at, false),
            DueView::Overdue(at) => (at, true),
            DueView::NotAsked | DueView::At(_) => panic!("{found:?}"),
        };
        assert_eq!(late, overdue);
        assert!((since.0 - at.0).abs() < 5_000, "{since:?} for {at:?}");
    };
    pass(31 * 60).await;
    is_near(bench.view(&running, "AI-451").due, due(30), false);
    pass(10 * 60).await;
    is_near(bench.view(&running, "AI-451").due, due(30), true);
    bench.enter(&running, "AI-451", Typed::Number(1.3)).await.unwrap();
    assert!(matches!(bench.view(&running, "AI-451").due, DueView::At(_)));
    let late_s = bench.view(&running, "AI-451").last().unwrap().late_s;
    near(late_s, 660.0, 5.0);
    running.stop().await.unwrap();
}

/// Lime is asked for with each batch; the oldest corn's age is that of the tank board.
#[tokio::test(start_paused = true)]
async fn a_batch_asks_for_its_lime_and_the_tanks_give_their_ages() {
    let bench = Bench::new();
    let running = bench.run(Clock::starting_at(START)).await;
    pass(4 * 3600).await;
    let asked: Vec<String> =
        ["WI-101", "WI-111"].iter().flat_map(|tag| bench.view(&running, tag).awaited_for).collect();
    assert!(asked.len() >= 4, "four hours are five or six batches: {asked:?}");
    let _looked = running.handle().snapshot();
    pass(20).await;
    let snapshot = running.handle().snapshot();
    let board = &snapshot.following.tanks;
    let known = board.iter().find(|view| view.row.oldest_s.is_some()).expect("a tank was filled");
    let tag = format!("KY-{}", 131 + known.tank);
    let Reading::Good(age_h) = bench.reading(&running, &tag) else { panic!("{tag} has no value") };
    near(age_h * 3600.0, known.row.oldest_s.unwrap(), 20.0);
    running.stop().await.unwrap();
}

/// The demo's crew on its rounds: everything that is due is entered, nobody is called, and the same seed enters the same.
#[tokio::test(start_paused = true)]
async fn a_crew_on_its_rounds_keeps_the_line_quiet() {
    let bench = Bench::new();
    let clock = Clock::starting_at(START);
    let running = bench.run(clock).await;
    let handle = running.handle();
    let mut rounds = Rounds::new(&bench.line, 29);
    for _ in 0..180 {
        pass(60).await;
        rounds.make(&bench.line, &handle, clock.utc(), "Ana").await;
    }
    let kept = bench.history.entries(None, 1_000).await.unwrap();
    let count = |tag: &str| kept.iter().filter(|entry| entry.tag == tag && entry.corrects.is_none()).count();
    assert!((4..=6).contains(&count("AI-451")), "each half hour: {}", count("AI-451"));
    assert!((2..=3).contains(&count("XI-455")) && count("WI-101") >= 1, "{kept:?}");
    // The oil of yesterday afternoon was due before anybody watched.
    let in_time = |entry: &setward::history::StoredEntry| entry.tag == "AI-310" || entry.late_s < 3_000.0;
    assert!(kept.iter().all(in_time), "{kept:?}");
    for alarm in
        ["detector-check-overdue", "finished-moisture-out", "lime-dose-out.WI-101", "piece-weight-out"]
    {
        assert!(bench.story(alarm).await.is_empty(), "{alarm}");
    }
    running.stop().await.unwrap();
}

/// A line whose fryer has no recipe number in a controller: people enter it. It counts at once, is a changeover, holds over a
/// restart without being one again, and a number without a recipe changes nothing.
#[tokio::test(start_paused = true)]
async fn a_person_chooses_the_recipe_where_no_controller_has_its_number() {
    let mut line = demo_line();
    let number = line.signal_by_tag("AI-150").unwrap();
    let word = line.recipe_numbers.iter_mut().find(|word| word.numbers.len() == 2 && word.stations.len() > 2);
    word.unwrap().signal = number;
    let fryer = line.stations.iter().position(|station| station.key == "fryer").unwrap();
    let bench = Bench::of(line);
    let choose = async |running: &Running, number: f64| {
        let meant = |wish| EntryWish { confirmed: true, ..wish };
        bench.enter_as(running, "AI-150", Typed::Number(number), meant).await.unwrap();
        pass(3).await;
    };
    let fryer_now = |running: &Running| {
        let station = running.handle().snapshot().stations[fryer];
        (bench.line.recipes[station.recipe.unwrap()].key.clone(), station.mode)
    };
    let told = async || {
        let events = bench.history.events(None, 1_000).await.unwrap();
        let own = events.iter().rev().filter(|one| one.event.what.starts_with("recipe"));
        let own = own.filter(|one| one.event.note.as_deref().is_some_and(|note| note.contains("AI-150")));
        own.map(|one| one.event.what.clone()).collect::<Vec<String>>()
    };
    let clock = Clock::starting_at(START);
    let running = bench.run(clock).await;
    pass(120).await;
    assert_eq!(fryer_now(&running), ("blue-corn-rounds".to_owned(), Mode::Run));
    choose(&running, 7.0).await;
    assert_eq!(fryer_now(&running), ("white-corn-strips".to_owned(), Mode::Changeover));
    assert_eq!(told().await, ["recipe"]);
    choose(&running, 5.0).await;
    assert_eq!(fryer_now(&running).0, "white-corn-strips", "no recipe has this number");
    assert_eq!(told().await, ["recipe", "recipe unknown"]);
    choose(&running, 7.0).await;
    running.stop().await.unwrap();
    // A day later, long after an entry without a time to be due is believed.
    pass(90_000).await;
    let running = bench.run(Clock::starting_at(clock.utc())).await;
    pass(5).await;
    let (recipe, mode) = fryer_now(&running);
    assert_eq!(recipe, "white-corn-strips");
    assert_ne!(mode, Mode::Changeover, "it has been running");
    choose(&running, 3.0).await;
    assert_eq!(fryer_now(&running), ("blue-corn-rounds".to_owned(), Mode::Changeover));
    running.stop().await.unwrap();
}

/// Lime is asked for when a kettle is dosed, moisture after half an hour of running: a reload in between forgets neither.
#[tokio::test(start_paused = true)]
async fn what_was_asked_for_before_a_reload_is_asked_for_still() {
    let bench = Bench::new();
    let clock = Clock::starting_at(START);
    let running = bench.run(clock).await;
    pass(3 * 3600).await;
    let dues = |running: &Running| {
        ["WI-101", "WI-111", "AI-150"].map(|tag| {
            let view = bench.view(running, tag);
            (view.due, view.awaited_for)
        })
    };
    let before = dues(&running);
    assert!(before.iter().any(|(_, awaited)| !awaited.is_empty()), "{before:?}");
    bench.enter(&running, "AI-451", Typed::Number(1.3)).await.unwrap();
    pass(20 * 60).await;
    let before = dues(&running);
    running.stop().await.unwrap();
    let running = bench.run(Clock::starting_at(clock.utc())).await;
    pass(15).await;
    for ((due, awaited), (due_before, awaited_before)) in dues(&running).into_iter().zip(before) {
        assert_eq!(awaited, awaited_before);
        match (due, due_before) {
            (DueView::Overdue(at), DueView::Overdue(before))
            | (DueView::Since(at), DueView::Since(before)) => {
                assert!((at.0 - before.0).abs() < 3_000, "{at:?} {before:?}");
            }
            (due, before) => assert_eq!(due, before),
        }
    }
    let DueView::At(due) = bench.view(&running, "AI-451").due else { panic!() };
    near((due.0 - START.0) as f64 / 60_000.0, 210.0, 1.0);
    running.stop().await.unwrap();
}
