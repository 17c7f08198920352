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
    /// The level that the pieces were held against, and when the last of them ended that was beyond it. A window without
    /// such a piece can't have a mean beyond.
    rest: Option<(Level, Uptime)>,
}

impl Mean {
    pub(crate) fn new(span: Duration, coverage: f64) -> Self {
        let least_known_s = coverage * span.as_secs_f64();
        Self { window: Window::new(span), least_known_s, is_beyond: false, rest: None }
    }

    pub(crate) const fn start_over(&mut self) {
        self.window.clear();
        (self.is_beyond, self.rest) = (false, None);
    }

    /// Takes in a segment and judges on the way, if there is a level.
    pub(crate) fn take(&mut self, segment: &Segment, level: Option<Level>, lent: &mut [Segment]) -> Turns {
        let mut turns = Turns::new();
        self.note_rest(segment, level);
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

    /// Remembers when the last piece ended that was beyond the level.
    fn note_rest(&mut self, segment: &Segment, level: Option<Level>) {
        let is_beyond = |level: &Level| !(level.rests(segment.from) && level.rests(segment.to));
        self.rest = match (self.rest, level) {
            (_, None) => None,
            // Another level: nobody has held the pieces before against it.
            (Some((held, until)), Some(level)) if held == level && !is_beyond(&level) => Some((level, until)),
            (_, Some(level)) => Some((level, segment.to_at)),
        };
    }

    /// Whether no piece of the window is beyond `level`: by what is remembered, or by looking at each.
    fn window_rests(&self, level: &Level, lent: &[Segment]) -> bool {
        let rested = self.rest.filter(|(held, _)| held == level);
        let begins = self.window.begins();
        // One span more than what left the window: neighbours that were joined carry what was beyond a little longer.
        rested.zip(begins).is_some_and(|((_, until), begins)| until + self.window.span <= begins)
            || self.window.pieces(lent).all(|piece| level.rests(piece.from) && level.rests(piece.to))
    }

    /// Seconds until the mean turns if the value stays as it is; `None` if it does not.
    pub(crate) fn turns_in_s(&self, value: f64, level: &Level, lent: &[Segment]) -> Option<f64> {
        // A mean lies between the least and the most of what it is made of: mostly that settles it.
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
        /// What is remembered of the pieces says what a look at each would, with ample storage and with too little.
        #[test]
        fn what_is_remembered_of_a_calm_window_is_what_lies_in_it(
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
                        let looking = Mean { rest: None, ..mean };
                        prop_assert_eq!(mean.window_rests(&level, &lent), looking.window_rests(&level, &lent));
                        prop_assert_eq!(mean.turns_in_s(value, &level, &lent), looking.turns_in_s(value, &level, &lent));
                    }
                }
                (now, before) = (next, value);
            }
        }
    }
}
