//! Requests to write. Only setpoints that a person enters can be written, each as a whole and within its range; every other
//! register is read-only. Setpoints are kept in cells that wear: every write is counted.
//!
//! The supervisor never writes. This is here so that a program that does, and wears out a controller, shows.

use crate::frame::Exception;
use crate::simulator::State;
use setward_config::line::{Line, Role};
use setward_protocol::{SignalId, Table};

/// Write a single register, and several.
const SINGLE: u8 = 0x06;
const SEVERAL: u8 = 0x10;
/// Most registers that one request writes. Modbus Application Protocol V1.1b3.
const MOST_WORDS: usize = 123;
/// Function code and the four bytes after it: what a reply repeats.
const REPEATED_BYTES: usize = 5;

/// Words to be written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Write {
    first: u16,
    words: Vec<u16>,
    /// The PDU that says it is done.
    pub(crate) done: Vec<u8>,
}

/// What a PDU asks to be written; `None` if it is no request to write.
pub(crate) fn asked(pdu: &[u8]) -> Option<Result<Write, Exception>> {
    let two = |high: &u8, low: &u8| u16::from_be_bytes([*high, *low]);
    let (first, words) = match pdu {
        [SINGLE, high, low, value_high, value_low] => (two(high, low), vec![two(value_high, value_low)]),
        [SEVERAL, high, low, count_high, count_low, bytes, data @ ..] => {
            let count = usize::from(two(count_high, count_low));
            let fits = (1..=MOST_WORDS).contains(&count)
                && usize::from(*bytes) == 2 * count
                && data.len() == 2 * count;
            if !fits {
                return Some(Err(Exception::QUANTITY));
            }
            let words = data.chunks_exact(2).filter_map(|pair| match pair {
                [high, low] => Some(two(high, low)),
                _ => None,
            });
            (two(high, low), words.collect())
        }
        [SINGLE | SEVERAL, ..] => return Some(Err(Exception::QUANTITY)),
        _ => return None,
    };
    let done = pdu.iter().copied().take(REPEATED_BYTES).collect();
    Some(Ok(Write { first, words, done }))
}

impl State {
    /// Writes to the controller at `index` of the line: all of it, or nothing.
    pub(crate) fn write(&mut self, index: usize, write: &Write, line: &Line) -> Result<(), Exception> {
        let mut entered = Vec::new();
        let mut next = write.first;
        let mut words = write.words.as_slice();
        while !words.is_empty() {
            let (id, own, value) = self.setpoint_at(index, next, words, line)?;
            entered.push((id, value));
            words = words.get(usize::from(own)..).ok_or(Exception::ADDRESS)?;
            // After the last register there is none, which matters only to words that are left.
            next = match next.checked_add(own) {
                Some(next) => next,
                None if words.is_empty() => break,
                None => return Err(Exception::ADDRESS),
            };
        }
        for (id, value) in entered {
            self.plant.enter(id, value);
        }
        Ok(())
    }

    /// The setpoint whose register begins at `address`, how many words it has, and what `words` say it is to be.
    fn setpoint_at(
        &self,
        index: usize,
        address: u16,
        words: &[u16],
        line: &Line,
    ) -> Result<(SignalId, u16, f64), Exception> {
        let begins_here = |(id, signal): &(SignalId, &setward_config::line::LineSignal)| {
            let own = signal.register();
            let here = |own: &setward_config::line::Register| {
                let place = (own.controller.index(), own.wire.table, own.wire.address);
                place == (index, Table::Holding, address)
            };
            signal.role == Role::Setpoint && own.is_some_and(here) && self.plant.is_entered(*id)
        };
        let (id, signal) = line.signals_with_ids().find(begins_here).ok_or(Exception::ADDRESS)?;
        let wire = &signal.register().ok_or(Exception::ADDRESS)?.wire;
        let count = wire.place().words;
        // Half a setpoint would be another one.
        let own = words.get(..usize::from(count)).ok_or(Exception::ADDRESS)?;
        let value = wire.decode_words(own).value().ok_or(Exception::QUANTITY)?;
        let (low, high) = wire.range;
        if (low..=high).contains(&value) { Ok((id, count, value)) } else { Err(Exception::QUANTITY) }
    }
}
