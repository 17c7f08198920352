//! A script as text, one cue a line; what is printed reads back.
//!
//! ```text
//! # anything behind a # is a remark
//! 1 min      begins heat-low 6
//! 3 min 55 s ends   heat-low 6
//! 10 min     operators stop-feed
//! again after 15 min
//! ```

use super::{Action, Cue, Scenario};
use crate::fault::{Fault, FaultError};
use crate::operation::{Operation, UnknownOperation};
use std::fmt;
use std::str::FromStr;
use std::time::Duration;

/// Why a text is no script.
#[derive(Debug, Clone, PartialEq)]
pub struct ScriptError {
    /// Line in the text, from 1.
    pub line: usize,
    /// What is wrong there.
    pub problem: ScriptProblem,
}

/// What is wrong in a line of a script.
#[derive(Debug, Clone, PartialEq)]
pub enum ScriptProblem {
    /// It has none of the forms of a line.
    Form {
        /// The line found.
        found: String,
    },
    /// What stands before the verb is no time.
    Time {
        /// The words found.
        found: String,
    },
    /// Its time is before that of the line above.
    Past {
        /// The line found.
        found: String,
        /// The time of the line above.
        last: Duration,
    },
    /// The fault can't be.
    Fault(FaultError),
    /// The operation can't be.
    Operation(UnknownOperation),
}

impl fmt::Display for ScriptError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}: ", self.line)?;
        match &self.problem {
            ScriptProblem::Form { found } => write!(
                f,
                "\"{found}\" is no cue; write a time, then `begins FAULT`, `ends FAULT` or `operators OPERATION`, \
                 or `again after TIME`"
            ),
            ScriptProblem::Time { found } => {
                write!(f, "\"{found}\" is no time; write it like \"3 min 55 s\" or \"90 s\"")
            }
            ScriptProblem::Past { found, last } => write!(
                f,
                "\"{found}\" is in the past: the script has come to {}; times are counted from its start, none \
                 before the one above",
                shown(*last)
            ),
            ScriptProblem::Fault(error) => write!(f, "{error}"),
            ScriptProblem::Operation(error) => write!(f, "{error}"),
        }
    }
}

impl std::error::Error for ScriptError {}

impl fmt::Display for Scenario {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for cue in self.cues() {
            let at = shown(cue.at);
            match &cue.action {
                Action::Begin(fault) => writeln!(f, "{at:>12}  begins {fault}")?,
                Action::End(fault) => writeln!(f, "{at:>12}  ends   {fault}")?,
                Action::Operate(operation) => writeln!(f, "{at:>12}  operators {operation}")?,
            }
        }
        match self.repeat_every() {
            Some(every) => writeln!(f, "again after {}", shown(every)),
            None => Ok(()),
        }
    }
}

/// Minutes and seconds; parts of a second only where there are some.
fn shown(time: Duration) -> String {
    let (minutes, seconds, millis) = (time.as_secs() / 60, time.as_secs() % 60, time.subsec_millis());
    if millis > 0 {
        format!("{} ms", time.as_millis())
    } else if minutes > 0 {
        format!("{minutes} min {seconds:02} s")
    } else {
        format!("{seconds} s")
    }
}

impl FromStr for Scenario {
    type Err = ScriptError;

    fn from_str(text: &str) -> Result<Self, ScriptError> {
        Self::read(text, |_| Ok(()))
    }
}

impl Scenario {
    /// Reads a script of whose actions `check` has nothing to say.
    pub(crate) fn read(
        text: &str,
        check: impl Fn(&Action) -> Result<(), FaultError>,
    ) -> Result<Self, ScriptError> {
        let (mut cues, mut again) = (Vec::<Cue>::new(), None);
        for (line, text) in (1..).zip(text.lines()) {
            let told = text.split('#').next().unwrap_or_default();
            let words: Vec<_> = told.split_whitespace().collect();
            let told = match words.as_slice() {
                [] => continue,
                ["again", "after", time @ ..] => time_of(time)
                    .and_then(|every| follows(every, cues.last(), time))
                    .map(|every| again = Some(every)),
                words => cue_of(words)
                    .and_then(|cue| follows(cue.at, cues.last(), words).map(|_| cue))
                    .and_then(|cue| check(&cue.action).map_err(ScriptProblem::Fault).map(|()| cue))
                    .map(|cue| cues.push(cue)),
            };
            told.map_err(|problem| ScriptError { line, problem })?;
        }
        Ok(Self::new(cues, again))
    }
}

/// A time that is not before the line above: what is past can't be done any more.
fn follows(at: Duration, last: Option<&Cue>, words: &[&str]) -> Result<Duration, ScriptProblem> {
    match last.filter(|last| last.at > at) {
        None => Ok(at),
        Some(last) => Err(ScriptProblem::Past { found: words.join(" "), last: last.at }),
    }
}

fn cue_of(words: &[&str]) -> Result<Cue, ScriptProblem> {
    let is_verb = |word: &&str| ["begins", "ends", "operators"].contains(word);
    let form = || ScriptProblem::Form { found: words.join(" ") };
    let verb = words.iter().position(is_verb).ok_or_else(form)?;
    let (time, rest) = words.split_at_checked(verb).ok_or_else(form)?;
    let fault = |what: &[&str]| what.join(" ").parse::<Fault>().map_err(ScriptProblem::Fault);
    let action = match rest {
        ["begins", what @ ..] => Action::Begin(fault(what)?),
        ["ends", what @ ..] => Action::End(fault(what)?),
        [_, operation] => Action::Operate(operation.parse::<Operation>().map_err(ScriptProblem::Operation)?),
        _ => return Err(form()),
    };
    Ok(Cue { at: time_of(time)?, action })
}

/// Times such as "3 min 55 s": pairs of a number and a unit, added up.
fn time_of(words: &[&str]) -> Result<Duration, ScriptProblem> {
    let wrong = || ScriptProblem::Time { found: words.join(" ") };
    let mut sum = Duration::ZERO;
    if words.is_empty() {
        return Err(wrong());
    }
    for pair in words.chunks(2) {
        let part = setward_config::parse_time(&pair.join(" ")).map_err(|_| wrong())?;
        sum = sum.checked_add(part).ok_or_else(wrong)?;
    }
    Ok(sum)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_script_reads_back_what_it_prints() {
        let text = "\
        0 s  operators heat-up
       30 s  begins stuck TT-310
 1 min 05 s  ends   stuck TT-310
120 min 00 s  operators run
  7200500 ms  begins controller-slow oven 400 ms
again after 180 min 00 s
";
        let scenario: Scenario = text.parse().unwrap();
        assert_eq!(scenario.cues().len(), 5);
        assert_eq!(scenario.to_string().parse(), Ok(scenario));
        assert_eq!(Scenario::demo().to_string().parse(), Ok(Scenario::demo()));
    }

    #[test]
    fn remarks_and_empty_lines_are_passed_over() {
        let scenario: Scenario =
            "# a quiet line\n\n 5 s operators stop-feed # for the splice\n".parse().unwrap();
        assert_eq!(
            scenario.cues(),
            [Cue { at: Duration::from_secs(5), action: Action::Operate(Operation::StopFeed) }]
        );
        assert_eq!(scenario.repeat_every(), None);
    }

    fn check_refused(text: &str, message: &str) {
        assert_eq!(text.parse::<Scenario>().unwrap_err().to_string(), message);
    }

    #[test]
    fn refusals_name_the_line_and_what_is_accepted() {
        check_refused(
            "5 s operators run\n5 s heat-low",
            "line 2: \"5 s heat-low\" is no cue; write a time, then `begins FAULT`, `ends FAULT` or \
             `operators OPERATION`, or `again after TIME`",
        );
        check_refused(
            "soon begins heat-low",
            "line 1: \"soon\" is no time; write it like \"3 min 55 s\" or \"90 s\"",
        );
        check_refused(
            "90 s begins heat-low\n5 s ends heat-low",
            "line 2: \"5 s ends heat-low\" is in the past: the script has come to 1 min 30 s; times are counted from \
             its start, none before the one above",
        );
        check_refused(
            "90 s begins heat-low\nagain after 1 min",
            "line 2: \"1 min\" is in the past: the script has come to 1 min 30 s; times are counted from its start, \
             none before the one above",
        );
        check_refused("begins heat-low", "line 1: \"\" is no time; write it like \"3 min 55 s\" or \"90 s\"");
        check_refused(
            "5 s begins heat-lo",
            "line 1: unknown fault \"heat-lo\", nearest is \"heat-low\"; `sim-plc faults` lists them all",
        );
    }

    proptest! {
        #[test]
        fn no_text_ends_in_a_panic(text: String) {
            let _ = text.parse::<Scenario>();
        }

        #[test]
        fn no_time_ends_in_a_panic(number in "[0-9.e+-]{0,30}", unit in "(ms|s|min|h|d)") {
            let _ = format!("{number} {unit} 9 {unit} begins heat-low").parse::<Scenario>();
        }
    }
}
