//! The alarm of a server that history is sent to.

use setward_alarm::AlarmState;
use setward_alarm::{
    AlarmId, AlarmSettings, Delivery, Forecast, ForwardingSettings, Happening, Kind, Monitor, Restored,
    ServerId, Slot, Watched,
};
use setward_protocol::{ModeSet, Uptime};
use std::time::Duration;

const SERVER: ServerId = ServerId(1);
const ALARM: AlarmId = AlarmId(0);

fn settings() -> AlarmSettings {
    AlarmSettings {
        watches: Watched::Server(SERVER),
        kind: Kind::Forwarding(ForwardingSettings { behind_most: Duration::from_secs(900) }),
        latching: false,
        poll_every: Duration::from_secs(5),
        gap_limit: Duration::from_secs(15),
        station: None,
        controller: None,
        modes: ModeSet::ALL,
        settle: Duration::ZERO,
        realarm_after: None,
        hides_for: None,
        shelve_most: None,
        group: None,
        in_a_row: None,
    }
}

fn at(second: u64) -> Uptime {
    Uptime::from_millis(second * 1000)
}

/// What it told: second, and the happening's word.
fn told(monitor: &mut Monitor<'_>, until: u64) -> Vec<(f64, &'static str)> {
    while let Some(due) = monitor.poll_timeout().filter(|due| *due <= at(until)) {
        monitor.handle_timeout(due);
    }
    let events = std::iter::from_fn(|| monitor.poll_event());
    let word = |what| {
        if what == (Happening::Raised { onset: at(100) }) {
            "raised, trouble since 100 s"
        } else if matches!(what, Happening::Raised { .. }) {
            "raised"
        } else if what == Happening::Cleared {
            "cleared"
        } else {
            "other"
        }
    };
    events.map(|event| (event.at.seconds_since(Uptime::START), word(event.what))).collect()
}

#[test]
fn it_raises_when_a_server_has_lacked_something_for_too_long_and_clears_once_it_has_all() {
    let mut slots = [Slot::new(settings())];
    let mut monitor = Monitor::new(&mut slots, &mut [], &mut []);
    assert_eq!(
        told(&mut monitor, 5_000),
        [],
        "nothing is sent yet: a proof or a replay sends nothing at all"
    );
    let mut monitor = Monitor::new(&mut slots, &mut [], &mut []);
    monitor.handle_server(at(0), SERVER, Delivery::Begins);
    monitor.handle_server(at(100), SERVER, Delivery::CaughtUp);
    monitor.handle_server(at(50), ServerId(0), Delivery::Lost);
    assert_eq!(monitor.status(ALARM, at(101)).unwrap().forecast, Forecast::Quiet);
    monitor.handle_server(at(105), SERVER, Delivery::Behind);
    assert_eq!(monitor.status(ALARM, at(400)).unwrap().forecast, Forecast::Raises { seconds: 600.0 });
    assert_eq!(told(&mut monitor, 999), []);
    assert_eq!(told(&mut monitor, 1000), [(1000.0, "raised, trouble since 100 s")]);
    monitor.handle_server(at(1200), SERVER, Delivery::Behind);
    assert_eq!(told(&mut monitor, 9000), [], "told once");
    monitor.handle_server(at(9000), SERVER, Delivery::CaughtUp);
    assert_eq!(told(&mut monitor, 9000), [(9000.0, "cleared")]);
    assert_eq!(told(&mut monitor, 9899), []);
    assert_eq!(told(&mut monitor, 9900).len(), 1, "nothing was heard of it again for the bound");
}

#[test]
fn lost_rows_raise_it_at_once_and_it_is_taken_up_over_a_restart() {
    let mut slots = [Slot::new(settings())];
    let mut monitor = Monitor::new(&mut slots, &mut [], &mut []);
    monitor.handle_server(at(1), SERVER, Delivery::Begins);
    monitor.handle_server(at(7), SERVER, Delivery::Lost);
    monitor.handle_server(at(8), SERVER, Delivery::Lost);
    assert_eq!(told(&mut monitor, 8), [(7.0, "raised")]);
    let mut slots = [Slot::new(settings())];
    let mut monitor = Monitor::new(&mut slots, &mut [], &mut []);
    let state = AlarmState::Acknowledged;
    let restored = Restored {
        state,
        occurrence: 1,
        was_told: true,
        drops_exposure: false,
        exposure: 0.0,
        waited: Duration::ZERO,
        shelved_until: None,
        shelved_once: false,
        out_of_service: false,
    };
    monitor.restore(ALARM, restored);
    monitor.handle_server(at(1), SERVER, Delivery::Begins);
    assert_eq!(told(&mut monitor, 2000), [], "it stands, and that was told");
    monitor.handle_server(at(2000), SERVER, Delivery::CaughtUp);
    assert_eq!(told(&mut monitor, 2000), [(2000.0, "cleared")]);
}
