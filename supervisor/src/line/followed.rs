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
                Followed::OldestCorn => oldest_corn(&tanks, line.tanks.len()).map(Value::Seconds),
                Followed::OldestIn(tank) => oldest_in(&tanks, *tank).map(Value::Seconds),
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

/// Of the tanks that do not feed yet: what feeds is on its way. Nothing where every tank says that it is empty; unknown while
/// a tank that waits may hold older corn than is known, unless what is known is too old already.
fn oldest_corn(tanks: &[TankView], of_line: usize) -> Option<f64> {
    // What fed last goes on feeding while nobody knows.
    let waits: Vec<&TankView> = tanks.iter().filter(|view| !view.row.is_feeding).collect();
    let told = waits.iter().filter_map(|view| oldest_told(view));
    let is_unknown = tanks.len() < of_line || waits.iter().any(|view| hides_older(view));
    if is_unknown {
        let too_old = waits.iter().filter(|view| is_too_old(view, view.row.oldest_seen_s));
        return too_old.filter_map(|view| view.row.oldest_seen_s).fold(None, longer);
    }
    let is_all_empty = waits.iter().all(|view| view.holds == Some(TankCode::Empty));
    told.fold(None, longer).or_else(|| is_all_empty.then_some(0.0))
}

fn oldest_in(tanks: &[TankView], tank: usize) -> Option<f64> {
    let view = tanks.iter().find(|view| view.tank == tank)?;
    let is_empty = view.holds == Some(TankCode::Empty);
    oldest_told(view).or_else(|| (is_empty && view.row.oldest_seen_s.is_none()).then_some(0.0))
}

/// The age of a tank's oldest corn, s, as far as it can be held against a most: corn that may be there is not too old before
/// somebody knows that it is there.
fn oldest_told(view: &TankView) -> Option<f64> {
    let (seen, at_most) = (view.row.oldest_seen_s, view.row.oldest_s);
    if is_too_old(view, seen) {
        return seen;
    }
    at_most.filter(|_| !is_too_old(view, at_most))
}

fn is_too_old(view: &TankView, age_s: Option<f64>) -> bool {
    let most = view.limits.map(|limits| limits.most.as_secs_f64());
    age_s.zip(most).is_some_and(|(age, most)| age > most)
}

/// Whether nobody knows how old the oldest corn in a tank is.
fn hides_older(view: &TankView) -> bool {
    let may_hold = view.holds == Some(TankCode::Full) || view.row.has_unseen;
    view.holds.is_none() || (may_hold && oldest_told(view).is_none())
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

#[cfg(test)]
#[path = "followed_tests.rs"]
mod tests;
