//! Events that wait to be drained: a few in the engine itself, the rest in what the caller lends.
//!
//! One lost controller may silence every alarm of a line at once. Whoever lends [`events_needed`] places loses no event of any
//! one input; what finds no room all the same is counted.

use crate::event::AlarmEvent;
use heapless::Deque;

/// Events that the engine holds by itself. One input makes a few.
pub const EVENTS_MAX: usize = 256;
/// The most events one alarm makes from one input: it clears and raises twice, and goes silent and speaks between.
const PER_ALARM_MAX: usize = 8;

/// How many places to lend for so many alarms.
#[must_use]
pub const fn events_needed(alarms: usize) -> usize {
    alarms.saturating_mul(PER_ALARM_MAX)
}

/// First in, first out.
#[derive(Debug)]
pub(crate) struct EventQueue<'a> {
    own: Deque<AlarmEvent, EVENTS_MAX>,
    /// A ring: from `first` on, `count` of them.
    lent: &'a mut [Option<AlarmEvent>],
    first: usize,
    count: usize,
    lost: u64,
}

impl<'a> EventQueue<'a> {
    pub(crate) fn new() -> Self {
        Self { own: Deque::new(), lent: &mut [], first: 0, count: 0, lost: 0 }
    }

    /// Only before the first event.
    pub(crate) fn lend(&mut self, lent: &'a mut [Option<AlarmEvent>]) {
        self.lent = lent;
    }

    pub(crate) fn push(&mut self, event: AlarmEvent) {
        // What is lent is newer than what the engine holds: while it is not empty, nothing goes past it.
        if self.count == 0 && self.own.push_back(event).is_ok() {
            return;
        }
        let place = (self.first + self.count).checked_rem(self.lent.len());
        let free = self.count < self.lent.len();
        match place.filter(|_| free).and_then(|place| self.lent.get_mut(place)) {
            Some(place) => {
                *place = Some(event);
                self.count += 1;
            }
            None => self.lost += 1,
        }
    }

    pub(crate) fn pop(&mut self) -> Option<AlarmEvent> {
        if let Some(event) = self.own.pop_front() {
            return Some(event);
        }
        let event = self.lent.get_mut(self.first)?.take()?;
        self.first = (self.first + 1) % self.lent.len();
        self.count -= 1;
        Some(event)
    }

    /// Whether the engine's own places are nearly full.
    pub(crate) fn is_nearly_full(&self, room: usize) -> bool {
        self.count > 0 || self.own.len() + room > EVENTS_MAX
    }

    /// Events that found no room.
    pub(crate) const fn lost(&self) -> u64 {
        self.lost
    }
}
