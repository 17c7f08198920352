//! A line as the programs use it: checked, cross-referenced, every value in its signal's unit.
//!
//! What a person writes is in `raw/`; `check.rs` turns that into this. Ids are indices into the lists here.

mod access;
mod alarm;
mod cook;
mod entry;
mod heat_balance;
mod history;
mod lots;
mod meaning;
mod notify;
mod product;
mod recipe;
mod setpoint_write;
mod signal;

use crate::problem::SourceFile;
pub use access::{Access, Display, PageTls, User, UserRole, Users};
pub use alarm::{AgeBand, AlarmClass, LineAlarm, Priority};
pub use cook::{Amount, CookLimits, Heating, Hydration, Shift};
pub use entry::{EntryDue, EntryKind, FOLLOWED_EVERY, Followed, LineEntry};
pub use heat_balance::{BALANCE_BIN, HeatBalance};
pub use history::{HistorySettings, Server};
pub use lots::{CodeField, LotBegins, Lots};
pub use meaning::Meaning;
pub use notify::{
    Broker, BrokerTls, Channel, ChannelRules, DaySpan, MailTls, MailTo, Notify, Relay, Way, Webhook,
};
pub use product::{Delay, FeedRate, Kettle, KettlePhases, Tank, TankCode, TankContents};
pub use recipe::{JudgeWhen, Recipe, RecipeNumber, RecipeSetpoint};
pub use setpoint_write::SetpointWrite;
use setward_alarm::{AlarmId, ServerId, Watched};
use setward_process::condition::Condition;
use setward_process::mode::ModeRule;
pub use setward_protocol::{ControllerId, StationId};
use setward_protocol::{ReadLimits, RegisterSpan, SignalId};
pub use signal::{Behaves, LineSignal, Origin, Register, Role, Simulate, Wiring};
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
    /// Who may come to the page, and what for.
    pub access: Access,
    /// How long history is kept, and where else it goes.
    pub history: HistorySettings,
    /// Who is told of alarms away from the page.
    pub notify: Notify,
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
    /// Words in controllers that say which recipe their stations run.
    pub recipe_numbers: Vec<RecipeNumber>,
    /// Kettles.
    pub kettles: Vec<Kettle>,
    /// Soak tanks.
    pub tanks: Vec<Tank>,
    /// Trays, drums, hoppers and weighers.
    pub delays: Vec<Delay>,
    /// Values that people enter.
    pub entries: Vec<LineEntry>,
    /// Where the product that passes is weighed.
    pub feed: Option<FeedRate>,
    /// The fryer's heat balance, if the file has one.
    pub heat_balance: Option<HeatBalance>,
    /// Lots and date codes, if the file tells them.
    pub lots: Option<Lots>,
    /// Shifts, in the order in which they begin after midnight; none: reports know no shifts.
    pub shifts: Vec<Shift>,
    /// Setpoints that a build with writing may write.
    pub setpoint_writes: Vec<SetpointWrite>,
    /// SHA-256 of all the folder's files, lower-case hex.
    pub fingerprint: String,
    /// The folder's files, as they were read: history keeps them.
    pub files: Vec<SourceFile>,
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
    /// What it must say of itself (function 2B/0E) before anything it answers is taken.
    pub identity: Option<String>,
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
    /// Effective length, m.
    pub effective_length_m: f64,
    /// The panel's own dwell in seconds: more is slower.
    pub dwell_setpoint: Option<SignalId>,
    /// That length and speed were held against a test piece; `None`: nobody has said so.
    pub proof: Option<BeltProof>,
}

/// When and by whom a test piece was timed on a belt.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BeltProof {
    /// The day.
    pub date: jiff::civil::Date,
    /// Who did it.
    pub by: String,
}

impl Belt {
    /// How far length over reported speed, and so a dwell, may be off, as a share of it. A proven belt has what is left of slip and
    /// encoder; judgement, both.
    #[must_use]
    pub const fn spread(&self) -> f64 {
        match self.proof {
            Some(_) => PROVEN_SPREAD,
            None => setward_process::windows::USUAL_SPREAD,
        }
    }
}

/// See [`Belt::spread`].
const PROVEN_SPREAD: f64 = 0.01;

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

    /// The server with this id.
    ///
    /// # Panics
    /// Never for an id of this line: ids are made together with the list.
    #[must_use]
    #[expect(clippy::indexing_slicing, reason = "ids are made together with the list they index")]
    pub fn server(&self, id: ServerId) -> &Server {
        &self.history.servers[id.index()]
    }

    /// Takes the servers off, with their alarms: for runs that send nothing anywhere.
    pub fn without_servers(&mut self) {
        self.history.servers.clear();
        // They are the last ones: no other alarm gets another number.
        self.alarms.retain(|alarm| !matches!(alarm.settings.watches, Watched::Server(_)));
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

    /// The recipe that is held where no controller says otherwise.
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
            Origin::Entered => self.entry_of(signal).map(LineEntry::known_for).unwrap_or_default(),
            Origin::Followed(_) => FOLLOWED_EVERY * 3,
        }
    }

    /// Whether people choose a recipe by entering this signal.
    #[must_use]
    pub fn chooses_recipe(&self, signal: SignalId) -> bool {
        let is_own = self.recipe_numbers.iter().any(|number| number.signal == signal);
        is_own && matches!(self.signal(signal).origin, Origin::Entered)
    }

    /// What the recipe that is held where no controller says otherwise asks of `signal`.
    #[must_use]
    pub fn recipe_setpoint(&self, signal: SignalId) -> Option<&RecipeSetpoint> {
        self.recipe().setpoint(signal)
    }

    /// The signals at the stations that obey a recipe number.
    pub fn signals_under(&self, word: usize) -> impl Iterator<Item = SignalId> {
        let stations = self.recipe_numbers.get(word).map_or(&[][..], |word| word.stations.as_slice());
        let here = |signal: &LineSignal| stations.contains(&signal.station);
        self.signals_with_ids().filter(move |(_, signal)| here(signal)).map(|(id, _)| id)
    }

    /// The entry whose values are `signal`'s.
    #[must_use]
    pub fn entry_of(&self, signal: SignalId) -> Option<&LineEntry> {
        self.entries.iter().find(|entry| entry.signal == signal)
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
