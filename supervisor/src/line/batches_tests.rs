//! Names of batches; when what a tank fed was packed, on the demo line, over a stop of its belts.

use super::*;
use crate::history::HistoryStore;
use crate::history::sqlite::InlineStore;
use crate::line::follow::FollowBook;
use crate::report::batch::BatchReport;
use crate::report::keeper::keep_batches;
use setward_protocol::{SignalId, Unit};
use std::sync::Arc;

/// 2026-11-23T04:00:00Z.
const START: i64 = 1_795_406_400_000;
const MIN: i64 = 60_000;

#[test]
fn a_batch_is_called_by_its_kettle_and_the_minute_it_began_in() {
    assert_eq!(name(0, UtcMillis(1_795_572_622_000)), "kettle-1-20261125T0210Z");
    assert_eq!(name(1, UtcMillis(1_795_572_599_999)), "kettle-2-20261125T0209Z");
    assert_eq!(name(0, UtcMillis(i64::MAX)), "kettle-1-19700101T0000Z");
}

fn moment(second: i64) -> (Uptime, UtcMillis) {
    (Uptime::from_millis(u64::try_from(second * 1000).unwrap()), UtcMillis(START + second * 1000))
}

/// Kettle 1 cooks into tank 5 in the first minutes; the tank feeds from minute 30 to 60 and is empty then.
fn word(tag: &str, minute: i64) -> f64 {
    match (tag, minute) {
        ("XI-101", 1) => 1.0,
        ("XI-101", 2) => 2.0,
        ("XI-101", 3..5) => 3.0,
        ("XI-101", 5..7) => 4.0,
        ("XI-101", 7..9) => 5.0,
        ("XI-101", 9..12) => 6.0,
        ("XI-135", 8..13) => 1.0,
        ("XI-135", 13..60) => 3.0,
        ("XI-151", 30..60) => 5.0,
        _ => 0.0,
    }
}

/// Two minutes for each belt, whatever its length; words of what runs are 1.
fn moving(line: &Line, signal: SignalId) -> f64 {
    let unit = line.signal(signal).unit;
    let belt = line.belts.iter().find(|belt| belt.speed == signal);
    let per_s = belt.and_then(|belt| Unit::MetrePerSecond.convert(belt.effective_length_m / 120.0, unit));
    if line.feed.as_ref().is_some_and(|feed| feed.signal == signal) {
        return Unit::KilogramPerHour.convert(900.0, unit).unwrap();
    }
    per_s.unwrap_or(1.0)
}

struct Plant {
    line: Line,
    book: FollowBook,
    second: i64,
}

impl Plant {
    fn new() -> Self {
        let line = setward_config::load_demo().unwrap().line;
        Self { book: FollowBook::new(&line), line, second: 0 }
    }

    /// Up to a minute, with belts that stand in some minutes.
    fn pass_until(&mut self, minute: i64, stands: std::ops::Range<i64>) {
        let words = ["XI-101", "XI-135", "XI-151"].map(|tag| (tag, self.line.signal_by_tag(tag).unwrap()));
        let records: Vec<SignalId> = self.book.signals(false).collect();
        while self.second < minute * 60 {
            let (now, at) = (self.second / 60, moment(self.second));
            for (tag, signal) in words {
                self.book.handle(&self.line, at, signal, Some(word(tag, now)));
            }
            for signal in &records {
                let value = if stands.contains(&now) { 0.0 } else { moving(&self.line, *signal) };
                self.book.handle(&self.line, at, *signal, Some(value));
            }
            self.second += 1;
        }
    }

    fn batch(&mut self) -> BatchView {
        let views = self.book.batches(&self.line, moment(self.second), true).unwrap();
        views.into_iter().next().unwrap()
    }

    /// Its record, kept anew.
    async fn kept(&mut self, store: &Arc<dyn HistoryStore>) -> BatchReport {
        let view = self.batch();
        let (told, batches) = tokio::sync::watch::channel(Arc::new(Vec::new()));
        told.send_replace(Arc::new(vec![view.clone()]));
        drop(told);
        keep_batches(Arc::new(self.line.clone()), Arc::clone(store), batches).await;
        let row = store.batch(view.id).await.unwrap().unwrap();
        serde_json::from_str(&row.record).unwrap()
    }
}

fn utc(text: Option<&String>) -> UtcMillis {
    UtcMillis(text.unwrap().parse::<Timestamp>().unwrap().as_millisecond())
}

#[tokio::test]
async fn a_stop_after_a_tank_ran_out_is_in_the_record_of_when_its_corn_was_packed() {
    let store: Arc<dyn HistoryStore> = Arc::new(InlineStore::in_memory().unwrap());
    let (mut plant, stands) = (Plant::new(), 63..93);
    plant.pass_until(61, stands.clone());
    let forecast = plant.kept(&store).await;
    assert!(!forecast.is_complete && forecast.fed[0].is_forecast, "{:?}", forecast.fed);
    assert!(utc(forecast.fed[0].packed_not_after.as_ref()).0 < START + 93 * MIN, "if nothing stops");
    plant.pass_until(75, stands.clone());
    let standing = plant.kept(&store).await;
    assert!(!standing.is_complete && standing.fed[0].packed_from.is_none(), "{:?}", standing.fed);
    plant.pass_until(140, stands);
    let packed = plant.kept(&store).await;
    assert!(packed.is_complete && !packed.fed[0].is_forecast, "{:?}", packed.fed);
    let last = utc(packed.fed[0].packed_not_after.as_ref());
    assert!((START + 93 * MIN..START + 125 * MIN).contains(&last.0), "{:?}", packed.fed);
}

#[test]
fn what_stands_on_the_belts_for_a_day_is_waited_for_no_longer() {
    let mut plant = Plant::new();
    plant.pass_until(75, 63..1_000_000);
    assert!(!plant.batch().is_complete());
    let later = moment(60 * 60 + 25 * 3600);
    let views = plant.book.batches(&plant.line, later, true).unwrap();
    assert!(views[0].is_complete() && views[0].fed[0].packed.is_none(), "{:?}", views[0].fed);
}
