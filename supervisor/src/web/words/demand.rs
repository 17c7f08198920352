//! What an alarm asks of its signal, for the kinds that hold it against more than one number.

use super::{number, span, with_unit};
use crate::web::facts::SignalFacts;
use setward_alarm::{EquivalentTimeSettings, Kind, RateSettings, Side, StatusSettings};

/// "it should rise by 1.5 K/min at least"; `None` for the kinds whose reference says it all.
pub(in crate::web) fn demand(kind: &Kind, on: &SignalFacts<'_>) -> Option<String> {
    match kind {
        Kind::Rate(settings) => Some(rate(settings, on)),
        Kind::Status(settings) => Some(status(settings, on)),
        Kind::EquivalentTime(settings) => Some(dose(settings, on)),
        Kind::Measurement(settings) => {
            Some(format!("raises after {} without a usable value", span(settings.bad_for.as_secs_f64())))
        }
        Kind::Limit(_)
        | Kind::Deviation(_)
        | Kind::TimeWeighted(_)
        | Kind::MovingAverage(_)
        | Kind::Discrepancy(_)
        | Kind::Drift(_)
        | Kind::Communication(_)
        | Kind::Forwarding(_) => None,
    }
}

fn rate(settings: &RateSettings, on: &SignalFacts<'_>) -> String {
    let decimals = on.signal.decimals.saturating_add(1);
    let unit = super::difference_unit(on.signal.unit);
    let pace = format!("{} {unit}/min", number(settings.per_minute, decimals));
    let over = span(settings.over.as_secs_f64());
    let asked = match settings.side {
        Side::Above => format!("should rise by {pace} at most, over {over}"),
        Side::Below => format!("should rise by {pace} at least, over {over}"),
    };
    match settings.between {
        Some((low, high)) => format!("{asked}, between {} and {}", on.show(low), on.show_with_unit(high)),
        None => asked,
    }
}

fn status(settings: &StatusSettings, on: &SignalFacts<'_>) -> String {
    let codes: Vec<_> = settings.is.as_slice().iter().map(|code| on.show(*code as f64)).collect();
    let codes = codes.join(", ");
    match settings.share {
        Some((share, window)) => {
            let percent = with_unit(&number(share * 100.0, 0), setward_protocol::Unit::Percent);
            format!("raises at {codes} for {percent} of {}", span(window.as_secs_f64()))
        }
        None => format!("raises at {codes}"),
    }
}

fn dose(settings: &EquivalentTimeSettings, on: &SignalFacts<'_>) -> String {
    let at = on.show_with_unit(settings.reference);
    let time = |time: std::time::Duration| span(time.as_secs_f64());
    match (settings.least, settings.most) {
        (Some(least), Some(most)) => {
            format!("a batch should get {} to {} as if at {at}", time(least), time(most))
        }
        (Some(least), None) => format!("a batch should get {} at least as if at {at}", time(least)),
        (None, Some(most)) => format!("a batch should get {} at most as if at {at}", time(most)),
        (None, None) => format!("the dose of a batch, as time at {at}"),
    }
}
