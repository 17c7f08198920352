//! Batch records against figures worked out by hand.

use super::*;
use crate::history::sqlite::InlineStore;
use crate::history::{Batch as Kept, NewRun, NewSample};
use crate::snapshot::RunId;
use setward_protocol::{NoData, Reading};
use std::sync::Arc;

/// 2026-11-23T04:00:00Z.
const START: i64 = 1_795_406_400_000;
const MIN: i64 = 60_000;

fn demo() -> Line {
    setward_config::load_demo().unwrap().line
}

fn at(minutes: f64) -> UtcMillis {
    UtcMillis(START + (minutes * 60_000.0) as i64)
}

/// Fill 8 min, 20 to 96 degC in 24 min, 20 min at 96, to 70 degC in 8 min, pumped out in 9.
const PHASES: [(Phase, f64, f64); 5] = [
    (Phase::Fill, 0.0, 8.0),
    (Phase::Heat, 8.0, 32.0),
    (Phase::Hold, 32.0, 52.0),
    (Phase::Quench, 52.0, 60.0),
    (Phase::Transfer, 60.0, 69.0),
];

fn temperature(minute: f64) -> f64 {
    match minute {
        m if m < 8.0 => 20.0,
        m if m < 32.0 => 20.0 + 76.0 * (m - 8.0) / 24.0,
        m if m < 52.0 => 96.0,
        m if m < 60.0 => 96.0 - 26.0 * (m - 52.0) / 8.0,
        _ => 70.0,
    }
}

fn view(line: &Line) -> BatchView {
    BatchView {
        id: "kettle-1-20261123T0400Z".to_owned(),
        kettle: 0,
        number: Some(26_114_071),
        recipe: line.running_recipe,
        phases: PHASES.map(|(phase, from, to)| (phase, (at(from), at(to)))).to_vec(),
        ending: Some(Ending::Complete),
        oddities: Vec::new(),
        unseen: Vec::new(),
        told_by: setward_process::batches::ToldBy::Step,
        tank: Some(5),
        soaks_from: Some((at(69.0), at(69.0))),
        is_in_tank: true,
        fed: Vec::new(),
    }
}

/// Fed after 12 h of soak for 80 min; the other batch of the tank is 45 min older.
fn fed_view(line: &Line) -> BatchView {
    let fed_from = 69.0 + 720.0;
    let fed = FedView {
        tank: 5,
        span: (at(fed_from), at(fed_from + 80.0)),
        is_open: false,
        soaked_from: (at(69.0 - 45.0), at(69.0)),
        is_oldest_known: true,
        packed: Some((at(fed_from + 30.0), at(fed_from + 110.0))),
        packed_at_most: None,
        is_forecast: false,
    };
    BatchView { is_in_tank: false, fed: vec![fed], ..view(line) }
}

async fn put(store: &InlineStore, run: RunId, line: &Line, tag: &str, samples: &[(UtcMillis, Reading)]) {
    let signal = line.signal_by_tag(tag).unwrap().0;
    let sample = |(utc, reading): &(UtcMillis, Reading)| NewSample {
        signal,
        utc: *utc,
        at: Uptime::from_millis(u64::try_from(utc.0 - START + 3_600_000).unwrap()),
        reading: *reading,
    };
    let samples = samples.iter().map(sample).collect();
    store.append(run, Kept { samples, ..Kept::default() }).await.unwrap();
}

/// The kettle each 2 s; nothing good between `bad`, minutes. The meter says 1,190 L of the batch before, then fills.
async fn store(line: &Line, bad: (f64, f64)) -> (InlineStore, RunId) {
    let store = InlineStore::in_memory().unwrap();
    let run = store.start_run(NewRun::of(line, at(-60.0), "0")).await.unwrap();
    let times = || (-60..70 * 60).step_by(2).map(|second| f64::from(second) / 60.0);
    let reading = |minute: f64| {
        let is_bad = bad.0 < minute && minute < bad.1;
        if is_bad { Reading::Bad(NoData::SensorFault) } else { Reading::Good(temperature(minute)) }
    };
    let kettle: Vec<_> = times().map(|minute| (at(minute), reading(minute))).collect();
    put(&store, run, line, "TT-101", &kettle).await;
    let meter = |minute: f64| if minute <= 0.0 { 1_190.0 } else { (minute * 170.0).min(1_205.0) };
    let water: Vec<_> = times().map(|minute| (at(minute), Reading::Good(meter(minute)))).collect();
    put(&store, run, line, "FQ-101", &water).await;
    (store, run)
}

fn limit<'a>(rows: &'a [VerdictRow], start: &str) -> &'a VerdictRow {
    rows.iter().find(|row| row.limit.starts_with(start)).unwrap_or_else(|| panic!("{start}: {rows:?}"))
}

fn near(found: Option<f64>, expected: f64, within: f64) {
    assert!(found.is_some_and(|found| (found - expected).abs() <= within), "{found:?} is not {expected}");
}

/// The kettle by itself weighs 3 kg; the agitator moves it by 6 kg. 1,205 L are 1,202.8 kg.
#[tokio::test]
async fn the_corn_of_a_batch_is_what_the_kettle_gained_less_water_and_lime() {
    let mut line = demo();
    line.kettles[0].weight = line.signal_by_tag("WT-101");
    let weighed = async |corn_kg: f64| {
        let (store, run) = store(&line, (0.0, 0.0)).await;
        let weight = |minute: f64| {
            let stirred = 6.0 * (minute * 60.0 / 7.0 * std::f64::consts::TAU).sin();
            if minute <= 0.0 {
                3.0
            } else {
                3.0 + ((1_202.8 + corn_kg + 3.6) * minute / 8.0).min(1_202.8 + corn_kg + 3.6) + stirred
            }
        };
        let times = (-120..40 * 60).step_by(2).map(|second| f64::from(second) / 60.0);
        let scale: Vec<_> = times.map(|minute| (at(minute), Reading::Good(weight(minute)))).collect();
        put(&store, run, &line, "WT-101", &scale).await;
        batch_report(&line, &store, &view(&line), Some(3.6)).await.unwrap().unwrap()
    };
    let report = weighed(601.0).await;
    assert!((report.corn_kg - 601.0).abs() < 1.0, "{}", report.corn_kg);
    near(report.corn_uncertainty_kg, 0.0025 * 1_810.4, 0.01);
    assert_eq!(limit(&report.cook, "corn, kg").verdict, "met");
    near(report.water_to_corn_l_per_kg, 1_205.0 / 601.0, 0.01);
    let text = report.text(&|utc| utc.to_owned());
    assert!(text.contains("corn 601 kg weighed, give or take 4.5 kg"), "{text}");
    assert_eq!(limit(&weighed(588.0).await.cook, "corn, kg").verdict, "not met: below");
    assert_eq!(limit(&weighed(605.0).await.cook, "corn, kg").verdict, "not known", "it may be 609");
    // Without a weighing nothing is judged, and the line file's figure stands.
    let (store, _) = store(&line, (0.0, 0.0)).await;
    let report = batch_report(&line, &store, &view(&line), Some(3.6)).await.unwrap().unwrap();
    assert!(report.cook.iter().all(|row| !row.limit.starts_with("corn")), "{report:?}");
    assert_eq!((report.corn_kg, report.corn_uncertainty_kg), (600.0, None));
    assert!(report.text(&|utc| utc.to_owned()).contains("corn 600 kg by the line file"));
}

/// Above 94 degC: 2 of 76 K of 24 min up, 20 min, 2 of 26 K of 8 min down: 0.6316 + 20 + 0.6154 min. Equivalent minutes of a
/// straight line are z / (ln 10 slope) times the change of the rate: 4.829 up, 20 at 10^(1/33) = 21.445, 3.958 down: 30.23.
#[tokio::test]
async fn a_cook_is_judged_by_its_counted_hold_and_its_own_equivalent_minutes() {
    let line = demo();
    let (store, _) = store(&line, (0.0, 0.0)).await;
    let report = batch_report(&line, &store, &view(&line), Some(3.9)).await.unwrap().unwrap();
    let hold = limit(&report.cook, "counted hold at or above 94 degC");
    assert_eq!(report.cook[0], *hold, "what a cook is judged by first stands first");
    near(hold.found_least, 21.247, 0.002);
    assert_eq!((hold.least, hold.most, hold.verdict.as_str()), (Some(20.0), Some(26.0), "met"));
    let dose = limit(&report.cook, "equivalent time at 95 degC (z 33 K)");
    near(dose.found_most, 30.23, 0.01);
    assert_eq!((dose.least, dose.most, dose.verdict.as_str()), (Some(24.0), Some(37.0), "met"));
    near(limit(&report.cook, "end of quench").found_least, 70.0, 0.2);
    near(report.come_up_s, 24.0 * 60.0 * 74.0 / 76.0, 0.1);
    assert_eq!(report.water_l, Some(1_205.0), "not what the meter said of the batch before");
    near(report.water_to_corn_l_per_kg, 2.0083, 1e-4);
    near(report.lime_to_corn_percent, 0.65, 1e-9);
    assert_eq!(limit(&report.cook, "lime, kg").verdict, "not met: above");
    assert_eq!(limit(&report.cook, "water, L").verdict, "met");
    assert_eq!(report.verdict(), "not met");
    assert_eq!(report.recipe, "blue-corn-rounds");
    let file = line.files.iter().find(|file| file.path == "recipes/blue-corn-rounds.toml").unwrap();
    assert_eq!(report.recipe_sha256, Some(sha256_hex(file.text.as_bytes())));
    let text = report.text(&|text| text.to_owned());
    for phrase in ["counted hold", "21.2", "20.0 to 26.0", "2.01 L/kg", "not met: above", "not been fed yet"]
    {
        assert!(text.contains(phrase), "{phrase}: {text}");
    }
}

/// 76 K in 24 min are 3.167 K/min, whatever part of the line is looked at.
#[tokio::test]
async fn the_heating_is_judged_by_its_rate_and_its_length() {
    let mut line = demo();
    let (store, _) = store(&line, (0.0, 0.0)).await;
    let report = batch_report(&line, &store, &view(&line), Some(3.6)).await.unwrap().unwrap();
    let rate = limit(&report.cook, "heating rate from 40 to 85 degC, K/min");
    near(rate.found_least, 3.1667, 0.01);
    assert_eq!((rate.least, rate.most, rate.verdict.as_str()), (Some(1.5), None, "met"));
    let length = limit(&report.cook, "heating, min");
    near(length.found_most, 24.0, 0.01);
    assert_eq!((length.least, length.most, length.verdict.as_str()), (None, Some(35.0), "met"));

    let asked = line.recipes[line.running_recipe].cook.as_mut().unwrap();
    asked.heating.as_mut().unwrap().least_k_per_min = 3.5;
    asked.heat_most_s = Some(1_200.0);
    let report = batch_report(&line, &store, &view(&line), Some(3.6)).await.unwrap().unwrap();
    assert_eq!(limit(&report.cook, "heating rate").verdict, "not met: below");
    assert_eq!(limit(&report.cook, "heating, min").verdict, "not met: above");
    let asked = line.recipes[line.running_recipe].cook.as_mut().unwrap();
    (asked.heating, asked.heat_most_s) = (None, None);
    let report = batch_report(&line, &store, &view(&line), Some(3.6)).await.unwrap().unwrap();
    assert!(!report.cook.iter().any(|row| row.limit.starts_with("heating")), "{:?}", report.cook);
}

#[tokio::test]
async fn a_batch_whose_cook_was_kept_is_met_so_far_while_it_soaks() {
    let line = demo();
    let (store, _) = store(&line, (0.0, 0.0)).await;
    let soaking = batch_report(&line, &store, &view(&line), Some(3.6)).await.unwrap().unwrap();
    assert!(soaking.soak.limits.iter().any(|row| row.verdict == "not known"), "{:?}", soaking.soak);
    assert_eq!(soaking.verdict(), "met so far");
    let over = BatchReport { is_complete: true, ..soaking };
    assert_eq!(over.verdict(), "not known", "nothing more will be seen of it");
}

/// A minute and a half of a broken probe in the hold: 19.75 to 21.25 min, so it is not known whether 20 were reached.
#[tokio::test]
async fn what_was_not_seen_is_neither_met_nor_missed() {
    let line = demo();
    let (store, _) = store(&line, (40.0, 41.5)).await;
    let report = batch_report(&line, &store, &view(&line), None).await.unwrap().unwrap();
    let hold = limit(&report.cook, "counted hold");
    near(hold.found_least, 19.75, 0.04);
    near(hold.found_most, 21.25, 0.04);
    assert_eq!((hold.verdict.as_str(), report.verdict()), ("not known", "not known"));
    assert_eq!(limit(&report.cook, "lime, kg").verdict, "not known", "nobody entered it");
}

/// 12 h at 60 degC by the demo's constants: 36 % becomes 45 % (81.82 % of the dry matter). Youngest 12 h, oldest 12.75 + 1.33 h.
#[tokio::test]
async fn a_soak_is_judged_by_its_youngest_and_its_oldest_corn_and_predicts_moisture_with_its_uncertainty() {
    let line = demo();
    let (store, run) = store(&line, (0.0, 0.0)).await;
    let soak: Vec<_> = (60 * 6..850 * 6).map(|ten| (at(f64::from(ten) / 6.0), Reading::Good(60.0))).collect();
    put(&store, run, &line, "TT-135", &soak).await;
    let report = batch_report(&line, &store, &fed_view(&line), None).await.unwrap().unwrap();
    near(report.soak.youngest_h, 12.0, 1e-9);
    near(report.soak.oldest_h, 12.0 + 45.0 / 60.0 + 80.0 / 60.0, 1e-9);
    near(report.soak.moisture_percent, 45.0, 0.01);
    assert_eq!(report.soak.moisture_uncertainty_percent, Some(2.0));
    assert_eq!(report.soak.limits.iter().map(|row| row.verdict.as_str()).collect::<Vec<_>>(), ["met", "met"]);
    assert!(report.is_complete);
    assert_eq!(report.fed[0].packed_from.as_deref(), Some("2026-11-23T17:39:00Z"));
    let hot = BatchView { tank: Some(6), ..fed_view(&line) };
    let other = batch_report(&line, &store, &hot, None).await.unwrap().unwrap();
    assert_eq!(other.soak.moisture_percent, None);
    assert!(other.soak.no_moisture_because.unwrap().contains("no temperature of the tank"), "never polled");
}

#[tokio::test]
async fn corn_that_is_still_fed_may_yet_get_too_old() {
    let line = demo();
    let (store, _) = store(&line, (0.0, 0.0)).await;
    let mut open = fed_view(&line);
    open.fed[0].is_open = true;
    let report = batch_report(&line, &store, &open, None).await.unwrap().unwrap();
    let oldest = limit(&report.soak.limits, "oldest corn");
    assert_eq!(oldest.verdict, "not known");
    assert!(!report.is_complete);
    open.fed[0].span.1 = at(69.0 + 16.0 * 60.0);
    let report = batch_report(&line, &store, &open, None).await.unwrap().unwrap();
    assert_eq!(limit(&report.soak.limits, "oldest corn").verdict, "not met: above", "16 h 45 min by now");
}

#[tokio::test]
async fn a_record_keeps_what_it_was_cooked_by_and_a_complete_one_never_changes() {
    let mut line = demo();
    let (store, _) = store(&line, (0.0, 0.0)).await;
    let store: Arc<dyn HistoryStore> = Arc::new(store);
    let keep = async |line: &Line, view: BatchView| {
        let (told, batches) = tokio::sync::watch::channel(Arc::new(Vec::new()));
        told.send_replace(Arc::new(vec![view]));
        drop(told);
        super::super::keeper::keep_batches(Arc::new(line.clone()), Arc::clone(&store), batches).await;
        let row = store.batch("kettle-1-20261123T0400Z".to_owned()).await.unwrap().unwrap();
        assert_eq!((row.start, row.end), (at(0.0), Some(at(69.0))));
        serde_json::from_str::<BatchReport>(&row.record).unwrap()
    };
    let first = keep(&line, view(&line)).await;
    assert_eq!(limit(&first.cook, "counted hold").verdict, "met");
    line.fingerprint = "f".repeat(64);
    line.recipes[line.running_recipe].cook.as_mut().unwrap().hold_s = (1_800.0, 2_000.0);
    let second = keep(&line, fed_view(&line)).await;
    assert_eq!((&second.cook, &second.configuration), (&first.cook, &first.configuration));
    assert!(second.is_complete && second.soak.fed_from.is_some());
    let third = keep(&line, view(&line)).await;
    assert_eq!(third, second);
}

/// After a restart the rest of a batch is seen without its beginning: it has its record already.
#[tokio::test]
async fn the_rest_of_a_batch_after_a_restart_is_no_batch_of_its_own() {
    let line = demo();
    let (store, _) = store(&line, (0.0, 0.0)).await;
    let store: Arc<dyn HistoryStore> = Arc::new(store);
    let rest = BatchView {
        id: "kettle-1-20261123T0440Z".to_owned(),
        phases: vec![(Phase::Hold, (at(40.0), at(52.0))), (Phase::Quench, (at(52.0), at(60.0)))],
        oddities: vec![Oddity::BeginningNotSeen],
        ..view(&line)
    };
    let (told, batches) = tokio::sync::watch::channel(Arc::new(Vec::new()));
    told.send_replace(Arc::new(vec![view(&line), rest]));
    drop(told);
    super::super::keeper::keep_batches(Arc::new(line), Arc::clone(&store), batches).await;
    let all = store.batches(UtcMillis(START - MIN), UtcMillis(START + 600 * MIN), 10).await.unwrap();
    assert_eq!(all.iter().map(|row| row.id.as_str()).collect::<Vec<_>>(), ["kettle-1-20261123T0400Z"]);
}
