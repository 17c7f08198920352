//! A recipe that changes within a run, batches of a kettle, the tank that feeds; and what nobody says.

use super::*;
use crate::history::sqlite::InlineStore;
use crate::history::{Batch, NewRun, NewSample};
use setward_protocol::{NoData, Reading};

/// 2026-11-25T02:00:00Z.
const START_MS: i64 = 1_795_572_000_000;

/// Each word with the readings it has from a second on, kept once a second for `seconds`.
async fn history(seconds: i64, words: &[(&str, &[(i64, Reading)])]) -> (Belonging, InlineStore) {
    let line = setward_config::load_demo().unwrap().line;
    let store = InlineStore::in_memory().unwrap();
    let run = store.start_run(NewRun::of(&line, UtcMillis(START_MS), "0")).await.unwrap();
    let mut batch = Batch::default();
    for second in 0..seconds {
        for (tag, changes) in words {
            let signal = line.signal_by_tag(tag).unwrap().0;
            let (_, reading) = *changes.iter().rev().find(|(from, _)| *from <= second).unwrap();
            let (utc, at) = (UtcMillis(START_MS + second * 1000), Uptime::from_millis(second as u64 * 1000));
            batch.samples.push(NewSample { signal, utc, at, reading });
        }
    }
    store.append(run, batch).await.unwrap();
    let recipes = line.recipes.iter().map(|recipe| format!("{} v1", recipe.key)).collect();
    (Belonging::new(BTreeMap::from([(run, LineOfRun { line, recipes })])), store)
}

const fn good(value: f64) -> Reading {
    Reading::Good(value)
}

fn second(second: i64) -> UtcMillis {
    UtcMillis(START_MS + second * 1000)
}

#[tokio::test]
async fn the_recipe_of_a_reading_is_the_one_its_station_ran_at_that_moment() {
    let number = [(0, good(3.0)), (100, good(7.0)), (4000, Reading::Bad(NoData::NoReply)), (4100, good(9.0))];
    let words: [(&str, &[(i64, Reading)]); 2] = [("XI-393", &number), ("XI-123", &[(0, good(3.0))])];
    let (belonging, store) = history(4200, &words).await;
    // The window begins after the change: what held at its beginning is looked for.
    for from in [0, 900] {
        let span = Span::new(second(from), second(4200)).unwrap();
        let then = belonging.then(&store, span).await.unwrap();
        let recipe = |tag, at| then.recipe(tag, RunId(1), second(at)).to_owned();
        if from == 0 {
            assert_eq!(recipe("TT-310", 104), "blue-corn-rounds v1", "not before it has stood");
        }
        for at in [1000, 4050, 4190] {
            assert_eq!(
                recipe("TT-310", at),
                "white-corn-strips v1",
                "silence and an unknown number change nothing"
            );
            assert_eq!(recipe("TT-101", at), "blue-corn-rounds v1", "the cook house has a number of its own");
        }
        assert_eq!(then.recipe("TT-310", RunId(2), second(1000)), "", "a run of which nothing is kept");
    }
}

#[tokio::test]
async fn a_kettle_has_its_batch_a_tank_itself_the_line_the_tank_that_feeds_and_the_rest_nothing() {
    let words: [(&str, &[(i64, Reading)]); 3] = [
        ("XI-101", &[(0, good(0.0)), (50, good(3.0))]),
        ("XI-102", &[(0, good(4711.0)), (150, good(4712.0)), (180, Reading::Bad(NoData::NoReply))]),
        ("XI-151", &[(0, good(4.0)), (100, good(5.0)), (150, good(0.0))]),
    ];
    let (belonging, store) = history(200, &words).await;
    let then = belonging.then(&store, Span::new(second(0), second(200)).unwrap()).await.unwrap();
    let batch = |tag, at| then.batch(tag, RunId(1), second(at));
    assert_eq!([10, 60, 160, 190].map(|at| batch("TT-101", at)), ["", "4711", "4712", ""]);
    assert_eq!([10, 120, 160].map(|at| batch("TT-310", at)), ["tank 4", "tank 5", ""]);
    assert_eq!(batch("TT-137", 10), "tank 7");
    assert_eq!(batch("TT-111", 10), "", "no word of the second kettle is kept");
    assert_eq!(batch("PT-120", 10), "", "the steam of both kettles");
    assert_eq!(then.batch("TT-310", RunId(2), second(10)), "");
}

/// Records of two batches: each in its kettle, both in one tank, and on the line while they are fed.
#[tokio::test]
async fn where_batches_have_records_they_are_named_by_them() {
    let (belonging, store) = history(200, &[("XI-151", &[(0, good(4.0))])]).await;
    let kept: serde_json::Value =
        serde_json::from_str(include_str!("../../tests/batch_record.json")).unwrap();
    let utc = |at: i64| jiff::Timestamp::from_millisecond(second(at).0).unwrap().to_string();
    for (id, start, end) in [("kettle-1-one", 0, 50), ("kettle-1-two", 50, 90)] {
        let mut record = kept.clone();
        record["kettle"] = "Kettle 1".into();
        record["soak"]["tank"] = 5.into();
        record["soak"]["from"] = utc(end).into();
        record["is_complete"] = true.into();
        let (from, to) = (utc(120), utc(150));
        record["fed"] = serde_json::json!([{ "tank": 5, "from": from, "to": to, "goes_on": false, "packed_from": null,
            "packed_to": null, "packed_not_before": null, "packed_not_after": null }]);
        let end = Some(second(end));
        let row = crate::history::BatchRow {
            id: id.to_owned(),
            start: second(start),
            end,
            record: record.to_string(),
        };
        store.keep_batch(row).await.unwrap();
    }
    let then = belonging.then(&store, Span::new(second(0), second(200)).unwrap()).await.unwrap();
    let batch = |tag, at| then.batch(tag, RunId(1), second(at));
    assert_eq!([10, 60, 95].map(|at| batch("TT-101", at)), ["kettle-1-one", "kettle-1-two", ""]);
    let tanks = [10, 60, 100, 130, 160].map(|at| batch("TT-135", at));
    assert_eq!(
        tanks,
        ["tank 5", "kettle-1-one", "kettle-1-one+kettle-1-two", "kettle-1-one+kettle-1-two", "tank 5"]
    );
    assert_eq!(
        [100, 130, 160].map(|at| batch("TT-310", at)),
        ["tank 4", "kettle-1-one+kettle-1-two", "tank 4"]
    );
}
