//! What stands at a broker: the state of each alarm and of the line, as topic and body. Pure.

use crate::notify::text::standing_line;
use crate::snapshot::{AlarmView, LineSnapshot};
use crate::web::call::Teller;
use jiff::Timestamp;
use serde_json::json;
use setward_alarm::{AlarmId, AlarmState};
use setward_config::line::Line;
use setward_protocol::UtcMillis;

/// Version of the bodies' form.
const SCHEMA_VERSION: u32 = 1;

/// What makes the state of an alarm another one: values alone do not, or every second would.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct AlarmEssence {
    state: char,
    occurrence: u32,
    is_silent: bool,
}

impl AlarmEssence {
    pub(super) fn of(view: &AlarmView) -> Self {
        Self {
            state: view.state.letter(),
            occurrence: view.occurrence,
            is_silent: view.flags.are_silencing(),
        }
    }
}

/// The same for the line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct LineEssence {
    standing: usize,
    waiting: usize,
    modes: Vec<&'static str>,
    run: i64,
    keeps_history: bool,
}

impl LineEssence {
    pub(super) fn of(line: &Line, snapshot: &LineSnapshot) -> Self {
        let (standing, waiting) = Teller::new(line, snapshot, snapshot.utc).standing();
        Self {
            standing,
            waiting,
            modes: snapshot.stations.iter().map(|station| station.mode.name()).collect(),
            run: snapshot.run.0,
            keeps_history: snapshot.history_problem.is_none(),
        }
    }
}

/// One word for programs.
const fn word(state: AlarmState) -> &'static str {
    match state {
        AlarmState::Normal => "normal",
        AlarmState::Unacknowledged => "active-unacknowledged",
        AlarmState::Acknowledged => "active-acknowledged",
        AlarmState::Returned => "returned-unacknowledged",
        AlarmState::LatchedUnacknowledged => "latched-unacknowledged",
        AlarmState::LatchedAcknowledged => "latched-acknowledged",
    }
}

fn rfc3339(at: UtcMillis) -> Option<String> {
    Timestamp::from_millisecond(at.0).map(|at| at.to_string()).ok()
}

/// The body of an alarm's state.
pub(super) fn of_alarm(line: &Line, snapshot: &LineSnapshot, id: AlarmId, view: &AlarmView) -> String {
    let alarm = line.alarm(id);
    let teller = Teller::new(line, snapshot, snapshot.utc);
    json!({
        "schema_version": SCHEMA_VERSION,
        "alarm": alarm.id,
        "name": alarm.name,
        "priority": alarm.priority.name(),
        "state": word(view.state),
        "letter": view.state.letter().to_string(),
        "active": view.state.is_active(),
        "silent": view.flags.are_silencing(),
        "run": snapshot.run.0,
        "occurrence": view.occurrence,
        "raised_at": view.raised.and_then(rfc3339),
        "cleared_at": view.cleared.and_then(rfc3339),
        "acknowledged_at": view.acknowledged.as_ref().and_then(|(at, _)| rfc3339(*at)),
        "at": rfc3339(snapshot.utc),
        "simulated": line.simulated,
        "text": standing_line(line, &teller, &alarm.id, view),
    })
    .to_string()
}

/// The body of the line's state while somebody watches it.
pub(super) fn of_line(line: &Line, snapshot: &LineSnapshot) -> String {
    let essence = LineEssence::of(line, snapshot);
    let stations = line.stations.iter().zip(&essence.modes);
    let stations: Vec<_> =
        stations.map(|(station, mode)| json!({ "station": station.key, "mode": mode })).collect();
    json!({
        "schema_version": SCHEMA_VERSION,
        "state": "online",
        "plant": line.plant,
        "line": line.name,
        "simulated": line.simulated,
        "run": essence.run,
        "at": rfc3339(snapshot.utc),
        "alarms_standing": essence.standing,
        "alarms_unacknowledged": essence.waiting,
        "history_kept": essence.keeps_history,
        "stations": stations,
    })
    .to_string()
}

/// The body of the line's state when nobody watches it: left by us, or by the broker when we are gone.
pub(super) fn offline(line: &Line) -> String {
    json!({
        "schema_version": SCHEMA_VERSION,
        "state": "offline",
        "plant": line.plant,
        "line": line.name,
        "simulated": line.simulated,
    })
    .to_string()
}
