//! When the last station ran, by the events of runs that were stopped in order and cut off.

use super::*;
use crate::history::sqlite::InlineStore;
use crate::history::{Batch, Event, NewRun};
use setward_protocol::Uptime;

const MIN: i64 = 60_000;
/// 2026-11-26T12:00:00Z.
const NOON: i64 = 1_795_694_400_000;

fn utc(minute: i64) -> UtcMillis {
    UtcMillis(NOON + minute * MIN)
}

/// A run from its start on, by minutes and what it told.
async fn run(line: &Line, store: &InlineStore, told: &[(i64, &str, Option<&str>)]) {
    let started = told[0].0;
    let run = store.start_run(NewRun::of(line, utc(started), "0")).await.unwrap();
    let event = |(sequence, (minute, what, note)): (u64, &(i64, &str, Option<&str>))| Event {
        sequence,
        utc: utc(*minute),
        at: Uptime::from_millis(u64::try_from((minute - started) * MIN).unwrap()),
        alarm: None,
        occurrence: 0,
        what: (*what).to_owned(),
        states: String::new(),
        onset: None,
        value: None,
        exposure: None,
        by: None,
        note: note.map(str::to_owned),
    };
    let events = (1..).zip(told).map(event).collect();
    store.append(run, Batch { events, ..Batch::default() }).await.unwrap();
}

#[tokio::test]
async fn running_is_known_over_restarts_and_the_time_between_runs_is_not() {
    let line = setward_config::load_demo().unwrap().line;
    let store = InlineStore::in_memory().unwrap();
    let mode = "station mode";
    run(
        &line,
        &store,
        &[
            (-300, "started", None),
            (-200, mode, Some("packing: run to stopped")),
            (-100, mode, Some("packing: stopped to run")),
            (-70, "stopped", None),
        ],
    )
    .await;
    // What it begins with is told by nothing: it runs. It is cut off ten minutes after its last event.
    run(&line, &store, &[(-60, "started", None), (-30, "entered", None)]).await;
    let packing = line.stations.iter().position(|station| station.key == "packing").unwrap();
    let packing = StationId(u16::try_from(packing).unwrap());
    let ran = ran(&line, &store, &[], (utc(-20), utc(0))).await;
    let own: Vec<_> = ran.iter().filter(|ran| ran.station == packing).map(|ran| (ran.from, ran.to)).collect();
    assert_eq!(own, [(utc(-300), utc(-200)), (utc(-100), utc(-70)), (utc(-60), utc(-20))]);
}
