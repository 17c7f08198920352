//! What an alarm touched where its way to the bag is not known, where it stood for hours, and where it is corn that is packed later.

use super::review::{with_belts, with_calls};
use super::*;
use crate::history::{BatchRow, StoredEntry, band};
use crate::report::batch::{BatchReport, FedRow, SoakRow};
use crate::report::hold_window::{CheckWindow, HoldReport, hold_report};
use crate::report::lot_review::lot_review;
use crate::report::lots::Touched;

const EARLY: &str = "2026-11-23 06:00";
const LATE: &str = "2026-11-23 08:00";

fn entry(n: u64, second: i64, tag: &str, value: f64) -> StoredEntry {
    StoredEntry {
        n,
        entered: at(second),
        taken: at(second),
        tag: tag.to_owned(),
        value,
        corrects: None,
        by: "Inés".to_owned(),
        was_asked: false,
        late_s: 0.0,
        calibration: None,
        about: None,
        note: None,
    }
}

async fn enter(store: &InlineStore, tag: &str, values: &[(i64, f64)]) {
    let run = told_by(store).await[0].run;
    let row = |(n, (second, value)): (u64, &(i64, f64))| entry(n, *second, tag, *value);
    let entries = (1..).zip(values).map(row).collect();
    store.append(run, Batch { entries, ..Batch::default() }).await.unwrap();
}

async fn hold(line: &Line, store: &InlineStore, alarm: &str) -> HoldReport {
    let alarm = line.alarm_by_id(alarm).unwrap();
    hold_report(line, store, (alarm, None), at(SECONDS)).await.unwrap()
}

fn only(report: &HoldReport) -> &CheckWindow {
    assert_eq!(report.checks.len(), 1, "{report:?}");
    &report.checks[0]
}

fn clock(second: i64) -> Option<String> {
    Some(crate::report::rfc3339(at(second)))
}

async fn alarms_of_lot(line: &Line, store: &InlineStore, lot: &str) -> Vec<String> {
    let (report, ..) = lot_review(line, store, lot, at(SECONDS)).await.unwrap();
    report.alarms.into_iter().map(|row| row.alarm).collect()
}

/// The encoder behind the oven says nothing from before the trouble to the end; a check is good a minute after the alarm.
#[tokio::test]
async fn a_good_check_ends_no_hold_where_nobody_knows_when_the_product_was_packed() {
    let line = two_lots();
    let oven = "oven-exhaust-lost";
    let store = with_calls(&line, &[(4_000, "raised", oven), (4_180, "cleared", oven)]).await;
    with_belts(&store, &line, |tag, second| match tag {
        "ST-260" if second > 3_900 => Reading::Bad(NoData::SensorFault),
        _ => Reading::Good(10.0),
    })
    .await;
    enter(&store, "XI-453", &[(1_000, 1.0), (4_240, 1.0)]).await;
    let report = hold(&line, &store, oven).await;
    assert_eq!(report.product.as_ref().unwrap().packed_from, None);
    let window = only(&report);
    assert_eq!((window.last_good.clone(), window.next_good.clone()), (clock(1_000), None));
    assert_eq!(window.touched.lots, [EARLY, LATE]);
    assert_eq!(report.touched.lots, [EARLY, LATE]);
    let text = report.text(&str::to_owned);
    assert!(text.contains("next good none that counts, for when it was packed is not known"), "{text}");
    for lot in [EARLY, LATE] {
        assert_eq!(alarms_of_lot(&line, &store, lot).await, [oven], "{lot}");
    }
}

/// All belts stand from shortly after the alarm for more than three hours, then run.
#[tokio::test]
async fn what_lay_on_belts_that_stood_for_hours_is_packed_when_they_ran_on() {
    let line = two_lots();
    let oven = "oven-exhaust-lost";
    let store = with_calls(&line, &[(100, "raised", oven), (160, "cleared", oven)]).await;
    with_belts(&store, &line, |_, second| {
        Reading::Good(if !(100..=11_200).contains(&second) { 10.0 } else { 0.0 })
    })
    .await;
    let report = hold(&line, &store, oven).await;
    let product = report.product.as_ref().unwrap();
    assert!(product.packed_not_before >= clock(11_200) && !product.is_forecast, "{product:?}");
    assert_eq!(report.touched.lots, [LATE]);
    assert_eq!(alarms_of_lot(&line, &store, EARLY).await, Vec::<String>::new());
    assert_eq!(alarms_of_lot(&line, &store, LATE).await, [oven]);
}

/// Blue asks for 1.3 % give or take 0.3, white for 1.5: 1.7 % of blue-corn rounds is beyond.
#[tokio::test]
async fn a_number_is_judged_by_the_recipe_that_was_in_force_when_it_was_taken() {
    let line = demo();
    let cold = "fryer-inlet-cold";
    let store = with_calls(&line, &[(4_000, "raised", cold), (4_200, "cleared", cold)]).await;
    with_belts(&store, &line, |_, _| Reading::Good(10.0)).await;
    enter(&store, "AI-451", &[(1_000, 1.3), (6_000, 1.7), (9_000, 1.3)]).await;
    let told = async || {
        let report = hold(&line, &store, cold).await;
        let window = only(&report);
        (window.last_good.clone(), window.failed, window.next_good.clone())
    };
    assert_eq!(
        told().await,
        (clock(1_000), 1, clock(9_000)),
        "either may have run, and blue does not pass it"
    );
    let run = told_by(&store).await[0].run;
    let bands = bands_of(&line, Uptime::START, at(-9_000));
    store.append(run, Batch { bands, ..Batch::default() }).await.unwrap();
    assert_eq!(told().await, (clock(1_000), 1, clock(9_000)), "blue ran");
    let moisture = line.signal_by_tag("AI-451").unwrap();
    let white = line.recipes.iter().find(|recipe| recipe.key == "white-corn-strips").unwrap();
    let target = white.setpoint(moisture).map(|asked| asked.target);
    let bands = vec![band(moisture, target, Uptime::from_millis(14_000_000), at(5_000))];
    store.append(run, Batch { bands, ..Batch::default() }).await.unwrap();
    assert_eq!(told().await, (clock(1_000), 0, clock(6_000)), "white ran by then");
}

/// Cooked in kettle 1 until 600 s, soaked in tank 5.
fn batch(fed: Vec<FedRow>) -> BatchReport {
    let time = |second| crate::report::rfc3339(at(second));
    BatchReport {
        schema_version: 1,
        id: "kettle-1-20261123T1110Z".to_owned(),
        line: "Line 1".to_owned(),
        kettle: "Kettle 1".to_owned(),
        number: None,
        recipe: "blue-corn-rounds".to_owned(),
        recipe_name: "Blue-corn rounds, salted".to_owned(),
        recipe_sha256: None,
        configuration: "0123456789abcdef".repeat(4),
        from: time(-3_000),
        to: time(600),
        ending: "pumped out".to_owned(),
        oddities: Vec::new(),
        unseen_s: 0.0,
        phases: Vec::new(),
        come_up_s: None,
        water_l: None,
        corn_kg: 600.0,
        corn_uncertainty_kg: None,
        lime_kg: None,
        water_to_corn_l_per_kg: None,
        lime_to_corn_percent: None,
        reference_degc: None,
        z_k: None,
        cook: Vec::new(),
        soak: SoakRow { tank: Some(5), from: Some(time(600)), ..SoakRow::default() },
        is_complete: !fed.is_empty(),
        fed,
    }
}

async fn keep(store: &InlineStore, batch: BatchReport) {
    let record = serde_json::to_string(&batch).unwrap();
    let (start, end) = (at(-3_000), Some(at(600)));
    store.keep_batch(BatchRow { id: batch.id, start, end, record }).await.unwrap();
}

/// The quench ended hot while the early lot was packed from other tanks; its own corn is packed from 8,000 to 10,000 s.
#[tokio::test]
async fn an_alarm_of_a_kettle_holds_what_its_corn_became_and_nothing_that_was_packed_meanwhile() {
    let line = two_lots();
    let hot = "quench-end-hot.TT-101";
    let store = with_calls(&line, &[(300, "raised", hot), (500, "cleared", hot)]).await;
    enter(&store, "XI-453", &[(-1_000, 1.0), (700, 1.0), (7_900, 1.0), (10_100, 1.0)]).await;
    keep(&store, batch(Vec::new())).await;
    let report = hold(&line, &store, hot).await;
    assert_eq!((report.checks.len(), report.touched.lots.len()), (0, 0), "{report:?}");
    let text = report.text(&str::to_owned);
    assert!(text.contains("batches kettle-1-20261123T1110Z"), "{text}");
    assert!(text.contains("its corn has not been packed"), "{text}");
    for lot in [EARLY, LATE] {
        assert_eq!(alarms_of_lot(&line, &store, lot).await, Vec::<String>::new(), "{lot}");
    }
    keep(
        &store,
        batch(vec![FedRow {
            tank: 5,
            from: clock(7_500).unwrap(),
            to: clock(9_500).unwrap(),
            goes_on: false,
            packed_from: clock(8_200),
            packed_to: clock(9_900),
            packed_not_before: clock(8_000),
            packed_not_after: clock(10_000),
            is_forecast: false,
            touched: Touched::default(),
        }]),
    )
    .await;
    let report = hold(&line, &store, hot).await;
    let window = only(&report);
    assert_eq!((window.last_good.clone(), window.next_good.clone()), (clock(7_900), clock(10_100)));
    assert_eq!(
        (&report.touched.lots, &window.touched.lots),
        (&vec![LATE.to_owned()], &vec![LATE.to_owned()])
    );
    assert_eq!(alarms_of_lot(&line, &store, EARLY).await, Vec::<String>::new());
    assert_eq!(alarms_of_lot(&line, &store, LATE).await, [hot]);
    let review = review_report(&line, &store, window_of(7_200), at(SECONDS)).await.unwrap();
    assert_eq!(review.alarms[0].corn.as_ref().unwrap().packed_not_before, clock(8_000));
    assert_eq!((review.alarms.len(), review.lots[0].alarms.len()), (1, 1));
}

fn window_of(from: i64) -> Span {
    window(from, SECONDS)
}

#[tokio::test]
async fn an_alarm_of_a_tank_touches_the_corn_that_lay_in_it() {
    let line = two_lots();
    let alarms = ["soak-cold-early.TT-135", "soak-cold-early.TT-136"];
    let told = alarms.map(|alarm| [(1_000, "raised", alarm), (1_500, "cleared", alarm)]).concat();
    let store = with_calls(&line, &told).await;
    keep(&store, batch(Vec::new())).await;
    let [own, other] = [hold(&line, &store, alarms[0]).await, hold(&line, &store, alarms[1]).await];
    assert_eq!(own.corn.unwrap().batches, ["kettle-1-20261123T1110Z"]);
    let none = other.corn.unwrap();
    assert_eq!(none.words(&str::to_owned), ["no batch is known that was there then"]);
}

/// On a line that weighs before the oven a belt lies between, and it may stand: the delays alone bound nothing.
#[tokio::test]
async fn no_most_is_told_where_a_belt_lies_between_the_weigher_and_the_bag() {
    let mut line = demo();
    let oven = line.belts[0].station;
    line.feed.as_mut().unwrap().station = oven;
    let store = store(&line).await;
    let found = weighed_for(&line, &store, (at(5_580), at(9_180))).await.unwrap().unwrap();
    assert_eq!(found.most_kg, None);
}
