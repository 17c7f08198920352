//! Any bytes from a broker.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| setward::fuzzing::broker_says(bytes));
