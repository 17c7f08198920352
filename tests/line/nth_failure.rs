//! Every nth call of the store fails, and every nth call of a socket: nothing that was acknowledged is lost, nothing is invented, and
//! the program goes on, or does not begin.

use crate::spoiled::{Fails, Found, Shut, World, live, plan_of};
use crate::virtual_plan::{Plan, Planned};
use std::io;

const SECONDS: u64 = 900;

/// A quarter of an hour with something to tell.
fn plan() -> Plan {
    let begin = |text: &str| Planned::Begin(text.to_owned());
    let end = |text: &str| Planned::End(text.to_owned());
    plan_of(vec![
        (120, begin("heat-low 9.00")),
        (200, begin("sensor-break TT-313")),
        (260, end("sensor-break TT-313")),
        (300, begin("controller-silent oven")),
        (360, end("controller-silent oven")),
        (600, end("heat-low 9.00")),
    ])
}

fn lived(change: impl FnOnce(&mut World)) -> Result<Found, setward::history::HistoryError> {
    let mut world = World::sound(7, SECONDS);
    change(&mut world);
    live(world, plan())
}

#[test]
fn whichever_call_of_the_store_fails_every_reading_and_event_is_kept_in_the_same_order() {
    let sound = lived(|_| {}).unwrap();
    sound.check("without a failure");
    let lengths = ["runs", "notes", "records"].map(|table| sound.rows[table].len());
    let acknowledged = sound.rows["events"].iter().filter(|row| row.contains("acknowledged")).count();
    assert!(lengths == [1, 1, 1] && acknowledged > 0, "{lengths:?} {acknowledged}");
    assert!(sound.tally.raised > 3 && sound.calls.0 > 500, "{:?} {:?}", sound.tally, sound.calls);
    let mut begun = 0;
    // The first calls one by one: the beginning of a run; then here and there.
    let single =
        (1..=12).chain([50, 137, 301, 302, 303, 611, sound.calls.0 - 1, sound.calls.0]).map(Fails::Nth);
    for fails in single.chain([2, 3, 5, 7, 20, 50].map(Fails::Every)) {
        match lived(|world| world.store = fails) {
            Ok(found) => {
                begun += 1;
                // Readings and events, with their times, values and order: the same to the last bit.
                // (The oracle is told late here and would judge by another second.)
                assert_eq!(found.journal, sound.journal, "{fails:?}: the journal differs");
                assert_eq!(found.readings, sound.readings, "{fails:?}: other readings are given back");
                for (table, rows) in &found.rows {
                    assert_eq!(rows, &sound.rows[table], "{fails:?}: {table}");
                }
                found.check_kept(&format!("{fails:?}"));
            }
            // A run that can't begin says why.
            Err(error) => assert!(error.text.contains("on purpose"), "{fails:?}: {error}"),
        }
    }
    assert!(begun >= 9, "only {begun} runs began");
}

#[test]
fn whichever_call_of_a_socket_fails_no_value_is_invented_and_no_alarm_is_false() {
    let mut raised = 0;
    for fails in
        [2, 3, 5, 8, 13, 34, 89, 233, 610].map(Fails::Every).into_iter().chain((1..=8).map(Fails::Nth))
    {
        let found = lived(|world| world.sockets = fails).unwrap();
        found.check(&format!("{fails:?}"));
        assert!(found.calls.1 > 500, "{fails:?}: {:?}", found.calls);
        raised += found.tally.raised;
    }
    assert!(raised > 20, "{raised}");
}

/// A disk that takes nothing any more: what it took before is all there, and nothing else.
#[test]
fn from_whichever_call_on_the_store_fails_what_it_took_stays_and_nothing_is_invented() {
    let sound = lived(|_| {}).unwrap();
    let mut begun = 0;
    for n in (1..=8).chain([50, 301, 611, sound.calls.0 - 1]) {
        let fails = Fails::From(n);
        match lived(|world| world.store = fails) {
            Ok(found) => {
                begun += 1;
                assert_eq!(found.kept, found.tally.samples, "{fails:?}: kept is not what was acknowledged");
                assert!(found.kept < sound.kept, "{fails:?}: {}", found.kept);
                for table in ["runs", "events", "bands", "notes", "records", "entries", "audit"] {
                    let (kept, all) = (&found.rows[table], &sound.rows[table]);
                    let stranger = kept.iter().find(|row| !all.contains(row));
                    assert_eq!(stranger, None, "{fails:?}: {table}");
                }
            }
            Err(error) => assert!(error.text.contains("on purpose"), "{fails:?}: {error}"),
        }
    }
    assert!(begun >= 4, "only {begun} runs began");
}

#[test]
fn a_connection_without_a_descriptor_is_dialled_again_and_no_value_is_invented() {
    let sockets = Fails::Every(89);
    let sound = lived(|world| world.sockets = sockets).unwrap();
    for dials in (1..=6).map(Fails::Nth).chain([2, 3, 5].map(Fails::Every)) {
        let found = lived(|world| (world.sockets, world.dials) = (sockets, dials)).unwrap();
        found.check(&format!("{dials:?}"));
        assert!(2 * found.tally.good > sound.tally.good, "{dials:?}: {} good", found.tally.good);
    }
    // None at all any more: silence, and the alarms that say so.
    let found = lived(|world| (world.sockets, world.dials) = (sockets, Fails::From(9))).unwrap();
    found.check("none from the ninth on");
    assert!(found.tally.good < sound.tally.good && found.tally.called_by.contains_key("communication"));
}

#[test]
fn a_link_that_flaps_each_two_seconds_is_no_storm_of_alarms_and_no_wrong_value() {
    let shut = (0..150).map(|nth| Shut {
        controller: "fryer",
        why: io::ErrorKind::HostUnreachable,
        between: (120 + 4 * nth, 122 + 4 * nth),
    });
    let mut world = World::sound(7, SECONDS);
    world.shut = shut.collect();
    let found = live(world, plan_of(Vec::new())).unwrap();
    found.check("a link that flaps");
    let called = found.tally.called_by.get("communication").copied().unwrap_or_default();
    assert!(called <= 10, "{called} calls in ten minutes: {:?}", found.tally.called_by);
}
