//! What keeps an alarm silent, so that no list is short without saying why.

use super::{Scene, kind};
use crate::snapshot::{AlarmFlags, OutOfService, Shelved, Suppressed};
use setward_alarm::AlarmId;
use setward_config::line::LineAlarm;
use setward_protocol::{Mode, StationId};

/// What keeps an alarm silent, the strongest reason of several.
#[derive(Debug, Clone, Copy)]
pub(in crate::web) enum Silence<'a> {
    /// Taken out of service by a person.
    OutOfService(&'a OutOfService),
    /// Its station is in a mode in which it does not speak.
    Mode(StationId, Mode),
    /// What it watches is settling after its station came back.
    Settling,
    /// What its `when` asks for does not hold.
    Condition,
    /// Another alarm tells the cause.
    HiddenBy(AlarmId, &'a LineAlarm),
    /// Put aside by a person for a while.
    Shelved(&'a Shelved),
}

impl<'a> Silence<'a> {
    /// Of an alarm of `station` with these flags. Out of service is told before suppression, and that before a shelf.
    pub(super) fn of(scene: &Scene<'a>, station: Option<StationId>, flags: &'a AlarmFlags) -> Option<Self> {
        let by_design = |suppressed| match (suppressed, station) {
            (Suppressed::StationMode, Some(station)) => Self::Mode(station, scene.station(station).view.mode),
            (Suppressed::Condition | Suppressed::StationMode, _) => Self::Condition,
            (Suppressed::Settling, _) => Self::Settling,
            (Suppressed::HiddenBy(cause), _) => Self::HiddenBy(cause, scene.line.alarm(cause)),
        };
        let out = flags.out_of_service.as_ref().map(Self::OutOfService);
        out.or(flags.suppressed.map(by_design)).or(flags.shelved.as_ref().map(Self::Shelved))
    }

    /// The alarm standards' letter: G shelved, H suppressed by design, I out of service.
    pub(in crate::web) const fn letter(&self) -> char {
        match self {
            Self::Shelved(_) => 'G',
            Self::Mode(..) | Self::Settling | Self::Condition | Self::HiddenBy(..) => 'H',
            Self::OutOfService(_) => 'I',
        }
    }

    /// Whether someone decided that nothing is missed. An alarm that is hidden because nobody knows its value is blind.
    pub(super) const fn is_on_purpose(&self) -> bool {
        match self {
            Self::HiddenBy(_, cause) => kind::judges_a_value(&cause.settings.kind),
            Self::OutOfService(_) | Self::Mode(..) | Self::Settling | Self::Condition | Self::Shelved(_) => {
                true
            }
        }
    }
}
