//! Two faults of the bus at once, in virtual time: no wrong value is stored, nothing that was acknowledged is lost, and alarms are those
//! of the reference model. Numbers are those of the catalogue in DEVELOPERS.md.

use crate::spoiled::{Shut, World, live, plan_of};
use crate::virtual_plan::Planned;
use rand_core::{Rng, SeedableRng};
use rand_pcg::Pcg64Mcg;
use std::io;

/// How a fault is brought about.
#[derive(Debug, Clone, Copy)]
enum How {
    /// As the simulator's fault of these words, `NAME` being the controller.
    Simulator(&'static str),
    /// The door does not open.
    Shut(io::ErrorKind),
    /// A share of replies is bad, in every way that a reader can tell.
    Replies(f64),
}

/// Faults of the bus that come and go while a line runs. P12 (a wrong word order) is a mistake in files and P13 (a controller's
/// clock) is read by nobody: neither can meet another.
const FAULTS: [(&str, How); 15] = [
    ("P1 no route", How::Shut(io::ErrorKind::HostUnreachable)),
    ("P2 refuses", How::Shut(io::ErrorKind::ConnectionRefused)),
    ("P3 silent", How::Simulator("controller-silent NAME")),
    ("P4 slow", How::Simulator("controller-slow NAME 300 ms")),
    ("P4 too slow", How::Simulator("controller-slow NAME 900 ms")),
    ("P5 short", How::Simulator("controller-short NAME")),
    ("P6 P7 bad replies", How::Replies(0.2)),
    ("P8 busy", How::Simulator("controller-exception NAME 6")),
    ("P8 no such address", How::Simulator("controller-exception NAME 2")),
    ("P9 stuck", How::Simulator("stuck TT-310")),
    ("P10 sensor broken", How::Simulator("sensor-break TT-313")),
    ("P11 jump", How::Simulator("shows FT-320 60.0")),
    ("P14 restart", How::Simulator("controller-restart NAME 40 s")),
    ("P15 heartbeat stopped", How::Simulator("heartbeat-stopped NAME")),
    ("closes at each request", How::Simulator("controller-drop NAME")),
];

/// Where and when the first and the second are at work: they overlap, one begins in the other, at one controller or at two.
const FIRST: (u64, u64) = (300, 660);
const SECOND: (u64, u64) = (420, 600);
const SECONDS: u64 = 1_200;

fn bring_about(
    how: How,
    controller: &'static str,
    between: (u64, u64),
    world: &mut World,
    plan: &mut Vec<(u64, Planned)>,
) {
    match how {
        How::Simulator(text) => {
            let text = text.replace("NAME", controller);
            plan.push((between.0, Planned::Begin(text.clone())));
            plan.push((between.1, Planned::End(text)));
        }
        How::Shut(why) => world.shut.push(Shut { controller, why, between }),
        How::Replies(share) => world.bad_share = share,
    }
}

fn check(first: usize, second: usize, controller: &'static str) {
    let ((one, how_one), (two, how_two)) = (FAULTS[first], FAULTS[second]);
    let mut world = World::sound(31 + (first * FAULTS.len() + second) as u64, SECONDS);
    let mut plan = Vec::new();
    bring_about(how_one, "fryer", FIRST, &mut world, &mut plan);
    bring_about(how_two, controller, SECOND, &mut world, &mut plan);
    let found = live(world, plan_of(plan)).unwrap();
    let what = format!("{one} at fryer with {two} at {controller}");
    found.check(&what);
    assert!(found.tally.good > 50_000, "{what}: {:?}", found.tally);
}

/// Every pair of two different faults, each of them at one controller or at two.
fn pairs() -> Vec<(usize, usize, &'static str)> {
    let indices = 0..FAULTS.len();
    let both = indices.clone().flat_map(|one| indices.clone().map(move |two| (one, two)));
    both.filter(|(one, two)| one != two)
        .flat_map(|(one, two)| ["fryer", "oven"].map(|controller| (one, two, controller)))
        .collect()
}

#[test]
fn a_dozen_pairs_of_faults_of_the_bus_store_no_wrong_value_and_lose_none() {
    let mut draw = Pcg64Mcg::seed_from_u64(12);
    let mut all = pairs();
    for _ in 0..12 {
        let (one, two, controller) = all.swap_remove((draw.next_u64() % all.len() as u64) as usize);
        check(one, two, controller);
    }
}

#[test]
#[ignore = "all pairs take minutes: tests/run --long"]
fn every_pair_of_faults_of_the_bus_stores_no_wrong_value_and_loses_none() {
    let all = pairs();
    for (one, two, controller) in &all {
        check(*one, *two, controller);
    }
    println!("{} pairs of faults of the bus, {} virtual hours", all.len(), all.len() as u64 * SECONDS / 3600);
}
