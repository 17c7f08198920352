//! What people did with a setpoint: held against the recipe, and against the latitude that they have.
//!
//! Latitude is what an operator may turn unasked: a record, no alarm. Here it is added up: how much of it each shift used,
//! and since when, how far and in what manner a setpoint is away from its recipe: turned once, or crept there in small
//! turns that nobody noticed.
//!
//! `entered` is the setpoint as a person entered it, never the working one of a ramp or cascade.

use crate::series::{Span, Steps, merged};
use alloc::vec::Vec;
use setward_protocol::Uptime;

/// One change that makes at least this share of the farthest distance makes it a step. Engineering judgement.
const MADE_AT_ONCE: f64 = 0.8;

/// How far an operator may turn unasked, as differences in the signal's unit, both 0 or more.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Latitude {
    /// Below the recipe.
    pub below: f64,
    /// Above the recipe.
    pub above: f64,
    /// Differences up to this are none: the resolution of the register.
    pub resolution: f64,
}

impl Latitude {
    fn is_away(&self, difference: f64) -> bool {
        difference.abs() > self.resolution
    }

    fn is_beyond(&self, difference: f64) -> bool {
        difference > self.above + self.resolution || difference < -self.below - self.resolution
    }
}

/// How a setpoint left its recipe.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Began {
    /// Somebody turned it.
    Turned,
    /// The recipe changed and the setpoint did not.
    RecipeChanged,
    /// It was away when it was first seen, or seen again.
    Unseen,
}

/// In what manner it got as far as it got.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Manner {
    /// At once, or nearly.
    Step,
    /// In several small turns.
    Drift,
}

/// A time in which a setpoint was away from its recipe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Departure {
    /// From when to when; until the end of the record if it did not end.
    pub span: Span,
    /// It was away still when the record ended.
    pub is_open: bool,
    /// How it began.
    pub began: Began,
    /// Step or drift.
    pub manner: Manner,
    /// Entered less recipe where it was farthest, in the signal's unit.
    pub farthest: f64,
    /// Entered less recipe when it was last seen away.
    pub latest: f64,
    /// How often the difference changed, the first time included.
    pub changes: usize,
    /// How long it was beyond the latitude, s.
    pub beyond_s: f64,
    /// How long it was not known meanwhile, s.
    pub unknown_s: f64,
}

/// What one shift did with its latitude, on counted time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShiftUse {
    /// The shift.
    pub shift: Span,
    /// On the recipe, s.
    pub on_recipe_s: f64,
    /// Away from it within the latitude, s.
    pub within_s: f64,
    /// Beyond the latitude, s.
    pub beyond_s: f64,
    /// Counted, but setpoint or recipe was not known, s.
    pub unknown_s: f64,
    /// How often somebody turned the setpoint.
    pub turns: usize,
    /// Mean of entered less recipe by time, in the signal's unit; `None` if nothing is known.
    pub mean: Option<f64>,
    /// Entered less recipe where it was farthest, in the signal's unit.
    pub farthest: f64,
}

/// A stretch in which both are known and neither changes.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Stretch {
    span: Span,
    entered: f64,
    recipe: f64,
}

impl Stretch {
    fn difference(&self) -> f64 {
        self.entered - self.recipe
    }
}

fn stretches(entered: &Steps<'_>, recipe: &Steps<'_>, within: Span) -> Vec<Stretch> {
    let of_recipe = recipe.pieces_within(within).filter_map(|(span, recipe)| Some((span, recipe?)));
    let both = of_recipe.flat_map(|(span, recipe)| {
        let known = entered.pieces_within(span).filter_map(|(span, entered)| Some((span, entered?)));
        known.map(move |(span, entered)| Stretch { span, entered, recipe })
    });
    both.collect()
}

/// The times in which a setpoint was away from its recipe, in order of time.
#[must_use]
pub fn departures(entered: &Steps<'_>, recipe: &Steps<'_>, latitude: Latitude) -> Vec<Departure> {
    let whole = Span { from: entered.from().max(recipe.from()), to: entered.until().min(recipe.until()) };
    let (mut found, mut open, mut before) = (Vec::new(), None::<Open>, None::<Stretch>);
    for stretch in stretches(entered, recipe, whole) {
        if latitude.is_away(stretch.difference()) {
            let unknown_s = before.map_or(0.0, |last| stretch.span.from.seconds_since(last.span.to));
            open.get_or_insert_with(|| Open::at(stretch, before, unknown_s))
                .go_on(stretch, unknown_s, latitude);
        } else if let Some(ended) = open.take() {
            found.push(ended.closed(Some(stretch.span.from)));
        }
        before = Some(stretch);
    }
    found.extend(open.map(|open| open.closed(None)));
    found
}

/// A departure that goes on.
struct Open {
    departure: Departure,
    last: f64,
    /// Largest single change of the difference, in the direction of the departure or not.
    largest: f64,
}

impl Open {
    fn at(stretch: Stretch, before: Option<Stretch>, unknown_s: f64) -> Self {
        let began = match before {
            Some(last) if unknown_s > 0.0 && last.difference() != stretch.difference() => Began::Unseen,
            Some(last) if last.recipe != stretch.recipe => Began::RecipeChanged,
            Some(_) => Began::Turned,
            None => Began::Unseen,
        };
        let departure = Departure {
            span: Span { from: stretch.span.from, to: stretch.span.from },
            is_open: true,
            began,
            manner: Manner::Step,
            farthest: 0.0,
            latest: 0.0,
            changes: 0,
            beyond_s: 0.0,
            // What was not known before it began is not part of it.
            unknown_s: -unknown_s,
        };
        Self { departure, last: before.map_or(0.0, |last| last.difference()), largest: 0.0 }
    }

    fn go_on(&mut self, stretch: Stretch, unknown_s: f64, latitude: Latitude) {
        let (told, difference) = (&mut self.departure, stretch.difference());
        told.span.to = stretch.span.to;
        told.unknown_s += unknown_s;
        told.latest = difference;
        if difference != self.last {
            told.changes += 1;
            self.largest = self.largest.max((difference - self.last).abs());
            self.last = difference;
        }
        if difference.abs() > told.farthest.abs() {
            told.farthest = difference;
        }
        if latitude.is_beyond(difference) {
            told.beyond_s += stretch.span.seconds();
        }
    }

    fn closed(self, until: Option<Uptime>) -> Departure {
        let Departure { span, farthest, unknown_s, .. } = self.departure;
        let is_step = self.largest >= MADE_AT_ONCE * farthest.abs();
        let manner = if is_step { Manner::Step } else { Manner::Drift };
        // Nobody saw it come back in time that is not known before the end.
        let unseen_s = until.map_or(0.0, |until| until.seconds_since(span.to));
        let span = Span { to: until.unwrap_or(span.to), ..span };
        Departure {
            span,
            is_open: until.is_none(),
            manner,
            unknown_s: unknown_s + unseen_s,
            ..self.departure
        }
    }
}

/// What each shift did with its latitude, on the spans that count: those in which the station ran.
#[must_use]
pub fn latitude_use(
    entered: &Steps<'_>,
    recipe: &Steps<'_>,
    latitude: Latitude,
    shifts: &[Span],
    counted: &[Span],
) -> Vec<ShiftUse> {
    let counted = merged(counted);
    shifts.iter().map(|shift| use_of(entered, recipe, latitude, *shift, &counted)).collect()
}

fn use_of(
    entered: &Steps<'_>,
    recipe: &Steps<'_>,
    latitude: Latitude,
    shift: Span,
    counted: &[Span],
) -> ShiftUse {
    let parts: Vec<Span> = counted.iter().filter_map(|span| span.overlap(shift)).collect();
    let known: Vec<Stretch> = parts.iter().flat_map(|part| stretches(entered, recipe, *part)).collect();
    let seconds = |of: &dyn Fn(&Stretch) -> bool| {
        known.iter().filter(|stretch| of(stretch)).map(|stretch| stretch.span.seconds()).sum::<f64>()
    };
    let known_s = seconds(&|_| true);
    let beyond_s = seconds(&|stretch| latitude.is_beyond(stretch.difference()));
    let away_s = seconds(&|stretch| latitude.is_away(stretch.difference()));
    let area: f64 = known.iter().map(|stretch| stretch.difference() * stretch.span.seconds()).sum();
    let farthest = known.iter().map(Stretch::difference);
    let farthest = farthest.fold(0.0, |far: f64, next| if next.abs() > far.abs() { next } else { far });
    let counted_s: f64 = parts.iter().map(|part| part.seconds()).sum();
    ShiftUse {
        shift,
        on_recipe_s: known_s - away_s,
        within_s: away_s - beyond_s,
        beyond_s,
        unknown_s: (counted_s - known_s).max(0.0),
        turns: turns(entered, shift),
        mean: (known_s > 0.0).then(|| area / known_s),
        farthest,
    }
}

/// How often the entered setpoint changed within a span, whether or not the station ran: from one known value to another.
fn turns(entered: &Steps<'_>, shift: Span) -> usize {
    let mut last: Option<f64> = None;
    let mut turns = 0;
    for (span, value) in entered.pieces() {
        let Some(value) = value else { continue };
        let is_turn = last.is_some_and(|last| last != value);
        turns += usize::from(is_turn && shift.from <= span.from && span.from < shift.to);
        last = Some(value);
    }
    turns
}

#[cfg(test)]
mod tests {
    use super::*;

    const LATITUDE: Latitude = Latitude { below: 2.0, above: 2.0, resolution: 0.05 };

    fn at(minutes: f64) -> Uptime {
        Uptime::from_secs_f64(minutes * 60.0)
    }

    fn span(from: f64, to: f64) -> Span {
        Span { from: at(from), to: at(to) }
    }

    fn told(entered: &[(f64, Option<f64>)], recipe: &[(f64, Option<f64>)], until: f64) -> Vec<Departure> {
        let timed =
            |steps: &[(f64, Option<f64>)]| steps.iter().map(|&(m, value)| (at(m), value)).collect::<Vec<_>>();
        let (entered, recipe) = (timed(entered), timed(recipe));
        departures(
            &Steps::signed(&entered, at(until)).unwrap(),
            &Steps::signed(&recipe, at(until)).unwrap(),
            LATITUDE,
        )
    }

    const BLUE: [(f64, Option<f64>); 1] = [(0.0, Some(182.0))];

    /// The week's first incident: 182 to 186 at 10:42, put back at 11:31; the latitude is 2 K.
    #[test]
    fn somebody_turned_the_knob_and_put_it_back() {
        let found = told(&[(0.0, Some(182.0)), (42.0, Some(186.0)), (91.0, Some(182.0))], &BLUE, 120.0);
        assert_eq!(found.len(), 1);
        let one = found[0];
        assert_eq!((one.span, one.is_open, one.began), (span(42.0, 91.0), false, Began::Turned));
        assert_eq!((one.manner, one.farthest, one.latest, one.changes), (Manner::Step, 4.0, 4.0, 1));
        assert_eq!((one.beyond_s, one.unknown_s), (49.0 * 60.0, 0.0));
    }

    #[test]
    fn small_turns_add_up_to_a_drift() {
        let creeping: Vec<_> =
            (0..8).map(|n| (f64::from(n) * 10.0, Some(182.0 - 0.5 * f64::from(n)))).collect();
        let found = told(&creeping, &BLUE, 90.0);
        assert_eq!(found.len(), 1);
        let one = found[0];
        assert_eq!((one.span, one.is_open, one.manner), (span(10.0, 90.0), true, Manner::Drift));
        assert_eq!((one.farthest, one.changes), (-3.5, 7));
        // Beyond 2 K from the fifth turn on: 2.5, 3.0, 3.5.
        assert_eq!(one.beyond_s, 40.0 * 60.0);
        // Two turns that make 4 K, the first of them 3.5, are a step with a touch.
        let touched = told(&[(0.0, Some(182.0)), (1.0, Some(185.5)), (2.0, Some(186.0))], &BLUE, 9.0);
        assert_eq!(touched[0].manner, Manner::Step);
    }

    #[test]
    fn a_recipe_that_changes_under_the_setpoint_is_told_apart() {
        let white = [(0.0, Some(182.0)), (30.0, Some(186.0))];
        let found = told(&[(0.0, Some(182.0)), (33.0, Some(186.0))], &white, 60.0);
        assert_eq!(found.len(), 1);
        assert_eq!(
            (found[0].span, found[0].began, found[0].farthest),
            (span(30.0, 33.0), Began::RecipeChanged, -4.0)
        );
    }

    #[test]
    fn what_nobody_saw_is_said() {
        let first = told(&[(0.0, Some(184.0))], &BLUE, 10.0);
        assert_eq!((first[0].began, first[0].is_open, first[0].beyond_s), (Began::Unseen, true, 0.0));
        let blind = [
            (0.0, Some(182.0)),
            (10.0, None),
            (20.0, Some(185.0)),
            (30.0, None),
            (35.0, Some(185.0)),
            (40.0, None),
            (45.0, Some(182.0)),
        ];
        let found = told(&blind, &BLUE, 50.0);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].began, found[0].span), (Began::Unseen, span(20.0, 45.0)));
        assert_eq!((found[0].unknown_s, found[0].changes), (600.0, 1));
        // Within the resolution there is no departure; without a recipe there is nothing to depart from.
        assert_eq!(told(&[(0.0, Some(182.04))], &BLUE, 10.0), []);
        assert_eq!(told(&[(0.0, Some(186.0))], &[(0.0, None)], 10.0), []);
    }

    /// Two shifts of an hour; the line stood for the last 20 min of the first. By hand.
    #[test]
    fn latitude_is_added_up_by_shift() {
        let entered = [(0.0, 182.0), (20.0, 183.0), (30.0, 186.0), (40.0, 182.0), (70.0, 181.0)];
        let entered: Vec<_> = entered.iter().map(|&(m, value)| (at(m), Some(value))).collect();
        let recipe = [(at(0.0), Some(182.0)), (at(100.0), None)];
        let entered = Steps::signed(&entered, at(120.0)).unwrap();
        let recipe = Steps::signed(&recipe, at(120.0)).unwrap();
        let shifts = [span(0.0, 60.0), span(60.0, 120.0), span(120.0, 180.0)];
        let ran = [span(0.0, 40.0), span(60.0, 120.0), span(30.0, 35.0)];
        let found = latitude_use(&entered, &recipe, LATITUDE, &shifts, &ran);
        let minutes = |told: &ShiftUse| {
            [told.on_recipe_s, told.within_s, told.beyond_s, told.unknown_s].map(|seconds| seconds / 60.0)
        };
        assert_eq!(minutes(&found[0]), [20.0, 10.0, 10.0, 0.0]);
        assert_eq!((found[0].turns, found[0].farthest), (3, 4.0));
        assert!((found[0].mean.unwrap() - 50.0 / 40.0).abs() < 1e-12);
        assert_eq!(minutes(&found[1]), [10.0, 30.0, 0.0, 20.0]);
        assert_eq!((found[1].turns, found[1].farthest), (1, -1.0));
        assert_eq!((found[2].mean, found[2].turns, minutes(&found[2])), (None, 0, [0.0; 4]));
    }
}
