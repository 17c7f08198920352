//! Two boards for whoever starts the line or changes it over. They say what Setward sees; they permit nothing.

pub(in crate::web) mod changeover;
pub(in crate::web) mod start_up;

use super::super::boards::held::{Held, Place};
use super::{OFTEN_S, Page, frame, missing_value};
use crate::web::facts::Scene;
use crate::web::live::Scope;
use crate::web::svg;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

fn page(scene: &Scene<'_>, status: StatusCode, title: &str, body: Markup) -> Response {
    (status, frame(scene, Page { title, scope: Scope::Line, reload_s: OFTEN_S, body })).into_response()
}

/// What no board may be taken for.
fn caution() -> Markup {
    html! {
        p.soft {
            "A board is no permission to start: guards, burner purge, high limits and interlocks are not looked at here. Follow the plant\u{2019}s own start-up procedure."
        }
    }
}

/// One value against what is asked of it.
fn held_row(scene: &Scene<'_>, held: &Held<'_>) -> Markup {
    let facts = &held.facts;
    let tag = &facts.signal.tag;
    let (low, high) = held.band();
    let class = match held.place {
        Place::NoValue(_) => "row bad",
        Place::Below(..) | Place::Above(..) if held.is_in_the_way() => "row out",
        Place::Below(..) | Place::Above(..) | Place::Within => "row",
    };
    html! {
        li class=(class) {
            a.name href=(format!("/signals/{tag}")) { (facts.signal.name) small { (tag) } }
            @if facts.missing().is_some() { (missing_value(scene, facts)) } @else {
                span.value { b data-t=(format!("{tag}.v")) { (facts.shown()) } " " (facts.signal.unit.display()) }
                span.deviation { (place_words(held)) }
            }
            span.band { (svg::band_bar(held.widths_off(), held.is_in_the_way(), &format!("board.{tag}"))) }
            span.set { span { "asked " (facts.show_with_unit(held.asked.target.setpoint)) } small { (facts.show(low)) " to " (facts.show(high)) } }
            span.loop { (eta_words(held)) }
        }
    }
}

fn place_words(held: &Held<'_>) -> Markup {
    let far = |off: f64| held.facts.show_deviation(off);
    html! {
        @match held.place {
            Place::Within => span { "in band" },
            Place::Below(off, _) => { span { (far(off)) } (side(held, "below band")) },
            Place::Above(off, _) => { span { (far(off)) } (side(held, "above band")) },
            Place::NoValue(_) => {}
        }
    }
}

fn side(held: &Held<'_>, words: &str) -> Markup {
    html! { @if held.is_in_the_way() { b.outside { (words) } } @else { small { (words) } } }
}

fn eta_words(held: &Held<'_>) -> Markup {
    if let Some(why) = held.why_not {
        return html! { small { (why) } };
    }
    html! {
        @match held.place {
            Place::Below(_, eta) | Place::Above(_, eta) => span { (eta.words()) },
            Place::Within | Place::NoValue(_) => {}
        }
    }
}
