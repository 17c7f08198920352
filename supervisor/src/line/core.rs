//! What follows from readings, without I/O: modes of stations, which alarms may speak, and the alarms themselves.
//!
//! The line task feeds it scans as they come; a replay feeds it stored ones. Both get the same answers.

use super::conditions::{ConditionBook, ConditionChange};
use super::inputs::Inputs;
use super::recipes::{RecipeBook, RecipeChange};
use super::stations::{ModeChange, StationBook};
use crate::snapshot::StationView;
use setward_alarm::{
    AlarmEvent, AlarmId, BatchEdge, Delivery, Kind, Monitor, ServerId, Side, Target, TimeWeightedSettings,
};
use setward_config::line::{
    ControllerId, JudgeWhen, Line, LineAlarm, LineSignal, RecipeSetpoint, Role, StationId,
};
use setward_protocol::{Mode, Sample, SignalId, Uptime, UtcMillis};
use std::sync::Arc;

/// Something that happened.
#[derive(Debug, Clone, PartialEq)]
pub enum Said {
    /// A station went into another mode.
    Mode(ModeChange),
    /// A controller says another recipe number.
    Recipe(RecipeChange),
    /// An alarm changed.
    Alarm(AlarmEvent),
}

/// Stations and alarms of a line.
#[derive(Debug)]
pub struct LineCore<'a> {
    line: Arc<Line>,
    monitor: Monitor<'a>,
    stations: StationBook,
    conditions: ConditionBook,
    recipes: RecipeBook,
    /// The present good value of each signal.
    good: Vec<Option<f64>>,
    /// What recipes, modes and conditions have seen of them.
    inputs: Inputs,
    has_looked: bool,
    /// Stations of which it is only supposed so far that they run.
    supposed: Vec<StationId>,
    /// Alarms whose setpoint follows an age.
    banded: Vec<AlarmId>,
}

/// What a scan has changed for the stations and for what alarms may say.
#[derive(Default)]
struct Changes {
    recipes: Vec<RecipeChange>,
    /// The modes in which stations are found, which need not be a change: an alarm may be silent in them.
    found: Vec<FoundIn>,
    modes: Vec<ModeChange>,
    conditions: Vec<(AlarmId, ConditionChange)>,
}

/// The mode in which a station is found after a start.
struct FoundIn {
    station: StationId,
    mode: Mode,
    is_known: bool,
}

impl<'a> LineCore<'a> {
    /// A core over an engine that has its targets and has been restored.
    #[must_use]
    pub fn new(line: Arc<Line>, monitor: Monitor<'a>) -> Self {
        let (stations, conditions) = (StationBook::new(&line), ConditionBook::new(&line));
        let (recipes, good) = (RecipeBook::new(&line), vec![None; line.signals.len()]);
        let inputs = Inputs::new(&line);
        let is_banded = |(id, alarm): (AlarmId, &LineAlarm)| alarm.band.is_some().then_some(id);
        let banded = line.alarms_with_ids().filter_map(is_banded).collect();
        let supposed = (0..=u16::MAX).map(StationId).take(line.stations.len()).collect();
        let has_looked = false;
        Self { line, monitor, stations, conditions, recipes, good, inputs, has_looked, supposed, banded }
    }

    /// The engine, to look at and for people's wishes. Drain [`Self::drain`] after a wish.
    pub const fn monitor(&mut self) -> &mut Monitor<'a> {
        &mut self.monitor
    }

    /// The engine, to look at.
    #[must_use]
    pub const fn alarms(&self) -> &Monitor<'a> {
        &self.monitor
    }

    /// The good value a signal has now.
    #[must_use]
    pub fn good(&self, signal: SignalId) -> Option<f64> {
        self.good.get(signal.index()).copied().flatten()
    }

    /// The mode of a station.
    #[must_use]
    pub fn mode(&self, station: StationId) -> Mode {
        self.stations.mode(station)
    }

    /// Whether product is under a station; `None` where nothing says so.
    #[must_use]
    pub fn product_present(&self, station: StationId) -> Option<bool> {
        self.stations.product_present(station)
    }

    /// The recipes that run.
    #[must_use]
    pub const fn recipes(&self) -> &RecipeBook {
        &self.recipes
    }

    /// What the recipe that runs where a signal is asks of it.
    #[must_use]
    pub fn recipe_setpoint(&self, signal: SignalId) -> Option<&RecipeSetpoint> {
        self.recipes.setpoint(&self.line, signal)
    }

    /// The stations as pages see them.
    #[must_use]
    pub fn station_views(&self) -> Vec<StationView> {
        let mut views = self.stations.views();
        for (id, view) in (0..=u16::MAX).map(StationId).zip(&mut views) {
            view.recipe = Some(self.recipes.running(&self.line, id));
        }
        views
    }

    /// One scan's readings, judged and with what is derived from them, in the order of the signals. Timers that ran out
    /// before it come first. All that follows is added to `said`.
    pub fn handle_scan(&mut self, at: Uptime, utc: UtcMillis, samples: &[Sample], said: &mut Vec<Said>) {
        self.handle_timeout(at, said);
        // With nothing new for them, recipes, modes and conditions say again what they said, unless they wait for time to pass.
        let mut look_anew = !self.has_looked || self.recipes.is_waiting() || self.stations.is_waiting();
        for sample in samples {
            let value = sample.reading.good();
            if let Some(good) = self.good.get_mut(sample.signal.index()) {
                *good = value;
            }
            look_anew |= self.inputs.take(sample.signal, value);
        }
        self.follow_bands(samples);
        let changes = if look_anew { self.look_at_stations(at, utc) } else { Changes::default() };
        for change in &changes.recipes {
            said.push(Said::Recipe(*change));
            self.hold_recipe(*change);
        }
        // Silence before the values that came with its reason, speech after them: a stop and the low flow that it explains
        // may come in one scan, and so may a start and the flow that is back.
        self.silence(at, &changes, said);
        for sample in samples {
            self.monitor.handle_sample(sample);
            // One input, then all its outputs: a scan may raise more alarms than the engine's queue holds.
            self.drain(said);
        }
        self.let_speak(at, &changes, said);
    }

    /// Whether a controller answered a scan.
    pub fn handle_controller(
        &mut self,
        at: Uptime,
        controller: ControllerId,
        answered: bool,
        said: &mut Vec<Said>,
    ) {
        self.handle_timeout(at, said);
        self.monitor.handle_controller(at, controller, answered);
        self.drain(said);
    }

    /// How a server is doing that history is sent to. Not kept: a replay is about the plant.
    pub fn handle_server(&mut self, at: Uptime, server: ServerId, what: Delivery, said: &mut Vec<Said>) {
        self.handle_timeout(at, said);
        self.monitor.handle_server(at, server, what);
        self.drain(said);
    }

    /// Time has passed. Each timer runs out at its own moment, however late this is called: a busy machine changes nothing,
    /// and a replay gets what was told.
    pub fn handle_timeout(&mut self, now: Uptime, said: &mut Vec<Said>) {
        while let Some(due) = self.monitor.poll_timeout().filter(|due| *due <= now) {
            self.monitor.handle_timeout(due);
            self.drain(said);
        }
    }

    /// When [`Self::handle_timeout`] wants to be called.
    #[must_use]
    pub fn poll_timeout(&self) -> Option<Uptime> {
        self.monitor.poll_timeout()
    }

    /// Everything the engine has to say.
    pub fn drain(&mut self, said: &mut Vec<Said>) {
        while let Some(event) = self.monitor.poll_event() {
            said.push(Said::Alarm(event));
        }
    }

    /// Recipes, modes of stations and conditions of alarms that have changed, from the values as they are now.
    fn look_at_stations(&mut self, at: Uptime, utc: UtcMillis) -> Changes {
        let is_first = !std::mem::replace(&mut self.has_looked, true);
        let good = |id: SignalId| self.good.get(id.index()).copied().flatten();
        let recipes = self.recipes.handle(&self.line, at, good);
        let (line, stations) = (&self.line, &self.stations);
        self.recipes.end_changeovers(at, |station, recipe| is_within(line, stations, station, recipe, good));
        let changing = |station| self.recipes.is_changing_over(station);
        let modes = self.stations.handle(at, utc, changing, good);
        let found = found_in(&self.stations, &mut self.supposed, is_first);
        let books = (&self.stations, &self.recipes);
        let conditions = self.conditions.handle(&self.line, books, good);
        Changes { recipes, found, modes, conditions }
    }

    /// Gives the engine where exposure starts at the age that was just told.
    fn follow_bands(&mut self, samples: &[Sample]) {
        if self.banded.is_empty() {
            return;
        }
        let line = Arc::clone(&self.line);
        for alarm in self.banded.iter().map(|id| line.alarm(*id)) {
            let (Some(band), Some(watched)) = (&alarm.band, alarm.settings.watches.signal()) else {
                continue;
            };
            let Some(age) = samples.iter().find(|sample| sample.signal == band.age) else { continue };
            let edge = age.reading.good().and_then(|age| band.edge(age));
            self.monitor.handle_target(watched, edge.map(|edge| target_at(edge, &alarm.settings.kind)));
        }
    }

    /// Gives the engine what the recipes ask now of the signals at the stations of a recipe number.
    fn hold_recipe(&mut self, change: RecipeChange) {
        let line = Arc::clone(&self.line);
        for signal in line.signals_under(change.word) {
            let target = self.recipes.setpoint(&line, signal).map(|setpoint| setpoint.target);
            self.monitor.handle_target(signal, target);
        }
    }

    fn silence(&mut self, at: Uptime, changes: &Changes, said: &mut Vec<Said>) {
        for &FoundIn { station, mode, is_known } in &changes.found {
            if is_known {
                self.monitor.silence_in_mode(at, station, mode);
            } else {
                self.monitor.silence_in_supposed_mode(at, station, mode);
            }
            self.drain(said);
        }
        for change in &changes.modes {
            said.push(Said::Mode(*change));
            self.monitor.silence_in_mode(at, change.station, change.to);
            self.drain(said);
        }
        for &(alarm, change) in &changes.conditions {
            match change {
                ConditionChange::MaySpeak(false) => self.monitor.handle_condition(at, alarm, false),
                ConditionChange::Batch(BatchEdge::Ends) => {
                    self.monitor.handle_batch(at, alarm, BatchEdge::Ends);
                }
                ConditionChange::MaySpeak(true) | ConditionChange::Batch(BatchEdge::Begins) => {}
            }
            self.drain(said);
        }
    }

    fn let_speak(&mut self, at: Uptime, changes: &Changes, said: &mut Vec<Said>) {
        for change in &changes.modes {
            self.monitor.handle_mode(at, change.station, change.to);
            self.drain(said);
        }
        for &(alarm, change) in &changes.conditions {
            match change {
                ConditionChange::MaySpeak(true) => self.monitor.handle_condition(at, alarm, true),
                ConditionChange::Batch(BatchEdge::Begins) => {
                    self.monitor.handle_batch(at, alarm, BatchEdge::Begins);
                }
                ConditionChange::MaySpeak(false) | ConditionChange::Batch(BatchEdge::Ends) => {}
            }
            self.drain(said);
        }
    }
}

/// The mode of each station that has just become known, and at the first look what is supposed of the others.
fn found_in(stations: &StationBook, supposed: &mut Vec<StationId>, is_first: bool) -> Vec<FoundIn> {
    let mut found = Vec::new();
    supposed.retain(|&station| {
        let is_known = stations.is_known(station);
        if is_known || is_first {
            found.push(FoundIn { station, mode: stations.mode(station), is_known });
        }
        !is_known
    });
    found
}

/// A target whose tolerance of one unit ends at `edge`: exposure counts from there.
fn target_at(edge: f64, kind: &Kind) -> Target {
    let is_above = matches!(kind, Kind::TimeWeighted(TimeWeightedSettings { side: Side::Above, .. }));
    let setpoint = if is_above { edge - 1.0 } else { edge + 1.0 };
    Target { setpoint, tolerance_below: 1.0, tolerance_above: 1.0, latitude: None, specification: None }
}

/// Whether all that the recipe holds at a station is within its tolerance, and product is there to be judged.
fn is_within(
    line: &Line,
    stations: &StationBook,
    station: StationId,
    recipe: usize,
    good: impl Fn(SignalId) -> Option<f64>,
) -> bool {
    let Some(recipe) = line.recipes.get(recipe) else { return true };
    // Nobody can say of a lab value whether the line has come to it.
    let is_here = |signal: &LineSignal| signal.station == station && signal.role != Role::Entered;
    let mut here = recipe.setpoints.iter().filter(|asked| is_here(line.signal(asked.signal)));
    here.all(|asked| {
        let waits =
            asked.judge_when == JudgeWhen::ProductPresent && stations.product_present(station) == Some(false);
        !waits && good(asked.signal).is_some_and(|value| asked.target.is_within_tolerance(value))
    })
}

#[cfg(test)]
#[path = "core_tests.rs"]
mod tests;
