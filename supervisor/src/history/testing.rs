//! What the tests of the store share: a line of two poll groups, readings that look like a plant's, and a naive copy.

use super::{Batch, NewRun, NewSample, RunSignal, Settings};
use rand_core::{Rng as _, SeedableRng as _};
use rand_pcg::Pcg64Mcg;
use setward_protocol::{Encoding, NoData, Reading, Uptime, UtcMillis};
use std::time::Duration;

/// 2026-11-25T02:00:00Z, a full hour.
pub(super) const START_MS: i64 = 1_795_572_000_000;

/// Tags by index in the run.
pub(super) const TAGS: [&str; 6] = ["TT-310", "TT-313", "YS-261", "FT-340", "TT-202", "ST-206"];

/// A run of six signals in two poll groups: registers, a bit and floats.
pub(super) fn run(started_ms: i64) -> NewRun {
    let register = |index: usize, encoding, scale, poll_group| RunSignal {
        unit: "degC".to_owned(),
        encoding,
        scale,
        poll_group,
        gap_limit: Duration::from_millis(3500),
        ..RunSignal::of_tag(TAGS[index])
    };
    let signals = vec![
        register(0, Some(Encoding::I16), 0.1, 0),
        register(1, Some(Encoding::I16), 0.1, 0),
        register(2, Some(Encoding::Bit(3)), 1.0, 0),
        register(3, Some(Encoding::F32), 1.0, 0),
        register(4, Some(Encoding::U16), 0.01, 1),
        register(5, None, 1.0, 1),
    ];
    NewRun {
        started: UtcMillis(started_ms),
        fingerprint: "ab".repeat(32),
        version: "0".to_owned(),
        signals,
        files: vec![("line.toml".to_owned(), b"name = \"line\"".to_vec())],
    }
}

/// A small journal, no guard: many chunks in little time.
pub(super) fn small() -> Settings {
    Settings { journal_bytes: 256 * 4096, free_min_bytes: 0, ..Settings::default() }
}

/// The reading of a signal at a second: always the same, so that a checker needs no copy.
pub(super) fn reading(signal: u16, second: i64) -> Reading {
    let mut noise = Pcg64Mcg::seed_from_u64(second as u64 * 16 + u64::from(signal));
    let roll = noise.next_u32();
    if roll % 200 == 0 {
        return Reading::Bad(NoData::Exception((roll / 200 % 5) as u8));
    }
    let count = i64::from(roll / 7 % 11) + second / 30 % 50;
    Reading::Good(match signal {
        0 | 1 => (1800 + count) as f64 * 0.1,
        2 => ((second / 600) % 2) as f64,
        3 => f64::from(count as f32 * 0.37),
        4 => (9000 + count) as f64 * 0.01,
        _ => count as f64 / 3.0,
    })
}

/// The readings of a second: the first group each second, the second every fifth.
pub(super) fn second(second: i64, started_s: i64) -> Batch {
    let signals = if second % 5 == 0 { 0..6 } else { 0..4 };
    let sample = |signal: u16| NewSample {
        signal,
        utc: UtcMillis(START_MS + second * 1000),
        at: Uptime::from_millis(((second - started_s) * 1000) as u64),
        reading: reading(signal, second),
    };
    Batch { samples: signals.map(sample).collect(), ..Batch::default() }
}
