//! What keeps an alarm silent, in words: who or what, until when, and which of its conditions.

use crate::snapshot::{OutOfService, Shelf};
use crate::web::facts::{Scene, Silence};
use setward_config::line::LineAlarm;
use setward_process::condition::{Condition, Test};
use setward_protocol::UtcMillis;

/// Why an alarm does not speak: "silent while the mode of Fryer is cleaning", "hidden by Fryer oil flow low".
pub(in crate::web) fn silence(scene: &Scene<'_>, silence: &Silence<'_>) -> String {
    match silence {
        Silence::OutOfService(out) => out_of_service(scene, *out),
        Silence::NoCommunication(controller) => {
            format!("hidden: controller {} does not answer", scene.line.controller(*controller).name)
        }
        Silence::BadMeasurement(signal) => format!("hidden: {} has no usable value", signal.tag),
        Silence::Mode(station, mode) => {
            format!("silent while the mode of {} is {}", scene.line.station(*station).name, mode.name())
        }
        Silence::Settling(end) => format!("silent: settling{}", until(scene, *end)),
        Silence::Condition(alarm) => condition(scene, alarm),
        Silence::HiddenBy(cause) => format!("hidden by {}", cause.name),
        Silence::Shelved(end, shelf) => shelved(scene, *end, *shelf),
    }
}

fn until(scene: &Scene<'_>, until: Option<UtcMillis>) -> String {
    until.map(|until| format!(" until {}", scene.clock(until))).unwrap_or_default()
}

/// "shelved until 04:10:00 by Inés: probe being changed".
fn shelved(scene: &Scene<'_>, end: Option<UtcMillis>, shelf: Option<&Shelf>) -> String {
    let end = until(scene, end);
    let Some(shelf) = shelf else { return format!("shelved{end}") };
    let once = if shelf.once { ", for one occurrence" } else { "" };
    format!("shelved{end}{once} by {}{}", shelf.by, reason(shelf.why.as_deref()))
}

/// "out of service since 02:10:00, by Inés: probe being changed".
fn out_of_service(scene: &Scene<'_>, out: Option<&OutOfService>) -> String {
    let Some(out) = out else { return "out of service".to_owned() };
    let since = scene.clock(out.since);
    format!("out of service since {since}, by {}{}", out.by, reason(out.why.as_deref()))
}

fn reason(why: Option<&str>) -> String {
    why.map(|why| format!(": {why}")).unwrap_or_default()
}

/// "silent: Kettle 1 step number is filling, waits for cooking".
fn condition(scene: &Scene<'_>, alarm: &LineAlarm) -> String {
    let unmet: Vec<String> = alarm.when.iter().filter_map(|one| unmet(scene, one)).collect();
    match unmet.as_slice() {
        [] if lacks_product(scene, alarm) => "silent: no product under it".to_owned(),
        [] => match alarm.only_after.zip(alarm.settings.station) {
            Some((mode, station)) => {
                let station = &scene.line.station(station).name;
                format!("silent: speaks once {station} has been in {}", mode.name())
            }
            None => "silent: what it waits for does not hold".to_owned(),
        },
        unmet => format!("silent: {}", unmet.join(", and ")),
    }
}

fn lacks_product(scene: &Scene<'_>, alarm: &LineAlarm) -> bool {
    let signal = alarm.settings.watches.signal();
    let station = signal.map(|signal| scene.station(scene.line.signal(signal).station));
    station.is_some_and(|station| station.view.product_present == Some(false))
}

/// What a condition finds and what it waits for, if it does not hold.
fn unmet(scene: &Scene<'_>, condition: &Condition) -> Option<String> {
    let facts = scene.signal(condition.signal);
    let value = facts.view.reading.good().filter(|value| !condition.test.holds(*value))?;
    let wanted = match &condition.test {
        Test::Is(codes) => {
            let codes: Vec<String> = codes.iter().map(|code| facts.show(*code as f64)).collect();
            codes.join(" or ")
        }
        Test::Between { low, high } => format!("{} to {}", facts.show(*low), facts.show_with_unit(*high)),
    };
    Some(format!("{} is {}, waits for {wanted}", facts.signal.name, facts.show_with_unit(value)))
}
