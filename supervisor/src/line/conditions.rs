//! What the conditions of alarms say: which of them may speak, besides the mode of their station, and when the batches
//! begin and end that some of them judge.
//!
//! What is not known changes nothing; at first every alarm may speak. A batch whose beginning was not seen is not begun:
//! nobody could say what it got. One that an earlier run saw begin goes on.

use super::recipes::RecipeBook;
use super::stations::StationBook;
use setward_alarm::{AlarmId, AverageReference, BatchEdge, Kind, Reference};
use setward_config::line::{JudgeWhen, Line, LineAlarm};
use setward_process::condition::all_hold;
use setward_protocol::SignalId;

/// What the conditions of each alarm said last.
#[derive(Debug)]
pub struct ConditionBook {
    alarms: Vec<Conditioned>,
}

/// An alarm of which anything is asked besides its station's mode. Of most alarms nothing is, and they cost nothing.
#[derive(Debug)]
struct Conditioned {
    alarm: AlarmId,
    may_speak: bool,
    in_batch: Option<bool>,
}

/// What has changed for an alarm.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ConditionChange {
    /// Whether it may speak.
    MaySpeak(bool),
    /// The batch it judges.
    Batch(BatchEdge),
}

impl ConditionBook {
    /// Every alarm may speak until something says otherwise.
    #[must_use]
    pub fn new(line: &Line) -> Self {
        let is_asked = |alarm: &LineAlarm| {
            let by_recipe = is_held_against_recipe(&alarm.settings.kind);
            by_recipe || !alarm.when.is_empty() || !alarm.batch.is_empty() || alarm.only_after.is_some()
        };
        let asked = line.alarms_with_ids().filter(|(_, alarm)| is_asked(alarm));
        let one = |(alarm, _)| Conditioned { alarm, may_speak: true, in_batch: None };
        Self { alarms: asked.map(one).collect() }
    }

    /// Looks at the line as it is; gives the alarms for which something has changed. A batch ends before its alarm is made
    /// silent, and begins after its alarm may speak: it is judged while it may.
    pub fn handle(
        &mut self,
        line: &Line,
        books: (&StationBook, &RecipeBook),
        value_of: impl Fn(SignalId) -> Option<f64>,
    ) -> Vec<(AlarmId, ConditionChange)> {
        let mut changes = Vec::new();
        for Conditioned { alarm: id, may_speak: speaks, in_batch } in &mut self.alarms {
            let (id, alarm) = (*id, line.alarm(*id));
            let edge = batch_edge(alarm, in_batch, &value_of);
            if edge == Some(BatchEdge::Ends) {
                changes.push((id, ConditionChange::Batch(BatchEdge::Ends)));
            }
            if let Some(now) = may_speak(line, alarm, books, &value_of)
                && std::mem::replace(speaks, now) != now
            {
                changes.push((id, ConditionChange::MaySpeak(now)));
            }
            if edge == Some(BatchEdge::Begins) {
                changes.push((id, ConditionChange::Batch(BatchEdge::Begins)));
            }
        }
        changes
    }
}

/// Whether the batch of an alarm has just begun or ended.
fn batch_edge(
    alarm: &LineAlarm,
    in_batch: &mut Option<bool>,
    value_of: impl Fn(SignalId) -> Option<f64>,
) -> Option<BatchEdge> {
    if alarm.batch.is_empty() {
        return None;
    }
    let now = all_hold(&alarm.batch, value_of)?;
    match (in_batch.replace(now), now) {
        (Some(false), true) => Some(BatchEdge::Begins),
        (Some(true) | None, false) => Some(BatchEdge::Ends),
        (None | Some(true), true) | (Some(false), false) => None,
    }
}

fn may_speak(
    line: &Line,
    alarm: &LineAlarm,
    books: (&StationBook, &RecipeBook),
    value_of: impl Fn(SignalId) -> Option<f64>,
) -> Option<bool> {
    let (when, judged) = (all_hold(&alarm.when, value_of), is_judged(line, alarm, books));
    match (when, judged, is_after(alarm, books.0)) {
        (Some(false), ..) | (_, Some(false), _) | (.., false) => Some(false),
        (Some(true), Some(true), true) => Some(true),
        (None, ..) | (_, None, _) => None,
    }
}

/// Whether its station has been in the mode after which the alarm speaks, or may have been: nobody watched before the start.
fn is_after(alarm: &LineAlarm, stations: &StationBook) -> bool {
    let seen = |(mode, station)| stations.has_been_in(station, mode);
    alarm.only_after.zip(alarm.settings.station).and_then(seen).unwrap_or(true)
}

/// Whether the recipe's setpoint counts now, for an alarm that is held against it. In which modes such an alarm speaks is
/// in its settings; product under the station is what remains to be seen.
fn is_judged(
    line: &Line,
    alarm: &LineAlarm,
    (stations, recipes): (&StationBook, &RecipeBook),
) -> Option<bool> {
    let Some(signal) =
        alarm.settings.watches.signal().filter(|_| is_held_against_recipe(&alarm.settings.kind))
    else {
        return Some(true);
    };
    let Some(asked) = recipes.setpoint(line, signal) else { return Some(true) };
    let station = line.signal(signal).station;
    match asked.judge_when {
        JudgeWhen::Always | JudgeWhen::StationRun => Some(true),
        // Where nothing tells product from none, the station's mode has to do.
        JudgeWhen::ProductPresent => Some(stations.product_present(station).unwrap_or(true)),
    }
}

const fn is_held_against_recipe(kind: &Kind) -> bool {
    match kind {
        Kind::TimeWeighted(_) => true,
        Kind::Deviation(deviation) => matches!(deviation.against, Reference::Recipe),
        Kind::MovingAverage(average) => matches!(average.reference, AverageReference::Target(_)),
        Kind::Drift(_) => true,
        Kind::Limit(_)
        | Kind::Discrepancy(_)
        | Kind::Rate(_)
        | Kind::Status(_)
        | Kind::EquivalentTime(_)
        | Kind::Measurement(_)
        | Kind::Communication(_)
        | Kind::Forwarding(_) => false,
    }
}
