//! What recipes, modes of stations and conditions look at: whether a scan has changed anything for them.
//!
//! Most scans do not: a temperature moves, and stays on the same side of every test on it. Then nobody needs to look anew,
//! unless something waits for time to pass, which the books themselves know.

use setward_config::line::Line;
use setward_process::condition::{Condition, Test};
use setward_protocol::SignalId;

/// More tests on one signal than this are told apart by its value.
const TESTS_MAX: usize = 64;

/// What was last seen of each signal.
#[derive(Debug)]
pub(super) struct Inputs {
    signals: Vec<Input>,
}

#[derive(Debug, Clone, Default)]
struct Input {
    looked_at: LookedAt,
    seen: Option<Seen>,
}

/// How much of a signal counts.
#[derive(Debug, Clone, Default)]
enum LookedAt {
    #[default]
    Not,
    /// On which side of these tests it is.
    Tests(Vec<Test>),
    /// Its value.
    Value,
}

/// What counts of a signal: a bit for each test that holds, or the bits of the value; `None` while it has no good value.
type Seen = Option<u64>;

impl Inputs {
    /// Nothing seen yet.
    #[must_use]
    pub(super) fn new(line: &Line) -> Self {
        let mut inputs = Self { signals: vec![Input::default(); line.signals.len()] };
        for station in &line.stations {
            let rules = station.modes.iter().flat_map(|rule| rule.when.iter().chain(&rule.until));
            rules.chain(station.product_present.iter().flatten()).for_each(|one| inputs.test(one));
        }
        for alarm in &line.alarms {
            alarm.when.iter().chain(&alarm.batch).for_each(|one| inputs.test(one));
        }
        for number in &line.recipe_numbers {
            if let Some(input) = inputs.signals.get_mut(number.signal.index()) {
                input.looked_at = LookedAt::Value;
            }
        }
        inputs
    }

    fn test(&mut self, condition: &Condition) {
        let Some(input) = self.signals.get_mut(condition.signal.index()) else { return };
        match &mut input.looked_at {
            LookedAt::Value => {}
            LookedAt::Not => input.looked_at = LookedAt::Tests(vec![condition.test.clone()]),
            LookedAt::Tests(tests) if tests.contains(&condition.test) => {}
            LookedAt::Tests(tests) if tests.len() < TESTS_MAX => tests.push(condition.test.clone()),
            LookedAt::Tests(_) => input.looked_at = LookedAt::Value,
        }
    }

    /// The good value a signal has now; says whether that changes anything for those who look. The first always does.
    pub(super) fn take(&mut self, signal: SignalId, good: Option<f64>) -> bool {
        let Some(input) = self.signals.get_mut(signal.index()) else { return false };
        let now = match &input.looked_at {
            LookedAt::Not => return false,
            LookedAt::Value => good.map(f64::to_bits),
            LookedAt::Tests(tests) => good.map(|value| {
                let holds = tests.iter().zip(0_u32..).filter(|(test, _)| test.holds(value));
                holds.fold(0, |bits, (_, place)| bits | 1_u64 << place)
            }),
        };
        input.seen.replace(now) != Some(now)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn signal(line: &Line, tag: &str) -> SignalId {
        line.signal_by_tag(tag).unwrap()
    }

    #[test]
    fn a_value_counts_where_it_passes_the_edge_of_a_test_or_is_lost() {
        let mut line = setward_config::load_demo().unwrap().line;
        let oil = signal(&line, "TT-310");
        for station in &mut line.stations {
            (station.modes, station.product_present) = (Vec::new(), None);
        }
        line.alarms.iter_mut().for_each(|alarm| (alarm.when, alarm.batch) = (Vec::new(), Vec::new()));
        let cold = Condition { signal: oil, test: Test::Between { low: 0.0, high: 170.0 } };
        line.stations[0].product_present = Some(vec![cold]);
        let mut inputs = Inputs::new(&line);
        let took = [Some(182.0), Some(181.0), Some(170.0), Some(169.0), None, None, Some(169.0), Some(171.0)];
        let changed = took.map(|value| inputs.take(oil, value));
        assert_eq!(changed, [true, false, true, false, true, false, true, true]);
        assert!(!inputs.take(signal(&line, "ST-340"), Some(3.0)), "nobody looks at it");
    }

    #[test]
    fn a_recipe_number_counts_by_its_value_whatever_is_tested_of_it() {
        let line = setward_config::load_demo().unwrap().line;
        let word = line.recipe_numbers[0].signal;
        let mut inputs = Inputs::new(&line);
        let changed = [3.0, 3.0, 7.0, 8.0].map(|number| inputs.take(word, Some(number)));
        assert_eq!(changed, [true, false, true, true]);
    }
}
