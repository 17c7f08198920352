//! An alarm in words for somebody far away: a line for a phone, and below it the first block of the alarm's page, what to do, and
//! what product it touched. The words are those of the page.

use super::facts::{AlarmFacts, Direction, Scene, Subject};
use super::times::Zone;
use super::{live, pages, words};
use crate::snapshot::LineSnapshot;
use setward_config::line::Line;
use setward_protocol::UtcMillis;

/// The line at one moment, for words about it.
#[derive(Debug)]
pub(crate) struct Teller<'a> {
    line: &'a Line,
    snapshot: &'a LineSnapshot,
    zone: Zone,
    now: UtcMillis,
}

/// What is said of one alarm.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct CallWords {
    /// Its name.
    pub(crate) name: String,
    /// "High", "Medium", "Low".
    pub(crate) priority: &'static str,
    /// Occurrence of which the rest speaks.
    pub(crate) occurrence: u32,
    /// The parts of a line behind the name, what matters most first: how far, how long, worse or better, where.
    pub(crate) parts: Vec<String>,
    /// Station and tag, or the controller.
    pub(crate) place: String,
    /// The lines of the first block.
    pub(crate) facts: Vec<String>,
    /// What the operator does now and the technician next.
    pub(crate) response: Vec<String>,
}

impl<'a> Teller<'a> {
    pub(crate) fn new(line: &'a Line, snapshot: &'a LineSnapshot, now: UtcMillis) -> Self {
        Self { line, snapshot, zone: Zone::named(&line.time_zone), now }
    }

    fn scene(&self) -> Scene<'_> {
        Scene { line: self.line, snapshot: self.snapshot, zone: &self.zone, now: self.now, outlook: None }
    }

    /// `at` as the plant's clock shows it.
    pub(crate) fn clock(&self, at: UtcMillis) -> String {
        self.scene().clock(at)
    }

    /// Alarms that stand, and how many of them nobody has acknowledged.
    pub(crate) fn standing(&self) -> (usize, usize) {
        let standing = self.scene().standing_alarms();
        (standing.len(), standing.iter().filter(|facts| facts.view.state.awaits_acknowledgement()).count())
    }

    /// Alarms that are active, not acknowledged and not silent: their ids, occurrences and when they raised.
    pub(crate) fn calling(&self) -> Vec<(String, u32, UtcMillis)> {
        let standing = self.scene().standing_alarms();
        let calls = |facts: &&AlarmFacts<'_>| facts.view.state == setward_alarm::AlarmState::Unacknowledged;
        let of = |facts: &AlarmFacts<'_>| {
            Some((facts.alarm.id.clone(), facts.view.occurrence, facts.view.raised?))
        };
        standing.iter().filter(calls).filter_map(of).collect()
    }

    /// Which occurrence of an alarm is the last that the snapshot knows.
    pub(crate) fn occurrence(&self, id: &str) -> Option<u32> {
        Some(self.snapshot.alarm(self.line.alarm_by_id(id)?)?.occurrence)
    }

    /// What is said of the alarm with this id; `None` if the line has none.
    pub(crate) fn call(&self, id: &str) -> Option<CallWords> {
        let scene = self.scene();
        let facts = scene.alarm(self.line.alarm_by_id(id)?);
        let alarm = facts.alarm;
        Some(CallWords {
            name: alarm.name.clone(),
            priority: words::priority(alarm.priority),
            occurrence: facts.view.occurrence,
            parts: parts(&scene, &facts),
            place: place(&scene, &facts),
            facts: block(&scene, &facts),
            response: response(&facts),
        })
    }
}

fn place(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> String {
    let station = facts.station.map(|id| scene.line.station(id).name.as_str());
    let what = match &facts.on {
        Subject::Signal(on) => on.signal.tag.as_str(),
        Subject::Controller(on) => on.controller.name.as_str(),
        Subject::Server(on) => on.name.as_str(),
    };
    match station {
        Some(station) => format!("{station}, {what}"),
        None => what.to_owned(),
    }
}

fn how_far(facts: &AlarmFacts<'_>) -> String {
    let Subject::Signal(on) = &facts.on else { return live::how_far(facts) };
    if let Some(why) = on.missing() {
        return format!("no value, {why}");
    }
    match facts.deviation() {
        Some(off) => format!("{} {}", on.show_deviation(off), live::how_far(facts)),
        None => format!("{}, {}", words::with_unit(&on.shown(), on.signal.unit), live::how_far(facts)),
    }
}

fn parts(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> Vec<String> {
    let mut parts = vec![how_far(facts)];
    if let Some(since) = facts.view.beyond_since.or(facts.view.onset) {
        parts.push(format!("for {}", words::span(scene.seconds_since(since))));
    }
    let heading = match facts.direction() {
        Direction::Worse => ", worse",
        Direction::Steady => ", steady",
        Direction::Better => ", better",
        Direction::Unknown => "",
    };
    parts.push(heading.to_owned());
    parts.push(format!("({})", place(scene, facts)));
    parts
}

fn block(scene: &Scene<'_>, facts: &AlarmFacts<'_>) -> Vec<String> {
    let mut lines = Vec::new();
    let mut add = |name: &str, text: String| lines.push(format!("{name}: {text}"));
    add(
        "Where",
        match facts.signal() {
            Some(on) => format!("{} {}", place(scene, facts), on.signal.name),
            None => place(scene, facts),
        },
    );
    if let Some(on) = facts.signal() {
        let value = match on.missing() {
            Some(_) => "no value".to_owned(),
            None => words::with_unit(&on.shown(), on.signal.unit),
        };
        add("Value", value);
    }
    add("How far", how_far(facts));
    add(live::how_long_label(facts), live::how_long_short(scene, facts));
    if let Some(exposure) = live::exposure(facts) {
        add("Exposure", exposure);
    }
    if let Some(on) = facts.signal() {
        add("Trend", live::direction(facts));
        add("Signal", format!("{}, {}", pages::trust(on), live::reading_age(scene, on)));
        if let Some(why) = on.missing() {
            add("Look first", words::no_data_hint(why).to_owned());
        }
    }
    add("Forecast", live::forecast(facts));
    if let Some(product) = pages::product::in_short(scene, facts) {
        add("Product", product);
    }
    lines
}

fn response(facts: &AlarmFacts<'_>) -> Vec<String> {
    let alarm = facts.alarm;
    let mut lines = vec!["Operator, now:".to_owned()];
    let numbered = |steps: &[String]| -> Vec<String> {
        (1..).zip(steps).map(|(n, step)| format!("  {n}. {step}")).collect()
    };
    lines.extend(numbered(&alarm.response_now));
    if let Some(device) = &alarm.independent_device {
        lines.push(format!(
            "An independent device acts on its own: {device} This alarm does not prove that it works."
        ));
    }
    let within = words::span(alarm.time_to_respond.as_secs_f64());
    lines.push(format!("Time to act before it costs product or worse: {within}."));
    if !alarm.response_next.is_empty() {
        lines.push(String::new());
        lines.push("Technician, next:".to_owned());
        lines.extend(numbered(&alarm.response_next));
    }
    lines.push(String::new());
    lines.push(format!("If nobody acts: {}", alarm.consequence));
    lines
}

/// "1 alarm", "12 alarms".
pub(crate) fn counted(count: usize, one: &str) -> String {
    words::counted(count, one)
}

/// A span in at most two units.
pub(crate) fn span(seconds: f64) -> String {
    words::span(seconds)
}

/// `at` as the clock of the line's plant shows it, with its date.
pub(crate) fn clock(line: &Line, at: UtcMillis) -> String {
    Zone::named(&line.time_zone).clock(at, UtcMillis(0))
}
