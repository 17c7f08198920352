//! What the line is doing: the mode of each station, and product under it.
//!
//! All of it follows from the present good values of signals. What is not known changes nothing.

use crate::snapshot::StationView;
use setward_config::line::{Line, StationId};
use setward_process::condition::{Condition, all_hold};
use setward_process::mode::ModeTracker;
use setward_protocol::{Mode, ModeSet, SignalId, Uptime, UtcMillis};

/// Every station.
#[derive(Debug)]
pub struct StationBook {
    stations: Vec<Station>,
}

#[derive(Debug)]
struct Station {
    tracker: ModeTracker,
    /// What its rules say, or changeover.
    mode: Mode,
    /// Whether that follows from what was read. Once it does, what is no longer known changes nothing.
    is_known: bool,
    present_when: Option<Vec<Condition>>,
    /// Whether product is under it, as far as anything says so.
    present: Option<bool>,
    since: Option<UtcMillis>,
    /// The signals that tell its mode.
    told_by: Vec<SignalId>,
    /// The modes it has been in since it ran last; `None` before it was seen to run.
    since_run: Option<ModeSet>,
}

/// A station that went into another mode.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ModeChange {
    /// Which station.
    pub station: StationId,
    /// The mode before.
    pub from: Mode,
    /// The mode now.
    pub to: Mode,
}

impl StationBook {
    /// Every station runs until something says otherwise.
    #[must_use]
    pub fn new(line: &Line) -> Self {
        let station = |one: &setward_config::line::Station| Station {
            tracker: ModeTracker::new(one.modes.clone()),
            mode: Mode::Run,
            is_known: false,
            present_when: one.product_present.clone(),
            present: None,
            since: None,
            told_by: one.modes.iter().flat_map(|rule| &rule.when).map(|condition| condition.signal).collect(),
            since_run: None,
        };
        Self { stations: line.stations.iter().map(station).collect() }
    }

    /// Looks at the line as it is at `now`. A station that would run and changes over from one recipe to another does that.
    pub fn handle(
        &mut self,
        now: Uptime,
        utc: UtcMillis,
        changes_over: impl Fn(StationId) -> bool,
        value_of: impl Fn(SignalId) -> Option<f64>,
    ) -> Vec<ModeChange> {
        let mut changes = Vec::new();
        let mut present_before = None;
        for (id, station) in (0..=u16::MAX).map(StationId).zip(&mut self.stations) {
            station.tracker.handle(now, &value_of);
            let from = station.mode;
            let ruled = station.tracker.mode();
            let to = if ruled == Mode::Run && changes_over(id) { Mode::Changeover } else { ruled };
            if from != to {
                (station.mode, station.since) = (to, Some(utc));
                changes.push(ModeChange { station: id, from, to });
            }
            station.remember(&value_of);
            let own = station.present_when.as_ref();
            match own {
                Some(conditions) => {
                    station.present = all_hold(conditions, &value_of).or(station.present);
                }
                None => station.present = present_before,
            }
            present_before = station.present;
        }
        changes
    }

    /// Whether a mode may change with time alone.
    #[must_use]
    pub fn is_waiting(&self) -> bool {
        self.stations.iter().any(|station| station.tracker.is_waiting())
    }

    /// The mode of a station; one that is not on the line runs.
    #[must_use]
    pub fn mode(&self, station: StationId) -> Mode {
        self.stations.get(station.index()).map_or(Mode::Run, |station| station.mode)
    }

    /// Whether a station has been in `mode` since it ran last; `None` where that was not seen.
    #[must_use]
    pub fn has_been_in(&self, station: StationId, mode: Mode) -> Option<bool> {
        Some(self.stations.get(station.index())?.since_run?.contains(mode))
    }

    /// Whether the mode of a station follows from what was read. Before, that it runs is only supposed.
    #[must_use]
    pub fn is_known(&self, station: StationId) -> bool {
        self.stations.get(station.index()).is_none_or(|station| station.is_known)
    }

    /// Whether product is under a station; `None` where nothing says so.
    #[must_use]
    pub fn product_present(&self, station: StationId) -> Option<bool> {
        self.stations.get(station.index())?.present
    }

    /// The stations as pages see them.
    #[must_use]
    pub fn views(&self) -> Vec<StationView> {
        let view = |station: &Station| StationView {
            mode: station.mode,
            since: station.since,
            product_present: station.present,
            recipe: None,
        };
        self.stations.iter().map(view).collect()
    }
}

impl Station {
    /// Keeps whether its mode is known, and the modes since it ran last. It runs too while nothing is known yet: that is not seen to run.
    fn remember(&mut self, value_of: impl Fn(SignalId) -> Option<f64>) {
        let mode = self.mode;
        if mode != Mode::Run {
            self.is_known = true;
            self.since_run = self.since_run.map(|modes| modes.with(mode));
        } else if self.told_by.iter().all(|signal| value_of(*signal).is_some()) {
            self.is_known = true;
            self.since_run = Some(ModeSet::NONE);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use setward_process::condition::Test;
    use setward_process::mode::ModeRule;

    const CUTTER: SignalId = SignalId(0);

    fn line() -> Line {
        let mut line = setward_config::load_demo().unwrap().line;
        let cutter_off = || vec![Condition { signal: CUTTER, test: Test::Is(vec![0]) }];
        for station in &mut line.stations {
            (station.modes, station.product_present) = (Vec::new(), None);
        }
        line.stations[0].modes = vec![ModeRule {
            mode: Mode::Gap,
            when: cutter_off(),
            until: Vec::new(),
            hold_for: Default::default(),
        }];
        line.stations[0].product_present = Some(vec![Condition { signal: CUTTER, test: Test::Is(vec![1]) }]);
        line
    }

    #[test]
    fn a_change_of_mode_is_told_with_both_modes_and_dated() {
        let mut book = StationBook::new(&line());
        let mut see = |second: u64, cutter: Option<f64>| {
            book.handle(Uptime::from_millis(second * 1000), UtcMillis(second as i64), |_| false, |_| cutter)
        };
        assert_eq!(see(1, Some(1.0)), []);
        let change = ModeChange { station: StationId(0), from: Mode::Run, to: Mode::Gap };
        assert_eq!(see(2, Some(0.0)), [change]);
        assert_eq!(see(3, None), [], "what is not known changes nothing");
        assert_eq!(see(4, Some(1.0)), [ModeChange { from: Mode::Gap, to: Mode::Run, ..change }]);
        assert_eq!(book.views()[0].since, Some(UtcMillis(4)));
        assert_eq!(book.views()[1].since, None);
    }

    #[test]
    fn that_a_station_runs_is_supposed_until_all_that_tells_its_mode_was_read_once() {
        let (mut book, station) = (StationBook::new(&line()), StationId(0));
        let mut see = |cutter: Option<f64>| {
            book.handle(Uptime::START, UtcMillis(0), |_| false, |_| cutter);
            (book.mode(station), book.is_known(station))
        };
        assert_eq!(see(None), (Mode::Run, false));
        assert_eq!(see(Some(1.0)), (Mode::Run, true));
        assert_eq!(see(None), (Mode::Run, true));
    }

    #[test]
    fn what_a_station_has_been_in_is_known_from_the_first_time_it_ran_and_forgotten_when_it_runs_again() {
        let mut book = StationBook::new(&line());
        let mut see = |cutter: Option<f64>| {
            book.handle(Uptime::START, UtcMillis(0), |_| false, |_| cutter);
            (book.has_been_in(StationId(0), Mode::Gap), book.has_been_in(StationId(0), Mode::Cleaning))
        };
        assert_eq!(see(None), (None, None), "it counts as running, but nobody saw it");
        assert_eq!(see(Some(0.0)), (None, None));
        assert_eq!(see(Some(1.0)), (Some(false), Some(false)));
        assert_eq!(see(Some(0.0)), (Some(true), Some(false)));
        assert_eq!(see(None), (Some(true), Some(false)));
        assert_eq!(see(Some(1.0)), (Some(false), Some(false)));
    }

    #[test]
    fn product_is_where_the_station_before_has_it_and_stays_as_it_was_while_unknown() {
        let mut book = StationBook::new(&line());
        let last = StationId(2);
        assert_eq!(book.product_present(last), None);
        let mut see = |cutter: Option<f64>| {
            book.handle(Uptime::START, UtcMillis(0), |_| false, |_| cutter);
            book.product_present(last)
        };
        assert_eq!(see(None), None);
        assert_eq!(see(Some(1.0)), Some(true));
        assert_eq!(see(None), Some(true));
        assert_eq!(see(Some(0.0)), Some(false));
    }
}
