//! A filter between the Modbus library and the connection: only the answer to the request that is waiting gets through.
//!
//! The library takes a frame for what it claims to be. Here a frame that can't be right ends the session at once instead
//! of at the time limit: a length or protocol that Modbus TCP does not have, another unit, function or count of bytes than
//! was asked for. An answer to an earlier request, or one nobody asked for, is dropped and the wait goes on, as the
//! Messaging Guide asks (V1.0b, 4.4.1.3). The end of the stream is an error of that name. What it saw is told to the
//! session, since the library's own words for a broken transport mislead.
//!
//! The library numbers its requests from 0 on each connection, so that a frame sent unasked might be taken for the answer
//! to the first one. On the wire they are numbered from elsewhere.

#[cfg(feature = "fuzzing")]
pub(crate) mod fuzzing;

use super::dial::Stream;
use std::io;
use std::pin::Pin;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, OnceLock};
use std::task::{Context, Poll, ready};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};

/// Transaction, protocol and length: the header before the unit id.
const PREFIX: usize = 6;
/// Least and most bytes after the prefix: unit id and function code; unit id and the longest body (V1.1b3: 253 bytes).
const LENGTHS: std::ops::RangeInclusive<usize> = 2..=254;
/// Where the unit id stands in a frame.
const UNIT: usize = 6;
/// Where the function code stands in a frame.
const FUNCTION: usize = 7;
/// Where the data of an answer begins: after the count of its bytes.
const DATA: usize = 9;
/// The bit that makes a function code an exception.
const EXCEPTION: u8 = 0x80;

/// Why a frame could not be right.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// Bytes that are no Modbus TCP header, or no answer whatever was asked.
    NotModbus,
    /// Another number of data bytes than a right answer has.
    Bytes {
        /// In a right answer.
        asked: usize,
        /// In this one.
        found: usize,
    },
    /// Another unit answered.
    Unit {
        /// Asked.
        asked: u8,
        /// Answered.
        found: u8,
    },
    /// An answer to another function.
    Function,
}

/// What a guard has seen on its connection.
#[derive(Debug, Default)]
pub struct Seen {
    fault: OnceLock<Fault>,
    /// Answers to other requests, since the last request.
    strangers: AtomicU32,
}

impl Seen {
    /// What ended the session.
    #[must_use]
    pub fn fault(&self) -> Option<Fault> {
        self.fault.get().copied()
    }

    /// How many answers to other requests came since the last request.
    #[must_use]
    pub fn strangers(&self) -> u32 {
        self.strangers.load(Ordering::Relaxed)
    }

    fn ends_with(&self, fault: Fault) -> io::Error {
        // The first one counts: the session ends with it.
        let _first = self.fault.set(fault);
        io::ErrorKind::InvalidData.into()
    }
}

/// A guarded connection.
#[derive(Debug)]
pub struct Guard {
    inner: Box<dyn Stream>,
    filter: Filter,
}

/// What is waiting and what has come in. Pure. Its buffers keep their memory from one exchange to the next.
#[derive(Debug, Default)]
struct Filter {
    /// What is added to the library's transaction ids.
    first: u16,
    waiting: Option<Waiting>,
    /// Bytes of a request that the connection has not taken yet.
    outgoing: Vec<u8>,
    /// Bytes from the connection, not yet a whole frame.
    received: Vec<u8>,
    /// Bytes of a frame that may pass.
    passing: Vec<u8>,
    seen: Arc<Seen>,
}

/// The request that waits for its answer.
#[derive(Debug, Clone, Copy)]
struct Waiting {
    /// As on the wire.
    transaction: u16,
    unit: u8,
    function: u8,
    /// Bytes of data in a right answer.
    bytes: usize,
}

impl Guard {
    /// Guards a connection. The first request on the wire has the transaction id `first`, the next one more.
    #[must_use]
    pub fn new(inner: Box<dyn Stream>, first: u16) -> Self {
        Self { inner, filter: Filter { first, ..Filter::default() } }
    }

    /// What it sees, for whoever has to explain it.
    #[must_use]
    pub fn seen(&self) -> Arc<Seen> {
        Arc::clone(&self.filter.seen)
    }

    /// Hands the connection what it has not taken yet.
    fn poll_outgoing(&mut self, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let Self { inner, filter: Filter { outgoing, .. } } = self;
        while !outgoing.is_empty() {
            let written = ready!(Pin::new(&mut *inner).poll_write(context, outgoing))?;
            if written == 0 {
                return Poll::Ready(Err(io::ErrorKind::WriteZero.into()));
            }
            outgoing.drain(..written.min(outgoing.len()));
        }
        Poll::Ready(Ok(()))
    }
}

fn two(bytes: &[u8], at: usize) -> Option<u16> {
    let pair = bytes.get(at..at + 2)?;
    Some(u16::from_be_bytes(pair.try_into().ok()?))
}

fn renumber(frame: &mut [u8], transaction: u16) {
    for (place, byte) in frame.iter_mut().zip(transaction.to_be_bytes()) {
        *place = byte;
    }
}

impl Filter {
    /// A request goes out, whole, as the library writes it; what goes on the wire is in `outgoing`.
    fn sent(&mut self, request: &[u8]) {
        self.outgoing.clear();
        self.outgoing.extend_from_slice(request);
        self.waiting = None;
        self.seen.strangers.store(0, Ordering::Relaxed);
        if let (Some(transaction), Some(&unit), Some(&function), Some(count)) =
            (two(request, 0), request.get(UNIT), request.get(FUNCTION), two(request, FUNCTION + 3))
        {
            let bytes = match function {
                1 | 2 => usize::from(count).div_ceil(8),
                _ => usize::from(count) * 2,
            };
            let transaction = transaction.wrapping_add(self.first);
            renumber(&mut self.outgoing, transaction);
            self.waiting = Some(Waiting { transaction, unit, function, bytes });
        }
    }

    /// Bytes have come in. Whole frames are judged; the right one passes.
    fn received(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.received.extend_from_slice(bytes);
        while let Some(length) = two(&self.received, 4) {
            let length = usize::from(length);
            let ours = self.waiting.filter(|waiting| two(&self.received, 0) == Some(waiting.transaction));
            if let Some(fault) = fault_in(&self.received, length, ours) {
                return Err(self.seen.ends_with(fault));
            }
            let Some(frame) = self.received.get_mut(..PREFIX + length) else { return Ok(()) };
            match ours {
                Some(waiting) => {
                    self.waiting = None;
                    renumber(frame, waiting.transaction.wrapping_sub(self.first));
                    self.passing.extend_from_slice(frame);
                }
                None => {
                    self.seen.strangers.fetch_add(1, Ordering::Relaxed);
                }
            }
            self.received.drain(..PREFIX + length);
        }
        Ok(())
    }

    fn take(&mut self, out: &mut ReadBuf<'_>) {
        let count = self.passing.len().min(out.remaining());
        out.put_slice(self.passing.get(..count).unwrap_or_default());
        self.passing.drain(..count);
    }
}

/// What is wrong with the frame at the front of `bytes`, of which `length` bytes follow the prefix, as far as it has
/// come. `ours` is the request it claims to answer.
fn fault_in(bytes: &[u8], length: usize, ours: Option<Waiting>) -> Option<Fault> {
    if two(bytes, 2) != Some(0) || !LENGTHS.contains(&length) {
        return Some(Fault::NotModbus);
    }
    let waiting = ours?;
    let unit = *bytes.get(UNIT)?;
    if unit != waiting.unit {
        return Some(Fault::Unit { asked: waiting.unit, found: unit });
    }
    let function = *bytes.get(FUNCTION)?;
    if function & !EXCEPTION != waiting.function {
        return Some(Fault::Function);
    }
    // Unit id, function code and count come before the data; an exception has a code in the place of the count.
    let data = length.checked_sub(DATA - PREFIX);
    if function & EXCEPTION != 0 {
        return data.is_none().then_some(Fault::NotModbus);
    }
    let asked = waiting.bytes;
    if data != Some(asked) {
        return Some(Fault::Bytes { asked, found: data.unwrap_or_default() });
    }
    let counted = usize::from(*bytes.get(FUNCTION + 1)?);
    (counted != asked).then_some(Fault::Bytes { asked, found: counted })
}

impl AsyncRead for Guard {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        out: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        loop {
            if !self.filter.passing.is_empty() {
                self.filter.take(out);
                return Poll::Ready(Ok(()));
            }
            let mut space = [0; 512];
            let mut incoming = ReadBuf::new(&mut space);
            ready!(Pin::new(&mut self.inner).poll_read(context, &mut incoming))?;
            if incoming.filled().is_empty() {
                return Poll::Ready(Err(io::ErrorKind::UnexpectedEof.into()));
            }
            self.filter.received(incoming.filled())?;
        }
    }
}

impl AsyncWrite for Guard {
    /// The library writes each request whole, and the next one only after this one was flushed.
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        ready!(self.poll_outgoing(context))?;
        self.filter.sent(bytes);
        Poll::Ready(Ok(bytes.len()))
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        ready!(self.poll_outgoing(context))?;
        Pin::new(&mut self.inner).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_shutdown(context)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Read three registers from 107 on, and its answer: the standard's example for function 03, with a header.
    const REQUEST: &[u8] = &[0, 7, 0, 0, 0, 6, 1, 3, 0, 0x6B, 0, 3];
    const ANSWER: &[u8] = &[0, 7, 0, 0, 0, 9, 1, 3, 6, 2, 0x2B, 0, 0, 0, 0x64];

    fn asked() -> Filter {
        let mut filter = Filter::default();
        filter.sent(REQUEST);
        filter
    }

    #[test]
    fn a_right_answer_passes_in_whatever_pieces_it_comes() {
        for size in 1..ANSWER.len() {
            let mut filter = asked();
            for piece in ANSWER.chunks(size) {
                filter.received(piece).unwrap();
            }
            assert_eq!(filter.passing, ANSWER, "in pieces of {size}");
        }
    }

    #[test]
    fn what_nobody_asked_for_is_dropped_and_counted() {
        let mut filter = Filter::default();
        filter.received(ANSWER).unwrap();
        assert!(filter.passing.is_empty(), "nothing was asked yet");
        filter.sent(REQUEST);
        let mut late = ANSWER.to_vec();
        late[1] = 6;
        filter.received(&late).unwrap();
        assert_eq!((filter.passing.len(), filter.seen.strangers()), (0, 1));
        filter.received(ANSWER).unwrap();
        filter.received(ANSWER).unwrap();
        assert_eq!((filter.passing.as_slice(), filter.seen.strangers()), (ANSWER, 2), "one answer a request");
    }

    #[test]
    fn bytes_that_are_not_modbus_end_the_session_at_once() {
        for bytes in ["HTTP/1.1 400 Bad Request".as_bytes(), &[0, 7, 0, 0, 0xFF, 0xFF], &[0, 7, 0, 0, 0, 1]] {
            let mut filter = asked();
            assert!(filter.received(bytes).is_err(), "{bytes:?}");
            assert_eq!(filter.seen.fault(), Some(Fault::NotModbus));
        }
    }

    #[test]
    fn another_number_of_bytes_than_asked_for_ends_the_session() {
        let mut long = ANSWER.to_vec();
        (long[5], long[8]) = (11, 8);
        long.extend([0, 1]);
        let mut lying = ANSWER.to_vec();
        lying[8] = 4;
        let mut cut = ANSWER[..13].to_vec();
        cut[5] = 7;
        for (frame, found) in [(long, 8), (lying, 4), (cut, 4)] {
            let mut filter = asked();
            assert!(filter.received(&frame).is_err(), "{frame:?}");
            assert_eq!(filter.seen.fault(), Some(Fault::Bytes { asked: 6, found }));
        }
    }

    /// The library would cut 24 bits to the 16 asked for without a word.
    #[test]
    fn more_bits_than_asked_for_are_not_cut_in_silence() {
        let mut filter = Filter::default();
        filter.sent(&[0, 1, 0, 0, 0, 6, 1, 1, 0, 0, 0, 16]);
        assert!(filter.received(&[0, 1, 0, 0, 0, 6, 1, 1, 3, 1, 2, 3]).is_err());
        assert_eq!(filter.seen.fault(), Some(Fault::Bytes { asked: 2, found: 3 }));
    }

    #[test]
    fn another_unit_and_another_function_are_told_apart() {
        let mut unit = ANSWER.to_vec();
        unit[6] = 9;
        let mut function = ANSWER.to_vec();
        function[7] = 4;
        let of_another_function = [0, 7, 0, 0, 0, 3, 1, 0x84, 2];
        for (frame, fault) in [
            (unit.as_slice(), Fault::Unit { asked: 1, found: 9 }),
            (&function, Fault::Function),
            (&of_another_function, Fault::Function),
        ] {
            let mut filter = asked();
            assert!(filter.received(frame).is_err(), "{frame:?}");
            assert_eq!(filter.seen.fault(), Some(fault));
        }
    }

    #[test]
    fn a_wrong_length_is_told_from_the_header_alone() {
        let mut filter = asked();
        assert!(filter.received(&[0, 7, 0, 0, 0, 250, 1, 3]).is_err());
        assert_eq!(filter.seen.fault(), Some(Fault::Bytes { asked: 6, found: 247 }));
    }

    /// The library counts from 0; a frame sent unasked may do so too.
    #[test]
    fn requests_are_numbered_from_elsewhere_and_answers_back_again() {
        let mut filter = Filter { first: 0xFFFE, ..Filter::default() };
        filter.sent(REQUEST);
        let outgoing = &filter.outgoing;
        assert_eq!((&outgoing[..2], &outgoing[2..]), (&[0, 5][..], &REQUEST[2..]), "7 - 2 past the end");
        filter.received(ANSWER).unwrap();
        assert_eq!((filter.passing.len(), filter.seen.strangers()), (0, 1), "numbered as by the library");
        let mut answer = ANSWER.to_vec();
        answer[1] = 5;
        filter.received(&answer).unwrap();
        assert_eq!(filter.passing, ANSWER);
    }

    #[test]
    fn an_exception_without_its_code_is_no_answer() {
        let mut filter = asked();
        assert!(filter.received(&[0, 7, 0, 0, 0, 2, 1, 0x83]).is_err());
        assert_eq!(filter.seen.fault(), Some(Fault::NotModbus));
    }

    proptest! {
        #[test]
        fn whatever_comes_only_right_answers_pass(pieces in proptest::collection::vec(proptest::collection::vec(0_u8..10, 0..20), 0..20)) {
            let mut filter = asked();
            for piece in pieces {
                if filter.received(&piece).is_err() {
                    break;
                }
            }
            let right = filter.passing.starts_with(&ANSWER[..9]) && filter.passing.len() == ANSWER.len();
            let refused = filter.passing.starts_with(&[0, 7, 0, 0]) && filter.passing.get(7) == Some(&0x83);
            prop_assert!(filter.passing.is_empty() || right || refused, "{:?}", filter.passing);
        }
    }

    #[test]
    fn an_exception_passes() {
        let mut filter = asked();
        filter.received(&[0, 7, 0, 0, 0, 3, 1, 0x83, 2]).unwrap();
        assert_eq!(filter.passing.len(), 9);
    }
}
