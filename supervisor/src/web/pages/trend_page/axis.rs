//! The axis of time: ticks at round times of the plant's clock. Places are per cent of the width, so that letters keep their
//! size on any screen.

use crate::history::Span;
use crate::web::times::Zone;
use crate::web::trends::shifted;
use jiff::civil::DateTime;
use maud::{Markup, html};
use setward_protocol::UtcMillis;

/// Most ticks of an axis.
const TICKS_MAX: i64 = 9;
const MINUTE_MS: i64 = 60_000;
const DAY_MS: i64 = 24 * 60 * MINUTE_MS;
/// Steps of less than a day, which divide it, min.
const STEPS_MIN: [i64; 12] = [1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720];
/// Steps of days.
const STEPS_DAYS: [i64; 9] = [1, 2, 4, 7, 14, 28, 56, 91, 182];

/// A round time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Tick {
    pub(super) at: UtcMillis,
    pub(super) text: String,
}

/// Where a moment stands, per cent of the width.
pub(in crate::web::pages) fn percent(span: Span, at: UtcMillis) -> f64 {
    let share = at.0.saturating_sub(span.from().0) as f64 / span.length_ms() as f64;
    (share.clamp(0.0, 1.0) * 100_000.0).round() / 1000.0
}

/// The round times of a stretch.
pub(super) fn ticks(zone: &Zone, span: Span) -> Vec<Tick> {
    let length = span.length_ms();
    let minutes = STEPS_MIN.into_iter().find(|step| length / (step * MINUTE_MS) < TICKS_MAX);
    match minutes {
        Some(minutes) => within_days(zone, span, minutes),
        None => {
            let days = STEPS_DAYS.into_iter().find(|step| length / (step * DAY_MS) < TICKS_MAX);
            by_days(zone, span, days.unwrap_or(364))
        }
    }
}

/// Midnights, so many days apart.
fn by_days(zone: &Zone, span: Span, days: i64) -> Vec<Tick> {
    let first = zone.civil(span.from()).date().at(0, 0, 0, 0);
    let at = |step: i64| shifted(zone, first, step * days);
    let all = (0..TICKS_MAX * 2).filter_map(at).filter(|at| span.contains(*at));
    let pattern = if days < 7 { "%a %d" } else { "%d %b" };
    all.map(|at| Tick { at, text: zone.shown(at, pattern) }).collect()
}

/// Times of day: of every day anew, so that they stay round when the clocks are changed.
fn within_days(zone: &Zone, span: Span, minutes: i64) -> Vec<Tick> {
    let mut ticks: Vec<Tick> = Vec::new();
    let first = zone.civil(span.from()).date().at(0, 0, 0, 0);
    let days = span.length_ms() / DAY_MS + 2;
    for day in 0..days {
        let Some(midnight) = shifted(zone, first, day) else { continue };
        let civil: DateTime = zone.civil(midnight);
        let next = shifted(zone, first, day + 1).unwrap_or(UtcMillis(midnight.0 + DAY_MS));
        // Earlier by what clocks are put back at most, so that no tick is missed.
        let begin = ((span.from().0 - midnight.0 - 120 * MINUTE_MS) / (minutes * MINUTE_MS)).max(0);
        for step in begin..24 * 60 / minutes {
            let time = civil.checked_add(jiff::SignedDuration::from_mins(step * minutes));
            let Some(at) = time.ok().and_then(|time| shifted(zone, time, 0)) else { continue };
            if at >= next || at >= span.to() {
                break;
            }
            // A time that is skipped falls together with the next.
            if span.contains(at) && ticks.last().is_none_or(|last| last.at < at) {
                let pattern = if step == 0 { "%a %d" } else { "%H:%M" };
                ticks.push(Tick { at, text: zone.shown(at, pattern) });
            }
        }
    }
    ticks
}

/// The axis. Its words are in the drawings' own sentences too.
pub(in crate::web::pages) fn show(zone: &Zone, span: Span) -> Markup {
    html! {
        div.time aria-hidden="true" {
            svg height="22" width="100%" focusable="false" {
                @for (index, tick) in ticks(zone, span).iter().enumerate() {
                    @let x = percent(span, tick.at);
                    @let anchor = if x < 5.0 { "start" } else if x > 95.0 { "end" } else { "middle" };
                    text class=(if index % 2 == 1 { "second" } else { "first" }) x=(format!("{x}%")) y="15" text-anchor=(anchor) { (tick.text) }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn span(from: &str, to: &str) -> Span {
        let at = |text: &str| UtcMillis(text.parse::<jiff::Timestamp>().unwrap().as_millisecond());
        Span::new(at(from), at(to)).unwrap()
    }

    fn texts(from: &str, to: &str) -> Vec<String> {
        let plant = Zone::named("Europe/Madrid");
        ticks(&plant, span(from, to)).into_iter().map(|tick| tick.text).collect()
    }

    #[test]
    fn a_week_has_its_midnights_and_an_hour_its_minutes_by_the_plants_clock() {
        assert_eq!(
            texts("2026-11-18T06:30:00Z", "2026-11-25T06:30:00Z"),
            ["Thu 19", "Fri 20", "Sat 21", "Sun 22", "Mon 23", "Tue 24", "Wed 25"]
        );
        assert_eq!(
            texts("2026-11-24T22:30:00Z", "2026-11-24T23:30:00Z"),
            ["23:30", "23:40", "23:50", "Wed 25", "00:10", "00:20"]
        );
        for (from, to) in [
            ("2025-11-01T00:00:00Z", "2026-11-25T00:00:00Z"),
            ("2026-11-25T00:00:01Z", "2026-11-25T00:00:11Z"),
        ] {
            assert!(texts(from, to).len() <= TICKS_MAX as usize, "{from}");
        }
    }

    #[test]
    fn ticks_stay_round_when_the_clocks_are_put_back_and_forward() {
        let back = texts("2026-10-24T22:00:00Z", "2026-10-25T23:00:00Z");
        assert_eq!(back, ["Sun 25", "03:00", "06:00", "09:00", "12:00", "15:00", "18:00", "21:00"]);
        let forward = texts("2026-03-28T23:00:00Z", "2026-03-29T07:00:00Z");
        assert_eq!(forward, ["Sun 29", "01:00", "03:00", "04:00", "05:00", "06:00", "07:00", "08:00"]);
    }

    #[test]
    fn a_moment_beyond_the_stretch_stands_at_its_edge() {
        let day = span("2026-11-24T00:00:00Z", "2026-11-25T00:00:00Z");
        let places = [day.from().0 - 5, day.from().0 + DAY_MS / 4, day.to().0 + 5]
            .map(|at| percent(day, UtcMillis(at)));
        assert_eq!(places, [0.0, 25.0, 100.0]);
    }
}
