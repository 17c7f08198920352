//! Records as a person at a shell meets them: batches, shifts, holds, statistics, review.

#![expect(clippy::unwrap_used, reason = "tests: a panic is a failed test")]

use serde_json::Value;
use setward::history::sqlite::ThreadedStore;
use setward::history::{Batch, BatchRow, Event, HistoryStore as _, NewRun, NewSample, bands_of};
use setward_protocol::{Reading, Uptime, UtcMillis};
use std::path::Path;
use std::process::{Command, Output};

/// 2026-11-23T12:00:00Z: 06:00 in Chicago.
const START: i64 = 1_795_435_200_000;
const SECONDS: i64 = 3_600;
const WINDOW: [&str; 4] = ["--from", "2026-11-23T12:00:00Z", "--to", "2026-11-23T13:00:00Z"];

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

fn json(arguments: &[&str]) -> Value {
    serde_json::from_str(&check(arguments, 0, &[])).unwrap()
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

fn event(second: i64, what: &str, alarm: Option<&str>) -> Event {
    Event {
        sequence: u64::try_from(second + 1).unwrap(),
        utc: UtcMillis(START + second * 1000),
        at: Uptime::from_millis(u64::try_from(second * 1000).unwrap()),
        alarm: alarm.map(str::to_owned),
        occurrence: u32::from(alarm.is_some()),
        what: what.to_owned(),
        states: String::new(),
        onset: None,
        value: None,
        exposure: None,
        by: None,
        note: None,
    }
}

/// An hour of 1,000 kg/h and the inlet on its setpoint; one alarm of the inlet. Belts run at their setpoints.
async fn watched(folder: &Path) {
    let line = setward_config::load(folder).unwrap().line;
    let store = ThreadedStore::open(&line.data_dir).unwrap();
    let run = store.start_run(NewRun::of(&line, UtcMillis(START), "0")).await.unwrap();
    let bands = bands_of(&line, Uptime::START, UtcMillis(START));
    let events = vec![
        event(0, "started", None),
        event(1_000, "raised", Some("fryer-inlet-cold")),
        event(1_200, "cleared", Some("fryer-inlet-cold")),
    ];
    store.append(run, Batch { bands, events, ..Batch::default() }).await.unwrap();
    for (tag, value) in [("TT-310", 182.0), ("WT-441", 1_000.0), ("ST-340", 3.6)] {
        let signal = line.signal_by_tag(tag).unwrap().0;
        let sample = |second: i64| NewSample {
            signal,
            utc: UtcMillis(START + second * 1000),
            at: Uptime::from_millis(u64::try_from(second * 1000).unwrap()),
            reading: Reading::Good(value + if tag == "TT-310" { (second as f64 * 0.7).sin() } else { 0.0 }),
        };
        let samples = (0..SECONDS).map(sample).collect();
        store.append(run, Batch { samples, ..Batch::default() }).await.unwrap();
    }
    let record = include_str!("batch_record.json");
    let (id, start) = ("kettle-1-20261123T1100Z".to_owned(), UtcMillis(START - 3_600_000));
    store.keep_batch(BatchRow { id, start, end: None, record: record.to_owned() }).await.unwrap();
    drop(store);
    std::fs::File::open(folder.join(".setward/lock")).unwrap().lock().unwrap();
}

#[tokio::test]
async fn records_are_read_beside_a_daemon_or_after_one() {
    let folder = demo_folder();
    watched(folder.path()).await;
    let path = folder.path().to_str().unwrap();

    let text = check(&["report", "batch", path, "kettle-1-20261123T1100Z", "--zone", "UTC"], 0, &[]);
    assert!(text.contains("counted hold at or above 94 degC, min"), "{text}");
    let by_number = json(&["report", "batch", path, "26114071", "--json"]);
    assert_eq!(
        (by_number["id"].as_str(), by_number["schema_version"].as_i64()),
        (Some("kettle-1-20261123T1100Z"), Some(1))
    );
    check(
        &["report", "batch", path, "kettle-1-20261123T1101Z"],
        2,
        &["the nearest is kettle-1-20261123T1100Z"],
    );

    let shift = json(&["report", "shift", path, "--shift", "A", "--date", "2026-11-23", "--json"]);
    assert_eq!((shift["shift"].as_str(), shift["from"].as_str()), (Some("A"), Some("2026-11-23T12:00:00Z")));
    let made = shift["made"]["kg"].as_f64().unwrap();
    assert!((made - 1_000.0).abs() < 1.0, "an hour of 1,000 kg/h: {made}");
    assert_eq!(shift["calls"].as_array().unwrap().len(), 1);
    check(&["report", "shift", path, "--shift", "D"], 2, &["line.toml names A, B, C"]);
    check(&["report", "shift", path, "--shift", "A", "--date", "monday"], 2, &["2026-11-23"]);
    check(&["report", "shift", path, "--shift", "A", "--date", "2126-11-23"], 2, &["has not begun"]);

    let hold = json(&["report", "hold", path, "--alarm", "fryer-inlet-cold@1", "--json"]);
    assert_eq!((hold["occurrence"].as_i64(), hold["checks_are_kept"].as_bool()), (Some(1), Some(true)));
    // What left the fryer at the onset is packed 195 to 345 s later.
    assert_eq!(hold["product"]["packed_not_before"].as_str().unwrap().get(..19), Some("2026-11-23T12:19:55"));
    let text = check(&["report", "hold", path, "--alarm", "fryer-inlet-cold", "--zone", "UTC"], 0, &[]);
    assert!(text.contains("Lots and date codes"), "{text}");
    assert!(check(&["report", "hold", path], 0, &[]).contains("nothing has been put on hold"));
    check(&["report", "hold", path, "--alarm", "fryer-inlet-cold@9"], 2, &["no occurrence 9"]);
    check(&["report", "hold", path, "--alarm", "fryer-inlet-cold@x"], 2, &["write its number"]);
    check(
        &["report", "hold", path, "--alarm", "fryer-inlet-cool"],
        2,
        &["the nearest is \"fryer-inlet-cold\""],
    );
    check(&["report", "hold", path, "--alarm", "fryer-outlet-cold"], 2, &["never raised"]);

    let mut asked = vec!["report", "statistics", path, "--signal", "TT-310", "--by", "window", "--json"];
    asked.extend(WINDOW);
    let row = &json(&asked)["rows"][0];
    assert!((row["in_tolerance_percent"].as_f64().unwrap() - 100.0).abs() < 1e-9, "{row}");
    assert!((row["standard_deviation"].as_f64().unwrap() - 0.5_f64.sqrt()).abs() < 0.05, "{row}");
    check(&["report", "statistics", path, "--signal", "TT-3100"], 2, &["the nearest is \"TT-310\""]);
    check(&["report", "statistics", path, "--signal", "TT-310", "--by", "batch"], 1, &["cook temperature"]);

    let mut asked = vec!["report", "records", path, "--json"];
    asked.extend(WINDOW);
    let review = json(&asked);
    assert_eq!(review["alarms"][0]["alarm"], "fryer-inlet-cold");
    let reversed =
        ["report", "records", path, "--from", "2026-11-23T13:00:00Z", "--to", "2026-11-23T12:00:00Z"];
    check(&reversed, 2, &["before the --to"]);
    check(&["report", "records", path, "--from", "365 d"], 2, &["93 days"]);
}

#[tokio::test]
async fn without_a_history_every_report_says_what_to_do() {
    let folder = demo_folder();
    let path = folder.path().to_str().unwrap();
    for report in [
        vec!["batch"],
        vec!["shift"],
        vec!["hold"],
        vec!["records"],
        vec!["statistics", "--signal", "TT-310"],
    ] {
        let mut arguments = vec!["report", report[0], path];
        arguments.extend(&report[1..]);
        check(&arguments, 1, &["`setward run` begins one"]);
    }
    let line = setward_config::load(folder.path()).unwrap().line;
    drop(ThreadedStore::open(&line.data_dir).unwrap());
    std::fs::File::open(folder.path().join(".setward/lock")).unwrap().lock().unwrap();
    assert!(check(&["report", "batch", path], 0, &[]).contains("no batch of the last week has a record"));
    check(&["report", "batch", path, "any"], 2, &["no batch has a record yet"]);
    check(&["report", "shift", path], 1, &["the history is empty"]);
}
