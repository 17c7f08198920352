//! Roll-ups: what a minute or an hour of one signal was like, computed once when its chunk closes. Pure.
//!
//! Extremes are exact. Means are kept to 1/64 of a count, times to 1/100 s. Entries of one minute from two chunks merge.
//!
//! ```text
//! roll-up 3 | signal, run, first | step s | kind of numbers, scale, offset | entries, first index
//!         | columns: index - first - place, samples, others, good cs, in band cs (-1 unknown)
//!         | of entries with samples: min, max - min, mean; of entries with good time: time-weighted mean - mean
//! ```

use super::bytes::{Damage, Reader, Writer, seal, unseal};
use super::column;
use super::layout::{MEAN_SHARES, Numbers};

pub(super) const ROLL_UP: u8 = 0x13;
/// Entries of one block: an hour's chunk has 61 at most; a clock that steps may make more.
const ENTRIES_MAX: usize = 16_384;

/// How much one entry covers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Step {
    /// A minute of UTC.
    Minute,
    /// An hour of UTC.
    Hour,
}

impl Step {
    /// Length, ms.
    pub(super) const fn ms(self) -> i64 {
        match self {
            Self::Minute => 60_000,
            Self::Hour => 3_600_000,
        }
    }
}

/// What some stretch of time of a signal was like.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stretch {
    /// Readings with a value.
    pub samples: u32,
    /// Readings without one.
    pub others: u32,
    /// Lowest value; infinite without samples.
    pub min: f64,
    /// Highest value; minus infinite without samples.
    pub max: f64,
    /// Sum of the values.
    pub sum: f64,
    /// Integral of the value over [`Self::good_s`], signal unit times s; straight between good samples.
    pub integral: f64,
    /// How long the value was known, s: between good samples no further apart than the signal's gap limit.
    pub good_s: f64,
    /// How much of that was inside the tolerance then in force, s; `None` where there was none.
    pub in_band_s: Option<f64>,
}

impl Stretch {
    /// Nothing known.
    pub const EMPTY: Self = Self {
        samples: 0,
        others: 0,
        min: f64::INFINITY,
        max: f64::NEG_INFINITY,
        sum: 0.0,
        integral: 0.0,
        good_s: 0.0,
        in_band_s: None,
    };

    /// Mean of the values; `None` without one.
    #[must_use]
    pub fn mean(&self) -> Option<f64> {
        (self.samples > 0).then(|| self.sum / f64::from(self.samples))
    }

    /// Mean over the time in which the value was known; `None` without any.
    #[must_use]
    pub fn time_weighted_mean(&self) -> Option<f64> {
        (self.good_s > 0.0).then(|| self.integral / self.good_s)
    }

    /// Takes another stretch in.
    pub fn merge(&mut self, other: &Self) {
        self.samples = self.samples.saturating_add(other.samples);
        self.others = self.others.saturating_add(other.others);
        self.min = self.min.min(other.min);
        self.max = self.max.max(other.max);
        self.sum += other.sum;
        self.integral += other.integral;
        self.good_s += other.good_s;
        self.in_band_s = match (self.in_band_s, other.in_band_s) {
            (Some(mine), Some(others)) => Some(mine + others),
            (known, None) | (None, known) => known,
        };
    }

    /// Takes a reading in.
    pub(super) fn take(&mut self, value: Option<f64>) {
        match value {
            Some(value) => {
                self.samples = self.samples.saturating_add(1);
                self.min = self.min.min(value);
                self.max = self.max.max(value);
                self.sum += value;
            }
            None => self.others = self.others.saturating_add(1),
        }
    }

    /// Takes a straight piece between two values in.
    pub(super) fn take_piece(&mut self, seconds: f64, from: f64, to: f64, band: Option<(f64, f64)>) {
        self.good_s += seconds;
        self.integral += seconds * (from + to) / 2.0;
        if let Some(band) = band {
            *self.in_band_s.get_or_insert(0.0) += seconds * share_inside(from, to, band);
        }
    }
}

/// How much of a straight line between two values lies inside a band.
fn share_inside(from: f64, to: f64, (low, high): (f64, f64)) -> f64 {
    let (least, most) = if from <= to { (from, to) } else { (to, from) };
    if least >= low && most <= high {
        return 1.0;
    }
    if most <= low || least >= high {
        return 0.0;
    }
    (most.min(high) - least.max(low)) / (most - least)
}

/// A good reading, to draw the line from.
#[derive(Debug, Clone, Copy)]
struct Good {
    utc_ms: i64,
    uptime_us: u64,
    value: f64,
}

/// Builds the entries of one signal from its readings in order.
#[derive(Debug)]
pub(super) struct Builder {
    step_ms: i64,
    gap_limit_us: u64,
    last: Option<Good>,
    entries: Vec<(i64, Stretch)>,
}

impl Builder {
    pub(super) fn new(step: Step, gap_limit_us: u64) -> Self {
        Self { step_ms: step.ms(), gap_limit_us, last: None, entries: Vec::new() }
    }

    /// A reading: its value if there is one, and whether that is good. `band` is the tolerance in force before it.
    pub(super) fn sample(
        &mut self,
        utc_ms: i64,
        uptime_us: u64,
        value: Option<f64>,
        is_good: bool,
        band: Option<(f64, f64)>,
    ) {
        self.entry(utc_ms).take(value);
        self.join(utc_ms, uptime_us, value.filter(|_| is_good), band);
    }

    /// As [`Self::sample`] for the first reading of the next chunk: it only ends the last piece of this one.
    pub(super) fn join(&mut self, utc_ms: i64, uptime_us: u64, good: Option<f64>, band: Option<(f64, f64)>) {
        let next = good.map(|value| Good { utc_ms, uptime_us, value });
        if let (Some(last), Some(next)) = (self.last, next) {
            let apart_us = next.uptime_us.saturating_sub(last.uptime_us);
            if apart_us > 0 && apart_us <= self.gap_limit_us {
                self.line(last, next, apart_us as f64 / 1e6, band);
            }
        }
        self.last = next;
    }

    /// Spreads the line between two samples over the entries it crosses. Its length is the run's clock's; where it lies is
    /// told by the wall time of its end, so that a step of the wall clock never makes time.
    fn line(&mut self, from: Good, to: Good, seconds: f64, band: Option<(f64, f64)>) {
        let end_s = to.utc_ms as f64 / 1e3;
        let step_s = self.step_ms as f64 / 1e3;
        let value_at = |share: f64| from.value + (to.value - from.value) * share;
        let mut done = 0.0;
        let mut index = ((end_s - seconds) / step_s).floor();
        // As many entries as it can cross; a time beyond all reason must not go on for ever.
        for _ in 0..(seconds / step_s) as usize + 3 {
            // Where the present entry ends, as seconds into the line.
            let until = ((index + 1.0) * step_s - (end_s - seconds)).clamp(done, seconds);
            if until > done {
                let (start, end) = (value_at(done / seconds), value_at(until / seconds));
                let place = (index as i64).saturating_mul(self.step_ms);
                self.entry(place).take_piece(until - done, start, end, band);
                done = until;
            }
            index += 1.0;
        }
    }

    fn entry(&mut self, utc_ms: i64) -> &mut Stretch {
        let index = utc_ms.div_euclid(self.step_ms);
        // Almost always the last one, or a new one behind it.
        let place = match self.entries.iter().rposition(|(known, _)| *known <= index) {
            Some(place) if self.entries.get(place).is_some_and(|(known, _)| *known == index) => place,
            Some(before) => {
                self.entries.insert(before + 1, (index, Stretch::EMPTY));
                before + 1
            }
            None => {
                self.entries.insert(0, (index, Stretch::EMPTY));
                0
            }
        };
        #[expect(clippy::indexing_slicing, reason = "the place was found or made just above")]
        &mut self.entries[place].1
    }

    pub(super) fn finish(self) -> Vec<(i64, Stretch)> {
        self.entries
    }
}

/// A block of roll-ups.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct RollUp {
    /// The store's number of the signal.
    pub signal: i64,
    /// The run of its chunk.
    pub run: i64,
    /// The sequence number of the first row of its chunk.
    pub first: u64,
    /// What an entry covers.
    pub step: Step,
    /// How values are kept.
    pub numbers: Numbers,
    /// Index of each step since 1970, and what it was like; in order.
    pub entries: Vec<(i64, Stretch)>,
}

impl RollUp {
    /// As bytes.
    pub(super) fn write(&self) -> Vec<u8> {
        let mut out = Writer::default();
        out.signed(self.signal);
        out.signed(self.run);
        out.whole(self.first);
        out.whole((self.step.ms() / 1000) as u64);
        put_numbers(&mut out, self.numbers);
        let first = self.entries.first().map_or(0, |(index, _)| *index);
        out.whole(self.entries.len() as u64);
        out.signed(first);
        let entries = &self.entries;
        let all =
            |value: fn(&Stretch) -> i64| entries.iter().map(|(_, entry)| value(entry)).collect::<Vec<_>>();
        let places = entries.iter().zip(0..).map(|((index, _), place)| index.wrapping_sub(first) - place);
        column::put(&mut out, &places.collect::<Vec<_>>());
        column::put(&mut out, &all(|entry| i64::from(entry.samples)));
        column::put(&mut out, &all(|entry| i64::from(entry.others)));
        column::put(&mut out, &all(|entry| hundredths(entry.good_s)));
        column::put(&mut out, &all(|entry| entry.in_band_s.map_or(-1, hundredths)));
        for values in self.value_columns() {
            column::put(&mut out, &values);
        }
        seal(ROLL_UP, out)
    }

    fn value_columns(&self) -> [Vec<i64>; 4] {
        let mut columns: [Vec<i64>; 4] = Default::default();
        let [least, spread, means, weighted] = &mut columns;
        for (_, entry) in &self.entries {
            let mean = entry.mean().map(|mean| self.numbers.fine_key_of(mean));
            if let Some(mean) = mean {
                let (min, max) = (self.numbers.key_of(entry.min), self.numbers.key_of(entry.max));
                least.push(min);
                spread.push(max.wrapping_sub(min));
                means.push(mean.wrapping_sub(middle(self.numbers, min, max)));
            }
            if let Some(value) = entry.time_weighted_mean().filter(|_| hundredths(entry.good_s) > 0) {
                weighted.push(self.numbers.fine_key_of(value).wrapping_sub(mean.unwrap_or(0)));
            }
        }
        columns
    }

    /// From bytes.
    pub(super) fn read(bytes: &[u8]) -> Result<Self, Damage> {
        let mut reader = unseal(ROLL_UP, bytes)?;
        let (signal, run, first) = (reader.signed()?, reader.signed()?, reader.whole()?);
        let step = match reader.whole()? {
            60 => Step::Minute,
            3600 => Step::Hour,
            _ => return Err(Damage::Foreign),
        };
        let numbers = get_numbers(&mut reader)?;
        let count = reader.count(ENTRIES_MAX)?;
        let start = reader.signed()?;
        let places = column::get(&mut reader, count)?;
        let samples = column::get(&mut reader, count)?;
        let others = column::get(&mut reader, count)?;
        let good = column::get(&mut reader, count)?;
        let in_band = column::get(&mut reader, count)?;
        let with_samples = samples.iter().filter(|count| **count > 0).count();
        let least = column::get(&mut reader, with_samples)?;
        let spread = column::get(&mut reader, with_samples)?;
        let means = column::get(&mut reader, with_samples)?;
        let with_time = good.iter().filter(|good| **good > 0).count();
        let mut weighted = column::get(&mut reader, with_time)?.into_iter();
        let mut values = least.into_iter().zip(spread).zip(means);
        let mut entries = Vec::with_capacity(count);
        let rows = places.iter().zip(samples).zip(others).zip(good).zip(in_band).zip(0_i64..);
        for (((((place, samples), others), good), in_band), row) in rows {
            let mut entry = Stretch { good_s: good as f64 / 100.0, ..Stretch::EMPTY };
            entry.samples = u32::try_from(samples).map_err(|_| Damage::Contradiction)?;
            entry.others = u32::try_from(others).map_err(|_| Damage::Contradiction)?;
            entry.in_band_s = (in_band >= 0).then(|| in_band as f64 / 100.0);
            let mut mean = 0;
            if samples > 0 {
                let ((min, spread), offset) = values.next().ok_or(Damage::Short)?;
                let max = min.wrapping_add(spread);
                mean = middle(numbers, min, max).wrapping_add(offset);
                entry.min = numbers.value_of(min);
                entry.max = numbers.value_of(max);
                entry.sum = numbers.value_of_fine(mean) * f64::from(entry.samples);
            }
            if good > 0 {
                let key = weighted.next().ok_or(Damage::Short)?.wrapping_add(mean);
                entry.integral = numbers.value_of_fine(key) * entry.good_s;
            }
            entries.push((start.wrapping_add(*place).wrapping_add(row), entry));
        }
        Ok(Self { signal, run, first, step, numbers, entries })
    }
}

/// What a mean is told from: the middle of the extremes, as a fine key; of floats the least.
fn middle(numbers: Numbers, min: i64, max: i64) -> i64 {
    match numbers {
        Numbers::Counts { .. } => min.wrapping_add(max).wrapping_mul(MEAN_SHARES as i64 / 2),
        Numbers::F32 | Numbers::F64 => min,
    }
}

fn hundredths(seconds: f64) -> i64 {
    (seconds * 100.0).round() as i64
}

fn put_numbers(out: &mut Writer, numbers: Numbers) {
    match numbers {
        Numbers::Counts { scale, offset } => {
            out.byte(0);
            out.float(scale);
            out.float(offset);
        }
        Numbers::F32 => out.byte(1),
        Numbers::F64 => out.byte(2),
    }
}

fn get_numbers(reader: &mut Reader<'_>) -> Result<Numbers, Damage> {
    match reader.byte()? {
        0 => Ok(Numbers::Counts { scale: reader.float()?, offset: reader.float()? }),
        1 => Ok(Numbers::F32),
        2 => Ok(Numbers::F64),
        _ => Err(Damage::Foreign),
    }
}

#[cfg(test)]
#[path = "rollup_tests.rs"]
mod tests;
