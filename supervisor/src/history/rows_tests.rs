//! Rows against the signals one by one: any window, closed and open, over a restart and with a chunk that is damaged.

use super::*;
use crate::history::store::Store;
use crate::history::testing::{START_MS, TAGS, reading, run, second, small};
use crate::history::{Batch, HistoryReader, HistoryStore as _, Settings};
use crate::snapshot::RunId;

fn tags() -> Vec<String> {
    TAGS.map(str::to_owned).to_vec()
}

fn span(from: i64, to: i64) -> Span {
    Span::new(UtcMillis(START_MS + from * 1000), UtcMillis(START_MS + to * 1000)).unwrap()
}

fn ingest(store: &mut Store, run: RunId, seconds: Range<i64>) {
    for ten in seconds.clone().step_by(10) {
        let mut batch = Batch::default();
        let all = ten..(ten + 10).min(seconds.end);
        all.for_each(|now| batch.samples.extend(second(now, seconds.start).samples));
        store.append(run, &batch).unwrap();
    }
}

/// Two runs with a pause between them; the second reaches into an hour that is not closed.
fn filled(folder: &std::path::Path) -> Store {
    let mut store = Store::open(folder, Settings { journal_bytes: 64 << 20, ..small() }).unwrap();
    let first = store.start_run(&run(START_MS)).unwrap();
    ingest(&mut store, first, 0..4000);
    let next = store.start_run(&run(START_MS + 4_100_000)).unwrap();
    ingest(&mut store, next, 4100..8000);
    store
}

fn rows(store: &Store, tags: &[String], span: Span) -> KeptRows {
    let open = store.open_part(tags, span);
    super::Reading::new(&store.connection, &open).kept_rows(tags, span).unwrap()
}

/// Number in the store, place of the signal, run, wall time, time of the run, reading.
type Flat = (u64, u16, i64, i64, Uptime, setward_protocol::Reading);

fn flat(kept: &KeptRows) -> Vec<Flat> {
    let of_row = |row: &KeptRow| {
        let (sequence, run, utc) = (row.sequence, row.run, row.utc.0);
        let samples = kept.samples[row.samples.clone()].to_vec();
        samples.into_iter().map(move |one| (sequence, one.signal.0, run, utc, one.at, one.reading))
    };
    kept.rows.iter().flat_map(of_row).collect()
}

fn one_by_one(store: &Store, tags: &[String], span: Span) -> Vec<Flat> {
    let open = store.open_part(tags, Span::EVER);
    let mut all = Vec::new();
    for (tag, place) in tags.iter().zip(0..) {
        let found = super::Reading::new(&store.connection, &open).exact(tag, span, usize::MAX).unwrap();
        let own = found.samples.iter();
        all.extend(own.map(|one| (one.sequence, place, one.run, one.utc.0, one.at, one.reading)));
    }
    all.sort_by_key(|(sequence, place, ..)| (*sequence, *place));
    all
}

#[test]
fn rows_of_any_window_hold_what_the_signals_have_one_by_one() {
    let folder = tempfile::tempdir().unwrap();
    let store = filled(folder.path());
    for (from, to) in [
        (0, 8000),
        (0, 1),
        (3599, 3601),
        (3990, 4110),
        (4000, 4100),
        (7190, 7300),
        (7999, 9000),
        (1234, 7654),
    ] {
        let found = flat(&rows(&store, &tags(), span(from, to)));
        assert_eq!(found, one_by_one(&store, &tags(), span(from, to)), "{from} to {to}");
    }
    let all = rows(&store, &tags(), span(0, 9000));
    assert_eq!(all.rows.len(), 7900 + 7900 / 5, "a row each second, and the second group each fifth");
    assert_eq!(all.rows.first().map(|row| row.samples.len()), Some(4));
    let of_second = |one: &Flat| reading(one.1, (one.3 - START_MS) / 1000);
    assert!(flat(&all).iter().all(|one| one.5 == of_second(one)));
}

#[test]
fn a_signal_is_known_by_its_place_among_those_that_were_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    let store = filled(folder.path());
    let asked = ["ST-206", "nobody", "TT-310"].map(str::to_owned);
    let found = flat(&rows(&store, &asked, span(3500, 7300)));
    assert_eq!(found, one_by_one(&store, &asked, span(3500, 7300)));
    assert!(found.iter().all(|one| one.1 != 1) && found.iter().any(|one| one.1 == 2));
}

#[test]
fn a_chunk_that_cannot_be_read_is_counted_and_the_others_are_given() {
    let folder = tempfile::tempdir().unwrap();
    let store = filled(folder.path());
    let sound = rows(&store, &tags(), span(0, 3600));
    assert_eq!((sound.unreadable, &sound.unreadable_tag), (0, &None));
    let [from, to] = value_keys(sound.rows[0].sequence);
    let sql = "UPDATE chunks SET block = zeroblob(40) WHERE key = (SELECT max(key) FROM chunks WHERE key BETWEEN ?1 AND ?2)";
    assert_eq!(store.connection.execute(sql, [from, to]).unwrap(), 1);
    let found = rows(&store, &tags(), span(0, 3600));
    assert_eq!((found.unreadable, found.unreadable_tag.as_deref()), (1, Some("FT-340")));
    let others = |one: &Flat| one.1 != 3;
    let rest: Vec<Flat> = flat(&sound).into_iter().filter(others).collect();
    assert_eq!(flat(&found), rest);
}

#[tokio::test]
async fn a_reader_of_the_files_gives_the_same_rows() {
    let folder = tempfile::tempdir().unwrap();
    let store = filled(folder.path());
    let own = rows(&store, &tags(), span(0, 9000));
    let reader = HistoryReader::open(folder.path()).unwrap();
    let read = reader.kept_rows(tags(), span(0, 9000)).await.unwrap();
    assert_eq!(flat(&read), flat(&own));
}
