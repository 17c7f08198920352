//! Alarms whose signal was renamed: an id that ends with the signal's tag is another one then, and what people did to the alarm
//! goes on under it. Somebody may stand in the middle of a repair.

use super::removed::closed;
use crate::history::AlarmRecord;
use setward_config::line::Line;

/// The id that the alarm once called `id` has now; `None` if no signal's `was` tells.
#[must_use]
pub fn id_now(line: &Line, id: &str) -> Option<String> {
    if line.alarm_by_id(id).is_some() {
        return None;
    }
    line.signals.iter().find_map(|signal| {
        let of_all = id.strip_suffix(signal.was.as_deref()?)?.strip_suffix('.')?;
        let now = format!("{of_all}.{}", signal.tag);
        line.alarm_by_id(&now).is_some().then_some(now)
    })
}

/// Puts each of `records` under the id that its alarm has now, unless that one has a record of its own. Returns what history is
/// to keep of it: the same under the new id, and nothing standing under the old one.
#[must_use]
pub fn follow(line: &Line, records: &mut [AlarmRecord]) -> Vec<AlarmRecord> {
    let mut to_keep = Vec::new();
    for index in 0..records.len() {
        let now = records.get(index).and_then(|record| id_now(line, &record.id));
        let Some(now) = now.filter(|now| records.iter().all(|other| other.id != *now)) else { continue };
        let Some(record) = records.get_mut(index) else { continue };
        to_keep.push(closed(record.clone()));
        record.id = now;
        to_keep.push(record.clone());
    }
    to_keep
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::line::removed::removed_of;
    use crate::snapshot::OutOfService;
    use setward_protocol::UtcMillis;

    fn record(id: &str, state: char) -> AlarmRecord {
        AlarmRecord {
            id: id.to_owned(),
            state,
            occurrence: 3,
            was_told: true,
            drops_exposure: false,
            exposure: 0.5,
            waited: std::time::Duration::ZERO,
            waited_under: 0,
            onset: None,
            raised: Some(UtcMillis(1)),
            cleared: None,
            acknowledged: None,
            shelf: None,
            out_of_service: Some(OutOfService {
                since: UtcMillis(2),
                by: "Ana".to_owned(),
                why: Some("probe out".to_owned()),
            }),
        }
    }

    /// The demo with another tag for one of its probes.
    fn line() -> Line {
        let mut line = setward_config::load_demo().unwrap().line;
        let signal = line.signals.iter_mut().find(|signal| signal.tag == "TT-311").unwrap();
        (signal.tag, signal.was) = ("TT-312B".to_owned(), Some("TT-311".to_owned()));
        for alarm in &mut line.alarms {
            alarm.id = alarm.id.replace(".TT-311", ".TT-312B");
        }
        line
    }

    #[test]
    fn what_people_did_to_an_alarm_goes_on_when_its_signal_gets_another_tag() {
        let line = line();
        let (old_id, new_id) = ("measurement.TT-311", "measurement.TT-312B");
        let before = [record(old_id, 'B'), record("gone.TT-311", 'B')];
        let mut records = before.to_vec();
        let kept = follow(&line, &mut records);
        assert_eq!(records, [AlarmRecord { id: new_id.to_owned(), ..before[0].clone() }, before[1].clone()]);
        assert_eq!(removed_of(&line, &records), [before[1].clone()], "only what has no alarm is closed");
        // At the next start history has both: the new one stays as it is, and the old one stands no more.
        let mut next = kept.clone();
        assert!(next[0].id == old_id && next[0].state == 'A' && next[0].out_of_service.is_none());
        assert!(follow(&line, &mut next).is_empty());
        assert_eq!(next, kept);
        assert!(removed_of(&line, &next).is_empty());
    }

    #[test]
    fn an_alarm_that_has_a_record_under_its_new_id_takes_over_no_other() {
        let line = line();
        let both = [record("measurement.TT-311", 'B'), record("measurement.TT-312B", 'A')];
        let mut records = both.to_vec();
        assert!(follow(&line, &mut records).is_empty());
        assert_eq!(records, both);
    }
}
