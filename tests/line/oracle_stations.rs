//! Modes of stations, product under them, and which alarms may speak: the plainest reading of the line file.

use setward::alarm::Kind;
use setward::protocol::{Mode, SignalId, StationId};
use setward_config::line::{JudgeWhen, Line, LineAlarm};

/// Every station.
#[derive(Debug)]
pub(crate) struct Stations(Vec<NaiveStation>);

#[derive(Debug)]
struct NaiveStation {
    /// For each rule: since when it has held, and whether it is in force.
    rules: Vec<(Option<f64>, bool)>,
    mode: Mode,
    present: Option<bool>,
}

/// Whether all of `$conditions` hold; `None` if that is not known.
macro_rules! all_hold {
    ($good:expr, $conditions:expr) => {{
        let mut holds = Some(true);
        for one in &$conditions {
            match $good[one.signal.index()].map(|value| one.test.holds(value)) {
                Some(true) => {}
                Some(false) => {
                    holds = Some(false);
                    break;
                }
                None => holds = None,
            }
        }
        holds
    }};
}
pub(crate) use all_hold;

impl Stations {
    pub(crate) fn new(line: &Line) -> Self {
        let station = |one: &setward_config::line::Station| NaiveStation {
            rules: vec![(None, false); one.modes.len()],
            mode: Mode::Run,
            present: None,
        };
        Self(line.stations.iter().map(station).collect())
    }

    pub(crate) fn mode(&self, station: StationId) -> Mode {
        self.0[station.index()].mode
    }

    /// Looks at the line as it is at `at`.
    pub(crate) fn follow(&mut self, at: f64, good: &[Option<f64>], line: &Line) {
        let mut before = None;
        for (place, station) in self.0.iter_mut().enumerate() {
            let own = line.station(StationId(place as u16));
            for ((since, in_force), rule) in station.rules.iter_mut().zip(&own.modes) {
                let when = all_hold!(good, rule.when);
                match when {
                    Some(true) => {
                        let since = *since.get_or_insert(at);
                        *in_force |= at - since >= rule.hold_for.as_secs_f64();
                    }
                    Some(false) => *since = None,
                    None => {}
                }
                if when == Some(false) && (rule.until.is_empty() || all_hold!(good, rule.until) == Some(true))
                {
                    *in_force = false;
                }
            }
            let winner = station.rules.iter().zip(&own.modes).find(|((_, in_force), _)| *in_force);
            station.mode = winner.map_or(Mode::Run, |(_, rule)| rule.mode);
            station.present = match &own.product_present {
                Some(conditions) => all_hold!(good, *conditions).or(station.present),
                None => before,
            };
            before = station.present;
        }
    }

    /// Whether conditions and product under the station let an alarm speak; `None`: not known.
    pub(crate) fn may_speak(
        &self,
        line: &Line,
        good: &[Option<f64>],
        alarm: &LineAlarm,
        signal: SignalId,
    ) -> Option<bool> {
        // Of the kinds that collect only these are held against the recipe.
        let is_held = matches!(alarm.settings.kind, Kind::TimeWeighted(_) | Kind::MovingAverage(_));
        let asked = line.recipe_setpoint(signal).filter(|_| is_held);
        let judged = asked.is_none_or(|asked| {
            let present = self.0[line.signal(signal).station.index()].present;
            asked.judge_when != JudgeWhen::ProductPresent || present.unwrap_or(true)
        });
        if judged { all_hold!(good, alarm.when) } else { Some(false) }
    }
}
