//! How to bring each alarm about by hand, and when it must raise then. In words: who does it knows the plant.

use crate::commission::written::short;
use serde::Serialize;
use setward_alarm::{
    Allowance, AverageReference, DeviationSettings, ForwardingSettings, Kind, Leak, LimitSettings,
    MovingAverageSettings, RateSettings, Reference, Side, StatusSettings, TimeWeightedSettings, Watched,
    Width,
};
use setward_config::line::{AlarmClass, Line, LineAlarm};
use setward_protocol::SignalId;
use std::time::Duration;

/// An alarm to be brought about.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AlarmCheck {
    /// Its id.
    pub alarm: String,
    /// Its headline.
    pub name: String,
    /// Its kind.
    pub kind: &'static str,
    /// What it watches.
    pub watches: String,
    /// Its priority.
    pub priority: &'static str,
    /// Whether each signal or controller has it by itself.
    pub automatic: bool,
    /// How to bring it about.
    pub provoke: String,
    /// How long after that it raises, s; `None` where that depends on what was before.
    pub expected_s: Option<f64>,
    /// What that holds for.
    pub expected_words: String,
    /// What the operator does.
    pub operator_now: Vec<String>,
    /// What the technician does next.
    pub technician_next: Vec<String>,
    /// How long there is to act, s.
    pub time_to_respond_s: f64,
    /// The independent device that acts before it, if there is one.
    pub independent_device: Option<String>,
}

/// In front of what brings an alarm of a protective device about.
const NOT_BY_HAND: &str = "Only by the protective device's own test, by people licensed for it, or by `setward prove`; never by \
                           defeating it:";

/// How, after how many seconds, and what that holds for.
struct Way {
    provoke: String,
    expected_s: Option<f64>,
    expected: String,
}

fn forwarding(settings: &ForwardingSettings) -> Way {
    let expected_s = settings.behind_most.as_secs_f64();
    Way {
        provoke: "Stop the server, or block the way to it, where nothing else needs it.".to_owned(),
        expected_s: Some(expected_s),
        expected: format!("after {} min, and clears once the server has everything", expected_s / 60.0),
    }
}

impl AlarmCheck {
    pub(super) fn new(line: &Line, alarm: &LineAlarm) -> Self {
        let automatic = matches!(
            alarm.settings.kind,
            Kind::Measurement(_) | Kind::Communication(_) | Kind::Forwarding(_)
        );
        let Way { provoke, expected_s, expected } = Watching { line, alarm }.way();
        let provoke = if alarm.class == Some(AlarmClass::ProcessSafety) {
            format!("{NOT_BY_HAND} {provoke}")
        } else {
            provoke
        };
        let watches = match alarm.settings.watches {
            Watched::Signal(signal) => line.signal(signal).tag.clone(),
            Watched::Controller(controller) => line.controller(controller).name.clone(),
            Watched::Server(server) => line.server(server).name.clone(),
        };
        Self {
            alarm: alarm.id.clone(),
            name: alarm.name.clone(),
            kind: alarm.settings.kind.name(),
            watches,
            priority: alarm.priority.name(),
            automatic,
            provoke,
            expected_s,
            expected_words: expected,
            operator_now: alarm.response_now.clone(),
            technician_next: alarm.response_next.clone(),
            time_to_respond_s: alarm.time_to_respond.as_secs_f64(),
            independent_device: alarm.independent_device.clone(),
        }
    }
}

/// An alarm in its line.
struct Watching<'a> {
    line: &'a Line,
    alarm: &'a LineAlarm,
}

const fn beyond(side: Side) -> &'static str {
    match side {
        Side::Above => "above",
        Side::Below => "below",
    }
}

/// After a delay, and one poll more.
fn after(delay: Duration, poll: Duration) -> (Option<f64>, String) {
    let delay_s = delay.as_secs_f64();
    (
        Some(delay_s),
        format!("{} s, and up to {} s more for the next reading", short(delay_s), short(poll.as_secs_f64())),
    )
}

impl Watching<'_> {
    fn signal(&self) -> Option<SignalId> {
        self.alarm.settings.watches.signal()
    }

    fn tag(&self) -> String {
        self.signal().map_or_else(String::new, |signal| self.line.signal(signal).tag.clone())
    }

    /// A value with the signal's unit.
    fn value(&self, value: f64) -> String {
        let unit = self.signal().map_or("", |signal| self.line.signal(signal).unit.display());
        format!("{} {unit}", short(value)).trim_end().to_owned()
    }

    /// A difference with its unit.
    fn difference(&self, value: f64) -> String {
        let unit = self.signal().map_or("", |signal| self.line.signal(signal).unit.of_difference().display());
        format!("{} {unit}", short(value)).trim_end().to_owned()
    }

    /// What the recipe that runs where no controller says otherwise asks of the signal.
    fn target(&self) -> Option<setward_alarm::Target> {
        self.line.recipe_setpoint(self.signal()?).map(|setpoint| setpoint.target)
    }

    fn way(&self) -> Way {
        let poll = self.alarm.settings.poll_every;
        match self.alarm.settings.kind {
            Kind::Limit(settings) => self.limit(&settings, poll),
            Kind::Deviation(settings) => self.deviation(&settings, poll),
            Kind::TimeWeighted(settings) => self.time_weighted(&settings),
            Kind::MovingAverage(settings) => self.average(&settings, poll),
            Kind::Discrepancy(settings) => {
                let other = &self.line.signal(settings.other).tag;
                let (expected_s, expected) = after(settings.on_delay, poll);
                let provoke = format!(
                    "Hold {} and {other} more than {} apart: inject into one and leave the other.",
                    self.tag(),
                    self.difference(settings.apart)
                );
                Way { provoke, expected_s, expected }
            }
            Kind::Rate(settings) => self.rate(&settings),
            Kind::Status(settings) => self.status(&settings, poll),
            Kind::EquivalentTime(settings) => {
                let at = self.value(settings.reference);
                let least = settings
                    .least
                    .map(|least| format!("let a batch end with less than {} min at {at}", minutes(least)));
                let most = settings
                    .most
                    .map(|most| format!("hold a batch at {at} for more than {} min", minutes(most)));
                let ways: Vec<String> = least.into_iter().chain(most).collect();
                Way {
                    provoke: format!("With a batch of water, by the kettle's own steps: {}.", ways.join("; or ")),
                    expected_s: settings.most.map(|most| most.as_secs_f64()),
                    expected: "too little: when the batch ends; too much: at once, counted at the reference temperature".to_owned(),
                }
            }
            Kind::Drift(_) => Way {
                provoke: format!(
                    "Not worth waiting for at the line: it adds up small means of {} over hours. `setward prove` and \
                     `setward replay` show it.",
                    self.tag()
                ),
                expected_s: None,
                expected: "depends on noise and on what was before".to_owned(),
            },
            Kind::Measurement(settings) => {
                let (expected_s, expected) = after(settings.bad_for, poll);
                Way {
                    provoke: format!(
                        "Open the wire of {} at its terminals, where that is allowed.",
                        self.tag()
                    ),
                    expected_s,
                    expected,
                }
            }
            Kind::Forwarding(settings) => forwarding(&settings),
            Kind::Communication(settings) => {
                let polls = poll * settings.polls;
                let (expected_s, expected) = after(polls.max(settings.at_least), poll);
                Way {
                    provoke: "Unplug the controller's network cable at the switch; nothing on the plant may depend on it.".to_owned(),
                    expected_s,
                    expected,
                }
            }
        }
    }

    fn limit(&self, settings: &LimitSettings, poll: Duration) -> Way {
        let (expected_s, expected) = after(settings.on_delay, poll);
        let provoke =
            format!("Bring {} {} {}.", self.tag(), beyond(settings.side), self.value(settings.limit));
        Way { provoke, expected_s, expected }
    }

    fn deviation(&self, settings: &DeviationSettings, poll: Duration) -> Way {
        let (expected_s, expected) = after(settings.on_delay, poll);
        let side = settings.side.unwrap_or(Side::Above);
        let from = match settings.against {
            Reference::Recipe => "the recipe's setpoint".to_owned(),
            Reference::Signal(signal) => self.line.signal(signal).tag.clone(),
        };
        let width = match settings.width {
            Width::Fixed(width) => Some(width),
            width @ (Width::Latitude | Width::Tolerance | Width::Specification) => {
                self.target().and_then(|target| target.reach(width, side))
            }
        };
        let width = width.map_or_else(|| "its width".to_owned(), |width| self.difference(width));
        let where_to = settings.side.map_or("away from", beyond);
        Way {
            provoke: format!("Bring {} more than {width} {where_to} {from}.", self.tag()),
            expected_s,
            expected,
        }
    }

    fn time_weighted(&self, settings: &TimeWeightedSettings) -> Way {
        let target = self.target();
        let tolerance = target.map(|target| match settings.side {
            Side::Above => target.tolerance_above,
            Side::Below => target.tolerance_below,
        });
        let at_twice_s = match settings.allowance {
            Allowance::AtTwice(seconds) => Some(seconds),
            // At twice the tolerance a value is one tolerance beyond it.
            Allowance::Area(area) => tolerance.map(|tolerance| area / tolerance),
        };
        let is_exact = settings.leak == Leak::Inside;
        let place = match (target, tolerance) {
            (Some(target), Some(tolerance)) => {
                let twice = match settings.side {
                    Side::Above => target.setpoint + 2.0 * tolerance,
                    Side::Below => target.setpoint - 2.0 * tolerance,
                };
                format!("{} (twice the tolerance {} the setpoint)", self.value(twice), beyond(settings.side))
            }
            (_, _) => format!("twice the tolerance {} its setpoint", beyond(settings.side)),
        };
        let expected = match (at_twice_s, is_exact) {
            (Some(seconds), true) => {
                format!("{} s at exactly that value, from a value within tolerance", short(seconds))
            }
            (Some(seconds), false) => format!(
                "a little more than {} s at that value: exposure leaks away meanwhile",
                short(seconds)
            ),
            (None, _) => "depends on the tolerance of its recipe".to_owned(),
        };
        Way {
            provoke: format!("With its station running and product present, hold {} at {place}.", self.tag()),
            expected_s: at_twice_s.filter(|_| is_exact),
            expected,
        }
    }

    fn average(&self, settings: &MovingAverageSettings, poll: Duration) -> Way {
        let beyond = beyond(settings.side);
        let mean = match settings.reference {
            AverageReference::Limit(limit) => format!("{beyond} {}", self.value(limit)),
            AverageReference::Target(_) => format!("{beyond} the recipe's width"),
        };
        let window_s = settings.window.as_secs_f64();
        let ceiling = settings
            .ceiling
            .map(|ceiling| format!(" Or bring it {beyond} {}: that raises at once.", self.value(ceiling)));
        Way {
            provoke: format!(
                "Hold {} so that its mean over {} s comes {mean}.{}",
                self.tag(),
                short(window_s),
                ceiling.unwrap_or_default()
            ),
            expected_s: None,
            expected: format!(
                "half the window, {} s, for a step to twice as far as the mean may be; {} s at most for less",
                short(window_s / 2.0),
                short(window_s + poll.as_secs_f64())
            ),
        }
    }

    fn rate(&self, settings: &RateSettings) -> Way {
        let over_s = settings.over.as_secs_f64();
        let between = settings
            .between
            .map(|(low, high)| format!(", between {} and {}", self.value(low), self.value(high)));
        let how = match settings.side {
            Side::Above => "faster than",
            Side::Below => "slower than",
        };
        Way {
            provoke: format!(
                "Ramp {} up {how} {} a minute{}.",
                self.tag(),
                self.difference(settings.per_minute),
                between.unwrap_or_default()
            ),
            expected_s: None,
            expected: format!("once its window of {} s is on the ramp", short(over_s)),
        }
    }

    fn status(&self, settings: &StatusSettings, poll: Duration) -> Way {
        let signal = self.signal().map(|signal| self.line.signal(signal));
        let word = |code: &i64| {
            let word = signal.and_then(|signal| signal.codes.get(code));
            word.map_or_else(|| code.to_string(), |word| format!("{code} ({word})"))
        };
        let codes: Vec<String> = settings.is.as_slice().iter().map(word).collect();
        let provoke = format!("Bring {} to {}.", self.tag(), codes.join(" or "));
        match settings.share {
            None => {
                let (expected_s, expected) = after(settings.on_delay, poll);
                Way { provoke, expected_s, expected }
            }
            Some((share, window)) => {
                let least_s = share * window.as_secs_f64() + settings.on_delay.as_secs_f64();
                let expected = format!(
                    "{} s, if it was never so in the {} s before",
                    short(least_s),
                    short(window.as_secs_f64())
                );
                Way { provoke, expected_s: Some(least_s), expected }
            }
        }
    }
}

fn minutes(time: Duration) -> String {
    short(time.as_secs_f64() / 60.0)
}
