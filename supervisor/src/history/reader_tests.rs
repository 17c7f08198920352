//! A reader beside the writer: everything confirmed is there once, in memory or in the file, at every moment.

use super::*;
use crate::history::store::Store;
use crate::history::testing::{START_MS, TAGS, reading, run, second, small};
use setward_protocol::Reading as Quality;

fn window(seconds: i64) -> Span {
    Span::new(UtcMillis(START_MS), UtcMillis(START_MS + seconds * 1000)).unwrap()
}

async fn values(reader: &HistoryReader, tag: &str, seconds: i64) -> Vec<(i64, Quality)> {
    let found = reader.exact(vec![tag.to_owned()], window(seconds)).await.unwrap().remove(0);
    assert_eq!(found.unreadable, 0);
    found.samples.iter().map(|sample| (sample.utc.0, sample.reading)).collect()
}

#[tokio::test]
async fn a_reader_sees_every_confirmed_reading_once_whatever_the_writer_has_closed() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(folder.path(), small()).unwrap();
    let run = store.start_run(&run(START_MS)).unwrap();
    let mut written = 0;
    for until in [1, 100, 3500, 3603, 3604, 7300] {
        while written < until {
            // Fewer, larger batches where nothing is looked at.
            let some = (until - written).min(50);
            let mut batch = Batch::default();
            (written..written + some).for_each(|now| batch.samples.extend(second(now, 0).samples));
            store.append(run, &batch).unwrap();
            written += some;
        }
        let reader = HistoryReader::open(folder.path()).unwrap();
        let wanted: Vec<_> = (0..written).map(|s| (START_MS + s * 1000, reading(0, s))).collect();
        assert_eq!(values(&reader, TAGS[0], 9000).await, wanted, "at {written} s");
        let (first, last) = reader.extent().unwrap().unwrap();
        assert_eq!((first.0, last.0), (START_MS, START_MS + (written - 1) * 1000));
        // The reader keeps its moment while the writer goes on.
        store.append(run, &second(written, 0)).unwrap();
        written += 1;
        assert_eq!(values(&reader, TAGS[0], 9000).await.len(), wanted.len());
    }
    store.close_runs();
    let reader = HistoryReader::open(folder.path()).unwrap();
    assert_eq!(values(&reader, TAGS[0], 9000).await.len() as i64, written, "after the end");
    drop(store);
    let reader = HistoryReader::open(folder.path()).unwrap();
    assert_eq!(values(&reader, TAGS[0], 9000).await.len() as i64, written, "nobody writes");
    assert!(reader.append(run, Batch::default()).await.is_err());
}

#[tokio::test]
async fn a_reader_knows_runs_files_and_tags() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(folder.path(), small()).unwrap();
    let started = run(START_MS);
    store.start_run(&started).unwrap();
    let reader = HistoryReader::open(folder.path()).unwrap();
    assert_eq!(reader.extent().unwrap(), None);
    let mut tags = TAGS.map(str::to_owned).to_vec();
    tags.sort();
    assert_eq!(reader.tags().unwrap(), tags);
    assert!(reader.knows("TT-310").unwrap() && !reader.knows("TT-311").unwrap());
    let runs = reader.runs().unwrap();
    assert_eq!(runs.len(), 1);
    let files = reader.folder(&runs[0].fingerprint).unwrap();
    assert_eq!((files[0].0.as_str(), files[0].2.as_slice()), ("line.toml", b"name = \"line\"".as_slice()));
}

#[test]
fn no_history_and_another_version_are_told_with_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let told = HistoryReader::open(folder.path()).unwrap_err().text;
    assert!(told.contains("no history in") && told.contains("setward run"), "{told}");
    drop(Store::open(folder.path(), small()).unwrap());
    let file = folder.path().join("history.sqlite");
    for (version, advice) in [(1, "takes it over"), (SCHEMA_VERSION + 1, "newer program")] {
        let connection = Connection::open(&file).unwrap();
        connection.pragma_update(None, "user_version", version).unwrap();
        drop(connection);
        let told = HistoryReader::open(folder.path()).unwrap_err().text;
        assert!(told.contains(advice), "{told}");
    }
}
