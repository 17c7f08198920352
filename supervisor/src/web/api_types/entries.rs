//! Entries as a program reads them.

use super::rfc3339;
use crate::entries::{DueView, EntryView};
use crate::history::StoredEntry;
use crate::web::facts::Scene;
use serde::Serialize;
use setward_config::line::{EntryDue, LineEntry};
use utoipa::ToSchema;

/// One kind of entry.
#[derive(Serialize, ToSchema)]
#[schema(as = EntryState)]
pub(in crate::web) struct EntryBody {
    tag: String,
    name: String,
    station: String,
    kind: &'static str,
    unit: &'static str,
    possible: [f64; 2],
    usual: [f64; 2],
    target: Option<f64>,
    tolerance_low: Option<f64>,
    tolerance_high: Option<f64>,
    specification_low: Option<f64>,
    specification_high: Option<f64>,
    due: &'static str,
    due_at: Option<String>,
    every_s: Option<f64>,
    awaited_for: Vec<String>,
    newest: u64,
    entries: Vec<RowBody>,
}

/// One entry.
#[derive(Serialize, ToSchema)]
pub(in crate::web) struct RowBody {
    n: u64,
    tag: String,
    value: f64,
    taken_at: String,
    entered_at: String,
    by: String,
    corrects: Option<u64>,
    corrected: bool,
    was_asked: bool,
    late_s: f64,
    as_found: Option<f64>,
    as_left: Option<f64>,
    right: Option<f64>,
    about: Option<String>,
    note: Option<String>,
}

/// Answer to an entry that was taken.
#[derive(Serialize, ToSchema)]
#[schema(as = Entered)]
pub(in crate::web) struct EnteredBody {
    pub(in crate::web) schema_version: u32,
    pub(in crate::web) entry: RowBody,
    pub(in crate::web) durable: bool,
}

/// The word for a state of being due, and since or from when.
pub(in crate::web) fn due_word(due: DueView) -> (&'static str, Option<String>) {
    match due {
        DueView::NotAsked => ("not_asked", None),
        DueView::At(at) => ("due_later", Some(rfc3339(at))),
        DueView::Since(at) => ("due", Some(rfc3339(at))),
        DueView::Overdue(at) => ("overdue", Some(rfc3339(at))),
    }
}

pub(in crate::web) fn entry(scene: &Scene<'_>, entry: &LineEntry, view: &EntryView) -> EntryBody {
    let signal = scene.line.signal(entry.signal);
    let target = scene.signal(entry.signal).asked.map(|asked| asked.target);
    let (due, due_at) = due_word(view.due);
    let every = match &entry.due {
        EntryDue::Running(every) | EntryDue::Clock(every) => Some(every.as_secs_f64()),
        EntryDue::Never | EntryDue::Daily(_) | EntryDue::After { .. } => None,
    };
    EntryBody {
        tag: signal.tag.clone(),
        name: signal.name.clone(),
        station: scene.line.station(signal.station).key.clone(),
        kind: entry.kind.name(),
        unit: entry.unit.symbol(),
        possible: [entry.possible.0, entry.possible.1],
        usual: [entry.usual.0, entry.usual.1],
        target: target.map(|target| target.setpoint),
        tolerance_low: target.map(|target| super::plain(target.setpoint - target.tolerance_below)),
        tolerance_high: target.map(|target| super::plain(target.setpoint + target.tolerance_above)),
        specification_low: target.and_then(|target| Some(target.specification?.0)),
        specification_high: target.and_then(|target| Some(target.specification?.1)),
        due,
        due_at,
        every_s: every,
        awaited_for: view.awaited_for.clone(),
        newest: view.newest(),
        entries: view.rows.iter().map(|one| row(one, view.is_corrected(one.n))).collect(),
    }
}

pub(in crate::web) fn row(row: &StoredEntry, corrected: bool) -> RowBody {
    let [found, left, right] = row.calibration.map_or([None; 3], |three| three.map(Some));
    RowBody {
        n: row.n,
        tag: row.tag.clone(),
        value: row.value,
        taken_at: rfc3339(row.taken),
        entered_at: rfc3339(row.entered),
        by: row.by.clone(),
        corrects: row.corrects,
        corrected,
        was_asked: row.was_asked,
        late_s: row.late_s,
        as_found: found,
        as_left: left,
        right,
        about: row.about.clone(),
        note: row.note.clone(),
    }
}
