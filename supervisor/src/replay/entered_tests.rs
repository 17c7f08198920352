//! Which entries stand where a replay begins.

use super::*;
use setward_protocol::UtcMillis;

const TAG: &str = "AI-451";

fn wall(second: i64) -> WallAnchor {
    WallAnchor {
        at: Uptime::from_millis(u64::try_from(1000 * second).unwrap()),
        utc: UtcMillis(1000 * second),
    }
}

fn row(n: u64, second: i64, value: f64) -> StoredEntry {
    StoredEntry {
        n,
        tag: TAG.to_owned(),
        value,
        taken: UtcMillis(1000 * second),
        entered: UtcMillis(1000 * second),
        by: "Ana".to_owned(),
        corrects: None,
        was_asked: false,
        late_s: 0.0,
        calibration: None,
        about: None,
        note: None,
    }
}

/// The second and the value that stand, of a run that began at a second and is played from another.
fn stands(rows: &[StoredEntry], started: i64, played_from: i64) -> Option<(f64, f64)> {
    let line = setward_config::load_demo().unwrap().line;
    let entered = Entered(vec![(line.signal_by_tag(TAG).unwrap(), rows.to_vec())]);
    let begins = Begins { run: RunId(1), started: wall(started), played_from: wall(played_from) };
    let scans = entered.standing(&line, begins);
    let sample = scans.first()?.samples.first()?;
    assert_eq!((scans.len(), scans[0].at), (1, wall(played_from).at));
    Some((sample.at.as_secs_f64(), sample.reading.good()?))
}

#[test]
fn the_newest_value_that_holds_stands_from_when_it_was_entered_and_what_came_later_does_not() {
    let corrects = |n, entry| StoredEntry { corrects: Some(n), ..entry };
    let rows = [row(1, 100, 1.2), row(2, 200, 1.3), row(4, 900, 1.5)];
    assert_eq!(stands(&rows, 10, 800), Some((200.0, 1.3)));
    assert_eq!(stands(&rows, 10, 100), None, "it comes with the readings");
    let rows = [rows[0].clone(), rows[1].clone(), corrects(2, row(3, 300, 1.4)), rows[2].clone()];
    assert_eq!(stands(&rows, 10, 250), Some((200.0, 1.3)));
    assert_eq!(stands(&rows, 10, 800), Some((300.0, 1.4)));
}

#[test]
fn a_value_of_before_the_run_stands_from_its_start_while_it_is_known() {
    let line = setward_config::load_demo().unwrap().line;
    let known_s = line.gap_limit(line.signal_by_tag(TAG).unwrap()).as_secs() as i64;
    let rows = [row(1, 100, 1.2)];
    assert_eq!(stands(&rows, 100 + known_s, 100 + known_s), Some(((100 + known_s) as f64, 1.2)));
    assert_eq!(stands(&rows, 101 + known_s, 101 + known_s), None);
    assert_eq!(stands(&rows, 50, 5000 + known_s), Some((100.0, 1.2)), "the run that got it still has it");
}
