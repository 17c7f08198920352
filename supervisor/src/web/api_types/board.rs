//! The bodies of both boards: start-up and changeover.

use serde::Serialize;
use utoipa::ToSchema;

/// What is not ready yet.
#[derive(Serialize, ToSchema)]
#[schema(as = StartUpBoard)]
pub(in crate::web) struct StartUpBody {
    pub(in crate::web) schema_version: u32,
    pub(in crate::web) at: String,
    pub(in crate::web) line: String,
    pub(in crate::web) simulated: bool,
    /// Nothing that is seen is in the way. No permission to start: that is the plant's.
    pub(in crate::web) ready: bool,
    pub(in crate::web) sentence: String,
    pub(in crate::web) not_ready: Vec<NotReadyBody>,
    pub(in crate::web) stations: Vec<StartUpStationBody>,
    pub(in crate::web) entries_due: Vec<DueEntryBody>,
    /// Null on a line without tanks.
    pub(in crate::web) tanks: Option<SoakBody>,
}

/// One reason.
#[derive(Serialize, ToSchema)]
#[schema(as = NotReady)]
pub(in crate::web) struct NotReadyBody {
    pub(in crate::web) text: String,
    pub(in crate::web) station: Option<String>,
    /// At the present pace; null where waiting does not help, or nobody knows.
    pub(in crate::web) about_s: Option<f64>,
}

/// One station.
#[derive(Serialize, ToSchema)]
#[schema(as = StartUpStation)]
pub(in crate::web) struct StartUpStationBody {
    pub(in crate::web) station: String,
    /// Key of the recipe that it is held against.
    pub(in crate::web) recipe: String,
    /// Null while it is not known.
    pub(in crate::web) mode: Option<&'static str>,
    pub(in crate::web) since: Option<String>,
    pub(in crate::web) product_present: Option<bool>,
    pub(in crate::web) ready: bool,
    /// Its last alarm that waits for things to settle speaks then.
    pub(in crate::web) alarms_settle_until: Option<String>,
    pub(in crate::web) held: Vec<HeldBody>,
    pub(in crate::web) setpoints_off: Vec<SetpointOffBody>,
    /// Tags of loops in manual.
    pub(in crate::web) loops_in_manual: Vec<String>,
    /// Controllers that feed it and do not answer.
    pub(in crate::web) controllers_lost: Vec<String>,
}

/// A value that the recipe holds.
#[derive(Serialize, ToSchema)]
#[schema(as = HeldValue)]
pub(in crate::web) struct HeldBody {
    pub(in crate::web) tag: String,
    pub(in crate::web) name: String,
    pub(in crate::web) unit: &'static str,
    pub(in crate::web) value: Option<f64>,
    pub(in crate::web) setpoint: f64,
    /// Lowest value within tolerance.
    pub(in crate::web) low: f64,
    /// Highest value within tolerance.
    pub(in crate::web) high: f64,
    /// within, below, above or no_value.
    pub(in crate::web) place: &'static str,
    /// about (see in_band_about_s), long, moving_away or not_known; null within the band and without a value.
    pub(in crate::web) time_to_band: Option<&'static str>,
    pub(in crate::web) in_band_about_s: Option<f64>,
    /// Why it does not count now, in words.
    pub(in crate::web) does_not_count: Option<&'static str>,
}

/// An entered setpoint beyond what the recipe lets people turn.
#[derive(Serialize, ToSchema)]
#[schema(as = SetpointOff)]
pub(in crate::web) struct SetpointOffBody {
    pub(in crate::web) tag: String,
    pub(in crate::web) value: f64,
    pub(in crate::web) recipe: f64,
    pub(in crate::web) unit: &'static str,
}

/// A check or sample that is due.
#[derive(Serialize, ToSchema)]
#[schema(as = DueEntry)]
pub(in crate::web) struct DueEntryBody {
    pub(in crate::web) entry: String,
    pub(in crate::web) name: String,
    pub(in crate::web) since: String,
    pub(in crate::web) late: bool,
}

/// What the soak has ready.
#[derive(Serialize, ToSchema)]
#[schema(as = SoakReady)]
pub(in crate::web) struct SoakBody {
    /// Tanks that may be fed, or feed.
    pub(in crate::web) ready: Vec<String>,
    pub(in crate::web) too_old: Vec<String>,
    pub(in crate::web) next: Option<NextTankBody>,
}

/// The next tank.
#[derive(Serialize, ToSchema)]
#[schema(as = NextTank)]
pub(in crate::web) struct NextTankBody {
    pub(in crate::web) tank: String,
    pub(in crate::web) at: String,
}

/// What a change of recipe asks for.
#[derive(Serialize, ToSchema)]
#[schema(as = ChangeoverBoard)]
pub(in crate::web) struct ChangeoverBody {
    pub(in crate::web) schema_version: u32,
    pub(in crate::web) at: String,
    pub(in crate::web) line: String,
    pub(in crate::web) simulated: bool,
    pub(in crate::web) from: String,
    pub(in crate::web) to: String,
    pub(in crate::web) sentence: String,
    pub(in crate::web) setpoints: Vec<ToEnterBody>,
    pub(in crate::web) kettle: Vec<GivenBody>,
    /// Against the new recipe.
    pub(in crate::web) held: Vec<HeldBody>,
    /// Null while no station changes over.
    pub(in crate::web) under_way: Option<UnderWayBody>,
    pub(in crate::web) lasts_at_most_s: Option<f64>,
    pub(in crate::web) in_transit: TransitBody,
}

/// A setpoint that people enter.
#[derive(Serialize, ToSchema)]
#[schema(as = SetpointToEnter)]
pub(in crate::web) struct ToEnterBody {
    pub(in crate::web) tag: String,
    pub(in crate::web) name: String,
    pub(in crate::web) unit: &'static str,
    /// What the old recipe asks; null: nothing.
    pub(in crate::web) from: Option<f64>,
    /// What the new recipe asks; null: nothing.
    pub(in crate::web) to: Option<f64>,
    /// What the panel has; null: it is not read now.
    pub(in crate::web) panel: Option<f64>,
    /// In words: stays, set already, to enter, ..
    pub(in crate::web) todo: &'static str,
}

/// Something a kettle batch or a soak is given, in words with units.
#[derive(Serialize, ToSchema)]
#[schema(as = KettleGiven)]
pub(in crate::web) struct GivenBody {
    pub(in crate::web) what: &'static str,
    pub(in crate::web) from: String,
    pub(in crate::web) to: String,
}

/// Stations that change over now.
#[derive(Serialize, ToSchema)]
#[schema(as = ChangeoverUnderWay)]
pub(in crate::web) struct UnderWayBody {
    pub(in crate::web) stations: Vec<String>,
    pub(in crate::web) since: Option<String>,
    pub(in crate::web) until_at_most: Option<String>,
}

/// How long product of the old recipe still comes.
#[derive(Serialize, ToSchema)]
#[schema(as = ProductInTransit)]
pub(in crate::web) struct TransitBody {
    pub(in crate::web) from_station: String,
    /// From that station to the bag at least; null: a belt's dwell is not known.
    pub(in crate::web) least_s: Option<f64>,
    pub(in crate::web) most_s: Option<f64>,
    pub(in crate::web) tanks_of_other_recipes: Vec<TankRecipeBody>,
}

/// A tank and the recipe by which its corn was cooked.
#[derive(Serialize, ToSchema)]
#[schema(as = TankRecipe)]
pub(in crate::web) struct TankRecipeBody {
    pub(in crate::web) tank: String,
    pub(in crate::web) recipe: String,
}
