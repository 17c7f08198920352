//! What the simulator answers to any bytes. Held against a reading of the standard of its own.
#![no_main]

#[path = "../modbus.rs"]
mod modbus;

use libfuzzer_sys::fuzz_target;
use modbus::{TABLES, function_of};
use setward_protocol::{ReadLimits, Table};
use sim_plc::frame::{Device, Exception, MAX_FRAME_BYTES, Received, answer, receive, reply_frame};

fuzz_target!(|bytes: &[u8]| requests(bytes));

/// A device with 1,000 registers and bits in each table; each holds what its address gives.
struct Addresses;

const HELD: u16 = 1_000;

const fn held(table: Table, address: u16) -> u16 {
    let word = address.wrapping_mul(40_503);
    if table.is_bits() { word >> 15 } else { word }
}

impl Device for Addresses {
    fn limits(&self) -> ReadLimits {
        ReadLimits::STANDARD
    }

    fn read(&self, table: Table, first: u16, count: u16) -> Option<Vec<u16>> {
        let end = first.checked_add(count).filter(|end| *end <= HELD)?;
        Some((first..end).map(|address| held(table, address)).collect())
    }

    fn identity(&self) -> [String; 3] {
        ["Plant", "Line", "1"].map(str::to_owned)
    }
}

/// What the simulator makes of any bytes: frames, and to each an answer that is one, as the standard has it.
fn requests(bytes: &[u8]) {
    let mut rest = bytes;
    while let Received::Whole(frame) = receive(rest) {
        let said = answer(frame.pdu, &Addresses);
        if let Some(expected) = read_as_the_standard_has_it(frame.pdu) {
            assert_eq!(said, expected, "{:02x?}", frame.pdu);
        }
        let refused = said.len() == 2 && said[0] == frame.pdu[0] | 0x80;
        assert!(refused || said[0] == frame.pdu[0], "{:02x?} is answered by {said:02x?}", frame.pdu);
        let reply = reply_frame(&frame, &said);
        assert!(reply.len() <= MAX_FRAME_BYTES, "{} bytes", reply.len());
        let Received::Whole(echo) = receive(&reply) else { panic!("no frame: {reply:02x?}") };
        assert_eq!((echo.transaction, echo.unit, echo.pdu), (frame.transaction, frame.unit, said.as_slice()));
        rest = &rest[frame.bytes()..];
    }
}

/// The answer to a request to read that has the right number of bytes.
fn read_as_the_standard_has_it(pdu: &[u8]) -> Option<Vec<u8>> {
    let [function @ 1..=4, first_high, first_low, count_high, count_low] = pdu else { return None };
    let table = TABLES.into_iter().find(|table| function_of(*table) == *function)?;
    let first = u32::from(u16::from_be_bytes([*first_high, *first_low]));
    let count = u32::from(u16::from_be_bytes([*count_high, *count_low]));
    let most = if *function < 3 { 2_000 } else { 125 };
    if count == 0 || count > most {
        return Some(vec![function | 0x80, Exception::QUANTITY.0]);
    }
    if first + count > u32::from(HELD) {
        return Some(vec![function | 0x80, Exception::ADDRESS.0]);
    }
    let mut data = if *function < 3 { vec![0; count.div_ceil(8) as usize] } else { Vec::new() };
    for index in 0..count {
        let word = held(table, (first + index) as u16);
        if *function < 3 {
            data[(index / 8) as usize] |= (word as u8) << (index % 8);
        } else {
            data.extend(word.to_be_bytes());
        }
    }
    Some([&[*function, data.len() as u8][..], &data].concat())
}
