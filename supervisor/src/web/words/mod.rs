//! Plain words for spans, deviations, states, forecasts and reasons. Every page, stream and form says the same thing.

mod alarm;
mod demand;
mod silence;

pub(super) use alarm::{back, begins_in, beyond, exposure, forecast, inside, state};
pub(super) use demand::demand;
pub(super) use silence::silence;

use crate::history::Event;
use crate::line::alarms::{SHELVED_UNTIL, SILENT};
use crate::web::facts::SignalFacts;
use setward_alarm::{AlarmState, Side};
use setward_config::line::Priority;
use setward_protocol::{NoData, Table, Unit, UtcMillis};

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

/// "1 alarm", "12 alarms".
pub(super) fn counted(count: usize, one: &str) -> String {
    if count == 1 { format!("1 {one}") } else { format!("{count} {one}s") }
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

/// A unit by its spelling in files, as a page shows it.
pub(super) fn shown_unit(symbol: &str) -> &str {
    Unit::ALL.iter().find(|unit| unit.symbol() == symbol).map_or(symbol, |unit| unit.display())
}

/// An age of something that has two, s: "13.1 to 13.8 h"; in minutes while it is young.
pub(super) fn hours_between(youngest_s: f64, oldest_s: f64) -> String {
    if oldest_s < 3600.0 {
        return format!("{} to {} min", number(youngest_s / 60.0, 0), number(oldest_s / 60.0, 0));
    }
    format!("{} to {} h", number(youngest_s / 3600.0, 1), number(oldest_s / 3600.0, 1))
}

/// The unit of a difference of two values, as a page shows it. Two shares lie apart by points: "+0.6 %" beside "35.6 %" would
/// leave open of what.
pub(super) const fn difference_unit(unit: Unit) -> &'static str {
    if matches!(unit, Unit::Percent) { "points" } else { unit.of_difference().display() }
}

/// A difference of two values with its unit.
pub(super) fn with_difference_unit(text: &str, unit: Unit) -> String {
    let shown = difference_unit(unit);
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

/// A register's number with six digits, as newer drawings print it: "400101".
pub(super) fn printed_six_digits(table: Table, address: u16) -> String {
    format!("{:06}", table.printed_number(address))
}

/// The same with five digits, as older ones do: "40101". They end at 9,999 a table.
pub(super) fn printed_five_digits(table: Table, address: u16) -> Option<String> {
    let six = table.printed_number(address);
    let (table_digit, place) = (six / 100_000, six % 100_000);
    (place <= 9_999).then(|| format!("{table_digit}{place:04}"))
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
        NoData::TakenBack => "A person has taken back what was entered last.",
        NoData::NotSteady => {
            "It is reckoned only while the line runs steadily with product. Nothing is wrong with an instrument."
        }
        NoData::TooUncertain => {
            "What is measured does not tell it surely enough to be of use. Use the laboratory's value."
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
        NoData::TakenBack => "taken_back",
        NoData::NotSteady => "not_steady",
        NoData::TooUncertain => "too_uncertain",
    }
}

/// What happened, from a kept event: "raised", "acknowledged by Ines". `clock` says a time as the plant's clock shows it.
pub(super) fn event(event: &Event, clock: impl Fn(UtcMillis) -> String) -> String {
    let what = match event.what.as_str() {
        "started" => "Setward started",
        "stopped" => "Setward stopped",
        other => other,
    };
    let by = event.by.as_ref().map(|by| format!(" by {by}")).unwrap_or_default();
    let note = match event.note.as_deref() {
        Some(SILENT) => NOBODY_CALLED.to_owned(),
        Some(note) => match event.what.as_str() {
            "shelved" => format!(" {}", shelf(note, clock)),
            // What to look at stands on the controller's own alarm; a list says what happened.
            "controller lost" => format!(": {}", note.split_once(": ").map_or(note, |(what, _look)| what)),
            _ => format!(": {}", shortened(note)),
        },
        None => String::new(),
    };
    format!("{what}{by}{note}")
}

/// Behind an event of an alarm that was silent.
pub(super) const NOBODY_CALLED: &str = ", silent: nobody was called";

/// What the value was when it happened: " at 176.0 \u{b0}C", or " with \u{201c}not closed\u{201d}" for a code's word.
pub(super) fn at_value(on: &SignalFacts<'_>, value: f64) -> String {
    let shown = on.show_with_unit(value);
    let is_word = on.signal.codes.contains_key(&(value.round() as i64));
    if is_word { format!(" with \u{201c}{shown}\u{201d}") } else { format!(" at {shown}") }
}

/// The note of a shelf, with its end as the plant's clock shows it.
fn shelf(note: &str, clock: impl Fn(UtcMillis) -> String) -> String {
    let parts = note.strip_prefix(SHELVED_UNTIL).map(|rest| match rest.find([',', ';']) {
        Some(end) => rest.split_at(end),
        None => (rest, ""),
    });
    let end = parts.and_then(|(end, _)| end.parse::<jiff::Timestamp>().ok());
    match (end, parts) {
        (Some(end), Some((_, rest))) => {
            format!("{SHELVED_UNTIL}{}{rest}", clock(UtcMillis(end.as_millisecond())))
        }
        (_, _) => note.to_owned(),
    }
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
    use setward_protocol::Uptime;

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

    fn nothing() -> Event {
        Event {
            sequence: 1,
            utc: UtcMillis(0),
            at: Uptime::START,
            alarm: None,
            occurrence: 0,
            what: String::new(),
            states: String::new(),
            onset: None,
            value: None,
            exposure: None,
            by: None,
            note: None,
        }
    }

    #[test]
    fn a_lost_controller_is_told_without_what_to_look_at() {
        let event = Event {
            what: "controller lost".to_owned(),
            note: Some("oven, no reply within 400 ms: check power, cable and port lamp".to_owned()),
            ..nothing()
        };
        assert_eq!(super::event(&event, |_| String::new()), "controller lost: oven, no reply within 400 ms");
    }

    #[test]
    fn a_fingerprint_is_cut_and_a_sentence_is_not() {
        let print = "0123456789abcdef".repeat(4);
        assert_eq!(shortened(&format!("configuration {print}")), "configuration 0123456789ab\u{2026}");
        assert_eq!(shortened("clock stepped by 3 s"), "clock stepped by 3 s");
    }

    #[test]
    fn drawings_print_five_digits_or_six() {
        let both = |table, address| (printed_five_digits(table, address), printed_six_digits(table, address));
        assert_eq!(both(Table::Holding, 100), (Some("40101".to_owned()), "400101".to_owned()));
        assert_eq!(both(Table::Coil, 0), (Some("00001".to_owned()), "000001".to_owned()));
        assert_eq!(both(Table::Input, 9_998), (Some("39999".to_owned()), "309999".to_owned()));
        assert_eq!(both(Table::Holding, 9_999), (None, "410000".to_owned()));
    }
}
