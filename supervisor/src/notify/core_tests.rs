//! Who is told what and when, as tables of moments.

use super::*;
use crate::history::Event;
use crate::notify::message::Item;
use crate::notify::pace::FLOOD_MAX;
use crate::snapshot::RunId;
use setward_config::line::DaySpan;
use setward_protocol::Uptime;
use std::collections::BTreeSet;
use std::time::Duration;

#[path = "core_days_tests.rs"]
mod days;
#[path = "core_history_tests.rs"]
mod histories;
#[path = "core_refused_tests.rs"]
mod refused;

const MINUTE: i64 = 60_000;
const HOUR: i64 = 60 * MINUTE;
/// 2026-11-25T00:00:00Z, midnight in this plant.
const MIDNIGHT: i64 = 1_795_564_800_000;
const RUN: i64 = 7;

/// A plant with alarms h0.. (high), m0.. (medium), l0.. (low), and what its channels were told.
struct Plant {
    core: Core,
    sequence: u64,
    events: Vec<StoredEvent>,
    told: Vec<Message>,
}

fn channel(name: &str, rules: ChannelRules) -> Channel {
    Channel { name: name.to_owned(), rules }
}

fn priorities() -> BTreeMap<String, Priority> {
    let of = |letter: char, priority| (0..50).map(move |n| (format!("{letter}{n}"), priority));
    of('h', Priority::High).chain(of('m', Priority::Medium)).chain(of('l', Priority::Low)).collect()
}

fn now(ms: i64) -> Now {
    let day = 20_261_125 + i32::try_from(ms.div_euclid(24 * HOUR)).unwrap();
    let minute = u16::try_from(ms.rem_euclid(24 * HOUR) / MINUTE).unwrap();
    Now { ms, utc: UtcMillis(MIDNIGHT + ms), day, minute }
}

fn message_of(draft: &Draft, at: Now) -> Message {
    let items = draft.said.iter().map(|said| Item {
        key: said.key.clone(),
        subject: said.subject,
        alarm: said.call.as_ref().map(|call| call.alarm.clone()),
        occurrence: said.call.as_ref().map_or(0, |call| call.occurrence),
        priority: None,
        raised: None,
        line: String::new(),
    });
    let (line, body) = (String::new(), String::new());
    Message {
        key: draft.key.clone(),
        subject: draft.subject,
        made: at.utc.0,
        line,
        body,
        items: items.collect(),
    }
}

impl Plant {
    fn with(channels: Vec<Channel>) -> Self {
        let core = Core::new((channels, priorities()), None, RUN);
        Self { core, sequence: 0, events: Vec::new(), told: Vec::new() }
    }

    fn usual() -> Self {
        Self::with(vec![channel("desk", ChannelRules::default())])
    }

    fn event(
        &mut self,
        at: i64,
        alarm: &str,
        what: &str,
        occurrence: u32,
        note: Option<&str>,
    ) -> StoredEvent {
        self.sequence += 1;
        let event = Event {
            sequence: self.sequence,
            utc: UtcMillis(MIDNIGHT + at),
            at: Uptime::from_millis(u64::try_from(at).unwrap()),
            alarm: Some(alarm.to_owned()),
            occurrence,
            what: what.to_owned(),
            states: "AB".to_owned(),
            onset: None,
            value: None,
            exposure: None,
            by: (what == "acknowledged").then(|| "Ana".to_owned()),
            note: note.map(str::to_owned),
        };
        let stored = StoredEvent { run: RunId(RUN), event };
        self.events.push(stored.clone());
        stored
    }

    fn hear(&mut self, at: i64, alarm: &str, what: &str, occurrence: u32) {
        let event = self.event(at, alarm, what, occurrence, None);
        self.core.hear(&event, now(at).minute, now(at));
    }

    /// Everything that goes to a channel from `from` to `to`, each second, with the other side taking it at once.
    fn told_to(&mut self, channel: usize, from: i64, to: i64) -> Vec<(i64, Message)> {
        let mut told = Vec::new();
        for at in (from..=to).step_by(1000) {
            while let Some(draft) = self.core.plan(channel, now(at)) {
                let message = message_of(&draft, now(at));
                self.core.fix(channel, &draft, message.clone());
                self.core.delivered(channel, now(at));
                self.told.push(message.clone());
                told.push((at, message));
            }
        }
        told
    }

    /// The same in short: the second, what it is about, and of which alarms.
    fn short(&mut self, channel: usize, from: i64, to: i64) -> Vec<(i64, Subject, String)> {
        let all = self.told_to(channel, from, to);
        let alarms = |message: &Message| {
            let alarms: Vec<_> = message.items.iter().filter_map(|item| item.alarm.clone()).collect();
            alarms.join(" ")
        };
        all.iter().map(|(at, message)| (at / 1000, message.subject, alarms(message))).collect()
    }
}

fn one(at: i64, subject: Subject, alarm: &str) -> (i64, Subject, String) {
    (at, subject, alarm.to_owned())
}

#[test]
fn an_alarm_is_told_once_with_a_key_of_its_event_and_so_is_its_end() {
    let mut plant = Plant::usual();
    plant.hear(5_000, "h1", "raised", 1);
    let told = plant.told_to(0, 5_000, HOUR);
    assert_eq!(told.len(), 1);
    assert_eq!((told[0].0, told[0].1.key.as_str()), (5_000, "7-1-desk"));
    plant.hear(HOUR, "h1", "cleared", 1);
    let over = plant.told_to(0, HOUR, 2 * HOUR);
    assert_eq!((over.len(), over[0].1.key.as_str(), over[0].1.subject), (1, "7-2-desk", Subject::Over));
    assert!(plant.core.state().calls.is_empty(), "nothing more to say of it");
}

#[test]
fn what_was_acknowledged_before_it_could_be_told_is_told_all_the_same() {
    let mut plant = Plant::usual();
    plant.hear(0, "m1", "raised", 1);
    plant.hear(1_000, "m1", "acknowledged", 1);
    plant.hear(2_000, "m1", "cleared", 1);
    let told = plant.told_to(0, 2_000, HOUR);
    let subjects: Vec<_> = told.iter().map(|(_, message)| message.subject).collect();
    assert_eq!(subjects, [Subject::Alarm, Subject::Over]);
}

#[test]
fn a_silent_raise_calls_nobody() {
    let mut plant = Plant::usual();
    let event = plant.event(0, "h1", "raised", 1, Some(SILENT));
    plant.core.hear(&event, 0, now(0));
    assert_eq!(plant.short(0, 0, HOUR), []);
}

#[test]
fn an_alarm_that_chatters_is_told_each_time_and_never_twice_the_same() {
    let mut plant = Plant::usual();
    for occurrence in 1..=3 {
        let at = i64::from(occurrence) * 20_000;
        plant.hear(at, "m1", "raised", occurrence);
        plant.hear(at + 5_000, "m1", "cleared", occurrence);
    }
    let told = plant.told_to(0, 70_000, HOUR);
    let keys: BTreeSet<_> =
        told.iter().flat_map(|(_, message)| &message.items).map(|item| &item.key).collect();
    assert_eq!(
        keys.into_iter().collect::<Vec<_>>(),
        ["7-1-desk", "7-3-desk", "7-5-desk", "7-6-desk"],
        "three calls, the last end"
    );
}

/// The next to be asked hears only of what nobody has taken.
#[test]
fn an_alarm_goes_to_the_next_when_nobody_has_acknowledged_it_in_time() {
    let rules = ChannelRules { after: Duration::from_secs(600), ..ChannelRules::default() };
    let next =
        || Plant::with(vec![channel("desk", ChannelRules::default()), channel("chief", rules.clone())]);
    let mut plant = next();
    plant.hear(0, "h1", "raised", 1);
    assert_eq!(plant.short(1, 0, HOUR), [one(600, Subject::Alarm, "h1")]);
    assert_eq!(plant.told[0].key, "7-1-chief");
    for what in ["acknowledged", "cleared", "shelved", "out of service", "reset"] {
        let mut plant = next();
        plant.hear(0, "h1", "raised", 1);
        plant.hear(599_000, "h1", what, 1);
        assert_eq!(plant.short(1, 0, HOUR), [], "{what}");
    }
}

#[test]
fn it_is_said_anew_until_somebody_acknowledges_it() {
    let rules = ChannelRules { remind_every: Some(Duration::from_secs(900)), ..ChannelRules::default() };
    let mut plant = Plant::with(vec![channel("desk", rules)]);
    plant.hear(0, "h1", "raised", 1);
    let told = plant.short(0, 0, 40 * MINUTE);
    assert_eq!(
        told,
        [one(0, Subject::Alarm, "h1"), one(900, Subject::Reminder, "h1"), one(1800, Subject::Reminder, "h1")]
    );
    let keys: Vec<_> = plant.told.iter().map(|message| message.key.as_str()).collect();
    assert_eq!(keys, ["7-1-desk", "7-1-desk-again-1", "7-1-desk-again-2"]);
    plant.hear(41 * MINUTE, "h1", "acknowledged", 1);
    assert_eq!(plant.short(0, 41 * MINUTE, 3 * HOUR), []);
}

#[test]
fn what_something_keeps_silent_is_not_said_anew_until_it_calls_again() {
    let rules = ChannelRules { remind_every: Some(Duration::from_secs(900)), ..ChannelRules::default() };
    let mut plant = Plant::with(vec![channel("desk", rules)]);
    plant.hear(0, "h1", "raised", 1);
    plant.short(0, 0, MINUTE);
    plant.hear(2 * MINUTE, "h1", "silenced", 1);
    assert_eq!(plant.short(0, 2 * MINUTE, HOUR), []);
    let standing = [Standing { alarm: "h1".to_owned(), occurrence: 1, raised: UtcMillis(MIDNIGHT) }];
    plant.core.stand(&standing, now(HOUR));
    assert_eq!(
        plant.short(0, HOUR, HOUR),
        [one(3600, Subject::Reminder, "h1")],
        "it stands and is silent no more"
    );
}

#[test]
fn quiet_hours_hold_back_all_but_high_priority_and_end_with_one_digest() {
    let quiet = Some(DaySpan { from: 0, to: 360 });
    let mut plant = Plant::with(vec![channel("desk", ChannelRules { quiet, ..ChannelRules::default() })]);
    plant.hear(HOUR, "m1", "raised", 1);
    plant.hear(HOUR, "h1", "raised", 1);
    plant.hear(2 * HOUR, "l1", "raised", 1);
    assert_eq!(plant.short(0, HOUR, 6 * HOUR - 1000), [one(3600, Subject::Alarm, "h1")]);
    assert_eq!(plant.short(0, 6 * HOUR, 12 * HOUR), [one(21_600, Subject::Digest, "m1 l1")]);
    let rules = ChannelRules { quiet, quiet_high: true, ..ChannelRules::default() };
    let mut plant = Plant::with(vec![channel("desk", rules)]);
    plant.hear(HOUR, "h1", "raised", 1);
    assert_eq!(
        plant.short(0, HOUR, 12 * HOUR),
        [one(21_600, Subject::Alarm, "h1")],
        "silent only because it was said so"
    );
}

#[test]
fn who_comes_on_duty_is_told_what_still_waits_for_a_person() {
    let night = ChannelRules { on_duty: vec![DaySpan { from: 1320, to: 360 }], ..ChannelRules::default() };
    let mut plant = Plant::with(vec![channel("night", night)]);
    plant.hear(20 * HOUR, "m1", "raised", 1);
    plant.hear(21 * HOUR, "m2", "raised", 1);
    plant.hear(21 * HOUR, "m2", "acknowledged", 1);
    plant.hear(21 * HOUR, "m3", "raised", 1);
    plant.hear(21 * HOUR, "m3", "cleared", 1);
    assert_eq!(plant.short(0, 20 * HOUR, 23 * HOUR), [one(79_200, Subject::Alarm, "m1")]);
    plant.hear(23 * HOUR, "m4", "raised", 1);
    assert_eq!(plant.short(0, 23 * HOUR, 23 * HOUR), [one(82_800, Subject::Alarm, "m4")]);
    // Its end comes after six: whoever was told has gone home.
    plant.hear(31 * HOUR, "m4", "cleared", 1);
    assert_eq!(plant.short(0, 31 * HOUR, 40 * HOUR), []);
}

#[test]
fn only_the_priorities_that_a_channel_wants_go_there() {
    let rules = ChannelRules { priorities: vec![Priority::High], ..ChannelRules::default() };
    let mut plant = Plant::with(vec![channel("desk", rules)]);
    for alarm in ["h1", "m1", "l1"] {
        plant.hear(0, alarm, "raised", 1);
    }
    assert_eq!(plant.short(0, 0, HOUR), [one(0, Subject::Alarm, "h1")]);
}

#[test]
fn a_flood_comes_in_digests_and_nothing_is_missing_in_them() {
    let mut plant = Plant::usual();
    let mut told = Vec::new();
    let mut last = 0;
    for n in 0..40 {
        let at = i64::from(n) * 1_000;
        let alarm = if n % 10 == 9 { format!("h{n}") } else { format!("m{n}") };
        plant.hear(at, &alarm, "raised", 1);
        told.extend(plant.told_to(0, last, at));
        last = at + 1_000;
    }
    told.extend(plant.told_to(0, last, HOUR));
    let single = told.iter().filter(|(_, message)| message.subject == Subject::Alarm).count();
    let digests: Vec<_> = told.iter().filter(|(_, message)| message.subject == Subject::Digest).collect();
    assert!(single <= FLOOD_MAX, "{single}");
    assert!((1..=3).contains(&digests.len()), "{}", digests.len());
    let items: Vec<_> = told.iter().flat_map(|(_, message)| &message.items).collect();
    let keys: BTreeSet<_> = items.iter().map(|item| item.key.as_str()).collect();
    assert_eq!((items.len(), keys.len()), (40, 40));
    for (at, message) in &told {
        for item in &message.items {
            let alarm = item.alarm.as_ref().unwrap();
            let raised = alarm[1..].parse::<i64>().unwrap() * 1_000;
            if alarm.starts_with('h') {
                assert!(at - raised <= 70_000, "{alarm} waited {} ms", at - raised);
            }
        }
    }
    assert_eq!(
        digests[0].1.items[0].alarm.as_deref().map(|alarm| &alarm[..1]),
        Some("h"),
        "what matters most stands first"
    );
}

#[test]
fn what_piled_up_while_a_channel_was_away_comes_as_one_digest() {
    let mut plant = Plant::usual();
    plant.hear(0, "m1", "raised", 1);
    let draft = plant.core.plan(0, now(0)).unwrap();
    plant.core.fix(0, &draft, message_of(&draft, now(0)));
    plant.hear(10 * MINUTE, "m2", "raised", 1);
    plant.hear(20 * MINUTE, "m1", "cleared", 1);
    plant.core.give_up_old(0, now(29 * MINUTE));
    assert_eq!(
        plant.core.fixed(0).map(|message| message.key.as_str()),
        Some("7-1-desk"),
        "a repeat is the same"
    );
    plant.core.give_up_old(0, now(30 * MINUTE));
    assert_eq!(plant.core.fixed(0), None);
    let told = plant.told_to(0, 2 * HOUR, 2 * HOUR);
    assert_eq!(told[0].1.subject, Subject::Digest);
    let keys: Vec<_> = told[0].1.items.iter().map(|item| item.key.as_str()).collect();
    assert_eq!(keys, ["7-1-desk", "7-2-desk"], "with the keys they would have had alone");
    assert_eq!(told[1].1.subject, Subject::Over, "that the first is over follows");
}

/// Its receiver may have taken the first: the same key must not hide what is new in the second.
#[test]
fn a_digest_with_one_thing_more_in_it_is_another_message() {
    let mut plant = Plant::usual();
    for alarm in ["h1", "m1"] {
        plant.hear(0, alarm, "raised", 1);
    }
    let mut keys = BTreeSet::new();
    for (n, at) in [HOUR, 2 * HOUR].into_iter().enumerate() {
        let draft = plant.core.plan(0, now(at)).unwrap();
        assert_eq!((draft.subject, draft.said.len()), (Subject::Digest, n + 2));
        plant.core.fix(0, &draft, message_of(&draft, now(at)));
        keys.insert(draft.key);
        plant.hear(at, "m2", "raised", 1);
        plant.core.give_up_old(0, now(at + HOUR));
    }
    assert_eq!(keys.len(), 2, "{keys:?}");
}

#[test]
fn after_a_crash_the_message_that_was_on_its_way_goes_again_with_the_same_key() {
    let mut plant = Plant::usual();
    plant.hear(0, "m1", "raised", 1);
    let draft = plant.core.plan(0, now(0)).unwrap();
    plant.core.fix(0, &draft, message_of(&draft, now(0)));
    let kept = serde_json::to_string(plant.core.state()).unwrap();
    let state: State = serde_json::from_str(&kept).unwrap();
    // Ten minutes later, in a new run, whose clock begins at zero.
    let channels = vec![channel("desk", ChannelRules::default())];
    let mut core = Core::new((channels, priorities()), Some((state, -10 * MINUTE)), RUN + 1);
    assert_eq!(core.fixed(0).map(|message| message.key.clone()), Some("7-1-desk".to_owned()));
    assert_eq!(core.state().calls[0].since_ms, -10 * MINUTE, "it has waited all the while");
    core.hear(&plant.events[0], 0, now(0));
    core.delivered(0, now(0));
    assert_eq!(core.plan(0, now(MINUTE)), None, "the same event again is nothing new");
}

#[test]
fn what_waited_for_a_person_goes_on_waiting_over_a_restart() {
    let rules = ChannelRules { after: Duration::from_secs(600), ..ChannelRules::default() };
    let mut plant = Plant::with(vec![channel("chief", rules.clone())]);
    plant.hear(0, "h1", "raised", 1);
    let state = plant.core.state().clone();
    // Kept at 4 min of its run, 3 min ago: nine minutes in all once two more have gone.
    let core = Core::new((vec![channel("chief", rules)], priorities()), Some((state, -7 * MINUTE)), RUN + 1);
    let mut plant = Plant { core, ..plant };
    assert_eq!(plant.short(0, 0, HOUR), [one(180, Subject::Alarm, "h1")]);
}

#[test]
fn an_alarm_that_history_could_not_keep_is_told_by_the_line_task_and_not_twice() {
    let mut plant = Plant::usual();
    let standing = [Standing { alarm: "h1".to_owned(), occurrence: 3, raised: UtcMillis(MIDNIGHT) }];
    plant.core.stand(&standing, now(20_000));
    plant.core.stand(&standing, now(21_000));
    let told = plant.told_to(0, 20_000, MINUTE);
    assert_eq!((told.len(), told[0].1.key.as_str()), (1, "7-h1.3-desk"));
    plant.hear(2 * MINUTE, "h1", "raised", 3);
    assert_eq!(plant.short(0, 2 * MINUTE, HOUR), [], "its event comes late and is the same call");
    plant.hear(2 * HOUR, "h1", "cleared", 3);
    assert_eq!(plant.short(0, 2 * HOUR, 2 * HOUR), [one(7200, Subject::Over, "h1")]);
    plant.hear(3 * HOUR, "h1", "raised", 4);
    assert_eq!(
        plant.short(0, 3 * HOUR, 4 * HOUR),
        [one(10_800, Subject::Alarm, "h1")],
        "the next one is another"
    );
}

#[test]
fn a_history_that_begins_anew_is_heard_from_its_first_event() {
    let mut state = State::from((40, 900));
    state.heard.insert("h1".to_owned(), 57);
    let channels = vec![channel("desk", ChannelRules::default())];
    let core = Core::new((channels, priorities()), Some((state, 0)), RUN);
    let mut plant = Plant { core, sequence: 0, events: Vec::new(), told: Vec::new() };
    plant.hear(0, "h1", "raised", 1);
    assert_eq!(plant.short(0, 0, HOUR), [one(0, Subject::Alarm, "h1")]);
}

#[test]
fn a_message_a_day_says_that_all_works() {
    let rules = ChannelRules { alive_at: Some(420), ..ChannelRules::default() };
    let mut plant = Plant::with(vec![channel("desk", rules)]);
    let told = plant.told_to(0, 0, 60 * HOUR);
    let keys: Vec<_> = told.iter().map(|(at, message)| (at / MINUTE, message.key.as_str())).collect();
    assert_eq!(
        keys,
        [(420, "alive-20261125-desk"), (1860, "alive-20261126-desk"), (3300, "alive-20261127-desk")]
    );
    assert!(told.iter().all(|(_, message)| message.subject == Subject::Alive));
}

#[test]
fn that_a_channel_fails_is_told_to_every_other_once() {
    let mut plant = Plant::with(vec![
        channel("desk", ChannelRules::default()),
        channel("pager", ChannelRules::default()),
    ]);
    plant.core.notice("pager", "lost-pager-1", "Setward can't reach pager");
    plant.core.notice("pager", "lost-pager-1", "Setward can't reach pager");
    assert_eq!(plant.short(0, 0, HOUR), [one(0, Subject::Trouble, "")]);
    assert_eq!(plant.short(1, 0, HOUR), []);
}

#[test]
fn an_alarm_that_the_files_no_longer_name_is_forgotten() {
    let mut plant = Plant::usual();
    plant.hear(0, "m1", "raised", 1);
    plant.hear(0, "gone", "raised", 1);
    assert_eq!(plant.core.state().calls.len(), 1);
    let state = plant.core.state().clone();
    let core = Core::new((Vec::new(), BTreeMap::new()), Some((state, 0)), RUN);
    assert!(core.state().calls.is_empty() && core.state().lanes.is_empty());
}
