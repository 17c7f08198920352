//! Servers that fail in every way, in virtual time, over a history that grows: what they end up with is what was kept.

use super::*;
use crate::handle::{Teller, Told};
use crate::history::sqlite::InlineStore;
use crate::history::{Batch, NewRun, NewSample, RunSignal};
use crate::snapshot::RunId;
use setward_alarm::{Delivery, ServerId};
use setward_config::line::Server;
use setward_protocol::{Reading, Uptime, UtcMillis};
use std::collections::BTreeMap;
use std::ops::Range;
use task::DURABLE_AFTER;
use tokio::sync::{mpsc, oneshot};

const START_MS: i64 = 1_795_572_000_000;
const TAGS: [&str; 2] = ["TT-310", "TT-313"];

/// What a server of this kind does: one value for each series and time, the last one written.
#[derive(Debug, Default)]
struct Model {
    points: BTreeMap<String, String>,
    writes: u64,
    lines: u64,
}

type Shared = Arc<Mutex<Model>>;

fn take(model: &Shared, lines: &str) {
    let mut model = model.lock().unwrap();
    model.writes += 1;
    for line in lines.lines() {
        let mut parts = line.rsplitn(3, ' ');
        let (time, fields, series) = (parts.next().unwrap(), parts.next().unwrap(), parts.next().unwrap());
        model.points.insert(format!("{series} {time}"), fields.to_owned());
        model.lines += 1;
    }
}

/// A history, and a server's task over it.
struct Bench {
    store: Arc<InlineStore>,
    run: RunId,
    clock: Clock,
    seconds: i64,
    status: SharedServerStatus,
    events: mpsc::Receiver<Told>,
    stop: oneshot::Sender<()>,
    task: JoinHandle<()>,
}

fn server() -> Server {
    Server {
        name: "central".to_owned(),
        url: "http://127.0.0.1:8428".to_owned(),
        org: String::new(),
        bucket: "line".to_owned(),
        token_file: None,
        ca: None,
        send: None,
        behind_most: Duration::from_secs(900),
    }
}

async fn history() -> (Arc<InlineStore>, RunId) {
    let store = Arc::new(InlineStore::in_memory().unwrap());
    let run = NewRun {
        started: UtcMillis(START_MS),
        fingerprint: "ab".repeat(32),
        version: "0".to_owned(),
        signals: TAGS.map(RunSignal::of_tag).to_vec(),
        files: Vec::new(),
    };
    let run = store.start_run(run).await.unwrap();
    (store, run)
}

async fn keep(store: &InlineStore, run: RunId, seconds: Range<i64>) {
    let mut batch = Batch::default();
    for now in seconds {
        for signal in 0..2 {
            let (utc, at) = (UtcMillis(START_MS + now * 1000), Uptime::from_millis(now as u64 * 1000));
            let reading = Reading::Good(180.0 + now as f64 + f64::from(signal) / 2.0);
            batch.samples.push(NewSample { signal, utc, at, reading });
        }
    }
    store.append(run, batch).await.unwrap();
}

impl Bench {
    async fn new(writer: MockPointWriter, server: Server) -> Self {
        let (store, run) = history().await;
        Self::over(store, run, 0, writer, server)
    }

    fn over(
        store: Arc<InlineStore>,
        run: RunId,
        seconds: i64,
        writer: MockPointWriter,
        server: Server,
    ) -> Self {
        let clock = Clock::starting_at(UtcMillis(START_MS));
        let (teller, events) = Teller::new(4096);
        let status = SharedServerStatus::default();
        let forwarder = Forwarder::new(
            ("Line 2".to_owned(), server),
            (store.clone(), Box::new(writer)),
            clock,
            (ServerId(0), teller),
            status.clone(),
        );
        let (stop, stopped) = oneshot::channel();
        let task = tokio::spawn(forwarder.run(stopped));
        Self { store, run, clock, seconds, status, events, stop, task }
    }

    /// Lets time pass, a second of readings each second.
    async fn watch(&mut self, seconds: i64) {
        for _ in 0..seconds {
            keep(&self.store, self.run, self.seconds..self.seconds + 1).await;
            self.seconds += 1;
            tokio::time::sleep(Duration::from_secs(1)).await;
        }
    }

    /// Nothing new comes; what waits is sent.
    async fn rest(&self) {
        tokio::time::sleep(Duration::from_secs(200)).await;
    }

    fn told(&mut self) -> Vec<(&'static str, String)> {
        self.told_all().0
    }

    /// Events, and what was told for the server's alarm, each once where it came several times in a row.
    fn told_all(&mut self) -> (Vec<(&'static str, String)>, Vec<Delivery>) {
        let (mut events, mut deliveries) = (Vec::new(), Vec::new());
        for told in std::iter::from_fn(|| self.events.try_recv().ok()) {
            match told {
                Told::Event { what, note } => events.push((what, note)),
                Told::Server { what, .. } => deliveries.push(what),
            }
        }
        deliveries.dedup();
        (events, deliveries)
    }

    async fn end(self) -> (Arc<InlineStore>, RunId, i64) {
        self.stop.send(()).unwrap();
        self.task.await.unwrap();
        (self.store, self.run, self.seconds)
    }
}

/// Every reading of so many seconds, once, with its value.
fn check_whole(model: &Shared, seconds: i64) {
    let model = model.lock().unwrap();
    let mut wanted = BTreeMap::new();
    for now in 0..seconds {
        for (signal, tag) in TAGS.iter().enumerate() {
            let (utc, value) = (START_MS + now * 1000, 180.0 + now as f64 + signal as f64 / 2.0);
            wanted.insert(
                format!("reading,line=Line\\ 2,signal={tag},run=1 {utc}"),
                format!("value={value},quality=0i"),
            );
        }
    }
    assert_eq!(model.points.len(), wanted.len());
    assert!(model.points == wanted);
}

/// A server that answers as `answer` says, by the number of the write (from 1) and its lines; it has what it confirms.
fn answering(
    model: &Shared,
    answer: impl Fn(u64, &str) -> Result<(), WriteError> + Send + Sync + 'static,
) -> MockPointWriter {
    let model = Arc::clone(model);
    let mut writer = MockPointWriter::new();
    let count = Mutex::new(0_u64);
    writer.expect_write().returning(move |lines| {
        let mut count = count.lock().unwrap();
        *count += 1;
        let answered = answer(*count, &lines);
        if answered.is_ok() {
            take(&model, &lines);
        }
        answered
    });
    writer.expect_started().returning(|| None);
    writer
}

fn away() -> Result<(), WriteError> {
    Err(WriteError::Unreachable("connection refused".to_owned()))
}

#[tokio::test(start_paused = true)]
async fn a_server_that_is_away_for_minutes_gets_everything_later_and_two_events_say_so() {
    let model = Shared::default();
    // Four waits of 1, 2, 4, 8 s and more: away for about two minutes.
    let mut bench = Bench::new(
        answering(&model, |write, _| if (3..10).contains(&write) { away() } else { Ok(()) }),
        server(),
    )
    .await;
    bench.watch(300).await;
    bench.rest().await;
    check_whole(&model, 300);
    let told = bench.told();
    let words: Vec<_> = told.iter().map(|(what, _)| *what).collect();
    assert_eq!(words, ["server lost", "server back"], "{told:?}");
    assert!(
        told[0].1.contains("central")
            && told[0].1.contains("connection refused")
            && told[0].1.contains("kept here")
    );
    let status = bench.status.now();
    assert_eq!((status.problem, status.waiting_rows, status.rejected), (None, 0, 0));
    assert!(status.sent >= 600);
}

#[tokio::test(start_paused = true)]
async fn a_short_stumble_is_no_event() {
    let model = Shared::default();
    let mut bench =
        Bench::new(answering(&model, |write, _| if write % 7 == 3 { away() } else { Ok(()) }), server())
            .await;
    bench.watch(400).await;
    bench.rest().await;
    check_whole(&model, 400);
    assert_eq!(bench.told(), []);
}

#[tokio::test(start_paused = true)]
async fn a_reply_that_is_lost_makes_no_second_point() {
    let model = Shared::default();
    let taken = Arc::clone(&model);
    let writer = answering(&model, move |write, lines| {
        if write % 2 == 1 {
            take(&taken, lines);
            return away();
        }
        Ok(())
    });
    let bench = &mut Bench::new(writer, server()).await;
    bench.watch(120).await;
    bench.rest().await;
    check_whole(&model, 120);
    assert!(model.lock().unwrap().lines > 240, "something was sent twice");
}

#[tokio::test(start_paused = true)]
async fn one_bad_point_is_told_and_never_holds_up_the_rest() {
    let model = Shared::default();
    let bad = format!("signal=TT-313,run=1 value=197.5,quality=0i {}", START_MS + 17_000);
    let refused = bad.clone();
    let writer = answering(&model, move |_, lines| {
        if lines.contains(&refused) {
            Err(WriteError::BadPoint("it answers 400: no".to_owned()))
        } else {
            Ok(())
        }
    });
    let mut bench = Bench::new(writer, server()).await;
    bench.watch(200).await;
    bench.rest().await;
    let points = model.lock().unwrap().points.len();
    assert_eq!(points, 2 * 200 - 1, "all but the one");
    let told = bench.told();
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(
        told[0].0 == "server refused a reading"
            && told[0].1.contains(&bad)
            && told[0].1.contains("it answers 400")
    );
    let status = bench.status.now();
    assert_eq!((status.rejected, status.waiting_rows, status.problem), (1, 0, None));
    // A request a second line would be no bisection.
    assert!(model.lock().unwrap().writes < 100, "{}", model.lock().unwrap().writes);
}

#[tokio::test(start_paused = true)]
async fn a_refused_token_is_told_at_once_asked_again_each_minute_and_nothing_is_lost() {
    let model = Shared::default();
    let writer = answering(&model, |write, _| {
        if write <= 4 {
            Err(WriteError::Refused("it answers 401; check the token".to_owned()))
        } else {
            Ok(())
        }
    });
    let mut bench = Bench::new(writer, server()).await;
    bench.watch(20).await;
    let told = bench.told();
    assert!(
        told.len() == 1 && told[0].0 == "server lost" && told[0].1.contains("check the token"),
        "{told:?}"
    );
    assert!(bench.status.now().problem.is_some());
    bench.watch(280).await;
    bench.rest().await;
    check_whole(&model, 300);
    assert_eq!(bench.told().iter().map(|(what, _)| *what).collect::<Vec<_>>(), ["server back"]);
}

#[tokio::test(start_paused = true)]
async fn too_much_at_once_is_sent_in_parts() {
    let model = Shared::default();
    let writer = answering(&model, |_, lines| {
        if lines.lines().count() > 700 { Err(WriteError::TooLarge("413".to_owned())) } else { Ok(()) }
    });
    let (store, run) = history().await;
    for from in (0..9000).step_by(1000) {
        keep(&store, run, from..from + 1000).await;
    }
    let bench = Bench::over(store, run, 9000, writer, server());
    bench.rest().await;
    check_whole(&model, 9000);
    assert_eq!(bench.status.now().rejected, 0);
}

#[tokio::test(start_paused = true)]
async fn a_place_is_believed_a_minute_later_and_the_next_run_goes_on_from_there() {
    let model = Shared::default();
    let mut bench = Bench::new(answering(&model, |_, _| Ok(())), server()).await;
    bench.watch(55).await;
    assert_eq!(bench.store.cursor("central".to_owned()).await.unwrap(), None, "nothing is believed yet");
    bench.watch(65).await;
    let kept = bench.store.cursor("central".to_owned()).await.unwrap().unwrap();
    let believed_until = 120 - DURABLE_AFTER.as_secs();
    assert!(kept > 20 && kept <= believed_until, "{kept}");
    let (store, run, seconds) = bench.end().await;
    let sent = model.lock().unwrap().lines;
    let again = Bench::over(Arc::clone(&store), run, seconds, answering(&model, |_, _| Ok(())), server());
    again.rest().await;
    check_whole(&model, seconds);
    let repeated = model.lock().unwrap().lines - sent;
    assert!(repeated > 0 && repeated <= 2 * (120 - kept), "only what was not believed: {repeated}");
}

#[tokio::test(start_paused = true)]
async fn a_server_that_was_started_anew_gets_again_what_it_may_have_lost() {
    let model = Shared::default();
    let starts = Arc::new(Mutex::new(0));
    let mut writer = MockPointWriter::new();
    let (taking, started) = (Arc::clone(&model), Arc::clone(&starts));
    writer.expect_write().returning(move |lines| {
        take(&taking, &lines);
        Ok(())
    });
    writer.expect_started().returning(move || Some(format!("start {}", started.lock().unwrap())));
    let mut bench = Bench::new(writer, server()).await;
    bench.watch(150).await;
    // Killed and started between two writes: no write fails, and the last 20 s never came to its disk.
    *starts.lock().unwrap() = 1;
    let lost_from = format!(" {}", START_MS + 130_000);
    model.lock().unwrap().points.retain(|key, _| key.rsplit_once(' ').unwrap().1 < lost_from.trim());
    bench.watch(50).await;
    bench.rest().await;
    check_whole(&model, 200);
}

#[tokio::test(start_paused = true)]
async fn only_the_signals_that_are_wanted_are_sent() {
    let model = Shared::default();
    let wanted = Server { send: Some(vec!["TT-313".to_owned()]), ..server() };
    let mut bench = Bench::new(answering(&model, |_, _| Ok(())), wanted).await;
    bench.watch(30).await;
    bench.rest().await;
    let model = model.lock().unwrap();
    assert_eq!(model.points.len(), 30);
    assert!(model.points.keys().all(|key| key.contains("signal=TT-313")));
}

#[tokio::test(start_paused = true)]
async fn two_days_away_cost_nothing_but_time() {
    let model = Shared::default();
    let (store, run) = history().await;
    const TWO_DAYS: i64 = 2 * 86_400;
    for from in (0..TWO_DAYS).step_by(3600) {
        keep(&store, run, from..from + 3600).await;
    }
    let bench = Bench::over(store, run, TWO_DAYS, answering(&model, |_, _| Ok(())), server());
    let before = bench.clock.uptime();
    while bench.status.now().waiting_rows > 0 || bench.status.now().sent == 0 {
        tokio::time::sleep(Duration::from_secs(1)).await;
    }
    check_whole(&model, TWO_DAYS);
    let took = bench.clock.uptime().since(before);
    assert!(took < Duration::from_secs(120), "{took:?} of rests between pages");
    assert_eq!(bench.status.now().lost_rows, 0);
}

/// What its alarm goes by: behind from the first failure, and caught up only once everything is there.
#[tokio::test(start_paused = true)]
async fn a_server_is_behind_from_its_first_failure_until_it_has_everything() {
    let model = Shared::default();
    let away = Arc::new(std::sync::atomic::AtomicBool::new(false));
    let is_away = Arc::clone(&away);
    let writer = answering(&model, move |_, _| match is_away.load(std::sync::atomic::Ordering::Relaxed) {
        true => Err(WriteError::Unreachable("no route".to_owned())),
        false => Ok(()),
    });
    let mut bench = Bench::new(writer, server()).await;
    bench.watch(20).await;
    assert_eq!(bench.told_all().1, [Delivery::Begins, Delivery::CaughtUp]);
    away.store(true, std::sync::atomic::Ordering::Relaxed);
    bench.watch(600).await;
    assert_eq!(bench.told_all().1, [Delivery::Behind]);
    away.store(false, std::sync::atomic::Ordering::Relaxed);
    bench.watch(100).await;
    assert_eq!(bench.told_all().1, [Delivery::CaughtUp]);
    let (_, _, seconds) = bench.end().await;
    assert!(seconds > 700);
}

/// A task that panics begins anew at its server's kept place; what it had in hand is sent again, and nothing is missing.
#[tokio::test(start_paused = true)]
async fn a_server_whose_task_panics_gets_everything_all_the_same() {
    let model = Shared::default();
    let (store, run) = history().await;
    keep(&store, run, 0..100).await;
    let (teller, mut told) = Teller::new(4096);
    let clock = Clock::starting_at(UtcMillis(START_MS));
    let (supervision, mut gave_up) = crate::supervision::Supervision::new(teller, clock);
    let mut line = setward_config::load_demo().unwrap().line;
    "Line 2".clone_into(&mut line.name);
    line.history.servers.push(server());
    let panics = Arc::new(Mutex::new(3_u32));
    let shared = Arc::clone(&model);
    let writer = move |_: &Server| {
        let panics = Arc::clone(&panics);
        let answer = move |_, _: &str| {
            let left = panics.lock().unwrap().checked_sub(1);
            if let Some(left) = left {
                *panics.lock().unwrap() = left;
            }
            assert!(left.is_none(), "a fault on purpose");
            Ok(())
        };
        Box::new(answering(&shared, answer)) as Box<dyn PointWriter>
    };
    let store: Arc<dyn HistoryStore> = store;
    let forwarding = Forwarding::over(&line, &store, clock, &supervision, writer);
    tokio::time::sleep(Duration::from_secs(60)).await;
    check_whole(&model, 100);
    let failures = std::iter::from_fn(|| told.try_recv().ok())
        .filter(|told| matches!(told, Told::Event { what: "sending failed", .. }))
        .count();
    assert_eq!((failures, gave_up.try_recv().is_err()), (3, true));
    forwarding.stop().await;
}

#[path = "refusal_tests.rs"]
mod refusals;
