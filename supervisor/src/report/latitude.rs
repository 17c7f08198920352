//! What people turned: entered setpoints held against the recipe, and against the latitude that they have.

use super::axis::Axis;
use super::batch_text::Local;
use super::rfc3339;
use super::stops::ModeSpan;
use crate::history::{HistoryError, HistoryStore, Span};
use serde::Serialize;
use setward_config::line::{Line, Role};
use setward_process::series::{self, Steps};
use setward_process::setpoints::{Began, Departure, Latitude, Manner, departures, latitude_use};
use setward_protocol::{Mode, SignalId, Uptime, UtcMillis};
use std::collections::BTreeSet;
use utoipa::ToSchema;

/// A setpoint that was away from its recipe, or turned.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct LatitudeRow {
    /// The entered setpoint.
    pub signal: String,
    /// Its name.
    pub name: String,
    /// Unit of its differences.
    pub unit: String,
    /// How often it was turned.
    pub turns: usize,
    /// How long it was away within the latitude while the station ran, s.
    pub within_s: f64,
    /// How long beyond it, s.
    pub beyond_s: f64,
    /// Entered less recipe, by time.
    pub mean: Option<f64>,
    /// Entered less recipe where it was farthest.
    pub farthest: f64,
    /// How far it may be turned unasked.
    pub latitude: Option<f64>,
    /// When it was away for a minute or longer, and how it came to be: the newest.
    pub away: Vec<AwayRow>,
}

/// A time in which a setpoint was away from its recipe.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct AwayRow {
    /// Since when, RFC 3339; from the beginning of the time asked for, if it was away before.
    pub from: String,
    /// Until when, RFC 3339; `None`: it is away still.
    pub to: Option<String>,
    /// "turned", "recipe changed" (and the setpoint did not) or "not seen": it was away when it was first seen.
    pub began: &'static str,
    /// "at once", or "in small turns": it drifted there.
    pub manner: &'static str,
    /// Entered less recipe where it was farthest.
    pub farthest: f64,
    /// Entered less recipe when it was last seen away.
    pub latest: f64,
}

impl AwayRow {
    fn of(found: &Departure, axis: Axis) -> Self {
        Self {
            from: rfc3339(axis.utc(found.span.from)),
            to: (!found.is_open).then(|| rfc3339(axis.utc(found.span.to))),
            began: match found.began {
                Began::Turned => "turned",
                Began::RecipeChanged => "recipe changed",
                Began::Unseen => "not seen",
            },
            manner: match found.manner {
                Manner::Step => "at once",
                Manner::Drift => "in small turns",
            },
            farthest: found.farthest,
            latest: found.latest,
        }
    }

    /// "since 10:42:10 until 11:31:00: turned, at once, to +4.0 K at the farthest".
    #[must_use]
    pub fn words(&self, unit: &str, local: Local<'_>) -> String {
        let until = match &self.to {
            Some(to) => format!("until {}", local(to)),
            None => format!("still, by {:+.1} {unit}", self.latest),
        };
        let began = match self.began {
            "recipe changed" => "the recipe changed and it did not",
            "not seen" => "it was away before",
            turned => turned,
        };
        format!(
            "away since {} {until}: {began}, {}, to {:+.1} {unit} at the farthest",
            local(&self.from),
            self.manner,
            self.farthest
        )
    }
}

/// Shorter, s, is no departure: a recipe is entered one setpoint after the other.
const AWAY_LEAST_S: f64 = 60.0;
/// So many of a setpoint are told.
const AWAY_MOST: usize = 10;

/// The entered setpoints that were turned or away from the recipe.
///
/// # Errors
/// When history can't be read.
pub async fn latitude(
    line: &Line,
    store: &dyn HistoryStore,
    (window, modes): (Span, &[Vec<ModeSpan>]),
) -> Result<Vec<LatitudeRow>, HistoryError> {
    let asked = line.recipes.iter().flat_map(|recipe| &recipe.setpoints);
    let entered: BTreeSet<SignalId> = asked
        .map(|asked| asked.signal)
        .filter(|signal| line.signal(*signal).role == Role::Setpoint)
        .collect();
    let mut rows = Vec::new();
    for signal in entered {
        rows.extend(of_signal(line, store, signal, (window, modes)).await?);
    }
    Ok(rows)
}

async fn of_signal(
    line: &Line,
    store: &dyn HistoryStore,
    signal: SignalId,
    (window, modes): (Span, &[Vec<ModeSpan>]),
) -> Result<Option<LatitudeRow>, HistoryError> {
    let own = line.signal(signal);
    let read = store.exact(vec![own.tag.clone()], window).await?;
    let Some(read) = read.into_iter().next() else { return Ok(None) };
    let axis = Axis(UtcMillis(window.from().0 - 1_000));
    let entered = axis.steps(&read.samples, line.gap_limit(signal));
    let mut recipe: Vec<(Uptime, Option<f64>)> = Vec::new();
    let mut bands = read.bands;
    bands.sort_by_key(|band| (band.utc, band.run, band.at));
    for band in bands.iter().filter(|band| band.utc < window.to()) {
        let at = axis.at(band.utc);
        match recipe.last_mut() {
            Some(last) if last.0 >= at => last.1 = band.setpoint,
            Some(_) | None => recipe.push((at, band.setpoint)),
        }
    }
    let until = axis.at(window.to());
    let (Ok(entered), Ok(in_force)) = (Steps::signed(&entered, until), Steps::signed(&recipe, until)) else {
        return Ok(None);
    };
    let latitudes = line.recipes.iter().filter_map(|recipe| recipe.setpoint(signal)?.target.latitude);
    let may = latitudes.reduce(f64::min);
    let register = own.register().map_or(0.0, |register| register.wire.scale.abs());
    let width = may.unwrap_or(0.0);
    let latitude = Latitude { below: width, above: width, resolution: register / 2.0 };
    let ran = modes.get(own.station.index()).map_or(&[][..], Vec::as_slice).iter();
    let counted: Vec<series::Span> =
        ran.filter(|span| span.mode == Some(Mode::Run)).map(|span| axis.span((span.from, span.to))).collect();
    let shift = axis.span((window.from(), window.to()));
    let used = latitude_use(&entered, &in_force, latitude, &[shift], &counted);
    let Some(used) = used.first().filter(|used| used.turns > 0 || used.within_s + used.beyond_s >= 1.0)
    else {
        return Ok(None);
    };
    let departed = departures(&entered, &in_force, latitude);
    let departed: Vec<&Departure> =
        departed.iter().filter(|found| found.span.seconds() >= AWAY_LEAST_S).collect();
    let newest = departed.len().saturating_sub(AWAY_MOST);
    Ok(Some(LatitudeRow {
        away: departed.iter().skip(newest).map(|found| AwayRow::of(found, axis)).collect(),
        signal: own.tag.clone(),
        name: own.name.clone(),
        unit: own.unit.of_difference().symbol().to_owned(),
        turns: used.turns,
        within_s: used.within_s,
        beyond_s: used.beyond_s,
        mean: used.mean,
        farthest: used.farthest,
        latitude: may,
    }))
}
