//! What can be said of the line, a station, a signal or an alarm at one moment: the numbers behind every page, stream and
//! answer.
//!
//! No markup and no formats here; `words.rs` and `pages/` speak, this only knows.

mod alarm;
mod kind;
mod signal;
mod silence;

pub(super) use alarm::{AlarmFacts, Direction, Subject};
pub(super) use signal::{Entered, SignalFacts};
pub(super) use silence::Silence;

use super::times::{Zone, seconds_between};
use crate::notify::{ChannelStatus, Outlook, SharedChannelStatus};
use crate::snapshot::{AlarmView, ControllerView, LineSnapshot, SignalView, StationView};
use setward_alarm::{AlarmId, AlarmState, Flags, Forecast, Watched};
use setward_config::line::{
    Belt, ControlLoop, Controller, JudgeWhen, Line, LoopMode, Meaning, Recipe, RecipeSetpoint, Role, Station,
};
use setward_protocol::{ControllerId, Dimension, Mode, SignalId, StationId, UtcMillis};
use std::cmp::Reverse;
use std::collections::BTreeMap;

/// A signal whose view is missing has not been polled.
static NOT_POLLED: SignalView = SignalView::NOT_POLLED;

/// A controller whose view is missing has not been asked.
static NOT_ASKED: ControllerView = ControllerView {
    scans_good: 0,
    scans_failed: 0,
    answers: false,
    last_good: None,
    problem: None,
    scan_ms: None,
    scans_took_s: 0.0,
    failures: BTreeMap::new(),
};

/// An alarm whose view is missing has never raised.
static NEVER_RAISED: AlarmView = AlarmView {
    state: AlarmState::Normal,
    occurrence: 0,
    onset: None,
    raised: None,
    cleared: None,
    acknowledged: None,
    exposure: None,
    beyond_since: None,
    forecast: Forecast::Unknown,
    flags: Flags::NONE,
    silent_until: None,
    shelf: None,
    out_of_service: None,
};

/// The line, its snapshot and the server's time: what one answer is made from.
#[derive(Clone, Copy)]
pub(super) struct Scene<'a> {
    pub(super) line: &'a Line,
    pub(super) snapshot: &'a LineSnapshot,
    pub(super) zone: &'a Zone,
    pub(super) now: UtcMillis,
    /// The ways in which alarms leave; `None` where nobody looks at a page.
    pub(super) outlook: Option<&'a Outlook>,
}

/// A controller at the moment of the scene.
#[derive(Clone, Copy)]
pub(super) struct ControllerFacts<'a> {
    pub(super) id: ControllerId,
    pub(super) controller: &'a Controller,
    pub(super) view: &'a ControllerView,
}

/// A station at the moment of the scene.
#[derive(Clone, Copy)]
pub(super) struct StationFacts<'a> {
    pub(super) id: StationId,
    pub(super) station: &'a Station,
    pub(super) view: StationView,
}

impl ControllerFacts<'_> {
    /// Whether its last scan brought no answer at all.
    pub(super) const fn is_silent(&self) -> bool {
        self.view.problem.is_some() && !self.view.answers
    }
}

impl StationFacts<'_> {
    /// The mode's word, if the line file says what its modes are: without rules nobody knows more than "run".
    pub(super) fn mode(&self) -> Option<Mode> {
        (!self.station.modes.is_empty()).then_some(self.view.mode)
    }
}

impl<'a> Scene<'a> {
    /// `at` as the plant's clock shows it.
    pub(super) fn clock(&self, at: UtcMillis) -> String {
        self.zone.clock(at, self.now)
    }

    /// The same without seconds, for what is reckoned and not measured.
    pub(super) fn minute_of(&self, at: UtcMillis) -> String {
        self.zone.minute_of(at, self.now)
    }

    /// A stretch, with its dates where they are not this moment's or differ.
    pub(super) fn between(&self, from: UtcMillis, to: UtcMillis) -> String {
        self.zone.between(from, to, self.now)
    }

    /// How each way is doing in which alarms leave.
    pub(super) fn channels(&self) -> Vec<ChannelStatus> {
        let statuses = self.outlook.map(|outlook| outlook.statuses.as_slice()).unwrap_or_default();
        statuses.iter().map(SharedChannelStatus::now).collect()
    }

    /// Seconds since `at`, never negative.
    pub(super) fn seconds_since(&self, at: UtcMillis) -> f64 {
        seconds_between(at, self.now)
    }

    pub(super) fn signal(&self, id: SignalId) -> SignalFacts<'a> {
        let entered = self.entered(id);
        let asked = self.recipe_at(self.line.signal(id).station).setpoint(id);
        SignalFacts {
            id,
            signal: self.line.signal(id),
            view: self.snapshot.signal(id).unwrap_or(&NOT_POLLED),
            asked: if entered.is_some() { None } else { asked },
            entered,
            judged: asked.is_some_and(|asked| self.is_judged(id, asked)) || entered.is_some(),
        }
    }

    /// Whether a value counts now: a tank that fills is not a cook that is too cold.
    fn is_judged(&self, id: SignalId, asked: &RecipeSetpoint) -> bool {
        let station = self.station(self.line.signal(id).station).view;
        let runs = station.mode == Mode::Run;
        let counts = match asked.judge_when {
            JudgeWhen::Always => true,
            JudgeWhen::StationRun => runs,
            JudgeWhen::ProductPresent => runs && station.product_present != Some(false),
        };
        let mut watching = self.line.alarms_with_ids().filter(|(_, alarm)| {
            alarm.settings.watches == Watched::Signal(id) && kind::is_against_recipe(&alarm.settings.kind)
        });
        let waits = |id: AlarmId| {
            let suppressed = self.snapshot.alarm(id).map(|view| view.flags.suppressed);
            suppressed.is_some_and(|why| why.mode || why.condition)
        };
        let first = watching.next();
        let all_wait = first.is_some_and(|(id, _)| waits(id)) && watching.all(|(id, _)| waits(id));
        counts && !all_wait
    }

    /// The recipe that a station runs.
    pub(super) fn recipe_at(&self, station: StationId) -> &'a Recipe {
        let running = self.snapshot.stations.get(station.index()).and_then(|view| view.recipe);
        running.and_then(|index| self.line.recipes.get(index)).unwrap_or_else(|| self.line.recipe())
    }

    /// The recipe that runs at a station, or on the line. Where they differ, each with the station from which on it runs.
    pub(super) fn recipe_words(&self, station: Option<StationId>) -> String {
        if let Some(station) = station {
            return self.recipe_at(station).name.clone();
        }
        let mut runs: Vec<(&str, &str)> = Vec::new();
        for facts in self.stations() {
            let name = self.recipe_at(facts.id).name.as_str();
            if runs.last().is_none_or(|(_, before)| *before != name) {
                runs.push((&facts.station.name, name));
            }
        }
        match runs.as_slice() {
            [(_, name)] => (*name).to_owned(),
            many => {
                many.iter().map(|(from, name)| format!("{from}: {name}")).collect::<Vec<_>>().join(" \u{b7} ")
            }
        }
    }

    /// What the running recipe asks of the setpoint that people enter with `id`.
    fn entered(&self, id: SignalId) -> Option<Entered> {
        let recipe = self.recipe_at(self.line.signal(id).station);
        let asked = recipe.setpoints.iter().find(|asked| asked.entered == Some(id))?;
        Entered::of(asked, self.line.signal(asked.signal).unit, self.line.signal(id).unit)
    }

    pub(super) fn signals(&self) -> impl Iterator<Item = SignalFacts<'a>> + use<'a> {
        let scene = *self;
        scene.line.signals_with_ids().map(move |(id, _)| scene.signal(id))
    }

    pub(super) fn controller(&self, id: ControllerId) -> ControllerFacts<'a> {
        let view = self.snapshot.controllers.get(id.index()).unwrap_or(&NOT_ASKED);
        ControllerFacts { id, controller: self.line.controller(id), view }
    }

    pub(super) fn controllers(&self) -> impl Iterator<Item = ControllerFacts<'a>> + use<'a> {
        let scene = *self;
        (0..=u16::MAX).map(ControllerId).zip(&scene.line.controllers).map(move |(id, _)| scene.controller(id))
    }

    pub(super) fn station(&self, id: StationId) -> StationFacts<'a> {
        let view = self.snapshot.stations.get(id.index()).copied().unwrap_or_default();
        StationFacts { id, station: self.line.station(id), view }
    }

    /// Every station, in the order product passes.
    pub(super) fn stations(&self) -> impl Iterator<Item = StationFacts<'a>> + use<'a> {
        let scene = *self;
        (0..=u16::MAX).map(StationId).zip(&scene.line.stations).map(move |(id, _)| scene.station(id))
    }

    pub(super) fn alarm(&self, id: AlarmId) -> AlarmFacts<'a> {
        let alarm = self.line.alarm(id);
        let on = match alarm.settings.watches {
            Watched::Signal(signal) => Subject::Signal(self.signal(signal)),
            Watched::Controller(controller) => Subject::Controller(self.controller(controller)),
            Watched::Server(server) => Subject::Server(self.line.server(server)),
        };
        let view = self.snapshot.alarm(id).unwrap_or(&NEVER_RAISED);
        let of_signal = alarm.settings.watches.signal().map(|signal| self.line.signal(signal).station);
        let station = alarm.settings.station.or(of_signal);
        let silence = Silence::of(self, alarm, station, view);
        let against = kind::other_signal(&alarm.settings.kind).map(|other| self.signal(other));
        AlarmFacts { id, alarm, view, on, against, station, silence }
    }

    pub(super) fn alarms(&self) -> impl Iterator<Item = AlarmFacts<'a>> + use<'a> {
        let scene = *self;
        scene.line.alarms_with_ids().map(move |(id, _)| scene.alarm(id))
    }

    /// Alarms that speak: active or waiting for a person, and nothing keeps them silent. Highest priority first; within
    /// it what is active before what has gone, then newest first.
    pub(super) fn standing_alarms(&self) -> Vec<AlarmFacts<'a>> {
        let mut standing: Vec<_> = self.alarms().filter(AlarmFacts::is_standing).collect();
        standing.sort_by_key(|facts| {
            let active = facts.view.state.is_active();
            (Reverse((facts.alarm.priority, active, facts.view.raised)), facts.id)
        });
        standing
    }

    /// Alarms that are kept silent, in the order of the line files.
    pub(super) fn silent_alarms(&self) -> Vec<AlarmFacts<'a>> {
        self.alarms().filter(|facts| facts.silence.is_some()).collect()
    }

    /// Alarms that can't judge now because nobody knows their value.
    pub(super) fn blind_alarms(&self) -> Vec<AlarmFacts<'a>> {
        self.alarms().filter(AlarmFacts::is_blind).collect()
    }

    /// Alarms that are not standing but have exposure or a raise ahead: nearest to the allowance first.
    pub(super) fn building_alarms(&self) -> Vec<AlarmFacts<'a>> {
        let mut building: Vec<_> = self.alarms().filter(AlarmFacts::is_building).collect();
        building.sort_by(|a, b| {
            b.view.exposure.unwrap_or(0.0).total_cmp(&a.view.exposure.unwrap_or(0.0)).then(a.id.cmp(&b.id))
        });
        building
    }

    /// The loop that measures with `signal`.
    pub(super) fn loop_of(&self, signal: SignalId) -> Option<&'a ControlLoop> {
        self.line.loops.iter().find(|control| control.measured == signal)
    }

    /// Loops whose mode word says that a person holds the output.
    pub(super) fn manual_loops(&self) -> impl Iterator<Item = &'a ControlLoop> + use<'a> {
        let scene = *self;
        scene.line.loops.iter().filter(move |control| scene.is_manual(control))
    }

    pub(super) fn is_manual(&self, control: &ControlLoop) -> bool {
        self.loop_mode(control) == Some(LoopMode::Manual)
    }

    /// What the loop is doing, as far as its mode word says.
    pub(super) fn loop_mode(&self, control: &ControlLoop) -> Option<LoopMode> {
        let code = control.mode.and_then(|mode| self.signal(mode).code())?;
        control.modes.get(&code).copied()
    }

    /// The controller whose newest complete scan is the oldest: nothing on the page is older than that. `None` when
    /// there is no controller.
    pub(super) fn slowest_controller(&self) -> Option<ControllerFacts<'a>> {
        self.controllers().min_by_key(|facts| facts.view.last_good)
    }

    /// The panel's own time setpoint of a belt: the one the line file names, else the only time setpoint of its station.
    pub(super) fn dwell_setpoint(&self, belt: &Belt) -> Option<SignalFacts<'a>> {
        if let Some(named) = belt.dwell_setpoint {
            return Some(self.signal(named));
        }
        let mut found = self.signals().filter(|facts| {
            let signal = facts.signal;
            let is_time = signal.unit.dimension() == Dimension::Time;
            signal.station == belt.station && signal.role == Role::Setpoint && is_time
        });
        let first = found.next()?;
        found.next().is_none().then_some(first)
    }

    /// Signals of a station that people look at: all but the words that only prove a controller alive.
    pub(super) fn signals_at(&self, station: StationId) -> impl Iterator<Item = SignalFacts<'a>> + use<'a> {
        self.signals().filter(move |facts| {
            facts.signal.station == station && facts.signal.means != Some(Meaning::Heartbeat)
        })
    }

    /// The signal's controller, if it has one and it does not answer.
    pub(super) fn silent_controller(&self, facts: &SignalFacts<'_>) -> Option<ControllerFacts<'a>> {
        let controller = self.controller(facts.signal.register()?.controller);
        controller.is_silent().then_some(controller)
    }
}
