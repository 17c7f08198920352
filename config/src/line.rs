//! A line as the programs use it: checked, cross-referenced, every value in its signal's unit.
//!
//! What a person writes is in `raw/`; `check.rs` turns that into this. Ids are indices into the lists here.

use setward_alarm::{AlarmId, AlarmSettings, Target};
use setward_process::condition::Condition;
use setward_process::derived::Derivation;
use setward_process::mode::ModeRule;
pub use setward_protocol::{ControllerId, StationId};
use setward_protocol::{ReadLimits, RegisterSpan, Signal, SignalId, Unit};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

/// A whole line folder, checked.
#[derive(Debug, Clone)]
pub struct Line {
    /// The line's name for people.
    pub name: String,
    /// The plant's name for people.
    pub plant: String,
    /// IANA name of the plant's time zone, for display only.
    pub time_zone: String,
    /// Whether this site is a simulator: every page says so.
    pub simulated: bool,
    /// Where the daemon keeps its store.
    pub data_dir: PathBuf,
    /// Where the page listens.
    pub page_address: std::net::SocketAddr,
    /// In the order product passes.
    pub stations: Vec<Station>,
    /// Every controller with its address.
    pub controllers: Vec<Controller>,
    /// Every signal; a [`SignalId`] is an index here.
    pub signals: Vec<LineSignal>,
    /// Control loops.
    pub loops: Vec<ControlLoop>,
    /// Belts whose dwell is known from speed and length.
    pub belts: Vec<Belt>,
    /// Every alarm; an [`AlarmId`] is an index here.
    pub alarms: Vec<LineAlarm>,
    /// Every recipe of the folder, by file name.
    pub recipes: Vec<Recipe>,
    /// Index into [`Self::recipes`] of the one that is held.
    pub running_recipe: usize,
    /// SHA-256 of all the folder's files, lower-case hex.
    pub fingerprint: String,
}

/// A station of the line.
#[derive(Debug, Clone, PartialEq)]
pub struct Station {
    /// Its key in the files: "fryer".
    pub key: String,
    /// Its name for people.
    pub name: String,
    /// What puts it into which mode, in the order of the file; the first that holds wins. Empty: it always runs.
    pub modes: Vec<ModeRule>,
    /// What says that product is under it; all must hold. `None`: as the station before.
    pub product_present: Option<Vec<Condition>>,
}

/// A device that answers Modbus requests.
#[derive(Debug, Clone, PartialEq)]
pub struct Controller {
    /// Its name in the files.
    pub name: String,
    /// `host:port`, from the site file. Controllers may share one.
    pub endpoint: String,
    /// Modbus unit id.
    pub unit_id: u8,
    /// How often its signals are read.
    pub poll_every: Duration,
    /// How long a reply may take.
    pub answer_within: Duration,
    /// Most registers and bits a request.
    pub limits: ReadLimits,
    /// Addresses that no signal occupies and that the controller is known to answer.
    pub readable: Vec<RegisterSpan>,
    /// Least time between two requests.
    pub pause: Duration,
    /// The word that counts while the controller's program runs.
    pub heartbeat: Option<Heartbeat>,
    /// Its words are bad until the heartbeat has counted this far after a restart of its program; 0: at once good.
    pub zeroed_after_restart: u32,
}

/// The longest time between two good samples of a signal that still counts as known: three polls, and what one reply may
/// take, so that two missed polls are bridged whatever the third one's reply time.
#[must_use]
pub fn gap_limit(poll_every: Duration, answer_within: Duration) -> Duration {
    poll_every * 3 + answer_within
}

/// A word that must change.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Heartbeat {
    /// The counting signal.
    pub signal: SignalId,
    /// How long it may stand still.
    pub within: Duration,
}

/// What a signal is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Role {
    /// An instrument's value.
    Measured,
    /// A setpoint, as entered or working.
    Setpoint,
    /// A controller output.
    Output,
    /// A state, a step, a bit, a counter.
    Status,
}

impl Role {
    /// The word in the files and on pages.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Measured => "measured",
            Self::Setpoint => "setpoint",
            Self::Output => "output",
            Self::Status => "status",
        }
    }
}

/// A signal with everything people know of it.
#[derive(Debug, Clone, PartialEq)]
pub struct LineSignal {
    /// ISA-5.1 tag, its identity.
    pub tag: String,
    /// Its name for people.
    pub name: String,
    /// Where it is.
    pub station: StationId,
    /// What it is for.
    pub role: Role,
    /// Unit of its value and of every setting about it.
    pub unit: Unit,
    /// Lowest and highest value it can have, in its unit.
    pub range: (f64, f64),
    /// Digits after the point on pages.
    pub decimals: u8,
    /// Where its value comes from.
    pub origin: Origin,
    /// Whether it is a value or a counter.
    pub behaves: Behaves,
    /// How long it may be exactly constant while its station runs; `None`: it is not judged by that.
    pub stuck_after: Option<Duration>,
    /// False while it is not wired yet: bad, without an alarm.
    pub commissioned: bool,
    /// What other signals must say for its value to be good. Empty: nothing.
    pub good_when: Vec<Condition>,
    /// Words for the codes of a status signal.
    pub codes: BTreeMap<i64, String>,
    /// What the signal is, for the simulator and computations: "fryer-oil-inlet".
    pub means: Option<Meaning>,
    /// How the simulator moves it when it has no physics for it.
    pub simulate: Simulate,
    /// Where a technician finds it.
    pub wiring: Wiring,
}

impl LineSignal {
    /// Its registers, if it comes from a controller.
    #[must_use]
    pub const fn register(&self) -> Option<&Register> {
        match &self.origin {
            Origin::Register(register) => Some(register),
            Origin::Derived(_) => None,
        }
    }
}

/// Where the value of a signal comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum Origin {
    /// Registers of a controller.
    Register(Register),
    /// Other signals.
    Derived(Derivation),
}

/// Where a signal is on the bus.
#[derive(Debug, Clone, PartialEq)]
pub struct Register {
    /// Who answers for it.
    pub controller: ControllerId,
    /// How often it is read: its own period, its group's, or its controller's.
    pub poll_every: Duration,
    /// Its registers and how they decode.
    pub wire: Signal,
}

/// How a number behaves over time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Behaves {
    /// A value: it has a mean, and a measured one moves.
    #[default]
    Value,
    /// A counter: it only goes up, and starts again at zero. No mean, no stuck test.
    Total,
}

/// Closed list of what a signal can be, beyond its tag.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Meaning {
    /// Kettle cook temperature.
    KettleTemperature,
    /// Kettle setpoint as entered.
    KettleSetpoint,
    /// Kettle steam valve position.
    KettleSteamValve,
    /// Kettle agitator running.
    KettleAgitator,
    /// Oven zone temperature.
    OvenTemperature,
    /// Oven zone setpoint as entered.
    OvenSetpoint,
    /// Oven zone burner output.
    OvenBurner,
    /// Oven zone flame proven.
    OvenFlame,
    /// Oven belt speed.
    OvenBeltSpeed,
    /// Bake time setpoint.
    OvenDwellSetpoint,
    /// Oil temperature where product enters.
    FryerOilInlet,
    /// Oil temperature where product leaves.
    FryerOilOutlet,
    /// Oil setpoint as entered.
    FryerSetpoint,
    /// Fryer heat demand.
    FryerHeatDemand,
    /// Oil circulation flow.
    FryerOilFlow,
    /// Submerger belt speed.
    FryerBeltSpeed,
    /// Fry time setpoint.
    FryerDwellSetpoint,
    /// A word that counts up once a second while the controller's program runs.
    Heartbeat,
}

impl Meaning {
    /// Every meaning with its word in the files.
    pub const NAMED: [(&'static str, Self); 18] = [
        ("kettle-temperature", Self::KettleTemperature),
        ("kettle-setpoint", Self::KettleSetpoint),
        ("kettle-steam-valve", Self::KettleSteamValve),
        ("kettle-agitator", Self::KettleAgitator),
        ("oven-temperature", Self::OvenTemperature),
        ("oven-setpoint", Self::OvenSetpoint),
        ("oven-burner", Self::OvenBurner),
        ("oven-flame", Self::OvenFlame),
        ("oven-belt-speed", Self::OvenBeltSpeed),
        ("oven-dwell-setpoint", Self::OvenDwellSetpoint),
        ("fryer-oil-inlet", Self::FryerOilInlet),
        ("fryer-oil-outlet", Self::FryerOilOutlet),
        ("fryer-setpoint", Self::FryerSetpoint),
        ("fryer-heat-demand", Self::FryerHeatDemand),
        ("fryer-oil-flow", Self::FryerOilFlow),
        ("fryer-belt-speed", Self::FryerBeltSpeed),
        ("fryer-dwell-setpoint", Self::FryerDwellSetpoint),
        ("heartbeat", Self::Heartbeat),
    ];
}

/// A generic source for the simulator, in the signal's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Simulate {
    /// Where the value sits.
    pub typical: f64,
    /// Standard deviation of its noise.
    pub noise: f64,
    /// How fast it follows.
    pub time_constant: Duration,
}

/// Where a technician finds a signal. Every part may be unknown.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Wiring {
    /// The instrument: "Pt100 class A, 4-wire".
    pub sensor: Option<String>,
    /// Card and channel.
    pub channel: Option<String>,
    /// Terminals.
    pub terminals: Option<String>,
    /// Drawing and sheet.
    pub drawing: Option<String>,
    /// Where to stand to touch it.
    pub location: Option<String>,
}

/// A control loop: what a person entered, what is measured, what comes out, and the mode.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ControlLoop {
    /// Its ISA-5.1 tag.
    pub tag: String,
    /// Setpoint as entered.
    pub entered: Option<SignalId>,
    /// Setpoint in force, ramped or given by another loop.
    pub working: Option<SignalId>,
    /// Measured value.
    pub measured: SignalId,
    /// Output.
    pub output: Option<SignalId>,
    /// Mode word.
    pub mode: Option<SignalId>,
    /// What the codes of the mode word mean; a code that is not here says nothing.
    pub modes: BTreeMap<i64, LoopMode>,
}

/// What a loop is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum LoopMode {
    /// A person holds the output.
    Manual,
    /// The loop holds the setpoint a person entered.
    Automatic,
    /// Another loop gives the setpoint.
    Cascade,
    /// Hot and set back.
    Hold,
}

impl LoopMode {
    /// The word on pages.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Manual => "manual",
            Self::Automatic => "automatic",
            Self::Cascade => "cascade",
            Self::Hold => "hold",
        }
    }
}

/// A belt: speed and effective length give the dwell.
#[derive(Debug, Clone, PartialEq)]
pub struct Belt {
    /// Station it carries product through.
    pub station: StationId,
    /// What its dwell is called: "Fry time".
    pub name: String,
    /// Its speed signal.
    pub speed: SignalId,
    /// Effective length, m, as proven with a test piece.
    pub effective_length_m: f64,
    /// The panel's own dwell in seconds: more is slower.
    pub dwell_setpoint: Option<SignalId>,
}

/// How loudly an alarm speaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Priority {
    /// Handle within the shift.
    Low,
    /// Handle soon.
    Medium,
    /// Handle now.
    High,
}

impl Priority {
    /// The word in the files and on pages.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Medium => "medium",
            Self::High => "high",
        }
    }
}

/// An alarm with its rationalised record.
#[derive(Debug, Clone, PartialEq)]
pub struct LineAlarm {
    /// Its id in the files.
    pub id: String,
    /// Headline for people.
    pub name: String,
    /// What the engine is told.
    pub settings: AlarmSettings,
    /// What must hold besides, for it to speak; all must. Empty: nothing.
    pub when: Vec<Condition>,
    /// How loudly it speaks.
    pub priority: Priority,
    /// Likely causes.
    pub causes: Vec<String>,
    /// What happens if nobody acts.
    pub consequence: String,
    /// What the operator does now; never empty.
    pub response_now: Vec<String>,
    /// What the technician does next.
    pub response_next: Vec<String>,
    /// How long there is to act.
    pub time_to_respond: Duration,
    /// The device of its own that acts before this alarm could matter, if there is one.
    pub independent_device: Option<String>,
}

/// A recipe.
#[derive(Debug, Clone, PartialEq)]
pub struct Recipe {
    /// File name without its ending.
    pub key: String,
    /// Its name for people.
    pub name: String,
    /// What each signal is held against: measured, derived and, through them, entered setpoints.
    pub setpoints: Vec<RecipeSetpoint>,
}

/// What a recipe asks of one signal. Three widths that are never mixed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RecipeSetpoint {
    /// The signal that is held: measured or derived.
    pub signal: SignalId,
    /// Setpoint, and the widths in the signal's unit.
    pub target: Target,
    /// The setpoint a person entered for it, in the same kind of unit.
    pub entered: Option<SignalId>,
    /// When its value counts.
    pub judge_when: JudgeWhen,
}

/// When a value is held against the recipe.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum JudgeWhen {
    /// While its station runs and product is under it.
    ProductPresent,
    /// While its station runs.
    #[default]
    StationRun,
    /// Always.
    Always,
}

impl Line {
    /// The signal with this id.
    ///
    /// # Panics
    /// Never for an id of this line: ids are made together with the list.
    #[must_use]
    #[expect(clippy::indexing_slicing, reason = "ids are made together with the list they index")]
    pub fn signal(&self, id: SignalId) -> &LineSignal {
        &self.signals[id.index()]
    }

    /// The alarm with this id.
    ///
    /// # Panics
    /// Never for an id of this line: ids are made together with the list.
    #[must_use]
    #[expect(clippy::indexing_slicing, reason = "ids are made together with the list they index")]
    pub fn alarm(&self, id: AlarmId) -> &LineAlarm {
        &self.alarms[id.index()]
    }

    /// The controller with this id.
    ///
    /// # Panics
    /// Never for an id of this line: ids are made together with the list.
    #[must_use]
    #[expect(clippy::indexing_slicing, reason = "ids are made together with the list they index")]
    pub fn controller(&self, id: ControllerId) -> &Controller {
        &self.controllers[usize::from(id.0)]
    }

    /// The station with this id.
    ///
    /// # Panics
    /// Never for an id of this line: ids are made together with the list.
    #[must_use]
    #[expect(clippy::indexing_slicing, reason = "ids are made together with the list they index")]
    pub fn station(&self, id: StationId) -> &Station {
        &self.stations[usize::from(id.0)]
    }

    /// The recipe that is held.
    ///
    /// # Panics
    /// Never: the check sets the index.
    #[must_use]
    #[expect(clippy::indexing_slicing, reason = "the check sets the index together with the list")]
    pub fn recipe(&self) -> &Recipe {
        &self.recipes[self.running_recipe]
    }

    /// The longest time between two good samples of `signal` that still counts as known. A derived signal is known as
    /// long as its slower input.
    #[must_use]
    pub fn gap_limit(&self, signal: SignalId) -> Duration {
        match &self.signal(signal).origin {
            Origin::Register(register) => {
                gap_limit(register.poll_every, self.controller(register.controller).answer_within)
            }
            Origin::Derived(derivation) => {
                let (first, second) = derivation.inputs();
                // An input is never derived itself: the check sees to it.
                let own = |id: SignalId| self.signal(id).register().map(|_| self.gap_limit(id));
                own(first).max(second.and_then(own)).unwrap_or_default()
            }
        }
    }

    /// What the running recipe asks of `signal`.
    #[must_use]
    pub fn recipe_setpoint(&self, signal: SignalId) -> Option<&RecipeSetpoint> {
        self.recipe().setpoints.iter().find(|setpoint| setpoint.signal == signal)
    }

    /// The signal tagged `tag`.
    #[must_use]
    pub fn signal_by_tag(&self, tag: &str) -> Option<SignalId> {
        let index = self.signals.iter().position(|signal| signal.tag == tag)?;
        u16::try_from(index).ok().map(SignalId)
    }

    /// The alarm called `id` in the files.
    #[must_use]
    pub fn alarm_by_id(&self, id: &str) -> Option<AlarmId> {
        let index = self.alarms.iter().position(|alarm| alarm.id == id)?;
        u16::try_from(index).ok().map(AlarmId)
    }

    /// Every signal with its id.
    pub fn signals_with_ids(&self) -> impl Iterator<Item = (SignalId, &LineSignal)> {
        // The check refuses more signals than an id can count.
        (0..=u16::MAX).map(SignalId).zip(&self.signals)
    }

    /// Every alarm with its id.
    pub fn alarms_with_ids(&self) -> impl Iterator<Item = (AlarmId, &LineAlarm)> {
        (0..=u16::MAX).map(AlarmId).zip(&self.alarms)
    }
}
