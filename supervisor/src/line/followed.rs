//! Ages, the tank that should feed, and the heat balance: worked out every few seconds, and after each entry.

use super::LineTask;
use super::entering::alone;
use super::follow::TankView;
use super::signals::Fresh;
use setward_config::line::{FOLLOWED_EVERY, Followed, LineSignal, Origin, TankCode};
use setward_protocol::{NoData, Reading, SignalId, Unit, Uptime};

/// How often, in ticks of a second.
pub(super) const EVERY_TICKS: u64 = FOLLOWED_EVERY.as_secs();

impl LineTask<'_> {
    /// Works all of them out.
    pub(super) fn follow_ages(&mut self) {
        let line = std::sync::Arc::clone(&self.line);
        let wanted: Vec<(SignalId, &LineSignal, Followed)> = line
            .signals_with_ids()
            .filter_map(|(id, signal)| match signal.origin {
                Origin::Followed(followed) => Some((id, signal, followed)),
                Origin::Register(_) | Origin::Derived(_) | Origin::Entered => None,
            })
            .collect();
        if wanted.is_empty() {
            return;
        }
        let wall = self.anchor();
        let tanks = self.follow.tanks(&line, wall.at, wall.utc);
        let fresh = wanted.iter().map(|(id, signal, followed)| {
            let found = match followed {
                Followed::SinceGood(entry) => Some(Value::Seconds(self.since_good(*entry))),
                Followed::YoungestFeeding => self.youngest_feeding(&tanks).map(Value::Seconds),
                Followed::OldestCorn => self.oldest_corn(&tanks).map(Value::Seconds),
                Followed::OldestIn(tank) => self.oldest_in(&tanks, *tank).map(Value::Seconds),
                Followed::DueTank => self.due_tank(&tanks, wall.at).map(Value::Number),
                Followed::Balance(output) => {
                    return alone(*id, self.balance.reading(signal, *output), wall.at);
                }
            };
            alone(*id, reading(signal, found), wall.at)
        });
        let fresh: Vec<Fresh> = fresh.collect();
        self.take_apart(wall.at, fresh);
    }

    /// Before the first entry, the watching is as old as this run: nobody knows of a check before.
    fn since_good(&self, entry: SignalId) -> f64 {
        let wall = self.anchor();
        let target = self.core.recipe_setpoint(entry).map(|asked| asked.target);
        let is_check = self.line.signal(entry).unit == Unit::Bit;
        let is_good = |value: f64| {
            if is_check {
                value == 1.0
            } else {
                target.is_none_or(|target| target.is_within_tolerance(value))
            }
        };
        let since = self.desk.since_good(&self.line, entry, wall, is_good);
        since.unwrap_or_else(|| wall.at.seconds_since(Uptime::START))
    }

    fn youngest_feeding(&self, tanks: &[TankView]) -> Option<f64> {
        let word = self.line.feed.as_ref()?.tank?;
        let number = self.core.good(word)?;
        let fed = tanks.iter().find(|view| f64::from(view.row.number) == number)?;
        fed.row.youngest_s
    }

    /// Of the tanks that do not feed yet: what feeds is on its way. Nothing where every tank says that it is empty.
    fn oldest_corn(&self, tanks: &[TankView]) -> Option<f64> {
        // What fed last goes on feeding while nobody knows.
        let waits = |view: &&TankView| !view.row.is_feeding;
        let known = tanks.iter().filter(waits).filter_map(|view| view.row.oldest_s).fold(None, longer);
        let is_all_empty = self.line.tanks.len() == tanks.len()
            && tanks.iter().filter(waits).all(|view| view.holds == Some(TankCode::Empty));
        known.or_else(|| is_all_empty.then_some(0.0))
    }

    fn oldest_in(&self, tanks: &[TankView], tank: usize) -> Option<f64> {
        let view = tanks.iter().find(|view| view.tank == tank)?;
        let is_empty = view.holds == Some(TankCode::Empty);
        view.row.oldest_s.or_else(|| is_empty.then_some(0.0))
    }

    /// Unknown while a full tank holds corn of which no age is known, or a tank says nothing: it may be the oldest.
    fn due_tank(&self, tanks: &[TankView], now: Uptime) -> Option<f64> {
        let is_unknown = |view: &TankView| {
            view.holds.is_none() || view.row.oldest_s.is_none() && view.holds == Some(TankCode::Full)
        };
        if tanks.len() < self.line.tanks.len() || tanks.iter().any(is_unknown) {
            return None;
        }
        let utc = self.anchor().utc(now);
        let may_be_fed = |view: &&TankView| view.ready_at.is_some_and(|ready| ready <= utc);
        let oldest = tanks.iter().filter(may_be_fed).max_by(|one, other| {
            let age = |view: &TankView| view.row.oldest_s.unwrap_or(0.0);
            age(one).total_cmp(&age(other)).then(other.row.number.cmp(&one.row.number))
        });
        Some(oldest.map_or(0.0, |view| f64::from(view.row.number)))
    }
}

/// What was worked out.
#[derive(Debug, Clone, Copy)]
enum Value {
    Seconds(f64),
    Number(f64),
}

fn longer(longest: Option<f64>, next: f64) -> Option<f64> {
    Some(longest.map_or(next, |longest| longest.max(next)))
}

/// In the signal's unit. Beyond the range it is at least, or at most, what the range can say.
fn reading(signal: &LineSignal, found: Option<Value>) -> Reading {
    let value = match found {
        Some(Value::Seconds(seconds)) => Unit::Second.convert(seconds, signal.unit),
        Some(Value::Number(number)) => Some(number),
        None => None,
    };
    let (low, high) = signal.range;
    value.map_or(Reading::Bad(NoData::TooLittleKnown), |value| Reading::Good(value.clamp(low, high)))
}
