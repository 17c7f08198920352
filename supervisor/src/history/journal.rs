//! A journal record: the rows of one batch as bytes. Pure.
//!
//! Counts where the register has them, so that a second of 300 signals is a block of the disk.

use super::bytes::{Damage, Reader, Writer};
use super::layout::Numbers;
use super::open::{OpenRun, Row};
use super::quality::has_value;

/// Rows and cells of one record: bounds what damaged bytes can make us allocate.
const COUNT_MAX: usize = 4_000_000;

/// Rows as a record of their run.
pub(super) fn write(run: &OpenRun, rows: &[Row]) -> Vec<u8> {
    let mut out = Writer::default();
    out.whole(rows.len() as u64);
    let (mut utc_ms, mut uptime_us, mut sequence) = (0_i64, 0_u64, 0_u64);
    for row in rows {
        out.whole(row.group as u64);
        out.signed(row.utc_ms.wrapping_sub(utc_ms));
        out.signed(row.uptime_us.wrapping_sub(uptime_us) as i64);
        out.signed(row.sequence.wrapping_sub(sequence) as i64);
        (utc_ms, uptime_us, sequence) = (row.utc_ms, row.uptime_us, row.sequence);
        out.whole(row.cells.len() as u64);
        let mut next = 0;
        for (column, code, value) in &row.cells {
            out.whole((column - next) as u64);
            next = column + 1;
            put_value(&mut out, numbers(run, row.group, *column), *code, *value);
        }
    }
    out.into_bytes()
}

/// The rows of a record.
pub(super) fn read(run: &OpenRun, bytes: &[u8]) -> Result<Vec<Row>, Damage> {
    let mut reader = Reader::new(bytes);
    let count = reader.count(COUNT_MAX)?;
    let mut rows = Vec::new();
    let (mut utc_ms, mut uptime_us, mut sequence) = (0_i64, 0_u64, 0_u64);
    for _ in 0..count {
        let group = reader.count(run.groups.len())?;
        utc_ms = utc_ms.wrapping_add(reader.signed()?);
        uptime_us = uptime_us.wrapping_add(reader.signed()? as u64);
        sequence = sequence.wrapping_add(reader.signed()? as u64);
        let mut cells = Vec::new();
        let mut column = 0;
        for _ in 0..reader.count(COUNT_MAX)? {
            column += reader.count(COUNT_MAX)?;
            let (code, value) = get_value(&mut reader, numbers(run, group, column))?;
            cells.push((column, code, value));
            column += 1;
        }
        rows.push(Row { group, utc_ms, uptime_us, sequence, cells });
    }
    if reader.is_empty() { Ok(rows) } else { Err(Damage::Contradiction) }
}

fn numbers(run: &OpenRun, group: usize, column: usize) -> Numbers {
    let signal = run.groups.get(group).and_then(|group| group.signals.get(column));
    let stored = signal.and_then(|signal| run.signals.get(*signal));
    stored.map_or(Numbers::F64, |stored| stored.signal.numbers())
}

/// The quality, whether a count follows, and the count or the float if there is a value.
fn put_value(out: &mut Writer, numbers: Numbers, code: u16, value: f64) {
    let count = match numbers {
        Numbers::Counts { scale, offset } if has_value(code) => Numbers::count_of(scale, offset, value),
        Numbers::Counts { .. } | Numbers::F32 | Numbers::F64 => None,
    };
    out.whole(u64::from(code) << 1 | u64::from(count.is_some()));
    match count {
        Some(count) => out.signed(count),
        None if has_value(code) => out.float(value),
        None => {}
    }
}

fn get_value(reader: &mut Reader<'_>, numbers: Numbers) -> Result<(u16, f64), Damage> {
    let code = reader.whole()?;
    let is_count = code & 1 == 1;
    let code = u16::try_from(code >> 1).map_err(|_| Damage::Contradiction)?;
    if is_count {
        return match numbers {
            Numbers::Counts { .. } => Ok((code, numbers.value_of(reader.signed()?))),
            Numbers::F32 | Numbers::F64 => Err(Damage::Contradiction),
        };
    }
    Ok((code, if has_value(code) { reader.float()? } else { 0.0 }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::history::NewSample;
    use crate::history::layout::{RunSignal, StoredSignal};
    use proptest::prelude::*;
    use setward_protocol::{Encoding, NoData, Reading, Uptime, UtcMillis};

    fn run() -> OpenRun {
        let signal = |id: i64, encoding, poll_group| StoredSignal {
            id,
            signal: RunSignal { encoding, scale: 0.1, poll_group, ..RunSignal::of_tag("TT-310") },
        };
        let whole = Some(Encoding::I16);
        OpenRun::new(
            1,
            "",
            vec![signal(1, whole, 5), signal(2, None, 5), signal(3, whole, 2), signal(4, None, 5)],
        )
    }

    fn sample(signal: u16, ms: i64, reading: Reading) -> NewSample {
        NewSample { signal, utc: UtcMillis(ms), at: Uptime::from_millis(ms as u64), reading }
    }

    #[test]
    fn a_second_of_three_hundred_registers_fits_a_block_of_the_disk() {
        let signal = |id: i64| StoredSignal {
            id,
            signal: RunSignal { encoding: Some(Encoding::I16), scale: 0.1, ..RunSignal::of_tag("TT-310") },
        };
        let run = OpenRun::new(1, "", (0..300).map(signal).collect());
        let samples: Vec<_> = (0..300)
            .map(|index| sample(index, 1000, Reading::Good((1820 + i64::from(index)) as f64 * 0.1)))
            .collect();
        let record = write(&run, &run.rows(&samples, 1));
        assert!(record.len() < 1500, "{}", record.len());
    }

    #[test]
    fn samples_of_one_group_and_time_are_one_row() {
        let run = run();
        let samples = [
            sample(0, 1000, Reading::Good(1.0)),
            sample(2, 1000, Reading::Good(2.0)),
            sample(1, 1000, Reading::Bad(NoData::Stuck)),
            sample(0, 2000, Reading::Good(3.0)),
            sample(0, 2000, Reading::Good(4.0)),
        ];
        let rows = run.rows(&samples, 10);
        let shape: Vec<_> = rows.iter().map(|row| (row.sequence, row.group, row.cells.len())).collect();
        assert_eq!(shape, [(10, 1, 2), (11, 0, 1), (12, 1, 1), (13, 1, 1)]);
    }

    proptest! {
        #[test]
        fn any_samples_come_back(samples in prop::collection::vec((0..4_u16, 0..5000_i64, any::<Option<f64>>()), 0..100)) {
            let run = run();
            let samples: Vec<_> = samples
                .into_iter()
                .map(|(signal, ms, value)| {
                    let reading = value.map_or(Reading::Bad(NoData::Exception(4)), Reading::Good);
                    sample(signal, ms, reading)
                })
                .collect();
            let rows = run.rows(&samples, 7);
            prop_assert_eq!(read(&run, &write(&run, &rows)), Ok(rows));
        }

        #[test]
        fn any_bytes_are_rows_or_refused(bytes: Vec<u8>) {
            let _refused = read(&run(), &bytes);
        }
    }
}
