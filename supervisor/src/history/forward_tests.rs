//! Every reading once and in order, from any row on, whatever the store has closed meanwhile.

use super::*;
use crate::history::sqlite::{InlineStore, ThreadedStore};
use crate::history::testing::{START_MS, TAGS, reading as reading_at, run, second, small};
use crate::history::{Batch, HistoryStore};

/// Everything after `after`, page by page; checks that pages follow each other.
async fn all_after(store: &dyn HistoryStore, mut after: u64) -> (Vec<ForwardReading>, u64) {
    let (mut all, mut lost) = (Vec::new(), 0);
    loop {
        let page = store.forward_page(after).await.unwrap();
        assert!(page.last >= after && page.newest >= page.last, "{} {}", page.last, page.newest);
        assert!(
            page.readings.iter().all(|reading| after < reading.sequence && reading.sequence <= page.last)
        );
        lost += page.lost_rows;
        all.extend(page.readings);
        if page.last == page.newest {
            return (all, lost);
        }
        after = page.last;
    }
}

async fn feed(store: &dyn HistoryStore, run: crate::snapshot::RunId, seconds: std::ops::Range<i64>) {
    for from in seconds.clone().step_by(50) {
        let mut batch = Batch::default();
        (from..(from + 50).min(seconds.end)).for_each(|now| batch.samples.extend(second(now, 0).samples));
        store.append(run, batch).await.unwrap();
    }
}

/// What the readings of so many seconds are, in the order of rows.
fn wanted(seconds: i64) -> Vec<(i64, String, Reading)> {
    let mut all = Vec::new();
    for now in 0..seconds {
        let groups: &[&[u16]] = if now % 5 == 0 { &[&[0, 1, 2, 3], &[4, 5]] } else { &[&[0, 1, 2, 3]] };
        for group in groups {
            let one = |signal: &u16| {
                (START_MS + now * 1000, TAGS[usize::from(*signal)].to_owned(), reading_at(*signal, now))
            };
            let mut row: Vec<_> = group.iter().map(one).collect();
            row.sort_by(|one, other| one.1.cmp(&other.1));
            all.extend(row);
        }
    }
    all
}

fn shape(readings: &[ForwardReading]) -> Vec<(i64, String, Reading)> {
    readings.iter().map(|one| (one.utc.0, one.tag.clone(), one.reading)).collect()
}

#[tokio::test]
async fn every_reading_comes_once_and_in_order_from_the_file_and_from_memory() {
    let folder = tempfile::tempdir().unwrap();
    let store = ThreadedStore::open_with(folder.path(), small()).unwrap();
    assert_eq!(store.forward_page(0).await.unwrap(), ForwardPage::default(), "nothing yet");
    let id = store.start_run(run(START_MS)).await.unwrap();
    let mut written = 0;
    for until in [10, 3500, 3650, 9000] {
        feed(&store, id, written..until).await;
        written = until;
        let (all, lost) = all_after(&store, 0).await;
        assert_eq!(lost, 0);
        assert!(shape(&all) == wanted(until), "after {until} s: {} readings", all.len());
        // From any row on it is the same, without what came before.
        let newest = all.last().unwrap().sequence;
        for after in [1, 7, 500.min(newest), newest] {
            let (rest, lost) = all_after(&store, after).await;
            let expected: Vec<_> = all.iter().filter(|one| one.sequence > after).cloned().collect();
            assert!(rest == expected && lost == 0, "after row {after}");
        }
    }
}

#[tokio::test]
async fn rows_that_are_gone_are_counted_and_passed() {
    let folder = tempfile::tempdir().unwrap();
    let store = ThreadedStore::open_with(folder.path(), small()).unwrap();
    let id = store.start_run(run(START_MS)).await.unwrap();
    feed(&store, id, 0..7300).await;
    let (before, _) = all_after(&store, 0).await;
    let connection = Connection::open(folder.path().join("history.sqlite")).unwrap();
    let first_hour = "SELECT first FROM time_chunks WHERE start_utc_ms < ?1";
    let gone = connection
        .execute(&format!("DELETE FROM time_chunks WHERE first IN ({first_hour})"), [START_MS + 3_600_000])
        .unwrap();
    assert_eq!(gone, 2, "one chunk a group");
    let (all, lost) = all_after(&store, 0).await;
    assert_eq!(lost, 3600 + 720);
    let kept: Vec<_> = before.into_iter().filter(|one| one.utc.0 >= START_MS + 3_600_000).collect();
    assert!(all == kept, "{} instead of {}", all.len(), kept.len());
}

#[tokio::test]
async fn a_servers_place_is_kept_and_a_flipped_bit_in_it_is_no_place() {
    let folder = tempfile::tempdir().unwrap();
    let store = ThreadedStore::open_with(folder.path(), small()).unwrap();
    assert_eq!(store.cursor("central".to_owned()).await.unwrap(), None);
    store.keep_cursor("central".to_owned(), 4711).await.unwrap();
    store.keep_cursor("central".to_owned(), 4712).await.unwrap();
    assert_eq!(store.cursor("central".to_owned()).await.unwrap(), Some(4712));
    assert_eq!(store.cursor("other".to_owned()).await.unwrap(), None);
    let connection = Connection::open(folder.path().join("history.sqlite")).unwrap();
    connection.execute("UPDATE meta SET value = value + 65536 WHERE key = 'server central'", []).unwrap();
    assert_eq!(store.cursor("central".to_owned()).await.unwrap(), None);
}

#[tokio::test]
async fn a_history_in_memory_gives_the_same_pages() {
    let store = InlineStore::in_memory().unwrap();
    let id = store.start_run(run(START_MS)).await.unwrap();
    feed(&store, id, 0..200).await;
    assert_eq!(shape(&all_after(&store, 0).await.0), wanted(200));
}
