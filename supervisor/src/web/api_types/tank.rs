//! The body of the tanks: what is in each, how old, and how long the corn lasts.

use super::time;
use crate::web::facts::Scene;
use crate::web::pages::tanks::{in_order, says};
use crate::web::times::rfc3339;
use serde::Serialize;
use setward_process::tanks::TankState;
use utoipa::ToSchema;

/// All tanks, in the order in which they should be fed.
#[derive(Serialize, ToSchema)]
#[schema(as = Tanks)]
pub(in crate::web) struct TanksBody {
    tanks: Vec<TankBody>,
    /// Null while nothing is fed, or no tank has corn of a known age.
    outlook: Option<OutlookBody>,
}

/// One tank.
#[derive(Serialize, ToSchema)]
#[schema(as = Tank)]
struct TankBody {
    name: String,
    number: u16,
    /// What its state word says, in words.
    state_text: String,
    /// What follows from the ages: empty, filling, soaking, ready, feeding or over_age.
    state: &'static str,
    /// Null where the age of its corn is not known.
    corn_kg: Option<f64>,
    youngest_s: Option<f64>,
    oldest_s: Option<f64>,
    may_be_fed_at: Option<String>,
    too_old_at: Option<String>,
}

/// How long the corn lasts at the present rate, without new batches.
#[derive(Serialize, ToSchema)]
#[schema(as = TankOutlook)]
struct OutlookBody {
    corn_lasts_until: String,
    rate_kg_per_h: f64,
    /// How long the line waits in all for tanks that are too young.
    line_waits_s: f64,
    /// Corn that is too old when it is fed.
    too_old_kg: f64,
    /// The same if the line stops for an hour now.
    too_old_after_stop_of_an_hour_kg: f64,
}

const fn state_key(state: TankState) -> &'static str {
    match state {
        TankState::Empty => "empty",
        TankState::Filling => "filling",
        TankState::Soaking => "soaking",
        TankState::Ready => "ready",
        TankState::Feeding => "feeding",
        TankState::OverAge => "over_age",
    }
}

/// The tanks of `scene`.
pub(in crate::web) fn tanks(scene: &Scene<'_>) -> TanksBody {
    let all = in_order(scene).into_iter().filter_map(|view| {
        let tank = scene.line.tanks.get(view.tank)?;
        Some(TankBody {
            name: tank.name.clone(),
            number: tank.number,
            state_text: says(scene, view),
            state: state_key(view.row.state),
            corn_kg: view.row.oldest_s.map(|_known| view.row.corn_kg),
            youngest_s: view.row.youngest_s,
            oldest_s: view.row.oldest_s,
            may_be_fed_at: time(view.ready_at),
            too_old_at: time(view.over_age_at),
        })
    });
    let outlook = scene.snapshot.following.outlook.map(|outlook| OutlookBody {
        corn_lasts_until: rfc3339(outlook.empty_at),
        rate_kg_per_h: outlook.rate_kg_per_h,
        line_waits_s: outlook.starved_s,
        too_old_kg: outlook.over_age_kg,
        too_old_after_stop_of_an_hour_kg: outlook.over_age_kg_after_stop,
    });
    TanksBody { tanks: all.collect(), outlook }
}
