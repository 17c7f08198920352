//! More samples on the same lines tell nothing new: every kind raises and clears at the same moments.

use crate::model::{History, What, histories, reading};
use crate::support::*;
use proptest::prelude::*;
use setward_alarm::{
    AlarmSettings, Allowance, AverageReference, Kind, Leak, MovingAverageSettings, Reference, Side,
    TimeWeightedSettings, Width,
};

/// The history with up to three points put on each line that the engine may draw.
fn subdivided(history: &History, held: bool, cuts: &[f64]) -> History {
    let mut fine: History = Vec::new();
    let mut last: Option<(f64, f64)> = None;
    for (index, &(now, what)) in history.iter().enumerate() {
        if let (What::Good(value), Some((then, before))) = (what, last.filter(|last| now - last.0 <= 3.0)) {
            let count = index % 4;
            for cut in cuts.iter().take(count).scan(0.0, |share, cut| {
                *share += (1.0 - *share) * cut;
                Some(*share)
            }) {
                // On whole nanoseconds, as the engine counts.
                let place = ((then + (now - then) * cut) * 1e9).round() / 1e9;
                let share = (place - then) / (now - then);
                let after_silence = fine.last().is_some_and(|point| point.0 >= place);
                if !after_silence {
                    let value = if held { before } else { before + (value - before) * share };
                    fine.push((place, What::Good(value)));
                }
            }
        }
        fine.push((now, what));
        match what {
            What::Good(value) => last = Some((now, value)),
            What::Broken => last = None,
            What::Silent => {}
        }
    }
    fine
}

/// Without timers: a delay that runs out before the sample that shows the value back raises, and more samples are sooner.
fn fine_engine(kind: Kind, history: &History) -> Vec<(f64, bool)> {
    let settings = AlarmSettings { poll_every: seconds(0.01), ..alarm(kind) };
    let mut bench = Bench::new(&[settings]);
    let mut monitor = bench.monitor();
    monitor.handle_batch(at(0.0), ALARM, setward_alarm::BatchEdge::Begins);
    let events: Vec<_> =
        history.iter().flat_map(|&(now, what)| sample(&mut monitor, now, reading(what))).collect();
    turns(&events)
}

/// Every kind that looks at one signal's line.
fn kinds() -> Vec<Kind> {
    let mean = MovingAverageSettings {
        side: Side::Above,
        reference: AverageReference::Limit(182.5),
        deadband: 0.3,
        window: seconds(15.0),
        coverage: 0.75,
        ceiling: Some(187.0),
    };
    let dose = TimeWeightedSettings {
        allowance: Allowance::AtTwice(8.0),
        recovery: Some(seconds(30.0)),
        ..FRYER_COLD
    };
    vec![
        limit(Side::Above, 184.0, 1.0, 2.0, 2.0),
        deviation(None, Reference::Recipe, Width::Latitude, 2.0, 2.0),
        weighted(dose),
        weighted(TimeWeightedSettings { shape: 1.7, ..dose }),
        weighted(TimeWeightedSettings { leak: Leak::Always { pick_up: 1.0 }, ..dose }),
        weighted(TimeWeightedSettings { leak: Leak::Always { pick_up: 1.0 }, shape: 0.4, ..dose }),
        average(mean),
        equivalent(None, Some(1e5)),
        drift(0.5, 2.0, 2.0, 1.0),
    ]
}

fn same(coarse: &[(f64, bool)], fine: &[(f64, bool)]) -> bool {
    let near = |(a, b): (&(f64, bool), &(f64, bool))| a.1 == b.1 && (a.0 - b.0).abs() < 1e-4;
    coarse.len() == fine.len() && coarse.iter().zip(fine).all(near)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn more_samples_on_the_same_lines_change_nothing(
        history in histories(182.0, 8.0), cuts in proptest::array::uniform3(0.05..0.95_f64),
    ) {
        // A silence within a line would otherwise be older than a point put after it.
        let history: History = history.into_iter().filter(|(_, what)| *what != What::Silent).collect();
        for kind in kinds() {
            let (coarse, fine) = (fine_engine(kind, &history), fine_engine(kind, &subdivided(&history, false, &cuts)));
            prop_assert!(same(&coarse, &fine), "{:?}\n{:?}\n{:?}", kind, coarse, fine);
        }
    }

    #[test]
    fn a_state_said_more_often_changes_nothing(
        history in histories(0.5, 1.0), cuts in proptest::array::uniform3(0.05..0.95_f64),
    ) {
        let history: History = history.into_iter().filter(|(_, what)| *what != What::Silent).map(|(t, what)| match what {
            What::Good(x) => (t, What::Good(f64::from(x > 0.7))),
            What::Silent | What::Broken => (t, what),
        }).collect();
        for kind in [status(&[1], 2.0, 2.0, None), status(&[1], 0.0, 0.0, Some((0.4, 15.0)))] {
            let (coarse, fine) = (fine_engine(kind, &history), fine_engine(kind, &subdivided(&history, true, &cuts)));
            prop_assert!(same(&coarse, &fine), "{:?}\n{:?}\n{:?}", kind, coarse, fine);
        }
    }

    /// A slope is looked at with each sample, so more samples may show a turn that is gone by the next coarse one; what
    /// the coarse ones show is at the same moment for both.
    #[test]
    fn a_slope_that_lasts_turns_at_the_same_moment(
        rise in 6.0..20.0_f64, bend in 20..60_u32, cuts in proptest::array::uniform3(0.05..0.95_f64),
    ) {
        let value = |t: f64| 182.0 + rise / 60.0 * (t - f64::from(bend)).max(0.0);
        let history: History = (0..120).map(|second| (f64::from(second), What::Good(value(f64::from(second))))).collect();
        let kind = rate(Side::Above, 5.0, 20.0, None);
        let (coarse, fine) = (fine_engine(kind, &history), fine_engine(kind, &subdivided(&history, false, &cuts)));
        prop_assert_eq!(coarse.len(), 1);
        prop_assert!(same(&coarse, &fine), "{:?}\n{:?}", coarse, fine);
    }
}
