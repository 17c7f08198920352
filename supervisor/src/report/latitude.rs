//! What people turned: entered setpoints held against the recipe, and against the latitude that they have.

use super::axis::Axis;
use super::batch_text::Local;
use super::rfc3339;
use super::stops::ModeSpan;
use crate::history::{HistoryError, HistoryStore, Span};
use serde::Serialize;
use setward_alarm::Target;
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
    /// How far it may be turned unasked; the narrowest, where recipes that held differ in that.
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
    let resolution = own.register().map_or(0.0, |register| register.wire.scale.abs()) / 2.0;
    let latitude = |asked: Option<f64>| {
        let width = asked.and_then(|asked| latitude_at(line, signal, asked)).unwrap_or(0.0);
        Latitude { below: width, above: width, resolution }
    };
    let ran = modes.get(own.station.index()).map_or(&[][..], Vec::as_slice).iter();
    let counted: Vec<series::Span> =
        ran.filter(|span| span.mode == Some(Mode::Run)).map(|span| axis.span((span.from, span.to))).collect();
    let shift = axis.span((window.from(), window.to()));
    let used_of = |latitude: Latitude, counted: &[series::Span]| {
        latitude_use(&entered, &in_force, latitude, &[shift], counted).into_iter().next()
    };
    let Some(used) = used_of(latitude(None), &counted)
        .filter(|used| used.turns > 0 || used.within_s + used.beyond_s >= 1.0)
    else {
        return Ok(None);
    };
    // Each recipe gives its own latitude, for as long as it asked.
    let (mut within_s, mut beyond_s) = (0.0, 0.0);
    for (asked_in, asked) in in_force.pieces_within(shift) {
        let own: Vec<series::Span> = counted.iter().filter_map(|span| span.overlap(asked_in)).collect();
        let Some(part) = used_of(latitude(asked), &own) else { continue };
        (within_s, beyond_s) = (within_s + part.within_s, beyond_s + part.beyond_s);
    }
    let may = in_force.pieces_within(shift).filter_map(|(_, asked)| latitude_at(line, signal, asked?));
    let departed = departures(&entered, &in_force, latitude(None));
    let departed: Vec<&Departure> =
        departed.iter().filter(|found| found.span.seconds() >= AWAY_LEAST_S).collect();
    let newest = departed.len().saturating_sub(AWAY_MOST);
    Ok(Some(LatitudeRow {
        away: departed.iter().skip(newest).map(|found| AwayRow::of(found, axis)).collect(),
        signal: own.tag.clone(),
        name: own.name.clone(),
        unit: own.unit.of_difference().symbol().to_owned(),
        turns: used.turns,
        within_s,
        beyond_s,
        mean: used.mean,
        farthest: used.farthest,
        latitude: may.reduce(f64::min),
    }))
}

/// How far a person may turn a setpoint that a recipe asks for, in its unit: of the recipe that asks for just that. Where several do, the
/// narrowest; where none does, because it was changed since, the narrowest of all.
fn latitude_at(line: &Line, signal: SignalId, asked: f64) -> Option<f64> {
    let targets = || line.recipes.iter().filter_map(|recipe| Some(recipe.setpoint(signal)?.target));
    let asks = |target: &Target| (target.setpoint - asked).abs() <= 1e-6 * asked.abs().max(1.0);
    let narrowest = |targets: &mut dyn Iterator<Item = Target>| {
        targets.map(|target| target.latitude).reduce(|one, other| Some(one?.min(other?)))
    };
    let own = narrowest(&mut targets().filter(asks));
    own.or_else(|| narrowest(&mut targets())).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::history::sqlite::InlineStore;
    use crate::history::{Band, Batch, NewRun, NewSample, bands_of};
    use setward_protocol::Reading;

    const START: i64 = 1_795_435_200_000;

    fn at(second: i64) -> UtcMillis {
        UtcMillis(START + second * 1000)
    }

    fn uptime(second: i64) -> Uptime {
        Uptime::from_millis(u64::try_from(second * 1000).unwrap())
    }

    /// An hour at 182 degC, which may be turned by 2 K, then an hour at 190, which may be turned by 1 K; entered half an hour late
    /// each time, and 1.5 K high.
    #[tokio::test]
    async fn each_recipe_gives_its_own_latitude_while_it_holds() {
        let mut line = setward_config::load_demo().unwrap().line;
        let signal = line.signal_by_tag("TIC-310-SP").unwrap();
        for (recipe, (setpoint, latitude)) in line.recipes.iter_mut().zip([(182.0, 2.0), (190.0, 1.0)]) {
            let own = recipe.setpoints.iter_mut().find(|own| own.signal == signal).unwrap();
            (own.target.setpoint, own.target.latitude) = (setpoint, Some(latitude));
        }
        let store = InlineStore::in_memory().unwrap();
        let run = store.start_run(NewRun::of(&line, at(0), "0")).await.unwrap();
        let mut bands = bands_of(&line, Uptime::START, at(0));
        let next = Band {
            signal: signal.0,
            utc: at(3_600),
            at: uptime(3_600),
            setpoint: Some(190.0),
            tolerance: None,
        };
        bands.push(next);
        let entered = |second: i64| match second {
            0..1_800 => 182.0,
            1_800..3_600 => 183.5,
            3_600..5_400 => 190.0,
            _ => 191.5,
        };
        let sample = |second: i64| NewSample {
            signal: signal.0,
            utc: at(second),
            at: uptime(second),
            reading: Reading::Good(entered(second)),
        };
        let samples = (0..=7_200).map(sample).collect();
        store.append(run, Batch { samples, bands, ..Batch::default() }).await.unwrap();
        let ran = ModeSpan { mode: Some(Mode::Run), since: at(0), from: at(0), to: at(7_200) };
        let modes = vec![vec![ran]; line.stations.len()];
        let rows = latitude(&line, &store, (Span::new(at(0), at(7_200)).unwrap(), &modes)).await.unwrap();
        let row = rows.iter().find(|row| row.signal == "TIC-310-SP").unwrap();
        assert!((row.within_s - 1_800.0).abs() <= 1.0 && (row.beyond_s - 1_800.0).abs() <= 1.0, "{row:?}");
        assert_eq!((row.latitude, row.turns), (Some(1.0), 3));
        // A recipe that no file has any more: the narrowest of all.
        assert_eq!(latitude_at(&line, signal, 171.0), Some(1.0));
        for recipe in &mut line.recipes {
            let own = recipe.setpoints.iter_mut().find(|own| own.signal == signal).unwrap();
            own.target.latitude = None;
        }
        assert_eq!(latitude_at(&line, signal, 182.0), None);
    }
}
