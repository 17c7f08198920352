//! What an address may ask for.

use super::*;

/// 2026-11-25T12:00:00Z, 13:00 in the plant.
const NOW: UtcMillis = UtcMillis(1_795_608_000_000);

fn line() -> Line {
    let mut line = setward_config::load_demo().unwrap().line;
    line.time_zone = "Europe/Madrid".to_owned();
    line
}

fn plant() -> Zone {
    Zone::named("Europe/Madrid")
}

fn read(query: &[(&str, &str)]) -> Result<Asked, String> {
    let pairs: Vec<(String, String)> =
        query.iter().map(|(key, value)| ((*key).to_owned(), (*value).to_owned())).collect();
    Asked::read(&line(), &plant(), NOW, &pairs).map_err(|wrong| wrong.text())
}

#[test]
fn without_anything_it_is_the_fryer_over_the_last_week() {
    let asked = read(&[]).unwrap();
    assert_eq!(asked.tags(&line()), ["TT-310", "TT-313", "ST-340"]);
    assert_eq!((asked.span.to(), asked.span.length_ms()), (NOW, 7 * DAY_MS));
    assert_eq!(asked.last.as_deref(), Some("7d"));
}

#[test]
fn an_address_says_again_all_that_was_asked() {
    let query = [
        ("signals", "ST-340,TT-310"),
        ("from", "2026-11-23 06:00"),
        ("to", "2026-11-23T14:00:00+01:00"),
        ("against", "2026-11-22 06:00"),
        ("axis", "all"),
    ];
    let asked = read(&query).unwrap();
    let address = asked.address(&line(), "/trend");
    assert_eq!(
        address,
        "/trend?signals=ST-340,TT-310&from=2026-11-23T05:00:00Z&to=2026-11-23T13:00:00Z&against=2026-11-22T05:00:00Z&axis=all"
    );
    let pairs: Vec<(&str, &str)> =
        address.split_once('?').unwrap().1.split('&').filter_map(|pair| pair.split_once('=')).collect();
    assert_eq!(read(&pairs).unwrap(), asked);
}

#[test]
fn boxes_of_a_form_add_up_and_each_signal_has_one_pane() {
    let asked = read(&[
        ("signals", "TT-310"),
        ("signals", "ST-340"),
        ("signals", "TT-310"),
        ("from", "8h"),
        ("to", "now"),
    ]);
    let asked = asked.unwrap();
    assert_eq!(asked.tags(&line()), ["TT-310", "ST-340"]);
    assert_eq!(asked.span.length_ms(), 8 * 3_600_000);
}

#[test]
fn what_can_not_be_answered_is_told_with_what_is_accepted() {
    let many: Vec<String> = line().signals.iter().take(13).map(|signal| signal.tag.clone()).collect();
    let many = many.join(",");
    let cases: [(&[(&str, &str)], &str); 16] = [
        (
            &[("from", "2026-11-23T06:00:00Z"), ("to", "now"), ("against", "1013-11-20")],
            "more than ten years away",
        ),
        (&[("signals", "TT-301")], "nearest is \"TT-310\""),
        (&[("signals", &many)], "more than 12"),
        (&[("sgnals", "TT-310")], "did you mean \"signals\""),
        (&[("from", "2026-11-25"), ("to", "2026-11-24")], "must lie after"),
        (&[("from", "1970-01-01")], "400 days at most"),
        (&[("from", "2026-11-25T11:59:59Z")], "10 s at least"),
        (&[("from", "yesterday")], "no time; write 2026-11-23T06:00:00Z"),
        (&[("to", "now")], "needs a \"from\""),
        (&[("last", "8h"), ("from", "now")], "either"),
        (&[("last", "long")], "write 7d, 8h"),
        (&[("last", "9000d")], "up to 366 days"),
        (&[("axis", "wide")], "band, all"),
        (&[("columns", "2001")], "10 to 2000"),
        (&[("columns", "x")], "10 to 2000"),
        (&[("from", "8h"), ("from", "7d")], "twice"),
    ];
    for (query, phrase) in cases {
        let text = read(query).unwrap_err();
        assert!(text.contains(phrase), "{query:?}: {text}");
    }
    let endless = "x".repeat(100_000);
    assert!(read(&[("signals", &endless)]).unwrap_err().len() < 300);
}

#[test]
fn a_day_stays_a_day_when_the_clocks_are_put_back() {
    let day = read(&[("from", "2026-10-24 06:00"), ("to", "2026-10-25 06:00")]).unwrap();
    assert_eq!(day.span.length_ms(), 25 * 3_600_000);
    let next = day.moved(&plant(), 1).unwrap();
    let shown = [next.span.from(), next.span.to()].map(|at| plant().stamp(at));
    assert_eq!(shown, ["Sun 2026-10-25 06:00", "Mon 2026-10-26 06:00"]);
}

#[test]
fn wider_ends_now_and_narrower_stays_within_what_can_be_asked() {
    let asked = read(&[("last", "8h")]).unwrap();
    let wider = asked.scaled(2.0, NOW).unwrap();
    assert_eq!((wider.span.to(), wider.span.length_ms()), (NOW, 16 * 3_600_000));
    let (odd, week) = (UtcMillis(NOW.0 + 417), [("last".to_owned(), "7d".to_owned())]);
    let asked = Asked::read(&line(), &plant(), odd, &week).unwrap();
    let half = asked.scaled(0.5, odd).unwrap().span;
    assert_eq!(
        (half.length_ms() * 2, half.to().0 % 1000),
        (7 * DAY_MS, 0),
        "to the second, whatever time it is"
    );
    let shortest = read(&[("from", "2026-11-25T11:59:45Z"), ("to", "2026-11-25T11:59:55Z")]).unwrap();
    assert_eq!(shortest.scaled(0.5, NOW), None);
    assert!(read(&[("last", "300d")]).unwrap().scaled(2.0, NOW).is_none());
}
