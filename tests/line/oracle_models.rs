//! The plainest models of the kinds of alarm, fed sample by sample: they keep little and know no closed form beyond a
//! straight line's crossing. The oracle holds the engine against them, over months.

use crate::oracle_windows::{Averaged, Sloped};
use setward::alarm::{
    Allowance, AverageReference, EquivalentTimeSettings, Kind, Leak, Reference, Side, Target,
    TimeWeightedSettings, Width,
};
use setward::protocol::Reading;
use std::time::Duration;

/// When a condition turned, s, and whether it began.
pub(crate) type Turn = (f64, bool);

/// Steps into which a line between two samples is cut where it matters.
const STEPS: u32 = 40;

/// How easily a model decides, against the settings: of allowances, delays and doses; and by how much of the signal's unit
/// a level is nearer (negative: farther).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Ease {
    pub(crate) allowance: f64,
    pub(crate) nearer: f64,
    /// Added to delays, s.
    pub(crate) extra_s: f64,
    /// The share of the time of which somebody knows: a window that must be covered by half is judged by one who knows all of
    /// it as soon as one who knows so much would.
    pub(crate) known: f64,
}

/// As the settings say.
pub(crate) const EXACT: Ease = Ease { allowance: 1.0, nearer: 0.0, extra_s: 0.0, known: 1.0 };

/// How far beyond a value is; positive is beyond.
#[derive(Debug, Clone)]
pub(crate) enum Beyond {
    Level { side: Side, level: f64 },
    Outside { low: f64, high: f64 },
    Codes(Vec<i64>),
}

impl Beyond {
    fn of(&self, x: f64) -> f64 {
        match self {
            Self::Level { side, level } => side.beyond(x, *level),
            Self::Outside { low, high } => (x - high).max(low - x),
            Self::Codes(codes) => {
                if codes.iter().any(|code| *code as f64 == x) {
                    1.0
                } else {
                    -1.0
                }
            }
        }
    }
}

/// Beyond for so long, then back for so long.
#[derive(Debug, Clone)]
pub(crate) struct Delayed {
    pub(crate) beyond: Beyond,
    deadband: f64,
    on_s: f64,
    off_s: f64,
    out: Option<f64>,
    back: Option<f64>,
    raised: f64,
    active: bool,
}

/// A share that grows, fades and is compared.
#[derive(Debug, Clone)]
pub(crate) struct Dosed {
    settings: TimeWeightedSettings,
    target: Target,
    allowance: f64,
    nearer: f64,
    pub(crate) share: f64,
    active: bool,
}

/// The dose of a batch.
#[derive(Debug, Clone)]
pub(crate) struct Cooked {
    settings: EquivalentTimeSettings,
    ease: f64,
    began: Option<f64>,
    dose_s: f64,
    active: bool,
}

#[derive(Debug, Clone)]
pub(crate) enum Model {
    Delayed(Delayed),
    Dosed(Dosed),
    Averaged(Averaged),
    Sloped(Sloped),
    Cooked(Cooked),
}

impl Model {
    /// The model of an alarm of `kind`; `None` for a kind that judges no values, or one that is asked nothing.
    pub(crate) fn of(kind: &Kind, target: Option<Target>, ease: Ease) -> Option<Self> {
        let delayed = |beyond, deadband, on: Duration, off: Duration| {
            let on_s = (on.as_secs_f64() * ease.allowance + ease.extra_s).max(0.0);
            let off_s = off.as_secs_f64();
            let (out, back, raised, active) = (None, None, 0.0, false);
            Self::Delayed(Delayed { beyond, deadband, on_s, off_s, out, back, raised, active })
        };
        Some(match kind {
            Kind::Limit(limit) => {
                let level = eased(limit.side, limit.limit, ease.nearer);
                let beyond = Beyond::Level { side: limit.side, level };
                delayed(beyond, limit.deadband, limit.on_delay, limit.off_delay)
            }
            Kind::Deviation(deviation) => {
                let middle = if deviation.against == Reference::Recipe { target?.setpoint } else { 0.0 };
                let reach = |side| match deviation.width {
                    Width::Fixed(width) => Some(width),
                    width @ (Width::Latitude | Width::Tolerance | Width::Specification) => {
                        target?.reach(width, side)
                    }
                };
                let (low, high) = (middle - reach(Side::Below)?, middle + reach(Side::Above)?);
                let beyond = match deviation.side {
                    Some(side @ Side::Above) => Beyond::Level { side, level: eased(side, high, ease.nearer) },
                    Some(side @ Side::Below) => Beyond::Level { side, level: eased(side, low, ease.nearer) },
                    None => Beyond::Outside { low: low + ease.nearer, high: high - ease.nearer },
                };
                delayed(beyond, deviation.deadband, deviation.on_delay, deviation.off_delay)
            }
            Kind::Discrepancy(pair) => {
                let apart = pair.apart - ease.nearer;
                let beyond = Beyond::Outside { low: -apart, high: apart };
                delayed(beyond, pair.deadband, pair.on_delay, pair.off_delay)
            }
            Kind::Status(status) if status.share.is_none() => {
                let beyond = Beyond::Codes(status.is.as_slice().to_vec());
                delayed(beyond, 0.0, status.on_delay, status.off_delay)
            }
            Kind::TimeWeighted(settings) => Self::Dosed(Dosed {
                settings: *settings,
                target: target?,
                allowance: ease.allowance,
                nearer: ease.nearer,
                share: 0.0,
                active: false,
            }),
            Kind::MovingAverage(average) if average.ceiling.is_none() => {
                let level = match average.reference {
                    AverageReference::Limit(limit) => limit,
                    AverageReference::Target(width) => {
                        let target = target?;
                        target.setpoint + average.side.beyond(target.reach(width, average.side)?, 0.0)
                    }
                };
                Self::Averaged(Averaged::new(average, eased(average.side, level, ease.nearer), ease.known))
            }
            Kind::Rate(settings) => {
                // Falling behind a rate is easier the higher the rate.
                let by = if settings.side == Side::Above { ease.allowance } else { 1.0 / ease.allowance };
                Self::Sloped(Sloped::new(settings, settings.per_minute * by, ease.known))
            }
            Kind::EquivalentTime(settings) => {
                let (began, dose_s, active) = (None, 0.0, false);
                Self::Cooked(Cooked { settings: *settings, ease: ease.allowance, began, dose_s, active })
            }
            Kind::Status(_)
            | Kind::MovingAverage(_)
            | Kind::Drift(_)
            | Kind::Measurement(_)
            | Kind::Communication(_)
            | Kind::Forwarding(_) => return None,
        })
    }

    fn segment(&mut self, from: (f64, f64), to: (f64, f64), turns: &mut Vec<Turn>) {
        match self {
            Self::Delayed(model) => model.segment(from, to, turns),
            Self::Dosed(model) => model.segment(from, to, turns),
            Self::Averaged(model) => model.segment(from, to, turns),
            Self::Sloped(model) => model.segment(from, to, turns),
            Self::Cooked(model) => model.segment(from, to, turns),
        }
    }

    pub(crate) fn is_active(&self) -> bool {
        match self {
            Self::Delayed(model) => model.active,
            Self::Dosed(model) => model.active,
            Self::Averaged(model) => model.active,
            Self::Sloped(model) => model.active,
            Self::Cooked(model) => model.active,
        }
    }

    /// Whether nothing is left of what has been: the next decision has no past.
    pub(crate) fn is_at_rest(&self) -> bool {
        match self {
            Self::Delayed(model) => !model.active && model.out.is_none(),
            Self::Dosed(model) => !model.active && model.share < 1e-3,
            Self::Averaged(model) => !model.active,
            Self::Sloped(model) => !model.active && model.is_empty(),
            Self::Cooked(model) => !model.active && model.began.is_none(),
        }
    }

    /// What was collected does not count any more.
    pub(crate) fn start_over(&mut self) {
        match self {
            Self::Delayed(_) => {}
            Self::Dosed(model) => (model.share, model.active) = (0.0, false),
            Self::Averaged(model) => model.start_over(),
            Self::Sloped(model) => model.start_over(),
            Self::Cooked(model) => (model.dose_s, model.began, model.active) = (0.0, None, false),
        }
    }

    /// Whether the value is on the good side of what is watched.
    pub(crate) fn is_within(&self, x: f64) -> bool {
        match self {
            Self::Delayed(model) => model.beyond.of(x) <= 0.0,
            Self::Dosed(model) => model.distance(x) <= 1.0,
            Self::Averaged(model) => model.is_within(x),
            Self::Sloped(_) | Self::Cooked(_) => true,
        }
    }

    /// A batch begins or ends.
    pub(crate) fn batch(&mut self, at: f64, begins: bool, turns: &mut Vec<Turn>) {
        if let Self::Cooked(model) = self {
            model.batch(at, begins, turns);
        }
    }
}

/// `level` moved by `nearer` towards the good side.
pub(crate) fn eased(side: Side, level: f64, nearer: f64) -> f64 {
    match side {
        Side::Above => level - nearer,
        Side::Below => level + nearer,
    }
}

/// When the line from `a` to `b` is at `level`.
pub(crate) fn crossing(a: (f64, f64), b: (f64, f64), level: f64) -> f64 {
    let share = (level - a.1) / (b.1 - a.1);
    if share.is_finite() { a.0 + (b.0 - a.0) * share.clamp(0.0, 1.0) } else { b.0 }
}

impl Delayed {
    fn segment(&mut self, from: (f64, f64), to: (f64, f64), turns: &mut Vec<Turn>) {
        let beyond = |point: (f64, f64)| (point.0, self.beyond.of(point.1));
        match self.beyond {
            Beyond::Codes(_) => {
                let (held, then) = ((to.0, beyond(from).1), beyond(to));
                let from = beyond(from);
                self.line(from, held, turns);
                self.line(held, then, turns);
            }
            Beyond::Outside { low, high } if (from.1 < 0.5 * (low + high)) != (to.1 < 0.5 * (low + high)) => {
                let middle = 0.5 * (low + high);
                let at = crossing(from, to, middle);
                let (from, middle, to) = (beyond(from), beyond((at, middle)), beyond(to));
                self.line(from, middle, turns);
                self.line(middle, to, turns);
            }
            Beyond::Level { .. } | Beyond::Outside { .. } => {
                let (from, to) = (beyond(from), beyond(to));
                self.line(from, to, turns);
            }
        }
    }

    /// How far beyond it is goes in a straight line from `a` to `b`.
    fn line(&mut self, a: (f64, f64), b: (f64, f64), turns: &mut Vec<Turn>) {
        if !self.active {
            if b.1 > 0.0 {
                self.out.get_or_insert_with(|| crossing(a, b, 0.0));
            }
            let until = if b.1 > 0.0 { b.0 } else { crossing(a, b, 0.0) };
            if self.out.is_some_and(|since| until - since >= self.on_s - 1e-9) {
                self.raise(turns);
            } else if b.1 <= 0.0 {
                self.out = None;
            }
        }
        if !self.active {
            return;
        }
        let level = -self.deadband;
        if b.1 <= level {
            let since = crossing(a, b, level).max(self.raised);
            self.back.get_or_insert(since);
        }
        let until = if b.1 <= level { b.0 } else { crossing(a, b, level) };
        if let Some(since) = self.back.filter(|since| until - since >= self.off_s - 1e-9) {
            (self.active, self.out, self.back) = (false, None, None);
            turns.push((since + self.off_s, false));
            if b.1 > 0.0 {
                self.out = Some(crossing(a, b, 0.0));
            }
        } else if b.1 > level {
            self.back = None;
        }
    }

    fn raise(&mut self, turns: &mut Vec<Turn>) {
        if let Some(since) = self.out.take() {
            (self.active, self.raised) = (true, since + self.on_s);
            turns.push((self.raised, true));
        }
    }

    /// The timer runs out before `now`, if the last sample is then still young.
    fn run_out(&mut self, now: f64, last: f64, gap_s: f64, turns: &mut Vec<Turn>) {
        if let Some(due) = self.out.filter(|_| !self.active).map(|since| since + self.on_s)
            && due <= now
            && due - last <= gap_s
        {
            self.raise(turns);
        }
    }

    fn lose_sight(&mut self) {
        (self.out, self.back) = (None, None);
    }
}

impl Dosed {
    fn distance(&self, x: f64) -> f64 {
        let side = self.settings.side;
        let pick_up = match self.settings.leak {
            Leak::Inside => 1.0,
            Leak::Always { pick_up } => pick_up,
        };
        (side.beyond(x, self.target.setpoint) + self.nearer) / (self.target.tolerance(side) * pick_up)
    }

    /// Cut where the value passes its tolerance, so that no step is half beyond: near it an exposure grows so slowly that a
    /// thousandth of it is half a second.
    fn segment(&mut self, from: (f64, f64), to: (f64, f64), turns: &mut Vec<Turn>) {
        let (one, other) = (self.distance(from.1), self.distance(to.1));
        if (one > 1.0) == (other > 1.0) {
            return self.piece(from, to, turns);
        }
        let share = (1.0 - one) / (other - one);
        let cut = (from.0 + (to.0 - from.0) * share, from.1 + (to.1 - from.1) * share);
        self.piece(from, cut, turns);
        self.piece(cut, to, turns);
    }

    fn piece(&mut self, from: (f64, f64), to: (f64, f64), turns: &mut Vec<Turn>) {
        let quiet = self.distance(from.1) <= 1.0 && self.distance(to.1) <= 1.0;
        let steps = if quiet && !self.active { 1 } else { STEPS };
        let dt = (to.0 - from.0) / f64::from(steps);
        let shape = self.settings.shape;
        let allowance_s = match self.settings.allowance {
            Allowance::Area(area) => area / self.target.tolerance(self.settings.side),
            Allowance::AtTwice(seconds) => seconds * (2.0_f64.powf(shape) - 1.0),
        };
        let recovery_s = self.settings.recovery.map_or(f64::INFINITY, |span| span.as_secs_f64());
        for step in 0..steps {
            let share = (f64::from(step) + 0.5) / f64::from(steps);
            let m = self.distance(from.1 + (to.1 - from.1) * share);
            if m <= 1.0 || self.settings.leak != Leak::Inside {
                self.share *= (-dt / recovery_s).exp();
            }
            if m > 1.0 {
                self.share = (self.share + dt * (m.powf(shape) - 1.0) / allowance_s).min(3.0);
            }
            let t = from.0 + dt * f64::from(step + 1);
            let clears = m <= 1.0 && self.share <= self.settings.clear_below * self.allowance;
            if !self.active && m > 1.0 && self.share >= self.allowance || self.active && clears {
                self.active = !self.active;
                turns.push((t, self.active));
            }
        }
    }
}

impl Cooked {
    fn segment(&mut self, from: (f64, f64), to: (f64, f64), turns: &mut Vec<Turn>) {
        let Some(start) = self.began.map(|began| from.0.max(began)).filter(|start| *start < to.0) else {
            return;
        };
        for step in 0..4 {
            let dt = (to.0 - start) / 4.0;
            let t = start + dt * (f64::from(step) + 0.5);
            let x = from.1 + (to.1 - from.1) * (t - from.0) / (to.0 - from.0);
            self.dose_s += dt * 10.0_f64.powf((x - self.settings.reference) / self.settings.z);
            let most_s = self.settings.most.map_or(f64::INFINITY, |most| most.as_secs_f64() * self.ease);
            if self.dose_s > most_s && !self.active {
                self.active = true;
                turns.push((t, true));
            }
        }
    }

    fn batch(&mut self, at: f64, begins: bool, turns: &mut Vec<Turn>) {
        if begins {
            if self.active {
                turns.push((at, false));
            }
            (self.began, self.dose_s, self.active) = (Some(at), 0.0, false);
            return;
        }
        let least_s = self.settings.least.map_or(0.0, |least| least.as_secs_f64() / self.ease);
        if self.began.take().is_some() && self.dose_s < least_s && !self.active {
            self.active = true;
            turns.push((at, true));
        }
    }
}

/// A model with the last sample it saw.
#[derive(Debug, Clone)]
pub(crate) struct Follower {
    pub(crate) model: Model,
    gap_s: f64,
    last: Option<(f64, f64)>,
    pub(crate) turns: Vec<Turn>,
}

impl Follower {
    pub(crate) fn new(model: Model, gap_s: f64) -> Self {
        Self { model, gap_s, last: None, turns: Vec::new() }
    }

    /// Timers that run out up to `now`.
    pub(crate) fn pass(&mut self, now: f64) {
        if let (Model::Delayed(model), Some((last, _))) = (&mut self.model, self.last) {
            model.run_out(now, last, self.gap_s, &mut self.turns);
        }
    }

    pub(crate) fn take(&mut self, at: f64, reading: Reading) {
        self.pass(at);
        let value = match reading {
            Reading::Good(value) if value.is_finite() => value,
            Reading::Bad(why) if why.is_silence() => return,
            Reading::Good(_) | Reading::Uncertain(..) | Reading::Bad(_) => {
                self.last = None;
                return self.lose_sight();
            }
        };
        let now = (at, value);
        let from = match self.last.replace(now).filter(|last| at - last.0 <= self.gap_s + 1e-9) {
            Some(last) => last,
            None => {
                self.lose_sight();
                now
            }
        };
        self.model.segment(from, now, &mut self.turns);
    }

    fn lose_sight(&mut self) {
        if let Model::Delayed(model) = &mut self.model {
            model.lose_sight();
        }
    }
}
