//! What a value must do to raise an alarm, from its settings and the recipe: on which side of what it must come to lie.

use setward_alarm::{AlarmId, AverageReference, Kind, Reference, Side, Target, Watched, Width};
use setward_config::line::{Line, LineAlarm, LineSignal, Recipe};
use setward_process::condition::{Condition, Test};
use setward_protocol::SignalId;

/// Where a limit is all there is, a value this share of the range beyond it is well beyond.
const WELL_BEYOND: f64 = 0.03;
/// Noise stays within so many standard deviations, for all that matters here.
const NOISE_WITHIN: f64 = 5.0;

/// Where a value must come to lie.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Aim {
    /// The watched signal.
    pub signal: SignalId,
    /// On which side of `edge`.
    pub side: Side,
    /// Where the condition begins, in the signal's unit.
    pub edge: f64,
    /// A distance beyond the edge that raises the alarm before long, in the signal's unit; positive.
    pub beyond: f64,
}

impl Aim {
    /// A value well beyond the edge.
    #[must_use]
    pub fn value(&self) -> f64 {
        match self.side {
            Side::Above => self.edge + self.beyond,
            Side::Below => self.edge - self.beyond,
        }
    }
}

/// The recipe that holds for an alarm: the one of its own condition on a recipe number, else what its station runs at first.
#[must_use]
pub fn recipe_of<'a>(line: &'a Line, alarm: &LineAlarm) -> &'a Recipe {
    let signal = alarm.settings.watches.signal();
    let station = alarm.settings.station.or(signal.map(|signal| line.signal(signal).station));
    let word =
        line.recipe_numbers.iter().find(|word| station.is_some_and(|own| word.stations.contains(&own)));
    let number = word.map(|word| {
        let wanted = alarm.when.iter().find(|condition| condition.signal == word.signal).and_then(code_of);
        (word, wanted.unwrap_or_else(|| super::plan::code(line.signal(word.signal).simulate.typical)))
    });
    let recipe = number.and_then(|(word, number)| word.numbers.get(&number)).copied();
    recipe.and_then(|recipe| line.recipes.get(recipe)).unwrap_or_else(|| line.recipe())
}

fn code_of(condition: &Condition) -> Option<i64> {
    match &condition.test {
        Test::Is(codes) => codes.first().copied(),
        Test::Between { .. } => None,
    }
}

/// The aims by which an alarm may be raised, one a side; none for alarms that are not about a value that is too high or low.
#[must_use]
pub fn aims(line: &Line, alarm: AlarmId) -> Vec<Aim> {
    let alarm = line.alarm(alarm);
    let Watched::Signal(id) = alarm.settings.watches else { return Vec::new() };
    let signal = line.signal(id);
    let target = recipe_of(line, alarm).setpoint(id).map(|asked| asked.target);
    let at = |side, edge: f64, beyond: f64| Aim { signal: id, side, edge, beyond: beyond.max(least(signal)) };
    let about = |side, width| {
        let target: Target = target?;
        let reach = target.reach(width, side)?;
        Some(at(side, away(target.setpoint, side, reach), 1.5 * reach))
    };
    match &alarm.settings.kind {
        Kind::Limit(own) => vec![at(own.side, own.limit, 2.0 * own.deadband)],
        Kind::TimeWeighted(own) => about(own.side, Width::Tolerance).into_iter().collect(),
        Kind::Deviation(own) => {
            let sides = own.side.map_or(vec![Side::Above, Side::Below], |side| vec![side]);
            match own.against {
                Reference::Recipe => sides.into_iter().filter_map(|side| about(side, own.width)).collect(),
                Reference::Signal(other) => {
                    let width = fixed(own.width).unwrap_or_default();
                    let middle = line.signal(other).simulate.typical;
                    sides.into_iter().map(|side| at(side, away(middle, side, width), width)).collect()
                }
            }
        }
        Kind::MovingAverage(own) => match own.reference {
            AverageReference::Limit(limit) => vec![at(own.side, limit, 2.0 * own.deadband)],
            AverageReference::Target(width) => about(own.side, width).into_iter().collect(),
        },
        Kind::Discrepancy(own) => {
            let middle = line.signal(own.other).simulate.typical;
            let aim = |side| at(side, away(middle, side, own.apart), own.apart);
            vec![aim(Side::Above), aim(Side::Below)]
        }
        Kind::Drift(own) => {
            let aim =
                |side| target.map(|target| at(side, away(target.setpoint, side, own.sigma), 4.0 * own.sigma));
            [Side::Above, Side::Below].into_iter().filter_map(aim).collect()
        }
        Kind::Rate(_)
        | Kind::Status(_)
        | Kind::EquivalentTime(_)
        | Kind::Measurement(_)
        | Kind::Communication(_)
        | Kind::Forwarding(_) => Vec::new(),
    }
}

fn away(from: f64, side: Side, distance: f64) -> f64 {
    match side {
        Side::Above => from + distance,
        Side::Below => from - distance,
    }
}

const fn fixed(width: Width) -> Option<f64> {
    match width {
        Width::Fixed(width) => Some(width),
        Width::Latitude | Width::Tolerance | Width::Specification => None,
    }
}

/// Less than this beyond an edge could be noise.
fn least(signal: &LineSignal) -> f64 {
    let (low, high) = signal.range;
    let span = (high - low).abs();
    let counts = signal.register().map_or(0.0, |register| 2.0 * register.wire.scale.abs());
    let of_range = if signal.register().is_some() { WELL_BEYOND * span } else { 1e-3 * span };
    of_range.min(span).max(NOISE_WITHIN * signal.simulate.noise).max(counts)
}
