//! What a value must do to raise an alarm, from its settings and the recipe: on which side of what it must come to lie.

use super::branch::Branch;
use setward_alarm::{
    AlarmId, AverageReference, DiscrepancySettings, Kind, Reference, Side, Target, Watched, Width,
};
use setward_config::line::{Line, LineAlarm, LineSignal, Origin, Recipe};
use setward_process::condition::{Condition, Test};
use setward_protocol::SignalId;

/// Where a limit is all there is, a value this share of the range beyond it is well beyond.
const WELL_BEYOND: f64 = 0.03;
/// Noise stays within so many standard deviations, for all that matters here.
const NOISE_WITHIN: f64 = 5.0;

/// Where a value must come to lie.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Aim {
    /// What of the alarm it shows.
    pub branch: Branch,
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

/// The aims by which an alarm may be raised, one a branch; none for alarms that are not about a value that is too high or low.
#[must_use]
pub fn aims(line: &Line, alarm: AlarmId) -> Vec<Aim> {
    let alarm = line.alarm(alarm);
    let Watched::Signal(id) = alarm.settings.watches else { return Vec::new() };
    let signal = line.signal(id);
    let target = recipe_of(line, alarm).setpoint(id).map(|asked| asked.target);
    let at = |branch, side, edge: f64, beyond: f64| Aim {
        branch,
        signal: id,
        side,
        edge,
        beyond: beyond.max(least(signal)),
    };
    let of_side = |side, edge, beyond| at(Branch::Side(side), side, edge, beyond);
    let about = |branch, side, width| {
        let target: Target = target?;
        let reach = target.reach(width, side)?;
        Some(at(branch, side, away(target.setpoint, side, reach), 1.5 * reach))
    };
    match &alarm.settings.kind {
        Kind::Limit(own) => vec![at(Branch::Whole, own.side, own.limit, 2.0 * own.deadband)],
        Kind::TimeWeighted(own) => about(Branch::Whole, own.side, Width::Tolerance).into_iter().collect(),
        Kind::Deviation(own) => {
            let sides = own.side.map_or(vec![Side::Above, Side::Below], |side| vec![side]);
            match own.against {
                Reference::Recipe => {
                    sides.into_iter().filter_map(|side| about(Branch::Side(side), side, own.width)).collect()
                }
                Reference::Signal(other) => {
                    let width = fixed(own.width).unwrap_or_default();
                    let middle = line.signal(other).simulate.typical;
                    sides.into_iter().map(|side| of_side(side, away(middle, side, width), width)).collect()
                }
            }
        }
        Kind::MovingAverage(own) => {
            let mean = match own.reference {
                AverageReference::Limit(limit) => Some(at(Branch::Mean, own.side, limit, 2.0 * own.deadband)),
                AverageReference::Target(width) => about(Branch::Mean, own.side, width),
            };
            // A value beyond the ceiling would tell nothing of the mean.
            let below_ceiling = |mean: Aim| {
                let room = own.ceiling.map(|ceiling| own.side.beyond(ceiling, mean.edge) / 2.0);
                Aim {
                    beyond: room.filter(|room| *room > 0.0).map_or(mean.beyond, |room| mean.beyond.min(room)),
                    ..mean
                }
            };
            let ceiling =
                own.ceiling.map(|ceiling| at(Branch::Ceiling, own.side, ceiling, 2.0 * own.deadband));
            mean.map(below_ceiling).into_iter().chain(ceiling).collect()
        }
        Kind::Discrepancy(own) => {
            apart(line, alarm, id, own).map(|(side, edge, beyond)| of_side(side, edge, beyond)).to_vec()
        }
        Kind::Drift(own) => {
            let aim = |side| {
                target.map(|target| of_side(side, away(target.setpoint, side, own.sigma), 4.0 * own.sigma))
            };
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

/// Above and below what the other signal typically shows; where nobody can say that, both ends of what the watched one may show.
fn apart(line: &Line, alarm: &LineAlarm, id: SignalId, own: &DiscrepancySettings) -> [(Side, f64, f64); 2] {
    let other = line.signal(own.other);
    let sides = [Side::Above, Side::Below];
    if matches!(other.origin, Origin::Register(_) | Origin::Derived(_)) {
        return sides.map(|side| (side, away(other.simulate.typical, side, own.apart), own.apart));
    }
    let asked = alarm.when.iter().find(|condition| condition.signal == id);
    let (low, high) = match asked.map(|condition| &condition.test) {
        Some(Test::Between { low, high }) => (*low, *high),
        Some(Test::Is(_)) | None => line.signal(id).range,
    };
    sides.map(|side| (side, (low + high) / 2.0, (high - low) / 2.0))
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
