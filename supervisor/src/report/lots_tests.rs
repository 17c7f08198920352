//! Lots and date codes on days on which the clocks are changed, by what people enter, and at their edges.

use super::*;
use setward_config::line::{LineEntry, Role};

/// The demo's shifts (06, 14, 22) on a plant in Madrid: forward at 01:00 UTC of 29 March, back at 01:00 UTC of 25 October 2026.
fn line(begins: LotBegins, date_code: &[CodeField]) -> Line {
    let mut line = setward_config::load_demo().unwrap().line;
    line.time_zone = "Europe/Madrid".to_owned();
    line.lots = Some(Lots {
        begins,
        date_code: date_code.to_vec(),
        between: " ".to_owned(),
        line_code: "L2".to_owned(),
        day_from_minute: 0,
        best_before: std::time::Duration::ZERO,
    });
    line
}

fn utc(text: &str) -> UtcMillis {
    UtcMillis(text.parse::<Timestamp>().unwrap().as_millisecond())
}

fn window(from: &str, to: &str) -> Span {
    Span::new(utc(from), utc(to)).unwrap()
}

fn told(line: &Line, from: &str, to: &str) -> Vec<(String, String, bool)> {
    let settings = line.lots.as_ref().unwrap();
    let found = by_clock(line, settings, window(from, to), utc(to)).unwrap();
    let shown = |lot: &LotSpan| {
        let at = Timestamp::from_millisecond(lot.span.from().0).unwrap().to_string();
        (lot.lot.clone(), at, lot.goes_on)
    };
    found.iter().map(shown).collect()
}

fn own(lot: &str, from: &str, goes_on: bool) -> (String, String, bool) {
    (lot.to_owned(), from.to_owned(), goes_on)
}

#[test]
fn a_lot_of_the_day_lasts_until_the_next_morning() {
    let line = line(LotBegins::Clock(vec![360]), &[]);
    let found = told(&line, "2026-11-23T04:59:59.999Z", "2026-11-23T05:00:01Z");
    let expected =
        [own("2026-11-22", "2026-11-22T05:00:00Z", false), own("2026-11-23", "2026-11-23T05:00:00Z", true)];
    assert_eq!(found, expected);
}

/// 02:30 is shown at 00:30 and at 01:30 UTC of 25 October: the lot begins the first time, once, and is 25 h long.
#[test]
fn a_time_that_comes_twice_begins_its_lot_once() {
    let line = line(LotBegins::Clock(vec![150]), &[]);
    let found = told(&line, "2026-10-25T00:00:00Z", "2026-10-26T03:00:00Z");
    let expected = [
        own("2026-10-24", "2026-10-24T00:30:00Z", false),
        own("2026-10-25", "2026-10-25T00:30:00Z", false),
        own("2026-10-26", "2026-10-26T01:30:00Z", true),
    ];
    assert_eq!(found, expected);
}

/// 02:30 is skipped on 29 March: the lot begins at 03:30, half an hour after the clocks went from 02:00 to 03:00.
#[test]
fn a_time_that_is_skipped_begins_its_lot_after_the_change() {
    let line = line(LotBegins::Clock(vec![150]), &[]);
    let found = told(&line, "2026-03-29T00:00:00Z", "2026-03-29T12:00:00Z");
    let expected =
        [own("2026-03-28", "2026-03-28T01:30:00Z", false), own("2026-03-29", "2026-03-29T01:30:00Z", true)];
    assert_eq!(found, expected);
}

#[test]
fn lots_of_shifts_cover_both_changes_without_hole_or_overlap() {
    let line = line(LotBegins::Shifts, &[]);
    for (from, to) in
        [("2026-03-27T00:00:00Z", "2026-03-31T00:00:00Z"), ("2026-10-23T00:00:00Z", "2026-10-27T00:00:00Z")]
    {
        let settings = line.lots.as_ref().unwrap();
        let found = by_clock(&line, settings, window(from, to), utc(to)).unwrap();
        assert!(found.windows(2).all(|pair| pair[0].span.to() == pair[1].span.from()), "{found:?}");
        assert!(found[0].span.from() <= utc(from) && found.last().unwrap().span.to() == utc(to));
        assert_eq!(found.len(), 13, "{found:?}");
        let names: BTreeSet<&str> = found.iter().map(|lot| lot.lot.as_str()).collect();
        assert_eq!(names.len(), found.len(), "each has its own name");
    }
}

#[test]
fn a_date_code_is_what_the_bag_says_at_its_time() {
    use CodeField::{Day, DayOfYear, Hour, Line as OfLine, Month, Shift, Year, YearShort};
    let codes = |fields: &[CodeField], from: &str, to: &str| {
        date_codes(&line(LotBegins::Shifts, fields), window(from, to))
    };
    // 26 November is day 330; shift A ends at 14:00 in Madrid, 13:00 UTC.
    let found = codes(&[YearShort, DayOfYear, OfLine, Shift], "2026-11-26T12:50:00Z", "2026-11-26T13:10:00Z");
    assert_eq!(found, ["26 330 L2 A", "26 330 L2 B"]);
    assert_eq!(
        codes(&[Year, Month, Day], "2026-12-31T22:59:00Z", "2026-12-31T23:01:00Z"),
        ["2026 12 31", "2027 01 01"]
    );
    assert_eq!(codes(&[Day, Hour], "2026-11-26T12:50:00Z", "2026-11-26T14:00:00Z"), ["26 13", "26 14"]);
    assert_eq!(codes(&[], "2026-11-26T12:50:00Z", "2026-11-26T14:00:00Z"), Vec::<String>::new());
}

/// In the night of the change the hour 02 comes twice, at 00 and at 01 UTC: one code for two hours of bags.
#[test]
fn the_hour_that_comes_twice_has_one_code() {
    let line = line(LotBegins::Shifts, &[CodeField::Day, CodeField::Hour]);
    let found = date_codes(&line, window("2026-10-24T23:30:00Z", "2026-10-25T02:30:00Z"));
    assert_eq!(found, ["25 01", "25 02", "25 03"]);
    let spring = date_codes(&line, window("2026-03-29T00:30:00Z", "2026-03-29T01:30:00Z"));
    assert_eq!(spring, ["29 01", "29 03"]);
}

#[test]
fn the_day_of_the_code_begins_when_the_file_says_and_may_be_that_of_best_before() {
    let mut line = line(LotBegins::Clock(vec![0]), &[CodeField::Month, CodeField::Day]);
    let lots = line.lots.as_mut().unwrap();
    lots.day_from_minute = 6 * 60 + 10;
    let night = window("2026-11-26T05:09:00Z", "2026-11-26T05:11:00Z");
    assert_eq!(date_codes(&line, night), ["11 25", "11 26"]);
    line.lots.as_mut().unwrap().best_before = std::time::Duration::from_secs(120 * 86_400);
    assert_eq!(date_codes(&line, night), ["03 25", "03 26"]);
}

fn entered(n: u64, taken: &str, value: f64, corrects: Option<u64>) -> StoredEntry {
    StoredEntry {
        n,
        entered: utc(taken),
        taken: utc(taken),
        tag: "AI-451".to_owned(),
        value,
        corrects,
        by: "Ines".to_owned(),
        was_asked: false,
        late_s: 0.0,
        calibration: None,
        about: None,
        note: None,
    }
}

/// Newest first, as history gives them.
fn lots_of(rows: &[StoredEntry]) -> Vec<(String, bool)> {
    let mut line = line(LotBegins::Shifts, &[]);
    let entry: &LineEntry = &line.entries[0];
    let signal = entry.signal;
    assert_eq!(line.signal(signal).role, Role::Entered);
    line.signals[signal.index()].decimals = 0;
    let mut rows = rows.to_vec();
    rows.reverse();
    let found = by_entries(&line, signal, &rows, utc("2026-11-24T00:00:00Z"));
    assert!(found.windows(2).all(|pair| pair[0].span.to() == pair[1].span.from()), "{found:?}");
    found.iter().map(|lot| (lot.lot.clone(), lot.goes_on)).collect()
}

#[test]
fn an_entered_lot_lasts_until_another_number() {
    let found = lots_of(&[
        entered(1, "2026-11-23T06:00:00Z", 4711.0, None),
        entered(2, "2026-11-23T08:00:00Z", 4711.0, None),
        entered(3, "2026-11-23T10:00:00Z", 4712.0, None),
        entered(4, "2026-11-23T12:00:00Z", 4711.0, None),
    ]);
    let expected = [("4711", false), ("4712", false), ("4711", true)];
    assert_eq!(found, expected.map(|(lot, goes_on)| (lot.to_owned(), goes_on)));
}

/// 4712 was typed for 4713 and corrected; two shifts entered at the same minute; one comes late, for a time before another.
#[test]
fn corrected_late_and_doubled_entries_overlap_nothing() {
    let found = lots_of(&[
        entered(1, "2026-11-23T06:00:00Z", 4711.0, None),
        entered(2, "2026-11-23T10:00:00Z", 4712.0, None),
        entered(3, "2026-11-23T10:00:00Z", 4713.0, Some(2)),
        entered(4, "2026-11-23T14:00:00Z", 4714.0, None),
        entered(5, "2026-11-23T14:00:00Z", 4715.0, None),
        entered(6, "2026-11-23T08:00:00Z", 4710.0, None),
        entered(7, "2026-11-24T08:00:00Z", 9999.0, None),
    ]);
    let expected = [("4711", false), ("4710", false), ("4713", false), ("4715", true)];
    assert_eq!(found, expected.map(|(lot, goes_on)| (lot.to_owned(), goes_on)));
}

#[test]
fn what_is_told_is_put_into_words() {
    let one =
        Touched { lots: vec!["4711".to_owned()], date_codes: vec!["26 330".to_owned(), "26 331".to_owned()] };
    assert_eq!(one.words().as_deref(), Some("lot 4711; date codes 26 330, 26 331"));
    assert_eq!(Touched::default().words(), None);
}

#[test]
fn a_window_at_the_end_of_all_numbers_has_codes_and_no_end_of_the_program() {
    let line = setward_config::load_demo().unwrap().line;
    let ends = [(i64::MAX - 807, i64::MAX), (i64::MAX - 2_000_000, i64::MAX), (i64::MIN, i64::MIN + 807)];
    for (from, to) in ends {
        let window = Span::new(UtcMillis(from), UtcMillis(to)).unwrap();
        assert!(date_codes(&line, window).len() <= 2);
    }
}
