//! Ratios of one run: the poller beside a bare loop and clients of other makes, decoding and the engine by the sample.
//!
//! `cargo bench` runs all of it; `cargo bench --bench figures -- core` a part (`poller`, `scattered`, `core`, `allocations`).
//! Both sides of a ratio are measured in one run, in rounds that take turns; what is printed is the median. No time is ever
//! asserted; counts are (requests, allocations), and a wrong count ends the program with 101.
//! A line that begins with `figure` is for `tests/figures/run`. For a profiler the program does one thing alone:
//! `figures steps PATH COUNT` a hot path, `figures only bare|limited|setward READS SECONDS` one client.
#![expect(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a program that measures: what can't be measured ends it"
)]

mod allocations;
mod core;
mod cpu;
mod demo;
mod kinds;
mod peers;
mod poller;
mod responder;
mod scattered;
mod steps;

use stats_alloc::{INSTRUMENTED_SYSTEM, StatsAlloc};
use std::alloc::System;

/// Counts what the program asks of the heap.
#[global_allocator]
static HEAP: &StatsAlloc<System> = &INSTRUMENTED_SYSTEM;

const PARTS: [&str; 4] = ["core", "allocations", "scattered", "poller"];

/// One number for the table.
fn figure(name: &str, value: f64, unit: &str) {
    println!("figure {name} {value} {unit}");
}

/// The value in the middle.
fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[sorted.len() / 2]
}

#[tokio::main(flavor = "current_thread")]
async fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["respond"] => return responder::respond(),
        ["only", client, reads, seconds] => {
            return poller::only(client, reads.parse().unwrap(), seconds.parse().unwrap()).await;
        }
        ["steps", path, count] => return steps::run(path, count.parse().unwrap()).await,
        _ => {}
    }
    if let Some(unknown) = arguments.iter().find(|word| !PARTS.contains(&word.as_str())) {
        eprintln!("no part {unknown:?}; there are {}", PARTS.join(", "));
        std::process::exit(2);
    }
    let is_wanted = |part: &str| arguments.is_empty() || arguments.iter().any(|word| word == part);
    for part in PARTS.into_iter().filter(|part| is_wanted(part)) {
        println!("== {part}");
        match part {
            "core" => core::run(),
            "allocations" => allocations::run().await,
            "scattered" => scattered::run().await,
            _ => poller::run().await,
        }
    }
}
