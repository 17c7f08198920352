//! Blocks of the history as a fuzzer feeds them: with a right checksum around any bytes, so that what is behind it is reached.

use super::bytes::{Writer, seal};
use super::chunk::{TimeChunk, ValueChunk};
use super::layout::{RunSignal, StoredSignal};
use super::open::OpenRun;
use super::rollup::RollUp;
use super::{chunk, journal, rollup};
use setward_protocol::Encoding;

/// Reads `bytes` as each kind of block; what can be read must come out the same after it was written anew.
///
/// # Panics
/// When it does not.
pub fn blocks(bytes: &[u8]) {
    let sealed = |kind| {
        let mut out = Writer::default();
        out.raw(bytes);
        seal(kind, out)
    };
    if let Ok(times) = TimeChunk::read(&sealed(chunk::TIMES)) {
        assert_eq!(times.times.sequence.len(), times.name.rows, "one number a row");
        assert_eq!(TimeChunk::read(&times.write()), Ok(times));
    }
    if let Ok(values) = ValueChunk::read(&sealed(chunk::VALUES)) {
        assert_eq!(values.codes.len(), values.name.rows, "one quality a row");
        let again = ValueChunk::read(&values.write()).map(|again| again.codes);
        assert_eq!(again, Ok(values.codes));
    }
    if let Ok(roll_up) = RollUp::read(&sealed(rollup::ROLL_UP)) {
        assert!(RollUp::read(&roll_up.write()).is_ok(), "a roll-up that was read can be written");
    }
    if let Ok(rows) = journal::read(&run(), bytes) {
        let again = journal::read(&run(), &journal::write(&run(), &rows));
        assert!(again.is_ok_and(|again| again.len() == rows.len()), "a record that was read can be written");
    }
}

/// Two poll groups with each kind of number.
fn run() -> OpenRun {
    let signal = |id: i64, encoding, poll_group| StoredSignal {
        id,
        signal: RunSignal { encoding, scale: 0.1, poll_group, ..RunSignal::of_tag("TT-310") },
    };
    let signals = [(1, Some(Encoding::I16), 0), (2, None, 0), (3, Some(Encoding::F32), 1)];
    OpenRun::new(1, "", signals.map(|(id, encoding, group)| signal(id, encoding, group)).to_vec())
}
