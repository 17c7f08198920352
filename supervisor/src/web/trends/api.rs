//! A trend for programs and for the page's own script: one answer with columns of every signal, and what happened meanwhile.

use super::notes::Pinned;
use super::read::{AlarmLane, Bar, Lane, Pane, Shown, read};
use super::{Asked, Wrong};
use crate::cli::plot::Curve;
use crate::history::{Level, Stretch};
use crate::web::Web;
use crate::web::api_types::SCHEMA_VERSION;
use crate::web::api_types::trend::{
    TrendAlarmBody, TrendAskedBody, TrendBarBody, TrendBody, TrendCallBody, TrendColumnsBody, TrendLaneBody,
    TrendNoteBody, TrendSignalBody,
};
use crate::web::problem::Problem;
use crate::web::times::rfc3339;
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use setward_config::line::Line;

/// The pairs of an address as they came.
pub(in crate::web) type Pairs = Result<Query<Vec<(String, String)>>, QueryRejection>;

/// A refusal, for programs.
pub(super) fn problem(wrong: &Wrong) -> Problem {
    match wrong {
        Wrong::NoSuchSignal(_, nearest) => {
            Problem::new(StatusCode::NOT_FOUND, wrong.text()).with_nearest(nearest.clone())
        }
        Wrong::Other(text) => Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text.clone()),
    }
}

/// What an address asks for, or the answer that refuses it.
pub(super) fn asked(web: &Web, pairs: Pairs) -> Result<Asked, Wrong> {
    let Ok(Query(pairs)) = pairs else {
        return Err(Wrong::Other(
            "the address can't be read; write /trend?signals=TT-310&last=7d".to_owned(),
        ));
    };
    Asked::read(&web.app.line, &web.zone, web.app.clock.utc(), &pairs)
}

/// Serves it.
pub(in crate::web) async fn show(State(web): State<Web>, pairs: Pairs) -> Response {
    let asked = match asked(&web, pairs) {
        Ok(asked) => asked,
        Err(wrong) => return problem(&wrong).into_response(),
    };
    match read(&web, &asked).await {
        Ok(shown) => Json(body(&web, &asked, &shown)).into_response(),
        Err(why) => Problem::unread(why).into_response(),
    }
}

fn body(web: &Web, asked: &Asked, shown: &Shown) -> TrendBody {
    let (line, more) = (&*web.app.line, !asked.panes_only);
    TrendBody {
        schema_version: SCHEMA_VERSION,
        line: line.name.clone(),
        simulated: line.simulated,
        time_zone: web.zone.name().to_owned(),
        from: rfc3339(asked.span.from()),
        to: rfc3339(asked.span.to()),
        against_from: asked.other().map(|other| rfc3339(other.from())),
        columns: asked.columns,
        column_s: asked.span.length_ms() as f64 / 1000.0 / asked.columns as f64,
        signals: shown.panes.iter().map(|pane| signal(line, pane)).collect(),
        events_known_from: shown.known_from.map(rfc3339),
        alarms: more.then(|| shown.alarms.iter().map(|lane| calls(line, lane)).collect()),
        alarms_left_out: more.then_some(shown.alarms_left_out),
        recipes: more.then(|| lanes(&shown.recipes)),
        batches: more.then(|| lanes(&shown.batches)),
        notes: more.then(|| shown.notes.iter().map(note).collect()),
        samples: more.then(|| shown.samples.iter().flat_map(|lane| &lane.samples).cloned().collect()),
    }
}

fn calls(line: &Line, lane: &AlarmLane) -> TrendAlarmBody {
    let alarm = line.alarm(lane.alarm);
    let call =
        |bar: &Bar| TrendCallBody { from: rfc3339(bar.from), to: (!bar.goes_on).then(|| rfc3339(bar.to)) };
    TrendAlarmBody {
        alarm: alarm.id.clone(),
        name: alarm.name.clone(),
        priority: alarm.priority.name(),
        stood: lane.bars.iter().map(call).collect(),
    }
}

fn note(note: &Pinned) -> TrendNoteBody {
    TrendNoteBody {
        n: note.n,
        from: rfc3339(note.from),
        to: rfc3339(note.to),
        signals: note.signals.clone(),
        text: note.text.clone(),
        by: note.by.clone(),
        at: rfc3339(note.at),
    }
}

fn lanes(lanes: &[Lane]) -> Vec<TrendLaneBody> {
    lanes.iter().map(|lane| TrendLaneBody { name: lane.name.clone(), bars: bars(&lane.bars) }).collect()
}

fn bars(bars: &[Bar]) -> Vec<TrendBarBody> {
    let bar =
        |bar: &Bar| TrendBarBody { from: rfc3339(bar.from), to: rfc3339(bar.to), text: bar.text.clone() };
    bars.iter().map(bar).collect()
}

const fn level_name(level: Level) -> &'static str {
    match level {
        Level::Samples => "readings",
        Level::Minutes => "minutes",
        Level::Hours => "hours",
    }
}

fn signal(line: &Line, pane: &Pane) -> TrendSignalBody {
    let own = line.signal(pane.id);
    let asked = pane.curve.bands.iter().map(|band| {
        let (low, high) = band.tolerance.unzip();
        TrendAskedBody { from: rfc3339(band.utc), setpoint: band.setpoint, low, high }
    });
    TrendSignalBody {
        tag: own.tag.clone(),
        name: own.name.clone(),
        station: line.station(own.station).key.clone(),
        unit: own.unit.symbol(),
        decimals: own.decimals,
        made_from: level_name(pane.level),
        joined_columns: pane.joined,
        in_tolerance_with_stops_percent: pane.curve.share_in_band().map(|share| share * 100.0),
        unreadable_blocks: pane.unreadable,
        asked: asked.collect(),
        not_running: bars(&pane.stops),
        against: pane.other.as_ref().map(|other| columns(other, own.decimals)),
        columns: columns(&pane.curve, own.decimals),
    }
}

fn columns(curve: &Curve, decimals: u8) -> TrendColumnsBody {
    let digits = 10_f64.powi(i32::from(decimals) + 2);
    let shown = |value: f64| (value * digits).round() / digits;
    let of = |value: fn(&Stretch) -> f64| {
        let one = |column: &Stretch| (column.samples > 0).then(|| shown(value(column)));
        curve.columns.iter().map(one).collect()
    };
    TrendColumnsBody {
        lowest: of(|column| column.min),
        highest: of(|column| column.max),
        mean: of(|column| column.sum / f64::from(column.samples)),
        quality: (0..curve.columns.len()).map(|column| quality(curve, column).letter()).collect(),
    }
}

/// What a column stands on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::web) enum Quality {
    /// Values only, good ones as far as is known.
    Good,
    /// Values that are doubtful.
    Doubtful,
    /// Values, and readings without one.
    Mixed,
    /// Readings, none with a value.
    NoValue,
    /// Nothing was kept: a gap.
    Gap,
}

impl Quality {
    const fn letter(self) -> char {
        match self {
            Self::Good => 'g',
            Self::Doubtful => 'd',
            Self::Mixed => 'm',
            Self::NoValue => 'b',
            Self::Gap => '-',
        }
    }
}

/// What a column stands on. Time counts as known only between good readings: of two values without any between, one was
/// doubtful.
pub(in crate::web) fn quality(curve: &Curve, column: usize) -> Quality {
    let Some(stretch) = curve.columns.get(column) else { return Quality::Gap };
    match (stretch.samples, stretch.others) {
        (0, 0) => Quality::Gap,
        (0, _) => Quality::NoValue,
        (_, 1..) => Quality::Mixed,
        (2.., 0) if stretch.good_s == 0.0 => Quality::Doubtful,
        (_, 0) => Quality::Good,
    }
}
