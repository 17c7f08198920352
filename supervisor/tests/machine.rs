//! The machine under the daemon: no descriptors left, a program that is frozen for a while, questions larger than any page asks. The
//! program itself, the simulator's controllers and clients meet over sockets of this machine.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "tests: a panic is a failed test")]

use serde_json::Value;
use setward::clock::Clock;
use setward::history::sqlite::InlineStore;
use setward::history::{Batch, HistoryStore as _, NewRun, NewSample, Settings};
use setward_config::line::{Line, Role};
use setward_protocol::{Reading, SignalId, Uptime, UtcMillis};
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::TcpStream;
use std::process::{Child, Command, Stdio};
use std::thread::JoinHandle;
use std::time::Duration;

/// The demo's controllers, served on a thread of their own until dropped, and a line folder that names them.
struct Plant {
    folder: tempfile::TempDir,
    line: Line,
    stop: Option<tokio::sync::oneshot::Sender<()>>,
    serving: Option<JoinHandle<()>>,
}

impl Plant {
    fn start() -> Self {
        let mut line = setward_config::load_demo().unwrap().line;
        let before: Vec<String> = line.controllers.iter().map(|one| one.endpoint.clone()).collect();
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        let bound = runtime.block_on(sim_plc::bind(&mut line, true)).unwrap();
        let folder = tempfile::tempdir().unwrap();
        for (name, text) in setward_config::demo_files() {
            let file = folder.path().join(name);
            std::fs::create_dir_all(file.parent().unwrap()).unwrap();
            let ports = before.iter().zip(&line.controllers);
            let text = ports.fold((*text).to_owned(), |text, (old, new)| text.replace(old, &new.endpoint));
            std::fs::write(file, text).unwrap();
        }
        let simulator = sim_plc::Simulator::new(&line, 1);
        let (stop, stopped) = tokio::sync::oneshot::channel();
        let serving = std::thread::spawn(move || {
            runtime.block_on(sim_plc::serve(bound, simulator, async {
                let _dropped = stopped.await;
            }));
        });
        Self { folder, line, stop: Some(stop), serving: Some(serving) }
    }
}

impl Drop for Plant {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(serving) = self.serving.take() {
            let _ended = serving.join();
        }
    }
}

/// `setward run` on a plant's folder, killed with the test.
struct Daemon {
    child: Child,
    page: String,
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _gone = self.child.kill();
        let _ended = self.child.wait();
    }
}

impl Daemon {
    /// Starts it and waits until every controller has been asked.
    fn start(plant: &Plant) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_setward"));
        command.arg("run").arg(plant.folder.path()).args(["--page", "127.0.0.1:0", "--for", "120 s"]);
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::null());
        let mut child = command.spawn().unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
        let address =
            lines.find_map(|line| line.split_once("http://").map(|(_, rest)| rest.to_owned())).unwrap();
        let page = address.split(['/', ' ']).next().unwrap().to_owned();
        // What it says later must not fill the pipe.
        std::thread::spawn(move || lines.for_each(drop));
        let daemon = Self { child, page };
        wait_until("every controller has been asked", || daemon.ask("/readyz").0 == 200);
        daemon
    }

    fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(&self.page).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
        stream
    }

    fn ask(&self, path: &str) -> (u16, Vec<u8>) {
        ask(&mut self.connect(), path)
    }

    fn signal(&self, name: &str) {
        assert!(Command::new("kill").args([name, &self.child.id().to_string()]).status().unwrap().success());
    }

    /// Numbers of its open descriptors, in order.
    fn descriptors(&self) -> Vec<usize> {
        let entries = std::fs::read_dir(format!("/proc/{}/fd", self.child.id())).unwrap();
        let mut numbers: Vec<usize> =
            entries.map(|entry| entry.unwrap().file_name().to_str().unwrap().parse().unwrap()).collect();
        numbers.sort_unstable();
        numbers
    }

    /// How many numbers below `limit` are free.
    fn free_below(&self, limit: usize) -> usize {
        limit - self.descriptors().into_iter().filter(|number| *number < limit).count()
    }
}

/// One question over a connection that stays: status and body.
fn ask(stream: &mut TcpStream, path: &str) -> (u16, Vec<u8>) {
    stream.write_all(format!("GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n").as_bytes()).unwrap();
    let mut reader = BufReader::new(stream);
    let head: Vec<String> =
        std::iter::from_fn(|| Some(read_line(&mut reader)).filter(|line| !line.is_empty())).collect();
    let status = head[0].split(' ').nth(1).unwrap().parse().unwrap();
    let length = head.iter().find_map(|line| line.strip_prefix("content-length: ")?.parse().ok());
    if let Some(length) = length {
        let mut body = vec![0; length];
        reader.read_exact(&mut body).unwrap();
        return (status, body);
    }
    let mut body = Vec::new();
    loop {
        let size = usize::from_str_radix(&read_line(&mut reader), 16).unwrap();
        let mut chunk = vec![0; size + 2];
        reader.read_exact(&mut chunk).unwrap();
        body.extend_from_slice(&chunk[..size]);
        if size == 0 {
            return (status, body);
        }
    }
}

fn read_line(reader: &mut impl std::io::BufRead) -> String {
    let mut line = String::new();
    reader.read_line(&mut line).unwrap();
    line.trim_end().to_ascii_lowercase()
}

/// What the line's controllers and counters say.
#[derive(Debug)]
struct Polled {
    good: Vec<u64>,
    failed: u64,
    lost: u64,
    raised: u64,
    problem: Value,
}

fn polled(stream: &mut TcpStream) -> Polled {
    let (status, body) = ask(stream, "/api/v1/line");
    assert_eq!(status, 200);
    let body: Value = serde_json::from_slice(&body).unwrap();
    let (item, counts) = (&body["item"], &body["item"]["counts"]);
    let controllers = item["controllers"].as_array().unwrap();
    let count = |of: &Value| of.as_u64().unwrap_or_else(|| panic!("no number in {item}"));
    Polled {
        good: controllers.iter().map(|one| count(&one["scans_good"])).collect(),
        failed: controllers.iter().map(|one| count(&one["scans_failed"])).sum(),
        lost: count(&counts["samples_lost"]) + count(&counts["events_lost"]),
        raised: count(&counts["alarms_raised"]),
        problem: item["history_problem"].clone(),
    }
}

#[expect(clippy::disallowed_methods, reason = "what is waited for is another process")]
fn rest(span: Duration) {
    std::thread::sleep(span);
}

/// Waits for a condition, a minute at most.
fn wait_until(what: &str, mut holds: impl FnMut() -> bool) {
    for _ in 0..600 {
        if holds() {
            return;
        }
        rest(Duration::from_millis(100));
    }
    panic!("not within a minute: {what}");
}

/// Every controller has `more` whole scans more than `before`.
fn wait_for_scans(stream: &mut TcpStream, before: &Polled, more: u64) -> Polled {
    let mut now = polled(stream);
    wait_until("scans go on", || {
        now = polled(stream);
        now.good.iter().zip(&before.good).all(|(now, before)| *now >= before + more)
    });
    now
}

#[test]
fn without_a_descriptor_left_polling_and_history_go_on_and_the_page_comes_back_by_itself() {
    let plant = Plant::start();
    let daemon = Daemon::start(&plant);
    let mut asked_before = daemon.connect();
    let before = polled(&mut asked_before);
    let limit = daemon.descriptors().len() + 30;
    let pid = daemon.child.id().to_string();
    let limited =
        Command::new("prlimit").args(["--pid", &pid, &format!("--nofile={limit}:{limit}")]).status();
    assert!(limited.unwrap().success());
    let crowd: Vec<TcpStream> = (0..100).map(|_| TcpStream::connect(&daemon.page).unwrap()).collect();
    wait_until("none is left", || daemon.free_below(limit) == 0);

    let during = wait_for_scans(&mut asked_before, &before, 5);
    assert_eq!(daemon.free_below(limit), 0, "still none is left");
    assert_eq!((during.failed, during.lost, &during.problem), (before.failed, 0, &Value::Null), "{during:?}");
    assert_eq!(during.raised, before.raised, "nobody is called for it");

    drop(crowd);
    assert_eq!(daemon.ask("/readyz").0, 200, "the page lets people in again");
    wait_until("what the crowd held is given back", || daemon.free_below(limit) > 20);
}

#[test]
fn a_frozen_program_goes_on_with_fresh_values_after_a_gap_and_calls_nobody_for_it() {
    let plant = Plant::start();
    let mut daemon = Daemon::start(&plant);
    let mut stream = daemon.connect();
    let first = polled(&mut stream);
    let before = wait_for_scans(&mut stream, &first, 3);
    daemon.signal("-STOP");
    // The fault itself: longer than three polls and a reply, so that nothing may be known of it.
    rest(Duration::from_secs(6));
    daemon.signal("-CONT");
    let mut again = daemon.connect();
    let after = wait_for_scans(&mut again, &before, 6);
    assert_eq!((after.raised, after.lost), (before.raised, 0), "{after:?}");
    daemon.signal("-TERM");
    assert!(daemon.child.wait().unwrap().success());

    let tag = plant.line.signals.iter().find(|one| one.tag == "TT-310").unwrap().tag.clone();
    let store = InlineStore::open_without_syncs(&plant.folder.path().join(".setward"), Settings::default());
    let store = store.unwrap();
    let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
    let kept = runtime.block_on(store.samples(tag, UtcMillis(0), UtcMillis(i64::MAX), 10_000)).unwrap();
    let good: Vec<i64> =
        kept.iter().filter(|one| one.reading.good().is_some()).map(|one| one.utc.0).collect();
    let apart: Vec<i64> = good.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let gaps = apart.iter().filter(|apart_ms| **apart_ms >= 5_000).count();
    assert_eq!(gaps, 1, "one gap: {apart:?}");
    let after_gap = apart.iter().skip_while(|apart_ms| **apart_ms < 5_000).skip(1);
    let burst: Vec<_> = after_gap.clone().filter(|apart_ms| **apart_ms < 500).collect();
    assert!(after_gap.count() >= 5 && burst.len() <= 1, "what was missed is not made up for: {apart:?}");
}

/// Hours of every signal, up to now.
fn seed(plant: &Plant, hours: u64) {
    let folder = plant.folder.path().join(".setward");
    let store = InlineStore::open_without_syncs(&folder, Settings::default()).unwrap();
    let start = UtcMillis(Clock::system().utc().0 - 1000 * (3600 * hours + 60) as i64);
    let signals = u16::try_from(plant.line.signals.len()).unwrap();
    let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
    runtime.block_on(async {
        let run = store.start_run(NewRun::of(&plant.line, start, "0")).await.unwrap();
        for minute in 0..60 * hours {
            let sample = |second: u64, signal: u16| NewSample {
                signal,
                utc: UtcMillis(start.0 + 1000 * second as i64),
                at: Uptime::from_millis(1000 * second),
                reading: value(plant, signal, second),
            };
            let seconds = 60 * minute..60 * (minute + 1);
            let samples = seconds.flat_map(|second| (0..signals).map(move |signal| sample(second, signal)));
            store.append(run, Batch { samples: samples.collect(), ..Batch::default() }).await.unwrap();
        }
    });
}

/// Codes stand still: steps and tanks that change each second would be batches without end.
fn value(plant: &Plant, signal: u16, second: u64) -> Reading {
    let signal = plant.line.signal(SignalId(signal));
    let (low, high) = signal.range;
    if signal.role == Role::Status {
        return Reading::Good(low);
    }
    Reading::Good(low + (high - low) * ((second % 600) as f64 / 600.0))
}

#[test]
fn twenty_huge_questions_at_once_are_bounded_and_cost_polling_nothing() {
    let plant = Plant::start();
    seed(&plant, 3);
    let daemon = Daemon::start(&plant);
    let tags: Vec<&str> = plant.line.signals.iter().map(|one| one.tag.as_str()).take(8).collect();
    let trend = format!("signals={}&last=10d", tags.join(","));
    let questions = [
        format!("/api/v1/trend?{trend}"),
        format!("/trend?{trend}"),
        format!("/trend.csv?{trend}"),
        format!("/trend.png?{trend}"),
        "/api/v1/events?limit=1000000".to_owned(),
    ];
    let mut stream = daemon.connect();
    let before = polled(&mut stream);
    std::thread::scope(|scope| {
        for nth in 0..20 {
            let (daemon, question) = (&daemon, &questions[nth % questions.len()]);
            scope.spawn(move || {
                for _ in 0..3 {
                    let (status, body) = daemon.ask(question);
                    println!("{question}: {status}, {} bytes", body.len());
                    assert!(status < 500 || status == 503, "{question}: {status}");
                    assert!(body.len() < 64 << 20, "{question}: {} bytes", body.len());
                }
            });
        }
        let during = wait_for_scans(&mut stream, &before, 8);
        assert_eq!(
            (during.failed, during.lost, during.raised),
            (before.failed, 0, before.raised),
            "{during:?}"
        );
    });
}

/// `setward run` for a second under a limit of the system: how it ended, and what it said.
fn run_under(limit: &[&str], plant: &Plant) -> (Option<i32>, String) {
    let mut command = Command::new(limit[0]);
    command.args(&limit[1..]).arg(env!("CARGO_BIN_EXE_setward")).arg("run").arg(plant.folder.path());
    let output = command.args(["--page", "127.0.0.1:0", "--for", "1 s"]).output().unwrap();
    (output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned())
}

/// From three descriptors, with which nothing can be opened, to as many as it takes: refused in words, or as if nothing were.
#[test]
fn whichever_descriptor_is_the_first_that_is_lacking_the_start_says_so_or_goes_well() {
    let plant = Plant::start();
    let mut ends = Vec::new();
    for most in 4..64 {
        let (code, said) = run_under(&["prlimit", &format!("--nofile={most}:{most}")], &plant);
        assert!(!said.contains("panicked"), "{most}: {said}");
        match code {
            Some(0) => {}
            // The system's own loader needs one too.
            Some(127) => assert!(said.contains("shared"), "{most}: {said}"),
            Some(1) => assert!(said.contains("open") || said.contains("descriptor"), "{most}: {said}"),
            other => panic!("{most}: {other:?} {said}"),
        }
        ends.push(code);
        if ends.ends_with(&[Some(0); 3]) {
            break;
        }
    }
    assert!(ends.contains(&Some(1)) && ends.ends_with(&[Some(0); 3]), "{ends:?}");
}

/// The same of threads. The system's limit on them does not hold for root, so somebody without rights starts the program.
#[test]
fn whichever_thread_is_the_first_that_can_not_begin_the_start_says_so_or_goes_well() {
    const NOBODY: u32 = 65_534;
    let plant = Plant::start();
    if std::os::unix::fs::chown(plant.folder.path(), Some(NOBODY), Some(NOBODY)).is_err() {
        println!("not measured: only root can start a program as somebody else");
        return;
    }
    let program = plant.folder.path().join("setward");
    std::fs::copy(env!("CARGO_BIN_EXE_setward"), &program).unwrap();
    let mut ends = Vec::new();
    for most in 1..16 {
        let user = [format!("--reuid={NOBODY}"), format!("--regid={NOBODY}"), "--clear-groups".to_owned()];
        let mut command = Command::new("setpriv");
        command.args(user).args(["prlimit", &format!("--nproc={most}:{most}")]);
        command.arg(&program).arg("run").arg(plant.folder.path());
        let output = command.args(["--page", "127.0.0.1:0", "--for", "1 s"]).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(!said.contains("panicked"), "{most}: {said}");
        match output.status.code() {
            Some(0) => {}
            Some(1) => assert!(said.contains("thread"), "{most}: {said}"),
            other => panic!("{most}: {other:?} {said}"),
        }
        ends.push(output.status.code());
        if ends.ends_with(&[Some(0); 3]) {
            break;
        }
    }
    assert!(ends.contains(&Some(1)) && ends.ends_with(&[Some(0); 3]), "{ends:?}");
}
