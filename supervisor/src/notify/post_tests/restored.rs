//! The task over a history that was put back from a copy: what was kept of what was told belongs to another one.

use super::*;

impl Bench {
    /// Stops telling, and gives another history the place of this one.
    async fn is_put_over(&mut self, store: InlineStore) {
        std::mem::take(&mut self.notifier).stop().await;
        self.store = Arc::new(store);
        self.run_begins().await;
    }

    async fn run_begins(&mut self) {
        let new = NewRun::of(&self.line, self.clock.utc(), "0");
        self.run = self.store.start_run(new).await.unwrap();
        (self.sequence, self.alarms) = (0, Vec::new());
        self.publish.send(Arc::new(snapshot(&self.line, self.run, &[]))).unwrap();
    }
}

fn lines(log: &Log) -> Vec<String> {
    log.lock().unwrap().iter().map(|(_, message)| message.line.clone()).collect()
}

#[tokio::test(start_paused = true)]
async fn an_alarm_after_a_restored_backup_is_told_though_its_numbers_were_heard_before() {
    let (before, after) = (Log::default(), Log::default());
    let clock = Clock::starting_at(START);
    let mut bench = Bench::new(vec![("pager", scripted(clock, &before, Vec::new()))]).await;
    // A second run, of which the copy knows nothing.
    std::mem::take(&mut bench.notifier).stop().await;
    bench.run_begins().await;
    bench.start(vec![("pager", scripted(clock, &before, Vec::new()))]);
    for occurrence in 57..=58 {
        bench.happens(ALARMS[0], "raised", occurrence).await;
        bench.happens(ALARMS[0], "cleared", occurrence).await;
        pass(5).await;
    }
    let run = bench.run;
    let copy = InlineStore::in_memory().unwrap();
    copy.start_run(NewRun::of(&bench.line, START, "0")).await.unwrap();
    bench.is_put_over(copy).await;
    assert_eq!(bench.run, run, "the number of the run is given once more");
    pass(3600).await;
    bench.start(vec![("pager", scripted(clock, &after, Vec::new()))]);
    bench.happens(ALARMS[0], "raised", 58).await;
    pass(60).await;
    let told = lines(&after);
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].starts_with("SIMULATED HIGH"), "{told:?}");
    assert_eq!(bench.told(), ["notify state"]);
}

#[tokio::test(start_paused = true)]
async fn a_restored_backup_brings_no_flood_of_what_was_told_long_ago() {
    let (before, after) = (Log::default(), Log::default());
    let clock = Clock::starting_at(START);
    // A history that was begun afresh for a day: one event heard.
    let mut bench = Bench::new(vec![("pager", scripted(clock, &before, Vec::new()))]).await;
    bench.happens(ALARMS[1], "raised", 1).await;
    pass(5).await;
    let copy = InlineStore::in_memory().unwrap();
    bench.is_put_over(copy).await;
    for occurrence in 1..=30 {
        bench.happens(ALARMS[0], "raised", occurrence).await;
        bench.happens(ALARMS[0], "cleared", occurrence).await;
    }
    bench.run_begins().await;
    pass(60).await;
    bench.start(vec![("pager", scripted(clock, &after, Vec::new()))]);
    // Longer than a digest gathers.
    pass(60).await;
    assert_eq!(lines(&after), Vec::<String>::new());
    bench.happens(ALARMS[0], "raised", 31).await;
    pass(3600).await;
    assert_eq!(lines(&after).len(), 1, "{:?}", lines(&after));
}

#[tokio::test(start_paused = true)]
async fn what_stands_in_a_restored_history_is_told_from_the_line_tasks_word() {
    let (before, after) = (Log::default(), Log::default());
    let clock = Clock::starting_at(START);
    let mut bench = Bench::new(vec![("pager", scripted(clock, &before, Vec::new()))]).await;
    bench.happens(ALARMS[0], "raised", 58).await;
    pass(5).await;
    bench.is_put_over(InlineStore::in_memory().unwrap()).await;
    bench.run_begins().await;
    let standing = [(ALARMS[0].to_owned(), AlarmState::Unacknowledged, 58, bench.clock.utc())];
    bench.publish.send(Arc::new(snapshot(&bench.line, bench.run, &standing))).unwrap();
    bench.start(vec![("pager", scripted(clock, &after, Vec::new()))]);
    pass(60).await;
    assert_eq!(lines(&after).len(), 1, "{:?}", lines(&after));
}

/// What is kept knows of an event as soon as there is one: a kill comes without a word.
#[tokio::test(start_paused = true)]
async fn the_first_event_that_is_heard_is_kept_though_it_calls_nobody() {
    let log = Log::default();
    let mut bench = Bench::new(vec![("pager", scripted(Clock::starting_at(START), &log, Vec::new()))]).await;
    pass(5).await;
    bench.happens(ALARMS[0], "acknowledged", 1).await;
    pass(5).await;
    let kept = std::fs::read_to_string(bench.line.data_dir.join("notify.json")).unwrap();
    assert!(kept.contains(&format!("\"cursor\":[{},1]", bench.run.0)), "{kept}");
}
