//! Every rule of the check, each with the exact text a person reads.
//!
//! The line in `small/` is right. Each case makes one mistake in it (or two that only count together) and says what
//! must be found: place, code, message, and below it the hint.

use setward_config::problem::ProblemEntry;
use setward_config::{Problems, SourceFile, check_files};

const LINE: &str = "line.toml";
const ALARMS: &str = "alarms.toml";
const SITE: &str = "site.toml";
const RECIPE: &str = "recipes/rounds.toml";

fn small() -> Vec<SourceFile> {
    let texts = [
        (LINE, include_str!("small/line.toml")),
        (ALARMS, include_str!("small/alarms.toml")),
        (SITE, include_str!("small/site.toml")),
        (RECIPE, include_str!("small/recipes/rounds.toml")),
    ];
    texts.map(|(path, text)| SourceFile { path: path.to_owned(), text: text.to_owned() }).to_vec()
}

/// The small line with the first `from` in `file` replaced by `to`, for each of `edits`.
fn edited(edits: &[(&str, String, String)]) -> Vec<SourceFile> {
    let mut files = small();
    for (path, from, to) in edits {
        let file = files.iter_mut().find(|file| file.path == *path).expect("a file of the small line");
        assert!(file.text.contains(from.as_str()), "{path} has no {from:?}");
        file.text = file.text.replacen(from.as_str(), to, 1);
    }
    files
}

fn problems(files: &[SourceFile]) -> Problems {
    match check_files(files) {
        Ok(loaded) => loaded.warnings,
        Err(problems) => problems,
    }
}

fn as_text(entry: &ProblemEntry) -> String {
    let place = match (entry.line, entry.column) {
        (Some(line), Some(column)) => format!("{}:{line}:{column}", entry.path),
        _ => entry.path.clone(),
    };
    format!("{place} {} {}\n    {}\n", entry.code, entry.message, entry.hint)
}

/// Checks every case of a file in `mistakes/`; `count` of them, so that none is lost unseen.
///
/// A case is a paragraph: `in` a file, the lines `-` become the lines `+` (none: the lines go); each `!` is a problem
/// and the `?` below it its hint.
fn check_all(cases: &str, count: usize) {
    let cases: Vec<&str> = cases.trim_end().split("\n\n").collect();
    assert_eq!(cases.len(), count);
    for case in cases {
        check(case);
    }
}

fn check(case: &str) {
    let mut edits: Vec<(&str, Vec<&str>, Vec<&str>)> = Vec::new();
    let mut expected = String::new();
    for line in case.lines() {
        match line.split_at(2) {
            ("in", path) => edits.push((path.trim(), Vec::new(), Vec::new())),
            ("- ", from) => edits.last_mut().expect("`in` comes first").1.push(from),
            ("+ ", to) => edits.last_mut().expect("`in` comes first").2.push(to),
            ("! ", problem) => expected += &format!("{problem}\n"),
            ("? ", hint) => expected += &format!("    {hint}\n"),
            _ => panic!("{line}"),
        }
    }
    let edits: Vec<(&str, String, String)> = edits
        .into_iter()
        .map(|(path, from, to)| {
            let end = if to.is_empty() { "\n" } else { "" };
            (path, from.join("\n") + end, to.join("\n"))
        })
        .collect();
    let found: String = problems(&edited(&edits)).entries().iter().map(as_text).collect();
    assert_eq!(found, expected, "{case}");
}

#[test]
fn the_line_these_cases_start_from_is_right() {
    assert!(check_files(&small()).unwrap().warnings.is_empty());
}

#[test]
fn names_that_are_taken() {
    check_all(include_str!("mistakes/names_that_are_taken.txt"), 8);
}

#[test]
fn names_that_nothing_has() {
    check_all(include_str!("mistakes/names_that_nothing_has.txt"), 12);
}

#[test]
fn keys_and_types() {
    check_all(include_str!("mistakes/keys_and_types.txt"), 22);
}

#[test]
fn described_but_not_acted_on_yet() {
    check_all(include_str!("mistakes/described_but_not_acted_on_yet.txt"), 1);
}

#[test]
fn quantities() {
    check_all(include_str!("mistakes/quantities.txt"), 29);
}

#[test]
fn places_and_encodings() {
    check_all(include_str!("mistakes/places_and_encodings.txt"), 29);
}

#[test]
fn controllers_and_their_times() {
    check_all(include_str!("mistakes/controllers_and_their_times.txt"), 21);
}

#[test]
fn loops_and_belts() {
    check_all(include_str!("mistakes/loops_and_belts.txt"), 13);
}

#[test]
fn recipe_widths_nest() {
    check_all(include_str!("mistakes/recipe_widths_nest.txt"), 11);
}

#[test]
fn an_alarm_without_a_response_is_an_event() {
    check_all(include_str!("mistakes/an_alarm_without_a_response_is_an_event.txt"), 12);
}

#[test]
fn alarm_settings_that_can_not_work() {
    check_all(include_str!("mistakes/alarm_settings_that_can_not_work.txt"), 11);
}

#[test]
fn an_alarm_that_could_never_clear_or_would_always_stand_is_refused() {
    check_all(include_str!("mistakes/alarms_that_never_clear.txt"), 6);
}

#[test]
fn an_alarm_that_could_never_raise_and_a_range_that_its_register_can_not_hold_are_told() {
    check_all(include_str!("mistakes/alarms_that_never_raise.txt"), 6);
}

#[test]
fn a_bit_is_nothing_but_a_bit() {
    check_all(include_str!("mistakes/bits.txt"), 5);
}

#[test]
fn where_things_are() {
    check_all(include_str!("mistakes/where_things_are.txt"), 21);
}

#[test]
fn the_door_of_the_page() {
    check_all(include_str!("mistakes/the_door_of_the_page.txt"), 5);
}

#[test]
fn station_modes_and_conditions() {
    check_all(include_str!("mistakes/station_modes_and_conditions.txt"), 21);
}

#[test]
fn what_people_enter() {
    check_all(include_str!("mistakes/entries.txt"), 10);
}

#[test]
fn derived_signals() {
    check_all(include_str!("mistakes/derived_signals.txt"), 22);
}

#[test]
fn lots() {
    check_all(include_str!("mistakes/lots.txt"), 4);
}

#[test]
fn heat_balance() {
    check_all(include_str!("mistakes/heat_balance.txt"), 5);
}

#[test]
fn how_signals_behave() {
    check_all(include_str!("mistakes/how_signals_behave.txt"), 19);
}

#[test]
fn entered_setpoints() {
    check_all(include_str!("mistakes/entered_setpoints.txt"), 6);
}

#[test]
fn kinds_of_alarms() {
    check_all(include_str!("mistakes/kinds_of_alarms.txt"), 52);
}

#[test]
fn when_alarms_speak_and_what_they_hide() {
    check_all(include_str!("mistakes/when_alarms_speak_and_what_they_hide.txt"), 30);
}

#[test]
fn automatic_alarms() {
    check_all(include_str!("mistakes/automatic_alarms.txt"), 10);
}

#[test]
fn recipes_tanks_and_feed() {
    check_all(include_str!("mistakes/recipes_tanks_and_feed.txt"), 40);
}

#[test]
fn who_is_told_of_alarms() {
    check_all(include_str!("mistakes/who_is_told_of_alarms.txt"), 6);
}

#[test]
fn setpoints_that_may_be_written() {
    check_all(include_str!("mistakes/setpoints_that_may_be_written.txt"), 2);
}
