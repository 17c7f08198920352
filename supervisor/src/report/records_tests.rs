//! Handover, statistics, stops, holds and review against hand figures and naive sums over the readings put in.

use super::made::{made, weighed_for};
use super::review::review_report;
use super::shift::{AtTheEnd, shift_report};
use super::shifts;
use super::statistics::{By, statistics_report};
use super::stops::{NoReason, give_reason, modes, reasons, stops};
use crate::history::sqlite::InlineStore;
use crate::history::{Batch, Event, HistoryStore, NewRun, NewSample, Span, bands_of};
use crate::snapshot::RunId;
use setward_config::line::Line;
use setward_protocol::{Mode, NoData, Reading, Uptime, UtcMillis};

#[path = "recipe_rows_tests.rs"]
mod recipe_rows;
#[path = "review_tests.rs"]
mod review;
#[path = "touched_tests.rs"]
mod touched;

/// 2026-11-23T12:00:00Z: 06:00 in Chicago, the beginning of shift A.
const START: i64 = 1_795_435_200_000;
const SECONDS: i64 = 4 * 3_600;

fn demo() -> Line {
    setward_config::load_demo().unwrap().line
}

fn at(second: i64) -> UtcMillis {
    UtcMillis(START + second * 1000)
}

fn event(second: i64, what: &str, alarm: Option<&str>, note: Option<&str>) -> Event {
    Event {
        sequence: 0,
        utc: at(second),
        at: Uptime::from_millis(u64::try_from(second * 1000).unwrap()),
        alarm: alarm.map(str::to_owned),
        occurrence: u32::from(alarm.is_some()),
        what: what.to_owned(),
        states: String::new(),
        onset: alarm.map(|_| at(second - 60)),
        value: None,
        exposure: None,
        by: None,
        note: note.map(str::to_owned),
    }
}

/// The fryer stands from 3,600 to 5,400 s, the sheeter 100 s later too; oven and fryer again at the very end.
fn told() -> Vec<Event> {
    let mode = |second, note| event(second, "station mode", None, Some(note));
    let mut events = vec![
        event(0, "started", None, None),
        mode(3_600, "fryer: run to stopped"),
        mode(3_700, "sheeter: run to stopped"),
        event(4_000, "raised", Some("fryer-inlet-cold"), None),
        event(4_200, "cleared", Some("fryer-inlet-cold"), None),
        mode(5_400, "fryer: stopped to run"),
        mode(5_500, "sheeter: stopped to run"),
        event(9_000, "raised", Some("fryer-outlet-cold"), None),
        mode(14_000, "oven: run to stopped"),
    ];
    for (sequence, event) in (1..).zip(&mut events) {
        event.sequence = sequence;
    }
    events
}

/// The inlet: a wave of 40 min about 181.5 degC with a fast one on it, its recipe 182 +/- 3; 250 degC while the fryer stands,
/// which must not count; nothing good from 7,000 to 7,100 s. Product: 1,000 kg/h, none while the fryer stands.
fn inlet(second: i64) -> Option<f64> {
    let t = second as f64;
    match second {
        // A straight line leads up to it and down from it: those seconds do not count either.
        3_602..5_398 => Some(250.0),
        7_000..7_100 => None,
        _ => Some(181.5 + 3.2 * (t / 382.0).sin() + 0.4 * (t * 1.7).sin()),
    }
}

fn feed(second: i64) -> f64 {
    if (3_600..5_400).contains(&second) { 0.0 } else { 1_000.0 }
}

async fn store(line: &Line) -> InlineStore {
    let store = InlineStore::in_memory().unwrap();
    let run = store.start_run(NewRun::of(line, at(0), "0")).await.unwrap();
    let bands = bands_of(line, Uptime::START, at(0));
    store.append(run, Batch { bands, events: told(), ..Batch::default() }).await.unwrap();
    put(&store, run, line, "TT-310", |second| {
        inlet(second).map_or(Reading::Bad(NoData::SensorFault), Reading::Good)
    })
    .await;
    put(&store, run, line, "WT-441", |second| Reading::Good(feed(second))).await;
    // Turned up by 1.5 K, within the latitude of 2 K, for 600 s; then by 3 K for 300 s.
    put(&store, run, line, "TIC-310-SP", |second| match second {
        1_000..1_600 => Reading::Good(183.5),
        1_600..1_900 => Reading::Good(185.0),
        _ => Reading::Good(182.0),
    })
    .await;
    store
}

async fn put(store: &InlineStore, run: RunId, line: &Line, tag: &str, value: impl Fn(i64) -> Reading) {
    let signal = line.signal_by_tag(tag).unwrap().0;
    let sample = |second: i64| NewSample {
        signal,
        utc: at(second),
        at: Uptime::from_millis(u64::try_from(second * 1000).unwrap()),
        reading: value(second),
    };
    let samples = (0..=SECONDS).map(sample).collect();
    store.append(run, Batch { samples, ..Batch::default() }).await.unwrap();
}

fn window(from: i64, to: i64) -> Span {
    Span::new(at(from), at(to)).unwrap()
}

async fn told_by(store: &InlineStore) -> Vec<crate::history::StoredEvent> {
    let mut events = store.events(None, 1_000).await.unwrap();
    events.reverse();
    events
}

fn near(found: Option<f64>, expected: f64, within: f64) {
    assert!(found.is_some_and(|found| (found - expected).abs() <= within), "{found:?} is not {expected}");
}

fn counts(second: i64) -> bool {
    !(3_600..5_400).contains(&second) && inlet(second).is_some()
}

/// Naively: each second's reading counts for a second.
#[tokio::test]
async fn statistics_agree_with_a_naive_sum_over_the_readings_while_the_station_ran() {
    let line = demo();
    let store = store(&line).await;
    let span = window(0, SECONDS);
    let modes = modes(&line, &told_by(&store).await, span, at(SECONDS));
    let signal = line.signal_by_tag("TT-310").unwrap();
    let report = statistics_report(&line, &store, (signal, By::Shift), (span, None), &modes).await.unwrap();
    assert_eq!(report.rows.len(), 1, "four hours lie in one shift");
    let row = &report.rows[0];
    assert_eq!((row.group.as_str(), row.is_deviation), ("2026-11-23 A", true));
    let values: Vec<f64> =
        (0..SECONDS).filter(|second| counts(*second)).map(|second| inlet(second).unwrap() - 182.0).collect();
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    let sd = (values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / count).sqrt();
    // Along the straight line between two readings, in ten parts.
    let parts = (0..SECONDS).filter(|second| counts(*second) && counts(second + 1)).flat_map(|second| {
        let (first, last) = (inlet(second).unwrap() - 182.0, inlet(second + 1).unwrap() - 182.0);
        (0..10).map(move |part| first + (last - first) * (f64::from(part) + 0.5) / 10.0)
    });
    let parts: Vec<f64> = parts.collect();
    let inside = parts.iter().filter(|value| value.abs() <= 3.0).count() as f64;
    let within = inside / parts.len() as f64 * 100.0;
    let below: f64 = parts.iter().map(|value| (-3.0 - value).max(0.0) / 10.0).sum();
    near(Some(row.known_s), count, 8.0);
    near(row.mean, mean, 0.002);
    near(row.standard_deviation, sd, 0.02);
    near(row.in_tolerance_percent, within, 0.1);
    near(row.area_below, below, 0.005 * below);
    near(row.highest, values.iter().copied().fold(f64::MIN, f64::max), 0.05);
    assert!(row.first_lag_autocorrelation.unwrap() > 0.9);
    let worth = row.effective_count.unwrap();
    assert!(worth < 60.0, "a wave of 40 min is worth few: {worth}");
    assert!(row.cpk.is_none() && row.no_cpk_because.is_some(), "{row:?}");
    assert_eq!(row.ppk.is_none(), row.no_ppk_because.is_some());
    assert!(
        row.charts.is_none() && row.no_charts_because.is_some(),
        "six waves are no chart: {:?}",
        row.charts
    );
}

#[tokio::test]
async fn where_the_station_stood_there_is_nothing_to_tell_and_too_little_is_refused() {
    let line = demo();
    let store = store(&line).await;
    let modes = modes(&line, &told_by(&store).await, window(0, SECONDS), at(SECONDS));
    let signal = line.signal_by_tag("TT-310").unwrap();
    let ask = async |span, other| {
        statistics_report(&line, &store, (signal, By::Window), (span, other), &modes).await.unwrap()
    };
    let stood = ask(window(3_700, 5_300), None).await;
    assert!(stood.rows[0].refused.as_deref().unwrap().contains("did not run"), "{stood:?}");
    let short = ask(window(100, 108), None).await;
    assert!(short.rows[0].no_ppk_because.as_deref().unwrap().contains("independent"), "{short:?}");
    let compared = ask(window(0, 3_600), Some(window(9_000, 9_008))).await.compared.unwrap();
    assert!(compared.refused.as_deref().unwrap().contains("independent"), "{compared:?}");
    let of_batches =
        statistics_report(&line, &store, (signal, By::Batch), (window(0, 60), None), &modes).await;
    assert!(of_batches.unwrap_err().text.contains("cook temperature"));
}

/// Fryer 1,800 s with the sheeter; the oven from 14,000 s on still.
#[tokio::test]
async fn stations_that_stop_together_are_one_stop_and_a_reason_is_kept_with_it() {
    let line = demo();
    let store = store(&line).await;
    let span = window(0, SECONDS);
    let modes = modes(&line, &told_by(&store).await, span, at(SECONDS));
    let fryer = line.stations.iter().position(|station| station.key == "fryer").unwrap();
    let spans: Vec<_> = modes[fryer].iter().map(|span| (span.mode, span.from, span.to)).collect();
    let ran = Some(Mode::Run);
    let expected =
        [(ran, at(0), at(3_600)), (Some(Mode::Stopped), at(3_600), at(5_400)), (ran, at(5_400), at(SECONDS))];
    assert_eq!(spans, expected);
    let rows = stops(&line, &modes, span, &[]);
    assert_eq!(rows.len(), 2, "{rows:?}");
    assert_eq!((rows[0].station.as_str(), rows[0].with.as_slice()), ("fryer", &["sheeter".to_owned()][..]));
    assert_eq!((rows[0].length_s, rows[0].to.as_deref()), (1_800.0, Some("2026-11-23T13:30:00Z")));
    assert_eq!((rows[1].station.as_str(), rows[1].to.as_deref(), rows[1].length_s), ("oven", None, 400.0));
    // A later window still knows when it began.
    let later = stops(
        &line,
        &self::modes(&line, &told_by(&store).await, window(4_000, 5_000), at(SECONDS)),
        window(4_000, 5_000),
        &[],
    );
    assert_eq!((later[0].id.as_str(), later[0].length_s), ("fryer@2026-11-23T13:00:00Z", 1_000.0));

    let give = async |stop: &str, reason: &str, note: Option<&str>| {
        give_reason(&line, &store, stop, (reason, note), ("Inés", at(SECONDS))).await
    };
    assert_eq!(give(&rows[0].id, "fryer", Some("basket")).await, Ok(true));
    assert_eq!(give(&rows[0].id, "fryer", Some("basket")).await, Ok(false), "sent twice");
    assert_eq!(give(&rows[0].id, "gremlins", None).await, Err(NoReason::NotListed));
    assert_eq!(give(&rows[0].id, "other", None).await, Err(NoReason::NoteNeeded));
    assert_eq!(give("kitchen@2026-11-23T13:00:00Z", "fryer", None).await, Err(NoReason::NoSuchStop));
    assert_eq!(give("fryer@2027-11-23T13:00:00Z", "fryer", None).await, Err(NoReason::NoSuchStop));
    assert_eq!(give("fryer", "fryer", None).await, Err(NoReason::NoSuchStop));
    let kept = reasons(&store).await.unwrap();
    assert_eq!(kept.len(), 1);
    let said = stops(&line, &modes, span, &kept).remove(0).reason.unwrap();
    assert_eq!(
        (said.reason.as_str(), said.note.as_deref(), said.by.as_str()),
        ("fryer", Some("basket"), "Inés")
    );
}

/// 14,400 s at 1,000 kg/h less 1,800 s without: 3,500 kg. Away from the recipe 900 s, of which 300 s beyond 2 K.
#[tokio::test]
async fn a_handover_says_what_stands_what_was_made_and_what_was_turned() {
    let line = demo();
    let store = store(&line).await;
    let shift = shifts::at(&line, at(10)).unwrap();
    let report = shift_report(&line, &store, &shift, AtTheEnd::default(), at(SECONDS)).await.unwrap();
    assert_eq!((report.shift.as_str(), report.goes_on, report.watched_s), ("A", true, 14_400.0));
    let standing: Vec<_> = report.standing.iter().map(|call| call.alarm.as_str()).collect();
    assert_eq!(standing, ["fryer-outlet-cold"]);
    assert_eq!(report.calls.len(), 2);
    assert_eq!(report.calls[0].cleared.as_deref(), Some("2026-11-23T13:10:00Z"));
    near(report.made.map(|made| made.kg), 3_500.0, 1.0);
    let turned = report.latitude.iter().find(|row| row.signal == "TIC-310-SP").unwrap();
    assert_eq!(turned.turns, 3);
    near(Some(turned.within_s), 600.0, 1.0);
    near(Some(turned.beyond_s), 300.0, 1.0);
    near(Some(turned.farthest), 3.0, 1e-9);
    // It was turned at 1,000 s and further at 1,600 s: half of the way each time.
    let away = &turned.away[..];
    assert_eq!(away.len(), 1, "{away:?}");
    assert_eq!(
        (away[0].from.as_str(), away[0].to.as_deref()),
        ("2026-11-23T12:16:40Z", Some("2026-11-23T12:31:40Z"))
    );
    assert_eq!((away[0].began, away[0].manner, away[0].farthest), ("turned", "in small turns", 3.0));
    let text = report.text(&|text| text.to_owned());
    for phrase in [
        "made 3500 kg",
        "stands",
        "no reason given",
        "turned 3 times",
        "turned, in small turns, to +3.0 K at the farthest",
        "the page of the running program knows",
        "TT-310",
    ] {
        assert!(text.contains(phrase), "{phrase}: {text}");
    }
    // Nothing of what came later is told of an earlier shift.
    let earlier = shifts::ShiftSpan { span: window(0, 4_100), ..shift };
    let report = shift_report(&line, &store, &earlier, AtTheEnd::default(), at(SECONDS)).await.unwrap();
    assert_eq!((report.calls.len(), report.calls[0].cleared.as_deref()), (1, None));
    assert_eq!(report.standing.len(), 1);
}

/// Raised, hidden by its cause, told anew when that is over, cleared: no call of it stands, and its product is told once.
#[tokio::test]
async fn a_call_told_anew_is_over_when_it_is_and_its_product_is_one() {
    let line = demo();
    let store = InlineStore::in_memory().unwrap();
    let run = store.start_run(NewRun::of(&line, at(0), "0")).await.unwrap();
    let own = |second, what| event(second, what, Some("fryer-outlet-cold"), None);
    let mut events = vec![
        event(0, "started", None, None),
        own(600, "raised"),
        own(1_560, "raised"),
        own(1_720, "cleared"),
    ];
    for (sequence, event) in (1..).zip(&mut events) {
        event.sequence = sequence;
    }
    store.append(run, Batch { events, ..Batch::default() }).await.unwrap();
    let ended = Some("2026-11-23T12:28:40Z".to_owned());
    let review = review_report(&line, &store, window(0, SECONDS), at(SECONDS)).await.unwrap();
    let told: Vec<_> = review.alarms.iter().map(|row| (row.raised.as_str(), row.cleared.clone())).collect();
    assert_eq!(told, [("2026-11-23T12:10:00Z", ended.clone())]);
    let shift = shifts::at(&line, at(10)).unwrap();
    let report = shift_report(&line, &store, &shift, AtTheEnd::default(), at(SECONDS)).await.unwrap();
    let told: Vec<_> = report.calls.iter().map(|row| row.cleared.clone()).collect();
    assert_eq!((told, report.standing.len()), (vec![ended.clone(), ended], 0));
}

#[tokio::test]
async fn what_is_made_is_not_guessed_where_the_feed_is_not_known() {
    let line = demo();
    let store = store(&line).await;
    let found = made(&line, &store, (at(0), at(SECONDS + 600))).await.unwrap().unwrap();
    near(Some(found.kg), 3_500.0, 1.0);
    near(Some(found.unknown_s), 600.0, 1.0);
    let empty = InlineStore::in_memory().unwrap();
    let found = made(&line, &empty, (at(0), at(60))).await.unwrap().unwrap();
    assert_eq!((found.kg, found.unknown_s), (0.0, 60.0));
}

/// 600 s at 1,000 kg/h to scrap are 166.7 kg less. What nobody can say of the gate is not scrap.
#[tokio::test]
async fn what_was_diverted_is_not_made() {
    let mut line = demo();
    let gate = line.signal_by_tag("YS-452").unwrap();
    line.feed.as_mut().unwrap().diverted = Some(gate);
    let store = store(&line).await;
    let run = told_by(&store).await[0].run;
    put(&store, run, &line, "YS-452", |second| match second {
        600..1_200 => Reading::Good(1.0),
        2_000..2_600 => Reading::Bad(NoData::NoReply),
        _ => Reading::Good(0.0),
    })
    .await;
    let found = made(&line, &store, (at(0), at(SECONDS))).await.unwrap().unwrap();
    near(Some(found.kg), 3_500.0 - 1_000.0 / 6.0, 1.0);
    near(Some(found.unknown_s), 0.0, 1.0);
    let packed = weighed_for(&line, &store, (at(780), at(1_380))).await.unwrap().unwrap();
    near(Some(packed.about.kg), 0.0, 1.0);
}

/// Half a kelvin above its setpoint with the scatter of one: hardly a value beyond the limits, but the sums find it.
#[tokio::test]
async fn charts_say_what_single_values_do_not() {
    let line = demo();
    let store = store(&line).await;
    let run = told_by(&store).await[0].run;
    // Evenly spread over 3.4 K, which is a standard deviation of 0.98 K; by the mixing of splitmix64.
    let spread = |second: i64| {
        let mut mixed = (second as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((mixed ^ (mixed >> 31)) % 3_401) as f64 / 1_000.0 - 1.7
    };
    put(&store, run, &line, "TT-313", |second| Reading::Good(168.5 + spread(second))).await;
    let span = window(5_500, SECONDS);
    let modes = modes(&line, &told_by(&store).await, span, at(SECONDS));
    let signal = line.signal_by_tag("TT-313").unwrap();
    let report = statistics_report(&line, &store, (signal, By::Window), (span, None), &modes).await.unwrap();
    let row = &report.rows[0];
    let charts = row.charts.as_ref().unwrap();
    near(Some(charts.centre), 0.5, 0.1);
    near(Some(charts.high - charts.low), 6.0 * 0.98, 0.5);
    assert!(charts.beyond == 0 && charts.target == 0.0 && charts.cusum_signal.is_some(), "{charts:?}");
    assert!(charts.cusum_up > 5.0 && charts.cusum_down < 1.5, "{charts:?}");
    let text = report.text(&|text| text.to_owned());
    for phrase in
        ["individuals", "none of", "EWMA about 0.00", "CUSUM about 0.00: signals first at value", "K.s below"]
    {
        assert!(text.contains(phrase), "{phrase}: {text}");
    }
}

/// Lots that begin at 06:00 and 08:00 of the plant's clock: at 0 and at 7,200 s.
fn two_lots() -> Line {
    let mut line = demo();
    line.lots.as_mut().unwrap().begins = setward_config::line::LotBegins::Clock(vec![360, 480]);
    line
}

/// From the weigher to the bag it is 110 to 250 s, 180 in the middle: what was packed from 3,780 to 5,580 s was weighed while
/// the line stood. At most, what passed in 70 s before and 70 s after, and 2 %.
#[tokio::test]
async fn what_was_packed_is_weighed_by_the_clock_less_the_way_to_the_bag() {
    let line = demo();
    let store = store(&line).await;
    let found = weighed_for(&line, &store, (at(3_780), at(5_580))).await.unwrap().unwrap();
    assert!(found.about.kg < 1.0 && found.about.unknown_s < 1.0, "{found:?}");
    let by_hand = 140.0 / 3.6 * 1.02;
    assert!((found.most_kg.unwrap() - by_hand).abs() < 1.0, "{found:?}, not {by_hand}");
    let hour = weighed_for(&line, &store, (at(5_580), at(9_180))).await.unwrap().unwrap();
    assert!((hour.about.kg - 1_000.0).abs() < 1.0, "{hour:?}");
}

#[tokio::test]
async fn statistics_are_cut_by_lot() {
    let line = two_lots();
    let store = store(&line).await;
    let signal = line.signal_by_tag("TT-310").unwrap();
    let span = window(0, SECONDS);
    let mut events = store.events(None, 1_000).await.unwrap();
    events.reverse();
    let modes = modes(&line, &events, span, at(SECONDS));
    let report = statistics_report(&line, &store, (signal, By::Lot), (span, None), &modes).await.unwrap();
    let told: Vec<_> = report.rows.iter().map(|row| (row.group.as_str(), row.known_s.round())).collect();
    // The fryer stood from 3,600 to 5,400 s, and nothing good came for 100 s of the first lot.
    assert_eq!(told.len(), 2);
    assert_eq!(told.iter().map(|row| row.0).collect::<Vec<_>>(), ["2026-11-23 06:00", "2026-11-23 08:00"]);
    assert!((told[0].1 - 5_299.0).abs() < 4.0 && (told[1].1 - 7_200.0).abs() < 4.0, "{told:?}");
    let untold = Line { lots: None, ..demo() };
    let refused = statistics_report(&untold, &store, (signal, By::Lot), (span, None), &modes).await;
    assert_eq!(refused.unwrap_err().text, "line.toml has no [lots]");
}
