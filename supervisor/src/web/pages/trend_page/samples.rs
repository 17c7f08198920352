//! What people entered, on the axis of the measurements: a mark each, when its product was at the station, as wide as that is
//! uncertain; and the same as a table.

use super::lanes::lane_of;
use crate::web::trends::Asked;
use crate::web::trends::read::Shown;
use crate::web::trends::samples::Sample;
use crate::web::{Web, words};
use maud::{Markup, html};
use setward_protocol::UtcMillis;

/// Rows of the table: all of them are in the file.
const LISTED_MAX: usize = 100;

/// The lanes, and the table below them; nothing where nothing was entered.
pub(super) fn show(web: &Web, asked: &Asked, shown: &Shown) -> Markup {
    let count: usize = shown.samples.iter().map(|lane| lane.samples.len()).sum();
    html! {
        @if count > 0 {
            h2 { "Samples, shifted to when their product was here" }
            @for lane in &shown.samples { (lane_of(asked, &lane.lane(asked), "sampled")) }
            details id="samples-in-words" {
                summary { "The samples in words: " (words::counted(count, "sample")) }
                @if count > LISTED_MAX { p { "The last " (LISTED_MAX) " of each." } }
                @for lane in &shown.samples {
                    div.wide tabindex="0" role="region" aria-label=(lane.name) {
                        table.tanks.figures {
                            caption { (lane.name) }
                            thead { tr { th { "Taken" } th { "Value" } th { "Its product was here" } th { "Before that by" } th { "By" } } }
                            tbody { @for sample in lane.samples.iter().rev().take(LISTED_MAX) { (row(web, sample)) } }
                        }
                    }
                }
            }
        }
    }
}

fn row(web: &Web, sample: &Sample) -> Markup {
    let clock = |text: &str| {
        let at = text.parse::<jiff::Timestamp>().map(|at| UtcMillis(at.as_millisecond()));
        at.map_or_else(|_| text.to_owned(), |at| web.zone.stamp(at))
    };
    html! {
        tr {
            th scope="row" { (clock(&sample.taken)) }
            td { (sample.text) }
            @match (&sample.there_not_before, &sample.there_not_after, &sample.not_traced_because) {
                (Some(first), Some(last), _) if first != last => td { (clock(first)) " to " (clock(last)) },
                (Some(first), ..) => td { (clock(first)) },
                (None, _, why) => td { (why.as_deref().unwrap_or("not known")) },
            }
            td {
                @match (sample.delay_s, sample.spread_s) {
                    (Some(delay), Some(spread)) if delay > 0.0 => { (words::span(delay)) " \u{b1} " (words::span(spread)) },
                    (_, _) => "\u{2013}"
                }
            }
            td { (sample.by) }
        }
    }
}
