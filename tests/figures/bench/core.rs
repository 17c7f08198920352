//! What a sample costs between its words and the events of all its alarms.
//!
//! The demo line whole, each kind of alarm alone on one signal, and all kinds on one signal. Beside them what a sample costs
//! that is only decoded.

use super::demo::Demo;
use super::kinds::{Watched1, kinds};
use super::{cpu, figure, median};
use setward::line::core::LineCore;
use setward::protocol::{Sample, Uptime, UtcMillis};
use std::hint::black_box;
use std::rc::Rc;
use std::sync::Arc;

const ROUNDS: usize = 15;
/// Samples in a round, about: the kernel counts a thread's time in steps of some milliseconds.
const SAMPLES: u64 = 1_000_000;

/// Something that can be fed for a round, and says how many samples that was.
pub(crate) struct Course {
    pub(crate) name: String,
    pub(crate) round: Box<dyn FnMut() -> u64>,
}

/// All of them, each at its start.
pub(crate) fn courses() -> Vec<Course> {
    let demo = Rc::new(Demo::load());
    let mut all = vec![
        of_demo("decode", &demo, |demo, scan| {
            demo.decode(scan, |id, reading| {
                black_box((id, reading));
            });
        }),
        {
            let mut monitor = demo.engine();
            of_demo("sample", &demo, move |demo, scan| demo.evaluate(scan, &mut monitor))
        },
        line_core(&demo),
        of_one("all_kinds", Watched1::new(&kinds())),
    ];
    let alone = |kind: setward::alarm::Kind| of_one(&format!("kind.{}", kind.name()), Watched1::new(&[kind]));
    all.extend(kinds().into_iter().map(alone));
    all
}

fn of_demo(name: &str, demo: &Rc<Demo>, mut scan: impl FnMut(&Demo, u64) + 'static) -> Course {
    let (demo, mut number) = (Rc::clone(demo), 0);
    let round = move || {
        let scans = SAMPLES / demo.count() as u64;
        for _ in 0..scans {
            scan(&demo, number);
            number += 1;
        }
        scans * demo.count() as u64
    };
    Course { name: name.to_owned(), round: Box::new(round) }
}

/// As the line task and a replay do it: with modes of stations, recipes and conditions.
fn line_core(demo: &Rc<Demo>) -> Course {
    let mut core = LineCore::new(Arc::clone(&demo.line), demo.engine());
    let (mut samples, mut said) = (Vec::with_capacity(demo.count()), Vec::with_capacity(256));
    of_demo("with_stations", demo, move |demo, scan| {
        let at = Uptime::from_millis(scan * 1000 + 1000);
        samples.clear();
        demo.decode(scan, |signal, reading| samples.push(Sample { signal, at, reading }));
        said.clear();
        core.handle_scan(at, UtcMillis(1_793_491_200_000 + scan as i64 * 1000), &samples, &mut said);
    })
}

fn of_one(name: &str, mut one: Watched1) -> Course {
    let mut second = 0;
    let round = move || {
        for _ in 0..SAMPLES {
            one.sample(second);
            second += 1;
        }
        SAMPLES
    };
    Course { name: name.to_owned(), round: Box::new(round) }
}

pub(crate) fn run() {
    let demo = Demo::load();
    println!("demo line: {} signals from registers, {} alarms", demo.count(), demo.line.alarms.len());
    let mut courses = courses();
    let mut costs = vec![Vec::new(); courses.len()];
    for _ in 0..ROUNDS {
        for (course, costs) in courses.iter_mut().zip(&mut costs) {
            let before = cpu::used();
            let samples = (course.round)();
            costs.push((cpu::used() - before).as_nanos() as f64 / samples as f64);
        }
    }
    for (course, costs) in courses.iter().zip(&costs) {
        println!("  {:<24} {:>8.1} ns a sample", course.name, median(costs));
        figure(&format!("core.{}", course.name), median(costs), "ns");
    }
}
