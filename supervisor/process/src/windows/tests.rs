//! Windows against hand-worked examples, and against parcels that an oracle moves step by step.

use super::*;
use proptest::prelude::*;

fn at(seconds: f64) -> Uptime {
    Uptime::from_secs_f64(seconds)
}

fn span(from_s: f64, to_s: f64) -> Span {
    Span { from: at(from_s), to: at(to_s) }
}

fn exact_belt<'a>(length_m: f64, speed: Steps<'a>) -> Step<'a> {
    Step::Belt(Belt::new(length_m, speed).unwrap().with_spread(0.0).unwrap())
}

fn close(found: Uptime, expected_s: f64) {
    assert!((found.as_secs_f64() - expected_s).abs() < 1e-6, "{found}, not {expected_s} s");
}

/// 0.5 m/s until 100 s, then 0.4; 12 m: what leaves at 110 s entered at 84 s (by hand: 10 s at 0.4 is 4 m, the other
/// 8 m took 16 s at 0.5). And the other way round.
#[test]
fn a_slowing_belt_is_followed_both_ways() {
    let speeds = [(at(0.0), Some(0.5)), (at(100.0), Some(0.4))];
    let path = [exact_belt(12.0, Steps::new(&speeds, at(200.0)).unwrap())];
    let back = trace_back(span(110.0, 110.0), &path);
    close(back.passages[0].first.earliest, 84.0);
    close(back.passages[0].last.latest, 84.0);
    let on = trace_forward(span(84.0, 84.0), &path);
    close(on.passages[0].first.earliest, 110.0);
    assert_eq!(on.passages[0].spread_s(), 0.0);
}

/// The demo oven: three passes of 4 m at 0.75 m/s, each next one 1 % faster: 5.333 + 5.281 + 5.228 s (by hand).
#[test]
fn passes_with_speed_ratios_shorten_the_dwell() {
    let speeds = [(at(0.0), Some(0.75))];
    let speed = Steps::new(&speeds, at(100.0)).unwrap();
    let pass = |ratio: f64| {
        Step::Belt(Belt::new(4.0, speed).unwrap().with_spread(0.0).unwrap().with_ratio(ratio).unwrap())
    };
    let traced = trace_forward(span(10.0, 10.0), &[pass(1.0), pass(1.01), pass(1.01 * 1.01)]);
    close(traced.passages[2].first.earliest, 10.0 + 4.0 / 0.75 * (1.0 + 1.0 / 1.01 + 1.0 / 1.0201));
}

/// 5 % on 55 s of fryer is 2.75 s on either side.
#[test]
fn the_usual_spread_widens_both_sides() {
    let speeds = [(at(0.0), Some(0.06))];
    let belt = Belt::new(3.3, Steps::new(&speeds, at(500.0)).unwrap()).unwrap();
    let traced = trace_forward(span(100.0, 160.0), &[Step::Belt(belt)]);
    close(traced.passages[0].first.earliest, 152.25);
    close(traced.passages[0].first.latest, 157.75);
    close(traced.passages[0].whole().to, 217.75);
    close(traced.passages[0].about().from, 155.0);
    assert!((traced.passages[0].spread_s() - 5.5).abs() < 1e-6);
}

#[test]
fn a_stop_holds_product_for_as_long_as_it_lasts() {
    let speeds = [(at(0.0), Some(0.5)), (at(90.0), Some(0.0)), (at(120.0), Some(0.5))];
    let path = [exact_belt(10.0, Steps::new(&speeds, at(300.0)).unwrap())];
    close(trace_forward(span(80.0, 80.0), &path).passages[0].first.earliest, 130.0);
    // What reaches the end just as the belt stops may have left or not: the window holds both.
    let at_the_stop = trace_forward(span(70.0, 70.0), &path).passages[0];
    assert!(
        at_the_stop.first.earliest <= at(90.0) && at_the_stop.first.latest >= at(120.0),
        "{at_the_stop:?}"
    );
    let back = trace_back(span(130.0, 130.0), &path);
    close(back.passages[0].first.earliest, 80.0);
}

#[test]
fn missing_speed_widens_and_never_guesses() {
    let speeds = [(at(0.0), Some(0.5)), (at(100.0), None), (at(110.0), Some(0.5))];
    let speed = Steps::new(&speeds, at(200.0)).unwrap();
    let blind = [exact_belt(10.0, speed)];
    assert_eq!(trace_forward(span(95.0, 95.0), &blind).stopped, Some(Unknown::SpeedMissing { step: 0 }));
    let bounded = Belt::new(10.0, speed).unwrap().with_spread(0.0).unwrap().with_fastest(0.8).unwrap();
    let window = trace_forward(span(95.0, 95.0), &[Step::Belt(bounded)]).passages[0].first;
    close(window.earliest, 100.0 + 7.5 / 0.8);
    close(window.latest, 125.0);
    let window = trace_back(span(115.0, 115.0), &[Step::Belt(bounded)]).passages[0].first;
    close(window.earliest, 85.0);
    close(window.latest, 110.0 - 7.5 / 0.8);
}

#[test]
fn speeds_that_do_not_reach_leave_the_window_unknown() {
    let speeds = [(at(50.0), Some(0.5))];
    let path = [exact_belt(10.0, Steps::new(&speeds, at(100.0)).unwrap())];
    assert_eq!(trace_forward(span(49.0, 60.0), &path).stopped, Some(Unknown::BeforeRecord { step: 0 }));
    let open = trace_forward(span(75.0, 90.0), &path);
    assert_eq!(
        open.stopped,
        Some(Unknown::AfterRecord { step: 0, earliest: Some(at(95.0)) }),
        "the last is on the belt, the first has left"
    );
    assert!(open.passages.is_empty());
    assert_eq!(trace_back(span(60.0, 61.0), &path).stopped, Some(Unknown::BeforeRecord { step: 0 }));
    let late = trace_back(span(90.0, 101.0), &path);
    assert_eq!(late.stopped, Some(Unknown::AfterRecord { step: 0, earliest: None }));
    let stuck = [(at(0.0), Some(0.0))];
    let stands = [exact_belt(10.0, Steps::new(&stuck, at(1e6)).unwrap())];
    assert_eq!(
        trace_forward(span(1.0, 2.0), &stands).stopped,
        Some(Unknown::AfterRecord { step: 0, earliest: None })
    );
}

#[test]
fn what_is_known_of_a_longer_path_is_kept() {
    let speeds = [(at(0.0), Some(1.0))];
    let (short, long) = (Steps::new(&speeds, at(30.0)).unwrap(), Steps::new(&speeds, at(100.0)).unwrap());
    let traced = trace_forward(span(10.0, 12.0), &[exact_belt(5.0, long), exact_belt(50.0, short)]);
    assert_eq!(traced.passages.len(), 1);
    assert_eq!(traced.stopped, Some(Unknown::AfterRecord { step: 1, earliest: None }));
}

/// The demo's way from the fryer to the bag: cooling 90 s, drum 60 s, buckets 60 to 180 s.
#[test]
fn trays_and_hoppers_have_a_least_and_a_most() {
    let seconds = Duration::from_secs;
    let buckets = Delay::new(seconds(60), seconds(180)).unwrap();
    let drum = Delay::new(seconds(45), seconds(75)).unwrap();
    let path = [Step::Delay(drum), Step::Delay(buckets)];
    let packed = trace_forward(span(1000.0, 1300.0), &path).passages[1];
    assert_eq!(packed.whole(), span(1105.0, 1555.0));
    assert_eq!(packed.spread_s(), 150.0);
    let back = trace_back(span(1105.0, 1555.0), &path).passages[1];
    assert_eq!(back.whole(), span(850.0, 1450.0), "it holds 1000 to 1300 and what could have met it");
    assert_eq!(trace_back(span(100.0, 100.0), &path).stopped, Some(Unknown::BeforeRecord { step: 1 }));
    assert_eq!(Delay::new(seconds(2), seconds(1)), Err(GeometryError::Delay));
}

#[test]
fn a_hopper_that_stands_keeps_its_product() {
    let running = [(at(0.0), Some(1.0)), (at(100.0), Some(0.0)), (at(400.0), Some(1.0))];
    let hopper = Delay::new(Duration::from_secs(60), Duration::from_secs(120)).unwrap();
    let step = Step::Delay(hopper.while_running(Steps::new(&running, at(1000.0)).unwrap()));
    let window = trace_forward(span(50.0, 50.0), &[step]).passages[0].first;
    close(window.earliest, 410.0);
    close(window.latest, 470.0);
}

/// 30 to 150 kg at 600 to 900 kg/h: 2 to 15 min.
#[test]
fn a_hopper_by_what_it_holds() {
    let hopper = Delay::of_hold_up((30.0, 150.0), (600.0, 900.0)).unwrap();
    assert_eq!((hopper.least_s, hopper.most_s), (120.0, 900.0));
    assert_eq!(Delay::of_hold_up((30.0, 20.0), (600.0, 900.0)), Err(GeometryError::Delay));
    assert_eq!(Delay::of_hold_up((0.0, 20.0), (0.0, 900.0)), Err(GeometryError::Delay));
    assert_eq!(Delay::of_hold_up((f64::NAN, 20.0), (1.0, 900.0)), Err(GeometryError::Delay));
}

#[test]
fn a_belt_with_impossible_figures_is_refused() {
    let speeds = [(at(0.0), Some(1.0))];
    let speed = Steps::new(&speeds, at(1.0)).unwrap();
    assert_eq!(Belt::new(0.0, speed), Err(GeometryError::Length));
    assert_eq!(Belt::new(f64::NAN, speed), Err(GeometryError::Length));
    let belt = Belt::new(1.0, speed).unwrap();
    assert_eq!(belt.with_ratio(-1.0), Err(GeometryError::Ratio));
    assert_eq!(belt.with_spread(1.0), Err(GeometryError::Spread));
    assert_eq!(belt.with_fastest(0.0), Err(GeometryError::Fastest));
}

/// 1000 kg/h for 10 min, then 600 for 10: 266.7 kg; 5 min of the first diverted takes 83.3 away. By hand.
#[test]
fn kilograms_are_the_feed_less_what_was_diverted() {
    let rates = [(at(0.0), Some(1000.0)), (at(600.0), Some(600.0))];
    let rate_kg_per_h = Steps::new(&rates, at(1200.0)).unwrap();
    let feed = Feed { rate_kg_per_h, spread: 0.0, most_kg_per_h: None };
    let all = feed.kilograms(span(0.0, 1200.0), &[]).unwrap();
    assert!((all.about_kg() - 800.0 / 3.0).abs() < 1e-9 && all.least_kg == all.most_kg, "{all:?}");
    // Said twice, and overlapping: it is away once.
    let away = [span(200.0, 400.0), span(100.0, 300.0)];
    let kept = feed.kilograms(span(0.0, 1200.0), &away).unwrap();
    assert!((kept.about_kg() - (800.0 - 250.0) / 3.0).abs() < 1e-9, "{kept:?}");
    assert_eq!(feed.kilograms(span(0.0, 1300.0), &[]), None, "the record ends at 1200 s");
    let bounded = Feed { most_kg_per_h: Some(1200.0), spread: 0.02, ..feed };
    let wider = bounded.kilograms(span(0.0, 1300.0), &[]).unwrap();
    assert!((wider.least_kg - 0.98 * 800.0 / 3.0).abs() < 1e-9, "{wider:?}");
    assert!((wider.most_kg - (1.02 * 800.0 / 3.0 + 100.0 / 3.0)).abs() < 1e-9, "{wider:?}");
    assert_eq!(Feed { spread: f64::NAN, ..feed }.kilograms(span(0.0, 1.0), &[]), None);
}

/// One stretch of a belt's day: how long, how fast it truly runs, and whether anybody measured it.
#[derive(Debug, Clone)]
struct Stretch {
    seconds: f64,
    speed_m_per_s: f64,
    is_seen: bool,
}

/// A belt as it truly is, and the errors between it and what is believed of it.
#[derive(Debug, Clone)]
struct TrueBelt {
    stretches: Vec<Stretch>,
    believed_length_m: f64,
    length_error: f64,
    speed_error: f64,
    wait_s: (f64, f64),
}

const STEP_S: f64 = 0.1;
const SPREAD: f64 = 0.05;
const FASTEST: f64 = 1.0;
/// The day ends with a long run at this speed, so that every parcel comes out.
const LAST: Stretch = Stretch { seconds: 3000.0, speed_m_per_s: 0.5, is_seen: true };

impl TrueBelt {
    fn reported(&self) -> Vec<(Uptime, Option<f64>)> {
        let mut from_s = 0.0;
        let mut points = Vec::new();
        for stretch in self.stretches.iter().chain([&LAST]) {
            let shown = stretch.speed_m_per_s / (1.0 + self.speed_error);
            points.push((at(from_s), stretch.is_seen.then_some(shown)));
            from_s += stretch.seconds;
        }
        points
    }

    fn speed_at(&self, second: f64) -> f64 {
        let mut from_s = 0.0;
        for stretch in &self.stretches {
            from_s += stretch.seconds;
            if second < from_s {
                return stretch.speed_m_per_s;
            }
        }
        LAST.speed_m_per_s
    }

    /// Carries a parcel that enters at `entered_s` to its end in small steps, then lets it lie in a tray for a share of
    /// the tray's range.
    fn carry(&self, entered_s: f64, share: f64) -> f64 {
        let (mut now_s, mut moved_m) = (entered_s, 0.0);
        while moved_m < self.believed_length_m * (1.0 + self.length_error) {
            moved_m += self.speed_at(now_s) * STEP_S;
            now_s += STEP_S;
        }
        now_s + self.wait_s.0 + (self.wait_s.1 - self.wait_s.0) * share
    }

    fn path<'a>(&self, speed: Steps<'a>) -> [Step<'a>; 2] {
        let belt = Belt::new(self.believed_length_m, speed).unwrap();
        let belt = belt.with_spread(SPREAD).unwrap().with_fastest(FASTEST / (1.0 - SPREAD)).unwrap();
        let (least, most) = self.wait_s;
        let tray = Delay::new(Duration::from_secs_f64(least), Duration::from_secs_f64(most)).unwrap();
        [Step::Belt(belt), Step::Delay(tray)]
    }
}

fn stretches() -> impl Strategy<Value = Vec<Stretch>> {
    let speed = prop_oneof![1 => Just(0.0), 4 => 0.05..FASTEST];
    let stretch = (1.0..60.0, speed, prop::bool::weighted(0.8))
        .prop_map(|(seconds, speed_m_per_s, is_seen)| Stretch { seconds, speed_m_per_s, is_seen });
    prop::collection::vec(stretch, 1..8)
}

fn belts() -> impl Strategy<Value = TrueBelt> {
    // Together within the spread: (1 + length error) / (1 + speed error) stays within 0.95 and 1.05.
    (stretches(), 1.0..30.0, -0.024..0.024, -0.024..0.024, 0.0..60.0, 0.0..60.0).prop_map(
        |(stretches, believed_length_m, length_error, speed_error, least, range)| TrueBelt {
            stretches,
            believed_length_m,
            length_error,
            speed_error,
            wait_s: (least, least + range),
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, failure_persistence: None, ..ProptestConfig::default() })]

    /// Every parcel that was at the station during the alarm comes out within the window told.
    #[test]
    fn a_window_holds_every_parcel(belt in belts(), onset in 0.0..100.0, length in 0.0..60.0) {
        let points = belt.reported();
        let traced = trace_forward(span(onset, onset + length), &belt.path(Steps::new(&points, at(9000.0)).unwrap()));
        let whole = traced.passages[1].whole();
        for (share, wait) in [(0.0, 0.0), (0.3, 1.0), (0.6, 0.5), (1.0, 1.0), (1.0, 0.0), (0.0, 1.0)] {
            let packed_s = belt.carry(onset + length * share, wait);
            prop_assert!(packed_s > whole.from.as_secs_f64() - STEP_S, "{packed_s} before {:?}", whole);
            prop_assert!(packed_s < whole.to.as_secs_f64() + 2.0 * STEP_S, "{packed_s} after {:?}", whole);
        }
    }

    /// Every parcel packed within a window entered within the window told backward.
    #[test]
    fn a_window_back_holds_every_parcel(belt in belts(), entered in 0.0..100.0, wait in 0.0..1.0) {
        let points = belt.reported();
        let packed_s = belt.carry(entered, wait);
        let traced = trace_back(span(packed_s, packed_s), &belt.path(Steps::new(&points, at(9000.0)).unwrap()));
        if let Some(why) = traced.stopped {
            prop_assert!(matches!(why, Unknown::BeforeRecord { .. }), "{why:?}");
            return Ok(());
        }
        let whole = traced.passages[1].whole();
        // A step of the oracle late at the end can be a stop early at the beginning: compare with a step's slack.
        let early = trace_back(span(packed_s - 2.0 * STEP_S, packed_s), &belt.path(Steps::new(&points, at(9000.0)).unwrap()));
        let from_s = early.passages.get(1).map_or(0.0, |passage| passage.whole().from.as_secs_f64());
        prop_assert!(entered >= from_s - 1e-6 && entered <= whole.to.as_secs_f64() + STEP_S, "{entered} {whole:?}");
    }

    /// With nothing uncertain the window is no wider than the parcels are: it is not merely safe.
    #[test]
    fn a_window_without_uncertainty_is_the_parcels_own(
        speeds in prop::collection::vec((5.0..60.0, 0.05..FASTEST), 1..6), length_m in 1.0..20.0, onset in 0.0..60.0
    ) {
        let stretches = speeds
            .iter()
            .map(|&(seconds, speed_m_per_s)| Stretch { seconds, speed_m_per_s, is_seen: true })
            .collect();
        let belt = TrueBelt { stretches, believed_length_m: length_m, length_error: 0.0, speed_error: 0.0, wait_s: (0.0, 0.0) };
        let points = belt.reported();
        let path = [exact_belt(length_m, Steps::new(&points, at(9000.0)).unwrap())];
        let passage = trace_forward(span(onset, onset), &path).passages[0];
        let packed_s = belt.carry(onset, 0.0);
        prop_assert!((passage.first.earliest.as_secs_f64() - packed_s).abs() < 4.0, "{passage:?} {packed_s}");
        let moved_m = |until_s: f64| {
            let mut done_m = 0.0;
            let mut now_s = onset;
            while now_s < until_s { done_m += belt.speed_at(now_s) * 0.001; now_s += 0.001; }
            done_m
        };
        prop_assert!((moved_m(passage.first.earliest.as_secs_f64()) - length_m).abs() < 0.01);
        prop_assert!(passage.spread_s() < 1e-6);
    }
}
