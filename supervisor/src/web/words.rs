//! Plain words for spans, deviations, states, forecasts and reasons. Every page, stream and form says the same thing.

use crate::history::Event;
use setward_alarm::{AlarmState, Allowance, Forecast, Kind, Side};
use setward_config::line::Priority;
use setward_protocol::{NoData, Unit};

/// A span in at most two units: "40 s", "1 min 40 s", "2 h 5 min", "3 d 4 h".
pub(super) fn span(seconds: f64) -> String {
    // A float-to-integer cast saturates and maps NaN to zero.
    let whole = seconds.max(0.0) as u64;
    let two = |large: u64, large_unit: &str, small: u64, small_unit: &str| {
        if small == 0 {
            format!("{large} {large_unit}")
        } else {
            format!("{large} {large_unit} {small} {small_unit}")
        }
    };
    match whole {
        0..60 => format!("{whole} s"),
        60..3_600 => two(whole / 60, "min", whole % 60, "s"),
        3_600..86_400 => two(whole / 3_600, "h", whole % 3_600 / 60, "min"),
        _ => two(whole / 86_400, "d", whole % 86_400 / 3_600, "h"),
    }
}

/// An age: digits only once they mean something.
pub(super) fn age(seconds: f64) -> String {
    if seconds < 2.0 { "under 2 s".to_owned() } else { span(seconds) }
}

/// A number with its digits; what rounds to zero has no sign.
pub(super) fn number(value: f64, decimals: u8) -> String {
    let digits = usize::from(decimals);
    let text = format!("{value:.digits$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest.to_owned(),
        Some(rest) => format!("\u{2212}{rest}"),
        None => text,
    }
}

/// A number with its sign, always: "+1.2", "−5.6"; "0.0" has none.
pub(super) fn signed(value: f64, decimals: u8) -> String {
    let text = number(value, decimals);
    let zero = text.chars().all(|c| c == '0' || c == '.');
    if zero || text.starts_with('\u{2212}') { text } else { format!("+{text}") }
}

/// `text` with the unit behind it, if it has one. Percent too stands off by a space, as the SI brochure writes it.
pub(super) fn with_unit(text: &str, unit: Unit) -> String {
    let shown = unit.display();
    if shown.is_empty() { text.to_owned() } else { format!("{text} {shown}") }
}

/// The word before a priority's shape: "High".
pub(super) const fn priority(priority: Priority) -> &'static str {
    match priority {
        Priority::High => "High",
        Priority::Medium => "Medium",
        Priority::Low => "Low",
    }
}

/// "above" or "below".
pub(super) const fn side(side: Side) -> &'static str {
    match side {
        Side::Above => "above",
        Side::Below => "below",
    }
}

/// The side an alarm watches.
pub(super) const fn watched_side(kind: &Kind) -> Side {
    match kind {
        Kind::Limit(settings) => settings.side,
        Kind::TimeWeighted(settings) => settings.side,
    }
}

/// An alarm's state.
pub(super) const fn state(state: AlarmState, kind: &Kind) -> &'static str {
    let limit = matches!(kind, Kind::Limit(_));
    match state {
        AlarmState::Normal => "not active",
        AlarmState::Unacknowledged => "active, not acknowledged",
        AlarmState::Acknowledged => "active, acknowledged",
        AlarmState::Returned if limit => "back inside the limit, not acknowledged",
        AlarmState::Returned => "back in band, not acknowledged",
        AlarmState::LatchedUnacknowledged if limit => {
            "back inside the limit, held until reset, not acknowledged"
        }
        AlarmState::LatchedUnacknowledged => "back in band, held until reset, not acknowledged",
        AlarmState::LatchedAcknowledged if limit => "back inside the limit, held until reset",
        AlarmState::LatchedAcknowledged => "back in band, held until reset",
    }
}

/// An alarm's state as a stable word for programs.
pub(super) const fn state_key(state: AlarmState) -> &'static str {
    match state {
        AlarmState::Normal => "normal",
        AlarmState::Unacknowledged => "unacknowledged",
        AlarmState::Acknowledged => "acknowledged",
        AlarmState::Returned => "returned",
        AlarmState::LatchedUnacknowledged => "latched_unacknowledged",
        AlarmState::LatchedAcknowledged => "latched_acknowledged",
    }
}

/// What an alarm will do.
pub(super) fn forecast(forecast: Forecast) -> String {
    match forecast {
        Forecast::Quiet => "nothing under way".to_owned(),
        Forecast::Raises { seconds } => format!("trips in {} if it stays here", span(seconds)),
        Forecast::WillNotRaise => "will not trip at the present value".to_owned(),
        Forecast::Clears { seconds } => format!("clears in {} if it stays here", span(seconds)),
        Forecast::StaysActive => "stays active at the present value".to_owned(),
        Forecast::Unknown => "cannot be said: the value is not known".to_owned(),
    }
}

/// For a value that is still fine and heading out: "leaves tolerance in about 50 s at this pace".
pub(super) fn begins_in(kind: &Kind, seconds: f64) -> String {
    let about = span((seconds / 10.0).ceil() * 10.0);
    match kind {
        Kind::Limit(_) => format!("passes the limit in about {about} at this pace"),
        Kind::TimeWeighted(_) => format!("leaves tolerance in about {about} at this pace"),
    }
}

/// Exposure against the allowance: "152 of 240 K·s, 63 %", or "63 % of the allowance" where it is no area.
/// `None` for an alarm that has none.
pub(super) fn exposure(share: Option<f64>, kind: &Kind, unit: Unit) -> Option<String> {
    let share = share?;
    let Kind::TimeWeighted(settings) = kind else { return None };
    let percent = number(share * 100.0, 0);
    Some(match settings.allowance {
        Allowance::AtTwice(_) => format!("{percent} % of the allowance"),
        Allowance::Area(area) => {
            let (divisor, per) = area_unit(area);
            let allowed = area / divisor;
            let decimals = u8::from(allowed < 20.0);
            let (amount, allowed) = (number(share * allowed, decimals), number(allowed, decimals));
            format!("{amount} of {allowed} {}·{per}, {percent} %", unit.of_difference().display())
        }
    })
}

/// Areas are told in seconds, minutes or hours, whichever keeps them below about 2,000.
const fn area_unit(area: f64) -> (f64, &'static str) {
    if area < 2_000.0 {
        (1.0, "s")
    } else if area < 20_000.0 {
        (60.0, "min")
    } else {
        (3_600.0, "h")
    }
}

/// Why there is no value, and where to look first.
pub(super) const fn no_data_hint(why: NoData) -> &'static str {
    match why {
        NoData::NotPolled => "The first reading has not been made yet. Wait a few seconds.",
        NoData::NotCommissioned => "The signal is in the file but nobody reads it yet.",
        NoData::NoReply => "The controller did not answer. Look at its port lamp, its cable and its power.",
        NoData::Refused => {
            "The controller refused the connection. Is its Modbus server on, and the address right?"
        }
        NoData::Exception(_) => {
            "The controller answered that it does not serve this register. Compare the register list."
        }
        NoData::SensorFault => {
            "The controller reports a broken sensor. Look at terminals, cable and probe before you trust any number."
        }
        NoData::OutOfRange => {
            "The number lies outside what this signal can be. Look at scaling, word order and the probe."
        }
        NoData::Stale => "No new answer for too long. The controller may be slow or overloaded.",
        NoData::Stuck => "The value does not move although it should. The probe or its card may hang.",
        NoData::HeartbeatStopped => {
            "The controller answers, but its program has stopped counting. Its numbers are old."
        }
        NoData::Restarting => {
            "The controller's program has just begun anew; its registers are not filled yet. It takes up to a minute."
        }
        NoData::TooLittleKnown => {
            "It is computed over a stretch of time of which too little has been seen. Wait."
        }
    }
}

/// A stable word for programs.
pub(super) const fn no_data_key(why: NoData) -> &'static str {
    match why {
        NoData::NotPolled => "not_polled",
        NoData::NotCommissioned => "not_commissioned",
        NoData::NoReply => "no_reply",
        NoData::Refused => "refused",
        NoData::Exception(_) => "exception",
        NoData::SensorFault => "sensor_fault",
        NoData::OutOfRange => "out_of_range",
        NoData::Stale => "stale",
        NoData::Stuck => "stuck",
        NoData::HeartbeatStopped => "heartbeat_stopped",
        NoData::Restarting => "restarting",
        NoData::TooLittleKnown => "too_little_known",
    }
}

/// What happened, from a kept event: "raised", "acknowledged by Ines".
pub(super) fn event(event: &Event) -> String {
    let what = match event.what.as_str() {
        "cleared" => "cleared",
        "started" => "Setward started",
        "stopped" => "Setward stopped",
        other => other,
    };
    let by = event.by.as_ref().map(|by| format!(" by {by}")).unwrap_or_default();
    let note = event.note.as_ref().map(|note| format!(": {}", shortened(note))).unwrap_or_default();
    format!("{what}{by}{note}")
}

/// `text` with words that nobody reads to their end, such as fingerprints, cut to their first twelve characters.
fn shortened(text: &str) -> String {
    let short = |word: &str| match word.char_indices().nth(12) {
        Some((end, _)) if word.chars().count() > 40 => {
            format!("{}\u{2026}", word.get(..end).unwrap_or_default())
        }
        Some(_) | None => word.to_owned(),
    };
    text.split(' ').map(short).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use setward_alarm::TimeWeightedSettings;

    fn cold(allowance: Allowance) -> Kind {
        let (side, recovery) = (Side::Below, None);
        Kind::TimeWeighted(TimeWeightedSettings { side, allowance, recovery, shape: 1.0, clear_below: 0.5 })
    }

    #[test]
    fn a_span_has_two_units_at_most() {
        assert_eq!(span(0.4), "0 s");
        assert_eq!(span(100.0), "1 min 40 s");
        assert_eq!(span(120.0), "2 min");
        assert_eq!(span(7_500.0), "2 h 5 min");
        assert_eq!(span(273_600.0), "3 d 4 h");
        assert_eq!(span(f64::NAN), "0 s");
        assert_eq!(span(-5.0), "0 s");
    }

    #[test]
    fn a_deviation_always_has_its_sign_and_zero_has_none() {
        assert_eq!(signed(-5.6, 1), "\u{2212}5.6");
        assert_eq!(signed(0.04, 1), "0.0");
        assert_eq!(signed(-0.04, 1), "0.0");
        assert_eq!(signed(1.25, 1), "+1.2");
        assert_eq!(number(-0.4, 0), "0");
        assert_eq!(with_unit("63", Unit::Percent), "63 %");
        assert_eq!(with_unit("4", Unit::One), "4");
    }

    #[test]
    fn the_forecast_says_what_happens_if_nothing_changes() {
        assert_eq!(forecast(Forecast::Raises { seconds: 100.4 }), "trips in 1 min 40 s if it stays here");
        assert_eq!(forecast(Forecast::WillNotRaise), "will not trip at the present value");
        assert_eq!(forecast(Forecast::Clears { seconds: 62.0 }), "clears in 1 min 2 s if it stays here");
        assert_eq!(forecast(Forecast::Unknown), "cannot be said: the value is not known");
        let kind = cold(Allowance::Area(240.0));
        assert_eq!(begins_in(&kind, 52.0), "leaves tolerance in about 1 min at this pace");
        assert_eq!(begins_in(&kind, 8.0), "leaves tolerance in about 10 s at this pace");
    }

    #[test]
    fn a_fingerprint_is_cut_and_a_sentence_is_not() {
        let print = "0123456789abcdef".repeat(4);
        assert_eq!(shortened(&format!("configuration {print}")), "configuration 0123456789ab\u{2026}");
        assert_eq!(shortened("clock stepped by 3 s"), "clock stepped by 3 s");
    }

    #[test]
    fn exposure_is_an_area_where_the_allowance_is_one() {
        let shown = |share, kind: &Kind, unit| exposure(Some(share), kind, unit).unwrap();
        assert_eq!(shown(0.6333, &cold(Allowance::Area(240.0)), Unit::DegC), "152 of 240 K·s, 63 %");
        assert_eq!(shown(0.5, &cold(Allowance::Area(600.0)), Unit::DegF), "300 of 600 °F·s, 50 %");
        assert_eq!(shown(0.25, &cold(Allowance::Area(21_600.0)), Unit::DegC), "1.5 of 6.0 K·h, 25 %");
        assert_eq!(shown(0.4, &cold(Allowance::AtTwice(80.0)), Unit::DegC), "40 % of the allowance");
        assert_eq!(exposure(None, &cold(Allowance::Area(240.0)), Unit::DegC), None);
    }
}
