//! Every transition between the states of the alarm standards (ISA-18.2, IEC 62682: A to I), one test each, through the
//! engine. DEVELOPERS.md lists them beside the transitions; a test there compares.
#![expect(clippy::unwrap_used, reason = "a test: a panic is a failed test")]

use setward_alarm::{
    AlarmId, AlarmSettings, Head, Kind, LimitSettings, Monitor, Refusal, Side, Slot, Watched, WishError,
};
use setward_protocol::{Mode, ModeSet, Reading, Sample, SignalId, StationId, Uptime};
use std::time::Duration;

const OIL: SignalId = SignalId(0);
const FRYER: StationId = StationId(0);
const ALARM: AlarmId = AlarmId(0);

/// Raises 5 s beyond 190, clears 5 s below 189.
fn plain() -> AlarmSettings {
    let (on_delay, off_delay) = (Duration::from_secs(5), Duration::from_secs(5));
    let kind =
        Kind::Limit(LimitSettings { side: Side::Above, limit: 190.0, deadband: 1.0, on_delay, off_delay });
    AlarmSettings {
        watches: Watched::Signal(OIL),
        kind,
        latching: false,
        poll_every: Duration::from_secs(1),
        gap_limit: Duration::from_secs(3),
        station: Some(FRYER),
        controller: None,
        modes: ModeSet::of(&[Mode::Run]),
        settle: Duration::ZERO,
        realarm_after: None,
        hides_for: None,
        shelve_most: None,
        group: None,
        in_a_row: None,
    }
}

fn latching() -> AlarmSettings {
    AlarmSettings { latching: true, ..plain() }
}

/// What happens to the alarm.
#[derive(Debug, Clone, Copy)]
enum Step {
    /// So many seconds at 195.
    Hot(u32),
    /// So many seconds at 182.
    Fine(u32),
    Acknowledge,
    Reset,
    /// For so many seconds.
    Shelve(u64),
    ShelveOnce,
    Unshelve,
    Stop,
    Run,
    TakeOut,
    Return,
}
use Step::{Acknowledge, Fine, Hot, Reset, Return, Run, Shelve, ShelveOnce, Stop, TakeOut, Unshelve};

/// The letter after each step, A before the first.
fn letters(settings: AlarmSettings, steps: &[Step]) -> String {
    let (mut slots, mut heads) = ([Slot::new(settings)], [Head::default()]);
    let mut monitor = Monitor::new(&mut slots, &mut heads, &mut []);
    let mut second = 0;
    let mut seen = String::from("A");
    for step in steps {
        take(&mut monitor, *step, &mut second);
        while monitor.poll_event().is_some() {}
        let status = monitor.status(ALARM, at(second)).unwrap();
        seen.push(status.flags.letter(status.state));
    }
    seen
}

fn at(second: u32) -> Uptime {
    Uptime::from_secs_f64(f64::from(second))
}

fn take(monitor: &mut Monitor<'_>, step: Step, second: &mut u32) {
    let now = at(*second);
    let occurrence = monitor.status(ALARM, now).unwrap().occurrence;
    match step {
        Hot(seconds) => feed(monitor, second, seconds, 195.0),
        Fine(seconds) => feed(monitor, second, seconds, 182.0),
        Acknowledge => {
            monitor.handle_acknowledge(now, ALARM, occurrence).unwrap();
        }
        Reset => monitor.handle_reset(now, ALARM, occurrence).unwrap(),
        Shelve(seconds) => monitor.handle_shelve(now, ALARM, now + Duration::from_secs(seconds)).unwrap(),
        ShelveOnce => monitor.handle_shelve_once(now, ALARM, now + Duration::from_secs(36_000)).unwrap(),
        Unshelve => monitor.handle_unshelve(now, ALARM).unwrap(),
        Stop => monitor.handle_mode(now, FRYER, Mode::Stopped),
        Run => monitor.handle_mode(now, FRYER, Mode::Run),
        TakeOut => monitor.handle_service(now, ALARM, false).unwrap(),
        Return => monitor.handle_service(now, ALARM, true).unwrap(),
    }
}

fn feed(monitor: &mut Monitor<'_>, second: &mut u32, seconds: u32, value: f64) {
    for _ in 0..seconds {
        *second += 1;
        monitor.handle_timeout(at(*second));
        monitor.handle_sample(&Sample { signal: OIL, at: at(*second), reading: Reading::Good(value) });
    }
}

#[test]
fn a_to_b_the_condition_has_held_for_its_delay() {
    assert_eq!(letters(plain(), &[Fine(10), Hot(4), Hot(4)]), "AAAB");
}

#[test]
fn b_to_c_a_person_acknowledges() {
    assert_eq!(letters(plain(), &[Hot(10), Acknowledge]), "ABC");
}

#[test]
fn b_to_d_the_condition_clears() {
    assert_eq!(letters(plain(), &[Hot(10), Fine(4), Fine(4)]), "ABBD");
}

#[test]
fn b_to_e_the_condition_clears_and_it_latches() {
    assert_eq!(letters(latching(), &[Hot(10), Fine(10)]), "ABE");
}

#[test]
fn c_to_a_the_condition_clears() {
    assert_eq!(letters(plain(), &[Hot(10), Acknowledge, Fine(10)]), "ABCA");
}

#[test]
fn c_to_f_the_condition_clears_and_it_latches() {
    assert_eq!(letters(latching(), &[Hot(10), Acknowledge, Fine(10)]), "ABCF");
}

#[test]
fn c_to_b_it_still_stands_when_its_re_alarm_time_is_over() {
    let settings = AlarmSettings { realarm_after: Some(Duration::from_secs(60)), ..plain() };
    assert_eq!(letters(settings, &[Hot(10), Acknowledge, Hot(50), Hot(20)]), "ABCCB");
}

#[test]
fn d_to_a_a_person_acknowledges() {
    assert_eq!(letters(plain(), &[Hot(10), Fine(10), Acknowledge]), "ABDA");
}

#[test]
fn d_to_b_the_condition_comes_again() {
    assert_eq!(letters(plain(), &[Hot(10), Fine(10), Hot(10)]), "ABDB");
}

#[test]
fn e_to_f_a_person_acknowledges() {
    assert_eq!(letters(latching(), &[Hot(10), Fine(10), Acknowledge]), "ABEF");
}

#[test]
fn e_to_b_the_condition_comes_again() {
    assert_eq!(letters(latching(), &[Hot(10), Fine(10), Hot(10)]), "ABEB");
}

#[test]
fn f_to_b_the_condition_comes_again() {
    assert_eq!(letters(latching(), &[Hot(10), Fine(10), Acknowledge, Hot(10)]), "ABEFB");
}

#[test]
fn f_to_a_a_person_resets() {
    assert_eq!(letters(latching(), &[Hot(10), Fine(10), Acknowledge, Reset]), "ABEFA");
}

/// From each of A to F.
#[test]
fn any_to_g_a_person_shelves() {
    let shelve = [Shelve(600)];
    assert_eq!(letters(plain(), &[Fine(5), Shelve(600)]), "AAG");
    assert_eq!(letters(plain(), &[&[Hot(10)][..], &shelve].concat()), "ABG");
    assert_eq!(letters(plain(), &[&[Hot(10), Acknowledge][..], &shelve].concat()), "ABCG");
    assert_eq!(letters(plain(), &[&[Hot(10), Fine(10)][..], &shelve].concat()), "ABDG");
    assert_eq!(letters(latching(), &[&[Hot(10), Fine(10)][..], &shelve].concat()), "ABEG");
    assert_eq!(letters(latching(), &[&[Hot(10), Fine(10), Acknowledge][..], &shelve].concat()), "ABEFG");
}

#[test]
fn g_to_b_the_shelf_ends_and_the_condition_holds() {
    assert_eq!(letters(plain(), &[Hot(10), Acknowledge, Shelve(60), Hot(50), Hot(20)]), "ABCGGB");
    assert_eq!(letters(plain(), &[Fine(5), Shelve(600), Hot(10), Unshelve]), "AAGGB");
}

#[test]
fn g_to_a_the_shelf_ends_and_the_condition_does_not_hold() {
    assert_eq!(letters(plain(), &[Hot(10), Shelve(600), Fine(10), Unshelve]), "ABGGA");
    assert_eq!(letters(plain(), &[Hot(10), ShelveOnce, Fine(10)]), "ABGA");
}

#[test]
fn any_to_h_the_line_suppresses_it() {
    assert_eq!(letters(plain(), &[Fine(5), Stop]), "AAH");
    assert_eq!(letters(plain(), &[Hot(10), Stop]), "ABH");
    assert_eq!(letters(plain(), &[Hot(10), Acknowledge, Stop]), "ABCH");
    assert_eq!(letters(plain(), &[Hot(10), Fine(10), Stop]), "ABDH");
    assert_eq!(letters(latching(), &[Hot(10), Fine(10), Stop]), "ABEH");
    assert_eq!(letters(latching(), &[Hot(10), Fine(10), Acknowledge, Stop]), "ABEFH");
}

#[test]
fn h_to_b_the_suppression_ends_and_the_condition_holds() {
    assert_eq!(letters(plain(), &[Stop, Hot(10), Run]), "AHHB");
    // A limit that was acknowledged before is told anew: another shift may look now.
    assert_eq!(letters(plain(), &[Hot(10), Acknowledge, Stop, Hot(10), Run]), "ABCHHB");
}

#[test]
fn h_to_a_the_suppression_ends_and_the_condition_does_not_hold() {
    assert_eq!(letters(plain(), &[Hot(10), Stop, Fine(10), Run]), "ABHHA");
}

#[test]
fn any_to_i_maintenance_takes_it_out_of_service() {
    assert_eq!(letters(plain(), &[Fine(5), TakeOut]), "AAI");
    assert_eq!(letters(plain(), &[Hot(10), TakeOut]), "ABI");
    assert_eq!(letters(plain(), &[Hot(10), Acknowledge, TakeOut]), "ABCI");
    assert_eq!(letters(plain(), &[Hot(10), Fine(10), TakeOut]), "ABDI");
    assert_eq!(letters(latching(), &[Hot(10), Fine(10), TakeOut]), "ABEI");
    assert_eq!(letters(latching(), &[Hot(10), Fine(10), Acknowledge, TakeOut]), "ABEFI");
}

#[test]
fn i_to_b_maintenance_returns_it_and_the_condition_holds() {
    assert_eq!(letters(plain(), &[TakeOut, Hot(10), Return]), "AIIB");
}

#[test]
fn i_to_a_maintenance_returns_it_and_the_condition_does_not_hold() {
    assert_eq!(letters(plain(), &[Hot(10), TakeOut, Fine(10), Return]), "ABIIA");
}

/// Each ends by itself; what the others say goes on: I over H over G.
#[test]
fn flags_overlap_and_end_in_any_order() {
    let steps = [Hot(10), Shelve(600), Stop, TakeOut, Unshelve, Return, Run];
    assert_eq!(letters(plain(), &steps), "ABGHIIHB");
}

#[test]
fn a_reset_is_refused_while_it_is_not_acknowledged_or_its_condition_holds() {
    let refused = |steps: &[Step]| {
        let (mut slots, mut heads) = ([Slot::new(latching())], [Head::default()]);
        let mut monitor = Monitor::new(&mut slots, &mut heads, &mut []);
        let mut second = 0;
        steps.iter().for_each(|step| take(&mut monitor, *step, &mut second));
        monitor.handle_reset(at(second), ALARM, 1)
    };
    let expected = Err(WishError::Refused(Refusal::NotResettable));
    assert_eq!(refused(&[Hot(10)]), expected);
    assert_eq!(refused(&[Hot(10), Acknowledge]), expected);
    assert_eq!(refused(&[Hot(10), Fine(10)]), expected);
    assert_eq!(refused(&[Hot(10), Fine(10), Acknowledge]), Ok(()));
}
