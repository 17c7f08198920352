//! Statistics of the stretch, and of the one it is held against: on time in which the station ran and the value was good.

use crate::history::Span;
use crate::report::statistics::{Basis, Comparison, Group, StatisticsRow};
use crate::web::trends::Asked;
use crate::web::trends::read::Shown;
use crate::web::{Web, words};
use maud::{Markup, html};
use setward_config::line::{Behaves, LineSignal, Origin, Role};
use setward_protocol::SignalId;
use std::time::Duration;

/// Nobody waits longer for all of them.
const WITHIN: Duration = Duration::from_secs(5);
/// Two stretches that lie within so much are read together, and told apart with their uncertainty.
const TOGETHER_MS: i64 = 8 * 24 * 3_600_000;
/// A longer stretch has more readings than a page works out.
const LONGEST_MS: i64 = 8 * 24 * 3_600_000;

/// What was found of one signal.
pub(super) struct Found {
    id: SignalId,
    row: Result<StatisticsRow, String>,
    other: Option<Result<StatisticsRow, String>>,
    compared: Option<Comparison>,
}

/// Works it out, signal by signal.
pub(super) async fn statistics(web: &Web, asked: &Asked, shown: &Shown) -> Vec<Found> {
    let mut all = Vec::new();
    let measured = asked.signals.iter().filter(|id| has_statistics(web.app.line.signal(**id)));
    let work = async {
        // It is never closed; were it, the work would go on without a turn.
        let _turn = web.heavy.acquire().await;
        for id in measured.clone() {
            all.push(of_signal(web, asked, shown, *id).await);
        }
    };
    let late = tokio::time::timeout(WITHIN, work).await.is_err();
    if late {
        let done: Vec<SignalId> = all.iter().map(|found| found.id).collect();
        for id in measured.filter(|id| !done.contains(id)) {
            let why = "not worked out within 5 s; choose fewer signals or a shorter stretch".to_owned();
            all.push(Found { id: *id, row: Err(why), other: None, compared: None });
        }
    }
    all
}

/// A counter or a state has no mean.
fn has_statistics(signal: &LineSignal) -> bool {
    let is_value = matches!(signal.role, Role::Measured | Role::Output | Role::Setpoint);
    is_value && signal.behaves == Behaves::Value && signal.origin != Origin::Entered
}

async fn of_signal(web: &Web, asked: &Asked, shown: &Shown, id: SignalId) -> Found {
    let (span, other) = (asked.span, asked.other());
    if span.length_ms() > LONGEST_MS {
        let row = Err("worked out for 8 days at most; the figures above are of the whole stretch".to_owned());
        return Found { id, row, other: None, compared: None };
    }
    let together = other.and_then(|other| {
        Span::new(span.from().min(other.from()), span.to().max(other.to()))
            .ok()
            .filter(|both| both.length_ms() <= TOGETHER_MS)
            .map(|both| (both, other))
    });
    if let Some((both, other)) = together {
        return match basis(web, shown, id, both).await {
            Ok(basis) => Found {
                id,
                row: Ok(basis.row(&group(span))),
                other: Some(Ok(basis.row(&group(other)))),
                compared: Some(basis.compare(span, other)),
            },
            Err(why) => Found { id, row: Err(why), other: None, compared: None },
        };
    }
    let row = basis(web, shown, id, span).await.map(|basis| basis.row(&group(span)));
    let other = match other {
        Some(other) => Some(basis(web, shown, id, other).await.map(|basis| basis.row(&group(other)))),
        None => None,
    };
    Found { id, row, other, compared: None }
}

async fn basis<'a>(web: &'a Web, shown: &Shown, id: SignalId, over: Span) -> Result<Basis<'a>, String> {
    let read = Basis::read(&web.app.line, &*web.app.history, id, (over, &shown.modes)).await;
    read.map_err(|error| error.text)
}

fn group(span: Span) -> Group {
    Group { name: String::new(), spans: vec![span] }
}

/// The table.
pub(super) fn show(web: &Web, asked: &Asked, all: &[Found]) -> Markup {
    html! {
        section #statistics {
            h2 { "Statistics" }
            @if all.is_empty() { p { "None: of states, counters and entries there is no mean." } } @else {
                div.wide tabindex="0" role="region" aria-label="Statistics" {
                    table.tanks.figures.stack {
                        thead { tr { th { "Signal" } th { "Ran, value good" } th { "Mean" } th { "sd" } th { "In tolerance" } th { "Below" } th { "Above" } th { "Lowest" } th { "Highest" } } }
                        tbody {
                            @for found in all {
                                @let signal = web.app.line.signal(found.id);
                                (row(signal, &signal.tag, &found.row))
                                @if let Some(other) = &found.other { (row(signal, "the other stretch", other)) }
                                @if let Some(compared) = &found.compared { (difference(signal, compared)) }
                            }
                        }
                    }
                }
                p.soft {
                    "While the station ran and the value was good. Where the recipe has a setpoint, mean, lowest and highest are value less
                    setpoint. sd: standard deviation. Below and above: how far outside the tolerance by how long."
                    @if asked.against.is_some() { " A difference is given with the range in which it lies with 95 %, as far as the readings are worth." }
                }
            }
        }
    }
}

fn row(signal: &LineSignal, name: &str, found: &Result<StatisticsRow, String>) -> Markup {
    let refused = match found {
        Ok(row) => row.refused.as_deref(),
        Err(why) => Some(why.as_str()),
    };
    html! {
        tr {
            th scope="row" { (name) }
            @match found {
                Ok(row) if refused.is_none() => (figures(signal, row)),
                Ok(_) | Err(_) => td colspan="8" { (refused.unwrap_or_default()) }
            }
        }
    }
}

fn figures(signal: &LineSignal, row: &StatisticsRow) -> Markup {
    let digits = signal.decimals + 1;
    let difference = words::difference_unit(signal.unit);
    let apart = |text: &str| words::with_difference_unit(text, signal.unit);
    let value = |value: Option<f64>, digits: u8| match value {
        None => "\u{2013}".to_owned(),
        Some(value) if row.is_deviation => apart(&words::signed(value, digits)),
        Some(value) => words::with_unit(&words::number(value, digits), signal.unit),
    };
    let area = |area: Option<f64>| match area {
        None => "\u{2013}".to_owned(),
        Some(area) => format!("{} {difference}\u{b7}s", words::number(area, 0)),
    };
    html! {
        td data-h="Ran, value good" { (words::span(row.known_s)) }
        td data-h="Mean" { (value(row.mean, digits)) }
        td data-h="sd" { (row.standard_deviation.map_or_else(|| "\u{2013}".to_owned(), |sd| apart(&words::number(sd, digits)))) }
        td data-h="In tolerance" { @match row.in_tolerance_percent { Some(share) => { (words::number(share, 1)) " %" }, None => "\u{2013}" } }
        td data-h="Below" { (area(row.area_below)) }
        td data-h="Above" { (area(row.area_above)) }
        td data-h="Lowest" { (value(row.lowest, signal.decimals)) }
        td data-h="Highest" { (value(row.highest, signal.decimals)) }
    }
}

/// "+0.42 K (0.11 to 0.73): higher than in the other window".
fn difference(signal: &LineSignal, compared: &Comparison) -> Markup {
    let shown = |value: f64| words::signed(value, signal.decimals + 1);
    html! {
        tr {
            th scope="row" { "difference" }
            td colspan="8" {
                @if let Some(why) = &compared.refused { (why) }
                @if let (Some(difference), Some(least), Some(most)) = (compared.difference, compared.least, compared.most) {
                    (words::with_difference_unit(&shown(difference), signal.unit)) " (" (shown(least)) " to " (shown(most)) ")"
                }
                @if let Some(finding) = &compared.finding { ": " (finding) }
            }
        }
    }
}
