//! The product that an alarm touched: when it is or was packed, how much, from which tanks, by which recipe.

use crate::line::follow::ProductView;
use crate::report::lots::{self, Touched};
use crate::web::facts::{AlarmFacts, Scene};
use crate::web::{Web, words};
use maud::{Markup, html};
use setward_alarm::AlarmId;

/// Less than this is nothing that could be found, kg.
const HARDLY_ANY_KG: f64 = 0.5;

/// What is said of an alarm that stood while next to nothing was made: a time of packing would mislead.
fn hardly_any(product: &ProductView) -> Option<String> {
    let is_none = !product.is_forecast && product.about_kg.is_some_and(|kg| kg < HARDLY_ANY_KG);
    is_none.then(|| "hardly any was made meanwhile".to_owned())
}

/// In one line: "packed about 14:07:20 to 14:20:10 (spread 4 min), about 208 kg". `None` if its station is not on the way
/// to the bag, or it never raised.
pub(in crate::web) fn in_short(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> Option<String> {
    let product = of(scene, facts)?;
    if let Some(words) = hardly_any(product) {
        return Some(words);
    }
    let when = match product.packed {
        Some((first, last)) => {
            let spread = product
                .spread_s
                .map(|spread| format!(" (spread {})", words::span(spread)))
                .unwrap_or_default();
            let so_far = if product.is_forecast { "to be packed about" } else { "packed about" };
            format!("{so_far} {}{spread}", scene.between(first, last))
        }
        None => "when it is packed is not known".to_owned(),
    };
    let belongs = product
        .packed_at_most
        .or(product.packed)
        .and_then(|packed| lots::touched_by_clock(scene.line, packed));
    let belongs =
        belongs.and_then(|belongs| belongs.words()).map(|words| format!("; {words}")).unwrap_or_default();
    let told = match product.about_kg {
        Some(kg) if product.is_at_present_rate => {
            format!("{when}, about {} kg as the feed is now", words::number(kg, 0))
        }
        Some(kg) => format!("{when}, about {} kg", words::number(kg, 0)),
        None => format!("{when}; how much is not known"),
    };
    Some(told + &belongs)
}

/// The same for the first block of an alarm, to the minute and without lot and date code, which stand further down:
/// "packed 14:07 to 14:20 (spread 4 min), about 208 kg"; "to be packed" while some of it is on its way.
pub(in crate::web) fn in_few_words(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> Option<String> {
    let product = of(scene, facts)?;
    if let Some(words) = hardly_any(product) {
        return Some(words);
    }
    let when = product.packed.map(|(first, last)| {
        let spread = product
            .spread_s
            .map(|spread| format!(" (spread {} min)", words::number((spread / 60.0).ceil(), 0)));
        let so_far = if product.is_forecast { "to be packed" } else { "packed" };
        format!(
            "{so_far} {}{}",
            scene.zone.minutes_between(first, last, scene.now),
            spread.unwrap_or_default()
        )
    });
    let when = when.unwrap_or_else(|| "when it is packed is not known".to_owned());
    Some(match product.about_kg {
        Some(kg) => format!("{when}, about {} kg", words::number(kg, 0)),
        None => format!("{when}; how much is not known"),
    })
}

/// Lots and date codes of what is to be held at most; nothing, where history can't be read or nothing tells them.
pub(super) async fn belongs(web: &Web, alarm: AlarmId) -> Touched {
    let snapshot = web.app.handle.snapshot();
    let product = snapshot.following.products.get(&alarm);
    let Some(packed) = product.and_then(|product| product.packed_at_most.or(product.packed)) else {
        return Touched::default();
    };
    lots::touched(&web.app.line, &*web.app.history, packed, web.app.clock.utc()).await.unwrap_or_default()
}

/// All that is known of it.
pub(super) fn show(scene: &Scene<'_>, facts: &AlarmFacts<'_>, belongs: &Touched) -> Markup {
    let Some(product) = of(scene, facts) else { return html! {} };
    html! {
        section #product {
            h2 { "Product that it touched" }
            dl.facts {
                dt { "In short" } dd { (in_short(scene, facts).unwrap_or_default()) }
                @if let Some((first, last)) = product.packed_at_most {
                    dt { "Hold at most" }
                    dd {
                        "what was packed " (scene.between(first, last))
                        @if let Some(kg) = product.most_kg { ", " (words::number(kg, 0)) " kg" }
                    }
                }
                @if let Some(words) = belongs.words() { dt { "Belongs to" } dd { (words) } }
                @if !product.recipes.is_empty() { dt { "Made by" } dd { (recipes(scene, product)) } }
                dt { "From" } dd { (tanks(product)) }
                @if !product.batches.is_empty() {
                    dt { "Batches" } dd { @for id in &product.batches { (super::records::batch_link(id)) " " } }
                }
            }
            p { a.button href=(format!("/holds?alarm={}#new", facts.alarm.id)) { "Put it on hold" } }
            @if product.was_reversed { p { b { "A belt ran backward meanwhile: these times can\u{2019}t be relied on." } } }
            p.soft { "Traced with measured belt speeds through every station to the bag; worked out at " (scene.clock(product.at)) "." }
        }
    }
}

/// The product of the occurrence that the page shows.
fn of<'a>(scene: &Scene<'a>, facts: &AlarmFacts<'_>) -> Option<&'a ProductView> {
    let product = scene.snapshot.following.products.get(&facts.id)?;
    (product.occurrence == facts.view.occurrence).then_some(product)
}

fn recipes(scene: &Scene<'_>, product: &ProductView) -> String {
    let name = |index: &usize| scene.line.recipes.get(*index).map(|recipe| recipe.name.clone());
    product.recipes.iter().filter_map(name).collect::<Vec<_>>().join("; ")
}

fn tanks(product: &ProductView) -> String {
    let age = |youngest: Option<f64>, oldest: Option<f64>| match (youngest, oldest) {
        (Some(youngest), Some(oldest)) => {
            format!(" (corn {} to {} old)", words::span(youngest), words::span(oldest))
        }
        (_, _) => " (age of its corn not known)".to_owned(),
    };
    let tank = |(number, youngest, oldest): &(u16, Option<f64>, Option<f64>)| {
        let unseen = if product.unseen_in.contains(number) { " and corn that nobody saw come" } else { "" };
        format!("tank {number}{}{unseen}", age(*youngest, *oldest))
    };
    let mut told: Vec<String> = product.tanks.iter().map(tank).collect();
    if product.unknown_tank_s >= 1.0 {
        told.push(format!("an unknown tank for {}", words::span(product.unknown_tank_s)));
    }
    if told.is_empty() { "a tank that is not known".to_owned() } else { told.join(", ") }
}
