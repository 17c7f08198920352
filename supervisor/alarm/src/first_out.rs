//! First-out: which alarm of one trouble began first, with an honest order.
//!
//! The order is that of the onsets, not of the raises: a dose raises long after its trouble began. What is polled once
//! a second can't be ordered within a second, so two onsets closer than the slower poll have no order.

use crate::settings::{AlarmId, CauseGroup};
use crate::slot::Slot;
use core::time::Duration;
use setward_protocol::Uptime;

/// What an alarm was in its group's present trouble, or, once that is over, in the last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FirstOut {
    /// It began first.
    First,
    /// It began within one poll of the first: their order is not known.
    SamePoll,
}

/// The condition of `alarm` has begun at `onset`: finds out what that makes it, and what it makes of the others.
pub(crate) fn note(slots: &mut [Slot], alarm: AlarmId, group: CauseGroup, onset: Uptime) {
    let others = || slots.iter().enumerate().filter(|(index, _)| *index != alarm.index());
    let in_group = |slot: &Slot| slot.settings.group == Some(group);
    let is_new_trouble = !others().any(|(_, slot)| in_group(slot) && slot.detector.is_active());
    let firsts = others().filter(|(_, slot)| in_group(slot) && slot.first_out.is_some());
    let first = firsts.filter_map(|(_, slot)| Some((slot.onset?, slot.settings.poll_every))).min();
    let own_poll = slots.get(alarm.index()).map_or(Duration::ZERO, |slot| slot.settings.poll_every);
    let place = match first.filter(|_| !is_new_trouble) {
        None if is_new_trouble => Some(FirstOut::First),
        None => None,
        Some((first, poll)) => {
            let apart = onset.since(first).max(first.since(onset));
            let same = apart < own_poll.max(poll);
            let alone = (onset < first).then_some(FirstOut::First);
            if same { Some(FirstOut::SamePoll) } else { alone }
        }
    };
    for (index, slot) in slots.iter_mut().enumerate().filter(|(_, slot)| slot.settings.group == Some(group)) {
        if index == alarm.index() {
            slot.first_out = place;
        } else {
            match place {
                Some(FirstOut::First) => slot.first_out = None,
                Some(FirstOut::SamePoll) if slot.first_out.is_some() => slot.first_out = place,
                Some(FirstOut::SamePoll) | None => {}
            }
        }
    }
}
