//! The stations that a sample is traced back to: each before its own, each once.

use crate::check::LineNames;
use crate::line::StationId;
use crate::problem::{Code, quoted};
use crate::raw::entry::RawEntry;
use crate::reader::Sink;

/// The stations, in the order of the file.
pub(super) fn check(raw: &RawEntry, names: &LineNames<'_>, sink: &mut Sink) -> Option<Vec<StationId>> {
    let Some(written) = &raw.traced_to else { return Some(Vec::new()) };
    // What is wrong with its own station was told when the signal was made.
    let own = raw.station.as_ref().and_then(|name| names.stations.find(name, &mut Sink::default()));
    let mut found: Vec<StationId> = Vec::new();
    let mut is_whole = true;
    for name in &written.value {
        let Some(index) = names.stations.find(name, sink) else {
            is_whole = false;
            continue;
        };
        let station = StationId(u16::try_from(index).ok()?);
        if own.is_some_and(|own| index >= own) {
            let message =
                format!("{} is not before the station at which the sample is taken", quoted(&name.value));
            sink.report(Code::Conflict, name.at, message, "name stations that the sample had passed");
            is_whole = false;
        } else if found.contains(&station) {
            let message = format!("{} is here twice", quoted(&name.value));
            sink.report(Code::Duplicate, name.at, message, "take one of the two out");
            is_whole = false;
        } else {
            found.push(station);
        }
    }
    is_whole.then_some(found)
}
