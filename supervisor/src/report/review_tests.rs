//! Holds, reviews and their signatures, over the records of `records_tests.rs`.

use super::*;
use crate::line::follow::FollowBook;
use crate::report::hold_window::{ProductRow, hold_report};
use crate::report::holds::{self, Held, NoHold, decide, put_on_hold};
use crate::report::lot_review::{NoLot, lot_review};
use crate::report::lots::Touched;
use crate::report::review::{NotSigned, Reviewed, sign_off};

fn held(from: i64, to: i64) -> Held {
    Held {
        alarm: Some("fryer-inlet-cold".to_owned()),
        run: 1,
        occurrence: 1,
        from_utc_ms: at(from).0,
        to_utc_ms: at(to).0,
        kg: Some(208.0),
        why: "cold oil".to_owned(),
        touched: Touched::default(),
    }
}

#[tokio::test]
async fn a_hold_stands_until_it_is_decided_and_every_decision_stays() {
    let line = demo();
    let store = InlineStore::in_memory().unwrap();
    let put = async |held: Held| put_on_hold(&line, &store, held, ("Inés", at(10))).await;
    assert_eq!(put(held(0, 600)).await, Ok((1, false)));
    assert_eq!(put(Held { why: "again".to_owned(), ..held(0, 600) }).await, Ok((1, true)), "sent twice");
    assert_eq!(put(held(600, 0)).await, Err(NoHold::Window), "reversed");
    assert_eq!(put(held(0, 32 * 86_400)).await, Err(NoHold::Window));
    assert_eq!(put(Held { kg: Some(f64::NAN), ..held(0, 60) }).await, Err(NoHold::Mass));
    assert_eq!(put(Held { kg: Some(-1.0), ..held(0, 60) }).await, Err(NoHold::Mass));
    assert_eq!(put(Held { why: " ".to_owned(), ..held(0, 60) }).await, Err(NoHold::NoReason));
    assert_eq!(
        put(Held { alarm: Some("nothing".to_owned()), ..held(0, 60) }).await,
        Err(NoHold::NoSuchAlarm)
    );
    let decide =
        async |n, seen, what: &str, by: &str| decide(&store, (n, seen), (what, "tasted"), (by, at(20))).await;
    assert_eq!(decide(9, 0, "released", "Ana").await, Err(NoHold::NoSuchHold));
    assert_eq!(decide(1, 0, "eaten", "Ana").await, Err(NoHold::NotListed));
    assert_eq!(decide(1, 0, "released", "Ana").await, Ok(false));
    assert_eq!(decide(1, 0, "released", "Ana").await, Ok(true), "sent twice");
    assert_eq!(decide(1, 0, "destroyed", "Luis").await, Err(NoHold::Stale(2)), "he has not seen hers");
    assert_eq!(decide(1, 2, "destroyed", "Luis").await, Ok(false));
    let rows = holds::holds(&store).await.unwrap();
    assert_eq!(rows.len(), 1);
    let told: Vec<_> = rows[0].dispositions.iter().map(|one| (one.what.as_str(), one.by.as_str())).collect();
    assert_eq!(told, [("released", "Ana"), ("destroyed", "Luis")]);
    assert_eq!(rows[0].alarm.as_deref(), Some("fryer-inlet-cold@1"));
    assert_eq!(put(held(0, 600)).await, Ok((4, false)), "what was decided may be held anew");
    assert_eq!(store.broken_audit().await.unwrap(), (4, Vec::new()));
}

#[tokio::test]
async fn a_review_lists_what_is_to_be_looked_at_and_is_signed_for_what_was_seen() {
    let line = demo();
    let store = store(&line).await;
    put_on_hold(&line, &store, held(0, 600), ("Inés", at(5_000))).await.unwrap();
    let span = window(0, SECONDS + 3_600);
    let review = async || review_report(&line, &store, span, at(SECONDS)).await.unwrap();
    let report = review().await;
    let alarms: Vec<_> = report.alarms.iter().map(|row| row.alarm.as_str()).collect();
    assert_eq!(alarms, ["fryer-inlet-cold", "fryer-outlet-cold"]);
    assert!(report.alarms.iter().all(|row| row.product.is_some()), "the fryer is on the way to the bag");
    assert_eq!((report.holds.len(), report.gaps.len(), report.gaps[0].length_s), (1, 1, 3_600.0));
    assert_eq!(report.exceptions(), 4);
    assert_eq!((report.audit_entries, report.audit_broken.len(), report.signed.len()), (1, 0, 0));
    let sign = async |seen, now| sign_off(&line, &store, (Reviewed::Time(span), seen), ("Ana", now)).await;
    assert_eq!(sign(4, at(SECONDS)).await, Err(NotSigned::NotOver));
    let later = at(SECONDS + 3_600);
    let found = review_report(&line, &store, span, later).await.unwrap().exceptions();
    assert_eq!(sign(found + 1, later).await, Err(NotSigned::Changed(found)));
    assert_eq!(sign(found, later).await, Ok(false));
    assert_eq!(sign(found, later).await, Ok(true), "sent twice");
    let report = review().await;
    assert_eq!((report.signed.len(), report.signed[0].by.as_str()), (1, "Ana"));
    let narrow = review_report(&line, &store, window(60, 120), at(SECONDS)).await.unwrap();
    assert_eq!(narrow.signed.len(), 1, "who signed the whole has signed its parts");
    let wider = review_report(&line, &store, window(-60, SECONDS), at(SECONDS)).await.unwrap();
    assert_eq!(wider.signed.len(), 0);
}

/// The wall clock is put forward by 1.8 s between two events of a run; another run begins with an offset of its own.
#[tokio::test]
async fn a_step_of_the_clock_is_told_and_a_restart_is_none() {
    let line = demo();
    let store = InlineStore::in_memory().unwrap();
    let mut events = told();
    for event in events.iter_mut().filter(|event| event.utc >= at(5_000)) {
        event.utc.0 += 1_800;
    }
    let run = store.start_run(NewRun::of(&line, at(0), "0")).await.unwrap();
    store.append(run, Batch { events, ..Batch::default() }).await.unwrap();
    let run = store.start_run(NewRun::of(&line, at(20_000), "0")).await.unwrap();
    let mut again = event(20_000, "started", None, None);
    (again.at, again.sequence) = (Uptime::START, 1);
    store.append(run, Batch { events: vec![again], ..Batch::default() }).await.unwrap();
    let report = review_report(&line, &store, window(0, 30_000), at(20_001)).await.unwrap();
    assert_eq!(report.clock_steps.len(), 1, "{:?}", report.clock_steps);
    near(Some(report.clock_steps[0].step_s), 1.8, 1e-9);
}

#[tokio::test]
async fn an_empty_history_gives_reports_that_say_so() {
    let line = demo();
    let store = InlineStore::in_memory().unwrap();
    let shift = shifts::at(&line, at(10)).unwrap();
    let report = shift_report(&line, &store, &shift, AtTheEnd::default(), at(SECONDS)).await.unwrap();
    assert_eq!((report.watched_s, report.calls.len(), report.stops.len()), (0.0, 0, 0));
    assert!(report.statistics.iter().all(|row| row.figures.refused.is_some()));
    let review = review_report(&line, &store, window(0, 60), at(SECONDS)).await.unwrap();
    assert_eq!((review.gaps.len(), review.exceptions()), (1, 1), "nobody watched");
}

#[tokio::test]
async fn a_lot_has_a_review_and_a_signature_of_its_own() {
    let line = two_lots();
    let store = store(&line).await;
    with_belts(&store, &line, |_, _| Reading::Good(10.0)).await;
    put_on_hold(&line, &store, held(0, 600), ("Inés", at(5_000))).await.unwrap();
    let (early, late) = ("2026-11-23 06:00", "2026-11-23 08:00");
    let whole = review_report(&line, &store, window(0, SECONDS), at(SECONDS)).await.unwrap();
    let told: Vec<_> = whole
        .lots
        .iter()
        .map(|lot| (lot.lot.as_str(), lot.alarms.len(), lot.holds.len(), lot.goes_on))
        .collect();
    assert_eq!(told, [(early, 1, 1, false), (late, 1, 0, true)]);
    assert_eq!(whole.lots[0].date_codes, ["26 327 L2 A"], "23 November is day 327");
    assert_eq!(
        whole.holds[0].touched.words().as_deref(),
        Some("lot 2026-11-23 06:00; date code 26 327 L2 A")
    );
    let (report, span, goes_on) = lot_review(&line, &store, early, at(SECONDS)).await.unwrap();
    assert_eq!((span, goes_on), (window(0, 7_200), false));
    let alarms: Vec<_> = report.alarms.iter().map(|row| row.alarm.as_str()).collect();
    assert_eq!((alarms, report.exceptions()), (vec!["fryer-inlet-cold"], 2));
    assert!(report.text(&str::to_owned).starts_with("Records of lot 2026-11-23 06:00 of "));
    let sign =
        async |lot, seen| sign_off(&line, &store, (Reviewed::Lot(lot), seen), ("Ana", at(SECONDS))).await;
    assert_eq!(sign(late, 1).await, Err(NotSigned::NotOver));
    assert_eq!(sign("4711", 1).await, Err(NotSigned::NoSuchLot));
    assert_eq!(sign(early, 1).await, Err(NotSigned::Changed(2)));
    assert_eq!((sign(early, 2).await, sign(early, 2).await), (Ok(false), Ok(true)), "sent twice");
    let whole = review_report(&line, &store, window(0, SECONDS), at(SECONDS)).await.unwrap();
    assert_eq!((whole.lots[0].signed.len(), whole.lots[1].signed.len()), (1, 0));
    assert_eq!(whole.signed.len(), 0, "who signed a lot has not signed a time");
    assert_eq!(
        store.broken_audit().await.unwrap(),
        (2, Vec::new()),
        "hold and signature are in the audit's chain"
    );
    let untold = Line { lots: None, ..demo() };
    assert_eq!(lot_review(&untold, &store, early, at(SECONDS)).await.map(|_| ()), Err(NoLot::NotTold));
}

/// What an alarm said, in the order of time; the run began two hours before lot and shift.
pub(super) async fn with_calls(line: &Line, calls: &[(i64, &str, &str)]) -> InlineStore {
    let store = InlineStore::in_memory().unwrap();
    let run = store.start_run(NewRun::of(line, at(-9_000), "0")).await.unwrap();
    let started = (-9_000, "started", None);
    let told = calls.iter().map(|(second, what, alarm)| (*second, *what, Some(*alarm)));
    let event = |(sequence, (second, what, alarm)): (u64, (i64, &str, Option<&str>))| Event {
        sequence,
        utc: at(second),
        at: Uptime::from_millis(u64::try_from((second + 9_000) * 1_000).unwrap()),
        onset: alarm.map(|_| at(second - 60)),
        ..event(0, what, alarm, None)
    };
    let events = (1..).zip([started].into_iter().chain(told)).map(event).collect();
    store.append(run, Batch { events, ..Batch::default() }).await.unwrap();
    store
}

/// What every belt and everything else between tank and bag said in a run that began two hours before lot and shift, each by its
/// tag; not how much passed.
pub(super) async fn with_belts(store: &InlineStore, line: &Line, said: impl Fn(&str, i64) -> Reading) {
    let run = told_by(store).await[0].run;
    let weigher = line.feed.as_ref().unwrap().signal;
    for signal in FollowBook::new(line).signals(false).filter(|signal| *signal != weigher) {
        let tag = &line.signal(signal).tag;
        let sample = |second: i64| NewSample {
            signal: signal.0,
            utc: at(second),
            at: Uptime::from_millis(u64::try_from((second + 9_000) * 1_000).unwrap()),
            reading: said(tag, second),
        };
        let samples = (-9_000..=SECONDS).map(sample).collect();
        store.append(run, Batch { samples, ..Batch::default() }).await.unwrap();
    }
}

/// The lots begin at 06:00 and 08:00; the oil is cold from 03:50 to 09:00, that of the filter until 03:55 only.
#[tokio::test]
async fn an_alarm_that_stood_through_a_lot_is_in_its_review_wherever_it_raised() {
    let line = two_lots();
    let told = [
        (-7_800, "raised", "fryer-inlet-cold"),
        (-7_790, "raised", "fryer-outlet-cold"),
        (-7_700, "acknowledged", "fryer-inlet-cold"),
        (-7_500, "cleared", "fryer-outlet-cold"),
        (10_800, "cleared", "fryer-inlet-cold"),
    ];
    let store = with_calls(&line, &told).await;
    with_belts(&store, &line, |_, _| Reading::Good(10.0)).await;
    for lot in ["2026-11-23 06:00", "2026-11-23 08:00"] {
        let (report, ..) = lot_review(&line, &store, lot, at(SECONDS)).await.unwrap();
        let alarms: Vec<_> =
            report.alarms.iter().map(|row| (row.alarm.as_str(), row.cleared.clone())).collect();
        assert_eq!(alarms, [("fryer-inlet-cold", Some("2026-11-23T15:00:00Z".to_owned()))], "{lot}");
        assert_eq!((report.exceptions(), report.lots[0].alarms.len()), (1, 1), "{lot}");
    }
    for (from, to, count) in [(-9_000, 0, 2), (0, 3_600, 1), (7_200, 10_000, 1), (13_900, SECONDS, 0)] {
        let report = review_report(&line, &store, window(from, to), at(SECONDS)).await.unwrap();
        assert_eq!(report.alarms.len(), count, "{from} to {to}");
    }
}

/// The short one raised later and was over long before: each has the product that it has by itself.
#[tokio::test]
async fn a_long_alarm_keeps_its_product_where_a_later_one_was_over_before() {
    let line = demo();
    let told = [
        (100, "raised", "fryer-inlet-cold"),
        (200, "raised", "fryer-outlet-cold"),
        (260, "cleared", "fryer-outlet-cold"),
        (13_900, "cleared", "fryer-inlet-cold"),
    ];
    let store = with_calls(&line, &told).await;
    let run = told_by(&store).await[0].run;
    for signal in FollowBook::new(&line).signals(false) {
        put(&store, run, &line, &line.signal(signal).tag, |_| Reading::Good(1.0)).await;
    }
    let review = review_report(&line, &store, window(0, SECONDS), at(SECONDS)).await.unwrap();
    assert_eq!(review.alarms.len(), 2);
    for row in &review.alarms {
        let alarm = line.alarm_by_id(&row.alarm).unwrap();
        let alone = hold_report(&line, &store, (alarm, None), at(SECONDS)).await.unwrap();
        let ends = |product: &Option<ProductRow>| {
            let product = product.as_ref().unwrap();
            (product.packed_from.clone().unwrap(), product.packed_to.clone().unwrap())
        };
        assert_eq!(ends(&row.product), ends(&alone.product), "{}", row.alarm);
    }
}
