//! What can go wrong, in the words of the trade, and its text form.
//!
//! A fault is told apart by its kind and by what it is about: a second `drift TT-310 ..` replaces the first. The kinds
//! are in `fault/kind.rs`; what each one does to the plant is in `active.rs` and `plant/`.

mod error;
mod kind;

pub use error::FaultError;
pub(crate) use error::{did_you_mean, nearest};
pub use kind::FaultKind;
pub(crate) use kind::{About, Form};

use std::fmt;
use std::str::FromStr;

/// A fault with everything needed to bring it about.
#[derive(Debug, Clone, PartialEq)]
pub struct Fault {
    kind: FaultKind,
    subject: Option<String>,
    value: Option<f64>,
}

impl Fault {
    /// A fault of `kind` about `subject`, the tag or controller that the kind asks for, with `value` in the unit that
    /// [`FaultKind::arguments`] names; a tag's values are in its own unit, times in s. A value left out is the kind's
    /// usual one.
    ///
    /// # Errors
    /// When the kind takes no subject or value, or needs one. Whether a line has the subject is told by
    /// [`crate::Simulator::inject`].
    pub fn new(kind: FaultKind, subject: Option<&str>, value: Option<f64>) -> Result<Self, FaultError> {
        let rule = kind.rule();
        let subject_fits = match rule.about {
            About::Signal | About::Setpoint | About::Means(..) | About::Controller => subject.is_some(),
            About::MeansOrAll(..) => true,
            About::Line(_) | About::Recipe => subject.is_none(),
        };
        let value = value.or(rule.value.default);
        let value_fits = match rule.value.form {
            Form::None => value.is_none(),
            Form::Number | Form::Time => value.is_none_or(f64::is_finite),
            Form::Whole => value.is_none_or(|value| {
                (rule.value.between.0..=rule.value.between.1).contains(&value) && value.fract() == 0.0
            }),
        };
        if subject_fits && value_fits && (value.is_some() || !rule.value.required) {
            Ok(Self { kind, subject: subject.map(str::to_owned), value })
        } else {
            let words = [subject.map(str::to_owned), value.map(|value| value.to_string())];
            Err(FaultError::WrongArguments {
                kind,
                found: words.into_iter().flatten().collect::<Vec<_>>().join(" "),
            })
        }
    }

    /// Its kind.
    #[must_use]
    pub const fn kind(&self) -> FaultKind {
        self.kind
    }

    /// The tag or controller name that it is about; `None` when it is about the whole line.
    #[must_use]
    pub fn subject(&self) -> Option<&str> {
        self.subject.as_deref()
    }

    /// Its value, in the unit that the kind names.
    #[must_use]
    pub const fn value(&self) -> Option<f64> {
        self.value
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.kind.name())?;
        if let Some(subject) = self.subject() {
            write!(f, " {subject}")?;
        }
        let Some(value) = self.value else { return Ok(()) };
        match self.kind.rule().value.form {
            Form::None => Ok(()),
            Form::Number | Form::Whole => write!(f, " {value}"),
            Form::Time if value.fract() == 0.0 && value > 0.0 => write!(f, " {value} s"),
            Form::Time => write!(f, " {} ms", (value * 1000.0).round()),
        }
    }
}

impl FromStr for Fault {
    type Err = FaultError;

    fn from_str(text: &str) -> Result<Self, FaultError> {
        let mut words = text.split_whitespace();
        let kind: FaultKind = words.next().unwrap_or_default().parse()?;
        let words: Vec<_> = words.collect();
        let wrong = || FaultError::WrongArguments { kind, found: words.join(" ") };
        let (subject, rest) = match (kind.rule().about, words.as_slice()) {
            (About::Line(_) | About::Recipe, rest) => (None, rest),
            (_, [subject, rest @ ..]) => (Some(*subject), rest),
            (_, []) => (None, &[][..]),
        };
        let value = match (kind.rule().value.form, rest) {
            (_, []) => None,
            (Form::Number | Form::Whole, [word]) => Some(number(word).ok_or_else(wrong)?),
            (Form::Time, rest) => {
                let time = setward_config::parse_time(&rest.join(" ")).map_err(|_| wrong())?;
                Some(time.as_secs_f64())
            }
            (Form::None | Form::Number | Form::Whole, _) => return Err(wrong()),
        };
        Self::new(kind, subject, value).map_err(|_| wrong())
    }
}

fn number(word: &str) -> Option<f64> {
    word.parse().ok().filter(|number: &f64| number.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check_refused(text: &str, message: &str) {
        assert_eq!(text.parse::<Fault>().unwrap_err().to_string(), message);
    }

    #[test]
    fn every_fault_reads_back_what_it_prints() {
        let texts = [
            "sensor-break TT-310",
            "stuck TT-310",
            "drift TT-310 -0.5",
            "shows TSHH-390 1",
            "probe-slow TT-101 90",
            "setpoint-turned TIC-310-SP 183.5",
            "loop-manual TIC-202-OUT",
            "loop-manual TIC-202-OUT 60",
            "valve-stuck TIC-310-OUT",
            "steam-low 2.5",
            "trap-failed TT-111",
            "agitator-stopped TT-101",
            "discharge-open TT-101",
            "quench-low 41",
            "hold-set 12",
            "quench-set 76",
            "water-set 1100",
            "early-transfer TT-101",
            "feed-gap",
            "wrong-recipe 7",
            "float-stuck 5",
            "seasoning-set 0.8",
            "burner-out",
            "burner-out TT-202",
            "exhaust-lost",
            "wet-feed 41",
            "heat-low 6",
            "flow-low 32",
            "screen-blocking 0.2",
            "make-up-closed",
            "oil-leak 300",
            "dry-out-skipped",
            "belt-slip ST-340 5",
            "baggers-stopped",
            "bagger-stopped 2",
            "controller-silent oven",
            "controller-slow oven 400 ms",
            "controller-exception oven 4",
            "controller-drop oven",
            "controller-short oven",
            "controller-refuses oven",
            "controller-bytewise oven",
            "replies-bad oven 20",
            "controller-restart oven 40 s",
            "heartbeat-stopped fryer",
            "program-stopped oven",
        ];
        for text in texts {
            assert_eq!(text.parse::<Fault>().unwrap().to_string(), text);
        }
        for kind in FaultKind::ALL {
            assert!(texts.iter().any(|text| text.starts_with(kind.name())), "{kind:?} is not tried");
        }
    }

    #[test]
    fn what_is_left_out_is_filled_in() {
        for (text, filled) in [
            ("heat-low", "heat-low 6"),
            ("flow-low", "flow-low 32"),
            ("belt-slip ST-340", "belt-slip ST-340 5"),
            ("controller-restart fryer", "controller-restart fryer 40 s"),
            ("quench-low", "quench-low 41"),
            ("float-stuck", "float-stuck 5"),
        ] {
            assert_eq!(text.parse::<Fault>().unwrap().to_string(), filled);
        }
    }

    #[test]
    fn refusals_say_what_is_accepted() {
        check_refused(
            "heat-lo",
            "unknown fault \"heat-lo\", nearest is \"heat-low\"; `sim-plc faults` lists them all",
        );
        check_refused("xyz", "unknown fault \"xyz\"; `sim-plc faults` lists them all");
        check_refused("drift TT-310", "\"drift\" is followed by \"TT-310\"; write `drift TAG PER_MINUTE`");
        check_refused(
            "controller-exception oven 0",
            "\"controller-exception\" is followed by \"oven 0\"; write `controller-exception NAME CODE`",
        );
        check_refused("heat-low NaN", "\"heat-low\" is followed by \"NaN\"; write `heat-low [KELVIN]`");
        check_refused("exhaust-lost now", "\"exhaust-lost\" is followed by \"now\"; write `exhaust-lost`");
        check_refused("wrong-recipe", "\"wrong-recipe\" is followed by \"\"; write `wrong-recipe NUMBER`");
        check_refused("stuck", "\"stuck\" is followed by \"\"; write `stuck TAG`");
        check_refused("stuck TT-310 now", "\"stuck\" is followed by \"TT-310 now\"; write `stuck TAG`");
        check_refused(
            "controller-slow oven soon",
            "\"controller-slow\" is followed by \"oven soon\"; write `controller-slow NAME DELAY`",
        );
    }
}
