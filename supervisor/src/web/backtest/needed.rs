//! Which signals a back-test of some alarms needs: reading and feeding the others would change nothing for these alarms, and takes
//! most of the time.

use setward_config::line::{AgeBand, Line, LineAlarm, Origin};
use setward_process::condition::Condition;
use setward_process::mode::ModeRule;
use setward_protocol::SignalId;
use std::collections::BTreeSet;

/// Their tags: of what the alarms watch and wait for, of what hides them or is hidden by them, of what tells modes and recipes, and
/// of the words that prove controllers alive.
pub(super) fn needed(line: &Line, own: &[String]) -> BTreeSet<String> {
    let of_alarms = together(line, own).into_iter().flat_map(|alarm| of_alarm(line.alarms.get(alarm)));
    let mut all: BTreeSet<SignalId> = of_alarms.chain(of_stations(line)).chain(of_recipes(line)).collect();
    all.extend(line.controllers.iter().filter_map(|controller| controller.heartbeat).map(|beat| beat.signal));
    all.extend(line.feed.iter().flat_map(|feed| [Some(feed.signal), feed.tank]).flatten());
    // A derived value belongs to the scan that its inputs came in.
    let inputs = all.iter().filter_map(|id| match &line.signal(*id).origin {
        Origin::Derived(derivation) => Some(derivation.inputs()),
        Origin::Register(_) | Origin::Entered | Origin::Followed(_) => None,
    });
    let inputs: Vec<SignalId> = inputs.flat_map(|(first, second)| [Some(first), second]).flatten().collect();
    all.extend(inputs);
    all.into_iter().map(|id| line.signal(id).tag.clone()).collect()
}

/// The alarms, with all that hide one of them or are hidden by one, and so on; by their places.
fn together(line: &Line, own: &[String]) -> BTreeSet<usize> {
    let mut all: BTreeSet<usize> = BTreeSet::new();
    all.extend(line.alarms.iter().enumerate().filter(|(_, alarm)| own.contains(&alarm.id)).map(|(at, _)| at));
    loop {
        let before = all.len();
        for (at, alarm) in line.alarms.iter().enumerate() {
            let hidden: Vec<usize> = alarm.hides.iter().map(|hidden| hidden.index()).collect();
            if all.contains(&at) {
                all.extend(hidden);
            } else if hidden.iter().any(|hidden| all.contains(hidden)) {
                all.insert(at);
            }
        }
        if all.len() == before {
            return all;
        }
    }
}

fn of_alarm(alarm: Option<&LineAlarm>) -> Vec<SignalId> {
    let Some(alarm) = alarm else { return Vec::new() };
    let watched = [alarm.settings.watches.signal(), alarm.settings.kind.other_signal()];
    let aged = alarm.band.iter().map(|AgeBand { age, .. }| *age);
    let waits = alarm.when.iter().chain(&alarm.batch).map(|condition| condition.signal);
    watched.into_iter().flatten().chain(aged).chain(waits).collect()
}

fn of_stations(line: &Line) -> impl Iterator<Item = SignalId> {
    let of_rule = |rule: &ModeRule| rule.when.iter().chain(&rule.until).map(of_condition).collect::<Vec<_>>();
    line.stations.iter().flat_map(move |station| {
        let present = station.product_present.iter().flatten().map(of_condition);
        station.modes.iter().flat_map(of_rule).chain(present).collect::<Vec<_>>()
    })
}

const fn of_condition(condition: &Condition) -> SignalId {
    condition.signal
}

/// The numbers of recipes, and all that recipes hold: a changeover ends once that is within.
fn of_recipes(line: &Line) -> impl Iterator<Item = SignalId> {
    let held = line.recipes.iter().flat_map(|recipe| &recipe.setpoints).map(|asked| asked.signal);
    line.recipe_numbers.iter().map(|number| number.signal).chain(held)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_alarm_needs_what_it_watches_what_hides_it_and_what_tells_modes_and_not_the_rest() {
        let line = setward_config::load_demo().unwrap().line;
        let found = needed(&line, &["fryer-outlet-cold".to_owned()]);
        for tag in ["TT-313", "FT-320", "XI-310", "YS-411", "XI-393", "XI-394", "KY-340", "ST-340"] {
            assert!(found.contains(tag), "{tag}");
        }
        for tag in ["IT-101", "PT-120", "XI-450"] {
            assert!(!found.contains(tag), "{tag}");
        }
        assert!(found.len() * 2 < line.signals.len(), "{} of {}", found.len(), line.signals.len());
    }
}
