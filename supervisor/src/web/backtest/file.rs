//! The file to review: the whole of `alarms.toml` with the changed numbers, under a comment of who tried them, when, over which time,
//! and what would have changed.

use super::BackTest;
use super::outcome::{OfAlarm, changed_words, in_words};
use super::run::Found;
use crate::history::Span;
use crate::web::Web;
use crate::web::words;
use std::fmt::Write as _;

/// The comment, line by line.
fn comment(web: &Web, test: &BackTest, found: &Found) -> String {
    let line = &*web.app.line;
    let mut text = String::new();
    let at = |utc| format!("{} ({})", web.zone.stamp(utc), web.zone.name());
    // Writing to a string can't fail.
    let mut say = |words: &str| {
        let _infallible = writeln!(text, "# {words}");
    };
    say(&format!(
        "PROPOSED, not in force: alarms.toml of {}, {}, with other numbers of {}.",
        line.plant,
        line.name,
        line.alarm(test.alarm).id
    ));
    for changed in &test.changed {
        say(&format!("Changed: {}.", changed_words(changed)));
    }
    say(&format!(
        "Tried by {} on {}, over the history from {} to {}.",
        test.by,
        at(test.at),
        at(found.span.from()),
        at(found.span.to())
    ));
    if line.simulated {
        say("The history is of a simulated line.");
    }
    for one in found.own_alarms() {
        say(&format!("{}: {}.", one.alarm, told(one, found.span)));
    }
    for one in found.other_alarms() {
        say(&format!("It changes {} too: {}.", one.alarm, in_words(one.counts(found.span))));
    }
    say(&format!("Made from the files with the fingerprint {}.", line.fingerprint));
    say(
        "To review: hold it against alarms.toml in the line folder; put it in its place; `setward check FOLDER`; `setward reload FOLDER`.",
    );
    text
}

/// "4 calls as it is, 2 with these settings: ...; it stands 1 h 2 min as it is, 40 min with these".
pub(in crate::web) fn told(one: &OfAlarm, span: Span) -> String {
    if one.rows.is_empty() {
        return "nobody is called in this time, as it is or with these settings".to_owned();
    }
    let (now, then) = one.stands_s(span);
    let (now, then) = (words::span(now), words::span(then));
    format!("{}; it stands for {now} as it is, for {then} with these", in_words(one.counts(span)))
}

/// The whole text.
pub(in crate::web) fn text(web: &Web, test: &BackTest, found: &Found) -> String {
    format!("{}\n{}", comment(web, test, found), test.text)
}

/// The comment with the alarm's own table, to be copied.
pub(in crate::web) fn extract(web: &Web, test: &BackTest, found: &Found) -> String {
    format!("{}{}\n", comment(web, test, found), test.table)
}
