//! Which alarms their own conditions let speak, besides the mode of their station.
//!
//! What is not known changes nothing; at first every alarm may speak.

use super::stations::StationBook;
use setward_alarm::{AlarmId, AverageReference, Kind, Reference};
use setward_config::line::{JudgeWhen, Line, LineAlarm};
use setward_process::condition::all_hold;
use setward_protocol::SignalId;

/// What lets each alarm speak, besides its station's mode.
#[derive(Debug)]
pub struct ConditionBook {
    holds: Vec<bool>,
}

impl ConditionBook {
    /// Every alarm may speak until something says otherwise.
    #[must_use]
    pub fn new(line: &Line) -> Self {
        Self { holds: vec![true; line.alarms.len()] }
    }

    /// Looks at the line as it is; gives the alarms whose condition has changed, with what it is now.
    pub fn handle(
        &mut self,
        line: &Line,
        stations: &StationBook,
        value_of: impl Fn(SignalId) -> Option<f64>,
    ) -> Vec<(AlarmId, bool)> {
        let mut changes = Vec::new();
        for ((id, alarm), before) in line.alarms_with_ids().zip(&mut self.holds) {
            let Some(now) = may_speak(line, alarm, stations, &value_of) else { continue };
            if std::mem::replace(before, now) != now {
                changes.push((id, now));
            }
        }
        changes
    }
}

fn may_speak(
    line: &Line,
    alarm: &LineAlarm,
    stations: &StationBook,
    value_of: impl Fn(SignalId) -> Option<f64>,
) -> Option<bool> {
    let when = all_hold(&alarm.when, value_of);
    match (when, is_judged(line, alarm, stations)) {
        (Some(false), _) | (_, Some(false)) => Some(false),
        (Some(true), Some(true)) => Some(true),
        (None, _) | (_, None) => None,
    }
}

/// Whether the recipe's setpoint counts now, for an alarm that is held against it. In which modes such an alarm speaks is
/// in its settings; product under the station is what remains to be seen.
fn is_judged(line: &Line, alarm: &LineAlarm, stations: &StationBook) -> Option<bool> {
    let Some(signal) =
        alarm.settings.watches.signal().filter(|_| is_held_against_recipe(&alarm.settings.kind))
    else {
        return Some(true);
    };
    let Some(asked) = line.recipe_setpoint(signal) else { return Some(true) };
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
        | Kind::Communication(_) => false,
    }
}
