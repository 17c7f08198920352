//! Whether the mean over a window is beyond a level: exact for straight lines, at the moment it crosses.

use crate::segment::Segment;
use crate::settings::Side;
use crate::window::{Move, Window};
use core::time::Duration;
use heapless::Vec;
use setward_protocol::Uptime;

/// A mean this near to the level, as a share of it, counts as on it: sums are rounded.
const ROUNDING: f64 = 1e-9;

/// The line that a mean must not pass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Level {
    pub(crate) side: Side,
    pub(crate) level: f64,
    pub(crate) deadband: f64,
}

impl Level {
    fn rests(&self, value: f64) -> bool {
        self.side.beyond(value, self.level) <= 0.0
    }
}

/// The mean went beyond (`true`) or came back (`false`).
pub(crate) type Turns = Vec<(Uptime, bool), 4>;

/// A mean over a window, and whether it is beyond.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Mean {
    pub(crate) window: Window,
    /// Least known seconds in the window to judge it.
    least_known_s: f64,
    pub(crate) is_beyond: bool,
    /// What is carried along for the level now in force; `None` while there is none.
    calm: Option<Calm>,
}

/// What the pieces held against one level leave of it. A mean can only go beyond while the value is not if the newest pieces of
/// some length lie beyond the level together: the most that any such length has is carried along (Kadane's greatest sum).
#[derive(Debug, Clone, Copy, PartialEq)]
struct Calm {
    level: Level,
    /// Pieces before that were not held against it.
    since: Uptime,
    /// Area beyond the level, not below 0.
    most_beyond: f64,
}

impl Calm {
    fn take(&mut self, segment: &Segment) {
        let beyond = |value: f64| self.level.side.beyond(value, self.level.level);
        let (from, to) = (beyond(segment.from), beyond(segment.to));
        let whole = 0.5 * (from + to) * segment.length_s();
        // On its way out only what lies beyond counts; the newest pieces may begin within it.
        let part =
            if from < 0.0 && to > 0.0 { 0.5 * to * to / (to - from) * segment.length_s() } else { whole };
        self.most_beyond = (self.most_beyond + whole).max(part).max(0.0);
    }
}

impl Mean {
    pub(crate) fn new(span: Duration, coverage: f64) -> Self {
        let least_known_s = coverage * span.as_secs_f64();
        Self { window: Window::new(span), least_known_s, is_beyond: false, calm: None }
    }

    pub(crate) const fn start_over(&mut self) {
        self.window.clear();
        (self.is_beyond, self.calm) = (false, None);
    }

    /// Takes in a segment and judges on the way, if there is a level.
    pub(crate) fn take(&mut self, segment: &Segment, level: Option<Level>, lent: &mut [Segment]) -> Turns {
        let mut turns = Turns::new();
        self.note_calm(segment, level);
        let (least_known_s, mut is_beyond) = (self.least_known_s, self.is_beyond);
        self.window.take(segment, lent, |step| {
            let Some(level) = level else { return };
            let mut from_s = 0.0;
            while let Some(seconds) = turn_s(step, &level, is_beyond, least_known_s, from_s) {
                is_beyond = !is_beyond;
                from_s = seconds;
                // More turns than that in one segment are not possible for a window longer than it.
                if turns.push((step.from_at.plus_seconds(seconds), is_beyond)).is_err() {
                    is_beyond = !is_beyond;
                    break;
                }
            }
        });
        self.is_beyond = is_beyond;
        turns
    }

    /// Carries along what the newest pieces have beyond the level; anew for another level.
    fn note_calm(&mut self, segment: &Segment, level: Option<Level>) {
        let since = segment.from_at;
        self.calm = level.map(|level| {
            let held = self.calm.filter(|calm| calm.level == level);
            let mut calm = held.unwrap_or(Calm { level, since, most_beyond: 0.0 });
            calm.take(segment);
            calm
        });
    }

    /// Whether the newest pieces, however many, have nothing beyond `level`: by what is carried along, or by looking at each.
    fn window_rests(&self, level: &Level, lent: &[Segment]) -> bool {
        let calm = self.calm.filter(|calm| calm.level == *level && calm.most_beyond <= 0.0);
        // One span more than what left the window: neighbours that were joined carry what was before a little longer.
        calm.zip(self.window.begins()).is_some_and(|(calm, begins)| calm.since + self.window.span <= begins)
            || self.window.pieces(lent).all(|piece| level.rests(piece.from) && level.rests(piece.to))
    }

    /// Seconds until the mean turns if the value stays as it is; `None` if it does not.
    pub(crate) fn turns_in_s(&self, value: f64, level: &Level, lent: &[Segment]) -> Option<f64> {
        // Where neither the value nor the newest pieces are beyond, no mean of both is: mostly that settles it.
        if !self.is_beyond && level.rests(value) && self.window_rests(level, lent) {
            return None;
        }
        let (mut passed_s, mut found) = (0.0, None);
        self.window.look_ahead(value, lent, |step| {
            found = turn_s(step, level, self.is_beyond, self.least_known_s, 0.0)
                .map(|seconds| passed_s + seconds);
            passed_s += step.length_s;
            found.is_some()
        });
        found
    }
}

/// Seconds into the step, from `from_s` on, at which the mean turns.
fn turn_s(step: &Move, level: &Level, is_beyond: bool, least_known_s: f64, from_s: f64) -> Option<f64> {
    // Known time only grows while something comes in; nothing is judged while nothing does.
    let (value, rise) = step.enters?;
    let missing_s = least_known_s - step.known_at(from_s);
    let start_s = match (missing_s > ROUNDING * least_known_s, step.leaves) {
        (false, _) => from_s,
        (true, None) => from_s + missing_s,
        (true, Some(_)) => return None,
    };
    if start_s > step.length_s {
        return None;
    }
    let sign = match level.side {
        Side::Above => 1.0,
        Side::Below => -1.0,
    };
    // Beyond: sign * (area - level * known) > 0. Back: the same with the deadband, turned round.
    let (turned, line) =
        if is_beyond { (-sign, level.level - sign * level.deadband) } else { (sign, level.level) };
    let (left, fall) = step.leaves.unwrap_or((line, 0.0));
    let slack = ROUNDING * (1.0 + line.abs()) * step.known_s.max(least_known_s);
    // Coming back takes a little less, or a mean on the line would turn for ever.
    let slack = if is_beyond { -0.5 * slack } else { slack };
    let at_start = turned * (step.area - line * step.known_s) - slack;
    let rate = turned * ((value - line) - (left - line));
    first_rise(at_start, rate, turned * (rise - fall), start_s, step.length_s)
}

/// The first time in `from ..= to` at which `start + rate t + curve t² / 2` is positive or becomes so.
fn first_rise(start: f64, rate: f64, curve: f64, from: f64, to: f64) -> Option<f64> {
    let at = |t: f64| start + t * (rate + 0.5 * curve * t);
    if at(from) > 0.0 {
        return Some(from);
    }
    let root = libm::sqrt(rate * rate - 2.0 * curve * start);
    // The stable form of both roots; a straight line has one.
    let far = -(rate + if rate < 0.0 { -root } else { root });
    let roots = [far / curve, 2.0 * start / far];
    let rises = |t: &f64| *t > from && *t <= to && rate + curve * *t > 0.0;
    roots.into_iter().filter(rises).reduce(f64::min)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// What is carried along of the pieces says what a look at each would, with ample storage and with too little.
        #[test]
        fn what_is_carried_along_foresees_what_a_look_at_each_piece_does(
            values in proptest::collection::vec((-3.0_f64..1.2, 0.1_f64..3.0, 0_u8..40), 20..300),
            span_s in 1.0_f64..30.0, room in 3_usize..80,
        ) {
            let mut mean = Mean::new(Duration::from_secs_f64(span_s), 0.0);
            let mut lent = std::vec![Segment::default(); room];
            let (mut now, mut before, mut edge) = (Uptime::START, 0.0, 1.0);
            for (value, length_s, what) in values {
                let next = now.plus_seconds(length_s);
                match what {
                    // Nothing is known for a while; another recipe's level.
                    0 => {}
                    1 => edge = -edge,
                    _ => {
                        let level = Level { side: Side::Above, level: edge, deadband: 0.1 };
                        let segment = Segment { from_at: now, from: before, to_at: next, to: value };
                        mean.take(&segment, Some(level), &mut lent);
                        let looking = Mean { calm: None, ..mean };
                        prop_assert_eq!(mean.turns_in_s(value, &level, &lent), looking.turns_in_s(value, &level, &lent));
                    }
                }
                (now, before) = (next, value);
            }
        }
    }
}
