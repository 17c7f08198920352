//! The task over channels that fail in every way, in virtual time, over a real history and a real file.

use super::deliver::MockDeliver;
use super::*;
use crate::handle::{Looks, Teller, Told};
use crate::history::sqlite::InlineStore;
use crate::history::{Batch, Event, NewRun, RunSignal};
use crate::snapshot::{AlarmView, Counts, LineSnapshot, RunId};
use async_trait::async_trait;
use setward_alarm::{AlarmState, Flags, Forecast};
use setward_config::line::{Channel, ChannelRules, Webhook};
use setward_protocol::Uptime;
use tokio::sync::{mpsc, watch};

mod histories;
mod refused;
mod restored;

pub(super) const START: UtcMillis = UtcMillis(1_795_572_000_000);
/// Alarms of the demo line: high, medium.
pub(super) const ALARMS: [&str; 2] = ["oil-flow-low", "fryer-inlet-cold"];

type Log = Arc<Mutex<Vec<(u64, Message)>>>;

/// Everything around the task.
struct Bench {
    line: Arc<Line>,
    store: Arc<dyn HistoryStore>,
    run: RunId,
    clock: Clock,
    sequence: u64,
    /// What the line task says of its alarms: state, occurrence, when it raised.
    alarms: Vec<(String, AlarmState, u32, UtcMillis)>,
    publish: watch::Sender<Arc<LineSnapshot>>,
    handle: LineHandle,
    supervision: Supervision,
    too_often: mpsc::Receiver<String>,
    told: mpsc::Receiver<Told>,
    notifier: Notifier,
    _folder: tempfile::TempDir,
}

pub(super) fn line(folder: &tempfile::TempDir, names: &[&str]) -> Line {
    let files = setward_config::demo_files();
    for (name, text) in files {
        let file = folder.path().join(name);
        std::fs::create_dir_all(file.parent().unwrap()).unwrap();
        std::fs::write(file, text).unwrap();
    }
    let mut line = setward_config::load(folder.path()).unwrap().line;
    line.data_dir = folder.path().to_owned();
    line.notify.channels = names
        .iter()
        .map(|name| Channel {
            name: (*name).to_owned(),
            way: Way::Webhook(Webhook { url: String::new(), secret_file: "none".into(), ca: None }),
            rules: ChannelRules::default(),
        })
        .collect();
    line
}

pub(super) fn snapshot(
    line: &Line,
    run: RunId,
    known: &[(String, AlarmState, u32, UtcMillis)],
) -> LineSnapshot {
    let mut alarms: Vec<AlarmView> = line
        .alarms
        .iter()
        .map(|_| AlarmView {
            state: AlarmState::Normal,
            flags: Flags::NONE,
            silent_until: None,
            shelf: None,
            out_of_service: None,
            occurrence: 0,
            onset: None,
            raised: None,
            cleared: None,
            acknowledged: None,
            exposure: None,
            beyond_since: None,
            forecast: Forecast::Unknown,
        })
        .collect();
    for (id, state, occurrence, raised) in known {
        let view = &mut alarms[line.alarm_by_id(id).unwrap().index()];
        (view.state, view.occurrence, view.raised) = (*state, *occurrence, Some(*raised));
    }
    LineSnapshot {
        run,
        at: Uptime::START,
        utc: START,
        signals: Vec::new(),
        stations: Vec::new(),
        controllers: Vec::new(),
        alarms,
        following: Arc::default(),
        entries: Arc::default(),
        balance: Arc::default(),
        dwell_s: Vec::new(),
        counts: Counts::default(),
        history_problem: None,
    }
}

impl Bench {
    async fn new(ways: Vec<(&str, MockDeliver)>) -> Self {
        let store = Arc::new(InlineStore::in_memory().unwrap());
        let new = NewRun {
            started: START,
            fingerprint: "ab".repeat(32),
            version: "0".to_owned(),
            signals: vec![RunSignal::of_tag("TT-310")],
            files: Vec::new(),
        };
        let run = store.start_run(new).await.unwrap();
        Self::over(store, run, ways)
    }

    fn over(store: Arc<dyn HistoryStore>, run: RunId, ways: Vec<(&str, MockDeliver)>) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let names: Vec<_> = ways.iter().map(|(name, _)| *name).collect();
        let line = Arc::new(line(&folder, &names));
        let (publish, watched) = watch::channel(Arc::new(snapshot(&line, run, &[])));
        let (requests, _) = mpsc::channel(1);
        let handle = LineHandle::new(requests, watched, Looks::default());
        let (teller, told) = Teller::new(64);
        let clock = Clock::starting_at(START);
        let (supervision, too_often) = Supervision::new(teller, clock);
        let mut bench = Self {
            line,
            store,
            run,
            clock,
            sequence: 0,
            alarms: Vec::new(),
            publish,
            handle,
            supervision,
            too_often,
            told,
            notifier: Notifier::default(),
            _folder: folder,
        };
        bench.start(ways);
        bench
    }

    fn start(&mut self, ways: Vec<(&str, MockDeliver)>) {
        let ways = ways.into_iter().map(|(_, way)| Arc::new(way) as Arc<dyn Deliver>).collect();
        self.start_over(ways);
    }

    fn start_over(&mut self, ways: Vec<Arc<dyn Deliver>>) {
        let (store, handle) = (Arc::clone(&self.store), self.handle.clone());
        let teller = self.supervision.teller().clone();
        let edges = Edges { store, handle, clock: self.clock, teller };
        self.notifier =
            Notifier::start_over(&self.line, ways, edges, (&self.supervision, watch::Sender::new(false)));
    }

    async fn happens(&mut self, alarm: &str, what: &str, occurrence: u32) {
        self.sequence += 1;
        let event = Event {
            sequence: self.sequence,
            utc: self.clock.utc(),
            at: self.clock.uptime(),
            alarm: Some(alarm.to_owned()),
            occurrence,
            what: what.to_owned(),
            states: "AB".to_owned(),
            onset: None,
            value: None,
            exposure: None,
            by: None,
            note: None,
        };
        self.store.append(self.run, Batch { events: vec![event], ..Batch::default() }).await.unwrap();
        let state = if what == "raised" { AlarmState::Unacknowledged } else { AlarmState::Returned };
        self.alarms.retain(|(known, ..)| known != alarm);
        self.alarms.push((alarm.to_owned(), state, occurrence, self.clock.utc()));
        self.publish.send(Arc::new(snapshot(&self.line, self.run, &self.alarms))).unwrap();
    }

    fn told(&mut self) -> Vec<&'static str> {
        std::iter::from_fn(|| self.told.try_recv().ok())
            .filter_map(|told| match told {
                Told::Event { what, .. } => Some(what),
                Told::Server { .. } => None,
            })
            .collect()
    }
}

async fn pass(seconds: u64) {
    tokio::time::sleep(Duration::from_secs(seconds)).await;
}

/// A channel that answers as listed, then takes everything; each try is logged with its second.
fn scripted(clock: Clock, log: &Log, answers: Vec<(u64, Result<(), SendError>)>) -> MockDeliver {
    let mut answers = answers.into_iter();
    let log = Arc::clone(log);
    let mut mock = MockDeliver::new();
    mock.expect_deliver().returning(move |message| {
        log.lock().unwrap().push((clock.uptime().as_nanos() / 1_000_000_000, message.clone()));
        let (_, answer) = answers.next().unwrap_or((0, Ok(())));
        answer.map(|()| Receipt::default())
    });
    mock
}

/// Never answers.
struct Slow;

#[async_trait]
impl Deliver for Slow {
    async fn deliver(&self, _message: &Message) -> Result<Receipt, SendError> {
        std::future::pending().await
    }
}

fn unreachable() -> Result<(), SendError> {
    Err(SendError::Unreachable("connection refused".to_owned()))
}

#[tokio::test(start_paused = true)]
async fn a_message_is_repeated_to_the_letter_until_it_is_taken_with_ever_longer_waits() {
    let log = Log::default();
    let clock = Clock::starting_at(START);
    let answers = vec![
        (0, unreachable()),
        (0, Err(SendError::Busy("it answers 503".to_owned()))),
        (0, unreachable()),
        (0, Err(SendError::Busy("it answers 429".to_owned()))),
    ];
    let mut bench = Bench::new(vec![("pager", scripted(clock, &log, answers))]).await;
    bench.happens(ALARMS[1], "raised", 1).await;
    pass(60).await;
    let tries = log.lock().unwrap().clone();
    assert_eq!(tries.len(), 5);
    assert!(tries.iter().all(|(_, message)| *message == tries[0].1), "the same to the letter");
    assert_eq!(tries[0].1.key, format!("{}-1-pager", bench.run.0));
    let waits: Vec<_> = tries.windows(2).map(|two| two[1].0 - two[0].0).collect();
    assert!(waits.windows(2).all(|two| two[1] >= two[0]) && waits[3] >= 6, "{waits:?}");
    assert_eq!(bench.notifier.outlook().statuses[0].now().sent, 1);
    assert_eq!(bench.told(), Vec::<&str>::new(), "half a minute is not worth an event");
    assert!(tries[0].1.line.starts_with("SIMULATED MEDIUM "), "{}", tries[0].1.line);
}

#[tokio::test(start_paused = true)]
async fn a_slow_channel_keeps_no_other_waiting() {
    let log = Log::default();
    let clock = Clock::starting_at(START);
    let mut bench = Bench::new(vec![("slow", MockDeliver::new()), ("quick", MockDeliver::new())]).await;
    std::mem::take(&mut bench.notifier).stop().await;
    let ways: Vec<Arc<dyn Deliver>> = vec![Arc::new(Slow), Arc::new(scripted(clock, &log, Vec::new()))];
    bench.start_over(ways);
    for (n, alarm) in ALARMS.into_iter().enumerate() {
        bench.happens(alarm, "raised", 1).await;
        pass(3).await;
        assert_eq!(log.lock().unwrap().len(), n + 1, "within three seconds, whatever the other does");
    }
    assert_eq!(bench.notifier.outlook().statuses[0].now().waiting, 2);
}

#[tokio::test(start_paused = true)]
async fn a_channel_that_fails_for_long_is_told_everywhere_and_so_is_its_return() {
    let (lost, fine) = (Log::default(), Log::default());
    let clock = Clock::starting_at(START);
    let answers = (0..14).map(|_| (0, unreachable())).collect();
    let mut bench = Bench::new(vec![
        ("pager", scripted(clock, &lost, answers)),
        ("desk", scripted(clock, &fine, Vec::new())),
    ])
    .await;
    bench.happens(ALARMS[0], "raised", 1).await;
    pass(60).await;
    assert!(bench.notifier.outlook().broken().is_empty(), "not yet");
    pass(200).await;
    let broken = bench.notifier.outlook().broken();
    assert_eq!(broken.len(), 1);
    assert!(broken[0].problem.as_ref().unwrap().contains("connection refused"), "{broken:?}");
    assert_eq!(bench.told(), ["channel lost"]);
    let lines =
        |log: &Log| log.lock().unwrap().iter().map(|(_, message)| message.line.clone()).collect::<Vec<_>>();
    assert!(lines(&fine).iter().any(|line| line.contains("can't reach pager")), "{:?}", lines(&fine));
    pass(900).await;
    assert_eq!(bench.told(), ["channel back"]);
    assert!(bench.notifier.outlook().broken().is_empty());
    assert!(lines(&fine).iter().any(|line| line.contains("reaches pager again")), "{:?}", lines(&fine));
    let keys: std::collections::BTreeSet<_> =
        lost.lock().unwrap().iter().map(|(_, message)| message.key.clone()).collect();
    assert_eq!(keys.len(), 1, "the one alarm, over and over");
}

#[tokio::test(start_paused = true)]
async fn a_refusal_is_told_at_once_and_tried_seldom() {
    let log = Log::default();
    let clock = Clock::starting_at(START);
    let answers = (0..3).map(|_| (0, Err(SendError::Refused("it answers 401".to_owned())))).collect();
    let mut bench = Bench::new(vec![("pager", scripted(clock, &log, answers))]).await;
    bench.happens(ALARMS[0], "raised", 1).await;
    pass(5).await;
    assert_eq!(bench.told(), ["channel lost"]);
    pass(300).await;
    let tries: Vec<_> = log.lock().unwrap().iter().map(|(at, _)| *at).collect();
    assert_eq!(tries.len(), 4);
    assert!(tries.windows(2).all(|two| two[1] - two[0] >= 48), "{tries:?}");
    assert_eq!(bench.told(), ["channel back"]);
}

#[tokio::test(start_paused = true)]
async fn a_restart_goes_on_with_what_was_not_said_and_repeats_nothing_that_was() {
    let (first, second) = (Log::default(), Log::default());
    let clock = Clock::starting_at(START);
    let answers = vec![(0, Ok(())), (0, unreachable()), (0, unreachable()), (0, unreachable())];
    let mut bench = Bench::new(vec![("pager", scripted(clock, &first, answers))]).await;
    bench.happens(ALARMS[1], "raised", 1).await;
    pass(5).await;
    bench.happens(ALARMS[0], "raised", 1).await;
    pass(5).await;
    std::mem::take(&mut bench.notifier).stop().await;
    // While nothing runs, it goes on happening.
    bench.happens(ALARMS[1], "cleared", 1).await;
    pass(60).await;
    bench.start(vec![("pager", scripted(clock, &second, Vec::new()))]);
    pass(10).await;
    let keys =
        |log: &Log| log.lock().unwrap().iter().map(|(_, message)| message.key.clone()).collect::<Vec<_>>();
    let run = bench.run.0;
    assert_eq!(keys(&first)[0], format!("{run}-1-pager"));
    assert_eq!(
        keys(&second),
        [format!("{run}-2-pager"), format!("{run}-3-pager")],
        "the second call, the first one's end"
    );
    assert_eq!(
        first.lock().unwrap()[1].1,
        second.lock().unwrap()[0].1,
        "the repeat is the same to the letter"
    );
}

#[tokio::test(start_paused = true)]
async fn a_test_message_says_what_the_other_side_said_and_becomes_an_event() {
    let log = Log::default();
    let clock = Clock::starting_at(START);
    let refuses = vec![(0, Err(SendError::Refused("it answers 401 who are you".to_owned())))];
    let mut bench = Bench::new(vec![
        ("pager", scripted(clock, &log, refuses)),
        ("desk", scripted(clock, &log, Vec::new())),
    ])
    .await;
    let tester = bench.notifier.outlook().tester;
    let tried = tester.try_out(None).await.unwrap();
    let short: Vec<_> = tried.iter().map(|one| (one.channel.as_str(), one.arrived)).collect();
    assert_eq!(short, [("pager", false), ("desk", true)]);
    assert!(tried[0].text.contains("who are you"));
    assert_eq!(bench.told(), ["test message", "test message"]);
    assert_eq!(
        tester.try_out(Some("nobody")).await,
        Err(NotTried::Unknown(vec!["pager".to_owned(), "desk".to_owned()]))
    );
    assert_eq!(Tester::default().try_out(None).await, Err(NotTried::NoChannels));
    let line = log.lock().unwrap()[0].1.line.clone();
    assert!(line.starts_with("SIMULATED Setward test message to"), "{line}");
    pass(10).await;
    assert_eq!(log.lock().unwrap().len(), 2, "no alarm came of it");
}

/// The event may be on disk before the line's next picture of itself is out: a second more, and there is something to say.
#[tokio::test(start_paused = true)]
async fn a_call_waits_a_moment_for_the_numbers_that_belong_to_it_and_no_longer() {
    let log = Log::default();
    let clock = Clock::starting_at(START);
    let mut bench = Bench::new(vec![("pager", scripted(clock, &log, Vec::new()))]).await;
    bench.happens(ALARMS[0], "raised", 1).await;
    bench.publish.send(Arc::new(snapshot(&bench.line, bench.run, &[]))).unwrap();
    pass(4).await;
    assert!(log.lock().unwrap().is_empty());
    pass(4).await;
    assert_eq!(log.lock().unwrap().len(), 1, "told all the same");
}

#[tokio::test(start_paused = true)]
async fn what_a_channel_failed_at_and_how_long_it_makes_wait_is_counted() {
    let log = Log::default();
    let clock = Clock::starting_at(START);
    let answers = (0..6).map(|_| (0, unreachable())).collect();
    let mut bench = Bench::new(vec![("pager", scripted(clock, &log, answers))]).await;
    pass(100).await;
    let raised = clock.utc();
    bench.happens(ALARMS[1], "raised", 1).await;
    pass(20).await;
    bench.happens(ALARMS[0], "raised", 1).await;
    pass(2).await;
    let status = bench.notifier.outlook().statuses[0].now();
    assert_eq!((status.sent, status.waiting, status.waiting_since), (0, 2, Some(raised)));
    assert_eq!(status.failed, log.lock().unwrap().len() as u64);
    assert!(status.failed >= 3);
    pass(300).await;
    let status = bench.notifier.outlook().statuses[0].now();
    assert_eq!((status.sent, status.failed, status.waiting, status.waiting_since), (2, 6, 0, None));
}
