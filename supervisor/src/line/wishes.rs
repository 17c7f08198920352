//! What people ask of alarms: each wish is held against what the person saw, passed to the engine, and told.

use super::LineTask;
use super::alarms::Person;
use crate::handle::{Granted, Refusal, Request, Wish, WishRequest};
use setward_alarm::{Acknowledgement, AlarmId, AlarmState, Status, WishError};
use setward_protocol::Uptime;
use std::time::Duration;

/// Longest shelf of an alarm whose settings give none: without an end it would be taken out of service by another name.
pub const SHELVE_MOST: Duration = Duration::from_secs(24 * 3600);
/// A shelf asked for again within this of the end it has is the same wish, sent twice.
const SAME_SHELF: Duration = Duration::from_secs(5);

impl LineTask<'_> {
    /// Answers at once what is refused; what is granted once the store has it.
    pub(super) fn handle_request(&mut self, Request { wish, answer }: Request) {
        match self.grant(&wish) {
            Ok(granted) => self.pending.confirm.push((answer, granted)),
            Err(refusal) => {
                // The person may have gone.
                let _gone = answer.send(Err(refusal));
            }
        }
    }

    fn grant(&mut self, wish: &WishRequest) -> Result<Granted, Refusal> {
        let now = self.clock.uptime();
        self.core.handle_timeout(now, &mut self.said);
        self.tell(None);
        let before = self.core.alarms().status(wish.alarm, now).ok_or(Refusal::NeverRaised)?;
        let stale = Refusal::Stale { run: self.run, occurrence: before.occurrence };
        let is_present = (wish.run, wish.occurrence) == (self.run, before.occurrence);
        if wish.wish.is_about_an_occurrence() && before.occurrence == 0 {
            return Err(Refusal::NeverRaised);
        }
        if wish.wish.must_be_present() && !is_present {
            return Err(stale);
        }
        let already = self.carry_out(now, wish, &before).map_err(|error| refusal(error, stale))?;
        self.tell(Some(Person { by: &wish.by, why: wish.why.as_deref() }));
        Ok(self.granted(wish.alarm, now, already))
    }

    /// Passes the wish to the engine; says whether it changed nothing because it was so before.
    fn carry_out(&mut self, now: Uptime, request: &WishRequest, before: &Status) -> Result<bool, WishError> {
        let (alarm, occurrence) = (request.alarm, before.occurrence);
        let most = self.line.alarm(alarm).settings.shelve_most.unwrap_or(SHELVE_MOST);
        let engine = self.core.monitor();
        match request.wish {
            Wish::Acknowledge => {
                let done = engine.handle_acknowledge(now, alarm, occurrence)?;
                Ok(done == Acknowledgement::Already)
            }
            Wish::Reset if before.state == AlarmState::Normal => Ok(true),
            Wish::Reset => engine.handle_reset(now, alarm, occurrence).map(|()| false),
            Wish::Shelve { span, .. } if span > most => Err(WishError::TooLong { most }),
            Wish::Shelve { span, once } => {
                let until = now + span;
                let is_same = |end: Uptime| until.since(end).max(end.since(until)) < SAME_SHELF;
                if before.flags.shelved_once == once && before.flags.shelved_until.is_some_and(is_same) {
                    return Ok(true);
                }
                if once {
                    engine.handle_shelve_once(now, alarm, until)?;
                } else {
                    engine.handle_shelve(now, alarm, until)?;
                }
                Ok(false)
            }
            Wish::Unshelve => {
                engine.handle_unshelve(now, alarm)?;
                Ok(before.flags.shelved_until.is_none())
            }
            Wish::TakeOutOfService => {
                engine.handle_service(now, alarm, false)?;
                Ok(before.flags.out_of_service)
            }
            Wish::ReturnToService => {
                engine.handle_service(now, alarm, true)?;
                Ok(!before.flags.out_of_service)
            }
        }
    }

    fn granted(&self, alarm: AlarmId, now: Uptime, already: bool) -> Granted {
        let status = self.core.alarms().status(alarm, now);
        let flags = status.map(|status| status.flags).unwrap_or_default();
        let wall = self.anchor();
        Granted {
            state: status.map(|status| status.state).unwrap_or_default(),
            shelved_until: flags.shelved_until.map(|until| wall.utc(until)),
            out_of_service: flags.out_of_service,
            durable: false,
            already,
        }
    }
}

const fn refusal(error: WishError, stale: Refusal) -> Refusal {
    match error {
        WishError::Stale { .. } => stale,
        WishError::NeverRaised | WishError::NoSuchAlarm => Refusal::NeverRaised,
        WishError::Refused(_) => Refusal::NotResettable,
        WishError::TooLong { most } => Refusal::TooLong { most },
    }
}
