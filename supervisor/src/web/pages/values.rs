//! Rows of values: what is held against the recipe in full, the rest in a line each, what nobody asks for folded away.

use super::missing_value;
use crate::web::facts::{AlarmFacts, Scene, SignalFacts, StationFacts};
use crate::web::{live, svg, words};
use maud::{Markup, html};
use setward_config::line::{Belt, ControlLoop, Origin, Role};
use setward_process::derived::Derivation;
use setward_protocol::{NoData, SignalId};
use std::collections::BTreeSet;

/// More plain values than this beside the judged ones are folded away unless something is wrong with them.
const PLAIN_SHOWN: usize = 6;
/// So few are not worth a line that opens.
const WORTH_FOLDING: usize = 3;

/// The signals of one station, sorted by how much a person wants to see them.
pub(super) struct Values<'a> {
    judged: Vec<SignalFacts<'a>>,
    belts: Vec<(usize, &'a Belt)>,
    plain: Vec<SignalFacts<'a>>,
    folded: Vec<SignalFacts<'a>>,
}

impl<'a> Values<'a> {
    /// What a station has: held against the recipe or by a loop; watched by an alarm or in trouble; the rest. What people enter
    /// has a page of its own, where what is due and what is old says so: here it is of the rest, unless it is in trouble.
    pub(super) fn of(scene: &Scene<'a>, station: &StationFacts<'a>) -> Self {
        let (told, watched, alarmed) = (told_by_loops(scene), watched(scene), alarmed(scene));
        let troubled = |facts: &SignalFacts<'_>| alarmed.contains(&facts.id) || is_lost(scene, facts);
        let mut values =
            Self { judged: Vec::new(), belts: belts(scene, station), plain: Vec::new(), folded: Vec::new() };
        for facts in scene.signals_at(station.id).filter(|facts| !told.contains(&facts.id)) {
            if facts.signal.role == Role::Entered && !alarmed.contains(&facts.id) {
                values.folded.push(facts);
            } else if facts.asked.is_some() || scene.loop_of(facts.id).is_some() {
                values.judged.push(facts);
            } else if watched.contains(&facts.id) || troubled(&facts) {
                values.plain.push(facts);
            } else {
                values.folded.push(facts);
            }
        }
        values.fold(troubled);
        values
    }

    /// Folds away what is not worth a line, unless that would hide next to nothing.
    fn fold(&mut self, troubled: impl Fn(&SignalFacts<'a>) -> bool) {
        if self.plain.len() + self.folded.len() <= WORTH_FOLDING {
            self.plain.append(&mut self.folded);
        } else if self.plain.len() > PLAIN_SHOWN {
            let (shown, fine) = std::mem::take(&mut self.plain).into_iter().partition(troubled);
            self.plain = shown;
            self.folded.splice(0..0, fine);
        }
    }

    /// Whether it fits into a narrow column: nothing is held against the recipe here.
    pub(super) fn is_small(&self) -> bool {
        self.judged.is_empty() && self.belts.is_empty()
    }

    /// The rows, with the rest behind a line that opens without scripts.
    pub(super) fn show(&self, scene: &Scene<'_>, station: &StationFacts<'_>) -> Markup {
        let rest = self.folded.len();
        let lost = self.folded.iter().filter(|facts| facts.missing().is_some()).count();
        html! {
            (self.rows(scene))
            @if !self.plain.is_empty() { ul.plain { @for facts in &self.plain { (plain_row(scene, facts)) } } }
            @if rest > 0 {
                details id=(format!("rest-{}", station.station.key)) {
                    summary { (rest) " more values" @if lost > 0 { ", " (lost) " of them not known" } }
                    ul.plain { @for facts in &self.folded { (plain_row(scene, facts)) } }
                }
            }
            @if self.judged.is_empty() && self.belts.is_empty() && self.plain.is_empty() && rest == 0 {
                p { "No signals here." }
            }
        }
    }

    /// Everything, nothing folded.
    pub(super) fn show_all(&self, scene: &Scene<'_>) -> Markup {
        html! {
            (self.rows(scene))
            ul.plain { @for facts in self.plain.iter().chain(&self.folded) { (plain_row(scene, facts)) } }
        }
    }

    fn rows(&self, scene: &Scene<'_>) -> Markup {
        html! {
            @if !self.judged.is_empty() || !self.belts.is_empty() {
                ul.rows {
                    @for facts in &self.judged { (judged_row(scene, facts)) }
                    @for (index, belt) in &self.belts { (belt_row(scene, *index, belt)) }
                }
            }
        }
    }
}

/// Belts of the station whose dwell no derived signal tells already.
fn belts<'a>(scene: &Scene<'a>, station: &StationFacts<'_>) -> Vec<(usize, &'a Belt)> {
    let told = |belt: &Belt| {
        scene.line.signals.iter().any(|signal| match signal.origin {
            Origin::Derived(Derivation::Dwell { speed, .. }) => speed == belt.speed,
            Origin::Derived(
                Derivation::Ratio { .. } | Derivation::Difference { .. } | Derivation::Slope { .. },
            )
            | Origin::Register(_)
            | Origin::Entered
            | Origin::Followed(_) => false,
        })
    };
    let here = scene.line.belts.iter().enumerate().filter(|(_, belt)| belt.station == station.id);
    here.filter(|(_, belt)| !told(belt)).collect()
}

/// Signals that a loop's or a belt's row already tells.
fn told_by_loops(scene: &Scene<'_>) -> BTreeSet<SignalId> {
    let loops = scene.line.loops.iter();
    let parts = loops.flat_map(|control| [control.entered, control.working, control.output, control.mode]);
    let dwells = scene.line.belts.iter().filter_map(|belt| scene.dwell_setpoint(belt)).map(|facts| facts.id);
    parts.flatten().chain(dwells).collect()
}

/// Signals that a written alarm holds against something.
fn watched(scene: &Scene<'_>) -> BTreeSet<SignalId> {
    let judging = scene.alarms().filter(|alarm| alarm.judges_a_value());
    judging.filter_map(|alarm| alarm.alarm.settings.watches.signal()).collect()
}

/// Signals with an active alarm that speaks; one that only waits for a person no longer needs its value seen.
fn alarmed(scene: &Scene<'_>) -> BTreeSet<SignalId> {
    let standing =
        scene.alarms().filter(|alarm: &AlarmFacts<'_>| alarm.is_standing() && alarm.view.state.is_active());
    standing.filter_map(|alarm| alarm.alarm.settings.watches.signal()).collect()
}

/// Whether this very signal has no value. What a whole controller lacks is told once, and what nobody reads or is still
/// being counted is no trouble.
fn is_lost(scene: &Scene<'_>, facts: &SignalFacts<'_>) -> bool {
    let own = facts.missing().is_some_and(|why| match why {
        NoData::SensorFault | NoData::OutOfRange | NoData::Stuck | NoData::Exception(_) | NoData::Stale => {
            true
        }
        NoData::NotPolled
        | NoData::NotCommissioned
        | NoData::NoReply
        | NoData::Refused
        | NoData::HeartbeatStopped
        | NoData::Restarting
        | NoData::TooLittleKnown
        | NoData::TakenBack
        | NoData::NotSteady
        | NoData::TooUncertain => false,
    });
    own && scene.silent_controller(facts).is_none()
}

fn judged_row(scene: &Scene<'_>, facts: &SignalFacts<'_>) -> Markup {
    let tag = &facts.signal.tag;
    let side = facts.out_of_band();
    let class = match (facts.missing(), side) {
        (Some(_), _) => "row bad",
        (None, Some(_)) => "row out",
        (None, None) => "row",
    };
    html! {
        li class=(class) {
            (name_link(facts))
            @if facts.missing().is_some() { (missing_value(scene, facts)) } @else {
                (value(facts))
                span.deviation {
                    @if let Some(off) = facts.deviation() { span data-t=(format!("{tag}.d")) { (facts.show_deviation(off)) } }
                    @if !facts.judged && facts.asked.is_some() { small { "not judged now" } }
                    @if let Some(side) = side { b.outside { (words::side(side)) " " (facts.band_word()) } }
                }
            }
            span.band { @if facts.asked.is_some() { (svg::band_bar(facts.widths_off(), side.is_some(), tag)) } }
            span.set { (setpoints(scene, facts)) }
            span.loop { @if let Some(control) = scene.loop_of(facts.id) { (loop_words(scene, control)) } }
        }
    }
}

fn name_link(facts: &SignalFacts<'_>) -> Markup {
    html! {
        a.name href=(format!("/signals/{}", facts.signal.tag)) { (facts.signal.name) small { (facts.signal.tag) } }
    }
}

fn value(facts: &SignalFacts<'_>) -> Markup {
    html! {
        span.value { b data-t=(format!("{}.v", facts.signal.tag)) { (facts.shown()) } " " (facts.signal.unit.display()) }
    }
}

/// What the recipe asks, what a person entered when that goes beyond the latitude, and what the loop holds when that is
/// something else again.
fn setpoints(scene: &Scene<'_>, facts: &SignalFacts<'_>) -> Markup {
    let control = scene.loop_of(facts.id);
    let by_loop = control.and_then(|control| control.entered);
    let entered = facts.asked.and_then(|asked| asked.entered).or(by_loop).map(|id| scene.signal(id));
    let turned = entered.and_then(|entered| {
        let value = entered.view.reading.value()?;
        entered.entered.is_some_and(|against| against.is_beyond(value)).then_some((entered, value))
    });
    let working = control.and_then(|control| control.working).map(|id| scene.signal(id));
    html! {
        @if let (Some(asked), Some((low, high))) = (facts.asked, facts.band()) {
            span { "recipe " (facts.show_with_unit(asked.target.setpoint)) }
            small { (facts.show(low)) " to " (facts.show(high)) }
        } @else { @if let Some(entered) = &entered { (named("setpoint", entered)) } }
        @if let Some((entered, value)) = turned { b.outside { "entered " (entered.show_with_unit(value)) } }
        @if let Some(working) = working.filter(|working| is_ramping(entered.as_ref(), working)) { (named("working setpoint", &working)) }
    }
}

/// Whether the working setpoint shows another number than the entered one.
fn is_ramping(entered: Option<&SignalFacts<'_>>, working: &SignalFacts<'_>) -> bool {
    entered.is_none_or(|entered| entered.shown() != working.shown())
}

/// "output 62.0 %".
fn named(word: &str, facts: &SignalFacts<'_>) -> Markup {
    html! {
        span { (word) " " span data-t=(format!("{}.v", facts.signal.tag)) { (facts.shown()) }
            @if facts.missing().is_none() { " " (facts.signal.unit.display()) } }
    }
}

/// Output and mode of a loop.
fn loop_words(scene: &Scene<'_>, control: &ControlLoop) -> Markup {
    html! {
        @if let Some(output) = control.output { (named("output", &scene.signal(output))) }
        @if let Some(mode) = control.mode {
            @if scene.is_manual(control) { b.outside { "MANUAL" } } @else { (named("mode", &scene.signal(mode))) }
        }
    }
}

fn belt_row(scene: &Scene<'_>, index: usize, belt: &Belt) -> Markup {
    let speed = scene.signal(belt.speed);
    let dwell_s = scene.snapshot.dwell_s.get(index).copied().flatten();
    html! {
        li.row.bad[dwell_s.is_none() && speed.missing().is_some()] {
            a.name href=(format!("/signals/{}", speed.signal.tag)) {
                (belt.name) small {
                    "from " (speed.signal.tag) ", " (belt.effective_length_m) " m"
                    @if belt.proof.is_none() { ", not proven with a test piece" }
                }
            }
            @match (dwell_s, speed.missing()) {
                (None, Some(why)) => span.lost { b { "Unknown: the speed has no value (" (why) ")" } },
                (_, _) => span.value { b data-t=(format!("belt-{index}")) { (live::dwell(dwell_s)) } }
            }
            span.deviation {}
            span.band {}
            span.set { @if let Some(setpoint) = scene.dwell_setpoint(belt) { (named("setpoint", &setpoint)) } }
            span.loop {}
        }
    }
}

pub(super) fn plain_row(scene: &Scene<'_>, facts: &SignalFacts<'_>) -> Markup {
    html! {
        li.bad[facts.missing().is_some()] {
            (name_link(facts))
            @if facts.missing().is_some() { (missing_value(scene, facts)) } @else { (value(facts)) }
        }
    }
}
