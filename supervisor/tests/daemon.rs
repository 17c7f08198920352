//! The daemon over months: reload without a restart, signs of life for a service manager, the end in order, and tasks that fail.

#![expect(clippy::unwrap_used, reason = "tests: a panic is a failed test")]

use async_trait::async_trait;
use serde_json::Value;
use setward::clock::Clock;
use setward::history::sqlite::InlineStore;
use setward::history::{
    AlarmRecord, Batch, HistoryError, HistoryStore, NewRun, StoredEvent, StoredSample, verify_folder,
};
use setward::poll::dial::{Dial, Stream};
use setward::run::Failed;
use setward::snapshot::RunId;
use setward::watchdog::{ServiceManager, tell_of_life};
use setward::{Edges, start};
use setward_config::line::Line;
use setward_protocol::UtcMillis;
use std::io;
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;

fn demo_folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in setward_config::demo_files() {
        let file = folder.path().join(name);
        std::fs::create_dir_all(file.parent().unwrap()).unwrap();
        // Ports at which nobody answers: a silent controller is the line's trouble, not the program's.
        std::fs::write(file, text.replace("127.0.0.1:155", "127.0.0.1:9")).unwrap();
    }
    folder
}

/// A daemon of its own, killed with the test.
struct Daemon {
    child: Child,
    url: String,
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _gone = self.child.kill();
        let _ended = self.child.wait();
    }
}

impl Daemon {
    async fn start(folder: &Path, environment: &[(&str, &str)]) -> Self {
        let port = {
            let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
            listener.local_addr().unwrap()
        };
        let mut command = Command::new(env!("CARGO_BIN_EXE_setward"));
        command.args(["run", folder.to_str().unwrap(), "--page", &port.to_string(), "--for", "120 s"]);
        command
            .envs(environment.iter().copied())
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null());
        let daemon = Self { child: command.spawn().unwrap(), url: format!("http://{port}") };
        daemon.wait_for("it answers", |_| true).await;
        daemon
    }

    /// What stands, as JSON; asked until `is_right` or for a minute.
    async fn wait_for(&self, what: &str, is_right: impl Fn(&Value) -> bool) -> Value {
        for _ in 0..600 {
            let output = setward(&["alarms", "--url", &self.url, "--json"]);
            if let Ok(found) = serde_json::from_slice::<Value>(&output.stdout)
                && is_right(&found)
            {
                return found;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        panic!("not within a minute: {what}");
    }

    fn signal(&self, name: &str) {
        let pid = self.child.id().to_string();
        assert!(Command::new("kill").args([name, &pid]).status().unwrap().success());
    }
}

fn setward(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_setward")).args(arguments).output().unwrap()
}

fn told(output: &Output) -> String {
    String::from_utf8_lossy(&[output.stdout.clone(), output.stderr.clone()].concat()).into_owned()
}

fn alarm(found: &Value, id: &str) -> Option<Value> {
    let alarms = found["alarms"].as_array()?;
    alarms.iter().find(|one| one["id"] == id && one["active"] == true).cloned()
}

fn change(folder: &Path, file: &str, from: &str, to: &str) {
    let path = folder.join(file);
    let text = std::fs::read_to_string(&path).unwrap();
    assert!(text.contains(from), "{file} has no {from}");
    std::fs::write(path, text.replacen(from, to, 1)).unwrap();
}

#[tokio::test]
async fn a_reload_checks_first_keeps_what_stands_and_tells_what_has_changed() {
    let folder = demo_folder();
    let path = folder.path().to_str().unwrap();
    let daemon = Daemon::start(folder.path(), &[]).await;
    let reload = |more: &[&str]| {
        let arguments = [&["reload", path, "--url", &daemon.url, "--by", "Ana"], more].concat();
        setward(&arguments)
    };
    let lost =
        daemon.wait_for("the fryer is lost", |found| alarm(found, "communication.fryer").is_some()).await;
    let run = lost["run"].as_i64().unwrap();
    let by = ["alarms", "--url", &daemon.url, "--acknowledge", "communication.fryer", "--by", "Ana"];
    assert!(setward(&by).status.success());

    let unchanged = reload(&[]);
    assert_eq!(unchanged.status.code(), Some(0), "{}", told(&unchanged));
    assert!(told(&unchanged).contains("unchanged"));

    change(folder.path(), "line.toml", "unit = \"degC\"", "unit = \"degX\"");
    let refused = reload(&[]);
    assert_eq!(refused.status.code(), Some(3), "{}", told(&refused));
    for phrase in ["line.toml:", "degX", "nothing was changed"] {
        assert!(told(&refused).contains(phrase), "{phrase}: {}", told(&refused));
    }
    let still = daemon.wait_for("it goes on", |_| true).await;
    assert_eq!(still["run"].as_i64(), Some(run), "the run is the same");

    change(folder.path(), "line.toml", "unit = \"degX\"", "unit = \"degC\"");
    change(
        folder.path(),
        "line.toml",
        "name = \"Fryer oil inlet temperature\"",
        "name = \"Oil at the inlet\"",
    );
    let done = reload(&["--json"]);
    assert_eq!(done.status.code(), Some(0), "{}", told(&done));
    let answer: Value = serde_json::from_slice(&done.stdout).unwrap();
    assert_eq!(answer["reloaded"]["run"].as_i64(), Some(run + 1), "{answer}");
    assert!(answer["reloaded"]["changes"].to_string().contains("TT-310"), "{answer}");
    let after = daemon.wait_for("the new run", |found| found["run"].as_i64() == Some(run + 1)).await;
    let fryer = alarm(&after, "communication.fryer").unwrap();
    let before = alarm(&lost, "communication.fryer").unwrap();
    assert_eq!(fryer["occurrence"], before["occurrence"], "{fryer}");
    assert!(fryer["state"].as_str().unwrap().contains("acknowledged"), "{fryer}");
    assert_eq!(fryer["raised_at"], before["raised_at"], "it stands since then: {fryer}");
    assert_eq!(fryer["acknowledged_by"], "Ana", "{fryer}");

    change(
        folder.path(),
        "line.toml",
        "name = \"Oil at the inlet\"",
        "name = \"Fryer oil inlet temperature\"",
    );
    daemon.signal("-HUP");
    daemon.wait_for("the run after the signal", |found| found["run"].as_i64() == Some(run + 2)).await;
    change(folder.path(), "site.toml", "data_dir = \".setward\"", "data_dir = \"elsewhere\"");
    let moved = reload(&[]);
    assert_eq!(moved.status.code(), Some(1), "{}", told(&moved));
    assert!(told(&moved).contains("data_dir") && told(&moved).contains("start it again"), "{}", told(&moved));
    drop(daemon);
    assert_eq!(setward(&["reload", path, "--url", "http://127.0.0.1:9"]).status.code(), Some(4));
}

#[tokio::test]
async fn a_service_manager_sees_ready_then_signs_of_life_then_stopping_and_the_history_is_whole() {
    let folder = demo_folder();
    let name = folder.path().join("notify");
    let socket = UnixDatagram::bind(&name).unwrap();
    socket.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
    let hear = || {
        let mut bytes = [0; 256];
        let count = socket.recv(&mut bytes).unwrap();
        String::from_utf8_lossy(&bytes[..count]).into_owned()
    };
    let environment = [("NOTIFY_SOCKET", name.to_str().unwrap()), ("WATCHDOG_USEC", "3000000")];
    let mut daemon = Daemon::start(folder.path(), &environment).await;
    assert!(hear().starts_with("READY=1\nSTATUS="));
    assert_eq!([hear(), hear(), hear()], ["WATCHDOG=1"; 3]);
    daemon.signal("-TERM");
    while hear() != "STOPPING=1" {}
    // What each part of the end may take is less than five seconds in all; a busy machine is given more here.
    let mut ended = None;
    for _ in 0..300 {
        tokio::time::sleep(Duration::from_millis(100)).await;
        ended = daemon.child.try_wait().unwrap();
        if ended.is_some() {
            break;
        }
    }
    assert!(ended.unwrap().success());
    let found = verify_folder(&folder.path().join(".setward")).unwrap();
    assert!(found.is_sound(), "{found}");
    assert!(found.readings + found.journal_rows > 0, "{found}");
}

/// A plant where nobody is; on a panic on purpose, somebody.
struct Nobody {
    panics: AtomicUsize,
    at: &'static str,
}

#[async_trait]
impl Dial for Nobody {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        if endpoint == self.at {
            let left =
                self.panics.fetch_update(Ordering::Relaxed, Ordering::Relaxed, |left| left.checked_sub(1));
            assert!(left.is_err(), "a fault on purpose");
        }
        Err(io::ErrorKind::ConnectionRefused.into())
    }
}

fn nobody(panics: usize) -> Arc<Nobody> {
    Arc::new(Nobody { panics: AtomicUsize::new(panics), at: "127.0.0.1:15503" })
}

/// A history that can be told to answer nothing until it is told otherwise.
struct Hanging {
    store: InlineStore,
    hangs: AtomicBool,
}

#[async_trait]
impl HistoryStore for Hanging {
    async fn start_run(&self, run: NewRun) -> Result<RunId, HistoryError> {
        self.store.start_run(run).await
    }

    async fn append(&self, run: RunId, batch: Batch) -> Result<(), HistoryError> {
        while self.hangs.load(Ordering::Relaxed) {
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        self.store.append(run, batch).await
    }

    async fn alarm_records(&self) -> Result<Vec<AlarmRecord>, HistoryError> {
        self.store.alarm_records().await
    }

    async fn samples(
        &self,
        tag: String,
        from: UtcMillis,
        to: UtcMillis,
        limit: usize,
    ) -> Result<Vec<StoredSample>, HistoryError> {
        self.store.samples(tag, from, to, limit).await
    }

    async fn events(&self, alarm: Option<String>, limit: usize) -> Result<Vec<StoredEvent>, HistoryError> {
        self.store.events(alarm, limit).await
    }
}

/// What has come to a service manager's socket.
fn heard(socket: &UnixDatagram) -> Vec<String> {
    let mut words = Vec::new();
    let mut bytes = [0; 256];
    while let Ok(count) = socket.recv(&mut bytes) {
        words.push(String::from_utf8_lossy(bytes.get(..count).unwrap()).into_owned());
    }
    words
}

const START: UtcMillis = UtcMillis(1_795_572_000_000);

fn line() -> Arc<Line> {
    Arc::new(setward_config::load_demo().unwrap().line)
}

#[tokio::test(start_paused = true)]
async fn a_store_that_hangs_stops_the_signs_of_life_though_polling_and_alarms_go_on() {
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("notify");
    let socket = UnixDatagram::bind(&name).unwrap();
    socket.set_nonblocking(true).unwrap();
    let heard = || heard(&socket);
    let history =
        Arc::new(Hanging { store: InlineStore::in_memory().unwrap(), hangs: AtomicBool::new(false) });
    let edges = Edges { dial: nobody(0), history: history.clone(), clock: Clock::starting_at(START) };
    let line = line();
    let running = start(Arc::clone(&line), edges).await.unwrap();
    let way = (running.handle(), running.store_status());
    let manager = ServiceManager::at(name.to_str().unwrap(), Some(Duration::from_secs(10))).unwrap();
    let life = tokio::spawn(async move {
        let mut was_told = false;
        tell_of_life(&manager, way, &line, &mut was_told).await;
    });
    tokio::time::sleep(Duration::from_secs(61)).await;
    let words = heard();
    assert!(words[0].starts_with("READY=1"), "{words:?}");
    let pings = words.iter().filter(|word| *word == "WATCHDOG=1").count();
    assert!((10..=13).contains(&pings), "one each five seconds: {words:?}");
    history.hangs.store(true, Ordering::Relaxed);
    tokio::time::sleep(Duration::from_secs(11)).await;
    let _last_before_it_shows = heard();
    let before = running.handle().glance().counts.scans;
    tokio::time::sleep(Duration::from_secs(120)).await;
    assert_eq!(heard(), Vec::<String>::new(), "no sign of life while the store hangs");
    assert!(running.handle().glance().counts.scans > before, "polling goes on");
    life.abort();
}

#[tokio::test(start_paused = true)]
async fn a_disk_that_stalls_for_less_than_the_service_manager_waits_ends_nothing() {
    const WATCHDOG: Duration = Duration::from_secs(10);
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("notify");
    let socket = UnixDatagram::bind(&name).unwrap();
    socket.set_nonblocking(true).unwrap();
    let history =
        Arc::new(Hanging { store: InlineStore::in_memory().unwrap(), hangs: AtomicBool::new(false) });
    let clock = Clock::starting_at(START);
    let edges = Edges { dial: nobody(0), history: history.clone(), clock };
    let line = line();
    let running = start(Arc::clone(&line), edges).await.unwrap();
    let way = (running.handle(), running.store_status());
    let manager = ServiceManager::at(name.to_str().unwrap(), Some(WATCHDOG)).unwrap();
    let life = tokio::spawn(async move {
        let mut was_told = false;
        tell_of_life(&manager, way, &line, &mut was_told).await;
    });
    tokio::time::sleep(Duration::from_secs(5)).await;
    let mut last = clock.now();
    // A stall of 6 s each 16.3 s, so that one begins at every part of the time between two looks.
    for tenth in 0..10 * 160 {
        history.hangs.store(tenth % 163 >= 103, Ordering::Relaxed);
        tokio::time::sleep(Duration::from_millis(100)).await;
        if !heard(&socket).is_empty() {
            last = clock.now();
        }
        let silent = clock.now() - last;
        assert!(
            silent < WATCHDOG - Duration::from_secs(1),
            "{silent:?}, {} s after the start",
            tenth / 10 + 5
        );
    }
    life.abort();
}

/// As while a line is being commissioned: a controller of which nothing is wired yet is asked for nothing.
#[tokio::test(start_paused = true)]
async fn a_controller_with_nothing_wired_yet_does_not_keep_the_service_manager_waiting() {
    for all in [false, true] {
        let mut line = setward_config::load_demo().unwrap().line;
        for signal in &mut line.signals {
            let of_first = signal.register().is_some_and(|register| register.controller.index() == 0);
            signal.commissioned &= !(of_first || all);
        }
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("notify");
        let socket = UnixDatagram::bind(&name).unwrap();
        socket.set_nonblocking(true).unwrap();
        let line = Arc::new(line);
        let history = Arc::new(InlineStore::in_memory().unwrap());
        let edges = Edges { dial: nobody(0), history, clock: Clock::starting_at(START) };
        let running = start(Arc::clone(&line), edges).await.unwrap();
        let way = (running.handle(), running.store_status());
        let manager = ServiceManager::at(name.to_str().unwrap(), Some(Duration::from_secs(10))).unwrap();
        let mut was_told = false;
        let life = tell_of_life(&manager, way, &line, &mut was_told);
        // No more than the system keeps for a socket at which nobody reads.
        assert!(tokio::time::timeout(Duration::from_secs(42), life).await.is_err(), "it goes on for ever");
        let words = heard(&socket);
        assert!(words.first().is_some_and(|word| word.starts_with("READY=1")), "{all}: {words:?}");
        let pings = words.iter().filter(|word| *word == "WATCHDOG=1").count();
        assert!(pings >= 8, "all through, all of it unwired: {all}: {words:?}");
        running.stop().await.unwrap();
    }
}

#[tokio::test(start_paused = true)]
async fn a_poller_that_panics_is_recorded_and_begun_anew_and_one_that_always_does_ends_the_run() {
    for (panics, gives_up) in [(3, false), (usize::MAX, true)] {
        let history = Arc::new(InlineStore::in_memory().unwrap());
        let edges =
            Edges { dial: nobody(panics), history: history.clone(), clock: Clock::starting_at(START) };
        let mut running = start(line(), edges).await.unwrap();
        let failed = tokio::time::timeout(Duration::from_secs(300), running.failed()).await;
        match (failed, gives_up) {
            (Ok(Failed::TooOften(why)), true) => {
                assert!(why.contains("127.0.0.1:15503") && why.contains("a fault on purpose"), "{why}");
            }
            (Err(_elapsed), false) => {}
            (other, _) => panic!("{other:?}"),
        }
        let snapshot = running.handle().glance();
        let scans: Vec<u64> = snapshot.controllers.iter().map(|view| view.scans_failed).collect();
        assert!(
            scans.iter().enumerate().all(|(index, scans)| index == 2 || *scans > 0),
            "the others go on: {scans:?}"
        );
        running.stop().await.unwrap();
        let events = history.events(None, 1000).await.unwrap();
        let failures = events.iter().filter(|stored| stored.event.what == "polling failed").count();
        assert_eq!(failures, if gives_up { 6 } else { 3 });
        assert_eq!(events[0].event.what, "stopped", "in order, all the same");
    }
}

#[tokio::test(start_paused = true)]
async fn an_alarm_that_is_gone_from_the_files_is_closed_with_the_reason() {
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let line = line();
    let run = history.start_run(NewRun::of(&line, START, "0")).await.unwrap();
    let open = AlarmRecord {
        id: "oil-smokes".to_owned(),
        state: 'B',
        occurrence: 4,
        was_told: true,
        drops_exposure: false,
        exposure: 0.0,
        waited: std::time::Duration::ZERO,
        waited_under: 0,
        onset: None,
        raised: Some(START),
        cleared: None,
        acknowledged: None,
        shelf: None,
        out_of_service: None,
    };
    let calm = AlarmRecord { id: "oil-foams".to_owned(), state: 'A', ..open.clone() };
    let batch = Batch { alarms: vec![open, calm], ..Batch::default() };
    history.append(run, batch).await.unwrap();
    for round in 0..2 {
        let edges = Edges { dial: nobody(0), history: history.clone(), clock: Clock::starting_at(START) };
        let running = start(Arc::clone(&line), edges).await.unwrap();
        tokio::time::sleep(Duration::from_secs(2)).await;
        running.stop().await.unwrap();
        let events = history.events(Some("oil-smokes".to_owned()), 10).await.unwrap();
        assert_eq!(events.len(), 1, "closed once, in the first run after: round {round}");
        let event = &events[0].event;
        assert_eq!((event.what.as_str(), event.states.as_str(), event.occurrence), ("cleared", "BA", 4));
        assert!(event.note.as_ref().unwrap().contains("no longer in the line folder"));
        assert_eq!(history.events(Some("oil-foams".to_owned()), 10).await.unwrap(), []);
    }
}
