//! Who is told what over random days, with channels that fail and a program that is killed.

use super::*;
use proptest::prelude::*;

/// What happens in a random day, each some seconds after the one before.
#[derive(Debug, Clone)]
enum Happens {
    Raise(usize),
    Clear(usize),
    Acknowledge(usize),
    /// The channel takes what it is sent.
    Works,
    /// It does not, or its word that it did is lost.
    Fails {
        has_arrived: bool,
    },
    /// It takes none of it, whatever else it may take.
    Refuses,
    /// The program is killed and comes up again, with the state as it was kept last.
    Killed {
        has_arrived: bool,
    },
    /// Time goes by.
    Hours(i64),
}

fn happens() -> impl Strategy<Value = Happens> {
    prop_oneof![
        6 => (0_usize..12).prop_map(Happens::Raise),
        3 => (0_usize..12).prop_map(Happens::Clear),
        3 => (0_usize..12).prop_map(Happens::Acknowledge),
        6 => Just(Happens::Works),
        3 => any::<bool>().prop_map(|has_arrived| Happens::Fails { has_arrived }),
        3 => Just(Happens::Refuses),
        1 => any::<bool>().prop_map(|has_arrived| Happens::Killed { has_arrived }),
        1 => (1_i64..9).prop_map(Happens::Hours),
    ]
}

const ALARMS: [&str; 12] = ["h0", "h1", "h2", "h3", "m0", "m1", "m2", "m3", "l0", "l1", "l2", "l3"];

/// A day of it, with all that has arrived at the other side, repeats included.
struct Day {
    plant: Plant,
    rules: ChannelRules,
    active: BTreeSet<usize>,
    occurrences: [u32; 12],
    calls: BTreeSet<String>,
    arrived: Vec<Message>,
    kept: State,
}

impl Day {
    fn new(rules: ChannelRules) -> Self {
        let plant = Plant::with(vec![channel("desk", rules.clone())]);
        let kept = plant.core.state().clone();
        let (active, calls, arrived) = (BTreeSet::new(), BTreeSet::new(), Vec::new());
        Self { plant, rules, active, occurrences: [0; 12], calls, arrived, kept }
    }

    /// Plans, keeps, and gives what goes out, as the task does.
    fn goes_out(&mut self, at: i64) -> Option<Message> {
        if let Some(draft) = self.plant.core.plan(0, now(at)) {
            let message = message_of(&draft, now(at));
            self.plant.core.fix(0, &draft, message);
        }
        self.kept = self.plant.core.state().clone();
        self.plant.core.fixed(0).cloned()
    }

    fn happens(&mut self, what: &Happens, at: i64) {
        match what {
            Happens::Raise(n) if self.active.insert(*n) => {
                self.occurrences[*n] += 1;
                self.plant.hear(at, ALARMS[*n], "raised", self.occurrences[*n]);
                self.calls.insert(format!("{RUN}-{}-desk", self.plant.sequence));
            }
            Happens::Clear(n) if self.active.remove(n) => {
                self.plant.hear(at, ALARMS[*n], "cleared", self.occurrences[*n])
            }
            Happens::Acknowledge(n) if self.occurrences[*n] > 0 => {
                self.plant.hear(at, ALARMS[*n], "acknowledged", self.occurrences[*n]);
            }
            Happens::Works => {
                if let Some(message) = self.goes_out(at) {
                    self.arrived.push(message);
                    self.plant.core.delivered(0, now(at));
                    self.kept = self.plant.core.state().clone();
                }
            }
            Happens::Fails { has_arrived } => {
                let message = self.goes_out(at);
                self.arrived.extend(message.filter(|_| *has_arrived));
                self.plant.core.give_up_old(0, now(at));
            }
            Happens::Refuses => {
                let _refused = self.goes_out(at);
                self.plant.core.refused(0, now(at));
                self.plant.core.give_up_old(0, now(at));
            }
            Happens::Killed { has_arrived } => {
                let message = self.goes_out(at);
                self.arrived.extend(message.filter(|_| *has_arrived));
                // What was not kept is lost; the events are not.
                let state = serde_json::from_str(&serde_json::to_string(&self.kept).unwrap()).unwrap();
                let channels = vec![channel("desk", self.rules.clone())];
                self.plant.core = Core::new((channels, priorities()), Some((state, 0)), RUN);
                for event in self.plant.events.clone() {
                    let minute = now(event.event.utc.0 - MIDNIGHT).minute;
                    self.plant.core.hear(&event, minute, now(at));
                }
            }
            Happens::Raise(_) | Happens::Clear(_) | Happens::Acknowledge(_) | Happens::Hours(_) => {}
        }
    }

    fn run(&mut self, all: &[(Happens, i64)]) -> i64 {
        let mut at = 0;
        for (what, seconds) in all {
            at += seconds * 1000 + if let Happens::Hours(hours) = what { hours * HOUR } else { 0 };
            self.happens(what, at);
        }
        // The channel works at last, for two days.
        for _ in 0..48 * 60 {
            at += MINUTE;
            self.happens(&Happens::Works, at);
        }
        at
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Whatever fails: every call arrives, and what arrives twice has the same key.
    #[test]
    fn no_call_is_lost_and_none_comes_twice_under_another_key(
        all in proptest::collection::vec((happens(), 1_i64..200), 1..80),
        has_quiet in any::<bool>(),
    ) {
        let quiet = has_quiet.then_some(DaySpan { from: 1320, to: 360 });
        let mut day = Day::new(ChannelRules { quiet, ..ChannelRules::default() });
        day.run(&all);
        let mut first: BTreeMap<&str, (&str, u32)> = BTreeMap::new();
        let mut keys: BTreeMap<(&str, u32), BTreeSet<&str>> = BTreeMap::new();
        for item in day.arrived.iter().flat_map(|message| &message.items).filter(|item| item.subject == Subject::Alarm) {
            let call = (item.alarm.as_deref().unwrap(), item.occurrence);
            prop_assert_eq!(*first.entry(&item.key).or_insert(call), call, "a key means one call");
            keys.entry(call).or_default().insert(&item.key);
        }
        for (call, keys) in &keys {
            prop_assert_eq!(keys.len(), 1, "{:?} came under several keys", call);
        }
        let arrived: BTreeSet<String> = first.keys().map(|key| (*key).to_owned()).collect();
        prop_assert_eq!(arrived, day.calls, "every call, and nothing else");
        // A message with the same key is the same message.
        let mut bodies: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
        for message in day.arrived.iter().filter(|message| message.subject == Subject::Digest) {
            let items: Vec<&str> = message.items.iter().map(|item| item.key.as_str()).collect();
            prop_assert_eq!(bodies.entry(&message.key).or_insert_with(|| items.clone()), &items);
        }
    }

    /// Quiet hours hold back what may wait; high priority goes out in them within a minute of a flood's digest.
    #[test]
    fn quiet_hours_never_silence_high_priority(
        all in proptest::collection::vec((happens(), 1_i64..200), 1..80),
    ) {
        let mut day = Day::new(ChannelRules { quiet: Some(DaySpan { from: 0, to: 0 }), ..ChannelRules::default() });
        day.run(&all);
        let alarms: BTreeSet<&str> = day.arrived.iter().flat_map(|message| &message.items).filter_map(|item| item.alarm.as_deref()).collect();
        prop_assert!(alarms.iter().all(|alarm| alarm.starts_with('h')), "{alarms:?}");
        let high = ALARMS.iter().zip(day.occurrences).filter(|(alarm, count)| alarm.starts_with('h') && *count > 0);
        prop_assert_eq!(alarms.len(), high.count(), "each of them arrived");
    }
}
