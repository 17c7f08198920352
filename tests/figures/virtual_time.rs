//! Figures of virtual time: how fast the whole system runs with the plant's physics, and what an oracle finds in it.
//!
//! `cargo run --release --example virtual-time -- [DAYS] [SEED]` prints the speed of a quiet line and of an eventful one,
//! then runs DAYS (30) days in stretches of at most 30, each from a seed of its own, one row a stretch: a year is 365.
//! Speed is virtual time over processor time of one core. Ends with 1 if anything is wrong.
#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a figure that can't be measured ends the program"
)]

#[path = "../line/oracle.rs"]
mod oracle;
#[path = "../line/oracle_models.rs"]
mod oracle_models;
#[path = "../line/oracle_stations.rs"]
mod oracle_stations;
#[path = "../line/oracle_truth.rs"]
mod oracle_truth;
#[path = "../line/oracle_windows.rs"]
mod oracle_windows;
#[path = "../line/support.rs"]
#[expect(dead_code, reason = "the tests use the rest")]
mod support;
#[path = "../line/virtual_month.rs"]
mod virtual_month;
#[path = "../line/virtual_plan.rs"]
mod virtual_plan;

use virtual_month::{BAD_SHARE, Options, Outcome, run};

const DAY_S: u64 = 86_400;
/// Longer stretches would only fill memory with history.
const STRETCH_DAYS: u64 = 30;

fn main() -> std::process::ExitCode {
    let mut words = std::env::args().skip(1).map(|word| word.parse::<u64>());
    let (days, seed) = (words.next().unwrap_or(Ok(30)), words.next().unwrap_or(Ok(1)));
    let (Ok(days), Ok(seed)) = (days, seed) else {
        eprintln!("write: virtual-time [DAYS] [SEED], both whole numbers");
        return 2.into();
    };
    let quiet =
        run(Options { seed, seconds: DAY_S / 4, planned_seconds: 0, bad_share: 0.0, eventful: false });
    println!("quiet line, no bad replies, oracle at every sample: {:.0}x", speed(&quiet));
    let stretches = (0..days).step_by(STRETCH_DAYS as usize).zip(seed..);
    let outcomes: Vec<Outcome> = stretches
        .map(|(day, seed)| {
            let seconds = (days - day).min(STRETCH_DAYS) * DAY_S;
            let outcome = run(Options {
                seed,
                seconds,
                planned_seconds: seconds,
                bad_share: BAD_SHARE,
                eventful: true,
            });
            println!("{}\n{}{:?}", outcome.row(), outcome.complaints, outcome.unbalanced);
            outcome
        })
        .collect();
    let sum = |of: fn(&Outcome) -> u64| outcomes.iter().map(of).sum::<u64>();
    let (wrong, different) = (sum(|one| one.tally.wrong), sum(|one| one.tally.turns_different));
    let (missed, unfounded) = (sum(|one| one.tally.missed), sum(|one| one.tally.false_alarms));
    println!(
        "{days} days: samples {}, wrong {wrong}; turns equal {}, different {different}; had to raise {}, missed {missed}; false \
         {unfounded}; undecided {}, too little seen {}, instrument lied {}; lost {}",
        sum(|one| one.tally.samples),
        sum(|one| one.tally.turns_equal),
        sum(|one| one.tally.must),
        sum(|one| one.tally.undecided),
        sum(|one| one.tally.unseen),
        sum(|one| one.tally.lied),
        sum(|one| one.summary.samples_lost),
    );
    u8::from(wrong + different + missed + unfounded > 0).into()
}

fn speed(outcome: &Outcome) -> f64 {
    outcome.options.seconds as f64 / outcome.cpu_s
}
