//! Hand entries as the demo's week has them: moisture each half hour of running, pH once a tank, 13 typed for 1.3.

use super::*;
use alloc::string::ToString;

const QUALITY: u32 = 7;
const LEAD: u32 = 8;

fn at(minutes: f64) -> Uptime {
    Uptime::from_secs_f64(minutes * 60.0)
}

fn minutes(count: u64) -> Duration {
    Duration::from_secs(count * 60)
}

/// Finished moisture, %: 1.3, specification 0.9 to 1.8.
const MOISTURE: EntryRule = EntryRule {
    due: Due::EachRunning(Duration::from_secs(1_800)),
    grace: Duration::from_secs(600),
    possible: (0.0, 20.0),
    usual: (0.5, 3.0),
    most_change: Some(0.8),
};

fn moisture() -> EntryBook {
    EntryBook::new(MOISTURE, at(0.0))
}

fn said(value: f64, taken: f64) -> Said {
    Said { value, taken: at(taken), by: QUALITY, confirmed: false }
}

#[test]
fn a_check_is_due_by_running_time_only() {
    let mut book = moisture();
    assert_eq!(book.due(at(100.0)), DueState::NotAsked, "the line stands");
    book.handle_running(at(100.0), true);
    assert_eq!(book.due(at(110.0)), DueState::DueAt(at(130.0)));
    book.handle_running(at(120.0), false);
    assert_eq!(book.due(at(500.0)), DueState::NotAsked, "it stands again");
    book.handle_running(at(600.0), true);
    book.handle_running(at(605.0), true);
    assert_eq!(book.due(at(605.0)), DueState::DueAt(at(610.0)), "20 of the 30 min have run");
    assert_eq!(book.due(at(610.0)), DueState::DueSince(at(610.0)));
    assert_eq!(book.due(at(620.0)), DueState::DueSince(at(610.0)));
    assert_eq!(book.due(at(620.1)), DueState::Overdue(at(610.0)));
    // It stays due when the line stops.
    book.handle_running(at(621.0), false);
    assert_eq!(book.due(at(700.0)), DueState::Overdue(at(610.0)));
}

/// The next is due by when the sample was taken, not by when somebody got round to typing.
#[test]
fn the_next_is_due_from_when_the_sample_was_taken() {
    let mut book = moisture();
    book.handle_running(at(0.0), true);
    let id = book.enter(at(55.0), said(1.31, 28.0)).unwrap();
    let entry = book.all()[0];
    assert_eq!((entry.id, entry.taken, entry.entered, entry.by), (id, at(28.0), at(55.0), QUALITY));
    assert_eq!((entry.late_s, entry.was_asked, entry.corrects), (25.0 * 60.0, false, None));
    assert_eq!(book.due(at(55.0)), DueState::DueAt(at(58.0)));
    book.enter(at(57.0), said(1.29, 57.0)).unwrap();
    assert_eq!(book.all()[1].late_s, 0.0);
    assert_eq!(book.due(at(57.0)), DueState::DueAt(at(87.0)));
}

#[test]
fn a_slip_of_the_decimal_point_is_asked_back() {
    let mut book = moisture();
    let asked = book.enter(at(30.0), said(13.0, 30.0)).unwrap_err();
    assert_eq!(asked, NotTaken::Asked(Question::Unusual { usual: (0.5, 3.0), meant: Some(1.3) }));
    assert_eq!(asked.to_string(), "usual is 0.5 to 3; did you mean 1.3? confirm or correct it");
    assert_eq!(book.all(), [], "nothing is kept until it is answered");
    let NotTaken::Asked(Question::Unusual { meant, .. }) =
        book.enter(at(30.0), said(0.28, 30.0)).unwrap_err()
    else {
        panic!("too dry to be true");
    };
    assert_eq!(meant, Some(2.8), "not 2.8000000000000003");
    let confirmed = Said { confirmed: true, ..said(13.0, 30.0) };
    book.enter(at(31.0), confirmed).unwrap();
    assert!(book.all()[0].was_asked);
    let never = NotTaken::Impossible { found: 130.0, possible: (0.0, 20.0) };
    assert_eq!(book.enter(at(31.0), Said { confirmed: true, ..said(130.0, 30.0) }), Err(never));
    assert!(matches!(book.enter(at(31.0), said(f64::NAN, 30.0)), Err(NotTaken::Impossible { .. })));
    assert_eq!(book.enter(at(31.0), said(1.3, 32.0)), Err(NotTaken::InTheFuture));
}

#[test]
fn a_jump_from_the_last_is_asked_back() {
    let mut book = moisture();
    book.enter(at(30.0), said(1.3, 30.0)).unwrap();
    let jump = NotTaken::Asked(Question::Jump { last: 1.3, meant: None });
    assert_eq!(book.enter(at(60.0), said(2.4, 60.0)), Err(jump));
    assert_eq!(jump.to_string(), "the last was 1.3; confirm or correct it");
    // 25 may be a slip for 2.5, which is usual, but just as far from the last: nothing is put into anybody's mouth.
    let far = NotTaken::Asked(Question::Unusual { usual: (0.5, 3.0), meant: None });
    assert_eq!(
        book.enter(at(60.0), said(19.0, 60.0)),
        Err(NotTaken::Asked(Question::Unusual { usual: (0.5, 3.0), meant: Some(1.9) }))
    );
    let roomy = EntryRule { possible: (0.0, 50.0), ..book.rule };
    let mut roomy = EntryBook { rule: roomy, ..book.clone() };
    assert_eq!(roomy.enter(at(60.0), said(25.0, 60.0)), Err(far));
    book.enter(at(60.0), Said { confirmed: true, ..said(2.4, 60.0) }).unwrap();
    book.enter(at(90.0), said(2.3, 90.0)).unwrap();
    assert!(!book.all()[2].was_asked, "near the last");
}

#[test]
fn a_correction_keeps_the_old_value() {
    let mut book = moisture();
    book.enter(at(30.0), said(1.3, 29.0)).unwrap();
    let wrong = book.enter(at(60.0), Said { confirmed: true, ..said(13.0, 59.0) }).unwrap();
    let right = book.correct(at(75.0), wrong, 1.3, LEAD, false).unwrap();
    let holding: Vec<_> = book.holding().map(|entry| (entry.value, entry.taken, entry.by)).collect();
    assert_eq!(holding, [(1.3, at(29.0), QUALITY), (1.3, at(59.0), LEAD)]);
    let story: Vec<_> =
        book.story(right).iter().map(|entry| (entry.id, entry.value, entry.entered)).collect();
    assert_eq!(story, [(3, 1.3, at(75.0)), (2, 13.0, at(60.0))]);
    assert_eq!(book.all().len(), 3);
    // A wrong entry is corrected once; the correction may be corrected again.
    assert_eq!(book.correct(at(76.0), wrong, 1.4, LEAD, false), Err(NotTaken::NoSuchEntry(wrong)));
    assert_eq!(book.correct(at(76.0), 99, 1.4, LEAD, false), Err(NotTaken::NoSuchEntry(99)));
    book.correct(at(77.0), right, 1.4, LEAD, false).unwrap();
    assert_eq!(book.story(4).len(), 3);
    // The wrong 13 is not what it is held against, the 1.3 before it is.
    let asked = book.correct(at(78.0), 4, 2.2, LEAD, false);
    assert_eq!(asked, Err(NotTaken::Asked(Question::Jump { last: 1.3, meant: None })));
    assert!(book.all().iter().filter(|entry| entry.corrects.is_some()).all(|entry| entry.late_s == 0.0));
}

/// pH of each tank once, 10 h after it was filled; grace an hour.
#[test]
fn an_event_is_answered_once() {
    let rule = EntryRule {
        due: Due::Once(minutes(600)),
        grace: minutes(60),
        possible: (0.0, 14.0),
        usual: (10.0, 12.5),
        most_change: None,
    };
    let mut book = EntryBook::new(rule, at(0.0));
    assert_eq!(book.due(at(5000.0)), DueState::NotAsked);
    book.handle_event(at(100.0));
    book.handle_event(at(182.0));
    assert_eq!(book.due(at(200.0)), DueState::DueAt(at(700.0)));
    assert_eq!(book.due(at(761.0)), DueState::Overdue(at(700.0)));
    book.enter(at(150.0), said(11.3, 90.0)).unwrap();
    assert_eq!(
        book.due(at(200.0)),
        DueState::DueAt(at(700.0)),
        "a sample from before the tank was full answers nothing"
    );
    book.enter(at(765.0), said(11.2, 750.0)).unwrap();
    assert_eq!(book.all()[1].late_s, 65.0 * 60.0);
    assert_eq!(book.due(at(765.0)), DueState::DueAt(at(782.0)), "the other tank's");
    book.enter(at(790.0), said(11.0, 788.0)).unwrap();
    assert_eq!(book.due(at(9000.0)), DueState::NotAsked);
    let mut moisture = moisture();
    moisture.handle_event(at(1.0));
    assert_eq!(moisture.due(at(9000.0)), DueState::NotAsked, "that kind has no events");
}

#[test]
fn a_check_by_the_clock_is_due_from_the_beginning_on() {
    let rule = EntryRule { due: Due::Each(minutes(60)), most_change: None, ..moisture().rule };
    let mut book = EntryBook::new(rule, at(10.0));
    assert_eq!(book.due(at(69.0)), DueState::DueAt(at(70.0)));
    assert_eq!(book.due(at(81.0)), DueState::Overdue(at(70.0)));
    book.enter(at(90.0), said(1.0, 85.0)).unwrap();
    // A sample taken before the newest one, typed later, changes nothing of what is due.
    book.enter(at(91.0), said(1.0, 40.0)).unwrap();
    assert_eq!(book.due(at(92.0)), DueState::DueAt(at(145.0)));
}

/// Nobody entered anything for months: what is remembered stays small, and what is due stays due.
#[test]
fn events_and_stops_that_nobody_answers_are_bounded() {
    let mut tanks = EntryBook::new(EntryRule { due: Due::Once(minutes(5)), ..moisture().rule }, at(0.0));
    let mut runs = moisture();
    for minute in 0..20_000 {
        tanks.handle_event(at(f64::from(minute)));
        runs.handle_running(at(f64::from(minute)), minute % 2 == 0);
    }
    assert_eq!((tanks.awaited.len(), runs.running.len()), (AWAITED_MAX, SPANS_MAX));
    assert_eq!(tanks.due(at(20_000.0)), DueState::Overdue(at(20_000.0 - 64.0 + 5.0)));
    assert!(matches!(runs.due(at(20_000.0)), DueState::Overdue(_)));
}

#[test]
fn what_was_entered_before_is_taken_up_and_the_numbers_go_on() {
    let mut before = moisture();
    before.enter(at(10.0), said(1.3, 10.0)).unwrap();
    before.enter(at(40.0), said(1.4, 40.0)).unwrap();
    let mut book = moisture();
    book.restore(before.all().iter().copied());
    assert_eq!(book.correct(at(50.0), 2, 1.2, LEAD, false), Ok(3));
    book.number_from(10);
    assert_eq!(book.enter(at(70.0), said(1.3, 70.0)), Ok(10));
    book.forget_beyond(2);
    assert_eq!(book.all().iter().map(|entry| entry.id).collect::<Vec<_>>(), [3, 10]);
}

/// What is taken up from before answers as what is entered does.
#[test]
fn an_entry_of_before_answers_the_oldest_event_that_it_can_be_of() {
    let rule = EntryRule { due: Due::Once(minutes(5)), most_change: None, ..MOISTURE };
    let mut book = EntryBook::new(rule, at(0.0));
    book.handle_event(at(10.0));
    book.handle_event(at(20.0));
    assert_eq!((book.answers(at(9.0)), book.answer(at(9.0))), (None, None));
    assert_eq!(book.answer(at(25.0)), Some(0));
    assert_eq!(book.due(at(21.0)), DueState::DueAt(at(25.0)));
    assert_eq!((book.answer(at(25.0)), book.due(at(30.0))), (Some(0), DueState::NotAsked));
}

#[test]
fn running_before_the_first_entry_counts_from_where_it_is_said_to() {
    let mut book = EntryBook::new(MOISTURE, at(100.0));
    book.handle_running(at(70.0), true);
    assert_eq!(book.due(at(100.0)), DueState::DueAt(at(130.0)));
    book.count_from(at(70.0));
    assert_eq!(book.due(at(100.0)), DueState::DueSince(at(100.0)));
    book.count_from(at(90.0));
    assert_eq!(book.due(at(100.0)), DueState::DueSince(at(100.0)), "no later than before");
}
