//! Finds signals, alarms and stations by the names people write, with the nearest one when there is none.

use setward_alarm::AlarmId;
use setward_config::line::Line;
use setward_protocol::{SignalId, StationId};

/// A name further off than this is no help: 1 is equal, 0 nothing in common.
const NEAR_ENOUGH: f64 = 0.6;

/// The signal, or the nearest tag.
pub(super) fn signal(line: &Line, tag: &str) -> Result<SignalId, Option<String>> {
    line.signal_by_tag(tag)
        .ok_or_else(|| nearest(&tag.to_uppercase(), line.signals.iter().map(|signal| signal.tag.as_str())))
}

/// The alarm, or the nearest id.
pub(super) fn alarm(line: &Line, id: &str) -> Result<AlarmId, Option<String>> {
    line.alarm_by_id(id)
        .ok_or_else(|| nearest(&id.to_lowercase(), line.alarms.iter().map(|alarm| alarm.id.as_str())))
}

/// The station, or the nearest key.
pub(super) fn station(line: &Line, key: &str) -> Result<StationId, Option<String>> {
    let keys = || line.stations.iter().map(|station| station.key.as_str());
    let found = (0..=u16::MAX).map(StationId).zip(keys()).find(|(_, own)| *own == key).map(|(id, _)| id);
    found.ok_or_else(|| nearest(&key.to_lowercase(), keys()))
}

/// The nearest of some names, if one is near.
pub(super) fn nearest<'a>(wanted: &str, names: impl Iterator<Item = &'a str>) -> Option<String> {
    // Names are short by the file's rules; what a person sends need not be.
    let wanted: String = wanted.chars().take(80).collect();
    names
        .map(|name| (strsim::jaro_winkler(&wanted, name), name))
        .filter(|(likeness, _)| *likeness >= NEAR_ENOUGH)
        .max_by(|(a, _), (b, _)| a.total_cmp(b))
        .map(|(_, name)| name.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_of_the_pen_finds_the_name() {
        let tags = ["TT-310", "TT-313", "FT-320"];
        assert_eq!(nearest("TT310", tags.into_iter()).as_deref(), Some("TT-310"));
        assert_eq!(nearest("FT-32", tags.into_iter()).as_deref(), Some("FT-320"));
        assert_eq!(nearest("weather", tags.into_iter()), None);
        assert_eq!(nearest(&"x".repeat(100_000), tags.into_iter()), None);
    }
}
