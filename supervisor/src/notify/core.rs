//! Who is told what, and when. No clock, no network, no files: it is told the time and what happened, and says what to send.
//!
//! A call stays owed to a channel until it is said; what else follows (who comes on duty, who is next to be asked, what is said
//! anew) is worked out from how things stand, so that neither a restart nor a missed moment loses it.

use super::draft::{Channel, Draft, Now, Said, Standing};
use super::message::{Message, Subject};
use super::pace::{OLD_MS, Pace};
use super::state::{Call, Cleared, Fixed, Lane, Mark, Notice, Part, State, Taken, Told, shift};
use crate::history::StoredEvent;
use crate::line::alarms::SILENT;
use setward_config::line::{ChannelRules, Priority};
use setward_protocol::UtcMillis;
use std::collections::BTreeMap;

/// A message that all works is worth sending for so long, minutes.
const ALIVE_MINUTES: u16 = 60;
/// Calls that may wait in all; beyond it the oldest that stand no more are let go and counted.
const CALLS_MAX: usize = 5_000;
/// Troubles that a channel may be owed; the oldest go.
const NOTICES_MAX: usize = 20;

/// All of it.
#[derive(Debug)]
pub(super) struct Core {
    channels: Vec<Channel>,
    priorities: BTreeMap<String, Priority>,
    state: State,
    pace: Vec<Pace>,
    run: i64,
    /// Calls let go because too many waited.
    pub(super) let_go: u64,
}

impl Core {
    /// Takes up what was kept, with what its moments are shifted by to be on this run's clock, ms; without it everything before
    /// this run is none of ours.
    pub(super) fn new(
        (channels, priorities): (Vec<Channel>, BTreeMap<String, Priority>),
        kept: Option<(State, i64)>,
        run: i64,
    ) -> Self {
        let mut state = kept.map_or_else(
            || State::from((run, 0)),
            |(mut state, shift_ms)| {
                shift(&mut state, shift_ms);
                state
            },
        );
        if state.cursor.0 > run {
            // The history was begun anew or put back: its runs count from an earlier one again.
            state = state.of_another_history(run);
        }
        state.calls.retain(|call| priorities.contains_key(&call.alarm));
        state.heard.retain(|alarm, _| priorities.contains_key(alarm));
        state.unstored.retain(|alarm, _| priorities.contains_key(alarm));
        state.lanes.retain(|name, _| channels.iter().any(|channel| channel.name == *name));
        for channel in &channels {
            state.lanes.entry(channel.name.clone()).or_default();
        }
        for call in &mut state.calls {
            call.told.retain(|name, _| channels.iter().any(|channel| channel.name == *name));
        }
        let pace = vec![Pace::default(); channels.len()];
        Self { channels, priorities, state, pace, run, let_go: 0 }
    }

    pub(super) const fn state(&self) -> &State {
        &self.state
    }

    /// Run and sequence of the last event that was heard.
    pub(super) const fn cursor(&self) -> (i64, u64) {
        self.state.cursor
    }

    /// Whether what was kept belongs to this history; `found` is its event at the cursor or, without one there, an earlier one. A
    /// state that knows of no event says nothing of an earlier run.
    pub(super) fn belongs(&mut self, found: Option<&StoredEvent>) -> bool {
        let cursor = self.state.cursor;
        if cursor.1 == 0 {
            return cursor.0 == self.run;
        }
        let Some(found) = found.filter(|found| (found.run.0, found.event.sequence) == cursor) else {
            return false;
        };
        let mark = Mark::of(&found.event);
        *self.state.last.get_or_insert_with(|| mark.clone()) == mark
    }

    /// Forgets what was heard of another history. This run is heard from its first event; what stands from before it is told by
    /// [`Self::stand`].
    pub(super) fn forget(&mut self) {
        let state = std::mem::replace(&mut self.state, State::from((self.run, 0)));
        self.state = state.of_another_history(self.run);
    }

    /// Hears an event that is on disk; `minute` is the local minute of it. Events come in order; one that was heard before
    /// changes nothing.
    pub(super) fn hear(&mut self, stored: &StoredEvent, minute: u16, now: Now) {
        let (event, run) = (&stored.event, stored.run.0);
        if (run, event.sequence) <= self.state.cursor {
            return;
        }
        self.state.cursor = (run, event.sequence);
        self.state.last = Some(Mark::of(event));
        let Some(alarm) = event.alarm.as_deref().filter(|alarm| self.priorities.contains_key(*alarm)) else {
            return;
        };
        let alarm = alarm.to_owned();
        match event.what.as_str() {
            "raised" | "re-alarmed" if event.note.as_deref() != Some(SILENT) => {
                let is_unstored = self.state.unstored.get(&alarm) == Some(&event.occurrence);
                if is_unstored && event.what == "raised" {
                    self.state.unstored.remove(&alarm);
                    // A later run counts on from what is on disk: another occurrence may have the same number.
                    let mut calls = self.calls_of(&alarm);
                    if calls.any(|call| call.occurrence == event.occurrence && call.run() >= run) {
                        return;
                    }
                }
                let since_ms = if run == self.run {
                    i64::try_from(event.at.as_nanos() / 1_000_000).unwrap_or(now.ms).min(now.ms)
                } else {
                    now.ms - now.utc.0.saturating_sub(event.utc.0).max(0)
                };
                let id = format!("{run}-{}", event.sequence);
                self.call(id, (alarm, event.occurrence), (event.utc, since_ms), minute);
            }
            "acknowledged" | "reset" | "shelved" | "out of service" => {
                let taken = Taken { how: event.what.clone(), by: event.by.clone() };
                for call in self.calls_of(&alarm).filter(|call| call.taken.is_none()) {
                    call.taken = Some(taken.clone());
                }
            }
            "cleared" => {
                let cleared = Cleared { run, sequence: event.sequence, utc: event.utc.0 };
                for call in self.calls_of(&alarm).filter(|call| call.cleared.is_none() && !call.superseded) {
                    call.cleared = Some(cleared);
                }
            }
            "silenced" => self.calls_of(&alarm).for_each(|call| call.muted = true),
            _ => {}
        }
        self.prune();
    }

    /// Hears from the line task itself which alarms stand and call. Those of which no event has come are called all the same:
    /// a disk that is full must not keep an alarm from anybody.
    pub(super) fn stand(&mut self, standing: &[Standing], now: Now) {
        for one in standing {
            for call in self.calls_of(&one.alarm) {
                call.muted &= call.occurrence != one.occurrence;
            }
            let is_known = self.state.heard.get(&one.alarm) == Some(&one.occurrence);
            if is_known || !self.priorities.contains_key(&one.alarm) {
                continue;
            }
            self.state.unstored.insert(one.alarm.clone(), one.occurrence);
            let id = format!("{}-{}.{}", self.run, one.alarm, one.occurrence);
            let since_ms = now.ms - now.utc.0.saturating_sub(one.raised.0).max(0);
            self.call(id, (one.alarm.clone(), one.occurrence), (one.raised, since_ms), now.minute);
        }
    }

    fn call(
        &mut self,
        id: String,
        (alarm, occurrence): (String, u32),
        (raised, since_ms): (UtcMillis, i64),
        minute: u16,
    ) {
        self.calls_of(&alarm).for_each(|call| call.superseded = true);
        // The event of an earlier one that has not come by now is lost.
        self.state.unstored.retain(|known, unstored| *known != alarm || *unstored == occurrence);
        let priority = self.priority(&alarm);
        let owed = self.channels.iter().filter(|channel| {
            let rules = &channel.rules;
            rules.after.is_zero() && rules.priorities.contains(&priority) && rules.is_on_duty(minute)
        });
        let told = owed.map(|channel| (channel.name.clone(), Told::OWED)).collect();
        self.state.heard.insert(alarm.clone(), occurrence);
        self.state.calls.push(Call {
            id,
            alarm,
            occurrence,
            raised: raised.0,
            since_ms,
            taken: None,
            cleared: None,
            muted: false,
            superseded: false,
            told,
        });
    }

    fn calls_of<'a>(&'a mut self, alarm: &'a str) -> impl Iterator<Item = &'a mut Call> {
        self.state.calls.iter_mut().filter(move |call| call.alarm == alarm)
    }

    fn priority(&self, alarm: &str) -> Priority {
        self.priorities.get(alarm).copied().unwrap_or(Priority::High)
    }

    /// Owes a sentence to every channel but the one it is about.
    pub(super) fn notice(&mut self, about: &str, key: &str, text: &str) {
        for (name, lane) in &mut self.state.lanes {
            if name != about && lane.notices.iter().all(|notice| notice.key != key) {
                lane.notices.push(Notice { key: key.to_owned(), text: text.to_owned() });
                let over = lane.notices.len().saturating_sub(NOTICES_MAX);
                lane.notices.drain(..over);
            }
        }
    }

    /// The message that is on its way to a channel.
    pub(super) fn fixed(&self, channel: usize) -> Option<&Message> {
        self.lane(channel)?.fixed.as_ref().map(|fixed| &fixed.message)
    }

    fn lane(&self, channel: usize) -> Option<&Lane> {
        self.state.lanes.get(&self.channels.get(channel)?.name)
    }

    /// What a channel is to be sent now, if it is not what is on its way. That gives way to nothing, unless it was refused.
    pub(super) fn plan(&mut self, channel: usize, now: Now) -> Option<Draft> {
        let on_its_way = self.fixed(channel).map(|message| message.key.clone());
        let pace = self.pace.get(channel)?;
        if on_its_way.as_ref().is_some_and(|key| !pace.has_refused(key)) {
            return None;
        }
        let said = self.due(channel, now);
        let is_nothing = said.is_empty();
        let next = self.pace.get_mut(channel)?.next(said, now);
        let draft = if is_nothing { self.alive(channel, now) } else { next };
        draft.filter(|draft| on_its_way.as_ref() != Some(&draft.key))
    }

    /// Everything that a channel is owed now.
    fn due(&mut self, channel: usize, now: Now) -> Vec<Said> {
        let Some(Channel { name, rules }) = self.channels.get(channel).cloned() else { return Vec::new() };
        let mut said = Vec::new();
        let on_duty = rules.is_on_duty(now.minute);
        for call in &mut self.state.calls {
            let priority = self.priorities.get(&call.alarm).copied().unwrap_or(Priority::High);
            if rules.is_quiet(now.minute, priority) || !rules.priorities.contains(&priority) {
                continue;
            }
            let waited_ms = now.ms - call.since_ms;
            let one = due_of(call, (&name, &rules), on_duty, now);
            said.extend(one.map(|(key, subject, part)| Said {
                key,
                subject,
                call: Some(call.clone()),
                waited_ms,
                notice: None,
                part: Some(part),
                priority,
            }));
        }
        if on_duty && !rules.is_quiet(now.minute, Priority::High) {
            let notices = self.state.lanes.get(&name).map(|lane| lane.notices.as_slice()).unwrap_or_default();
            said.extend(notices.iter().map(|notice| Said {
                key: format!("{}-{name}", notice.key),
                subject: Subject::Trouble,
                call: None,
                waited_ms: 0,
                notice: Some(notice.text.clone()),
                part: Some(Part::Notice(notice.key.clone())),
                priority: Priority::Medium,
            }));
        }
        said
    }

    /// The message of the day, in its hour.
    fn alive(&self, channel: usize, now: Now) -> Option<Draft> {
        let Channel { name, rules } = self.channels.get(channel)?;
        let since = now.minute.checked_sub(rules.alive_at?)?;
        if since >= ALIVE_MINUTES || self.lane(channel)?.alive_day == now.day {
            return None;
        }
        let key = format!("alive-{}-{name}", now.day);
        Some(Draft { key, subject: Subject::Alive, said: Vec::new() })
    }

    /// The message of a draft is on its way from now on, until it is delivered or given up.
    pub(super) fn fix(&mut self, channel: usize, draft: &Draft, message: Message) {
        let parts = draft.said.iter().filter_map(|one| one.part.clone()).collect();
        if let Some(lane) = self.lane_mut(channel) {
            lane.fixed = Some(Fixed { message, parts });
        }
    }

    fn lane_mut(&mut self, channel: usize) -> Option<&mut Lane> {
        self.state.lanes.get_mut(&self.channels.get(channel)?.name)
    }

    /// The receiver has the message that was on its way.
    pub(super) fn delivered(&mut self, channel: usize, now: Now) {
        let Some(fixed) = self.lane_mut(channel).and_then(|lane| lane.fixed.take()) else { return };
        let Some(name) = self.channels.get(channel).map(|channel| channel.name.clone()) else { return };
        if fixed.message.subject == Subject::Alive
            && let Some(lane) = self.state.lanes.get_mut(&name)
        {
            lane.alive_day = now.day;
        }
        for part in &fixed.parts {
            self.note_said(&name, part, now);
        }
        if let Some(pace) = self.pace.get_mut(channel) {
            pace.took(fixed.message.subject, now);
        }
        self.prune();
    }

    fn note_said(&mut self, name: &str, part: &Part, now: Now) {
        let (Part::Call(id) | Part::Reminder(id) | Part::Over(id) | Part::Notice(id)) = part;
        if let Part::Notice(key) = part {
            if let Some(lane) = self.state.lanes.get_mut(name) {
                lane.notices.retain(|notice| notice.key != *key);
            }
            return;
        }
        let Some(call) = self.state.calls.iter_mut().find(|call| call.id == *id) else { return };
        let told = call.told.entry(name.to_owned()).or_insert(Told::OWED);
        match part {
            Part::Call(_) => (told.said, told.at_ms) = (true, now.ms),
            Part::Reminder(_) => (told.reminders, told.at_ms) = (told.reminders.saturating_add(1), now.ms),
            Part::Over(_) => told.over = true,
            Part::Notice(_) => {}
        }
    }

    /// How many things a channel is owed that it has not been told.
    pub(super) fn waiting(&self, channel: usize) -> usize {
        let Some(name) = self.channels.get(channel).map(|channel| channel.name.as_str()) else { return 0 };
        self.owed(name).count() + self.lane(channel).map_or(0, |lane| lane.notices.len())
    }

    /// When the alarm was raised that a channel has been owed longest.
    pub(super) fn waiting_since(&self, channel: usize) -> Option<UtcMillis> {
        let name = self.channels.get(channel).map(|channel| channel.name.as_str())?;
        self.owed(name).map(|call| UtcMillis(call.raised)).min()
    }

    fn owed<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a Call> {
        self.state.calls.iter().filter(move |call| call.told.get(name).is_some_and(|told| !told.said))
    }

    /// The receiver does not take the message that is on its way; true if it has refused it before. It stays on its way until
    /// anything else is due.
    pub(super) fn refused(&mut self, channel: usize, now: Now) -> bool {
        let Some(key) = self.fixed(channel).map(|message| message.key.clone()) else { return false };
        self.pace.get_mut(channel).is_some_and(|pace| pace.refused(key, now))
    }

    /// A message that has been on its way for long is given up: what it says is worked out anew, with all else that waits.
    pub(super) fn give_up_old(&mut self, channel: usize, now: Now) {
        let Some(lane) = self.lane_mut(channel) else { return };
        let is_old =
            lane.fixed.as_ref().is_some_and(|fixed| now.utc.0.saturating_sub(fixed.message.made) >= OLD_MS);
        if is_old {
            lane.fixed = None;
        }
    }

    /// Lets go of calls of which there is nothing more to say.
    fn prune(&mut self) {
        let (lanes, channels) = (&self.state.lanes, &self.channels);
        let is_on_its_way = |id: &str| {
            lanes.values().filter_map(|lane| lane.fixed.as_ref()).flat_map(|fixed| &fixed.parts).any(|part| {
                let (Part::Call(of) | Part::Reminder(of) | Part::Over(of) | Part::Notice(of)) = part;
                of == id
            })
        };
        let is_owed = |call: &Call| {
            channels.iter().any(|channel| {
                let Some(told) = call.told.get(&channel.name) else { return false };
                let owes_over = channel.rules.returns && told.said && !told.over && !call.superseded;
                !told.said || owes_over
            })
        };
        self.state.calls.retain(|call| call.is_open() || is_owed(call) || is_on_its_way(&call.id));
        let over = self.state.calls.len().saturating_sub(CALLS_MAX);
        let mut left = over;
        self.state.calls.retain(|call| {
            let goes = left > 0 && !call.is_open();
            left -= usize::from(goes);
            !goes
        });
        self.let_go += (over - left) as u64;
    }
}

/// What a channel is owed of one call: its key, what it is about, and the part it plays.
fn due_of(
    call: &mut Call,
    (name, rules): (&str, &ChannelRules),
    on_duty: bool,
    now: Now,
) -> Option<(String, Subject, Part)> {
    let (is_open, muted, since_ms) = (call.is_open(), call.muted, call.since_ms);
    let Some(told) = call.told.get_mut(name) else {
        // Not owed when it came: now on duty, or next to be asked.
        let after_ms = i64::try_from(rules.after.as_millis()).unwrap_or(i64::MAX);
        let is_next = is_open && !muted && on_duty && now.ms - since_ms >= after_ms;
        return is_next.then(|| (format!("{}-{name}", call.id), Subject::Alarm, Part::Call(call.id.clone())));
    };
    if !told.said {
        return Some((format!("{}-{name}", call.id), Subject::Alarm, Part::Call(call.id.clone())));
    }
    if let Some(cleared) = call.cleared.filter(|_| rules.returns && !told.over && !call.superseded) {
        if !on_duty {
            // Who was told of it has gone home.
            told.over = true;
            return None;
        }
        let key = format!("{}-{}-{name}", cleared.run, cleared.sequence);
        return Some((key, Subject::Over, Part::Over(call.id.clone())));
    }
    let every_ms = i64::try_from(rules.remind_every?.as_millis()).unwrap_or(i64::MAX);
    let is_due = is_open && !muted && on_duty && now.ms - told.at_ms >= every_ms;
    let key = || format!("{}-{name}-again-{}", call.id, told.reminders.saturating_add(1));
    is_due.then(|| (key(), Subject::Reminder, Part::Reminder(call.id.clone())))
}

#[cfg(test)]
#[path = "core_tests.rs"]
mod tests;
