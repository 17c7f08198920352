//! Any text as a quantity.
#![no_main]

use libfuzzer_sys::fuzz_target;
use setward_config::parse_time;
use setward_protocol::Unit;

fuzz_target!(|bytes: &[u8]| quantity(bytes));

/// A quantity of any unit: a number that can be kept, or words.
fn quantity(bytes: &[u8]) {
    let Some((unit, rest)) = bytes.split_first() else { return };
    let Ok(text) = std::str::from_utf8(rest) else { return };
    let unit = Unit::ALL[usize::from(*unit) % Unit::ALL.len()];
    for number in setward_config::fuzzing::quantities(text, unit) {
        assert!(number.is_finite(), "{text:?} in {unit} is {number}");
    }
    if let Ok(time) = parse_time(text) {
        assert!(time.as_secs() <= 366 * 86_400, "{text:?} is {time:?}");
    }
}
