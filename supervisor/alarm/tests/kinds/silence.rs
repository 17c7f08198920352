//! Who is called, and when, under any mixture of modes, conditions, shelves and maintenance: against a model of four
//! sentences. A person is called when the condition begins while nothing is silent, and when the last silence ends while
//! the condition holds. Nothing else calls anybody.

use crate::model::{histories, reading};
use crate::support::*;
use proptest::prelude::*;
use setward_alarm::{AlarmSettings, Kind, Monitor, Reference, Side, Width};
use setward_protocol::{Mode, ModeSet, Reading};

#[derive(Debug, Clone, Copy)]
enum Wish {
    Mode(bool),
    Condition(bool),
    Shelve(f64),
    Unshelve,
    Service(bool),
    Acknowledge,
}

fn wishes() -> impl Strategy<Value = Vec<(f64, Wish)>> {
    let wish = prop_oneof![
        any::<bool>().prop_map(Wish::Mode),
        any::<bool>().prop_map(Wish::Condition),
        (0.5..20.0_f64).prop_map(Wish::Shelve),
        Just(Wish::Unshelve),
        any::<bool>().prop_map(Wish::Service),
        Just(Wish::Acknowledge),
    ];
    proptest::collection::vec((0.0..120.0_f64, wish), 0..25).prop_map(|mut wishes| {
        wishes.sort_by(|a, b| a.0.total_cmp(&b.0));
        wishes
    })
}

#[derive(Debug, Default)]
struct Model {
    shelf: Option<f64>,
    out: bool,
    mode: bool,
    condition: bool,
    active: bool,
    calls: Vec<f64>,
}

impl Model {
    fn is_silent(&self) -> bool {
        self.shelf.is_some() || self.out || self.mode || self.condition
    }

    fn letter(&self) -> Option<char> {
        let letters = [(self.out, 'I'), (self.mode || self.condition, 'H'), (self.shelf.is_some(), 'G')];
        letters.into_iter().find(|letter| letter.0).map(|letter| letter.1)
    }

    fn change(&mut self, now: f64, change: impl FnOnce(&mut Self)) {
        let was_silent = self.is_silent();
        change(self);
        if was_silent && !self.is_silent() && self.active {
            self.calls.push(now);
        }
    }

    fn time(&mut self, now: f64) {
        if let Some(until) = self.shelf.filter(|until| *until <= now) {
            self.change(until, |model| model.shelf = None);
        }
    }

    fn wish(&mut self, now: f64, wish: Wish) {
        self.change(now, |model| match wish {
            Wish::Mode(silent) => model.mode = silent,
            Wish::Condition(silent) => model.condition = silent,
            Wish::Shelve(span) => model.shelf = Some(now + span),
            Wish::Unshelve => model.shelf = None,
            Wish::Service(out) => model.out = out,
            Wish::Acknowledge => {}
        });
    }

    fn turn(&mut self, (at, began): (f64, bool)) {
        self.active = began;
        if began && !self.is_silent() {
            self.calls.push(at);
        }
    }
}

fn apply(monitor: &mut Monitor<'_>, now: f64, wish: Wish) {
    let now_at = at(now);
    match wish {
        Wish::Mode(silent) => {
            monitor.handle_mode(now_at, STATION, if silent { Mode::Cleaning } else { Mode::Run })
        }
        Wish::Condition(silent) => monitor.handle_condition(now_at, ALARM, !silent),
        Wish::Shelve(span) => monitor.handle_shelve(now_at, ALARM, at(now + span)).unwrap(),
        Wish::Unshelve => monitor.handle_unshelve(now_at, ALARM).unwrap(),
        Wish::Service(out) => monitor.handle_service(now_at, ALARM, !out).unwrap(),
        Wish::Acknowledge => {
            let occurrence = monitor.status(ALARM, now_at).unwrap().occurrence;
            let _nothing_to_acknowledge = monitor.handle_acknowledge(now_at, ALARM, occurrence);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(600))]
    #[test]
    fn whoever_is_called_is_called_by_the_rules(history in histories(182.0, 6.0), wishes in wishes()) {
        let kind = limit(Side::Above, 183.0, 0.5, 0.0, 0.0);
        let (mut bare, mut judged) = (
            Bench::new(&[alarm(kind)]),
            Bench::new(&[AlarmSettings { modes: ModeSet::of(&[Mode::Run]), ..alarm(kind) }]),
        );
        let (mut bare, mut judged) = (bare.monitor(), judged.monitor());
        let (mut model, mut events) = (Model::default(), Vec::new());
        let mut wishes = wishes.into_iter().peekable();
        for (now, what) in history {
            while let Some((when, wish)) = wishes.next_if(|wish| wish.0 <= now) {
                run_timers(&mut judged, when, &mut events);
                model.time(when);
                apply(&mut judged, when, wish);
                events.extend(drain(&mut judged));
                model.wish(when, wish);
            }
            events.extend(feed(&mut judged, SIGNAL, now, reading(what)));
            model.time(now);
            for turn in turns(&feed(&mut bare, SIGNAL, now, reading(what))) {
                model.turn(turn);
            }
            let status = judged.status(ALARM, at(now)).unwrap();
            let letter = status.flags.letter(status.state);
            prop_assert_eq!(model.letter().unwrap_or_else(|| status.state.letter()), letter);
            prop_assert_eq!(status.flags.are_silencing(), model.is_silent());
            if !model.is_silent() {
                prop_assert_eq!(status.state.condition_holds(), model.active, "at {}", now);
            }
        }
        let found = called(&events);
        let same = found.len() == model.calls.len() && found.iter().zip(&model.calls).all(|(a, b)| (a - b).abs() < 1e-6);
        prop_assert!(same, "{:?}, model {:?}", found, model.calls);
        let occurrences: Vec<u32> = events.iter().map(|event| event.occurrence).collect();
        prop_assert!(occurrences.is_sorted(), "an occurrence never counts down: {:?}", occurrences);
    }
}

/// The wait after a silence ends with the first value within: at the tolerance itself, come to from outside, it is.
#[test]
fn a_wait_ends_with_a_value_that_is_back_at_the_tolerance_itself() {
    let at_tolerance = RECIPE.setpoint - RECIPE.tolerance_below;
    let kinds: [Kind; 2] =
        [weighted(FRYER_COLD), deviation(Some(Side::Below), Reference::Recipe, Width::Tolerance, 60.0, 0.0)];
    for (kind, back_at) in
        kinds.into_iter().flat_map(|kind| [(kind, at_tolerance), (kind, at_tolerance - 0.1)])
    {
        let settings =
            AlarmSettings { settle: seconds(300.0), modes: ModeSet::of(&[Mode::Run]), ..alarm(kind) };
        let mut bench = Bench::new(&[settings]);
        let mut monitor = bench.monitor();
        monitor.handle_mode(at(0.0), STATION, Mode::Cleaning);
        feed(&mut monitor, SIGNAL, 0.0, Reading::Good(170.0));
        monitor.handle_mode(at(1.0), STATION, Mode::Run);
        let mut waits = |second: u32, value: f64| {
            run(&mut monitor, second, second, |_| value);
            monitor.status(ALARM, at(f64::from(second))).unwrap().flags.are_silencing()
        };
        assert!(waits(2, 170.0), "{kind:?}");
        assert_eq!(waits(3, back_at), back_at < at_tolerance, "{kind:?}");
    }
}
