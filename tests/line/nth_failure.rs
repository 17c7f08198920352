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
    assert!(sound.tally.raised > 3 && sound.calls.0 > 500, "{:?} {:?}", sound.tally, sound.calls);
    let mut begun = 0;
    // The first calls one by one: the beginning of a run; then here and there.
    let single =
        (1..=12).chain([50, 137, 301, 302, 303, 611, sound.calls.0 - 1, sound.calls.0]).map(Fails::Nth);
    for fails in single.chain([2, 3, 5, 7, 20].map(Fails::Every)) {
        match lived(|world| world.store = fails) {
            Ok(found) => {
                begun += 1;
                // Readings and events, with their times, values and order: the same to the last bit.
                // (The oracle is told late here and would judge by another second.)
                assert_eq!(found.journal, sound.journal, "{fails:?}: the journal differs");
                found.check_kept(&format!("{fails:?}"));
            }
            // A run that can't begin says why.
            Err(error) => assert!(error.text.contains("on purpose"), "{fails:?}: {error}"),
        }
    }
    assert!(begun >= 12, "only {begun} runs began");
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
