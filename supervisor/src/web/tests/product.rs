//! Tanks, and the product that an alarm touched.

use super::get;
use super::requests::{check_says, json};
use super::support::{before, line, snapshot, stage};
use crate::line::follow::{Following, Outlook, ProductView, TankView};
use setward_alarm::AlarmId;
use setward_config::line::{Tank, TankCode, TankContents};
use setward_process::tanks::{Row, SoakLimits, TankState};
use std::sync::Arc;
use std::time::Duration;

fn product() -> ProductView {
    ProductView {
        packed: Some((before(600), before(-60))),
        spread_s: Some(240.0),
        is_forecast: true,
        packed_at_most: Some((before(720), before(-180))),
        about_kg: Some(208.4),
        is_at_present_rate: false,
        most_kg: Some(260.0),
        batches: vec!["kettle-1-20261124T1402Z".to_owned()],
        tanks: vec![(7, Some(12.0 * 3600.0), Some(12.75 * 3600.0))],
        unseen_in: Vec::new(),
        unknown_tank_s: 0.0,
        recipes: vec![0],
        was_reversed: false,
        occurrence: 0,
        at: before(0),
    }
}

fn tank(index: usize, state: TankState, ages_h: Option<(f64, f64)>) -> TankView {
    let row = Row {
        number: u16::try_from(index + 1).unwrap(),
        state,
        is_feeding: state == TankState::Feeding,
        corn_kg: 1200.0,
        youngest_s: ages_h.map(|ages| ages.0 * 3600.0),
        oldest_s: ages_h.map(|ages| ages.1 * 3600.0),
        oldest_seen_s: ages_h.map(|ages| ages.1 * 3600.0),
        has_unseen: false,
        ready_at: None,
        over_age_at: None,
    };
    let limits = SoakLimits { least: Duration::from_secs(36_000), most: Duration::from_secs(57_600) };
    let over = ages_h.filter(|_| state == TankState::OverAge).map(|_| before(120));
    TankView {
        tank: index,
        code: Some(3),
        holds: Some(TankCode::Full),
        row,
        ready_at: None,
        over_age_at: over,
        limits: Some(limits),
    }
}

fn tank_of(name: &str, number: u16) -> Tank {
    let contents =
        TankContents::Word { word: super::support::id("TT-101"), codes: [(3, TankCode::Full)].into() };
    Tank { name: name.to_owned(), number, contents, temperature: None }
}

#[tokio::test]
async fn an_alarm_says_which_product_it_touched_and_what_to_hold_at_most() {
    let (line, mut snapshot) = (line(), snapshot());
    let raised = snapshot.alarms.iter().position(|view| view.raised.is_some()).unwrap();
    let alarm = AlarmId(u16::try_from(raised).unwrap());
    let occurrence = snapshot.alarms[raised].occurrence;
    let products = [(alarm, ProductView { occurrence, ..product() })].into();
    snapshot.following = Arc::new(Following { products, ..Following::default() });
    let path = format!("/alarms/{}", line.alarms[raised].id);
    let page = get(&stage(line.clone(), snapshot.clone()).state, &path).await.text;
    check_says(&page, &["to be packed about", "(spread 4 min), about 208 kg", "Hold at most", "260 kg"], &[]);
    check_says(&page, &["tank 7 (corn 12 h to 12 h 45 min old)", &line.recipes[0].name], &[]);
    // It stood over a weekend: two days of packing would mislead.
    let stood = ProductView { occurrence, is_forecast: false, about_kg: Some(0.2), ..product() };
    snapshot.following = Arc::new(Following { products: [(alarm, stood)].into(), ..Following::default() });
    let page = get(&stage(line.clone(), snapshot.clone()).state, &path).await.text;
    check_says(&page, &["hardly any was made meanwhile", "Hold at most"], &["packed about", "about 0 kg"]);
    // The product of an occurrence that is over is not that of the next.
    let products = [(alarm, ProductView { occurrence: occurrence + 1, ..product() })].into();
    snapshot.following = Arc::new(Following { products, ..Following::default() });
    let page = get(&stage(line, snapshot).state, &path).await.text;
    assert!(!page.contains("Product that it touched"), "{page}");
}

#[tokio::test]
async fn the_tanks_stand_in_the_order_in_which_they_should_be_fed() {
    let (mut line, mut snapshot) = (line(), snapshot());
    line.tanks = ["First", "Second", "Third", "Fourth"]
        .into_iter()
        .zip(1..)
        .map(|(name, n)| tank_of(name, n))
        .collect();
    let tanks = vec![
        tank(0, TankState::Ready, Some((11.0, 11.75))),
        tank(1, TankState::Empty, None),
        tank(2, TankState::OverAge, Some((15.5, 16.25))),
        tank(3, TankState::Feeding, Some((12.0, 12.5))),
    ];
    let outlook = Outlook {
        rate_kg_per_h: 876.0,
        empty_at: before(-7200),
        starved_s: 1500.0,
        over_age_kg: 300.0,
        over_age_kg_after_stop: 900.0,
    };
    snapshot.following = Arc::new(Following { tanks, outlook: Some(outlook), ..Following::default() });
    let state = stage(line, snapshot).state;
    let page = get(&state, "/tanks").await.text;
    let places: Vec<usize> = ["Fourth", "Third", "First", "Second"]
        .iter()
        .map(|name| page.find(&format!(">{name}<")).unwrap())
        .collect();
    assert!(places.is_sorted(), "{places:?}");
    check_says(&page, &["feeds the line", "15.5 to 16.2 h", "too old", "not known"], &[]);
    check_says(
        &page,
        &["at 876 kg/h of corn", "25 min in all for tanks that are too young", "900 kg too old"],
        &[],
    );
    let body = &json(&get(&state, "/api/v1/tanks").await.text)["item"];
    let names: Vec<&str> =
        body["tanks"].as_array().unwrap().iter().map(|tank| tank["name"].as_str().unwrap()).collect();
    assert_eq!(names, ["Fourth", "Third", "First", "Second"]);
    assert_eq!((&body["tanks"][1]["state"], &body["tanks"][3]["oldest_s"]), (&"over_age".into(), &().into()));
    assert_eq!(body["tanks"][0]["youngest_s"], 12.0 * 3600.0);
    assert_eq!(body["outlook"]["line_waits_s"], 1500.0);
}

#[tokio::test]
async fn a_line_without_tanks_says_how_to_have_them() {
    let page = get(&stage(line(), snapshot()).state, "/tanks").await.text;
    check_says(&page, &["The line file names no tank: add [[tank]] to line.toml"], &[]);
    assert!(!page.contains("href=\"/tanks\""), "{page}");
}
