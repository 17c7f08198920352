//! That a look which is left out would have found nothing.

use super::*;
use crate::line::WallAnchor;
use crate::line::storage::Storage;
use rand_core::{Rng as _, SeedableRng as _};
use rand_pcg::Pcg64Mcg;
use setward_protocol::{NoData, Reading};

/// 2026-01-05 00:00 UTC.
const START: UtcMillis = UtcMillis(1_767_571_200_000);

/// A value that is on either side of what the line asks of the signal, or one of its codes, or none.
fn draw(line: &Line, signal: SignalId, noise: &mut Pcg64Mcg) -> Reading {
    let typical = line.signal(signal).simulate.typical;
    match noise.next_u32() % 8 {
        0 => Reading::Bad(NoData::SensorFault),
        1..=3 => Reading::Good(f64::from(noise.next_u32() % 10)),
        4 => Reading::Good(typical * 0.7),
        _ => Reading::Good(typical),
    }
}

#[test]
fn what_is_not_looked_at_anew_would_have_said_the_same() {
    let line = Arc::new(setward_config::load_demo().unwrap().line);
    let wall = WallAnchor { at: Uptime::START, utc: START };
    let mut storages = [Storage::of(&line), Storage::of(&line)];
    let mut cores = storages.iter_mut().map(|storage| {
        let (monitor, _) = storage.engine(&line, Vec::new(), wall);
        LineCore::new(Arc::clone(&line), monitor)
    });
    let (mut sparing, mut eager) = (cores.next().unwrap(), cores.next().unwrap());
    let mut noise = Pcg64Mcg::seed_from_u64(11);
    let mut turns = 0;
    for second in 1..20_000_u64 {
        let (at, utc) = (Uptime::from_millis(1000 * second), UtcMillis(START.0 + 1000 * second as i64));
        let mut samples = Vec::new();
        for (signal, _) in line.signals_with_ids() {
            // Most of the time most of them stay as they are.
            if noise.next_u32() % 50 == 0 {
                samples.push(Sample { signal, at, reading: draw(&line, signal, &mut noise) });
            }
        }
        let (mut said, mut also_said) = (Vec::new(), Vec::new());
        sparing.handle_scan(at, utc, &samples, &mut said);
        eager.has_looked = false;
        eager.handle_scan(at, utc, &samples, &mut also_said);
        assert_eq!(said, also_said, "in second {second}");
        assert_eq!(sparing.station_views(), eager.station_views(), "in second {second}");
        turns += said.iter().filter(|one| !matches!(one, Said::Alarm(_))).count();
    }
    assert!(turns > 500, "only {turns} changes of modes and recipes: nothing was tried");
}
