//! Both boards for programs.

use super::changeover::{self, Entry};
use super::held::{Eta, Held, Place};
use super::start_up::{Board, StationBoard};
use super::{present, recipe};
use crate::web::Web;
use crate::web::api::missing;
use crate::web::facts::Scene;
use crate::web::problem::Problem;
use crate::web::times::rfc3339;
use axum::Json;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::{Value, json};
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
    let reasons = board.reasons.iter().map(|reason| {
        json!({ "text": reason.text, "station": reason.station, "about_s": reason.about_s.map(f64::round) })
    });
    let due = board.due.iter().map(
        |due| json!({ "entry": due.tag, "name": due.name, "since": rfc3339(due.since), "late": due.is_late }),
    );
    let soak = board.soak.as_ref().map(|soak| {
        let next = soak.next.as_ref().map(|(name, at)| json!({ "tank": name, "at": rfc3339(*at) }));
        json!({ "ready": soak.ready, "too_old": soak.too_old, "next": next })
    });
    Json(json!({
        "schema_version": 1,
        "at": rfc3339(snapshot.utc),
        "line": scene.line.name,
        "simulated": scene.line.simulated,
        "ready": board.reasons.is_empty(),
        "sentence": board.sentence(),
        "not_ready": reasons.collect::<Vec<_>>(),
        "stations": board.stations.iter().map(station).collect::<Vec<_>>(),
        "entries_due": due.collect::<Vec<_>>(),
        "tanks": soak,
    }))
    .into_response()
}

fn station(board: &StationBoard<'_>) -> Value {
    let turned = board.turned.iter().map(|turned| {
        json!({ "tag": turned.facts.signal.tag, "value": turned.value, "recipe": turned.against.recipe, "unit": turned.facts.signal.unit.symbol() })
    });
    json!({
        "station": board.facts.station.key,
        "recipe": board.recipe.key,
        "mode": board.facts.mode().map(setward_protocol::Mode::name),
        "since": board.facts.view.since.map(rfc3339),
        "product_present": board.facts.view.product_present,
        "ready": board.reasons().is_empty(),
        "alarms_settle_until": board.settles_until.map(rfc3339),
        "held": board.held.iter().map(held).collect::<Vec<_>>(),
        "setpoints_off": turned.collect::<Vec<_>>(),
        "loops_in_manual": board.manual,
        "controllers_lost": board.lost.iter().map(|lost| lost.controller.name.as_str()).collect::<Vec<_>>(),
    })
}

fn held(held: &Held<'_>) -> Value {
    let (place, eta) = match held.place {
        Place::Within => ("within", None),
        Place::Below(_, eta) => ("below", Some(eta)),
        Place::Above(_, eta) => ("above", Some(eta)),
        Place::NoValue(_) => ("no_value", None),
    };
    let (eta, in_band_about_s) = match eta {
        Some(Eta::About(seconds)) => (Some("about"), Some(seconds.round())),
        Some(Eta::Long) => (Some("long"), None),
        Some(Eta::Away) => (Some("moving_away"), None),
        Some(Eta::NotKnown) => (Some("not_known"), None),
        None => (None, None),
    };
    let (low, high) = held.band();
    json!({
        "tag": held.facts.signal.tag,
        "name": held.facts.signal.name,
        "unit": held.facts.signal.unit.symbol(),
        "value": held.facts.view.reading.value(),
        "setpoint": held.asked.target.setpoint,
        "low": low,
        "high": high,
        "place": place,
        "time_to_band": eta,
        "in_band_about_s": in_band_about_s,
        "does_not_count": held.why_not,
    })
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
    let kettle = board.kettle.iter().map(|one| json!({ "what": one.what, "from": one.from, "to": one.to }));
    let under_way = board.under_way.as_ref().map(|one| {
        json!({ "stations": one.stations, "since": one.since.map(rfc3339), "until_at_most": one.until.map(rfc3339) })
    });
    let tanks = board.transit.tanks.iter().map(|(tank, recipe)| json!({ "tank": tank, "recipe": recipe }));
    let takes_s = board.transit.takes_s;
    Json(json!({
        "schema_version": 1,
        "at": rfc3339(snapshot.utc),
        "line": scene.line.name,
        "simulated": scene.line.simulated,
        "from": from.key,
        "to": to.key,
        "sentence": board.sentence(),
        "setpoints": board.entries.iter().map(entry).collect::<Vec<_>>(),
        "kettle": kettle.collect::<Vec<_>>(),
        "held": board.held.iter().map(held).collect::<Vec<_>>(),
        "under_way": under_way,
        "lasts_at_most_s": board.lasts.map(|lasts| lasts.as_secs_f64()),
        "in_transit": {
            "from_station": board.transit.from,
            "least_s": takes_s.map(|(least, _)| least),
            "most_s": takes_s.map(|(_, most)| most),
            "tanks_of_other_recipes": tanks.collect::<Vec<_>>(),
        },
    }))
    .into_response()
}

fn entry(entry: &Entry<'_>) -> Value {
    json!({
        "tag": entry.facts.signal.tag,
        "name": entry.facts.signal.name,
        "unit": entry.facts.signal.unit.symbol(),
        "from": entry.from.map(|from| from.recipe),
        "to": entry.to.map(|to| to.recipe),
        "panel": entry.facts.view.reading.value(),
        "todo": entry.todo().name(),
    })
}
