//! Both boards for programs.

use super::changeover::{self, Entry, Given, Transit, UnderWay};
use super::held::{Eta, Held, Place};
use super::start_up::{Board, Due, Reason, Soak, StationBoard};
use super::{present, recipe};
use crate::web::Web;
use crate::web::api::missing;
use crate::web::api_types::SCHEMA_VERSION;
use crate::web::api_types::board::{
    ChangeoverBody, DueEntryBody, GivenBody, HeldBody, NextTankBody, NotReadyBody, SetpointOffBody, SoakBody,
    StartUpBody, StartUpStationBody, TankRecipeBody, ToEnterBody, TransitBody, UnderWayBody,
};
use crate::web::facts::Scene;
use crate::web::problem::Problem;
use crate::web::times::rfc3339;
use axum::Json;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use setward_config::line::Recipe;

/// Which recipe to hold the line against; without one, what each station runs.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::web) struct Against {
    pub(in crate::web) recipe: Option<String>,
}

/// From which recipe to which; without them, from the one that runs to the next.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::web) struct FromTo {
    pub(in crate::web) from: Option<String>,
    pub(in crate::web) to: Option<String>,
}

impl FromTo {
    /// The two recipes; what is wrong: a key that nothing has with the nearest one, or that there is only one.
    pub(in crate::web) fn read<'a>(&self, scene: &Scene<'a>) -> Result<(&'a Recipe, &'a Recipe), Wrong> {
        let named =
            |key: &str| recipe(scene.line, key).map_err(|near| Wrong::NoSuchRecipe(key.to_owned(), near));
        let from = self.from.as_deref().filter(|key| !key.is_empty()).map_or(Ok(present(scene)), named)?;
        let other = scene.line.recipes.iter().find(|recipe| recipe.key != from.key);
        let to =
            self.to.as_deref().filter(|key| !key.is_empty()).map_or(other.ok_or(Wrong::OnlyOne), named)?;
        Ok((from, to))
    }
}

/// Why there is no board.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::web) enum Wrong {
    NoSuchRecipe(String, Option<String>),
    OnlyOne,
}

/// What is not ready yet.
pub(in crate::web) async fn start_up(State(web): State<Web>, Query(against): Query<Against>) -> Response {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let against = match against.recipe.as_deref().map(|key| recipe(scene.line, key)).transpose() {
        Ok(against) => against,
        Err(nearest) => return missing("recipe", nearest),
    };
    let board = Board::of(&scene, against);
    Json(StartUpBody {
        schema_version: SCHEMA_VERSION,
        at: rfc3339(snapshot.utc),
        line: scene.line.name.clone(),
        simulated: scene.line.simulated,
        ready: board.reasons.is_empty(),
        sentence: board.sentence(),
        not_ready: board.reasons.iter().map(reason).collect(),
        stations: board.stations.iter().map(station).collect(),
        entries_due: board.due.iter().map(due).collect(),
        tanks: board.soak.as_ref().map(tanks),
    })
    .into_response()
}

fn reason(reason: &Reason) -> NotReadyBody {
    NotReadyBody {
        text: reason.text.clone(),
        station: reason.station.clone(),
        about_s: reason.about_s.map(f64::round),
    }
}

fn due(due: &Due) -> DueEntryBody {
    DueEntryBody {
        entry: due.tag.clone(),
        name: due.name.clone(),
        since: rfc3339(due.since),
        late: due.is_late,
    }
}

fn tanks(soak: &Soak) -> SoakBody {
    let next = soak.next.as_ref().map(|(tank, at)| NextTankBody { tank: tank.clone(), at: rfc3339(*at) });
    SoakBody { ready: soak.ready.clone(), too_old: soak.too_old.clone(), next }
}

fn station(board: &StationBoard<'_>) -> StartUpStationBody {
    let turned = board.turned.iter().map(|turned| SetpointOffBody {
        tag: turned.facts.signal.tag.clone(),
        value: turned.value,
        recipe: turned.against.recipe,
        unit: turned.facts.signal.unit.symbol(),
    });
    StartUpStationBody {
        station: board.facts.station.key.clone(),
        recipe: board.recipe.key.clone(),
        mode: board.facts.mode().map(setward_protocol::Mode::name),
        since: board.facts.view.since.map(rfc3339),
        product_present: board.facts.view.product_present,
        ready: board.is_ready(),
        alarms_settle_until: board.settles_until.map(rfc3339),
        held: board.held.iter().map(held).collect(),
        setpoints_off: turned.collect(),
        loops_in_manual: board.manual.iter().map(|&tag| tag.to_owned()).collect(),
        controllers_lost: board.lost.iter().map(|lost| lost.controller.name.clone()).collect(),
    }
}

fn held(held: &Held<'_>) -> HeldBody {
    let (place, eta) = match held.place {
        Place::Within => ("within", None),
        Place::Below(_, eta) => ("below", Some(eta)),
        Place::Above(_, eta) => ("above", Some(eta)),
        Place::NoValue(_) => ("no_value", None),
    };
    let (time_to_band, in_band_about_s) = match eta {
        Some(Eta::About(seconds)) => (Some("about"), Some(seconds.round())),
        Some(Eta::Long) => (Some("long"), None),
        Some(Eta::Away) => (Some("moving_away"), None),
        Some(Eta::NotKnown) => (Some("not_known"), None),
        None => (None, None),
    };
    let (low, high) = held.band();
    HeldBody {
        tag: held.facts.signal.tag.clone(),
        name: held.facts.signal.name.clone(),
        unit: held.facts.signal.unit.symbol(),
        value: held.facts.view.reading.value(),
        setpoint: held.asked.target.setpoint,
        low,
        high,
        place,
        time_to_band,
        in_band_about_s,
        does_not_count: held.why_not,
    }
}

/// What a change of recipe asks for.
pub(in crate::web) async fn changeover(State(web): State<Web>, Query(asked): Query<FromTo>) -> Response {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let (from, to) = match asked.read(&scene) {
        Ok(both) => both,
        Err(Wrong::NoSuchRecipe(_, nearest)) => return missing("recipe", nearest),
        Err(Wrong::OnlyOne) => {
            let text = "this line has one recipe only: there is nothing to change over to";
            return Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text).into_response();
        }
    };
    let board = changeover::Board::of(&scene, from, to);
    Json(ChangeoverBody {
        schema_version: SCHEMA_VERSION,
        at: rfc3339(snapshot.utc),
        line: scene.line.name.clone(),
        simulated: scene.line.simulated,
        from: from.key.clone(),
        to: to.key.clone(),
        sentence: board.sentence(),
        setpoints: board.entries.iter().map(entry).collect(),
        kettle: board.kettle.iter().map(given).collect(),
        held: board.held.iter().map(held).collect(),
        under_way: board.under_way.as_ref().map(under_way),
        lasts_at_most_s: board.lasts.map(|lasts| lasts.as_secs_f64()),
        in_transit: transit(&board.transit),
    })
    .into_response()
}

fn given(given: &Given) -> GivenBody {
    GivenBody { what: given.what, from: given.from.clone(), to: given.to.clone() }
}

fn under_way(under_way: &UnderWay) -> UnderWayBody {
    UnderWayBody {
        stations: under_way.stations.clone(),
        since: under_way.since.map(rfc3339),
        until_at_most: under_way.until.map(rfc3339),
    }
}

fn transit(transit: &Transit) -> TransitBody {
    let (least_s, most_s) = transit.takes_s.unzip();
    let tank =
        |(tank, recipe): &(String, String)| TankRecipeBody { tank: tank.clone(), recipe: recipe.clone() };
    TransitBody {
        from_station: transit.from.clone(),
        least_s,
        most_s,
        tanks_of_other_recipes: transit.tanks.iter().map(tank).collect(),
    }
}

fn entry(entry: &Entry<'_>) -> ToEnterBody {
    ToEnterBody {
        tag: entry.facts.signal.tag.clone(),
        name: entry.facts.signal.name.clone(),
        unit: entry.facts.signal.unit.symbol(),
        from: entry.from.map(|from| from.recipe),
        to: entry.to.map(|to| to.recipe),
        panel: entry.facts.view.reading.value(),
        todo: entry.todo().name(),
    }
}
