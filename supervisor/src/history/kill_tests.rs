//! kill -9 while it writes: a child process writes and says what was confirmed; whatever it said is there afterwards, right.
//!
//! The child is this test program again, told by an environment variable what to do. It stops by itself after a minute.

use super::store::Store;
use super::testing::{START_MS, TAGS, reading, run, second, small};
use super::{Span, StoredSample, verify};
use crate::history::read::Reading;
use rand_core::{Rng as _, SeedableRng as _};
use rand_pcg::Pcg64Mcg;
use setward_protocol::UtcMillis;
use std::io::{BufRead as _, BufReader, Write as _};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

const FOLDER: &str = "SETWARD_KILL_TEST_FOLDER";
const FIRST: &str = "SETWARD_KILL_TEST_FIRST_SECOND";
/// What a child may write at most: it ends by itself.
const SECONDS_MAX: i64 = 200_000;

/// The child: writes from a second on, and says each second that the store confirmed.
#[test]
#[ignore = "the child of the tests below; alone it has nothing to do"]
fn child_that_writes() {
    let (Ok(folder), Ok(first)) = (std::env::var(FOLDER), std::env::var(FIRST)) else { return };
    let first: i64 = first.parse().unwrap();
    let mut store = Store::open(Path::new(&folder), small()).unwrap();
    let run = store.start_run(&run(START_MS + first * 1000)).unwrap();
    let mut out = std::io::stdout().lock();
    for now in first..first + SECONDS_MAX {
        store.append(run, &second(now, first)).unwrap();
        writeln!(out, "confirmed {now}").unwrap();
        out.flush().unwrap();
    }
}

/// Starts a child, kills it `after` its first confirmation; gives the last second it confirmed.
fn write_until_killed(folder: &Path, first: i64, after: Duration) -> i64 {
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args([
            "--exact",
            "history::kill_tests::child_that_writes",
            "--ignored",
            "--nocapture",
            "--test-threads=1",
        ])
        .env(FOLDER, folder)
        .env(FIRST, first.to_string())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut confirmed = BufReader::new(child.stdout.take().unwrap())
        .lines()
        .map_while(Result::ok)
        .filter_map(|line| line.rsplit_once("confirmed ")?.1.parse::<i64>().ok());
    let mut last = confirmed.next().expect("the child confirmed nothing");
    let id = child.id();
    let killer = std::thread::spawn(move || {
        wait(after);
        child.kill().unwrap();
        child.wait().unwrap();
        id
    });
    // What is in the pipe was confirmed before the kill; a line cut short has no newline and is not believed.
    for second in confirmed {
        last = last.max(second);
    }
    killer.join().unwrap();
    last
}

/// Waits without the clock that the house rule keeps for virtual time.
fn wait(time: Duration) {
    let (never, nothing) = std::sync::mpsc::channel::<()>();
    let _timed_out = nothing.recv_timeout(time);
    drop(never);
}

fn kills(rounds: u64, seed: u64) {
    let folder = tempfile::tempdir().unwrap();
    let mut random = Pcg64Mcg::seed_from_u64(seed);
    let mut first = 0;
    let mut spans: Vec<(i64, i64)> = Vec::new();
    for _ in 0..rounds {
        let after = Duration::from_millis(random.next_u64() % 300);
        let last = write_until_killed(folder.path(), first, after);
        spans.push((first, last));
        // The next child begins beyond anything that this one may have written unconfirmed.
        first = (last / 1000 + 2) * 1000;
    }
    let store = Store::open(folder.path(), small()).unwrap();
    let mut confirmed = 0;
    for (signal, tag) in (0_u16..).zip(TAGS) {
        let open = store.open_part(&[tag.to_owned()], Span::EVER);
        let mut reader = Reading::new(&store.connection, &open);
        let kept = reader.newest(tag, UtcMillis(0), UtcMillis(i64::MAX), usize::MAX).unwrap();
        assert_eq!(reader.unreadable, 0);
        let of_second = |second: i64| UtcMillis(START_MS + second * 1000);
        for &(from, to) in &spans {
            let is_polled = |second: &i64| signal < 4 || second % 5 == 0;
            let wanted: Vec<StoredSample> = (from..=to)
                .filter(is_polled)
                .map(|second| StoredSample { utc: of_second(second), reading: reading(signal, second) })
                .collect();
            let start = kept.partition_point(|sample| sample.utc < of_second(from));
            let own = &kept[start..start + wanted.len()];
            assert_eq!(own, wanted, "{tag} in {from}..={to}");
            confirmed += wanted.len();
        }
    }
    drop(store);
    let found = verify(&folder.path().join("history.sqlite")).unwrap();
    assert!(found.is_sound(), "{found}");
    let seconds: i64 = spans.iter().map(|(from, to)| to - from + 1).sum();
    println!("{rounds} kills: {seconds} confirmed seconds, {confirmed} readings, 0 lost, 0 wrong");
}

#[test]
fn what_was_confirmed_before_kill_9_is_there() {
    kills(8, 1);
}

/// `cargo test --release -p setward --lib two_hundred_kills -- --ignored --nocapture`.
#[test]
#[ignore = "takes a minute or two; run by tests/run"]
fn two_hundred_kills() {
    kills(200, 2);
}

/// `cargo test --release -p setward --lib a_thousand_kills -- --ignored --nocapture`.
#[test]
#[ignore = "takes minutes; run by tests/run --long"]
fn a_thousand_kills() {
    kills(1000, 3);
}
