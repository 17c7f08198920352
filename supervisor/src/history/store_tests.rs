//! The store against a naive copy: chunks, restarts, cuts, questions, guard and retention.

use super::*;
use crate::history::query::{Level, Span, Window};
use crate::history::read::Reading;
use crate::history::testing::{START_MS, TAGS, reading, run, second, small};
use crate::history::{Band, Envelope, Event, Keep, NewSample, StoredSample, verify};
use proptest::prelude::*;
use setward_protocol::{Uptime, UtcMillis};
use std::ops::Range;

/// Everything of a signal.
fn all(store: &Store, tag: &str) -> Vec<StoredSample> {
    let open = store.open_part(&[tag.to_owned()], Span::EVER);
    let mut reading = Reading::new(&store.connection, &open);
    let all = reading.newest(tag, UtcMillis(i64::MIN), UtcMillis(i64::MAX), usize::MAX).unwrap();
    assert_eq!(reading.unreadable, 0);
    all
}

fn expected(signal: u16, seconds: Range<i64>) -> Vec<StoredSample> {
    let is_polled = |second: &i64| signal < 4 || second % 5 == 0;
    let stored =
        |second| StoredSample { utc: UtcMillis(START_MS + second * 1000), reading: reading(signal, second) };
    seconds.filter(is_polled).map(stored).collect()
}

fn ingest(store: &mut Store, run: RunId, seconds: Range<i64>) {
    let started = seconds.start;
    for ten in seconds.clone().step_by(10) {
        let mut batch = Batch::default();
        (ten..(ten + 10).min(seconds.end)).for_each(|now| batch.samples.extend(second(now, started).samples));
        store.append(run, &batch).unwrap();
    }
}

fn envelopes(store: &Store, tags: &[&str], seconds: Range<i64>, columns: usize) -> Vec<Envelope> {
    let tags: Vec<String> = tags.iter().map(|tag| (*tag).to_owned()).collect();
    let at = |second: i64| UtcMillis(START_MS + second * 1000);
    let span = Span::new(at(seconds.start), at(seconds.end)).unwrap();
    let open = store.open_part(&tags, Span::EVER);
    Reading::new(&store.connection, &open).envelopes(&Window::new(tags, span, columns).unwrap()).unwrap()
}

fn count(store: &Store, table: &str) -> i64 {
    store.connection.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get(0)).unwrap()
}

#[test]
fn three_hours_come_back_from_chunks_memory_and_after_a_restart() {
    let folder = tempfile::tempdir().unwrap();
    let settings = Settings { journal_bytes: 64 << 20, ..small() };
    let mut store = Store::open(folder.path(), settings).unwrap();
    let first = store.start_run(&run(START_MS)).unwrap();
    ingest(&mut store, first, 0..9000);
    assert_eq!(count(&store, "time_chunks"), 4, "two groups, two whole hours");
    for (signal, tag) in (0..).zip(TAGS) {
        assert_eq!(all(&store, tag), expected(signal, 0..9000), "{tag}");
    }
    drop(store);
    let mut store = Store::open(folder.path(), settings).unwrap();
    assert_eq!(count(&store, "time_chunks"), 6, "what was open is closed");
    let second = store.start_run(&run(START_MS + 9_100_000)).unwrap();
    assert!(second > first);
    ingest(&mut store, second, 9100..9200);
    for (signal, tag) in (0..).zip(TAGS) {
        let mut both = expected(signal, 0..9000);
        both.extend(expected(signal, 9100..9200));
        assert_eq!(all(&store, tag), both, "{tag}");
    }
    store.close_runs();
    let found = verify(&folder.path().join("history.sqlite")).unwrap();
    assert!(found.is_sound(), "{found}");
    assert_eq!(
        found.readings as usize,
        (0..6)
            .map(|signal| expected(signal, 0..9000).len() + expected(signal, 9100..9200).len())
            .sum::<usize>()
    );
}

#[test]
fn a_journal_half_full_closes_chunks_early_and_loses_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(folder.path(), small()).unwrap();
    let run = store.start_run(&run(START_MS)).unwrap();
    ingest(&mut store, run, 0..9000);
    assert!(count(&store, "time_chunks") > 10, "half of 256 blocks hold 128 batches");
    assert_eq!(all(&store, "TT-310"), expected(0, 0..9000));
}

/// Roll-ups of closed chunks and of open ones, at every level, against the readings themselves.
#[test]
fn envelopes_of_every_level_have_the_true_extremes_means_and_counts() {
    let mut store = Store::in_memory().unwrap();
    let run = store.start_run(&run(START_MS)).unwrap();
    ingest(&mut store, run, 0..20_000);
    for (seconds, columns, level) in [
        (0..20_000, 5, Level::Hours),
        (0..20_000, 100, Level::Minutes),
        (10_800..10_900, 7, Level::Samples),
        (3_590..3_650, 60, Level::Samples),
    ] {
        for (signal, tag) in (0..).zip(TAGS) {
            let [envelope] = &envelopes(&store, &[tag], seconds.clone(), columns)[..] else { panic!("one") };
            assert_eq!((envelope.level, envelope.is_known, envelope.columns.len()), (level, true, columns));
            // An entry lies wholly in the column of its start; at the ends of the window it may reach out of it.
            let step = match level {
                Level::Samples => 1,
                Level::Minutes => 60,
                Level::Hours => 3600,
            };
            let ends = |second: i64| second.div_euclid(step) * step;
            let inside = expected(signal, ends(seconds.start)..ends(seconds.end + step - 1).min(20_000));
            let values: Vec<f64> = inside.iter().filter_map(|sample| sample.reading.value()).collect();
            let taken: u32 = envelope.columns.iter().map(|column| column.samples).sum();
            let others: u32 = envelope.columns.iter().map(|column| column.others).sum();
            assert_eq!(
                (taken as usize, others as usize),
                (values.len(), inside.len() - values.len()),
                "{tag} {level:?}"
            );
            let least = envelope.columns.iter().map(|column| column.min).fold(f64::INFINITY, f64::min);
            let most = envelope.columns.iter().map(|column| column.max).fold(f64::NEG_INFINITY, f64::max);
            assert_eq!(least, values.iter().copied().fold(f64::INFINITY, f64::min), "{tag} {level:?}");
            assert_eq!(most, values.iter().copied().fold(f64::NEG_INFINITY, f64::max), "{tag} {level:?}");
            let sum: f64 = envelope.columns.iter().map(|column| column.sum).sum();
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            assert!((sum / f64::from(taken) - mean).abs() < 0.001, "{tag} {level:?}");
        }
    }
}

#[test]
fn good_time_and_time_in_the_band_add_up_over_chunks() {
    let mut store = Store::in_memory().unwrap();
    let run = store.start_run(&run(START_MS)).unwrap();
    let band = |second: u64, tolerance| Band {
        signal: 2,
        utc: UtcMillis(START_MS + second as i64 * 1000),
        at: Uptime::from_millis(second * 1000),
        setpoint: Some(0.0),
        tolerance,
    };
    let bands = vec![band(0, Some((-0.5, 0.5))), band(6000, None)];
    store.append(run, &Batch { bands, ..Batch::default() }).unwrap();
    // The bit is 0 and 1 for ten minutes each; bad readings cost two seconds each.
    ingest(&mut store, run, 0..7800);
    let bad = (0..7800).filter(|second| reading(2, *second).value().is_none()).count() as f64;
    let [envelope] = &envelopes(&store, &["YS-261"], 0..7800, 3)[..] else { panic!("one") };
    let good: f64 = envelope.columns.iter().map(|column| column.good_s).sum();
    assert!((good - (7799.0 - 2.0 * bad)).abs() < 2.0 * bad / 10.0 + 1.0, "{good} s with {bad} bad readings");
    let inside: f64 = envelope.columns.iter().filter_map(|column| column.in_band_s).sum();
    assert!((2900.0..=3005.0).contains(&inside), "half of 6000 s, less what was bad: {inside}");
}

#[test]
fn a_batch_refused_by_a_full_disk_is_kept_whole_later_and_told_with_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(folder.path(), small()).unwrap();
    let run = store.start_run(&run(START_MS)).unwrap();
    let event = |sequence: u64| Event {
        sequence,
        utc: UtcMillis(START_MS),
        at: Uptime::START,
        alarm: None,
        occurrence: 0,
        what: "started".to_owned(),
        states: String::new(),
        onset: None,
        value: None,
        exposure: None,
        by: None,
        note: Some("x".repeat(3000)),
    };
    let batch = Batch { events: (0..100).map(event).collect(), ..second(0, 0) };
    let pages: i64 = store.connection.pragma_query_value(None, "page_count", |row| row.get(0)).unwrap();
    store.connection.pragma_update(None, "max_page_count", pages + 5).unwrap();
    let refused = store.append(run, &batch).unwrap_err().text;
    assert!(refused.contains("full") && refused.contains("free some room"), "{refused}");
    assert_eq!((all(&store, "TT-310").len(), count(&store, "events")), (0, 0));
    store.connection.pragma_update(None, "max_page_count", 1_000_000).unwrap();
    store.append(run, &batch).unwrap();
    assert_eq!(all(&store, "TT-310"), expected(0, 0..1));
    assert_eq!(count(&store, "events"), 100);
}

/// Chunks that find no room stay in the journal; readings are confirmed all the same until that is full too.
#[test]
fn while_chunks_find_no_room_the_journal_holds_what_was_confirmed() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(folder.path(), small()).unwrap();
    let id = store.start_run(&run(START_MS)).unwrap();
    let pages: i64 = store.connection.pragma_query_value(None, "page_count", |row| row.get(0)).unwrap();
    store.connection.pragma_update(None, "max_page_count", pages).unwrap();
    let mut confirmed = 0;
    let refused = loop {
        match store.append(id, &second(confirmed, 0)) {
            Ok(()) => confirmed += 1,
            Err(error) => break error.text,
        }
    };
    assert!(refused.contains("journal is full"), "{refused}");
    // The first chunks fit into pages that were begun.
    assert!((100..2000).contains(&confirmed), "{confirmed}");
    assert!(store.notices().iter().any(|notice| notice.contains("free some room")));
    drop(store);
    let mut store = Store::open(folder.path(), small()).unwrap();
    assert_eq!(all(&store, "TT-310"), expected(0, 0..confirmed));
    let id = store.start_run(&run(START_MS)).unwrap();
    store.append(id, &second(confirmed, confirmed)).unwrap();
}

#[test]
fn history_waits_before_the_disk_is_full_and_goes_on_by_itself() {
    use std::sync::atomic::{AtomicU64, Ordering};
    static FREE: AtomicU64 = AtomicU64::new(1_000_000_000);
    let folder = tempfile::tempdir().unwrap();
    let free_bytes = |_: &Path| Some(FREE.load(Ordering::Relaxed));
    let settings = Settings { free_min_bytes: 200_000_000, free_bytes, ..small() };
    let mut store = Store::open(folder.path(), settings).unwrap();
    let run = store.start_run(&run(START_MS)).unwrap();
    store.append(run, &second(0, 0)).unwrap();
    FREE.store(199_000_000, Ordering::Relaxed);
    let waits = store.append(run, &second(1, 0)).unwrap_err().text;
    assert!(waits.contains("199 MB are free") && waits.contains("alarms go on"), "{waits}");
    FREE.store(210_000_000, Ordering::Relaxed);
    assert!(store.append(run, &second(1, 0)).is_err(), "it does not flutter about the limit");
    FREE.store(230_000_000, Ordering::Relaxed);
    store.append(run, &second(1, 0)).unwrap();
    assert_eq!(all(&store, "TT-310"), expected(0, 0..2));
}

#[test]
fn old_readings_go_a_few_hours_at_a_time_and_roll_ups_stay_longer() {
    let mut store = Store::in_memory().unwrap();
    store.settings.keep = Keep { readings_days: 1, minutes_days: 2, ..Keep::default() };
    let id = store.start_run(&run(START_MS)).unwrap();
    let hour = |hour: i64| -> Batch {
        let mut batch = Batch::default();
        for minute in 0..60 {
            batch.samples.extend(second(hour * 3600 + minute * 60, 0).samples);
        }
        batch
    };
    for now in 0..60 {
        store.append(id, &hour(now)).unwrap();
    }
    let kept = all(&store, "TT-310");
    let oldest_h = (kept[0].utc.0 - START_MS) / 3_600_000;
    assert!((34..=36).contains(&oldest_h), "a day before hour 59: {oldest_h}");
    let hours = |table: &str| {
        let sql = format!("SELECT count(*) FROM {table} WHERE key < {}", chunk_after(1));
        store.connection.query_row(&sql, [], |row| row.get::<_, i64>(0)).unwrap()
    };
    assert!((46..=49).contains(&hours("minutes")), "{}", hours("minutes"));
    assert_eq!(hours("hours"), 59);
}

/// The least key of the signal after this one.
fn chunk_after(signal: i64) -> i64 {
    tables::roll_up_key(signal + 1, 0)
}

#[test]
fn a_clock_that_jumps_years_ahead_costs_hours_not_years_and_a_doubtful_one_nothing() {
    let mut store = Store::in_memory().unwrap();
    let id = store.start_run(&run(START_MS)).unwrap();
    for hour in 0..30 {
        store.append(id, &second(hour * 3600, 0)).unwrap();
    }
    let before = all(&store, "TT-310").len();
    let years = 20 * 366 * 24;
    for hour in years..years + 3 {
        store.append(id, &second(hour * 3600, 0)).unwrap();
    }
    let lost = before + 3 - all(&store, "TT-310").len();
    assert!((1..=12).contains(&lost), "{lost} hours");
    // The next run begins with a clock before what is stored: nothing is dropped until it has caught up.
    let id = store.start_run(&run(START_MS)).unwrap();
    let before = all(&store, "TT-310").len();
    for hour in 100..110 {
        store.append(id, &second(hour * 3600, 0)).unwrap();
    }
    assert_eq!(all(&store, "TT-310").len(), before + 10);
}

/// A run that begins with a wrong time in the store, far ahead, finds nothing old; the disk fills all the same.
#[test]
fn a_history_that_is_too_large_shrinks_on_a_doubtful_clock_too() {
    let mut store = Store::in_memory().unwrap();
    store.settings.keep = Keep { most_bytes: 1, ..Keep::default() };
    let id = store.start_run(&run(START_MS)).unwrap();
    store.doubtful_until_ms = START_MS + 1_000_000 * HOUR_MS;
    for hour in 0..60 {
        store.append(id, &second(hour * 3600, 0)).unwrap();
    }
    let kept = all(&store, "TT-310");
    assert!((1..10).contains(&kept.len()), "{} hours are left", kept.len());
    assert_eq!(kept.last(), expected(0, 59 * 3600..59 * 3600 + 1).last(), "the oldest go");
    assert_eq!(count(&store, "hours") as usize, 59 * 6, "by age nothing goes");
}

#[test]
fn a_renamed_signal_keeps_its_past() {
    let mut store = Store::in_memory().unwrap();
    let id = store.start_run(&run(START_MS)).unwrap();
    ingest(&mut store, id, 0..100);
    let mut renamed = run(START_MS + 100_000);
    renamed.signals[0].tag = "TT-311".to_owned();
    renamed.signals[0].was = Some("TT-310".to_owned());
    let id = store.start_run(&renamed).unwrap();
    ingest(&mut store, id, 100..200);
    assert_eq!(all(&store, "TT-311"), expected(0, 0..200));
    assert_eq!(all(&store, "TT-310"), expected(0, 0..200), "the old name still finds it");
}

#[test]
fn the_folder_is_kept_once_for_each_content() {
    let mut store = Store::in_memory().unwrap();
    for start in 0..3 {
        store.start_run(&run(START_MS + start)).unwrap();
    }
    assert_eq!(["runs", "layouts", "files", "folder"].map(|table| count(&store, table)), [3, 1, 1, 1]);
}

/// What a step of a random life of the store does.
#[derive(Debug, Clone)]
enum Step {
    /// So many readings, so far apart (ms).
    Read(u16, i64),
    /// The wall clock is set, ms.
    Clock(i64),
    /// The program ends without a word and starts again.
    Cut,
    /// It starts a new run in the same store.
    Restart,
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let step = prop_oneof![
        6 => (1..200_u16, 1..120_000_i64).prop_map(|(count, apart)| Step::Read(count, apart)),
        1 => (-8_000_000..8_000_000_i64).prop_map(Step::Clock),
        1 => Just(Step::Cut),
        1 => Just(Step::Restart),
    ];
    prop::collection::vec(step, 1..12)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Whatever the clock does and however often the program is cut: every confirmed reading is there once, with all its times.
    #[test]
    fn every_confirmed_reading_is_there_once(steps in steps()) {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(folder.path(), small()).unwrap();
        let (mut wall_ms, mut uptime_ms, mut n) = (START_MS, 0_i64, 0_i64);
        let mut id = store.start_run(&run(wall_ms)).unwrap();
        let mut truth: Vec<(i64, NewSample)> = Vec::new();
        for step in steps {
            match step {
                Step::Read(count, apart) => {
                    for _ in 0..count {
                        (wall_ms, uptime_ms, n) = (wall_ms + apart, uptime_ms + apart, n + 1);
                        let mut batch = second(n, 0);
                        for sample in &mut batch.samples {
                            (sample.utc, sample.at) = (UtcMillis(wall_ms), Uptime::from_millis(uptime_ms as u64));
                        }
                        truth.extend(batch.samples.iter().map(|sample| (id.0, *sample)));
                        store.append(id, &batch).unwrap();
                    }
                }
                Step::Clock(by) => wall_ms += by,
                Step::Cut => {
                    drop(store);
                    store = Store::open(folder.path(), small()).unwrap();
                    id = store.start_run(&run(wall_ms)).unwrap();
                    uptime_ms = 0;
                }
                Step::Restart => {
                    id = store.start_run(&run(wall_ms)).unwrap();
                    uptime_ms = 0;
                }
            }
        }
        for (signal, tag) in (0..).zip(TAGS) {
            let span = Span::new(UtcMillis(START_MS - 200_000_000), UtcMillis(START_MS + 500_000_000)).unwrap();
            let open = store.open_part(&[tag.to_owned()], Span::EVER);
            let kept = Reading::new(&store.connection, &open).exact(tag, span, usize::MAX).unwrap();
            let kept: Vec<_> = kept.samples.iter().map(|kept| (kept.run, kept.utc, kept.at, kept.reading)).collect();
            let mut own: Vec<_> = truth.iter().filter(|(_, sample)| sample.signal == signal)
                .map(|(run, sample)| (*run, sample.utc, sample.at, sample.reading)).collect();
            own.sort_by_key(|(_, utc, ..)| *utc);
            prop_assert_eq!(kept, own);
        }
        drop(store);
        drop(Store::open(folder.path(), small()).unwrap());
        let found = verify(&folder.path().join("history.sqlite")).unwrap();
        prop_assert!(found.is_sound(), "{}", found);
    }
}
