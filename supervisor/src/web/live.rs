//! What changes on an open page between two looks: named texts, marker places, and a fingerprint of everything whose
//! change needs new markup. Pages and the stream take the same words from here.

use super::facts::{AlarmFacts, ControllerFacts, Direction, Scene, SignalFacts, Subject};
use super::{svg, words};
use setward_alarm::{AlarmId, Forecast, Kind, Watched};
use setward_protocol::{ControllerId, Encoding, Raw, SignalId, StationId};
use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash, Hasher};

/// Which part of the line a page watches.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Scope {
    Line,
    Station(StationId),
    Signal(SignalId),
    Alarm(AlarmId),
}

/// Names of elements with their texts, and names of drawings with their place.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Live {
    pub(super) text: BTreeMap<String, String>,
    pub(super) place: BTreeMap<String, f64>,
}

impl Live {
    fn text(&mut self, name: String, text: String) {
        self.text.insert(name, text);
    }

    /// What differs from `before`.
    pub(super) fn since(&self, before: &Self) -> Self {
        let text = self.text.iter().filter(|(name, text)| before.text.get(*name) != Some(text));
        let place = self.place.iter().filter(|(name, place)| before.place.get(*name) != Some(place));
        Self {
            text: text.map(|(name, text)| (name.clone(), text.clone())).collect(),
            place: place.map(|(name, place)| (name.clone(), *place)).collect(),
        }
    }
}

impl Scope {
    /// Whether the page tells of several signals at once, each in one line.
    const fn is_wide(self) -> bool {
        match self {
            Self::Line | Self::Station(_) => true,
            Self::Signal(_) | Self::Alarm(_) => false,
        }
    }

    fn has_signal(self, scene: &Scene<'_>, id: SignalId) -> bool {
        match self {
            Self::Line => true,
            Self::Station(station) => scene.line.signal(id).station == station,
            Self::Signal(signal) => signal == id,
            Self::Alarm(alarm) => scene.line.alarm(alarm).settings.watches.signal() == Some(id),
        }
    }

    fn has_alarm(self, scene: &Scene<'_>, id: AlarmId) -> bool {
        match self {
            Self::Line => true,
            Self::Station(station) => scene.alarm(id).station == Some(station),
            Self::Signal(signal) => scene.line.alarm(id).settings.watches.signal() == Some(signal),
            Self::Alarm(alarm) => alarm == id,
        }
    }

    /// The station the page is about; `None` for the whole line, and for what belongs to no station.
    pub(super) fn station(self, scene: &Scene<'_>) -> Option<StationId> {
        match self {
            Self::Line => None,
            Self::Station(station) => Some(station),
            Self::Signal(id) => Some(scene.line.signal(id).station),
            Self::Alarm(id) => scene.alarm(id).station,
        }
    }

    /// Whether `controller` feeds the page.
    pub(super) fn is_fed_by(self, scene: &Scene<'_>, controller: ControllerId) -> bool {
        if let Self::Alarm(alarm) = self
            && scene.line.alarm(alarm).settings.watches == Watched::Controller(controller)
        {
            return true;
        }
        let station = self.station(scene);
        scene.line.signals_with_ids().any(|(id, signal)| {
            // An alarm may stand at another station than the signal it watches.
            let here = station.is_none_or(|station| signal.station == station) || self.has_signal(scene, id);
            here && signal.register().is_some_and(|register| register.controller == controller)
        })
    }
}

/// Everything that moves in `scope`.
pub(super) fn live(scene: &Scene<'_>, scope: Scope) -> Live {
    let mut live = Live::default();
    live.text("age".to_owned(), data_age(scene));
    live.text("recipe".to_owned(), scene.recipe_words(scope.station(scene)));
    for facts in scene.signals().filter(|facts| scope.has_signal(scene, facts.id)) {
        signal_into(&mut live, scene, &facts, scope);
    }
    let shown = |facts: &AlarmFacts<'_>| facts.is_open() || facts.is_building() || !scope.is_wide();
    for facts in scene.alarms().filter(|facts| scope.has_alarm(scene, facts.id)).filter(shown) {
        alarm_into(&mut live, scene, &facts);
    }
    if scope.is_wide() {
        for (index, dwell_s) in scene.snapshot.dwell_s.iter().enumerate() {
            live.text(format!("belt-{index}"), dwell(*dwell_s));
        }
    }
    live
}

fn signal_into(live: &mut Live, scene: &Scene<'_>, facts: &SignalFacts<'_>, scope: Scope) {
    let tag = &facts.signal.tag;
    live.text(format!("{tag}.v"), facts.shown());
    if let Some(off) = facts.deviation() {
        live.text(format!("{tag}.d"), facts.show_deviation(off));
        live.text(format!("{tag}.judged"), facts.judged_deviation());
    }
    if let Some(off) = facts.widths_off() {
        live.place.insert(format!("{tag}.x"), svg::bar_x(off));
    }
    if !scope.is_wide() {
        live.text(format!("{tag}.age"), reading_age(scene, facts));
        live.text(format!("{tag}.words"), decimal_words(facts.words()));
        live.text(format!("{tag}.hex"), hex_words(facts.words()));
        live.text(format!("{tag}.raw"), raw_number(facts));
        live.text(format!("{tag}.slope"), slope(facts));
    }
}

fn alarm_into(live: &mut Live, scene: &Scene<'_>, facts: &AlarmFacts<'_>) {
    let id = &facts.alarm.id;
    live.text(format!("{id}.d"), facts.shown_deviation());
    live.text(format!("{id}.how"), how_far(facts));
    live.text(format!("{id}.long"), how_long(scene, facts));
    live.text(format!("{id}.since"), how_long_short(scene, facts));
    live.text(format!("{id}.fore"), forecast(facts));
    live.text(format!("{id}.dir"), direction(facts));
    if let Some(words) = super::pages::product::in_few_words(scene, facts) {
        live.text(format!("{id}.prod"), words);
    }
    if let Some(words) = exposure(facts) {
        live.text(format!("{id}.expo"), words);
    }
    if let Some(share) = facts.view.exposure {
        live.place.insert(format!("{id}.w"), svg::exposure_width(share));
    }
}

/// Changes when new markup is needed: an alarm's state, a value lost or found, a side of tolerance, a mode.
pub(super) fn shape(scene: &Scene<'_>, scope: Scope) -> String {
    let mut hasher = DefaultHasher::new();
    scene.snapshot.run.hash(&mut hasher);
    scene.snapshot.history_problem.hash(&mut hasher);
    for channel in scene.channels() {
        (channel.is_broken, channel.problem.is_some()).hash(&mut hasher);
    }
    for facts in scene.alarms() {
        (facts.view.state, facts.view.occurrence, facts.letter()).hash(&mut hasher);
        (facts.view.shelf.is_some(), facts.view.flags.out_of_service).hash(&mut hasher);
        (scope.has_alarm(scene, facts.id) && facts.is_building()).hash(&mut hasher);
    }
    for facts in scene.signals().filter(|facts| scope.has_signal(scene, facts.id)) {
        (facts.missing(), facts.out_of_band(), facts.judged, facts.view.reading.good().is_some())
            .hash(&mut hasher);
    }
    for station in scene.stations() {
        station.mode().hash(&mut hasher);
    }
    for control in scene.manual_loops() {
        control.tag.hash(&mut hasher);
    }
    for controller in scene.controllers() {
        controller.is_silent().hash(&mut hasher);
    }
    format!("{:016x}", hasher.finish())
}

/// How old the oldest data of the line is: nothing on the page is older, unless it says so itself.
pub(super) fn data_age(scene: &Scene<'_>) -> String {
    let now = scene.clock(scene.now);
    let Some(slowest) = scene.slowest_controller() else { return format!("no controller to ask at {now}") };
    let name = &slowest.controller.name;
    let is_one_lost = scene.controllers().any(|controller| controller.is_silent());
    match slowest.view.last_good {
        Some(at) => match scene.seconds_since(at) {
            young if young < 2.0 && !is_one_lost => format!("all controllers read under 2 s ago at {now}"),
            old => format!("oldest data {} old, from controller {name}, at {now}", words::age(old)),
        },
        None => format!("no data yet from controller {name} at {now}"),
    }
}

/// How old a signal's reading is. A reading without a value has no age worth knowing: then the last good value's.
pub(super) fn reading_age(scene: &Scene<'_>, facts: &SignalFacts<'_>) -> String {
    let age = |at| words::age(scene.seconds_since(at));
    match (facts.missing(), facts.view.last_good, facts.view.at) {
        (Some(_), Some((_, at)), _) => format!("last good value {} old", age(at)),
        (Some(_), None, _) => "no good value in this run".to_owned(),
        (None, _, Some(at)) => format!("{} old", age(at)),
        (None, _, None) => "not read yet".to_owned(),
    }
}

/// A belt's dwell.
pub(super) fn dwell(dwell_s: Option<f64>) -> String {
    dwell_s.map_or_else(|| "unknown".to_owned(), |seconds| format!("{} s", words::number(seconds, 1)))
}

/// "below setpoint 182.0 °C": what the deviation is counted from.
pub(super) fn how_far(facts: &AlarmFacts<'_>) -> String {
    let on = match &facts.on {
        Subject::Signal(on) => on,
        Subject::Controller(on) => return answer_words(on).to_owned(),
        Subject::Server(_) => return server_state(facts).to_owned(),
    };
    let kind = &facts.alarm.settings.kind;
    if let Some(demand) = words::demand(kind, on) {
        return demand;
    }
    let Some(reference) = facts.reference() else {
        return match &facts.against {
            Some(other) => format!("{} has no value to hold it against", other.signal.tag),
            None => "the running recipe asks nothing of it".to_owned(),
        };
    };
    let (word, shown) = (facts.reference_word(), on.show_with_unit(reference));
    let side = match facts.deviation() {
        Some(off) if off > 0.0 => "above ",
        Some(off) if off < 0.0 => "below ",
        Some(_) => "at ",
        None => "",
    };
    let mean = match kind {
        // The value shown is the last one; what counts is not.
        Kind::MovingAverage(settings) => {
            format!("; its mean over {} counts", words::span(settings.window.as_secs_f64()))
        }
        Kind::Drift(_) => "; the run of its means counts".to_owned(),
        Kind::Limit(_)
        | Kind::Deviation(_)
        | Kind::TimeWeighted(_)
        | Kind::Discrepancy(_)
        | Kind::Rate(_)
        | Kind::Status(_)
        | Kind::EquivalentTime(_)
        | Kind::Measurement(_)
        | Kind::Communication(_)
        | Kind::Forwarding(_) => String::new(),
    };
    format!("{side}{word} {shown}{mean}")
}

/// Whether a server has everything.
pub(super) const fn server_state(facts: &AlarmFacts<'_>) -> &'static str {
    match (facts.view.state.is_active(), facts.view.beyond_since) {
        (true, _) => "lacks readings; they are kept here and sent later",
        (false, Some(_)) => "behind, catching up or not taking any",
        (false, None) => "has everything there is",
    }
}

/// Whether a controller answers.
pub(super) const fn answer_words(controller: &ControllerFacts<'_>) -> &'static str {
    match (&controller.view.problem, controller.view.last_good) {
        (Some(_), _) if controller.view.answers => "answers, but not everything that is asked",
        (Some(_), _) => "does not answer as it should",
        (None, Some(_)) => "answers",
        (None, None) => "not asked yet",
    }
}

/// How long the trouble lasts, or lasted.
pub(super) fn how_long(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> String {
    let beyond = words::beyond(&facts.alarm.settings.kind);
    let standing = facts.view.onset.filter(|_| facts.view.state.condition_holds());
    if let Some(since) = facts.view.beyond_since {
        let span = words::span(scene.seconds_since(since));
        // After a restart, or a moment inside, the present stretch is younger than the trouble.
        let began = standing.filter(|onset| *onset < since && scene.clock(*onset) != scene.clock(since));
        let began = began.map(|onset| format!("; began {}", scene.clock(onset))).unwrap_or_default();
        return format!("{beyond} for {span}, since {}{began}", scene.clock(since));
    }
    if facts.missing().is_some() {
        // Never "back inside" for a value that nobody knows.
        let began = standing.map(|onset| format!("; began {}", scene.clock(onset))).unwrap_or_default();
        return format!("not known: no value{began}");
    }
    match (facts.view.onset, facts.view.cleared) {
        (Some(onset), _) if facts.view.state.condition_holds() => {
            format!("back inside, not yet cleared; began {}", scene.clock(onset))
        }
        (Some(onset), Some(cleared)) => {
            let lasted = words::span(super::times::seconds_between(onset, cleared));
            format!("cleared {} after {lasted}", scene.clock(cleared))
        }
        (_, _) => words::inside(&facts.alarm.settings.kind),
    }
}

/// The same for a place that has no room: "6 min 10 s, since 03:04:12".
pub(super) fn how_long_short(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> String {
    match facts.view.beyond_since {
        Some(since) => format!("{}, since {}", words::span(scene.seconds_since(since)), scene.clock(since)),
        None => how_long(scene, facts),
    }
}

/// What stands before [`how_long_short`].
pub(super) const fn how_long_label(facts: &AlarmFacts<'_>) -> &'static str {
    if facts.view.beyond_since.is_some() { "Out for" } else { "State" }
}

/// Exposure in words.
pub(super) fn exposure(facts: &AlarmFacts<'_>) -> Option<String> {
    let unit = facts.signal()?.signal.unit;
    let text = words::exposure(facts.view.exposure, &facts.alarm.settings.kind, unit)?;
    // Without a value exposure neither grows nor decays.
    let frozen = if facts.missing().is_some() { ", frozen" } else { "" };
    Some(format!("{text}{frozen}"))
}

/// What it will do; for an alarm on a bad signal, that it cannot see; for a quiet one, when its trouble would begin.
pub(super) fn forecast(facts: &AlarmFacts<'_>) -> String {
    if facts.view.forecast == Forecast::Unknown && facts.is_blind() {
        return "no value, so this alarm is blind".to_owned();
    }
    match (facts.view.forecast == Forecast::Quiet).then(|| facts.leaves_in_s()).flatten() {
        Some(seconds) => words::begins_in(&facts.alarm.settings.kind, seconds),
        None => {
            if facts.view.forecast == Forecast::StaysActive && facts.signal().is_none() {
                return "stays active until that is over".to_owned();
            }
            let told = words::forecast(facts.view.forecast, facts.direction());
            // Nobody is called by an alarm that is silent: it only counts.
            if facts.silence.is_some() && matches!(facts.view.forecast, Forecast::Raises { .. }) {
                format!("silent: calls nobody, but counts on; {told}")
            } else {
                told
            }
        }
    }
}

/// Whether it gets worse.
pub(super) fn direction(facts: &AlarmFacts<'_>) -> String {
    let slope = facts.signal().map(slope).unwrap_or_default();
    match facts.direction() {
        Direction::Worse if facts.is_beyond() => format!("worse, {slope}"),
        Direction::Worse => format!("heading out, {slope}"),
        Direction::Steady => format!("steady, {slope}"),
        Direction::Better => format!("better, {slope}"),
        Direction::Unknown => "worse or better is not known".to_owned(),
    }
}

/// The slope with its unit.
pub(super) fn slope(facts: &SignalFacts<'_>) -> String {
    match (facts.view.slope_per_min, facts.missing()) {
        (Some(slope), None) => {
            let decimals = facts.signal.decimals.saturating_add(1).max(1);
            let unit = words::difference_unit(facts.signal.unit);
            format!("{} {unit}/min", words::signed(slope, decimals))
        }
        (Some(_) | None, _) => "slope not known".to_owned(),
    }
}

/// Raw words in decimal.
pub(super) fn decimal_words(raw: &[u16]) -> String {
    let words: Vec<_> = raw.iter().map(u16::to_string).collect();
    if words.is_empty() { "none yet".to_owned() } else { words.join(" ") }
}

/// Raw words in hexadecimal, to follow the decimal ones; nothing before the first answer.
pub(super) fn hex_words(raw: &[u16]) -> String {
    let words: Vec<_> = raw.iter().map(|word| format!("0x{word:04X}")).collect();
    if words.is_empty() { String::new() } else { format!("= {}", words.join(" ")) }
}

/// The number in the registers before scale and offset.
pub(super) fn raw_number(facts: &SignalFacts<'_>) -> String {
    let raw = facts.signal.register().and_then(|register| register.wire.raw(facts.words()));
    let is_single = facts.signal.register().is_some_and(|register| register.wire.encoding == Encoding::F32);
    // The digits that a 32-bit number has, not those that its 64-bit twin would.
    let shown = |raw: Raw| match raw {
        Raw::Float(float) if is_single => (float as f32).to_string(),
        Raw::Whole(_) | Raw::Float(_) => raw.to_string(),
    };
    raw.map_or_else(|| "none".to_owned(), shown)
}
