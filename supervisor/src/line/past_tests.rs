//! A recipe that a person chose before the time that is read again.

use super::*;
use crate::history::sqlite::InlineStore;
use crate::history::{Batch, NewRun, NewSample, StoredEntry};
use setward_config::line::Origin;
use setward_protocol::Reading;

const HOUR: i64 = 3_600_000;
/// 2026-11-25T12:00:00Z.
const NOW: UtcMillis = UtcMillis(1_795_608_000_000);

/// The demo with the cook house's recipe number entered by people.
fn line() -> Line {
    let mut line = setward_config::load_demo().unwrap().line;
    let number = line.signal_by_tag("XI-123").unwrap();
    line.signals[number.index()].origin = Origin::Entered;
    line
}

fn entry(n: u64, value: f64, hours_ago: i64, corrects: Option<u64>) -> StoredEntry {
    let at = UtcMillis(NOW.0 - hours_ago * HOUR);
    StoredEntry {
        n,
        tag: "XI-123".to_owned(),
        value,
        taken: at,
        entered: at,
        by: "Ana".to_owned(),
        corrects,
        was_asked: false,
        late_s: 0.0,
        calibration: None,
        about: None,
        note: None,
    }
}

#[tokio::test]
async fn a_batch_of_before_a_restart_was_cooked_by_the_number_that_was_entered_days_ago() {
    let line = line();
    let store = InlineStore::in_memory().unwrap();
    let run = store.start_run(NewRun::of(&line, UtcMillis(NOW.0 - 60 * HOUR), "0")).await.unwrap();
    // Two days ago 3 was entered and corrected to 7 at once; 3 is the older of what stood.
    let entries = vec![entry(1, 3.0, 70, None), entry(2, 3.0, 54, None), entry(3, 7.0, 54, Some(2))];
    let step = line.signal_by_tag("XI-101").unwrap();
    let began = NOW.0 - 5 * HOUR;
    let sample = |second: i64| {
        let code = [0.0, 1.0, 2.0, 3.0, 3.0, 4.0, 4.0, 5.0, 6.0, 0.0];
        let minute = usize::try_from(second / 60).unwrap();
        let value = code.get(minute).copied().unwrap_or(0.0);
        let (utc, at) = (UtcMillis(began + second * 1000), Uptime::from_millis(55 * 3_600_000));
        let at = at + std::time::Duration::from_secs(u64::try_from(second).unwrap());
        NewSample { signal: step.0, utc, at, reading: Reading::Good(value) }
    };
    let samples = (0..900).map(sample).collect();
    store.append(run, Batch { samples, entries, ..Batch::default() }).await.unwrap();

    let past = of(&line, &store, NOW).await;
    assert_eq!(past[0].value, Some(7.0));
    let mut book = followed(&line, &store, NOW, NOW).await;
    let batches = book.batches(&line, (Uptime::START, NOW), true).unwrap();
    let [batch] = batches.as_slice() else { panic!("{batches:?}") };
    assert_eq!(line.recipes[batch.recipe].key, "white-corn-strips");
}
