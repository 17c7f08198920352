//! The desk of the demo line: what it takes, asks back and refuses, over restarts and with two people at once.

use super::*;
use crate::entries::ran::Ran;
use crate::line::past::Past;
use setward_config::load_demo;

/// 2026-11-26T12:00:00Z, 06:00 in Chicago.
const NOON: i64 = 1_795_694_400_000;

struct Bench {
    line: Line,
    desk: EntryDesk,
    kept: Vec<StoredEntry>,
}

fn wall(minutes: i64) -> WallAnchor {
    let at = Uptime::START + Duration::from_secs(u64::try_from(minutes * 60).unwrap());
    WallAnchor { at, utc: UtcMillis(NOON + minutes * 60_000) }
}

impl Bench {
    fn new() -> Self {
        let line = load_demo().unwrap().line;
        let desk = EntryDesk::new(&line, Vec::new(), 0, wall(0));
        Self { line, desk, kept: Vec::new() }
    }

    fn wish(&self, tag: &str, typed: Typed) -> EntryWish {
        let signal = self.line.signal_by_tag(tag).unwrap();
        EntryWish {
            entry: self.line.entries.iter().position(|entry| entry.signal == signal).unwrap(),
            typed,
            taken: None,
            by: "Inés".to_owned(),
            about: None,
            note: None,
            corrects: None,
            seen: None,
            confirmed: false,
        }
    }

    fn moisture(&self, value: f64) -> EntryWish {
        self.wish("AI-451", Typed::Number(value))
    }

    fn enter(&mut self, wish: &EntryWish, minutes: i64) -> Result<Entered, EntryRefusal> {
        let entered = self.desk.enter(&self.line, wish, wall(minutes))?;
        self.kept.push(entered.row.clone());
        Ok(entered)
    }

    fn tick(&mut self, minutes: i64, runs: bool, good: impl Fn(&str) -> Option<f64>) {
        let line = &self.line;
        self.desk.handle_tick(line, wall(minutes), |_| runs, |id| good(&line.signal(id).tag));
    }

    fn view(&self, tag: &str, minutes: i64) -> EntryView {
        let place = self.wish(tag, Typed::Check(true)).entry;
        self.desk.views(wall(minutes))[place].clone()
    }
}

fn question(refusal: EntryRefusal) -> (String, Option<f64>) {
    let EntryRefusal::Asked { question, meant } = refusal else { panic!("{refusal:?} is no question") };
    (question, meant)
}

fn utc(minutes: i64) -> UtcMillis {
    UtcMillis(NOON + minutes * 60_000)
}

#[test]
fn thirteen_for_one_point_three_is_asked_back_and_taken_when_confirmed() {
    let mut bench = Bench::new();
    let (text, meant) = question(bench.enter(&bench.moisture(13.0), 1).unwrap_err());
    assert_eq!(meant, Some(1.3));
    assert_eq!(text, "13 %: usual is 0.6 to 2.5; did you mean 1.3? confirm or correct it");
    let taken = bench.enter(&EntryWish { confirmed: true, ..bench.moisture(13.0) }, 1).unwrap();
    assert!(taken.row.was_asked && taken.is_newest && !taken.takes_back);
    let right = EntryWish { corrects: Some(taken.row.n), confirmed: true, ..bench.moisture(1.3) };
    let corrected = bench.enter(&right, 3).unwrap();
    assert!(corrected.takes_back && corrected.is_newest);
    assert_eq!(corrected.row.taken, taken.row.taken, "the same sample");
    assert_eq!(bench.desk.newest(&bench.line).next().unwrap().1.value, 1.3);
}

#[test]
fn what_can_not_be_is_refused_in_words() {
    let mut bench = Bench::new();
    let refused = |found: Result<Entered, EntryRefusal>| match found {
        Err(EntryRefusal::Refused(text)) => text,
        other => panic!("{other:?}"),
    };
    for (value, word) in [(f64::NAN, "NaN %"), (-1.0, "can't be"), (21.0, "from 0 to 20")] {
        let text = refused(bench.enter(&bench.moisture(value), 1));
        assert!(text.contains(word), "{text}");
    }
    let future = EntryWish { taken: Some(utc(10)), ..bench.moisture(1.3) };
    assert!(refused(bench.enter(&future, 1)).contains("later than now"));
    let ancient = EntryWish { taken: Some(utc(-40 * 24 * 60)), ..bench.moisture(1.3) };
    assert!(refused(bench.enter(&ancient, 1)).contains("older than 31 days"));
    let check = bench.wish("XI-455", Typed::Number(1.0));
    assert!(refused(bench.enter(&check, 1)).contains("is a check"));
    assert!(bench.kept.is_empty(), "nothing of it was taken");
}

#[test]
fn a_sample_from_before_this_run_counts_from_when_it_was_taken() {
    let mut bench = Bench::new();
    bench.tick(0, true, |_| None);
    let before = EntryWish { taken: Some(utc(-20)), ..bench.moisture(1.3) };
    assert_eq!(bench.enter(&before, 5).unwrap().row.taken, utc(-20));
    assert_eq!(bench.view("AI-451", 5).due, DueView::At(utc(30)), "of the running it knows of");
}

#[test]
fn an_older_sample_does_not_become_the_present_value() {
    let mut bench = Bench::new();
    bench.enter(&bench.moisture(1.3), 60).unwrap();
    let older = EntryWish { taken: Some(utc(30)), ..bench.moisture(1.4) };
    let entered = bench.enter(&older, 65).unwrap();
    assert!(!entered.is_newest);
    assert_eq!(bench.view("AI-451", 65).last().unwrap().value, 1.3);
}

#[test]
fn two_people_at_once_both_count_and_the_second_is_asked() {
    let mut bench = Bench::new();
    let seen = EntryWish { seen: Some(0), ..bench.moisture(1.3) };
    bench.enter(&seen, 1).unwrap();
    let (text, meant) =
        question(bench.enter(&EntryWish { by: "Bo".to_owned(), ..seen.clone() }, 1).unwrap_err());
    assert_eq!(
        (text.as_str(), meant),
        ("Inés has entered 1.3 meanwhile; confirm to enter yours as well", None)
    );
    bench.enter(&EntryWish { confirmed: true, ..seen }, 1).unwrap();
    assert_eq!(bench.kept.iter().map(|row| row.n).collect::<Vec<_>>(), [1, 2]);
    // Both correct the same one: the first wins, the second is told who.
    let correct = |by: &str| EntryWish { corrects: Some(2), by: by.to_owned(), ..bench.moisture(1.4) };
    let (first, second) = (correct("QA"), correct("Bo"));
    bench.enter(&first, 2).unwrap();
    match bench.enter(&second, 2) {
        Err(EntryRefusal::Corrected(text)) => {
            assert_eq!(text, "entry 2 was corrected already, by QA with entry 3; correct that one");
        }
        other => panic!("{other:?}"),
    }
    let nothing = EntryWish { corrects: Some(77), ..bench.moisture(1.4) };
    assert!(matches!(bench.enter(&nothing, 2), Err(EntryRefusal::Corrected(_))));
}

#[test]
fn numbers_and_what_is_known_go_on_over_a_restart() {
    let mut bench = Bench::new();
    bench.enter(&bench.moisture(1.3), 10).unwrap();
    bench.enter(&bench.wish("XI-455", Typed::Check(true)), 11).unwrap();
    // Two hours later, the next run; its monotonic time begins anew.
    let again = WallAnchor { at: Uptime::START, utc: utc(120) };
    let mut kept = bench.kept.clone();
    kept.reverse();
    let mut desk = EntryDesk::new(&bench.line, kept, 2, again);
    let check = bench.line.signal_by_tag("XI-455").unwrap();
    let since = desk.since_good(&bench.line, check, again, |value| value == 1.0).unwrap();
    assert!((since - 109.0 * 60.0).abs() < 1e-6, "{since}");
    let correction = EntryWish { corrects: Some(1), ..bench.moisture(1.4) };
    let corrected = desk.enter(&bench.line, &correction, again).unwrap();
    assert_eq!((corrected.row.n, corrected.row.taken), (3, utc(10)));
}

#[test]
fn a_kettle_asks_for_its_lime_and_the_day_for_the_oil() {
    let mut bench = Bench::new();
    bench.tick(0, false, |tag| (tag == "XI-101").then_some(1.0));
    assert_eq!(bench.view("WI-101", 0).due, DueView::NotAsked);
    bench.tick(10, false, |tag| (tag == "XI-101").then_some(2.0));
    let view = bench.view("WI-101", 10);
    assert_eq!(
        (view.due, view.awaited_for.as_slice()),
        (DueView::At(utc(15)), ["Kettle 1 step number".to_owned()].as_slice())
    );
    assert_eq!(bench.view("WI-101", 30).due, DueView::Overdue(utc(15)));
    bench.enter(&bench.wish("WI-101", Typed::Number(3.6)), 31).unwrap();
    let view = bench.view("WI-101", 31);
    assert_eq!((view.due, view.awaited_for.len()), (DueView::NotAsked, 0));
    // 06:00 in Chicago at the start: 06:30 is asked for from 05:00 on, as a sample may be a little early.
    let oil = bench.view("AI-310", 10);
    assert_eq!(oil.due, DueView::At(utc(30)));
    assert_eq!(bench.view("AI-310", 125).due, DueView::Overdue(utc(30)));
    bench.enter(&bench.wish("AI-310", Typed::Number(0.18)), 126).unwrap();
    assert_eq!(bench.view("AI-310", 126).due, DueView::NotAsked);
}

#[test]
fn of_a_calibration_the_error_found_is_the_value() {
    let mut bench = Bench::new();
    let read = |found: f64| Typed::Calibration { found, left: 182.0, right: 182.1 };
    let entered = bench.enter(&bench.wish("TI-310", read(181.2)), 1).unwrap();
    assert_eq!((entered.row.value, entered.row.calibration), (-0.9, Some([181.2, 182.0, 182.1])));
    let (text, _) = question(bench.enter(&bench.wish("TI-310", read(170.0)), 1).unwrap_err());
    assert!(text.starts_with("-12.1 K: usual is -5 to 5"), "{text}");
    let refused = bench.enter(&bench.wish("TI-310", read(400.0)), 1);
    assert!(matches!(refused, Err(EntryRefusal::Refused(_))), "{refused:?}");
}

/// The desk of the next run, which begins at a minute with monotonic time of its own; what it has read of before.
fn next_desk(bench: &Bench, minutes: i64, past: &[Past], ran: &[Ran]) -> (EntryDesk, WallAnchor) {
    let again = WallAnchor { at: Uptime::START, utc: utc(minutes) };
    let mut desk = EntryDesk::new(&bench.line, bench.kept.clone(), 9, again);
    desk.take_past(&bench.line, past, ran, again);
    (desk, again)
}

#[test]
fn a_tank_that_asks_for_its_ph_still_asks_after_a_restart() {
    let mut bench = Bench::new();
    let read = |tag: &str, minutes: i64, value: f64| Past {
        utc: utc(minutes),
        signal: bench.line.signal_by_tag(tag).unwrap(),
        value: Some(value),
    };
    let mut past = vec![read("XI-135", 0, 2.0), read("XI-136", 0, 2.0), read("XI-135", 10, 3.0)];
    past.extend([read("XI-136", 12, 3.0), read("XI-137", 13, 3.0), read("XI-135", 14, 3.0)]);
    let place = bench.wish("AI-150", Typed::Number(11.0)).entry;
    let (desk, again) = next_desk(&bench, 15, &past, &[]);
    let view = &desk.views(again)[place];
    assert_eq!(view.due, DueView::Since(utc(10)));
    let both =
        ["Soak tank 5 state", "Soak tank 6 state"].map(|name| view.awaited_for.contains(&name.to_owned()));
    assert_eq!((view.awaited_for.len(), both), (2, [true; 2]), "{:?}", view.awaited_for);
    // An entry at minute 13 was of the first of them; a correction of it answers nothing more.
    bench.enter(&bench.wish("AI-150", Typed::Number(11.0)), 13).unwrap();
    let wrong = bench.kept[0].n;
    bench
        .enter(&EntryWish { corrects: Some(wrong), ..bench.wish("AI-150", Typed::Number(11.2)) }, 14)
        .unwrap();
    let (mut desk, again) = next_desk(&bench, 60, &past, &[]);
    let view = &desk.views(again)[place];
    assert_eq!((view.due, view.awaited_for.len()), (DueView::Overdue(utc(12)), 1));
    // Tank 6 was ready when it was last seen, tank 7 too: only what begins anew asks.
    let good = |id: SignalId| bench.line.signal(id).tag.starts_with("XI-13").then_some(3.0);
    desk.handle_tick(&bench.line, again, |_| false, good);
    assert_eq!(desk.views(again)[place].awaited_for.len(), 1);
}

#[test]
fn an_event_that_began_while_nobody_watched_asks_at_the_first_look() {
    let bench = Bench::new();
    let step = bench.line.signal_by_tag("XI-101").unwrap();
    let past = [Past { utc: utc(0), signal: step, value: Some(1.0) }];
    let place = bench.wish("WI-101", Typed::Number(4.0)).entry;
    let (mut desk, again) = next_desk(&bench, 20, &past, &[]);
    desk.handle_tick(&bench.line, again, |_| false, |id| (id == step).then_some(2.0));
    assert_eq!(desk.views(again)[place].due, DueView::At(utc(25)));
}

#[test]
fn a_check_is_due_after_an_hour_of_running_however_often_the_program_starts() {
    let mut bench = Bench::new();
    let place = bench.wish("XI-455", Typed::Check(true)).entry;
    let station = bench.line.signal(bench.line.entries[place].signal).station;
    let span = |from: i64, to: i64| Ran { station, from: utc(from), to: utc(to) };
    let due = |bench: &Bench, minutes: i64, ran: &[Ran]| {
        let (mut desk, again) = next_desk(bench, minutes, &[], ran);
        desk.handle_tick(&bench.line, again, |_| true, |_| None);
        desk.views(again)[place].due
    };
    // Nothing was ever entered: 50 min have run.
    assert_eq!(due(&bench, 50, &[span(0, 50)]), DueView::At(utc(60)));
    // A minute that nobody saw does not count.
    assert_eq!(due(&bench, 51, &[span(0, 30), span(31, 50)]), DueView::At(utc(62)));
    bench.enter(&bench.wish("XI-455", Typed::Check(true)), 20).unwrap();
    assert_eq!(due(&bench, 50, &[span(0, 50)]), DueView::At(utc(80)));
    assert_eq!(due(&bench, 200, &[span(0, 90)]), DueView::Overdue(utc(80)));
}

/// What is asked for by name goes with the event that a sample answers, and with no other.
#[test]
fn a_sample_from_before_what_asks_for_one_answers_nothing() {
    let mut bench = Bench::new();
    bench.tick(0, false, |tag| (tag == "XI-101").then_some(1.0));
    bench.tick(10, false, |tag| (tag == "XI-101").then_some(2.0));
    let early = EntryWish { taken: Some(utc(5)), ..bench.wish("WI-101", Typed::Number(3.6)) };
    bench.enter(&early, 11).unwrap();
    let view = bench.view("WI-101", 11);
    assert_eq!((view.due, view.awaited_for.len()), (DueView::At(utc(15)), 1));
    bench.enter(&bench.wish("WI-101", Typed::Number(3.6)), 12).unwrap();
    let view = bench.view("WI-101", 12);
    assert_eq!((view.due, view.awaited_for.len()), (DueView::NotAsked, 0));
}
