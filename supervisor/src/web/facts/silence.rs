//! What keeps an alarm silent, so that no list is short without saying why.

use super::{Scene, kind};
use crate::snapshot::{AlarmView, OutOfService, Shelf};
use setward_config::line::{LineAlarm, LineSignal};
use setward_protocol::{ControllerId, Mode, StationId, UtcMillis};

/// What keeps an alarm silent, the strongest reason of several.
#[derive(Debug, Clone, Copy)]
pub(in crate::web) enum Silence<'a> {
    /// Taken out of service by a person.
    OutOfService(Option<&'a OutOfService>),
    /// Its controller does not answer, which has an alarm of its own.
    NoCommunication(ControllerId),
    /// Its station is in a mode in which it does not speak.
    Mode(StationId, Mode),
    /// What it waits for does not hold: these of its own conditions, or, if they all do, product under the station.
    Condition(&'a LineAlarm),
    /// Its signal can't be trusted, which has an alarm of its own.
    BadMeasurement(&'a LineSignal),
    /// Another alarm tells the cause.
    HiddenBy(&'a LineAlarm),
    /// A reason has just ended, and what it watches may settle until then.
    Settling(Option<UtcMillis>),
    /// Put aside by a person until then.
    Shelved(Option<UtcMillis>, Option<&'a Shelf>),
}

impl<'a> Silence<'a> {
    /// Of `alarm`, which belongs to `station`. Out of service is told before suppression, and that before a shelf.
    pub(super) fn of(
        scene: &Scene<'a>,
        alarm: &'a LineAlarm,
        station: Option<StationId>,
        view: &'a AlarmView,
    ) -> Option<Self> {
        let (flags, why) = (view.flags, view.flags.suppressed);
        let mode = || station.map(|station| Self::Mode(station, scene.station(station).view.mode));
        let signal = || alarm.settings.watches.signal().map(|id| Self::BadMeasurement(scene.line.signal(id)));
        let reasons = [
            flags.out_of_service.then_some(Self::OutOfService(view.out_of_service.as_ref())),
            why.no_communication.then(|| alarm.settings.controller.map(Self::NoCommunication)).flatten(),
            why.mode.then(mode).flatten(),
            why.condition.then_some(Self::Condition(alarm)),
            why.bad_measurement.then(signal).flatten(),
            why.hidden_by.map(|cause| Self::HiddenBy(scene.line.alarm(cause))),
            why.settling_until.map(|_| Self::Settling(view.silent_until)),
            flags.shelved_until.map(|_| Self::Shelved(view.silent_until, view.shelf.as_ref())),
        ];
        reasons.into_iter().flatten().next()
    }

    /// The alarm standards' letter: G shelved, H suppressed by design, I out of service.
    pub(in crate::web) const fn letter(&self) -> char {
        match self {
            Self::Shelved(..) => 'G',
            Self::NoCommunication(_)
            | Self::BadMeasurement(_)
            | Self::Mode(..)
            | Self::Condition(_)
            | Self::HiddenBy(..)
            | Self::Settling(_) => 'H',
            Self::OutOfService(_) => 'I',
        }
    }

    /// A stable word for programs.
    pub(in crate::web) const fn key(&self) -> &'static str {
        match self {
            Self::OutOfService(_) => "out_of_service",
            Self::NoCommunication(_) => "no_communication",
            Self::BadMeasurement(_) => "bad_measurement",
            Self::Mode(..) => "station_mode",
            Self::Condition(_) => "condition",
            Self::HiddenBy(..) => "hidden",
            Self::Settling(_) => "settling",
            Self::Shelved(..) => "shelved",
        }
    }

    /// Whether someone decided that nothing is missed. An alarm that is silent because nobody knows its value is blind.
    pub(in crate::web) const fn is_on_purpose(&self) -> bool {
        match self {
            Self::NoCommunication(_) | Self::BadMeasurement(_) => false,
            Self::HiddenBy(cause) => kind::judges_a_value(&cause.settings.kind),
            Self::OutOfService(_)
            | Self::Mode(..)
            | Self::Settling(_)
            | Self::Condition(_)
            | Self::Shelved(..) => true,
        }
    }
}
