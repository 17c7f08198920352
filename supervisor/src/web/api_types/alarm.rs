//! The bodies about alarms.

use super::{plain, time};
use crate::snapshot::Shelf;
use crate::web::facts::{AlarmFacts, Direction, Scene, Silence, Subject};
use crate::web::times::rfc3339;
use crate::web::{live, words};
use serde::Serialize;
use setward_alarm::Forecast;
use utoipa::ToSchema;

#[derive(Serialize, ToSchema)]
pub(in crate::web) struct AlarmBody {
    id: String,
    name: String,
    signal: Option<String>,
    controller: Option<String>,
    station: Option<String>,
    kind: &'static str,
    automatic: bool,
    priority: &'static str,
    side: Option<&'static str>,
    state: &'static str,
    state_letter: char,
    shown_letter: char,
    state_text: String,
    flags: FlagsBody,
    active: bool,
    standing: bool,
    blind: bool,
    awaits_acknowledgement: bool,
    occurrence: u32,
    onset_at: Option<String>,
    raised_at: Option<String>,
    cleared_at: Option<String>,
    beyond_since: Option<String>,
    acknowledged_at: Option<String>,
    acknowledged_by: Option<String>,
    value: Option<f64>,
    value_text: Option<String>,
    unit: Option<&'static str>,
    deviation: Option<f64>,
    deviation_unit: Option<&'static str>,
    reference: Option<f64>,
    reference_kind: String,
    how_far_text: String,
    how_long_text: String,
    exposure_share: Option<f64>,
    exposure_text: Option<String>,
    direction: &'static str,
    forecast: &'static str,
    forecast_s: Option<f64>,
    forecast_text: String,
    consequence: String,
    causes: Vec<String>,
    response_now: Vec<String>,
    response_next: Vec<String>,
    time_to_respond_s: f64,
    independent_device: Option<String>,
}

/// What keeps an alarm silent; `reason` and `text` tell the strongest.
#[derive(Serialize, ToSchema)]
struct FlagsBody {
    shelved: bool,
    shelf: Option<ShelfBody>,
    suppressed_by_design: bool,
    out_of_service: bool,
    out_of_service_since: Option<String>,
    out_of_service_by: Option<String>,
    out_of_service_why: Option<String>,
    /// Names are as typed: nobody has checked them.
    names_checked: bool,
    reason: Option<&'static str>,
    hidden_by: Option<String>,
    until: Option<String>,
    text: Option<String>,
}

#[derive(Serialize, ToSchema)]
struct ShelfBody {
    until: String,
    once: bool,
    since: String,
    by: String,
    why: Option<String>,
}

/// The answer to a person's wish.
#[derive(Serialize, ToSchema)]
pub(in crate::web) struct GrantedBody {
    pub(in crate::web) schema_version: u32,
    pub(in crate::web) state: &'static str,
    pub(in crate::web) state_letter: char,
    pub(in crate::web) shelved_until: Option<String>,
    pub(in crate::web) out_of_service: bool,
    pub(in crate::web) durable: bool,
    pub(in crate::web) already: bool,
}

const fn forecast(forecast: Forecast) -> (&'static str, Option<f64>) {
    match forecast {
        Forecast::Quiet => ("quiet", None),
        Forecast::Raises { seconds } => ("raises", Some(seconds)),
        Forecast::WillNotRaise => ("will_not_raise", None),
        Forecast::Clears { seconds } => ("clears", Some(seconds)),
        Forecast::StaysActive => ("stays_active", None),
        Forecast::Unknown => ("unknown", None),
    }
}

const fn direction(direction: Direction) -> &'static str {
    match direction {
        Direction::Worse => "worse",
        Direction::Steady => "steady",
        Direction::Better => "better",
        Direction::Unknown => "unknown",
    }
}

pub(in crate::web) fn alarm(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> AlarmBody {
    let (alarm, view) = (facts.alarm, facts.view);
    let on = facts.signal();
    let controller = match &facts.on {
        Subject::Signal(_) | Subject::Server(_) => None,
        Subject::Controller(on) => Some(on.controller.name.clone()),
    };
    let (forecast, forecast_s) = forecast(view.forecast);
    AlarmBody {
        id: alarm.id.clone(),
        name: alarm.name.clone(),
        signal: on.map(|on| on.signal.tag.clone()),
        controller,
        station: facts.station.map(|id| scene.line.station(id).key.clone()),
        kind: facts.alarm.settings.kind.name(),
        automatic: !facts.judges_a_value(),
        priority: alarm.priority.name(),
        side: facts.side().map(words::side),
        state: words::state_key(view.state),
        state_letter: view.state.letter(),
        shown_letter: facts.letter(),
        flags: flags(scene, facts),
        state_text: words::state(view.state, &alarm.settings.kind),
        active: view.state.is_active(),
        standing: facts.is_standing(),
        blind: facts.is_blind(),
        awaits_acknowledgement: view.state.awaits_acknowledgement(),
        occurrence: view.occurrence,
        onset_at: time(view.onset),
        raised_at: time(view.raised),
        cleared_at: time(view.cleared),
        beyond_since: time(view.beyond_since),
        acknowledged_at: view.acknowledged.as_ref().map(|(at, _)| rfc3339(*at)),
        acknowledged_by: view.acknowledged.as_ref().map(|(_, by)| by.clone()),
        value_text: on.and_then(|on| Some(on.show_with_unit(on.view.reading.value()?))),
        value: on.and_then(|on| on.view.reading.value()).map(plain),
        unit: on.map(|on| on.signal.unit.symbol()),
        deviation: facts.deviation().map(plain),
        deviation_unit: on.map(|on| on.signal.unit.of_difference().symbol()),
        reference: facts.reference(),
        reference_kind: facts.reference_word().to_owned(),
        how_far_text: live::how_far(facts),
        how_long_text: live::how_long(scene, facts),
        exposure_share: view.exposure,
        exposure_text: live::exposure(facts),
        direction: direction(facts.direction()),
        forecast,
        forecast_s,
        forecast_text: live::forecast(facts),
        consequence: alarm.consequence.clone(),
        causes: alarm.causes.clone(),
        response_now: alarm.response_now.clone(),
        response_next: alarm.response_next.clone(),
        time_to_respond_s: alarm.time_to_respond.as_secs_f64(),
        independent_device: alarm.independent_device.clone(),
    }
}

fn flags(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> FlagsBody {
    let flags = facts.view.flags;
    let out = facts.view.out_of_service.as_ref();
    let shelf = |shelf: &Shelf| ShelfBody {
        until: rfc3339(shelf.until),
        once: shelf.once,
        since: rfc3339(shelf.since),
        by: shelf.by.clone(),
        why: shelf.why.clone(),
    };
    FlagsBody {
        shelved: flags.shelved_until.is_some(),
        shelf: facts.view.shelf.as_ref().map(shelf),
        suppressed_by_design: flags.suppressed.is_on(),
        out_of_service: flags.out_of_service,
        out_of_service_since: out.map(|out| rfc3339(out.since)),
        out_of_service_by: out.map(|out| out.by.clone()),
        out_of_service_why: out.and_then(|out| out.why.clone()),
        names_checked: false,
        reason: facts.silence.as_ref().map(Silence::key),
        hidden_by: flags.suppressed.hidden_by.map(|cause| scene.line.alarm(cause).id.clone()),
        until: time(facts.view.silent_until),
        text: facts.silence.as_ref().map(|silence| words::silence(scene, silence)),
    }
}
