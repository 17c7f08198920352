//! A history and its truth for a reader of another make: see `tests/peers/history_reads.py`.

use super::quality::code_of;
use super::store::Store;
use super::testing::{START_MS, TAGS, run, second, small};
use super::{Batch, verify};
use std::fmt::Write as _;
use std::path::PathBuf;

/// `SETWARD_PEERS_FOLDER=DIR cargo test --release -p setward --lib write_history_for_peers -- --ignored` leaves
/// `history.sqlite` and `expected.csv` in DIR.
#[test]
#[ignore = "writes files for another program; run by tests/run"]
fn write_history_for_peers() {
    let folder = PathBuf::from(std::env::var("SETWARD_PEERS_FOLDER").unwrap());
    let mut store = Store::open(&folder, small()).unwrap();
    let run = store.start_run(&run(START_MS)).unwrap();
    let mut expected = String::new();
    for ten in (0..7000).step_by(10) {
        let mut batch = Batch::default();
        for now in ten..ten + 10 {
            batch.samples.extend(second(now, 0).samples);
        }
        for sample in &batch.samples {
            let (code, value) = code_of(sample.reading);
            let tag = TAGS[usize::from(sample.signal)];
            let value = value.map_or_else(String::new, |value| value.to_string());
            writeln!(expected, "{tag},{},{value},{code}", sample.utc.0).unwrap();
        }
        store.append(run, &batch).unwrap();
    }
    store.close_runs();
    drop(store);
    std::fs::write(folder.join("expected.csv"), expected).unwrap();
    let found = verify(&folder.join("history.sqlite")).unwrap();
    assert!(found.is_sound() && found.readings > 0, "{found}");
}
