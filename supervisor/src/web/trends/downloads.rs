//! The same stretch as files: what is drawn as CSV and PNG, and single readings as CSV, as many as a page may take.

use super::api::{Pairs, asked, problem};
use super::read::{Bar, in_time, panes, stops_of};
use super::{Asked, Wrong};
use crate::cli::export::line_of;
use crate::cli::plot::Curve;
use crate::cli::{picture, trend};
use crate::history::belongs::Belonging;
use crate::history::export::Csv;
use crate::history::{HistoryReader, Span};
use crate::snapshot::RunId;
use crate::web::Web;
use crate::web::problem::Problem;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use setward_config::line::Line;
use setward_protocol::UtcMillis;

/// Most readings of one file.
pub(in crate::web) const READINGS_MAX: f64 = 300_000.0;
/// Most signals of one picture.
pub(in crate::web) const PICTURED_MAX: usize = 6;

/// What is drawn, a row a column and signal.
pub(in crate::web) async fn columns(State(web): State<Web>, pairs: Pairs) -> Response {
    match drawn(&web, pairs, super::COLUMNS_USUAL).await {
        Ok((asked, curves)) => {
            let name = file_name(&web.app.line, &asked, "columns", "csv");
            file("text/csv; charset=utf-8; header=present", &name, trend::csv(&curves).into_bytes())
        }
        Err(refusal) => *refusal,
    }
}

/// What people entered, each when its product was at the station of the trend.
pub(in crate::web) async fn samples(State(web): State<Web>, pairs: Pairs) -> Response {
    let asked = match asked(&web, pairs) {
        Ok(asked) => asked,
        Err(wrong) => return problem(&wrong).into_response(),
    };
    let line = &*web.app.line;
    match super::samples::samples(line, &*web.app.history, &asked).await {
        Ok(lanes) => {
            let name = file_name(line, &asked, "samples", "csv");
            file("text/csv; charset=utf-8; header=present", &name, super::samples::csv(&lanes).into_bytes())
        }
        Err(why) => Problem::unread(why).into_response(),
    }
}

/// The drawing, with line, stretch and zone in it.
pub(in crate::web) async fn picture(State(web): State<Web>, pairs: Pairs) -> Response {
    let (asked, mut curves) = match drawn(&web, pairs, picture::COLUMNS).await {
        Ok(drawn) => drawn,
        Err(refusal) => return *refusal,
    };
    if curves.len() > PICTURED_MAX {
        let text =
            format!("{} signals are too many for a picture; choose {PICTURED_MAX} at most", curves.len());
        return Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text).into_response();
    }
    if !asked.shows_all_values {
        curves.iter_mut().for_each(|curve| curve.axis = curve.about_band());
    }
    let line = &*web.app.line;
    let simulated = if line.simulated { " (simulated)" } else { "" };
    let shades = match shades(&web, &asked).await {
        Ok(shades) => shades,
        Err(why) => return Problem::unread(why).into_response(),
    };
    let title = format!("{}, {}{simulated}", line.plant, line.name);
    match picture::png_with(&title, &curves, &shades, web.zone.jiff()) {
        Ok(bytes) => file("image/png", &file_name(line, &asked, "trend", "png"), bytes),
        Err(why) => {
            Problem::new(StatusCode::INTERNAL_SERVER_ERROR, format!("drawing: {why}")).into_response()
        }
    }
}

/// The lines of the runs that reach into a stretch, as history keeps their files: what recipe and batch are told by. A run whose files
/// can't be read leaves both empty, as `setward export` does.
async fn belonging(web: &Web, span: Span) -> Belonging {
    let folder = web.app.line.data_dir.clone();
    let read = tokio::task::spawn_blocking(move || {
        let Ok(reader) = HistoryReader::open(&folder) else { return Belonging::default() };
        let runs = reader.runs().unwrap_or_default();
        let ends = runs.iter().skip(1).map(|next| next.started).chain([UtcMillis(i64::MAX)]);
        let met = runs.iter().zip(ends).filter(|(run, end)| run.started < span.to() && *end > span.from());
        Belonging::new(
            met.filter_map(|(run, _)| Some((run.run, line_of(&reader, &run.fingerprint)?))).collect(),
        )
    });
    read.await.unwrap_or_default()
}

/// Every reading, each with what was asked of it, the recipe that its station ran and the batch that it is about.
pub(in crate::web) async fn readings(State(web): State<Web>, pairs: Pairs) -> Response {
    let asked = match asked(&web, pairs) {
        Ok(asked) => asked,
        Err(wrong) => return problem(&wrong).into_response(),
    };
    let (line, span) = (&*web.app.line, asked.span);
    let about = about_readings(line, &asked);
    if about > READINGS_MAX {
        let text = format!(
            "about {about:.0} readings are too many for one file from a page, which takes {READINGS_MAX:.0}; ask for a shorter \
             stretch or fewer signals, or use `setward export`, which has no end"
        );
        return Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text).into_response();
    }
    let _turn = web.heavy.acquire().await;
    let belonging = belonging(&web, span).await;
    let mut bytes = Vec::new();
    let tags = asked.tags(line);
    let write = async {
        let then = belonging.then(&*web.app.history, span).await?;
        let recipe = |tag: &str, run: i64, utc: UtcMillis| then.recipe(tag, RunId(run), utc).to_owned();
        let batch = |tag: &str, run: i64, utc: UtcMillis| then.batch(tag, RunId(run), utc);
        let zone = web.zone.jiff().clone();
        let csv = Csv { zone, decimal_comma: false, recipe: &recipe, batch: &batch };
        csv.write(&*web.app.history, &tags, span, &mut bytes, &mut |_share| {}).await
    };
    let written = in_time(write).await;
    match written {
        Ok(_counts) => file(
            "text/csv; charset=utf-8; header=present",
            &file_name(line, &asked, "readings", "csv"),
            bytes,
        ),
        Err(why) => Problem::unread(why).into_response(),
    }
}

/// When each signal's station did not make product, with the word for it, as the page shades it.
async fn shades(web: &Web, asked: &Asked) -> Result<Vec<Vec<picture::Shade>>, String> {
    let shade = |bar: Bar| picture::Shade { from: bar.from, to: bar.to, text: bar.text };
    let all = stops_of(web, asked).await?;
    Ok(all.into_iter().map(|stops| stops.into_iter().map(shade).collect()).collect())
}

/// How many readings may lie in the stretch, by how often each signal is polled.
pub(in crate::web) fn about_readings(line: &Line, asked: &Asked) -> f64 {
    let seconds = asked.span.length_ms() as f64 / 1000.0;
    let every_s = |id: &setward_protocol::SignalId| {
        let register = line.signal(*id).register();
        register.map_or(1.0, |register| register.poll_every.as_secs_f64()).max(0.05)
    };
    asked.signals.iter().map(|id| seconds / every_s(id)).sum()
}

/// The curves without what happened meanwhile.
async fn drawn(web: &Web, pairs: Pairs, columns: usize) -> Result<(Asked, Vec<Curve>), Box<Response>> {
    let refuse = |wrong: &Wrong| Box::new(problem(wrong).into_response());
    let mut asked = asked(web, pairs).map_err(|wrong| refuse(&wrong))?;
    if asked.columns == super::COLUMNS_USUAL {
        asked.columns = columns;
    }
    asked.against = None;
    let panes = panes(web, &asked).await.map_err(|why| Box::new(Problem::unread(why).into_response()))?;
    Ok((asked, panes.into_iter().map(|pane| pane.curve).collect()))
}

/// "trend-TT-310-20261118T0630Z.png": what it is, and of when.
fn file_name(line: &Line, asked: &Asked, what: &str, ending: &str) -> String {
    let plain = |text: &str| -> String {
        text.chars().map(|c| if c.is_ascii_alphanumeric() || c == '-' { c } else { '-' }).collect()
    };
    let from: String = crate::web::times::rfc3339(asked.span.from())
        .chars()
        .filter(|c| !matches!(c, '-' | ':'))
        .take(13)
        .collect();
    let tags: String = asked.tags(line).iter().map(|tag| plain(tag)).take(4).collect::<Vec<_>>().join("-");
    format!("{}-{what}-{tags}-{from}Z.{ending}", plain(&line.name.to_lowercase()))
}

fn file(kind: &'static str, name: &str, bytes: Vec<u8>) -> Response {
    let disposition = format!("attachment; filename=\"{name}\"");
    ([(header::CONTENT_TYPE, kind.to_owned()), (header::CONTENT_DISPOSITION, disposition)], bytes)
        .into_response()
}
