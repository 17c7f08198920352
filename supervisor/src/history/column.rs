//! A list of whole numbers as few bytes: whichever of three ways is shortest. Floats have their own.
//!
//! Runs win for bits and constants, packed differences for a handful of roll-ups, pco for everything else.

use super::bytes::{Damage, Reader, Writer, unzigzag, zigzag};
use pco::ChunkConfig;
use pco::data_types::Number;
use pco::standalone::{simple_compress, simple_decompress_into};

/// Most numbers in a column: bounds what damaged bytes can make us allocate.
pub(super) const ROWS_MAX: usize = 65_536;

/// Beyond this many runs they are no longer worth trying.
const RUNS_MAX: usize = 512;
/// Columns shorter than this never fill pco's own header.
const PCO_ROWS_MIN: usize = 128;
/// Measured on a day of a line: level 8 saves 2 % over level 4, level 12 nothing more.
const PCO_LEVEL: usize = 8;

const RUNS: u8 = 0;
const PACKED: u8 = 1;
const PCO: u8 = 2;

/// Appends `values` to `out`.
pub(super) fn put(out: &mut Writer, values: &[i64]) {
    let runs = runs_of(values);
    let runs = (runs.len() <= RUNS_MAX).then(|| write_runs(&runs));
    if values.len() < PCO_ROWS_MIN {
        let packed = write_packed(values);
        return match runs {
            Some(runs) if runs.len() <= packed.len() => put_tagged(out, RUNS, &runs),
            Some(_) | None => put_tagged(out, PACKED, &packed),
        };
    }
    // pco needs some 30 bytes whatever it holds.
    match runs {
        Some(runs) if runs.len() <= 32 => put_tagged(out, RUNS, &runs),
        Some(runs) => {
            let pco = write_pco(values);
            if runs.len() <= pco.len() { put_tagged(out, RUNS, &runs) } else { put_tagged(out, PCO, &pco) }
        }
        None => put_tagged(out, PCO, &write_pco(values)),
    }
}

/// Takes `count` numbers.
pub(super) fn get(reader: &mut Reader<'_>, count: usize) -> Result<Vec<i64>, Damage> {
    if count > ROWS_MAX {
        return Err(Damage::Contradiction);
    }
    let kind = reader.byte()?;
    let bytes = reader.block()?;
    match kind {
        RUNS => read_runs(Reader::new(bytes), count),
        PACKED => read_packed(Reader::new(bytes), count),
        PCO => read_pco(bytes, count),
        _ => Err(Damage::Foreign),
    }
}

/// Appends numbers as pco alone: floats.
pub(super) fn put_floats<T: Number>(out: &mut Writer, values: &[T]) {
    out.block(&write_pco(values));
}

/// Takes `count` numbers that [`put_floats`] wrote.
pub(super) fn get_floats<T: Number>(reader: &mut Reader<'_>, count: usize) -> Result<Vec<T>, Damage> {
    if count > ROWS_MAX {
        return Err(Damage::Contradiction);
    }
    read_pco(reader.block()?, count)
}

fn put_tagged(out: &mut Writer, kind: u8, bytes: &[u8]) {
    out.byte(kind);
    out.block(bytes);
}

/// Values with how often each stands in a row; gives up past what is worth it.
fn runs_of(values: &[i64]) -> Vec<(i64, u64)> {
    let mut runs: Vec<(i64, u64)> = Vec::new();
    for value in values {
        match runs.last_mut() {
            Some((last, count)) if last == value => *count += 1,
            Some(_) | None => runs.push((*value, 1)),
        }
        if runs.len() > RUNS_MAX {
            break;
        }
    }
    runs
}

fn write_runs(runs: &[(i64, u64)]) -> Vec<u8> {
    let mut out = Writer::default();
    let mut before = 0_i64;
    for (value, count) in runs {
        out.signed(value.wrapping_sub(before));
        out.whole(*count);
        before = *value;
    }
    out.into_bytes()
}

fn read_runs(mut reader: Reader<'_>, count: usize) -> Result<Vec<i64>, Damage> {
    let mut values = Vec::with_capacity(count);
    let mut value = 0_i64;
    while !reader.is_empty() {
        value = value.wrapping_add(reader.signed()?);
        let run = reader.count(count - values.len())?;
        values.extend(std::iter::repeat_n(value, run));
    }
    if values.len() == count { Ok(values) } else { Err(Damage::Contradiction) }
}

/// The first value, then every difference in as many bits as the largest needs.
fn write_packed(values: &[i64]) -> Vec<u8> {
    let mut out = Writer::default();
    let Some((first, rest)) = values.split_first() else { return Vec::new() };
    let mut before = *first;
    let mut differences = Vec::with_capacity(rest.len());
    for value in rest {
        differences.push(zigzag(value.wrapping_sub(before)));
        before = *value;
    }
    let widest = differences.iter().fold(0, |all, difference| all | difference);
    let width = u64::BITS - widest.leading_zeros();
    out.signed(*first);
    out.byte(width as u8);
    let (mut held, mut bits) = (0_u128, 0);
    for difference in differences {
        held |= u128::from(difference) << bits;
        bits += width;
        while bits >= 8 {
            out.byte(held as u8);
            held >>= 8;
            bits -= 8;
        }
    }
    if bits > 0 {
        out.byte(held as u8);
    }
    out.into_bytes()
}

fn read_packed(mut reader: Reader<'_>, count: usize) -> Result<Vec<i64>, Damage> {
    let mut values = Vec::with_capacity(count);
    if count == 0 {
        return if reader.is_empty() { Ok(values) } else { Err(Damage::Contradiction) };
    }
    let mut value = reader.signed()?;
    values.push(value);
    let width = u32::from(reader.byte()?);
    if width > u64::BITS {
        return Err(Damage::Contradiction);
    }
    let mask = (1_u128 << width) - 1;
    let (mut held, mut bits) = (0_u128, 0);
    for _ in 1..count {
        while bits < width {
            held |= u128::from(reader.byte()?) << bits;
            bits += 8;
        }
        value = value.wrapping_add(unzigzag((held & mask) as u64));
        values.push(value);
        held >>= width;
        bits -= width;
    }
    if reader.is_empty() { Ok(values) } else { Err(Damage::Contradiction) }
}

fn write_pco<T: Number>(values: &[T]) -> Vec<u8> {
    if values.is_empty() {
        return Vec::new();
    }
    let config = ChunkConfig::default().with_compression_level(PCO_LEVEL);
    // The only errors are of a configuration out of range, and of a writer; ours are a constant and memory.
    simple_compress(values, &config).unwrap_or_default()
}

fn read_pco<T: Number>(bytes: &[u8], count: usize) -> Result<Vec<T>, Damage> {
    if count == 0 {
        return if bytes.is_empty() { Ok(Vec::new()) } else { Err(Damage::Contradiction) };
    }
    // One more than there should be, so that too many are seen.
    let mut values = vec![T::default(); count + 1];
    let progress = simple_decompress_into(bytes, &mut values).map_err(|_error| Damage::Contradiction)?;
    if progress.n_processed != count || !progress.finished {
        return Err(Damage::Contradiction);
    }
    values.truncate(count);
    Ok(values)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn round_trip(values: &[i64]) -> usize {
        let mut out = Writer::default();
        put(&mut out, values);
        let bytes = out.into_bytes();
        let mut reader = Reader::new(&bytes);
        assert_eq!(get(&mut reader, values.len()).unwrap(), values);
        assert!(reader.is_empty());
        bytes.len()
    }

    #[test]
    fn a_bit_that_changes_twice_takes_a_dozen_bytes_an_hour() {
        let mut values = vec![1; 3600];
        values[1000..1200].fill(0);
        assert!(round_trip(&values) <= 12);
    }

    #[test]
    fn a_noisy_temperature_takes_less_than_a_byte_a_second() {
        let noise = |second: i64| (second * 7919 % 13 + second * 104_729 % 7) % 9;
        let values: Vec<_> = (0..3600).map(|second| 1820 + noise(second)).collect();
        assert!(round_trip(&values) < 2600, "{}", round_trip(&values));
    }

    proptest! {
        #[test]
        fn any_numbers_come_back(values: Vec<i64>) {
            round_trip(&values);
        }

        #[test]
        fn many_small_numbers_come_back(values in prop::collection::vec(-3..40_i64, 0..900)) {
            round_trip(&values);
        }

        #[test]
        fn floats_come_back_to_the_bit(values in prop::collection::vec(any::<f64>(), 0..300)) {
            let mut out = Writer::default();
            put_floats(&mut out, &values);
            let bytes = out.into_bytes();
            let back: Vec<f64> = get_floats(&mut Reader::new(&bytes), values.len()).unwrap();
            let bits = |values: &[f64]| values.iter().map(|value| value.to_bits()).collect::<Vec<_>>();
            prop_assert_eq!(bits(&back), bits(&values));
        }

        #[test]
        fn any_bytes_are_numbers_or_refused(bytes: Vec<u8>, count in 0..5000_usize) {
            if let Ok(values) = get(&mut Reader::new(&bytes), count) {
                prop_assert_eq!(values.len(), count);
            }
        }
    }
}
