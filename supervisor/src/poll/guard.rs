//! A filter between the Modbus library and the connection: only the answer to the request that is waiting gets through.
//!
//! The library takes a frame for what it claims to be. Here a frame that can't be right ends the session at once instead
//! of at the time limit: a length or protocol that Modbus TCP does not have, a count of bytes that does not fit what was
//! asked. An answer to an earlier request, or one nobody asked for, is dropped and the wait goes on, as the Messaging
//! Guide asks (V1.0b, 4.4.1.3). The end of the stream is an error of that name. What it saw is told to the session, since
//! the library's own words for a broken transport mislead.

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
/// Where the function code stands in a frame.
const FUNCTION: usize = 7;

/// Why a frame could not be right.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// Bytes that are no Modbus TCP header.
    NotModbus,
    /// Another number of data bytes than a right answer has.
    Bytes {
        /// In a right answer.
        asked: usize,
        /// In this one.
        found: usize,
    },
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
    /// Bytes of a request that the connection has not taken yet.
    unsent: usize,
}

/// What is waiting and what has come in. Pure.
#[derive(Debug, Default)]
struct Filter {
    /// The request that waits for its answer: transaction id, function code, bytes of data in a right answer.
    waiting: Option<(u16, u8, usize)>,
    /// Bytes from the connection, not yet a whole frame.
    received: Vec<u8>,
    /// Bytes of a frame that may pass.
    passing: Vec<u8>,
    seen: Arc<Seen>,
}

impl Guard {
    /// Guards a connection.
    #[must_use]
    pub fn new(inner: Box<dyn Stream>) -> Self {
        Self { inner, filter: Filter::default(), unsent: 0 }
    }

    /// What it sees, for whoever has to explain it.
    #[must_use]
    pub fn seen(&self) -> Arc<Seen> {
        Arc::clone(&self.filter.seen)
    }
}

fn two(bytes: &[u8], at: usize) -> Option<u16> {
    let pair = bytes.get(at..at + 2)?;
    Some(u16::from_be_bytes(pair.try_into().ok()?))
}

impl Filter {
    /// A request goes out. The library writes each whole.
    fn sent(&mut self, request: &[u8]) {
        let (Some(transaction), Some(&function), Some(count)) =
            (two(request, 0), request.get(FUNCTION), two(request, FUNCTION + 3))
        else {
            return;
        };
        let bytes = match function {
            1 | 2 => usize::from(count).div_ceil(8),
            _ => usize::from(count) * 2,
        };
        self.waiting = Some((transaction, function, bytes));
        self.seen.strangers.store(0, Ordering::Relaxed);
    }

    /// Bytes have come in. Whole frames are judged; the first right one passes.
    fn received(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.received.extend_from_slice(bytes);
        while let Some(length) = two(&self.received, 4) {
            let length = usize::from(length);
            if two(&self.received, 2) != Some(0) || !LENGTHS.contains(&length) {
                return Err(self.seen.ends_with(Fault::NotModbus));
            }
            if self.received.len() < PREFIX + length {
                return Ok(());
            }
            let rest = self.received.split_off(PREFIX + length);
            let frame = std::mem::replace(&mut self.received, rest);
            self.judge(frame)?;
        }
        Ok(())
    }

    fn judge(&mut self, frame: Vec<u8>) -> io::Result<()> {
        let ours = self.waiting.filter(|(transaction, ..)| two(&frame, 0) == Some(*transaction));
        let Some((_, function, asked)) = ours else {
            self.seen.strangers.fetch_add(1, Ordering::Relaxed);
            return Ok(());
        };
        let found = frame.get(FUNCTION).copied();
        let counted = frame.get(FUNCTION + 1).map(|count| usize::from(*count));
        let is_answer = found == Some(function);
        let data = frame.len().saturating_sub(FUNCTION + 2);
        if is_answer && (counted != Some(asked) || data != asked) {
            let found = counted.filter(|counted| *counted != asked).unwrap_or(data);
            return Err(self.seen.ends_with(Fault::Bytes { asked, found }));
        }
        self.waiting = None;
        self.passing.extend(frame);
        Ok(())
    }

    fn take(&mut self, out: &mut ReadBuf<'_>) {
        let count = self.passing.len().min(out.remaining());
        out.put_slice(self.passing.get(..count).unwrap_or_default());
        self.passing.drain(..count);
    }
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
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        if self.unsent == 0 {
            self.filter.sent(bytes);
        }
        let written = ready!(Pin::new(&mut self.inner).poll_write(context, bytes))?;
        self.unsent = bytes.len().saturating_sub(written);
        Poll::Ready(Ok(written))
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_shutdown(context)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
    fn an_exception_passes() {
        let mut filter = asked();
        filter.received(&[0, 7, 0, 0, 0, 3, 1, 0x83, 2]).unwrap();
        assert_eq!(filter.passing.len(), 9);
    }
}
