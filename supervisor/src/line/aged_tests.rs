//! Alarms of the demo line on ages and on values that stand alone, with their real settings, at the core.

use super::WallAnchor;
use super::core::{LineCore, Said};
use super::storage::Storage;
use setward_alarm::Happening;
use setward_config::line::Line;
use setward_config::load_demo;
use setward_protocol::{NoData, Reading, Sample, Uptime, UtcMillis};
use std::sync::Arc;
use std::time::Duration;

/// What is told: minute, alarm, raised or cleared.
type Told = (f64, String, &'static str);

/// Feeds the core with `(minute, tag, reading)` and gives what calls somebody.
fn told(feed: impl IntoIterator<Item = (f64, &'static str, Reading)>) -> Vec<Told> {
    let line: Arc<Line> = Arc::new(load_demo().unwrap().line);
    let mut storage = Storage::of(&line);
    let wall = WallAnchor { at: Uptime::START, utc: UtcMillis(0) };
    let (monitor, _) = storage.engine(&line, Vec::new(), wall);
    let mut core = LineCore::new(Arc::clone(&line), monitor);
    let mut said = Vec::new();
    for (minute, tag, reading) in feed {
        let at = Uptime::START + Duration::from_secs_f64(minute * 60.0);
        let sample = Sample { signal: line.signal_by_tag(tag).unwrap(), at, reading };
        core.handle_scan(at, UtcMillis(0), &[sample], &mut said);
    }
    let events = said.iter().filter_map(|one| match one {
        Said::Alarm(event) => {
            let is_raised = matches!(event.what, Happening::Raised { .. });
            let is_told = (is_raised || event.what == Happening::Cleared) && !event.silent;
            let what = if is_raised { "raised" } else { "cleared" };
            let minutes = event.at.seconds_since(Uptime::START) / 60.0;
            let id = &line.alarm(event.alarm).id;
            // What is fed is fed seldom.
            (is_told && !id.starts_with("measurement."))
                .then(|| ((minutes * 1000.0).round() / 1000.0, id.clone(), what))
        }
        Said::Mode(_) | Said::Recipe(_) => None,
    });
    events.collect()
}

fn one(minutes: f64, alarm: &str, what: &'static str) -> Told {
    (minutes, alarm.to_owned(), what)
}

fn good(minute: f64, tag: &'static str, value: f64) -> (f64, &'static str, Reading) {
    (minute, tag, Reading::Good(value))
}

/// Every ten seconds from one minute to another, by `value` of the minute.
fn every_ten_seconds(
    from: f64,
    to: f64,
    tag: &'static str,
    value: impl Fn(f64) -> f64,
) -> impl Iterator<Item = (f64, &'static str, Reading)> {
    let steps = ((to - from) * 6.0).round() as u32;
    (0..=steps).map(move |step| {
        let minute = from + f64::from(step) / 6.0;
        (minute, tag, Reading::Good(value(minute)))
    })
}

#[test]
fn a_moisture_beyond_tolerance_raises_when_it_is_entered_twice_running() {
    let out = "finished-moisture-out";
    let feed = [good(0.0, "AI-451", 1.7), good(30.0, "AI-451", 1.3), good(60.0, "AI-451", 1.7)];
    assert_eq!(told(feed), [], "once, back, and once again is not twice running");
    let feed = [
        good(0.0, "AI-451", 1.3),
        good(30.0, "AI-451", 1.65),
        good(60.0, "AI-451", 0.95),
        good(75.0, "AI-451", 1.7),
        good(90.0, "AI-451", 1.4),
    ];
    assert_eq!(
        told(feed),
        [one(60.0, out, "raised"), one(90.0, out, "cleared")],
        "at the entries, not between"
    );
}

#[test]
fn a_value_that_is_taken_back_did_not_count() {
    let out = "finished-moisture-out";
    let back = |minute: f64| (minute, "AI-451", Reading::Bad(NoData::TakenBack));
    // 1.7, corrected to 1.65: one sample, out once.
    let once = [good(0.0, "AI-451", 1.7), back(2.0), good(2.001, "AI-451", 1.65)];
    assert_eq!(told(once), []);
    let then = [good(30.0, "AI-451", 1.7), back(31.0), good(31.001, "AI-451", 1.3)];
    assert_eq!(
        told(once.into_iter().chain(then)),
        [one(30.0, out, "raised"), one(31.001, out, "cleared")],
        "the second is out, and was a slip"
    );
}

#[test]
fn a_moisture_beyond_specification_raises_at_once_and_hides_the_lesser() {
    let (out, off) = ("finished-moisture-out", "finished-moisture-off-specification");
    let feed = [good(0.0, "AI-451", 1.9), good(5.0, "AI-451", 1.85), good(10.0, "AI-451", 1.4)];
    let found = told(feed);
    let raised: Vec<_> = found.iter().filter(|(.., what)| *what == "raised").collect();
    assert_eq!(raised.first(), Some(&&one(0.0, off, "raised")), "{found:?}");
    assert!(found.contains(&one(10.0, off, "cleared")), "{found:?}");
    assert!(found.iter().filter(|(_, alarm, _)| alarm == out).all(|(at, ..)| *at >= 5.0), "{found:?}");
}

#[test]
fn ten_pieces_out_twice_running_and_a_lime_dose_out_once() {
    let weights = [good(0.0, "WI-412", 32.7), good(30.0, "WI-412", 32.8), good(35.0, "WI-412", 31.5)];
    let weight = "piece-weight-out";
    assert_eq!(told(weights), [one(30.0, weight, "raised"), one(35.0, weight, "cleared")]);
    // 3.6 kg within 5 %: 3.42 to 3.78.
    let lime = [good(0.0, "WI-101", 3.44), good(80.0, "WI-101", 3.80), good(82.0, "WI-101", 3.6)];
    let dose = "lime-dose-out.WI-101";
    assert_eq!(told(lime), [one(80.0, dose, "raised"), one(82.0, dose, "cleared")]);
}

#[test]
fn a_check_is_overdue_70_min_after_the_last_good_one() {
    let overdue = "detector-check-overdue";
    let since = every_ten_seconds(0.0, 84.0, "KY-455", |minute| minute);
    let checked = every_ten_seconds(84.1, 90.0, "KY-455", |minute| minute - 84.0);
    let found = told(since.chain(checked));
    assert_eq!(found[0], one(70.0, overdue, "raised"));
    assert_eq!((found.len(), found[1].1.as_str(), found[1].2), (2, overdue, "cleared"));
    assert!((found[1].0 - 84.0).abs() < 0.2, "{found:?}");
}

#[test]
fn corn_is_fed_too_young_and_gets_too_old_by_its_age_in_hours() {
    let young = "soak-too-young";
    let feeding = [good(0.0, "XI-151", 7.0)];
    let ages = every_ten_seconds(0.1, 60.1, "KY-150", |minute| 9.5 + (minute - 0.1) / 60.0);
    let found = told(feeding.into_iter().chain(ages));
    assert_eq!(found, [one(0.1, young, "raised"), one(30.1, young, "cleared")]);
    // Nothing feeds: nothing is fed too young.
    let none = [good(0.0, "XI-151", 0.0), good(0.1, "KY-150", 3.0)];
    assert_eq!(told(none).iter().filter(|(_, alarm, _)| alarm == young).count(), 0);

    let ages = every_ten_seconds(0.0, 121.0, "KY-151", |minute| 14.5 + minute / 60.0);
    let fed = every_ten_seconds(121.1, 125.0, "KY-151", |minute| 12.0 + minute / 60.0);
    let found = told(ages.chain(fed));
    assert_eq!(found[..2], [one(30.0, "soak-too-old", "raised"), one(90.0, "soak-over-age", "raised")]);
    assert!(
        found.iter().any(|(at, alarm, what)| alarm == "soak-over-age" && *what == "cleared" && *at > 121.0)
    );
}

/// 64 degC at 1 h falling to 42 at 10 h. Constant 1.5 K below that is 6 K.h after 4 h.
#[test]
fn a_soak_that_runs_a_little_cold_raises_when_its_area_is_full_and_starts_anew_with_the_next_batch() {
    let edge = |hours: f64| 64.0 - 22.0 * (hours - 1.0) / 9.0;
    let soak = |from: f64, hours: f64, off: f64| {
        let steps = (hours * 360.0) as u32;
        (0..steps).flat_map(move |step| {
            let (minute, age) = (from + f64::from(step) / 6.0, f64::from(step) / 360.0);
            let temperature = if age < 1.0 { 66.0 } else { edge(age) - off };
            [
                good(minute, "XI-131", if age < 0.5 { 1.0 } else { 2.0 }),
                good(minute, "KY-131", age),
                good(minute + 0.01, "TT-131", temperature),
            ]
        })
    };
    let cold = "soak-cold-early.TT-131";
    let found = told(soak(0.0, 7.0, 1.5));
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!((found[0].1.as_str(), found[0].2), (cold, "raised"));
    assert!((found[0].0 - 300.0).abs() < 3.0, "5 h after the transfer, not {found:?}");
    // Two batches that are each a little cold do not add up.
    let emptied = [good(430.0, "XI-131", 0.0), good(430.1, "KY-131", 0.0)];
    let two = soak(0.0, 4.0, 1.5).chain(emptied).chain(soak(500.0, 4.0, 1.5));
    assert_eq!(told(two), []);
}

#[test]
fn another_tank_than_the_oldest_ready_one_is_told_after_a_minute() {
    let wrong = "soak-wrong-tank";
    let both = |from: f64, to: f64, feeds: f64, due: f64| {
        every_ten_seconds(from, to, "XI-151", move |_| feeds)
            .zip(every_ten_seconds(from, to, "XY-151", move |_| due))
            .flat_map(|(one, other)| [one, other])
    };
    let found =
        told(both(0.0, 2.0, 5.0, 5.0).chain(both(2.2, 5.2, 6.0, 5.0)).chain(both(5.4, 6.4, 6.0, 6.0)));
    assert_eq!(found.len(), 2, "{found:?}");
    assert!((found[0].0 - 3.2).abs() < 0.2 && found[0].1 == wrong && found[0].2 == "raised", "{found:?}");
    assert!(found[1].0 < 5.5 && found[1].2 == "cleared", "{found:?}");
    assert_eq!(told(both(0.0, 5.0, 0.0, 5.0)), [], "nothing feeds");
}
