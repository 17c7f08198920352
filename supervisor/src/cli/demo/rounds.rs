//! What the demo's crew enters in its week: what is due, a little late, mostly right. Seeded: the same week again is the same.

use crate::entries::{DueView, EntryView, EntryWish, Typed};
use crate::handle::LineHandle;
use crate::snapshot::LineSnapshot;
use jiff::Timestamp;
use jiff::civil::Weekday;
use jiff::tz::TimeZone;
use setward_config::line::{AlarmClass, EntryKind, Line, LineEntry, Meaning};
use setward_protocol::UtcMillis;

/// A person comes to what is due within so long, ms; to what protects people in less.
const WITHIN_MS: i64 = 8 * 60_000;
const FOOD_SAFETY_WITHIN_MS: i64 = 6 * 60_000;
/// When the line starts somebody stands there: the first product is minutes away.
const START_WITHIN_MS: i64 = 2 * 60_000;
/// One in so many comes late, by so long, ms.
const LATE_ONE_IN: u32 = 16;
const LATE_MS: (i64, i64) = (10 * 60_000, 40 * 60_000);
/// One in so many is a slip of the pen that nobody asks back, and is corrected after so long, ms.
const SLIP_ONE_IN: u32 = 60;
const SEEN_TO_AFTER_MS: i64 = 4 * 60_000;
/// Spread of lab values, as a share of the tolerance; invented, after the spread of such methods.
const SPREAD: f64 = 0.36;
/// On Friday morning the detector's check is forgotten between these, minutes of the day.
const FORGOTTEN: (i32, i32) = (8 * 60 + 10, 9 * 60 + 24);

/// After a stop of so long the detector is checked before packing goes on, ms; shorter ones need no check of their own.
const STOOD_LEAST_MS: i64 = 20 * 60_000;

fn is_food_safety(entry: &LineEntry) -> bool {
    entry.class == Some(AlarmClass::FoodSafety)
}

/// The crew's rounds.
#[derive(Debug)]
pub struct Rounds {
    chance: fastrand::Rng,
    zone: TimeZone,
    /// By entry: when somebody will come to what is due.
    comes: Vec<Option<UtcMillis>>,
    /// By entry: a slip that somebody will correct then.
    slips: Vec<Option<(u64, f64, UtcMillis)>>,
    /// Since when no product has been made.
    stands_since: Option<UtcMillis>,
    /// When somebody comes to check the detector, because the line has started.
    start_check: Option<UtcMillis>,
    /// Chance of its own: how soon that is has no part in what else happens.
    start_chance: fastrand::Rng,
}

impl Rounds {
    /// Rounds on this line.
    #[must_use]
    pub fn new(line: &Line, seed: u64) -> Self {
        let count = line.entries.len();
        Self {
            chance: fastrand::Rng::with_seed(seed),
            zone: TimeZone::get(&line.time_zone).unwrap_or(TimeZone::UTC),
            comes: vec![None; count],
            slips: vec![None; count],
            stands_since: None,
            start_check: None,
            start_chance: fastrand::Rng::with_seed(!seed),
        }
    }

    /// Enters what is due by now.
    pub async fn make(&mut self, line: &Line, handle: &LineHandle, now: UtcMillis, by: &str) {
        let snapshot = handle.glance();
        let starts = self.line_has_started(line, &snapshot, now);
        for (place, (entry, view)) in line.entries.iter().zip(snapshot.entries.iter()).enumerate() {
            let running = snapshot.stations.get(line.signal(entry.signal).station.index());
            let recipe =
                running.and_then(|station| line.recipes.get(station.recipe?)).unwrap_or(line.recipe());
            let target = recipe.setpoint(entry.signal).map(|asked| asked.target);
            if let Some((n, value, at)) = self.slips.get(place).copied().flatten()
                && at <= now
            {
                self.set_slip(place, None);
                self.enter(handle, (place, Typed::Number(value)), by, Some(n)).await;
            }
            let is_asked = starts && entry.kind == EntryKind::Check && is_food_safety(entry);
            if !(self.somebody_comes(place, entry, view, now) || is_asked) {
                continue;
            }
            let right = target.map(|target| {
                let tolerance = target.tolerance_below.min(target.tolerance_above);
                self.about(target.setpoint, SPREAD * tolerance)
            });
            let typed = match entry.kind {
                EntryKind::Number => Typed::Number(right.unwrap_or_else(|| self.usual(line, entry))),
                EntryKind::Check => Typed::Check(true),
                EntryKind::Calibration => continue,
            };
            let accepted = target.map(|target| {
                (target.setpoint - target.tolerance_below)..=(target.setpoint + target.tolerance_above)
            });
            let slipped = self.slip(entry, typed, accepted.as_ref());
            let entered = self.enter(handle, (place, slipped), by, None).await;
            if let (Some(n), Typed::Number(value), true) = (entered, typed, slipped != typed) {
                self.set_slip(place, Some((n, value, UtcMillis(now.0 + SEEN_TO_AFTER_MS))));
            }
        }
    }

    /// Whether somebody comes now because the line has started after a stop.
    fn line_has_started(&mut self, line: &Line, snapshot: &LineSnapshot, now: UtcMillis) -> bool {
        let cuts = line.signals_with_ids().find(|(_, signal)| signal.means == Some(Meaning::CutterRunning));
        let seen = cuts.and_then(|(id, _)| snapshot.signals.get(id.index())?.reading.good());
        match (seen, self.stands_since) {
            (Some(0.0), None) => self.stands_since = Some(now),
            (Some(value), Some(since)) if value > 0.0 => {
                self.stands_since = None;
                let soon_ms = self.start_chance.i64(0..START_WITHIN_MS);
                self.start_check = (now.0 - since.0 >= STOOD_LEAST_MS).then(|| UtcMillis(now.0 + soon_ms));
            }
            (Some(_) | None, _) => {}
        }
        self.start_check.take_if(|at| *at <= now).is_some()
    }

    fn set_slip(&mut self, place: usize, slip: Option<(u64, f64, UtcMillis)>) {
        if let Some(slot) = self.slips.get_mut(place) {
            *slot = slip;
        }
    }

    fn somebody_comes(&mut self, place: usize, entry: &LineEntry, view: &EntryView, now: UtcMillis) -> bool {
        let since = match view.due {
            DueView::Since(at) | DueView::Overdue(at) => Some(at),
            DueView::NotAsked | DueView::At(_) => None,
        };
        let is_safety = is_food_safety(entry);
        let come = since.map(|since| {
            self.comes
                .get(place)
                .copied()
                .flatten()
                .unwrap_or_else(|| UtcMillis(since.0 + self.late_ms(is_safety)))
        });
        let is_there = come.is_some_and(|come| come <= now) && !(is_safety && self.is_forgotten(now));
        if let Some(slot) = self.comes.get_mut(place) {
            *slot = come.filter(|_| !is_there);
        }
        is_there
    }

    fn late_ms(&mut self, is_safety: bool) -> i64 {
        if is_safety {
            self.chance.i64(0..FOOD_SAFETY_WITHIN_MS)
        } else if self.chance.u32(0..LATE_ONE_IN) == 0 {
            self.chance.i64(LATE_MS.0..LATE_MS.1)
        } else {
            self.chance.i64(0..WITHIN_MS)
        }
    }

    fn is_forgotten(&self, now: UtcMillis) -> bool {
        let at = Timestamp::from_millisecond(now.0).unwrap_or(Timestamp::UNIX_EPOCH);
        let local = at.to_zoned_datetime(self.zone.clone()).datetime();
        let minute = i32::from(local.hour()) * 60 + i32::from(local.minute());
        local.weekday() == Weekday::Friday && (FORGOTTEN.0..FORGOTTEN.1).contains(&minute)
    }

    /// Near the middle, by about so much: the sum of twelve even draws is as good as a normal one here.
    fn about(&mut self, middle: f64, spread: f64) -> f64 {
        let draw: f64 = (0..12).map(|_| self.chance.f64()).sum::<f64>() - 6.0;
        middle + spread * draw
    }

    /// For what no recipe asks: what such a value usually is.
    fn usual(&mut self, line: &Line, entry: &LineEntry) -> f64 {
        match line.signal(entry.signal).tag.as_str() {
            "AI-150" => self.about(11.2, 0.15),
            "AI-310" => self.about(0.2, 0.01),
            "KI-340" => self.about(55.0, 0.4),
            _ => self.about(f64::midpoint(entry.usual.0, entry.usual.1), 0.0),
        }
    }

    /// Now and then two digits change places: plausible and within what is accepted, so nobody asks back.
    fn slip(
        &mut self,
        entry: &LineEntry,
        typed: Typed,
        accepted: Option<&std::ops::RangeInclusive<f64>>,
    ) -> Typed {
        let Typed::Number(value) = typed else { return typed };
        let wrong = value * 1.02;
        let is_usual = (entry.usual.0..=entry.usual.1).contains(&wrong)
            && accepted.is_none_or(|accepted| accepted.contains(&wrong));
        if is_usual && self.chance.u32(0..SLIP_ONE_IN) == 0 { Typed::Number(wrong) } else { typed }
    }

    /// What is asked back is what the crew meant: it looked.
    async fn enter(
        &self,
        handle: &LineHandle,
        (entry, typed): (usize, Typed),
        by: &str,
        corrects: Option<u64>,
    ) -> Option<u64> {
        let typed = match typed {
            Typed::Number(value) => Typed::Number((value * 100.0).round() / 100.0),
            Typed::Check(_) | Typed::Calibration { .. } => typed,
        };
        let wish = EntryWish {
            entry,
            typed,
            taken: None,
            by: by.to_owned(),
            about: None,
            note: corrects.map(|_| "misread".to_owned()),
            corrects,
            seen: None,
            confirmed: true,
        };
        match handle.enter(wish).await {
            Ok(taken) => Some(taken.entry.n),
            Err(refusal) => {
                tracing::debug!(?refusal, "an entry of the demo's crew was refused");
                None
            }
        }
    }
}
