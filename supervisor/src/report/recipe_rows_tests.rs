//! Statistics of recipes that ask for the same setpoint.

use super::*;
use crate::history::band;
use crate::report::statistics::StatisticsReport;

/// Both recipes ask for 46 m3/h; blue specifies 40 to 80 and white 45.5 to 80.
fn differing() -> Line {
    let mut line = demo();
    let flow = line.signal_by_tag("FT-320").unwrap();
    let white = line.recipes.iter_mut().find(|recipe| recipe.key == "white-corn-strips").unwrap();
    let asked = white.setpoints.iter_mut().find(|asked| asked.signal == flow).unwrap();
    asked.target.specification = Some((45.5, 80.0));
    line
}

/// Blue from 100 s on, white from 7,000 s; the oil is pumped at 46 m3/h with a scatter that is spread evenly.
async fn both(line: &Line, is_told: bool) -> InlineStore {
    let store = InlineStore::in_memory().unwrap();
    let run = store.start_run(NewRun::of(line, at(0), "0")).await.unwrap();
    let note = |key: &str, number: u32| format!("{key}: XI-393 says {number}; fryer, seasoning");
    let (blue, white) = (note("blue-corn-rounds", 3), note("white-corn-strips", 7));
    let mut events = vec![event(0, "started", None, None)];
    if is_told {
        events.push(event(100, "recipe", None, Some(&blue)));
        events.push(event(7_000, "recipe", None, Some(&white)));
    }
    for (sequence, event) in (1..).zip(&mut events) {
        event.sequence = sequence;
    }
    let flow = line.signal_by_tag("FT-320").unwrap();
    let target = line.recipe_setpoint(flow).map(|asked| asked.target);
    let from = |second: i64| band(flow, target, Uptime::from_millis(second as u64 * 1_000), at(second));
    let bands = vec![from(0), from(100), from(7_000)];
    store.append(run, Batch { bands, events, ..Batch::default() }).await.unwrap();
    put(&store, run, line, "FT-320", |second| {
        let mut mixed = (second as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        Reading::Good(45.0 + ((mixed ^ (mixed >> 27)) % 2_001) as f64 / 1_000.0)
    })
    .await;
    store
}

async fn told(line: &Line, store: &InlineStore, by: By) -> StatisticsReport {
    let span = window(200, SECONDS);
    let modes = modes(line, &told_by(store).await, span, at(SECONDS));
    let flow = line.signal_by_tag("FT-320").unwrap();
    statistics_report(line, store, (flow, by), (span, None), &modes).await.unwrap()
}

#[tokio::test]
async fn two_recipes_with_one_setpoint_are_two_rows_each_against_its_own_specification() {
    let line = differing();
    let store = both(&line, true).await;
    let report = told(&line, &store, By::Recipe).await;
    let rows: Vec<_> = report.rows.iter().map(|row| (row.group.as_str(), row.known_s.round())).collect();
    assert_eq!(rows.len(), 2, "{rows:?}");
    assert_eq!((rows[0].0, rows[1].0), ("blue-corn-rounds", "white-corn-strips"));
    assert!((rows[0].1 - 6_800.0).abs() < 5.0 && (rows[1].1 - 7_400.0).abs() < 5.0, "{rows:?}");
    // 46 m3/h lies 6 above the one limit and half a unit above the other.
    let [blue, white] = [0, 1].map(|row| report.rows[row].ppk.expect("enough independent values"));
    assert!(blue > 2.0 && white < 1.0, "{blue} {white}");
    let whole = told(&line, &store, By::Window).await;
    assert!(whole.rows[0].no_ppk_because.as_deref().unwrap().contains("look at it by recipe"), "{whole:?}");
}

#[tokio::test]
async fn which_of_two_recipes_ran_is_not_guessed_where_no_number_said_it() {
    let line = differing();
    let store = both(&line, false).await;
    let report = told(&line, &store, By::Recipe).await;
    assert_eq!(report.rows.len(), 1);
    assert_eq!(report.rows[0].group, "blue-corn-rounds or white-corn-strips");
    let why = report.rows[0].no_ppk_because.as_deref().unwrap();
    assert!(why.contains("have different specifications"), "{why}");
}

#[tokio::test]
async fn a_recipe_that_was_changed_since_is_said_to_have_been() {
    let line = differing();
    let store = both(&line, true).await;
    let mut edited = line.clone();
    let flow = line.signal_by_tag("FT-320").unwrap();
    for recipe in &mut edited.recipes {
        recipe.setpoints.iter_mut().find(|asked| asked.signal == flow).unwrap().target.setpoint = 47.0;
    }
    let report = told(&edited, &store, By::Recipe).await;
    for row in &report.rows {
        let why = row.no_ppk_because.as_deref().unwrap();
        assert!(why.starts_with("the recipe has changed since"), "{row:?}");
    }
}
