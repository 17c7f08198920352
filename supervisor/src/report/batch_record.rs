//! The record of a kettle batch as it is kept and given to programs.

use super::lots::Touched;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The record of a batch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct BatchReport {
    /// Version of this object.
    pub schema_version: u32,
    /// Its name.
    pub id: String,
    /// The line.
    pub line: String,
    /// The kettle.
    pub kettle: String,
    /// The plant's own number of it.
    pub number: Option<u64>,
    /// File name of the recipe, without its ending.
    pub recipe: String,
    /// The recipe's name.
    pub recipe_name: String,
    /// SHA-256 of the recipe's file.
    pub recipe_sha256: Option<String>,
    /// Fingerprint of the whole configuration.
    pub configuration: String,
    /// Beginning, RFC 3339.
    pub from: String,
    /// End of the last phase in the kettle, RFC 3339.
    pub to: String,
    /// How it ended.
    pub ending: String,
    /// What is odd about it.
    pub oddities: Vec<String>,
    /// How long its step, or the temperature that told its phases, was not known, s.
    pub unseen_s: f64,
    /// Its phases: all of them where the kettle's step word told them, heating, hold and quench where its temperature did.
    pub phases: Vec<PhaseRow>,
    /// From the start of heating until hold time counts, s.
    pub come_up_s: Option<f64>,
    /// Water metered in, L.
    pub water_l: Option<f64>,
    /// Corn, kg: as it was weighed, or as the line file says it.
    pub corn_kg: f64,
    /// How far the weighed corn may be off, kg; `None`: it was not weighed.
    #[serde(default)]
    pub corn_uncertainty_kg: Option<f64>,
    /// Lime entered by a person, kg.
    pub lime_kg: Option<f64>,
    /// Water to corn, L/kg.
    pub water_to_corn_l_per_kg: Option<f64>,
    /// Lime to corn, %.
    pub lime_to_corn_percent: Option<f64>,
    /// Reference of the equivalent minutes, degC.
    pub reference_degc: Option<f64>,
    /// And what makes it tenfold, K.
    pub z_k: Option<f64>,
    /// Verdicts on the cook; none if the recipe asks for nothing.
    pub cook: Vec<VerdictRow>,
    /// The soak.
    pub soak: SoakRow,
    /// When it was fed to the line, and what that was packed as.
    pub fed: Vec<FedRow>,
    /// Nothing of it will change.
    pub is_complete: bool,
}

/// A phase.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct PhaseRow {
    /// Which.
    pub phase: String,
    /// RFC 3339.
    pub from: String,
    /// RFC 3339.
    pub to: String,
    /// Its length, s.
    pub length_s: f64,
}

/// A limit, what it accepts, what was found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct VerdictRow {
    /// What is judged, with its unit: "counted hold time, min".
    pub limit: String,
    /// Not less than this.
    pub least: Option<f64>,
    /// Not more than this.
    pub most: Option<f64>,
    /// It was not less than this; `None`: nothing is known.
    pub found_least: Option<f64>,
    /// It was not more than this.
    pub found_most: Option<f64>,
    /// "met", "not met: below", "not met: above" or "not known".
    pub verdict: String,
}

/// The soak of a batch.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, ToSchema)]
pub struct SoakRow {
    /// Tank; `None` if it is not known where it went.
    pub tank: Option<u16>,
    /// End of its transfer, RFC 3339; at its latest, where the kettle's temperature told the batch.
    pub from: Option<String>,
    /// There at its earliest, RFC 3339; absent where the end of the transfer is known.
    #[serde(default)]
    pub from_not_before: Option<String>,
    /// First time it was fed, RFC 3339.
    pub fed_from: Option<String>,
    /// From its transfer until it was first fed, h.
    pub soaked_h: Option<f64>,
    /// Age of the youngest corn of the tank when it was first fed, h.
    pub youngest_h: Option<f64>,
    /// Age of the oldest corn of the tank when it was last fed, h.
    pub oldest_h: Option<f64>,
    /// Verdicts.
    pub limits: Vec<VerdictRow>,
    /// Predicted moisture when it was first fed, % of the wet grain.
    pub moisture_percent: Option<f64>,
    /// How far that may be off, percentage points.
    pub moisture_uncertainty_percent: Option<f64>,
    /// Why no moisture is told.
    pub no_moisture_because: Option<String>,
}

/// A time in which the batch's tank fed the line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct FedRow {
    /// The tank.
    pub tank: u16,
    /// RFC 3339.
    pub from: String,
    /// RFC 3339; up to when it is known, while it goes on.
    pub to: String,
    /// It goes on.
    pub goes_on: bool,
    /// Packed about from, RFC 3339.
    pub packed_from: Option<String>,
    /// Packed about until, RFC 3339.
    pub packed_to: Option<String>,
    /// Some of it may have been packed from then on, RFC 3339.
    pub packed_not_before: Option<String>,
    /// None of it was packed later, RFC 3339.
    pub packed_not_after: Option<String>,
    /// Some of it was not packed yet when this was worked out: its times are those at which it will be, if belts go on as they did.
    #[serde(default)]
    pub is_forecast: bool,
    /// Lots and date codes it was packed as, at its widest.
    #[serde(flatten)]
    pub touched: Touched,
}

impl BatchReport {
    /// What its corn is known by: "by the line file", or "weighed, give or take 4.5 kg".
    #[must_use]
    pub fn corn_known_by(&self) -> String {
        self.corn_uncertainty_kg.map_or_else(
            || "by the line file".to_owned(),
            |uncertainty| format!("weighed, give or take {uncertainty:.1} kg"),
        )
    }

    /// The verdicts that say that a limit was not met.
    pub fn missed(&self) -> impl Iterator<Item = &VerdictRow> {
        self.cook.iter().chain(&self.soak.limits).filter(|row| row.verdict.starts_with("not met"))
    }

    /// The verdicts that say that too little was seen.
    pub fn not_known(&self) -> impl Iterator<Item = &VerdictRow> {
        self.cook.iter().chain(&self.soak.limits).filter(|row| row.verdict == NOT_KNOWN)
    }

    /// In a word: met, not met or not known. Not met if any limit is not; met so far while all that is not known is the
    /// soak, and that is not over.
    #[must_use]
    pub fn verdict(&self) -> &'static str {
        let not_known = |rows: &[VerdictRow]| rows.iter().any(|row| row.verdict == NOT_KNOWN);
        if self.missed().next().is_some() {
            "not met"
        } else if self.cook.is_empty() && self.soak.limits.is_empty() {
            "not judged"
        } else if not_known(&self.cook) {
            NOT_KNOWN
        } else if not_known(&self.soak.limits) {
            if self.is_soaking() { SO_FAR } else { NOT_KNOWN }
        } else {
            "met"
        }
    }

    /// It lies in a tank that is known, and has not all gone to the line.
    fn is_soaking(&self) -> bool {
        let still_fed = self.fed.is_empty() || self.fed.iter().any(|fed| fed.goes_on);
        self.soak.tank.is_some() && !self.is_complete && still_fed
    }
}

/// The cook is met, and the soak is not over.
pub(super) const SO_FAR: &str = "met so far";
/// Too little was seen to say.
pub(super) const NOT_KNOWN: &str = "not known";
