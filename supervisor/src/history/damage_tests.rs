//! Files damaged in every way: the store starts, reads the rest, never gives a wrong value, and says what it did.

use super::*;
use crate::history::read::Reading;
use crate::history::store::Store;
use crate::history::testing::{START_MS, TAGS, reading, run, second, small};
use crate::history::{AlarmRecord, Batch, Event, EventsAsked, Level, Settings, Span, Window};
use rand_core::{Rng as _, SeedableRng as _};
use rand_pcg::Pcg64Mcg;
use setward_protocol::{Uptime, UtcMillis};

/// Seconds of the history that is damaged: two whole hours and an open one.
const SECONDS: i64 = 7_500;

fn event(sequence: u64) -> Event {
    Event {
        sequence,
        utc: UtcMillis(START_MS + sequence as i64),
        at: Uptime::from_millis(sequence),
        alarm: Some("fryer-inlet-cold".to_owned()),
        occurrence: 3,
        what: "raised".to_owned(),
        states: "AB".to_owned(),
        onset: None,
        value: Some(sequence as f64 / 7.0),
        exposure: Some(1.0),
        by: None,
        note: None,
    }
}

fn record(exposure: f64) -> AlarmRecord {
    AlarmRecord {
        id: "fryer-inlet-cold".to_owned(),
        state: 'B',
        occurrence: 3,
        was_told: true,
        drops_exposure: false,
        exposure,
        waited: std::time::Duration::ZERO,
        waited_under: 0,
        onset: None,
        raised: Some(UtcMillis(START_MS)),
        cleared: None,
        acknowledged: None,
        shelf: None,
        out_of_service: None,
    }
}

/// A folder with a history; the store was cut, so that the journal is full of the last hour.
fn history(folder: &Path) {
    let settings = Settings { journal_bytes: 64 << 20, ..small() };
    let mut store = Store::open(folder, settings).unwrap();
    let run = store.start_run(&run(START_MS)).unwrap();
    for start in (0..SECONDS).step_by(20) {
        let mut batch = Batch::default();
        (start..start + 20).for_each(|now| batch.samples.extend(second(now, 0).samples));
        if start % 100 == 0 {
            batch.events.push(event(start as u64));
            batch.alarms.push(record(start as f64 / 3.0));
        }
        store.append(run, &batch).unwrap();
    }
}

/// How a file is damaged.
fn damage(bytes: &mut Vec<u8>, random: &mut Pcg64Mcg) -> String {
    let mut below = |limit: usize| random.next_u64() as usize % limit.max(1);
    match below(5) {
        0 => {
            let length = below(bytes.len());
            bytes.truncate(length);
            format!("cut to {length}")
        }
        1 => {
            let flips = 1 + below(20);
            for _ in 0..flips {
                let place = below(bytes.len());
                bytes[place] ^= 1 << below(8);
            }
            format!("{flips} bits flipped")
        }
        2 => {
            let place = below(bytes.len() / 512) * 512;
            let end = (place + 512 * (1 + below(16))).min(bytes.len());
            bytes[place..end].fill(0);
            format!("zeros {place}..{end}")
        }
        3 => {
            let (from, to) = (below(bytes.len() / 4096) * 4096, below(bytes.len() / 4096) * 4096);
            let end = (from + 4096).min(bytes.len());
            let to = to.min(bytes.len() - (end - from));
            bytes.copy_within(from..end, to);
            format!("page {from} copied over {to}")
        }
        _ => {
            let place = below(bytes.len());
            let end = (place + 1 + below(3000)).min(bytes.len());
            for byte in &mut bytes[place..end] {
                *byte = below(256) as u8;
            }
            format!("noise {place}..{end}")
        }
    }
}

/// Reads everything there is and holds it against the truth; gives how many readings there were.
fn check(store: &mut Store, how: &str) -> usize {
    let mut count = 0;
    let tags: Vec<String> = TAGS.map(str::to_owned).to_vec();
    for (signal, tag) in (0_u16..).zip(TAGS) {
        let open = store.open_part(&tags, Span::EVER);
        let kept = Reading::new(&store.connection, &open)
            .newest(tag, UtcMillis(i64::MIN), UtcMillis(i64::MAX), usize::MAX)
            .unwrap();
        for sample in &kept {
            let into_ms = sample.utc.0 - START_MS;
            assert!(
                into_ms % 1000 == 0 && (0..SECONDS * 1000).contains(&into_ms),
                "{how}: {tag} at {into_ms}"
            );
            assert_eq!(sample.reading, reading(signal, into_ms / 1000), "{how}: {tag} at {into_ms}");
        }
        assert!(kept.is_sorted_by(|a, b| a.utc < b.utc), "{how}: {tag} has a reading twice");
        count += kept.len();
    }
    check_rows(store, how);
    check_envelopes(store, how);
    let asked = EventsAsked { limit: usize::MAX, ..EventsAsked::default() };
    for kept in crate::history::events::events(&store.connection, &asked).unwrap_or_default() {
        assert_eq!(kept.event, event(kept.event.sequence), "{how}");
    }
    for kept in crate::history::events::alarm_records(&store.connection).unwrap_or_default() {
        assert_eq!(kept, record(kept.exposure), "{how}");
        assert!((kept.exposure * 3.0) as i64 % 100 == 0, "{how}: {}", kept.exposure);
    }
    count
}

/// Rows hold what their signals had, each once.
fn check_rows(store: &Store, how: &str) {
    let tags: Vec<String> = TAGS.map(str::to_owned).to_vec();
    let span = Span::new(UtcMillis(START_MS), UtcMillis(START_MS + SECONDS * 1000)).unwrap();
    let open = store.open_part(&tags, span);
    let kept = Reading::new(&store.connection, &open).kept_rows(&tags, span).unwrap();
    assert!(kept.rows.is_sorted_by(|a, b| a.sequence < b.sequence), "{how}: a row twice");
    for row in &kept.rows {
        for sample in &kept.samples[row.samples.clone()] {
            let second = (row.utc.0 - START_MS) / 1000;
            assert_eq!(sample.reading, reading(sample.signal.0, second), "{how}: {sample:?} at {second}");
        }
    }
}

/// Extremes from roll-ups are never beyond what the signal had.
fn check_envelopes(store: &Store, how: &str) {
    let tags: Vec<String> = TAGS.map(str::to_owned).to_vec();
    let span = Span::new(UtcMillis(START_MS), UtcMillis(START_MS + SECONDS * 1000)).unwrap();
    let window = Window::new(tags.clone(), span, 120).unwrap();
    assert_eq!(window.level(), Level::Minutes);
    let open = store.open_part(&tags, Span::EVER);
    for (signal, envelope) in
        (0_u16..).zip(Reading::new(&store.connection, &open).envelopes(&window).unwrap())
    {
        for (column, place) in envelope.columns.iter().zip(0_i64..) {
            let from = place * SECONDS / 120 - 62;
            let values =
                (from.max(0)..(from + 190).min(SECONDS)).filter_map(|second| reading(signal, second).value());
            let (least, most) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), value| {
                (least.min(value), most.max(value))
            });
            if column.samples > 0 {
                assert!(column.min >= least && column.max <= most, "{how}: {} {column:?}", envelope.tag);
            }
        }
    }
}

/// So many random damages to the file, its log or the journal.
fn many_damages(rounds: u64, seed: u64) {
    let pristine = tempfile::tempdir().unwrap();
    history(pristine.path());
    let sources = ["history.sqlite", "history.sqlite-wal", "history.journal"];
    let sound: Vec<(&str, Vec<u8>)> = sources
        .into_iter()
        .filter_map(|name| Some((name, fs::read(pristine.path().join(name)).ok()?)))
        .collect();
    let all: usize =
        (0..6).map(|signal| if signal < 4 { SECONDS as usize } else { SECONDS as usize / 5 }).sum();
    let (mut whole, mut read) = (0, 0);
    for round in 0..rounds {
        let mut random = Pcg64Mcg::seed_from_u64(seed + round);
        let folder = tempfile::tempdir().unwrap();
        let victim = random.next_u64() as usize % sound.len();
        let mut how = format!("round {round}: ");
        for (index, (name, bytes)) in sound.iter().enumerate() {
            let mut bytes = bytes.clone();
            if index == victim && !bytes.is_empty() {
                how += &format!("{name} {}", damage(&mut bytes, &mut random));
            }
            fs::write(folder.path().join(name), bytes).unwrap();
        }
        let settings = Settings { journal_bytes: 4096, ..small() };
        let mut store = match Store::open(folder.path(), settings) {
            Ok(store) => store,
            // One thing may be refused: a version number that is a newer program's.
            Err(error) if error.text.contains("this program reads version") => continue,
            Err(error) => panic!("{how}: {error}"),
        };
        let count = check(&mut store, &how);
        if count < all {
            let told = store.notices();
            let is_journal = how.contains("journal") || how.contains("wal");
            assert!(!told.is_empty() || is_journal || count > 0, "{how}: nothing read and nothing told");
        }
        // And it goes on.
        let id = store.start_run(&run(START_MS + 900_000_000)).unwrap();
        store.append(id, &Batch { events: vec![event(1)], ..Batch::default() }).unwrap();
        whole += usize::from(count == all);
        read += count;
    }
    let share = read as f64 / (all as u64 * rounds) as f64;
    println!(
        "{rounds} damages: 0 wrong values; everything was read after {whole}, on average {:.1} %",
        share * 100.0
    );
    assert!(share > 0.5, "little was saved: {share}");
}

#[test]
fn no_damage_makes_a_wrong_value_or_keeps_the_store_from_starting() {
    many_damages(100, 1);
}

/// The long form: `cargo test --release -p setward --lib ten_thousand_damages -- --ignored --nocapture`.
#[test]
#[ignore = "takes minutes; run by tests/run --long"]
fn ten_thousand_damages() {
    many_damages(10_000, 1_000_000);
}

#[test]
fn a_file_of_zeros_and_an_empty_one_are_a_new_history_with_the_old_one_aside() {
    for content in [vec![0; 8192], b"SQLite format 3\0".to_vec()] {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("history.sqlite"), &content).unwrap();
        let store = Store::open(folder.path(), small()).unwrap();
        assert_eq!(fs::read(folder.path().join("history.damaged-1.sqlite")).unwrap(), content);
        assert!(store.notices()[0].contains("history.damaged-1.sqlite"));
    }
}

/// The file is gone and only the journal is left: nothing of it is mixed into a new history, it is kept and told.
#[test]
fn a_journal_without_its_file_is_set_aside_once() {
    let folder = tempfile::tempdir().unwrap();
    history(folder.path());
    for ending in ["", "-wal", "-shm"] {
        let _absent = fs::remove_file(folder.path().join(format!("history.sqlite{ending}")));
    }
    let store = Store::open(folder.path(), small()).unwrap();
    assert!(store.notices()[0].contains("history.damaged-1.journal"), "{:?}", store.notices());
    drop(store);
    assert!(Store::open(folder.path(), small()).unwrap().notices().is_empty());
}

/// The first page of the file is gone, so nothing of it can be read; the journal is its own and says so.
#[test]
fn the_journal_of_a_file_that_is_lost_is_set_aside_as_its_own() {
    let folder = tempfile::tempdir().unwrap();
    history(folder.path());
    let file = folder.path().join("history.sqlite");
    fs::write(&file, vec![0xA5; 40_000]).unwrap();
    let _absent = fs::remove_file(folder.path().join("history.sqlite-wal"));
    let store = Store::open(folder.path(), small()).unwrap();
    let told = store.notices().join("; ");
    assert!(
        told.contains("history.damaged-1.sqlite")
            && told.contains("runs that the history file does not know"),
        "{told}"
    );
}
