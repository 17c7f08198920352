//! Product windows against where the parcels really went: random incidents at every station that product passes, over runs
//! with stops, gaps, turned speeds, slipping belts and bad replies.
//!
//! The windows come from what was read and kept, as a restart reads it; the truth from the simulator's parcels. Belts slip and
//! their encoders are wrong, and parcels wait for a bagger each for another time: no window can be exact.

use crate::support::{MemoryDial, demo_line};
use setward::alarm::AlarmId;
use setward::clock::Clock;
use setward::history::sqlite::InlineStore;
use setward::history::{HistoryStore, Span};
use setward::line::follow::{FollowBook, ProductView};
use setward::protocol::{SignalId, Uptime, UtcMillis};
use setward::{Edges, start};
use setward_config::line::Line;
use sim_plc::{Disturbance, Operation, Parcel, Simulator, Stage};
use std::sync::Arc;
use std::time::Duration;

const STARTED: UtcMillis = UtcMillis(1_767_571_200_000);
const RUNS: u64 = 5;
const INCIDENTS_A_RUN: usize = 200;
/// Six hours; incidents begin between these, so that the last of their product is packed within the run.
const RUN_S: u64 = 21_600;
const FIRST_S: f64 = 1_200.0;
const LAST_S: f64 = 12_600.0;
/// Incidents last from two minutes to two hours, short ones as often as long ones by their logarithm.
const SHORTEST_S: f64 = 120.0;
const DOUBLINGS: f64 = 6.0;
/// More parcels of two seconds than a run holds.
const PARCELS: usize = 20_000;
/// Most that a window may hold besides what was touched, as a share of it.
const EXTRA_MOST: f64 = 0.10;

/// Whole numbers that are the same for the same seed.
struct Draw(u64);

impl Draw {
    /// From 0 (included) to 1 (excluded); the multiplicative generator of L'Ecuyer 1999, modulus 2^64, upper bits.
    fn share(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(3_935_559_000_370_003_845).wrapping_add(2_691_343_689_449_507_681);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.share()
    }

    fn one_of<'a, T>(&mut self, all: &'a [T]) -> &'a T {
        &all[(self.share() * all.len() as f64) as usize]
    }
}

/// What happens to the line, and what ends it.
const TROUBLES: [(&str, &str); 9] = [
    ("setpoint-turned KIC-340-SP 49", "setpoint-turned"),
    ("setpoint-turned KIC-340-SP 62", "setpoint-turned"),
    ("setpoint-turned KIC-220-SP 18", "setpoint-turned"),
    ("setpoint-turned KIC-220-SP 14", "setpoint-turned"),
    ("belt-slip ST-340 1", "belt-slip"),
    ("belt-slip ST-260 1", "belt-slip"),
    ("heat-low 8", "heat-low"),
    ("wet-feed 41", "wet-feed"),
    ("flow-low 32", "flow-low"),
];

/// Seconds of a run that its history knows, and its parcels.
struct Lived {
    line: Arc<Line>,
    follow: FollowBook,
    parcels: Vec<Parcel>,
}

/// A run with something happening every few minutes.
async fn live(seed: u64) -> Lived {
    let line = Arc::new(demo_line());
    let simulator = Simulator::new(&line, seed);
    simulator.keep_parcels(PARCELS);
    simulator.disturb(Some(Disturbance::new(seed, 0.02)));
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let edges = Edges {
        dial: Arc::new(MemoryDial(simulator.clone())),
        history: Arc::clone(&history) as Arc<_>,
        clock: Clock::starting_at(STARTED),
    };
    let running = start(Arc::clone(&line), edges).await.unwrap();
    let mut draw = Draw(seed);
    let mut until_next_s = 300.0;
    let mut ends: Option<&str> = None;
    for _ in 0..RUN_S {
        simulator.step(Duration::from_secs(1));
        tokio::time::sleep(Duration::from_secs(1)).await;
        until_next_s -= 1.0;
        if until_next_s > 0.0 {
            continue;
        }
        until_next_s = draw.between(60.0, 600.0);
        match ends.take() {
            Some("run") => simulator.operate(Operation::Run),
            Some(fault) => {
                let _over = simulator.clear(fault);
            }
            None if draw.share() < 0.3 => {
                simulator.operate(*draw.one_of(&[Operation::StopFeed, Operation::Hold]));
                ends = Some("run");
            }
            None => {
                let (fault, name) = draw.one_of(&TROUBLES);
                simulator.inject(fault.parse().unwrap()).unwrap();
                ends = Some(name);
            }
        }
    }
    running.stop().await.unwrap();
    let follow = followed(&line, &*history).await;
    Lived { line, follow, parcels: simulator.packed_parcels() }
}

/// What the readings that were kept tell of product.
async fn followed(line: &Line, history: &dyn HistoryStore) -> FollowBook {
    let mut follow = FollowBook::new(line);
    let wanted: Vec<SignalId> = follow.signals(true).chain(follow.signals(false)).collect();
    let tags: Vec<String> = wanted.iter().map(|id| line.signal(*id).tag.clone()).collect();
    let end = UtcMillis(STARTED.0 + 1000 * RUN_S as i64 + 1000);
    let mut readings = Vec::new();
    for (ids, tags) in wanted.chunks(20).zip(tags.chunks(20)) {
        let kept = history.exact(tags.to_vec(), Span::new(STARTED, end).unwrap()).await.unwrap();
        for (id, kept) in ids.iter().zip(kept) {
            readings.extend(
                kept.samples.iter().map(|one| (one.sequence, one.at, one.utc, *id, one.reading.good())),
            );
        }
    }
    readings.sort_by_key(|reading| (reading.0, reading.3));
    for (_, at, utc, signal, value) in readings {
        follow.handle(line, (at, utc), signal, value);
    }
    follow
}

/// A station with the alarm that is asked, and the stage that product comes to as it leaves.
const STATIONS: [(&str, Stage, Stage); 5] = [
    ("oven", Stage::Oven(0), Stage::Equilibrator),
    ("equilibrator", Stage::Equilibrator, Stage::Fryer),
    ("fryer", Stage::Fryer, Stage::Cooling),
    ("cooling", Stage::Cooling, Stage::Seasoning),
    ("seasoning", Stage::Seasoning, Stage::Buckets),
];

fn alarm_at(line: &Line, station: &str) -> Option<AlarmId> {
    let is_there =
        |id: &AlarmId| line.alarm(*id).settings.station.is_some_and(|at| line.station(at).key == station);
    line.alarms_with_ids().map(|(id, _)| id).find(is_there)
}

/// Sums over incidents, kg of dry matter and oil and water as it was packed.
#[derive(Debug, Default)]
struct Sums {
    incidents: usize,
    without_window: usize,
    touched: usize,
    missed: usize,
    touched_kg: f64,
    held_extra_kg: f64,
    likely_extra_kg: f64,
    likely_missed_kg: f64,
}

/// Seconds of a stage's beginning: of the first stage it is when the parcel was cut.
fn came_to(parcel: &Parcel, stage: Stage) -> Option<f64> {
    if stage == Stage::Oven(0) { Some(parcel.cut_s) } else { parcel.entered(stage) }
}

fn second(at: UtcMillis) -> f64 {
    (at.0 - STARTED.0) as f64 / 1000.0
}

fn judge(sums: &mut Sums, parcels: &[Parcel], product: &ProductView, touched: impl Fn(&Parcel) -> bool) {
    let Some((from, to)) = product.packed_at_most.map(|(from, to)| (second(from), second(to))) else {
        sums.without_window += 1;
        return;
    };
    let likely = product.packed.map_or((from, to), |(from, to)| (second(from), second(to)));
    for parcel in parcels {
        let Some(packed) = parcel.entered(Stage::Packed) else { continue };
        let (is_held, is_likely) = ((from..=to).contains(&packed), (likely.0..=likely.1).contains(&packed));
        if touched(parcel) {
            sums.touched += 1;
            sums.touched_kg += parcel.mass_kg();
            sums.missed += usize::from(!is_held);
            sums.likely_missed_kg += if is_likely { 0.0 } else { parcel.mass_kg() };
        } else {
            sums.held_extra_kg += if is_held { parcel.mass_kg() } else { 0.0 };
            sums.likely_extra_kg += if is_likely { parcel.mass_kg() } else { 0.0 };
        }
    }
}

#[tokio::test(start_paused = true)]
async fn every_parcel_of_a_thousand_incidents_is_in_its_window() {
    let mut sums = Sums::default();
    for seed in 1..=RUNS {
        let lived = live(seed).await;
        let mut draw = Draw(seed ^ 0xFACE);
        let end = Uptime::from_millis(1000 * RUN_S);
        let now = (end, UtcMillis(STARTED.0 + 1000 * RUN_S as i64));
        for _ in 0..INCIDENTS_A_RUN {
            let (station, enters, leaves) = *draw.one_of(&STATIONS);
            let Some(alarm) = alarm_at(&lived.line, station) else { panic!("{station}") };
            let onset = draw.between(FIRST_S, LAST_S);
            let lasts = SHORTEST_S * (draw.share() * DOUBLINGS).exp2();
            let utc = |second: f64| UtcMillis(STARTED.0 + (second * 1000.0) as i64);
            let span = (utc(onset), Some(utc(onset + lasts)));
            sums.incidents += 1;
            let Some(product) = lived.follow.product(&lived.line, alarm, span, now) else {
                sums.without_window += 1;
                continue;
            };
            judge(&mut sums, &lived.parcels, &product, |parcel| {
                let (entered, left) = (came_to(parcel, enters), came_to(parcel, leaves));
                entered.is_some_and(|entered| entered <= onset + lasts)
                    && left.is_some_and(|left| left >= onset)
            });
        }
    }
    let percent = |kg: f64| 100.0 * kg / sums.touched_kg;
    println!(
        "{} incidents, {} touched parcels: {} outside their windows; windows hold {:.1} % more; the likely ones {:.1} % more, and \
         {:.1} % are outside of them",
        sums.incidents,
        sums.touched,
        sums.missed,
        percent(sums.held_extra_kg),
        percent(sums.likely_extra_kg),
        percent(sums.likely_missed_kg)
    );
    assert_eq!((sums.incidents, sums.without_window), (1000, 0), "{sums:?}");
    assert!(sums.touched > 100_000, "{sums:?}");
    assert_eq!(sums.missed, 0, "{sums:?}");
    assert!(sums.held_extra_kg <= EXTRA_MOST * sums.touched_kg, "{sums:?}");
    assert!(sums.likely_extra_kg < sums.held_extra_kg && sums.likely_missed_kg > 0.0, "{sums:?}");
}
