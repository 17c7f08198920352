//! What is on record stays where a later run knows less.

use super::*;
use crate::history::sqlite::InlineStore;
use crate::line::batches::FedView;
use setward_process::batches::{Ending, ToldBy};

/// 2026-11-23T04:00:00Z.
const START: i64 = 1_795_406_400_000;
const ID: &str = "kettle-1-20261123T0400Z";

fn at(minute: i64) -> UtcMillis {
    UtcMillis(START + minute * 60_000)
}

/// Cooked in an hour, fed from 13:00 to 14:20.
fn view(line: &Line) -> BatchView {
    let fed = FedView {
        tank: 5,
        span: (at(780), at(860)),
        is_open: false,
        soaked_from: (at(60), at(60)),
        is_oldest_known: true,
        packed: Some((at(810), at(890))),
        packed_at_most: Some((at(805), at(895))),
        is_forecast: true,
    };
    BatchView {
        id: ID.to_owned(),
        kettle: 0,
        number: None,
        recipe: line.running_recipe,
        phases: vec![(Phase::Heat, (at(0), at(30))), (Phase::Hold, (at(30), at(60)))],
        ending: Some(Ending::Complete),
        oddities: Vec::new(),
        unseen: Vec::new(),
        told_by: ToldBy::Step,
        tank: Some(5),
        soaks_from: Some((at(60), at(60))),
        is_in_tank: false,
        fed: vec![fed],
    }
}

async fn kept(line: &Line, store: &InlineStore, view: &BatchView) -> BatchReport {
    keep(line, store, view).await.unwrap();
    serde_json::from_str(&store.batch(ID.to_owned()).await.unwrap().unwrap().record).unwrap()
}

#[tokio::test]
async fn when_corn_was_packed_stays_on_record_where_a_later_run_does_not_know_it() {
    let line = setward_config::load_demo().unwrap().line;
    let store = InlineStore::in_memory().unwrap();
    let first = view(&line);
    let known = kept(&line, &store, &first).await;
    assert!(known.fed[0].is_forecast && !known.is_complete);
    // Belts that stand may go on: what was foreseen is not said any more.
    let mut stands = first.clone();
    (stands.fed[0].packed, stands.fed[0].packed_at_most) = (None, None);
    assert_eq!(kept(&line, &store, &stands).await.fed[0].packed_from, None);
    // Nobody saw the belts meanwhile, and nobody ever will: the forecast is all there is, and says what it is.
    kept(&line, &store, &first).await;
    let mut unseen = stands;
    unseen.fed[0].is_forecast = false;
    unseen.is_in_tank = true;
    let left = kept(&line, &store, &unseen).await;
    assert_eq!(left.fed, known.fed);
    // What was seen to be packed is known better than what is foreseen.
    let mut packed = first;
    (packed.fed[0].is_forecast, packed.is_in_tank) = (false, true);
    let seen = kept(&line, &store, &packed).await;
    assert!(!seen.fed[0].is_forecast);
    assert_eq!(kept(&line, &store, &unseen).await.fed, seen.fed);
}

#[tokio::test]
async fn a_batch_is_judged_by_the_recipe_that_is_on_record() {
    let line = setward_config::load_demo().unwrap().line;
    let store = InlineStore::in_memory().unwrap();
    let white = line.recipes.iter().position(|recipe| recipe.key == "white-corn-strips").unwrap();
    assert_ne!(white, line.running_recipe);
    let cooked = BatchView { recipe: white, is_in_tank: true, ..view(&line) };
    let first = kept(&line, &store, &cooked).await;
    let hold = |report: &BatchReport| {
        let row = report.cook.iter().find(|row| row.limit.starts_with("counted hold")).unwrap();
        (row.least, row.most)
    };
    assert_eq!((first.recipe.as_str(), hold(&first)), ("white-corn-strips", (Some(28.0), Some(35.0))));
    // A run that does not know the number that was entered days ago.
    let again = kept(&line, &store, &view(&line)).await;
    assert_eq!((again.recipe.as_str(), hold(&again)), ("white-corn-strips", (Some(28.0), Some(35.0))));
    assert_eq!(again.soak.limits[1].most, Some(17.0));
}
