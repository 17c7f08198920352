//! History as a person at a shell meets it: export, trend, backup, restore, verify, beside a daemon and after one.

#![expect(clippy::unwrap_used, reason = "tests: a panic is a failed test")]

use setward::history::sqlite::ThreadedStore;
use setward::history::{Batch, HistoryStore as _, NewAudit, NewRun, NewSample, bands_of};
use setward_protocol::{NoData, Reading, Uptime, UtcMillis};
use std::path::Path;
use std::process::{Command, Output};

/// 2026-11-25T02:00:00Z.
const START_MS: i64 = 1_795_572_000_000;
const SECONDS: i64 = 7_400;

fn setward(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_setward")).args(arguments).output().unwrap()
}

fn stdout(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// The exit code and every phrase in what is told on stderr; gives stdout.
fn check(arguments: &[&str], code: i32, phrases: &[&str]) -> String {
    let output = setward(arguments);
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(code), "{arguments:?}: {told}{}", stdout(&output));
    for phrase in phrases {
        assert!(told.contains(phrase), "{arguments:?} does not say {phrase:?}: {told}");
    }
    stdout(&output)
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
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

/// Two hours and some minutes of two signals: a ramp that leaves its tolerance, a broken probe for ten seconds.
async fn watched(folder: &Path) -> ThreadedStore {
    watched_from(folder, START_MS).await
}

async fn watched_from(folder: &Path, start_ms: i64) -> ThreadedStore {
    let line = setward_config::load(folder).unwrap().line;
    let store = ThreadedStore::open(&line.data_dir).unwrap();
    let run = store.start_run(NewRun::of(&line, UtcMillis(start_ms), "0")).await.unwrap();
    let place = |tag: &str| line.signals.iter().position(|signal| signal.tag == tag).unwrap() as u16;
    let (inlet, speed) = (place("TT-310"), place("TT-313"));
    let bands = bands_of(&line, Uptime::from_millis(0), UtcMillis(start_ms));
    for ten in (0..SECONDS).step_by(100) {
        let mut batch =
            Batch { bands: if ten == 0 { bands.clone() } else { Vec::new() }, ..Batch::default() };
        for now in ten..ten + 100 {
            let broken = (4000..4010).contains(&now);
            let value = Reading::Good(((1820 - now / 100) as f64) * 0.1);
            let reading = if broken { Reading::Bad(NoData::SensorFault) } else { value };
            let (utc, at) = (UtcMillis(start_ms + now * 1000), Uptime::from_millis(now as u64 * 1000));
            batch.samples.push(NewSample { signal: inlet, utc, at, reading });
            batch.samples.push(NewSample { signal: speed, utc, at, reading: Reading::Good(170.0) });
        }
        store.append(run, batch).await.unwrap();
    }
    let entry = NewAudit {
        utc: UtcMillis(START_MS),
        by: "process engineer".to_owned(),
        what: "settings changed".to_owned(),
        about: "fryer-inlet-cold".to_owned(),
        old: None,
        new: None,
        why: None,
    };
    store.add_audit(entry).await.unwrap();
    store
}

const WHOLE: [&str; 4] = ["--from", "2026-11-25T02:00:00Z", "--to", "2026-11-25T05:00:00Z"];

fn with<'a>(first: &[&'a str], rest: &[&'a str]) -> Vec<&'a str> {
    [first, rest].concat()
}

#[tokio::test]
async fn export_writes_every_reading_beside_the_writer_and_after_it() {
    let folder = demo_folder();
    let dir = text(folder.path());
    let store = watched(folder.path()).await;
    let ask = with(&["export", dir, "--signals", "TT-310,TT-313"], &WHOLE);
    let beside = check(&ask, 0, &[]);
    drop(store);
    assert_eq!(check(&ask, 0, &[]), beside, "the same without a writer");
    let rows: Vec<&str> = beside.split("\r\n").collect();
    assert_eq!(rows.len() as i64, 2 + 2 * SECONDS);
    assert!(rows[0].starts_with("utc,local_time,tag,value,unit,quality,setpoint,tolerance_low"));
    let first: Vec<&str> = rows[1].split(',').collect();
    assert_eq!(first[..6], ["2026-11-25T02:00:00.000Z", first[1], "TT-310", "182", "degC", "good"]);
    assert!(!first[1].ends_with('Z') && first[1].contains("2026-11-2"), "plant time: {}", first[1]);
    assert!(
        first[10].starts_with("blue-corn-rounds ") && first[10].len() == 25,
        "recipe and version: {}",
        first[10]
    );
    assert!(!first[6].is_empty() && !first[7].is_empty(), "what the recipe asked: {}", rows[1]);
    let broken = rows.iter().filter(|row| row.contains(",TT-310,,degC,bad: sensor fault,")).count();
    assert_eq!(broken, 10);

    let file = folder.path().join("week.csv");
    let out = with(&ask, &["--out", text(&file), "--json", "--decimal-comma", "--zone", "UTC"]);
    let summary: serde_json::Value = serde_json::from_str(&check(&out, 0, &[])).unwrap();
    assert_eq!(summary["readings"], 2 * SECONDS);
    let kept = std::fs::read_to_string(&file).unwrap();
    assert!(kept.contains(";TT-310;181,9;degC;good;"), "a comma in numbers");
    check(&out, 1, &["there already"]);
    assert_eq!(std::fs::read_to_string(&file).unwrap(), kept, "left as it is");
    assert!(!folder.path().join("week.csv.part").exists());
}

/// What the usual build can't write, it says how to get; and a picture's name says what is drawn.
#[tokio::test]
async fn a_format_that_is_not_built_in_or_has_no_file_is_told_and_a_trend_is_drawn_into_a_picture() {
    let folder = demo_folder();
    let dir = text(folder.path());
    drop(watched(folder.path()).await);
    let ask = with(&["export", dir, "--signals", "TT-310", "--format", "parquet"], &WHOLE);
    let phrase = if cfg!(feature = "parquet") { "--out week.parquet" } else { "--features parquet" };
    check(&ask, 2, &[phrase]);
    let picture = folder.path().join("oil.png");
    let trend = with(&["trend", dir, "--signals", "TT-310,TT-313"], &WHOLE);
    check(&with(&trend, &["--out", text(&picture)]), 0, &[]);
    assert!(std::fs::read(&picture).unwrap().starts_with(b"\x89PNG"));
    check(&with(&trend, &["--out", text(&picture)]), 1, &["there already"]);
    check(&with(&trend, &["--out", "oil.jpg"]), 2, &["neither .png nor .svg"]);
}

/// What another command, or another person, left under the name that a file has until it is whole.
#[tokio::test]
async fn a_half_made_file_of_somebody_else_is_left_as_it_is() {
    let folder = demo_folder();
    let dir = text(folder.path());
    drop(watched(folder.path()).await);
    for (command, name) in [("export", "week.csv"), ("trend", "oil.png")] {
        let (file, part) = (folder.path().join(name), folder.path().join(format!("{name}.part")));
        std::fs::write(&part, "somebody's").unwrap();
        let ask = with(&[command, dir, "--signals", "TT-310", "--out", text(&file)], &WHOLE);
        check(&ask, 1, &[".part is there already"]);
        assert_eq!(std::fs::read(&part).unwrap(), b"somebody's");
        std::fs::remove_file(&part).unwrap();
        std::os::unix::fs::symlink("nothing", &file).unwrap();
        check(&ask, 1, &["there already"]);
        assert!(!file.exists() && !part.exists(), "the link still points to nothing");
    }
}

/// Where there is no room for what a command prints it fails, in words; where nobody reads it ends, in one way.
#[tokio::test]
async fn output_that_finds_no_room_is_a_failure_and_output_that_nobody_reads_ends_the_command() {
    let folder = demo_folder();
    let dir = text(folder.path());
    drop(watched(folder.path()).await);
    let signals = |command| with(&[command, dir, "--signals", "TT-310"], &WHOLE);
    let commands = [
        signals("trend"),
        with(&signals("trend"), &["--csv"]),
        signals("export"),
        with(&["report", "alarms", dir], &WHOLE),
        vec!["verify", dir],
        vec!["verify", dir, "--json"],
        vec!["check", dir, "--json"],
        vec!["read-plan", dir],
        vec!["completions", "bash"],
    ];
    for arguments in commands {
        let full = std::fs::File::options().write(true).open("/dev/full").unwrap();
        let mut command = Command::new(env!("CARGO_BIN_EXE_setward"));
        let output = command.args(&arguments).stdout(full).output().unwrap();
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{arguments:?}: {told}");
        assert!(told.contains("No space left") && !told.contains("panicked"), "{arguments:?}: {told}");

        let (reader, writer) = std::io::pipe().unwrap();
        drop(reader);
        let mut command = Command::new(env!("CARGO_BIN_EXE_setward"));
        let output = command.args(&arguments).stdout(writer).output().unwrap();
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(141), "{arguments:?}: {told}");
    }
}

#[tokio::test]
async fn a_question_that_makes_no_sense_is_refused_at_once_with_what_would() {
    let folder = demo_folder();
    let dir = text(folder.path());
    drop(watched(folder.path()).await);
    for command in ["export", "trend"] {
        let signals = [command, dir, "--signals", "TT-310"];
        check(&with(&signals, &["--from", "2026-11-26", "--to", "2026-11-25"]), 2, &["before the --to"]);
        check(&with(&signals, &["--from", "1970-01-01"]), 2, &["ten years"]);
        check(&with(&signals, &["--from", "soon"]), 2, &["--from", "\"24 h\""]);
        check(&with(&signals, &["--zone", "Mars"]), 2, &["no time zone", "Europe/Madrid"]);
        check(
            &with(&signals, &["--from", "2020-01-01", "--to", "2020-01-02"]),
            1,
            &["nothing is kept", "from 2026-11-24 20:00:00-06:00"],
        );
        check(
            &with(&[command, dir, "--signals", "TT-31O,tt-313"], &WHOLE),
            2,
            &["did you mean \"TT-31", "did you mean \"TT-313\""],
        );
        check(&[command, dir], 2, &["--signals"]);
    }
    let empty = demo_folder();
    let told = ["no history in", "setward run"];
    check(&["export", text(empty.path()), "--signals", "TT-310"], 1, &told);
    assert!(!empty.path().join(".setward").exists(), "a question makes nothing");
    let quiet = with(&["export", dir, "--signals", "TT-310,TT-101"], &WHOLE);
    check(&quiet, 0, &["no readings of TT-101"]);
}

#[tokio::test]
async fn trend_draws_what_was_kept_as_text_csv_json_and_svg() {
    let folder = demo_folder();
    let dir = text(folder.path());
    let store = watched(folder.path()).await;
    let ask = with(&["trend", dir, "--signals", "TT-310"], &WHOLE);
    let drawn = check(&ask, 0, &[]);
    assert!(
        drawn.contains("TT-310") && drawn.contains("lowest 174.7") && drawn.contains("highest 182.0"),
        "{drawn}"
    );
    assert!(drawn.lines().next().unwrap().ends_with("(simulated)"), "{drawn}");
    assert!(drawn.contains('█') && drawn.contains("outside tolerance"), "{drawn}");
    assert!(drawn.lines().all(|line| line.chars().count() <= 160), "{drawn}");

    let table = check(&with(&ask, &["--columns", "30", "--csv"]), 0, &[]);
    let rows: Vec<Vec<&str>> =
        table.split("\r\n").filter(|row| !row.is_empty()).map(|row| row.split(',').collect()).collect();
    assert_eq!(rows.len(), 31);
    let readings: i64 = rows.iter().skip(1).map(|row| row[6].parse::<i64>().unwrap()).sum();
    let without: i64 = rows.iter().skip(1).map(|row| row[7].parse::<i64>().unwrap()).sum();
    assert_eq!((readings, without), (SECONDS - 10, 10));

    let answer: serde_json::Value =
        serde_json::from_str(&check(&with(&ask, &["--columns", "30", "--json"]), 0, &[])).unwrap();
    let columns = answer["signals"][0]["columns"].as_array().unwrap();
    assert_eq!((columns.len(), columns[0]["at"].as_str().unwrap()), (30, "2026-11-25T02:00:00Z"));
    assert!(columns[29]["mean"].is_null(), "nothing after the end");

    let file = folder.path().join("trend.svg");
    let save = with(&ask, &["--svg", text(&file)]);
    check(&save, 0, &[]);
    let svg = std::fs::read_to_string(&file).unwrap();
    assert!(svg.starts_with("<?xml") && svg.contains("simulated") && svg.contains("TT-310"));
    check(&save, 1, &["there already"]);
    drop(store);
}

#[tokio::test]
async fn a_backup_is_verified_restored_into_an_empty_line_and_never_overwrites() {
    let folder = demo_folder();
    let dir = text(folder.path());
    let store = watched(folder.path()).await;
    let copies = tempfile::tempdir().unwrap();
    let copy = copies.path().join("copy.sqlite");
    let done = check(&["backup", dir, text(&copy)], 0, &[]);
    assert!(done.contains("audit entries               1") && done.contains("backup: sound"), "{done}");
    check(&["backup", dir, text(&copy)], 1, &["there is a file already", "new name"]);
    check(&["backup", dir, text(copies.path())], 0, &[]);
    let named = |entry: std::io::Result<std::fs::DirEntry>| entry.unwrap().file_name().into_string().unwrap();
    let names: Vec<String> = std::fs::read_dir(copies.path()).unwrap().map(named).collect();
    assert!(names.len() == 2 && names.iter().any(|name| name.starts_with("history-2")), "{names:?}");

    let beside: serde_json::Value = serde_json::from_str(&check(&["verify", dir, "--json"], 0, &[])).unwrap();
    assert_eq!(
        (beside["sound"].as_bool(), beside["verified"]["audit_entries"].as_u64()),
        (Some(true), Some(1))
    );
    assert!(beside["verified"]["journal_rows"].as_u64().unwrap() > 0, "{beside}");
    drop(store);

    check(&["restore", text(&copy), dir], 1, &["a history already", "move it away"]);
    let other = demo_folder();
    let restored = check(&["restore", text(&copy), text(other.path())], 0, &[]);
    assert!(restored.contains("restore: sound"), "{restored}");
    let ask = |dir: &str| check(&with(&["export", dir, "--signals", "TT-310,TT-313"], &WHOLE), 0, &[]);
    assert_eq!(ask(text(other.path())), ask(dir), "every reading is in the copy, the open hour too");

    let mut bytes = std::fs::read(&copy).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle..middle + 4096].fill(0x55);
    let damaged = copies.path().join("damaged.sqlite");
    std::fs::write(&damaged, bytes).unwrap();
    assert!(check(&["verify", text(&damaged)], 1, &[]).contains("NOT SOUND"));
    let third = demo_folder();
    check(&["restore", text(&damaged), text(third.path())], 1, &["not sound"]);
    assert!(!third.path().join(".setward/history.sqlite").exists());
}

/// While other commands are being started, too: until it runs, such a one has a copy of every open file.
#[tokio::test]
async fn a_history_that_was_dropped_is_free_at_once() {
    let folder = demo_folder();
    let data = folder.path().join(".setward");
    let starts = std::sync::atomic::AtomicBool::new(true);
    let starts = &starts;
    std::thread::scope(|scope| {
        scope.spawn(|| {
            while starts.load(std::sync::atomic::Ordering::Relaxed) {
                assert!(std::process::Command::new("true").status().unwrap().success());
            }
        });
        let taken = (0..60).filter(|_time| ThreadedStore::open(&data).is_err()).count();
        starts.store(false, std::sync::atomic::Ordering::Relaxed);
        assert_eq!(taken, 0, "of 60 times");
    });
    assert!(!data.join("history.sqlite-wal").exists(), "the last to close puts the log into the file");
}

#[tokio::test]
async fn a_renamed_signal_is_exported_with_its_past_under_the_new_tag() {
    let folder = demo_folder();
    drop(watched(folder.path()).await);
    for (name, text) in setward_config::demo_files() {
        let renamed = text.replace("TT-310", "TT-399").replacen(
            "tag = \"TT-399\"",
            "tag = \"TT-399\"\nwas = \"TT-310\"",
            usize::from(*name == "line.toml"),
        );
        std::fs::write(folder.path().join(name), renamed).unwrap();
    }
    let line = setward_config::load(folder.path()).unwrap().line;
    let store = ThreadedStore::open(&line.data_dir).unwrap();
    store.start_run(NewRun::of(&line, UtcMillis(START_MS + 10_000_000), "0")).await.unwrap();
    let rows = check(&with(&["export", text(folder.path()), "--signals", "TT-399"], &WHOLE), 0, &[]);
    assert_eq!(rows.matches(",TT-399,").count() as i64, SECONDS);
}

#[tokio::test]
async fn damage_found_at_the_start_becomes_an_event_and_the_folder_is_kept() {
    let folder = demo_folder();
    drop(watched(folder.path()).await);
    let file = folder.path().join(".setward/history.sqlite");
    let mut bytes = std::fs::read(&file).unwrap();
    let end = bytes.len() - 4096;
    bytes[8192..end].fill(0x55);
    std::fs::write(&file, bytes).unwrap();
    let run = setward(&["run", text(folder.path()), "--page", "127.0.0.1:0", "--for", "3 s"]);
    let told = String::from_utf8_lossy(&run.stderr).into_owned();
    assert_eq!(run.status.code(), Some(0), "{told}");
    assert!(told.contains("the history file was damaged"), "{told}");

    let store = ThreadedStore::open(&folder.path().join(".setward")).unwrap();
    let events = store.events(None, 100).await.unwrap();
    let notices: Vec<String> = events
        .into_iter()
        .filter(|stored| stored.event.what == "history notice")
        .filter_map(|stored| stored.event.note)
        .collect();
    assert!(notices.iter().any(|note| note.contains("history.damaged-1.sqlite")), "{notices:?}");
    drop(store);
    let reader = setward::history::HistoryReader::open(&folder.path().join(".setward")).unwrap();
    let run = reader.runs().unwrap().pop().unwrap();
    let kept: Vec<String> =
        reader.folder(&run.fingerprint).unwrap().into_iter().map(|(path, ..)| path).collect();
    let mut files: Vec<&str> = setward_config::demo_files().iter().map(|(name, _)| *name).collect();
    files.sort_unstable();
    assert_eq!(kept, files);
}

#[tokio::test]
async fn readings_older_than_the_site_file_says_go_and_their_roll_ups_stay() {
    let folder = demo_folder();
    let site = folder.path().join("site.toml");
    let text_of_site = std::fs::read_to_string(&site).unwrap();
    std::fs::write(&site, text_of_site.replace("readings_days = 1096", "readings_days = 1")).unwrap();
    let now_ms = setward::clock::Clock::system().utc().0;
    let start_ms = (now_ms - 3 * 86_400_000).div_euclid(3_600_000) * 3_600_000;
    drop(watched_from(folder.path(), start_ms).await);
    let dir = text(folder.path());
    // The new run's own readings, of controllers that nobody simulates, move the clock that retention goes by.
    let before: serde_json::Value = serde_json::from_str(&check(&["verify", dir, "--json"], 0, &[])).unwrap();
    let run = setward(&["run", dir, "--page", "127.0.0.1:0", "--for", "4 s"]);
    assert_eq!(run.status.code(), Some(0), "{}", String::from_utf8_lossy(&run.stderr));
    let after: serde_json::Value = serde_json::from_str(&check(&["verify", dir, "--json"], 0, &[])).unwrap();
    let readings = |verified: &serde_json::Value| verified["verified"]["readings"].as_u64().unwrap();
    assert!(readings(&before) + before["verified"]["journal_rows"].as_u64().unwrap() > 10_000, "{before}");
    assert!(readings(&after) < 5_000, "the old readings are gone: {after}");
    let drawn =
        check(&["trend", dir, "--signals", "TT-310", "--from", "4 d", "--columns", "100", "--csv"], 0, &[]);
    let kept: u64 =
        drawn.split("\r\n").skip(1).filter_map(|row| row.split(',').nth(6)?.parse::<u64>().ok()).sum();
    assert!(kept > 7_000, "roll-ups still tell of {kept} readings");
}
