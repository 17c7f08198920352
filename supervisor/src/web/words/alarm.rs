//! How an alarm is spoken of, by its kind: its state, what it will do, how much exposure it has.

use super::{number, span};
use crate::web::facts::Direction;
use setward_alarm::{AlarmState, Allowance, AverageReference, EXPOSURE_CAP, Forecast, Kind, Width};
use setward_protocol::Unit;

/// The three phrases in which kinds differ.
struct Phrases {
    /// While the trouble lasts: "out of tolerance".
    beyond: &'static str,
    /// Once it is over: "back in tolerance".
    back: &'static str,
    /// When it begins: "leaves tolerance".
    begins: &'static str,
}

const fn phrases(kind: &Kind) -> Phrases {
    match kind {
        Kind::Limit(_) => LIMIT,
        Kind::TimeWeighted(_) => TOLERANCE,
        Kind::Deviation(settings) => match settings.width {
            Width::Latitude => LATITUDE,
            Width::Tolerance => TOLERANCE,
            Width::Specification => SPECIFICATION,
            Width::Fixed(_) => APART,
        },
        Kind::MovingAverage(settings) => match settings.reference {
            AverageReference::Limit(_) => MEAN_LIMIT,
            AverageReference::Target(_) => MEAN_TOLERANCE,
        },
        Kind::Discrepancy(_) => DISCREPANCY,
        Kind::Rate(_) => RATE,
        Kind::Status(_) => STATUS,
        Kind::EquivalentTime(_) => DOSE,
        Kind::Drift(_) => DRIFT,
        Kind::Measurement(_) => MEASUREMENT,
        Kind::Communication(_) => COMMUNICATION,
        Kind::Forwarding(_) => FORWARDING,
    }
}

const MEAN_LIMIT: Phrases = Phrases {
    beyond: "on average beyond the limit",
    back: "on average back inside the limit",
    begins: "passes the limit",
};
const MEAN_TOLERANCE: Phrases = Phrases {
    beyond: "on average out of tolerance",
    back: "on average back in tolerance",
    begins: "leaves tolerance",
};
const DISCREPANCY: Phrases = Phrases {
    beyond: "not in agreement with the other signal",
    back: "in agreement again",
    begins: "disagrees with the other signal",
};
const RATE: Phrases = Phrases {
    beyond: "changing at the wrong rate",
    back: "changing at a fair rate again",
    begins: "begins to change at the wrong rate",
};
const STATUS: Phrases = Phrases {
    beyond: "in the wrong state",
    back: "in a right state again",
    begins: "goes into the wrong state",
};
const DOSE: Phrases = Phrases {
    beyond: "outside the dose for the batch",
    back: "over with a new batch",
    begins: "leaves the dose for the batch",
};
const DRIFT: Phrases = Phrases {
    beyond: "drifting from its setpoint",
    back: "back at its setpoint",
    begins: "drifts from its setpoint",
};
const LIMIT: Phrases =
    Phrases { beyond: "beyond the limit", back: "back inside the limit", begins: "passes the limit" };
const TOLERANCE: Phrases =
    Phrases { beyond: "out of tolerance", back: "back in tolerance", begins: "leaves tolerance" };

const LATITUDE: Phrases = Phrases {
    beyond: "turned beyond the latitude",
    back: "back within the latitude",
    begins: "leaves the latitude",
};
const SPECIFICATION: Phrases =
    Phrases { beyond: "out of specification", back: "back in specification", begins: "leaves specification" };
const APART: Phrases =
    Phrases { beyond: "too far apart", back: "close enough again", begins: "gets too far apart" };
const MEASUREMENT: Phrases =
    Phrases { beyond: "without a usable value", back: "usable again", begins: "loses its usable value" };
const FORWARDING: Phrases =
    Phrases { beyond: "without all readings", back: "with all readings again", begins: "falls behind" };
const COMMUNICATION: Phrases =
    Phrases { beyond: "not answering", back: "answering again", begins: "stops answering" };

/// What the value is while the trouble lasts: "beyond the limit".
pub(in crate::web) const fn beyond(kind: &Kind) -> &'static str {
    phrases(kind).beyond
}

/// What it is again after trouble: "back inside", "answering again".
pub(in crate::web) const fn back(kind: &Kind) -> &'static str {
    phrases(kind).back
}

/// What it is while there is none: "not beyond the limit", "answering", "with a usable value".
pub(in crate::web) fn inside(kind: &Kind) -> String {
    let beyond = beyond(kind);
    let with = || beyond.strip_prefix("without ").map(|rest| format!("with {rest}"));
    beyond.strip_prefix("not ").map(str::to_owned).or_else(with).unwrap_or_else(|| format!("not {beyond}"))
}

/// An alarm's state.
pub(in crate::web) fn state(state: AlarmState, kind: &Kind) -> String {
    let back = phrases(kind).back;
    match state {
        AlarmState::Normal => "not active".to_owned(),
        AlarmState::Unacknowledged => "active, not acknowledged".to_owned(),
        AlarmState::Acknowledged => "active, acknowledged".to_owned(),
        AlarmState::Returned => format!("{back}, not acknowledged"),
        AlarmState::LatchedUnacknowledged => format!("{back}, held until reset, not acknowledged"),
        AlarmState::LatchedAcknowledged => format!("{back}, held until reset"),
    }
}

/// What an alarm will do. The engine says what happens if the value stays where it is; a value that is moving is not
/// told as if it stayed.
pub(in crate::web) fn forecast(forecast: Forecast, heading: Direction) -> String {
    use Direction::{Better, Steady, Unknown, Worse};
    match (forecast, heading) {
        (Forecast::Quiet, Worse | Steady | Better | Unknown) => "nothing under way".to_owned(),
        (Forecast::Raises { seconds }, Worse) => {
            format!("raises within {}: getting worse", span(seconds))
        }
        (Forecast::Raises { seconds }, Better) => {
            format!("raises in {} if it stays here; recovering", span(seconds))
        }
        (Forecast::Raises { seconds }, Steady | Unknown) => {
            format!("raises in {} if it stays here", span(seconds))
        }
        (Forecast::WillNotRaise, Worse) => "will not raise at this value, but is heading out".to_owned(),
        (Forecast::WillNotRaise, Steady | Better | Unknown) => "will not raise at this value".to_owned(),
        (Forecast::Clears { seconds }, Worse) => {
            format!("clears in {} if it stays here, but is getting worse", span(seconds))
        }
        (Forecast::Clears { seconds }, Steady | Better | Unknown) => {
            format!("clears in {} if it stays here", span(seconds))
        }
        (Forecast::StaysActive, Better) => "stays active; recovering".to_owned(),
        (Forecast::StaysActive, Worse) => "stays active; getting worse".to_owned(),
        (Forecast::StaysActive, Steady | Unknown) => "stays active at this value".to_owned(),
        (Forecast::Unknown, Worse | Steady | Better | Unknown) => {
            "cannot be said: too little is known, or nothing is asked of it now".to_owned()
        }
    }
}

/// For a value that is still fine and heading out: "leaves tolerance in about 50 s at this pace".
pub(in crate::web) fn begins_in(kind: &Kind, seconds: f64) -> String {
    let about = span((seconds / 10.0).ceil() * 10.0);
    format!("{} in about {about} at this pace", phrases(kind).begins)
}

/// Exposure against the allowance: "152 of 240 K·s, 63 %", or "63 % of the allowance" where it is no area.
/// `None` for an alarm that has none.
pub(in crate::web) fn exposure(share: Option<f64>, kind: &Kind, unit: Unit) -> Option<String> {
    let share = share?;
    let counted = if share >= EXPOSURE_CAP { ", counted no further" } else { "" };
    let percent = number(share * 100.0, 0);
    let of_allowance = || format!("{percent} % of the allowance{counted}");
    let Kind::TimeWeighted(settings) = kind else { return Some(of_allowance()) };
    Some(match settings.allowance {
        Allowance::AtTwice(_) => of_allowance(),
        Allowance::Area(area) => {
            let (divisor, per) = area_unit(area);
            let allowed = area / divisor;
            let decimals = u8::from(allowed < 20.0);
            let (amount, allowed) = (number(share * allowed, decimals), number(allowed, decimals));
            format!("{amount} of {allowed} {}·{per}, {percent} %{counted}", super::difference_unit(unit))
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

#[cfg(test)]
mod tests {
    use super::*;
    use setward_alarm::{Leak, Side, TimeWeightedSettings};

    fn cold(allowance: Allowance) -> Kind {
        let (side, recovery) = (Side::Below, None);
        let leak = Leak::Inside;
        Kind::TimeWeighted(TimeWeightedSettings {
            side,
            allowance,
            recovery,
            shape: 1.0,
            clear_below: 0.5,
            leak,
        })
    }

    #[test]
    fn the_forecast_says_what_happens_if_nothing_changes_and_when_something_does() {
        let told = |what, heading| forecast(what, heading);
        let raises = Forecast::Raises { seconds: 100.4 };
        assert_eq!(told(raises, Direction::Steady), "raises in 1 min 40 s if it stays here");
        assert_eq!(told(raises, Direction::Worse), "raises within 1 min 40 s: getting worse");
        assert_eq!(told(raises, Direction::Better), "raises in 1 min 40 s if it stays here; recovering");
        assert_eq!(told(Forecast::WillNotRaise, Direction::Unknown), "will not raise at this value");
        assert_eq!(
            told(Forecast::Clears { seconds: 62.0 }, Direction::Better),
            "clears in 1 min 2 s if it stays here"
        );
        assert_eq!(
            told(Forecast::Clears { seconds: 62.0 }, Direction::Worse),
            "clears in 1 min 2 s if it stays here, but is getting worse"
        );
        assert_eq!(
            told(Forecast::Unknown, Direction::Worse),
            "cannot be said: too little is known, or nothing is asked of it now"
        );
    }

    #[test]
    fn a_quiet_value_that_heads_out_has_a_time_rounded_up_to_ten_seconds() {
        let kind = cold(Allowance::Area(240.0));
        assert_eq!(begins_in(&kind, 52.0), "leaves tolerance in about 1 min at this pace");
        assert_eq!(begins_in(&kind, 8.0), "leaves tolerance in about 10 s at this pace");
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
