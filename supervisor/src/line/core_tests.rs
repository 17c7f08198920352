//! That a look which is left out would have found nothing, and what is silent from the start.

use super::*;
use crate::history::AlarmRecord;
use crate::line::WallAnchor;
use crate::line::storage::Storage;
use rand_core::{Rng as _, SeedableRng as _};
use rand_pcg::Pcg64Mcg;
use setward_alarm::Happening;
use setward_process::condition::Condition;
use setward_protocol::{ModeSet, NoData, Reading};
use std::time::Duration;

/// 2026-01-05 00:00 UTC.
const START: UtcMillis = UtcMillis(1_767_571_200_000);

/// A value that is on either side of what the line asks of the signal, or one of its codes, or none.
fn draw(line: &Line, signal: SignalId, noise: &mut Pcg64Mcg) -> Reading {
    let typical = line.signal(signal).simulate.typical;
    match noise.next_u32() % 8 {
        0 => Reading::Bad(NoData::SensorFault),
        1..=3 => Reading::Good(f64::from(noise.next_u32() % 10)),
        4 => Reading::Good(typical * 0.7),
        _ => Reading::Good(typical),
    }
}

#[test]
fn what_is_not_looked_at_anew_would_have_said_the_same() {
    let line = Arc::new(setward_config::load_demo().unwrap().line);
    let wall = WallAnchor { at: Uptime::START, utc: START };
    let mut storages = [Storage::of(&line), Storage::of(&line)];
    let mut cores = storages.iter_mut().map(|storage| {
        let (monitor, _) = storage.engine(&line, Vec::new(), wall);
        LineCore::new(Arc::clone(&line), monitor)
    });
    let (mut sparing, mut eager) = (cores.next().unwrap(), cores.next().unwrap());
    let mut noise = Pcg64Mcg::seed_from_u64(11);
    let mut turns = 0;
    for second in 1..20_000_u64 {
        let (at, utc) = (Uptime::from_millis(1000 * second), UtcMillis(START.0 + 1000 * second as i64));
        let mut samples = Vec::new();
        for (signal, _) in line.signals_with_ids() {
            // Most of the time most of them stay as they are.
            if noise.next_u32() % 50 == 0 {
                samples.push(Sample { signal, at, reading: draw(&line, signal, &mut noise) });
            }
        }
        let (mut said, mut also_said) = (Vec::new(), Vec::new());
        sparing.handle_scan(at, utc, &samples, &mut said);
        eager.has_looked = false;
        eager.handle_scan(at, utc, &samples, &mut also_said);
        assert_eq!(said, also_said, "in second {second}");
        assert_eq!(sparing.station_views(), eager.station_views(), "in second {second}");
        turns += said.iter().filter(|one| !matches!(one, Said::Alarm(_))).count();
    }
    assert!(turns > 500, "only {turns} changes of modes and recipes: nothing was tried");
}

const HOT: &str = "oil-hot-in-hold";

/// The demo line with an alarm on its hot oil that speaks in hold alone.
fn line_with_an_alarm_of_hold() -> Arc<Line> {
    let mut line = setward_config::load_demo().unwrap().line;
    let mut alarm = line.alarms.iter().find(|alarm| alarm.id == "fryer-oil-high.TT-310").unwrap().clone();
    alarm.id = HOT.to_owned();
    alarm.settings.modes = ModeSet::NONE.with(Mode::Hold);
    alarm.settings.settle = Duration::ZERO;
    alarm.hides.clear();
    line.alarms.push(alarm);
    Arc::new(line)
}

/// What a run at whose start the alarm was as `left` tells of it: the oil at 250 degC in every second, and what tells the fryer's
/// mode, all as typical but for the words of hold, in the seconds from `known_from` on. Gives the happenings that call somebody, or
/// that make it silent, and whether it is silent by its mode at the end.
fn told_of_hold(left: Option<AlarmRecord>, known_from: u64, holds: bool) -> (Vec<Happening>, bool) {
    let line = line_with_an_alarm_of_hold();
    let wall = WallAnchor { at: Uptime::START, utc: START };
    let mut storage = Storage::of(&line);
    let (monitor, _) = storage.engine(&line, left.into_iter().collect(), wall);
    let mut core = LineCore::new(Arc::clone(&line), monitor);
    let (alarm, oil) = (line.alarm_by_id(HOT).unwrap(), line.signal_by_tag("TT-310").unwrap());
    let station = line.alarm(alarm).settings.station.unwrap();
    let rules = &line.station(station).modes;
    let hold = rules.iter().find(|rule| rule.mode == Mode::Hold).unwrap();
    let mut said = Vec::new();
    for second in 1..=120_u64 {
        let (at, utc) = (Uptime::from_millis(1000 * second), UtcMillis(START.0 + 1000 * second as i64));
        let good = |signal, value| Sample { signal, at, reading: Reading::Good(value) };
        let mut samples = vec![good(oil, 250.0)];
        if second >= known_from {
            for condition in rules.iter().flat_map(|rule| &rule.when) {
                let own = hold.when.iter().find(|one| one.signal == condition.signal).filter(|_| holds);
                let typical = line.signal(condition.signal).simulate.typical;
                let value = own.map_or(typical, |one| holding(one, typical));
                if condition.signal != oil {
                    samples.push(good(condition.signal, value));
                }
            }
        }
        samples.sort_by_key(|sample| sample.signal);
        samples.dedup_by_key(|sample| sample.signal);
        core.handle_scan(at, utc, &samples, &mut said);
    }
    assert_eq!(core.mode(station), if holds { Mode::Hold } else { Mode::Run });
    let is_told = |event: &AlarmEvent| !event.silent || event.what == Happening::Silenced;
    let happened = said.iter().filter_map(|one| match one {
        Said::Alarm(event) => (event.alarm == alarm && is_told(event)).then_some(event.what),
        Said::Mode(_) | Said::Recipe(_) => None,
    });
    (happened.collect(), core.alarms().status(alarm, wall.at).unwrap().flags.suppressed.mode)
}

/// A value with which a condition holds.
fn holding(condition: &Condition, typical: f64) -> f64 {
    let near = (0..100).map(f64::from).chain([typical * 0.5, typical * 2.0, typical]);
    near.into_iter().find(|value| condition.test.holds(*value)).unwrap()
}

fn stood() -> AlarmRecord {
    AlarmRecord {
        id: HOT.to_owned(),
        state: 'B',
        occurrence: 4,
        was_told: true,
        drops_exposure: false,
        exposure: 0.0,
        waited: Duration::ZERO,
        waited_under: 0,
        onset: Some(START),
        raised: Some(START),
        cleared: None,
        acknowledged: None,
        shelf: None,
        out_of_service: None,
    }
}

#[test]
fn an_alarm_that_is_silent_in_run_is_silent_from_the_start_of_a_run() {
    assert_eq!(told_of_hold(None, 1, false), (vec![], true));
    assert_eq!(told_of_hold(None, 30, false), (vec![], true), "also before the mode is known");
}

#[test]
fn one_that_stood_in_hold_when_the_run_before_ended_is_silent_once_the_station_is_seen_to_run() {
    let silenced = (vec![Happening::Silenced], true);
    assert_eq!(told_of_hold(Some(stood()), 1, false), silenced);
    assert_eq!(told_of_hold(Some(stood()), 30, false), silenced);
}

#[test]
fn one_that_stood_in_hold_and_still_does_is_not_told_anew_however_late_the_mode_is_known() {
    assert_eq!(told_of_hold(Some(stood()), 1, true), (vec![], false));
    assert_eq!(told_of_hold(Some(stood()), 30, true), (vec![], false));
    let told = told_of_hold(None, 30, true);
    assert!(matches!(told, (ref told, false) if matches!(told[..], [Happening::Raised { .. }])), "{told:?}");
}
