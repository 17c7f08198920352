//! Bad replies at random: what a tired network and a busy controller do to one answer in twenty or so.
//!
//! Every bad reply is one that a reader can tell from a good one: a wrong number in a well-formed answer to the right
//! question could be told by nobody, and is the business of the faults. Which reply is bad follows from a seed.

use crate::frame::{Exception, Frame, answer_begins_at, reply_frame};
use rand_core::{Rng, SeedableRng};
use rand_pcg::Pcg64Mcg;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// What is wrong with a reply.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum BadReply {
    /// The controller refuses with some exception.
    Exception,
    /// Nothing comes.
    Silence,
    /// The right answer, 50 to 450 ms late: within the usual time limit.
    Late,
    /// The right answer, 0.6 to 2 s late: after the usual time limit.
    TooLate,
    /// Bytes that are no Modbus frame.
    Garbage,
    /// An answer to another transaction.
    OtherTransaction,
    /// An answer of another unit.
    OtherUnit,
    /// An answer to another function.
    OtherFunction,
    /// One register too few.
    Short,
    /// The first part of the answer, then the connection closes.
    CutOff,
    /// The connection closes.
    Close,
}

impl BadReply {
    /// Every sort, with how many of a hundred bad replies are of it.
    pub const SHARES: [(Self, u32); 11] = [
        (Self::Exception, 25),
        (Self::Silence, 15),
        (Self::Late, 20),
        (Self::TooLate, 5),
        (Self::Garbage, 5),
        (Self::OtherTransaction, 6),
        (Self::OtherUnit, 4),
        (Self::OtherFunction, 4),
        (Self::Short, 4),
        (Self::CutOff, 4),
        (Self::Close, 8),
    ];
}

/// The exception codes drawn from: failure and busy often; what says that the question was wrong, that a gateway heard
/// nothing, or what the standard doesn't know, now and then.
const EXCEPTIONS: [u8; 20] = [4, 4, 4, 4, 4, 4, 4, 6, 6, 6, 6, 6, 6, 5, 5, 2, 1, 3, 0x0B, 0x5A];

/// What is sent for a reply, and what becomes of the connection.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Sent {
    pub(crate) bytes: Vec<u8>,
    pub(crate) after: Duration,
    pub(crate) closes: bool,
}

/// Draws which replies are bad. Clones share the draw and the counts.
#[derive(Debug, Clone)]
pub struct Disturbance {
    state: Arc<Mutex<State>>,
}

#[derive(Debug)]
struct State {
    generator: Pcg64Mcg,
    /// Of 2^32 replies so many are bad.
    bad_of_all: u64,
    good: u64,
    bad: [u64; BadReply::SHARES.len()],
}

impl Disturbance {
    /// A share (0 to 1) of all replies is bad; which ones follows from `seed`.
    #[must_use]
    pub fn new(seed: u64, share: f64) -> Self {
        let generator = Pcg64Mcg::seed_from_u64(seed);
        let bad_of_all = (share.clamp(0.0, 1.0) * 2f64.powi(32)) as u64;
        let state = State { generator, bad_of_all, good: 0, bad: [0; BadReply::SHARES.len()] };
        Self { state: Arc::new(Mutex::new(state)) }
    }

    /// Replies sent as they should be, and bad ones by sort.
    #[must_use]
    pub fn counts(&self) -> (u64, Vec<(BadReply, u64)>) {
        self.with(|state| {
            let bad = BadReply::SHARES.iter().zip(state.bad).map(|((sort, _), count)| (*sort, count));
            (state.good, bad.collect())
        })
    }

    fn with<T>(&self, work: impl FnOnce(&mut State) -> T) -> T {
        work(&mut self.state.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// What to send for the right `reply` to `request`.
    pub(crate) fn disturb(&self, request: &Frame<'_>, reply: Vec<u8>) -> Sent {
        self.with(|state| match state.draw() {
            None => Sent { bytes: reply, after: Duration::ZERO, closes: false },
            Some(bad) => state.spoil(bad, request, reply),
        })
    }
}

impl State {
    fn draw(&mut self) -> Option<BadReply> {
        if u64::from(self.generator.next_u32()) >= self.bad_of_all {
            self.good += 1;
            return None;
        }
        let mut ticket = self.below(100);
        for ((sort, share), count) in BadReply::SHARES.iter().zip(&mut self.bad) {
            if ticket < *share {
                *count += 1;
                return Some(*sort);
            }
            ticket -= share;
        }
        None
    }

    /// An even draw from 0 to `end` (excluded; above 0).
    fn below(&mut self, end: u32) -> u32 {
        self.generator.next_u32() % end.max(1)
    }

    fn spoil(&mut self, bad: BadReply, request: &Frame<'_>, mut reply: Vec<u8>) -> Sent {
        let mut after = Duration::ZERO;
        let mut flip = |place: usize| {
            if let Some(byte) = reply.get_mut(place) {
                *byte ^= 0x41;
            }
        };
        let unit_at = answer_begins_at() - 1;
        match bad {
            BadReply::Exception => {
                let code = EXCEPTIONS.get(self.below(EXCEPTIONS.len() as u32) as usize).copied().unwrap_or(4);
                let function = request.pdu.first().copied().unwrap_or_default();
                reply = reply_frame(request, &Exception(code).pdu(function));
            }
            BadReply::Silence => reply.clear(),
            BadReply::Late => after = Duration::from_millis(50 + u64::from(self.below(400))),
            BadReply::TooLate => after = Duration::from_millis(600 + u64::from(self.below(1400))),
            BadReply::Garbage => {
                // Never protocol 0, or its length might be waited for; never too short to be seen through.
                let count = 8 + self.below(40);
                reply = (0..count).map(|_| self.below(256) as u8).collect();
                if let Some(protocol) = reply.get_mut(2) {
                    *protocol |= 0x80;
                }
            }
            BadReply::OtherTransaction => flip(1),
            BadReply::OtherUnit => flip(unit_at),
            BadReply::OtherFunction => flip(answer_begins_at()),
            BadReply::Short => reply = shortened(request, &reply),
            BadReply::CutOff => reply.truncate(1 + self.below(answer_begins_at() as u32) as usize),
            BadReply::Close => reply.clear(),
        }
        let closes = matches!(bad, BadReply::CutOff | BadReply::Close);
        Sent { bytes: reply, after, closes }
    }
}

/// The same answer with one register, or one byte of bits, too few; the header fits what is sent.
fn shortened(request: &Frame<'_>, reply: &[u8]) -> Vec<u8> {
    let mut pdu = reply.get(answer_begins_at()..).unwrap_or_default().to_vec();
    let is_bits = pdu.first().is_some_and(|function| *function <= 2);
    let fewer = if is_bits { 1 } else { 2 };
    if let Some(count) = pdu.get_mut(1).filter(|count| **count >= fewer) {
        *count -= fewer;
        pdu.truncate(pdu.len() - usize::from(fewer));
    }
    reply_frame(request, &pdu)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Received, receive};

    /// Transaction 7, unit 1, function 3: three registers from 100 on.
    const REQUEST: [u8; 12] = [0, 7, 0, 0, 0, 6, 1, 3, 0, 100, 0, 3];

    fn request() -> Frame<'static> {
        let Received::Whole(frame) = receive(&REQUEST) else { panic!("no whole frame") };
        frame
    }

    fn right() -> Vec<u8> {
        reply_frame(&request(), &[3, 6, 0, 1, 0, 2, 0, 3])
    }

    #[test]
    fn the_share_of_bad_replies_is_as_asked_and_every_sort_comes() {
        let disturbance = Disturbance::new(1, 0.045);
        let spoiled = (0..100_000).filter(|_| {
            let sent = disturbance.disturb(&request(), right());
            (sent.bytes != right()) || !sent.after.is_zero() || sent.closes
        });
        let spoiled = spoiled.count();
        assert!((4_300..4_700).contains(&spoiled), "{spoiled}");
        let (good, bad) = disturbance.counts();
        assert_eq!(good as usize + spoiled, 100_000);
        assert!(bad.iter().all(|(_, count)| *count > 100), "{bad:?}");
    }

    #[test]
    fn the_same_seed_spoils_the_same_replies_and_another_others() {
        let run = |seed: u64| {
            let disturbance = Disturbance::new(seed, 0.5);
            (0..200).map(|_| disturbance.disturb(&request(), right())).collect::<Vec<_>>()
        };
        assert_eq!(run(5), run(5));
        assert_ne!(run(5), run(6));
    }

    #[test]
    fn no_bad_reply_is_a_right_one_with_other_numbers() {
        let disturbance = Disturbance::new(2, 1.0);
        for _ in 0..20_000 {
            let sent = disturbance.disturb(&request(), right());
            let Received::Whole(frame) = receive(&sent.bytes) else { continue };
            let answers = frame.transaction == 7 && frame.unit == 1 && frame.pdu.get(..2) == Some(&[3, 6]);
            assert!(!answers || sent.bytes == right(), "{:02x?}", sent.bytes);
        }
    }

    #[test]
    fn none_is_bad_at_a_share_of_none() {
        let disturbance = Disturbance::new(3, 0.0);
        assert!((0..1000).all(|_| disturbance.disturb(&request(), right()).bytes == right()));
    }
}
