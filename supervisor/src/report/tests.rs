//! The report over events made by hand, with figures counted by hand.

use super::figures::Verdict;
use super::*;
use crate::history::Event;
use crate::history::sqlite::InlineStore;
use crate::history::{Batch, NewRun, NewSample};
use crate::line::alarms::SILENT;
use crate::line::blindness::BLINDNESS;
use crate::snapshot::RunId;
use setward_protocol::{Reading, Uptime};

/// 2026-11-23 00:00 UTC.
const START: i64 = 1_795_392_000_000;
const COLD: &str = "fryer-inlet-cold";

fn line() -> Line {
    setward_config::load_demo().unwrap().line
}

fn at(second: i64) -> UtcMillis {
    UtcMillis(START + 1000 * second)
}

fn span(seconds: i64) -> Span {
    Span::new(at(0), at(seconds)).unwrap()
}

/// Second, alarm, what, note.
type Row<'a> = (i64, Option<&'a str>, &'a str, Option<&'a str>);

/// Events in the order given.
fn events(rows: &[Row<'_>]) -> Vec<StoredEvent> {
    let event = |(index, (second, alarm, what, note)): (usize, &Row<'_>)| StoredEvent {
        run: RunId(1),
        event: Event {
            sequence: index as u64 + 1,
            utc: at(*second),
            at: Uptime::START,
            alarm: alarm.map(str::to_owned),
            occurrence: 1,
            what: (*what).to_owned(),
            states: String::new(),
            onset: None,
            value: None,
            exposure: None,
            by: None,
            note: note.map(str::to_owned),
        },
    };
    rows.iter().enumerate().map(event).collect()
}

fn figure<'a>(report: &'a AlarmReport, key: &str) -> &'a Figure {
    report.figures.iter().find(|figure| figure.key == key).unwrap()
}

#[test]
fn only_what_calls_somebody_counts_and_a_silent_raise_does_not() {
    let events = events(&[
        (0, None, "started", None),
        (60, Some(COLD), "raised", None),
        (90, Some(COLD), "acknowledged", None),
        (300, Some(COLD), "cleared", None),
        (400, Some(COLD), "raised", Some(SILENT)),
        (500, Some(COLD), "cleared", Some(SILENT)),
        (600, Some(COLD), "shelved", Some("until 2026-11-23T01:00:00Z")),
        (700, Some("gone-from-the-files"), "raised", None),
    ]);
    let report = report(&line(), &events, &[Some(false)], span(3600), at(3600));
    let once = |alarm: &str| CountRow { alarm: alarm.to_owned(), calls: 1 };
    assert_eq!((report.calls, report.by_priority.iter().sum()), (2, 1), "the one that is gone was heard too");
    assert_eq!(report.most_frequent, [once(COLD), once("gone-from-the-files")]);
    let took = report.acknowledgement.clone().unwrap();
    assert_eq!((took.acknowledged, took.waiting, took.median_s), (1, 1, 30.0));
    let row = ActionRow { alarm: COLD.to_owned(), looked_at: 1, without_action: 1 };
    assert_eq!(report.without_action, [row]);
    let told =
        format!("Acknowledged and cleared: {COLD}: 1 of 1 without anybody touching a setpoint or mode");
    assert!(report.text().contains(&told) && !report.text().contains("After each call"), "{}", report.text());
    let mut touched = report.clone();
    touched.without_action[0].without_action = 0;
    let told = touched.text();
    assert!(told.contains("After each call of 1 alarm somebody touched a setpoint or mode"), "{told}");
    assert!(!told.contains("Acknowledged and cleared"), "{told}");
    assert_eq!(figure(&report, "per_ten_minutes_mean").found, Some(2.0 / 6.0));
    assert_eq!(figure(&report, "per_ten_minutes_mean").verdict, Verdict::TooFew);
}

/// Twelve calls in two minutes of an alarm that was deleted since: people heard every one of them.
#[test]
fn calls_of_an_alarm_that_the_files_no_longer_have_count_like_all_others() {
    let mut rows = vec![(0, None, "started", None), (30, Some(COLD), "raised", None)];
    for nth in 0..12 {
        rows.push((600 + 10 * nth, Some("deleted-since"), "raised", None));
        rows.push((605 + 10 * nth, Some("deleted-since"), "cleared", None));
    }
    let report = report(&line(), &events(&rows), &[], span(3600), at(3600));
    assert_eq!(report.calls, 13);
    assert_eq!(figure(&report, "per_ten_minutes_mean").found, Some(13.0 / 6.0));
    assert_eq!(figure(&report, "in_any_ten_minutes_most").found, Some(12.0));
    assert_eq!((report.floods.len(), report.nuisances.len()), (1, 1));
    assert!(report.nuisances[0].chattered && report.nuisances[0].alarm == "deleted-since");
    let gone = CountRow { alarm: "deleted-since".to_owned(), calls: 12 };
    assert_eq!((&report.no_longer_in_files[..], &report.calls_by_alarm[0]), (&[gone.clone()][..], &gone));
    assert_eq!(report.by_priority.iter().sum::<u32>(), 1);
    let text = report.text();
    assert!(text.contains("of these, 12 calls of 1 alarm that the files no longer have"), "{text}");
}

/// The eleventh call of ten minutes comes ten seconds before the report ends: what comes after is not known yet.
#[test]
fn a_flood_lasts_no_longer_than_is_known_and_than_the_window() {
    let mut rows = vec![(0, None, "started", None)];
    rows.extend((0..11).map(|nth| (3540 + 5 * nth, Some(COLD), "raised", None)));
    let whole = report(&line(), &events(&rows), &[], span(3600), at(3600));
    assert_eq!((whole.floods.len(), whole.floods[0].length_s), (1, 10.0));
    assert_eq!(figure(&whole, "flood_share").found, Some(10.0 / 3600.0));
    // The program has run on for two minutes of a window of two hours.
    let longer = report(&line(), &events(&rows), &[], span(7200), at(3720));
    assert_eq!((longer.floods.len(), longer.floods[0].length_s), (1, 130.0));
    let share = figure(&longer, "flood_share").found.unwrap();
    assert!((share - 130.0 / 3720.0).abs() < 1e-12, "{share}");
}

/// Eight calls before the window and three in it are eleven in ten minutes all the same.
#[test]
fn a_flood_that_is_under_way_when_the_window_begins_is_one() {
    let mut rows = vec![(-1000, None, "started", None)];
    rows.extend((0..8).map(|nth| (10 * nth - 80, Some(COLD), "raised", None)));
    rows.extend((1..4).map(|nth| (10 * nth, Some(COLD), "raised", None)));
    let whole = report(&line(), &events(&rows), &[], span(3600), at(3600));
    // It begins with the third of those, at 30 s. The fifth from the end came 20 s before the window: it is ten minutes old at 580 s.
    assert_eq!((whole.calls, whole.floods.len(), whole.floods[0].calls), (3, 1, 1));
    assert_eq!(whole.floods[0].length_s, 550.0);
    // All of it before the window, but for its end.
    let mut rows = vec![(-2000, None, "started", None)];
    rows.extend((0..11).map(|nth| (10 * nth - 400, Some(COLD), "raised", None)));
    let rest = report(&line(), &events(&rows), &[], span(3600), at(3600));
    assert_eq!((rest.calls, rest.floods.len(), rest.floods[0].calls), (0, 1, 0));
    assert_eq!(rest.floods[0].length_s, 260.0);
    let earlier = Span::new(at(1000), at(3600)).unwrap();
    assert_eq!(report(&line(), &events(&rows), &[], earlier, at(3600)).floods.len(), 0);
}

/// Twelve alarms, the nth called n times: ten are told first, and all twelve add up to the calls.
#[test]
fn calls_alarm_by_alarm_add_up_to_all_calls() {
    let line = line();
    let ids: Vec<&str> = line.alarms.iter().take(12).map(|alarm| alarm.id.as_str()).collect();
    let mut rows: Vec<Row<'_>> = vec![(0, None, "started", None)];
    for (id, times) in ids.iter().zip(1..) {
        rows.extend((0..times).map(|nth| (600 * (1 + nth), Some(*id), "raised", None)));
    }
    rows.sort_by_key(|row| row.0);
    let report = report(&line, &events(&rows), &[], span(36_000), at(36_000));
    assert_eq!(report.calls_by_alarm[..10], report.most_frequent[..]);
    let counted: Vec<(&str, u32)> =
        report.calls_by_alarm.iter().map(|row| (row.alarm.as_str(), row.calls)).collect();
    let expected: Vec<(&str, u32)> =
        ids.iter().copied().zip(1..).collect::<Vec<_>>().into_iter().rev().collect();
    assert_eq!((counted, report.calls), (expected, 78));
    let text = report.text();
    assert!(text.lines().any(|line| line.split_whitespace().eq(["2", "other", "alarms", "3"])), "{text}");
}

/// Twelve calls across a border of two intervals: six and six by the clock, twelve in any ten minutes, a flood of 570 s.
#[test]
fn a_flood_across_a_border_is_seen_and_told_although_little_was_watched() {
    let mut rows = vec![(0, None, "started", None)];
    for second in [549, 559, 569, 579, 589, 599, 601, 611, 621, 631, 641, 651] {
        rows.push((second, Some(COLD), "raised", None));
        rows.push((second + 5, Some(COLD), "cleared", None));
    }
    let report = report(&line(), &events(&rows), &[], span(3600), at(3600));
    assert_eq!(figure(&report, "in_fixed_ten_minutes_most").found, Some(6.0));
    assert_eq!(figure(&report, "in_any_ten_minutes_most").found, Some(12.0));
    assert_eq!(figure(&report, "in_any_ten_minutes_most").verdict, Verdict::NotMet);
    assert_eq!(figure(&report, "in_fixed_ten_minutes_most").verdict, Verdict::TooFew);
    assert_eq!((report.floods.len(), report.floods[0].length_s), (1, 570.0));
    let nuisance = &report.nuisances[0];
    assert!(nuisance.chattered && nuisance.fleeting == 12, "{nuisance:?}");
    assert_eq!(figure(&report, "chattering_alarms").verdict, Verdict::NotMet);
}

/// Raised, told again every eight hours, cleared after 40 hours: one stale alarm, not five.
#[test]
fn an_alarm_that_is_told_again_is_one_stale_alarm() {
    let hour = 3600;
    let mut rows = vec![(0, None, "started", None), (hour, Some(COLD), "raised", None)];
    rows.extend((1..5).map(|nth| (hour + nth * 8 * hour, Some(COLD), "re-alarmed", None)));
    rows.push((41 * hour, Some(COLD), "cleared", None));
    let report = report(&line(), &events(&rows), &[], span(72 * hour), at(72 * hour));
    assert_eq!((report.calls, report.stale.len()), (5, 1));
    assert_eq!(report.stale[0].stood_s, 40.0 * 3600.0);
    assert_eq!(figure(&report, "stale_alarms_most").found, Some(1.0));
}

#[test]
fn time_without_a_program_is_no_time_with_calm() {
    let mut rows = events(&[(600, None, "started", None), (1800, None, "stopped", None)]);
    let mut second = events(&[(3600, None, "started", None), (4200, Some(COLD), "raised", None)]);
    second.iter_mut().for_each(|stored| stored.run = RunId(2));
    rows.extend(second);
    // 600 to 1800 and 3600 to 5400, which is the last that is known of it.
    let report = report(&line(), &rows, &[], span(7200), at(5400));
    assert_eq!(report.running_s, 3000.0);
    // Whole intervals of it: two and three, one call in them.
    assert_eq!(figure(&report, "per_ten_minutes_mean").found, Some(0.2));
}

#[test]
fn the_ledger_is_summed_by_alarm_reason_and_day() {
    let first = r#"{"day":"2026-11-23","watched_s":600.0,"alarms":{"fryer-inlet-cold":{"mode":500.0,"shelved":40.0}}}"#;
    let second = r#"{"day":"2026-11-24","watched_s":200.0,"alarms":{"fryer-inlet-cold":{"mode":60.0},"nobody":{"x":1}}}"#;
    let rows = [
        (0, None, "started", None),
        (600, None, BLINDNESS, Some(first)),
        (800, None, BLINDNESS, Some(second)),
        (900, None, BLINDNESS, Some("{ damaged")),
        (99_999, None, BLINDNESS, Some(first)),
    ];
    let report = report(&line(), &events(&rows), &[], span(3600), at(3600));
    assert_eq!(report.ledger_watched_s, 800.0);
    let alarm = &report.could_not_have_fired[0];
    assert_eq!((alarm.alarm.as_str(), alarm.blind_s, alarm.share), (COLD, 600.0, 0.75));
    assert_eq!(alarm.by_reason_s, BTreeMap::from([("mode", 560.0), ("shelved", 40.0)]));
    assert_eq!(report.days["2026-11-24"].alarms[COLD]["mode"], 60.0);
    let text = report.text();
    assert!(text.contains("mode 9 min 20 s, shelved 40 s"), "{text}");
}

#[test]
fn the_report_in_words_names_every_figure_with_its_aim() {
    let report = report(&line(), &events(&[(0, None, "started", None)]), &[], span(86_400), at(86_400));
    let text = report.text();
    for figure in &report.figures {
        assert!(text.contains(figure.title), "{text}");
    }
    assert!(text.contains("too few to judge") && text.contains("No call was acknowledged."), "{text}");
    assert!(text.lines().all(|line| line.chars().count() < 160), "{text}");
}

/// One call during which the setpoint was turned, one during which nobody did anything, one that was not acknowledged.
#[tokio::test]
async fn history_tells_whether_anybody_did_something() {
    let line = line();
    let store = InlineStore::in_memory().unwrap();
    let run = store.start_run(NewRun::of(&line, at(0), "0")).await.unwrap();
    let setpoint = line.signal_by_tag("TIC-310-SP").unwrap();
    let sample = |second: i64| NewSample {
        signal: setpoint.0,
        utc: at(second),
        at: Uptime::from_millis(1000 * second as u64),
        reading: Reading::Good(if second < 150 { 182.0 } else { 184.0 }),
    };
    let samples = (0..60).map(|minute| sample(10 * minute)).collect();
    store.append(run, Batch { samples, ..Batch::default() }).await.unwrap();
    let rows = [
        (100, Some(COLD), "raised", None),
        (110, Some(COLD), "acknowledged", None),
        (200, Some(COLD), "cleared", None),
        (300, Some(COLD), "raised", None),
        (310, Some(COLD), "acknowledged", None),
        (400, Some(COLD), "cleared", None),
        (450, Some(COLD), "raised", None),
        (500, Some(COLD), "cleared", None),
    ];
    let events = events(&rows);
    let calls = calls::calls(&line, &events);
    let acted = actions::acted(&line, &store, &events, &calls).await.unwrap();
    assert_eq!(acted, [Some(true), Some(false), None]);
}
