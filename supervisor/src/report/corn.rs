//! The corn that an alarm of the cook house touched: which kettle batches, and when they were packed, by their kept records.
//!
//! What is packed while a kettle or a tank is in trouble was cooked half a day before: it is not what the alarm is about. An
//! alarm of a kettle touches the batches that were in it, one of a tank those that lay in it, and both touch what these
//! batches became.

use super::actions::station_of;
use super::batch::BatchReport;
use super::batch_text::Local;
use super::lots::{self, Touched};
use super::rfc3339;
use crate::history::{HistoryError, HistoryStore};
use jiff::Timestamp;
use serde::Serialize;
use setward_alarm::AlarmId;
use setward_config::line::{Followed, Kettle, Line, Origin, StationId, Tank};
use setward_protocol::{SignalId, UtcMillis};
use utoipa::ToSchema;

/// Corn is cooked no longer before it is packed, ms.
pub(super) const COOKED_BEFORE_MS: i64 = 3 * 86_400_000;
/// What has not been packed by then never will be, as far as anybody can tell, ms: a belt that stood for a day is cleared.
pub(super) const PACKED_AT_LAST_MS: i64 = 86_400_000;
const BATCHES_MOST: usize = 10_000;

/// From when to when.
type Stretch = (UtcMillis, UtcMillis);

/// The corn that an alarm of a kettle or a tank touched.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct CornRow {
    /// Its kettle batches; none: no record of a batch is of that time and place.
    pub batches: Vec<String>,
    /// None of it was packed before, RFC 3339; `None`: none of it is known to be packed.
    pub packed_not_before: Option<String>,
    /// None of what was fed so far was packed after, RFC 3339.
    pub packed_not_after: Option<String>,
    /// Some of it has not gone to the line yet.
    pub is_waiting: bool,
}

impl CornRow {
    /// In a few lines.
    #[must_use]
    pub fn words(&self, local: Local<'_>) -> Vec<String> {
        if self.batches.is_empty() {
            return vec!["no batch is known that was there then".to_owned()];
        }
        let batches = format!("batches {}", self.batches.join(", "));
        let packed = match (&self.packed_not_before, &self.packed_not_after, self.is_waiting) {
            (Some(from), Some(to), waiting) => {
                let rest = if waiting { "; the rest waits in its tank" } else { "" };
                format!(
                    "its corn was, or will be, packed {} to {} at the widest{rest}",
                    local(from),
                    local(to)
                )
            }
            (_, _, true) => "its corn has not been packed".to_owned(),
            (_, _, false) => "its corn is not known to have gone to the line".to_owned(),
        };
        vec![batches, packed]
    }
}

/// The same with its times.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Corn {
    pub(super) row: CornRow,
    /// When it was packed at the widest, one for each time that its tank fed the line, in order of time.
    pub(super) packed: Vec<Stretch>,
}

impl Corn {
    /// From the first of it to the last; `None`: none of it is known to be packed.
    pub(super) fn packed_within(&self) -> Option<Stretch> {
        let first = self.packed.iter().map(|packed| packed.0).min()?;
        Some((first, self.packed.iter().map(|packed| packed.1).max()?))
    }

    /// Lots and date codes it was packed as.
    pub(super) async fn touched(
        &self,
        line: &Line,
        store: &dyn HistoryStore,
        known_until: UtcMillis,
    ) -> Result<Touched, HistoryError> {
        let mut all = Touched::default();
        for packed in &self.packed {
            let own = lots::touched(line, store, *packed, known_until).await?;
            for (known, own) in [(&mut all.lots, own.lots), (&mut all.date_codes, own.date_codes)] {
                for one in own {
                    if !known.contains(&one) {
                        known.push(one);
                    }
                }
            }
        }
        Ok(all)
    }
}

/// Where corn is while it is cooked and soaks.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Place<'a> {
    /// In this kettle; `None`: in any of them.
    Kettle(Option<&'a Kettle>),
    /// In this tank; `None`: in any of them.
    Tank(Option<&'a Tank>),
    /// In the tank that feeds the line.
    Feeding,
}

/// Where the corn is that an alarm is about; `None`: it is about what is on the line, or about no corn.
fn place(line: &Line, alarm: AlarmId) -> Option<Place<'_>> {
    let signal = line.alarm(alarm).settings.watches.signal();
    let fed_from = line.feed.as_ref().and_then(|feed| feed.tank);
    if signal.is_some() && signal == fed_from {
        return Some(Place::Feeding);
    }
    if let Some(own) = signal.and_then(|signal| place_of(line, signal)) {
        return Some(own);
    }
    let station = station_of(line, alarm)?;
    let is_on_the_way = line.belts.iter().any(|belt| belt.station == station)
        || line.delays.iter().any(|delay| delay.station == station);
    if is_on_the_way {
        return None;
    }
    let has_tanks = line.tanks.iter().any(|tank| is_at(line, tank, station));
    let has_kettles = line.kettles.iter().any(|kettle| kettle.station == station);
    match (has_kettles, has_tanks) {
        (true, _) => Some(Place::Kettle(None)),
        (false, true) => Some(Place::Tank(None)),
        (false, false) => None,
    }
}

/// The kettle or tank that a signal is one of the named signals of.
fn place_of(line: &Line, signal: SignalId) -> Option<Place<'_>> {
    match line.signal(signal).origin {
        Origin::Followed(Followed::OldestIn(tank)) => return Some(Place::Tank(line.tanks.get(tank))),
        Origin::Followed(Followed::OldestCorn) => return Some(Place::Tank(None)),
        Origin::Followed(Followed::YoungestFeeding) => return Some(Place::Feeding),
        Origin::Followed(Followed::SinceGood(_) | Followed::DueTank | Followed::Balance(_))
        | Origin::Register(_)
        | Origin::Derived(_)
        | Origin::Entered => {}
    }
    let of_kettle = |kettle: &&Kettle| {
        let named = [kettle.batch_number, kettle.water_total, kettle.weight];
        kettle.temperature == signal || kettle.told_by() == signal || named.contains(&Some(signal))
    };
    if let Some(kettle) = line.kettles.iter().find(of_kettle) {
        return Some(Place::Kettle(Some(kettle)));
    }
    let of_tank = |tank: &&Tank| tank.told_by() == signal || tank.temperature == Some(signal);
    line.tanks.iter().find(of_tank).map(|tank| Place::Tank(Some(tank)))
}

fn is_at(line: &Line, tank: &Tank, station: StationId) -> bool {
    let own = [Some(tank.told_by()), tank.temperature];
    own.into_iter().flatten().any(|signal| line.signal(signal).station == station)
}

/// Whether an alarm is about corn in a kettle or a tank, not about what is on the line.
pub(super) fn is_of_cook_house(line: &Line, alarm: AlarmId) -> bool {
    place(line, alarm).is_some()
}

/// The records of all batches that may have been somewhere between two moments.
///
/// # Errors
/// When history can't be read.
pub(super) async fn batches_of(
    store: &dyn HistoryStore,
    (from, to): Stretch,
) -> Result<Vec<BatchReport>, HistoryError> {
    let from = UtcMillis(from.0.saturating_sub(COOKED_BEFORE_MS));
    let rows = store.batches(from, UtcMillis(to.0.saturating_add(1)), BATCHES_MOST).await?;
    Ok(rows.into_iter().rev().filter_map(|row| serde_json::from_str(&row.record).ok()).collect())
}

/// The corn of an alarm that stood between two moments, out of the records of that time; `None`: it is about no corn in a kettle
/// or a tank.
pub(super) fn corn_of(line: &Line, alarm: AlarmId, stood: Stretch, batches: &[BatchReport]) -> Option<Corn> {
    let place = place(line, alarm)?;
    let own: Vec<&BatchReport> = batches.iter().filter(|batch| was_there(batch, place, stood)).collect();
    let mut packed: Vec<Stretch> = own.iter().flat_map(|batch| packed_of(batch)).collect();
    packed.sort_unstable();
    packed.dedup();
    let waits = |batch: &&BatchReport| {
        !batch.is_complete && (batch.fed.is_empty() || batch.fed.iter().any(|fed| fed.goes_on))
    };
    let mut corn = Corn {
        row: CornRow {
            batches: own.iter().map(|batch| batch.id.clone()).collect(),
            packed_not_before: None,
            packed_not_after: None,
            is_waiting: own.iter().any(waits),
        },
        packed,
    };
    let ends = corn.packed_within().map(|(from, to)| (rfc3339(from), rfc3339(to)));
    (corn.row.packed_not_before, corn.row.packed_not_after) = ends.unzip();
    Some(corn)
}

/// Whether any of a batch was in a place at some time of a stretch.
fn was_there(batch: &BatchReport, place: Place<'_>, (from, to): Stretch) -> bool {
    // What comes in as the alarm goes is not what it was about.
    let is_before_its_end = |since: UtcMillis| since < to || since <= from;
    let overlaps =
        |was: Option<Stretch>| was.is_some_and(|(since, until)| is_before_its_end(since) && from <= until);
    match place {
        Place::Kettle(kettle) => {
            let is_own = kettle.is_none_or(|kettle| kettle.name == batch.kettle);
            is_own && overlaps(utc(&batch.from).zip(utc(&batch.to)))
        }
        Place::Tank(tank) => {
            let is_own = batch.soak.tank.is_some_and(|own| tank.is_none_or(|tank| tank.number == own));
            is_own && overlaps(in_tank(batch))
        }
        Place::Feeding => batch.fed.iter().any(|fed| overlaps(utc(&fed.from).zip(utc(&fed.to)))),
    }
}

/// From when to when a batch lay in its tank; without end while some of it still does.
fn in_tank(batch: &BatchReport) -> Option<Stretch> {
    let since = batch.soak.from_not_before.as_deref().or(batch.soak.from.as_deref()).unwrap_or(&batch.to);
    let left = batch.fed.iter().filter_map(|fed| utc(&fed.to)).max();
    let until = match left {
        Some(left) if batch.is_complete => left,
        Some(_) | None => UtcMillis(i64::MAX),
    };
    Some((utc(since)?, until))
}

/// When the corn of a batch was packed at the widest, each time that its tank fed the line. Where that could not be traced: from
/// when it was fed, to when it must be packed.
pub(super) fn packed_of(batch: &BatchReport) -> Vec<Stretch> {
    let stretch = |fed: &super::batch::FedRow| {
        let from = fed.packed_not_before.as_deref().or(fed.packed_from.as_deref()).and_then(utc);
        let to = fed.packed_not_after.as_deref().or(fed.packed_to.as_deref()).and_then(utc);
        let at_last = |to: UtcMillis| UtcMillis(to.0.saturating_add(PACKED_AT_LAST_MS));
        from.zip(to).or_else(|| utc(&fed.from).zip(utc(&fed.to).map(at_last)))
    };
    batch.fed.iter().filter_map(stretch).collect()
}

pub(super) fn utc(text: &str) -> Option<UtcMillis> {
    text.parse::<Timestamp>().ok().map(|at| UtcMillis(at.as_millisecond()))
}
