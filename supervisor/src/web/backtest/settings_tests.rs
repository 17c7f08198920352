//! An alarm's numbers in its file, from outside.

use super::*;
use setward_alarm::{Allowance, Kind};

fn line() -> Line {
    setward_config::load_demo().unwrap().line
}

fn of(line: &Line, id: &str) -> Written {
    written(line, line.alarm(line.alarm_by_id(id).unwrap())).unwrap()
}

fn wanted(pairs: &[(&str, &str)]) -> BTreeMap<String, String> {
    pairs.iter().map(|(key, value)| ((*key).to_owned(), (*value).to_owned())).collect()
}

#[test]
fn every_alarm_that_a_table_makes_shows_its_numbers_and_stays_the_same_when_they_are_put_back() {
    let line = line();
    let mut found = 0;
    for alarm in line.alarms.iter() {
        assert_eq!(may_be_offered(&line, alarm), written(&line, alarm).is_some(), "{}", alarm.id);
        let Some(own) = written(&line, alarm) else {
            assert!(
                matches!(
                    alarm.settings.kind,
                    Kind::Measurement(_) | Kind::Communication(_) | Kind::Forwarding(_) | Kind::Deviation(_)
                ),
                "{}",
                alarm.id
            );
            continue;
        };
        found += 1;
        let numbers =
            own.numbers.iter().map(|(field, value)| (field.key.to_owned(), value.clone())).collect();
        let refused = propose(&line, &own, &numbers).unwrap_err();
        assert!(refused[0].text.starts_with("nothing is changed"), "{}: {refused:?}", alarm.id);
        assert!(
            table_text(&alarms_file(&line.files).unwrap().text, &own.id).starts_with("[["),
            "{}",
            alarm.id
        );
    }
    assert!(found > 50, "{found}");
}

#[test]
fn a_changed_number_is_in_the_line_in_the_file_and_in_the_table_and_nothing_else_is_touched() {
    let line = line();
    let own = of(&line, "fryer-inlet-cold");
    let found = propose(&line, &own, &wanted(&[("allowance", "120 K.s"), ("settle", "7 s")])).unwrap();
    let alarm = found.line.alarm(line.alarm_by_id("fryer-inlet-cold").unwrap());
    let Kind::TimeWeighted(settings) = alarm.settings.kind else { panic!() };
    assert_eq!(settings.allowance, Allowance::Area(120.0));
    assert_eq!(alarm.settings.settle.as_secs(), 7);
    let others = line.alarms.iter().zip(&found.line.alarms).filter(|(old, new)| old != new);
    assert_eq!(others.count(), 1);
    assert!(found.table.starts_with("[[time-weighted]]\nid = \"fryer-inlet-cold\""), "{}", found.table);
    assert!(found.table.contains("allowance = \"120 K.s\""));
    assert_eq!(found.text.matches("[[time-weighted]]").count(), 8);
    assert_eq!(
        found.changed[0],
        Changed { key: "allowance", old: "240 K.s".to_owned(), new: "120 K.s".to_owned() }
    );
}

#[test]
fn a_table_over_several_signals_changes_all_its_alarms_and_an_emptied_number_has_its_default() {
    let line = line();
    let own = of(&line, "fryer-oil-high.TT-311");
    assert_eq!(own.id, "fryer-oil-high");
    let found = propose(&line, &own, &wanted(&[("limit", "205 degC"), ("deadband", "")])).unwrap();
    for tag in ["TT-310", "TT-311"] {
        let alarm = found.line.alarm(line.alarm_by_id(&format!("fryer-oil-high.{tag}")).unwrap());
        let Kind::Limit(settings) = alarm.settings.kind else { panic!() };
        assert_eq!((settings.limit, settings.deadband), (205.0, 0.0));
    }
    // The alarm beside it has a table of its own.
    assert_eq!(of(&line, "fryer-oil-high.TT-315").id, "fryer-oil-high.TT-315");
}

#[test]
fn each_refused_value_says_what_is_accepted_at_its_own_key() {
    let line = line();
    let refusals =
        |id: &str, pairs: &[(&str, &str)]| propose(&line, &of(&line, id), &wanted(pairs)).unwrap_err();
    for (id, key, value, says) in [
        ("fryer-oil-high.TT-310", "limit", "200", "200 degC"),
        ("fryer-oil-high.TT-310", "limit", "900 degC", "range"),
        ("fryer-oil-high.TT-310", "on_delay", "soon", "a time with its unit: 5 s"),
        ("fryer-inlet-cold", "shape", "nine", "a number from 0.02 to 3"),
        ("fryer-inlet-cold", "shape", "7", "3"),
        ("fryer-inlet-cold", "shape", "1\nallowance = \"1 K.s\"", "a number from 0.02"),
        ("fryer-inlet-cold", "allowance", "\"", "an area: 240 K.s"),
        ("fryer-inlet-cold", "recovery", "", "recovery"),
    ] {
        let found = refusals(id, &[(key, value)]);
        let own = found.iter().find(|refused| refused.key.as_deref() == Some(key) || value.is_empty());
        assert!(own.is_some_and(|own| own.text.contains(says)), "{key} = {value}: {found:?}");
    }
    assert!(refusals("fryer-inlet-cold", &[("limit", "1 K")])[0].text.contains("only allowance"));
    let both = refusals("fryer-inlet-cold", &[("shape", "x"), ("clear_below", "y")]);
    assert_eq!(both.len(), 2);
}
