//! The poller's guard: of any bytes, only what can be the answer passes. Held against a reading of its own.
#![no_main]

#[path = "../modbus.rs"]
mod modbus;

use libfuzzer_sys::fuzz_target;
use modbus::{TABLES, function_of};
use setward::fuzzing::passed;
use setward_protocol::{ReadRequest, Table};

fuzz_target!(|bytes: &[u8]| guard(bytes));

/// The number of a connection's first request.
const FIRST: u16 = 0x0102;
/// As in the standard: bytes before what the length counts, and what that may be.
const PREFIX: usize = 6;
const LENGTHS: std::ops::RangeInclusive<usize> = 2..=254;

/// The poller's guard over any bytes in two pieces: what passes is the first answer or refusal in them that can be right.
fn guard(bytes: &[u8]) {
    let [table, unit, count, cut, rest @ ..] = bytes else { return };
    let table = TABLES[usize::from(*table) % TABLES.len()];
    let request = ReadRequest { table, start: 100, count: u16::from(*count % 125) + 1 };
    let (one, two) = rest.split_at(usize::from(*cut).min(rest.len()));
    let [high, low] = request.count.to_be_bytes();
    let asked = [0, 0, 0, 0, 0, 6, *unit, function_of(table), 0, 100, high, low];
    let passed = passed(FIRST, &asked, &[one, two]);
    let mut expected = passes(rest, *unit, request).unwrap_or_default().to_vec();
    expected.iter_mut().take(2).for_each(|number| *number = 0);
    assert_eq!(passed.bytes, expected, "{asked:02x?} is answered by {rest:02x?}: {passed:?}");
}

/// The first frame in `bytes` that answers or refuses the request, if none before it ends the session.
fn passes(mut bytes: &[u8], unit: u8, request: ReadRequest) -> Option<&[u8]> {
    let data = match request.table {
        Table::Coil | Table::Discrete => request.count.div_ceil(8),
        Table::Holding | Table::Input => request.count * 2,
    };
    let function = function_of(request.table);
    loop {
        let [high, low, 0, 0, long_high, long_low, ..] = bytes else { return None };
        let length = usize::from(u16::from_be_bytes([*long_high, *long_low]));
        if !LENGTHS.contains(&length) {
            return None;
        }
        let frame = bytes.get(..PREFIX + length)?;
        if u16::from_be_bytes([*high, *low]) != FIRST {
            bytes = &bytes[frame.len()..];
            continue;
        }
        let is_right = match &frame[PREFIX..] {
            [found, code, _, ..] if *code == function | 0x80 => *found == unit,
            [found, code, counted, words @ ..] => {
                (*found, *code) == (unit, function)
                    && usize::from(*counted) == words.len()
                    && words.len() == usize::from(data)
            }
            _ => false,
        };
        return is_right.then_some(frame);
    }
}
