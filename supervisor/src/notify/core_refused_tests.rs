//! What one receiver refuses, and what must go to it all the same.

use super::*;

/// A try: its second, the message, and whether it was taken.
type Try = (i64, Message, bool);

impl Plant {
    /// What is tried from `from` to `to` as the task does it, with a minute of rest after each that the receiver refuses.
    fn tried(&mut self, from: i64, to: i64, refuses: impl Fn(&Message) -> bool) -> Vec<Try> {
        let (mut all, mut not_before) = (Vec::new(), from);
        for at in (from..=to).step_by(1000) {
            if at < not_before {
                continue;
            }
            if let Some(draft) = self.core.plan(0, now(at)) {
                self.core.fix(0, &draft, message_of(&draft, now(at)));
            }
            let Some(message) = self.core.fixed(0).cloned() else { continue };
            let is_taken = !refuses(&message);
            if is_taken {
                self.core.delivered(0, now(at));
            } else {
                self.core.refused(0, now(at));
                self.core.give_up_old(0, now(at));
                not_before = at + MINUTE;
            }
            all.push((at / 1000, message, is_taken));
        }
        all
    }
}

fn is_of(message: &Message, alarm: &str) -> bool {
    message.items.iter().any(|item| item.alarm.as_deref() == Some(alarm))
}

fn taken_at(tries: &[Try], alarm: &str) -> Option<i64> {
    tries.iter().find(|(_, message, is_taken)| *is_taken && is_of(message, alarm)).map(|(at, ..)| *at)
}

#[test]
fn what_is_refused_is_repeated_to_the_letter_until_something_else_is_due_and_goes_last() {
    let mut plant = Plant::usual();
    plant.hear(0, "m1", "raised", 1);
    let refuses = |message: &Message| is_of(message, "m1");
    let tries = plant.tried(0, 150_000, refuses);
    assert_eq!(tries.iter().map(|(at, ..)| *at).collect::<Vec<_>>(), [0, 60, 120]);
    assert!(tries.iter().all(|(_, message, _)| *message == tries[0].1), "{tries:?}");
    plant.hear(150_000, "h1", "raised", 1);
    plant.hear(150_000, "l1", "raised", 1);
    let tries = plant.tried(180_000, 4 * HOUR, refuses);
    assert_eq!((taken_at(&tries, "h1"), taken_at(&tries, "l1")), (Some(180), Some(181)));
    let of_m1: Vec<_> = tries.iter().filter(|(_, message, _)| is_of(message, "m1")).collect();
    assert!(of_m1.len() > 200, "it comes again and again");
    assert!(of_m1.windows(2).all(|two| two[1].0 - two[0].0 >= 60), "once a minute");
    let keys: BTreeSet<_> = of_m1.iter().map(|(_, message, _)| &message.key).collect();
    assert_eq!(keys.into_iter().collect::<Vec<_>>(), ["7-1-desk"]);
}

#[test]
fn one_thing_in_a_digest_that_is_refused_keeps_back_no_other() {
    let mut plant = Plant::usual();
    for n in 0..12 {
        plant.hear(0, &format!("m{n}"), "raised", 1);
    }
    let refuses = |message: &Message| is_of(message, "m5");
    let mut tries = plant.tried(0, 5 * MINUTE, refuses);
    plant.hear(5 * MINUTE, "h1", "raised", 1);
    tries.extend(plant.tried(5 * MINUTE, 2 * HOUR, refuses));
    assert!(taken_at(&tries, "h1").is_some_and(|at| at <= 8 * 60), "{:?}", taken_at(&tries, "h1"));
    for n in (0..12).filter(|n| *n != 5) {
        let at = taken_at(&tries, &format!("m{n}"));
        assert!(at.is_some_and(|at| at < 30 * 60), "m{n}: {at:?}");
    }
    assert_eq!(taken_at(&tries, "m5"), None);
}

#[test]
fn a_closed_door_costs_a_try_a_minute_and_what_piled_up_is_no_flood_when_it_opens() {
    let mut plant = Plant::usual();
    let mut tries = Vec::new();
    for n in 0..50 {
        let at = i64::from(n) * MINUTE;
        plant.hear(at, &format!("m{n}"), "raised", 1);
        tries.extend(plant.tried(at, at + MINUTE - 1000, |_| true));
    }
    assert_eq!(tries.len(), 50);
    let tries = plant.tried(50 * MINUTE, 2 * HOUR, |_| false);
    assert!(tries.len() <= FLOOD_MAX, "{}", tries.len());
    assert!((0..50).all(|n| taken_at(&tries, &format!("m{n}")).is_some()));
}
