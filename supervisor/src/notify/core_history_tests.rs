//! Histories that were begun anew, put back from a copy, or have lost an event.

use super::*;

/// The core as the next start finds it, in run `run`.
fn next(plant: Plant, run: i64) -> Plant {
    let kept = serde_json::to_string(plant.core.state()).unwrap();
    let state = serde_json::from_str(&kept).unwrap();
    let core =
        Core::new((vec![channel("desk", ChannelRules::default())], priorities()), Some((state, 0)), run);
    Plant { core, ..plant }
}

#[test]
fn what_was_kept_belongs_to_the_history_that_has_the_same_event_where_it_was_heard_last() {
    let mut plant = Plant::usual();
    plant.hear(0, "h1", "raised", 58);
    let event = plant.events[0].clone();
    let mut plant = next(plant, RUN + 1);
    assert!(plant.core.belongs(Some(&event)));
    assert!(!plant.core.belongs(None));
    let changes: [fn(&mut StoredEvent); 5] = [
        |stored| stored.run = RunId(RUN - 1),
        |stored| stored.event.sequence = 0,
        |stored| stored.event.utc = UtcMillis(MIDNIGHT + 1),
        |stored| stored.event.what = "cleared".to_owned(),
        |stored| stored.event.alarm = Some("h2".to_owned()),
    ];
    for (n, change) in changes.into_iter().enumerate() {
        let mut other = event.clone();
        change(&mut other);
        assert!(!plant.core.belongs(Some(&other)), "{n}");
    }
}

#[test]
fn a_state_that_knows_of_no_event_belongs_to_its_own_run_alone() {
    assert!(Plant::usual().core.belongs(None), "it has only begun");
    assert!(!next(Plant::usual(), RUN + 1).core.belongs(None));
}

#[test]
fn a_state_of_an_older_version_is_read_and_believed_where_its_event_is() {
    let mut plant = Plant::usual();
    plant.hear(0, "h1", "raised", 1);
    let mut kept = serde_json::to_value(plant.core.state()).unwrap();
    kept.as_object_mut().unwrap().remove("last").unwrap();
    let state: State = serde_json::from_value(kept).unwrap();
    let core =
        Core::new((vec![channel("desk", ChannelRules::default())], priorities()), Some((state, 0)), RUN);
    let mut plant = Plant { core, ..plant };
    assert!(plant.core.belongs(plant.events.first()));
    assert_eq!(plant.core.state().last, Some(Mark::of(&plant.events[0].event)), "from now on it is known");
    assert!(!plant.core.belongs(None));
}

#[test]
fn of_another_history_nothing_is_heard_already_and_nothing_is_owed() {
    let mut plant = Plant::usual();
    plant.hear(0, "m1", "raised", 3);
    plant.hear(0, "h1", "raised", 58);
    plant.core.notice("pager", "lost-pager-1", "Setward can't reach pager");
    plant.core.forget();
    assert_eq!(plant.core.cursor(), (RUN, 0));
    plant.sequence = 0;
    plant.hear(1_000, "h1", "raised", 58);
    let standing = [Standing { alarm: "h2".to_owned(), occurrence: 9, raised: UtcMillis(MIDNIGHT) }];
    plant.core.stand(&standing, now(20_000));
    let mut told = plant.short(0, 20_000, HOUR);
    told.sort();
    assert_eq!(
        told,
        [one(20, Subject::Alarm, "h1"), one(20, Subject::Alarm, "h2"), one(20, Subject::Trouble, "")]
    );
}

#[test]
fn a_raise_whose_event_is_lost_swallows_no_later_one_of_the_same_number() {
    let standing = [Standing { alarm: "h1".to_owned(), occurrence: 58, raised: UtcMillis(MIDNIGHT) }];
    // The disk took nothing; after the restart the number is given once more.
    let mut plant = Plant::usual();
    plant.core.stand(&standing, now(20_000));
    assert_eq!(plant.short(0, 20_000, HOUR).len(), 1);
    let mut plant = next(plant, RUN + 1);
    let mut event = plant.event(HOUR, "h1", "raised", 58, None);
    event.run = RunId(RUN + 1);
    plant.core.hear(&event, 60, now(HOUR));
    assert_eq!(plant.short(0, HOUR, HOUR), [one(3600, Subject::Alarm, "h1")]);
    // Another occurrence was called since.
    let mut plant = Plant::usual();
    plant.core.stand(&standing, now(20_000));
    plant.hear(30_000, "h1", "raised", 57);
    plant.short(0, 30_000, MINUTE);
    plant.hear(HOUR, "h1", "raised", 58);
    assert_eq!(plant.short(0, HOUR, HOUR), [one(3600, Subject::Alarm, "h1")]);
}

#[test]
fn a_raise_that_was_told_before_its_event_of_an_earlier_run_could_be_read_is_not_told_again() {
    let plant = Plant::usual();
    let mut plant = next(plant, RUN + 1);
    let standing = [Standing { alarm: "h1".to_owned(), occurrence: 58, raised: UtcMillis(MIDNIGHT) }];
    plant.core.stand(&standing, now(1_000));
    assert_eq!(plant.short(0, 1_000, MINUTE).len(), 1);
    plant.hear(MINUTE, "h1", "raised", 58);
    assert_eq!(plant.short(0, MINUTE, HOUR), []);
}
