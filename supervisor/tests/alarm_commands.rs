//! Replay and the alarm report as a person at a shell meets them.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "tests: a panic is a failed test")]

use serde_json::Value;
use setward::history::sqlite::ThreadedStore;
use setward::history::{Batch, Event, HistoryStore as _, NewRun, NewSample, Span, bands_of};
use setward::replay::Replay;
use setward_config::line::Line;
use setward_protocol::{Reading, Uptime, UtcMillis};
use std::path::Path;
use std::process::{Command, Output};
use std::sync::Arc;

/// 2026-11-25T02:00:00Z.
const START_MS: i64 = 1_795_572_000_000;
const SECONDS: i64 = 7_200;
const WINDOW: [&str; 6] = ["--from", "2026-11-25T02:00:00Z", "--to", "2026-11-25T04:00:00Z", "--zone", "UTC"];

fn setward(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_setward")).args(arguments).output().unwrap()
}

/// The exit code and every phrase in what is told on stderr; gives stdout.
fn check(arguments: &[&str], code: i32, phrases: &[&str]) -> String {
    let output = setward(arguments);
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    let out = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(code), "{arguments:?}: {told}{out}");
    for phrase in phrases {
        assert!(told.contains(phrase), "{arguments:?} does not say {phrase:?}: {told}");
    }
    out
}

fn demo_folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in setward_config::demo_files() {
        let file = folder.path().join(name);
        std::fs::create_dir_all(file.parent().unwrap()).unwrap();
        std::fs::write(file, text).unwrap();
    }
    folder
}

/// The alarm of a server called central.
const SERVER: &str = "server.central";

/// The inlet at 182 degC, and 6 K below for as long as the list says, from each of its moments on.
const COLD: [(i64, i64); 3] = [(1_000, 50), (2_500, 100), (5_000, 200)];

fn inlet(second: i64) -> f64 {
    let is_cold = COLD.iter().any(|(from, length)| (*from..from + length).contains(&second));
    if is_cold { 176.0 } else { 182.0 }
}

/// Two hours of the fryer's inlet with what the engine told of it; an acknowledgement, a stop.
async fn watched(folder: &Path) {
    let line = setward_config::load(folder).unwrap().line;
    let store = ThreadedStore::open(&line.data_dir).unwrap();
    let mut new = NewRun::of(&line, UtcMillis(START_MS), "0");
    new.fingerprint.clone_from(&line.fingerprint);
    let run = store.start_run(new).await.unwrap();
    let signal = line.signals.iter().position(|signal| signal.tag == "TT-310").unwrap() as u16;
    let mut bands = bands_of(&line, Uptime::START, UtcMillis(START_MS));
    for from in (1..SECONDS).step_by(600) {
        let sample = |second: i64| NewSample {
            signal,
            utc: UtcMillis(START_MS + second * 1000),
            at: Uptime::from_millis(second as u64 * 1000),
            reading: Reading::Good(inlet(second)),
        };
        let samples = (from..(from + 600).min(SECONDS)).map(sample).collect();
        let batch = Batch { samples, bands: std::mem::take(&mut bands), ..Batch::default() };
        store.append(run, batch).await.unwrap();
    }
    let events = told(line, &store).await;
    store.append(run, Batch { events, ..Batch::default() }).await.unwrap();
    drop(store);
    // Its thread closes the file behind it, then lets go of the lock.
    std::fs::File::open(folder.join(".setward/lock")).unwrap().lock().unwrap();
}

/// What the engine tells of these samples, with the run's own events around it.
async fn told(line: Line, store: &ThreadedStore) -> Vec<Event> {
    let has_server = line.alarm_by_id(SERVER).is_some();
    let lines = [Arc::new(line)];
    let span = Span::new(UtcMillis(START_MS), UtcMillis(START_MS + SECONDS * 1000)).unwrap();
    let outcome = Replay { lines: &lines, store, span }.run(&mut |_| {}).await.unwrap();
    let own = |second: i64, what: &str| Event {
        sequence: 0,
        utc: UtcMillis(START_MS + second * 1000),
        at: Uptime::from_millis(second as u64 * 1000),
        alarm: None,
        occurrence: 0,
        what: what.to_owned(),
        states: String::new(),
        onset: None,
        value: None,
        exposure: None,
        by: None,
        note: None,
    };
    let mut events = vec![own(0, "started")];
    events.extend(outcome.told.into_iter().flatten().map(|stored| stored.event));
    if has_server {
        let (alarm, states) = (Some(SERVER.to_owned()), "AB".to_owned());
        events.push(Event { alarm, occurrence: 1, states, ..own(3_000, "raised") });
    }
    events.push(own(SECONDS, "stopped"));
    for (sequence, event) in (1..).zip(&mut events) {
        event.sequence = sequence;
    }
    events
}

fn of_inlet(report: &Value, variant: usize) -> Value {
    let alarms = report["settings"][variant]["alarms"].as_array().unwrap();
    alarms.iter().find(|one| one["alarm"] == "fryer-inlet-cold").cloned().unwrap_or_default()
}

/// Exposure grows by 3 K a second beyond the tolerance of 3 K: 240 K.s take 80 s, so of 50, 100 and 200 s two call. With half
/// the allowance all three do, 40 s sooner; with twice as much only the last, 80 s later.
#[tokio::test]
async fn a_replay_says_what_would_have_been_called_and_how_much_sooner() {
    let folder = demo_folder();
    watched(folder.path()).await;
    let path = folder.path().to_str().unwrap();
    let replay = |more: &[&str]| {
        let arguments = [&["replay", path][..], &WINDOW, more].concat();
        check(&arguments, 0, &[])
    };
    let before = std::fs::metadata(folder.path().join(".setward/history.sqlite")).unwrap();
    let report: Value = serde_json::from_str(&replay(&["--json", "--sweep", "allowance=0.5,1,2"])).unwrap();
    let half = of_inlet(&report, 0);
    let (then, now, missed, added) = (&half["then"], &half["now"], &half["missed"], &half["added"]);
    assert_eq!([then, now, missed, added], [2, 3, 0, 1].map(Value::from).each_ref(), "{half}");
    assert_eq!((&half["later_least_s"], &half["later_most_s"]), (&(-40.0).into(), &(-40.0).into()));
    let same = of_inlet(&report, 1);
    assert_eq!((&same["then"], &same["now"], &same["later_median_s"]), (&2.into(), &2.into(), &0.0.into()));
    let twice = of_inlet(&report, 2);
    assert_eq!((&twice["missed"], &twice["later_median_s"]), (&1.into(), &80.0.into()));
    assert_eq!(report["readings"], SECONDS - 1);
    let after = std::fs::metadata(folder.path().join(".setward/history.sqlite")).unwrap();
    assert_eq!(before.modified().unwrap(), after.modified().unwrap(), "a replay writes nothing");
    let text = replay(&["--sweep", "allowance=0.5,2", "--only", "fryer-inlet-cold"]);
    assert!(text.contains("40.0 s sooner") && text.contains("80.0 s later"), "{text}");
}

/// No reading tells how a server did: that it was down then is not missed now.
#[tokio::test]
async fn an_alarm_about_a_server_is_not_replayed_which_is_said_and_nothing_else_of_it() {
    let folder = demo_folder();
    let site = folder.path().join("site.toml");
    let text = std::fs::read_to_string(&site).unwrap();
    let server = "[[server]]\nname = \"central\"\nurl = \"http://127.0.0.1:8428\"\nbucket = \"line-2\"\n";
    std::fs::write(&site, format!("{text}\n{server}")).unwrap();
    watched(folder.path()).await;
    let path = folder.path().to_str().unwrap();
    let out = check(&[&["replay", path, "--json"][..], &WINDOW].concat(), 0, &[]);
    let report: Value = serde_json::from_str(&out).unwrap();
    let alarms = report["settings"][0]["alarms"].as_array().unwrap();
    assert!(alarms.iter().all(|one| one["alarm"] != SERVER && one["missed"] == 0), "{report}");
    let turns = report["settings"][0]["turns"].as_array().unwrap();
    assert!(turns.iter().all(|one| one["missed"] == 0), "{report}");
    assert!(
        report["notes"][0].as_str().unwrap().starts_with("not replayed: alarms about servers"),
        "{report}"
    );
    let text = check(&[&["replay", path][..], &WINDOW].concat(), 0, &[]);
    assert!(text.contains("Note: not replayed") && !text.contains(SERVER), "{text}");
}

#[tokio::test]
async fn another_file_of_alarms_takes_the_folders_place_and_its_mistakes_are_told() {
    let folder = demo_folder();
    watched(folder.path()).await;
    let path = folder.path().to_str().unwrap();
    let text = std::fs::read_to_string(folder.path().join("alarms.toml")).unwrap();
    let (head, tail) = text.split_at(text.find("id = \"fryer-inlet-cold\"").unwrap());
    let other = folder.path().join("proposal");
    std::fs::write(&other, format!("{head}{}", tail.replacen("240 K.s", "600 K.s", 1))).unwrap();
    let name = other.to_str().unwrap();
    let out = check(&[&["replay", path, "--alarms", name, "--json"][..], &WINDOW].concat(), 0, &[]);
    let report: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(of_inlet(&report, 0)["missed"], 2);
    std::fs::write(&other, "[[limit]]\nid = \"x\"\n").unwrap();
    let wrong = [&["replay", path, "--alarms", name][..], &WINDOW].concat();
    check(&wrong, 3, &["alarms.toml:1:1", "nothing was replayed"]);
    let nobody = [&["replay", path, "--only", "fryer-inlet-clod"][..], &WINDOW].concat();
    check(&nobody, 2, &["the nearest is fryer-inlet-cold"]);
    check(&["replay", path, "--sweep", "shape=2"], 2, &["allowance=0.5,1,2"]);
    check(&["replay", path, "--sweep", "on_delay=1e300"], 2, &["no number from 0.001 to 1000"]);
    check(&["replay", path, "--from", "2020-01-01", "--to", "2020-01-02"], 1, &["nothing is kept"]);
}

/// A window that begins in the middle of a run: what was called in it is found again, with nothing added.
#[tokio::test]
async fn a_window_in_the_middle_of_a_run_warms_up_first() {
    let folder = demo_folder();
    watched(folder.path()).await;
    let path = folder.path().to_str().unwrap();
    let window = ["--from", "2026-11-25T03:20:00Z", "--to", "2026-11-25T03:30:00Z", "--json"];
    let out = check(&[&["replay", path][..], &window].concat(), 0, &[]);
    let report: Value = serde_json::from_str(&out).unwrap();
    let found = of_inlet(&report, 0);
    assert_eq!(
        (&found["then"], &found["now"], &found["later_median_s"]),
        (&1.into(), &1.into(), &0.0.into())
    );
}

#[tokio::test]
async fn the_alarm_report_counts_calls_and_says_where_there_is_too_little() {
    let folder = demo_folder();
    watched(folder.path()).await;
    let path = folder.path().to_str().unwrap();
    let report = |more: &[&str]| check(&[&["report", "alarms", path][..], &WINDOW, more].concat(), 0, &[]);
    let json: Value = serde_json::from_str(&report(&["--json"])).unwrap();
    assert_eq!((&json["calls"], &json["running_s"]), (&2.into(), &7199.0.into()), "up to the last reading");
    assert_eq!(json["most_frequent"][0]["alarm"], "fryer-inlet-cold");
    let text = report(&[]);
    assert!(text.contains("Calls: 2") && text.contains("too few to judge"), "{text}");
    let empty = demo_folder();
    check(&["report", "alarms", empty.path().to_str().unwrap()], 1, &["there is no history"]);
}
