//! Any bytes as blocks of the history, behind a right checksum.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| setward::fuzzing::blocks(bytes));
