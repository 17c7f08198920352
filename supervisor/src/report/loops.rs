//! What the record of each control loop says about it: whether it swings, how it answers to a step, and what settings the
//! published SIMC rules would suggest for such a process.
//!
//! Advice and nothing more: it is told with the process that it was worked out from, it is never written anywhere, and only
//! a step of the output, made while a person held it in manual, shows the process; one of the setpoint shows the closed loop.

use super::axis::{self, Axis};
use super::rfc3339;
use super::stops::ModeSpan;
use crate::history::{HistoryError, HistoryStore, Span};
use serde::Serialize;
use setward_config::line::{ControlLoop, Line, LoopMode};
use setward_process::loops::oscillation::oscillation;
use setward_process::loops::step_fit::{Process, fit};
use setward_process::loops::tuning::simc_pi;
use setward_process::loops::turns::{Turn, turns};
use setward_process::series::{self, Steps, Trace};
use setward_process::statistics::{Deviations, Refused};
use setward_protocol::{Mode, SignalId, Unit, Uptime};
use std::time::Duration;

/// A level before a step lasted so long, s.
const BEFORE_S: f64 = 60.0;
/// And the one after it.
const AFTER_S: f64 = 120.0;
/// An answer is not followed for longer, s.
const ANSWER_MOST_S: f64 = 7_200.0;
/// Steps of a loop that are told, the newest.
const STEPS_MOST: usize = 5;
/// Values that a fit is made from at most.
const FITTED_MOST: usize = 600;
/// Values that are looked at for a swing.
const SWING_VALUES_MOST: f64 = 20_000.0;
/// A step of the output or setpoint is at least so much of its range.
const LEAST_STEP: f64 = 0.01;

/// The loops of a line over a window.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LoopsReport {
    /// Version of this object.
    pub schema_version: u32,
    /// The line.
    pub line: String,
    /// Beginning, RFC 3339.
    pub from: String,
    /// End, RFC 3339.
    pub to: String,
    /// The loops, in the order of the line file.
    pub loops: Vec<LoopRow>,
}

/// A loop.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LoopRow {
    /// Its tag.
    pub tag: String,
    /// What it measures, by tag.
    pub measured: String,
    /// Unit of what it measures, as a difference.
    pub unit: String,
    /// Unit of its output, if it has one.
    pub output_unit: Option<String>,
    /// How long it ran in automatic with good values, s.
    pub known_s: f64,
    /// A regular swing about its setpoint.
    pub swing: Option<SwingRow>,
    /// Why none is told: there is none, or not enough to look at.
    pub no_swing_because: Option<String>,
    /// Steps of its setpoint or output, in order of time.
    pub steps: Vec<StepRow>,
    /// Settings for a PI controller.
    pub advice: Option<AdviceRow>,
    /// Why there are none.
    pub no_advice_because: Option<String>,
}

/// A swing.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SwingRow {
    /// One whole swing, s.
    pub period_s: f64,
    /// To either side of the mean.
    pub amplitude: f64,
    /// Above 1 is regular.
    pub regularity: f64,
}

/// How the measurement answered to a step.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StepRow {
    /// When, RFC 3339.
    pub at: String,
    /// "output in manual": shows the process; "setpoint": shows the closed loop.
    pub of: &'static str,
    /// The level before.
    pub level_before: f64,
    /// The level after.
    pub level_after: f64,
    /// How far the measurement goes per unit of the step.
    pub gain: Option<f64>,
    /// How long nothing happens, s.
    pub dead_time_s: Option<f64>,
    /// How long until 63 % of the rest is done, s.
    pub lag_s: Option<f64>,
    /// Share of the variance that the fit explains, %.
    pub explained_percent: Option<f64>,
    /// Why there is no fit.
    pub refused: Option<String>,
}

/// Settings, advice only.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AdviceRow {
    /// The step it was learned from, RFC 3339.
    pub learned_at: String,
    /// Time constant of the closed loop that it is for, s: the dead time, and no less than the poll period.
    pub closed_loop_s: f64,
    /// Gain Kc, units of output per unit of measurement.
    pub gain: f64,
    /// Integral time Ti, s.
    pub integral_s: f64,
    /// The gain as a proportional band: units of measurement for the whole output.
    pub proportional_band: f64,
    /// The integral time as repeats a minute.
    pub repeats_per_min: f64,
}

/// The loops over a window; `only`: this one.
///
/// # Errors
/// When history can't be read.
pub async fn loops_report(
    line: &Line,
    store: &dyn HistoryStore,
    only: Option<&str>,
    (window, modes): (Span, &[Vec<ModeSpan>]),
) -> Result<LoopsReport, HistoryError> {
    let mut loops = Vec::new();
    for own in line.loops.iter().filter(|own| only.is_none_or(|only| own.tag == only)) {
        loops.push(of_loop(line, store, own, (window, modes)).await?);
    }
    Ok(LoopsReport {
        schema_version: 1,
        line: line.name.clone(),
        from: rfc3339(window.from()),
        to: rfc3339(window.to()),
        loops,
    })
}

/// The kept readings of a loop on one axis.
struct Record {
    axis: Axis,
    measured: Vec<(Uptime, f64)>,
    setpoint: Vec<(Uptime, Option<f64>)>,
    entered: Vec<(Uptime, Option<f64>)>,
    output: Vec<(Uptime, Option<f64>)>,
    mode: Vec<(Uptime, Option<f64>)>,
    until: Uptime,
}

impl Record {
    async fn read(
        line: &Line,
        store: &dyn HistoryStore,
        own: &ControlLoop,
        window: Span,
    ) -> Result<Self, HistoryError> {
        let axis = Axis(setward_protocol::UtcMillis(window.from().0 - 600_000));
        let ends = (window.from(), window.to());
        let unit = line.signal(own.measured).unit;
        let measured = axis.points(&axis::read(line, store, (own.measured, unit), ends).await?);
        let steps = async |signal: Option<SignalId>, unit: Option<Unit>| {
            let Some(signal) = signal else { return Ok(Vec::new()) };
            let unit = unit.unwrap_or(line.signal(signal).unit);
            let samples = axis::read(line, store, (signal, unit), ends).await?;
            Ok::<_, HistoryError>(axis.steps(&samples, line.gap_limit(signal)))
        };
        let last = |record: &[(Uptime, Option<f64>)]| record.last().map_or(Uptime::START, |(at, _)| *at);
        let entered = steps(own.entered, Some(unit)).await?;
        let setpoint = match own.working {
            Some(working) => steps(Some(working), Some(unit)).await?,
            None => entered.clone(),
        };
        let (output, mode) = (steps(own.output, None).await?, steps(own.mode, None).await?);
        let ends = [last(&setpoint), last(&entered), last(&output), last(&mode), axis.at(window.to())];
        let until = ends.into_iter().max().unwrap_or(Uptime::START);
        Ok(Self { axis, measured, setpoint, entered, output, mode, until })
    }

    /// The stretches in which the loop was in one of these modes, of those in which its station ran; all of them for a loop
    /// without a mode word, if `unless_told`.
    fn in_mode(
        &self,
        own: &ControlLoop,
        ran: &[series::Span],
        (wanted, unless_told): (&[LoopMode], bool),
    ) -> Vec<series::Span> {
        if own.mode.is_none() {
            return if unless_told { ran.to_vec() } else { Vec::new() };
        }
        let Ok(mode) = Steps::signed(&self.mode, self.until) else { return Vec::new() };
        let is_wanted = |value: Option<f64>| {
            let code = value.filter(|code| code.abs() < 1e9).map(|code| code.round() as i64);
            code.and_then(|code| own.modes.get(&code)).is_some_and(|mode| wanted.contains(mode))
        };
        let mut found: Vec<series::Span> = Vec::new();
        for (span, _) in
            ran.iter().flat_map(|span| mode.pieces_within(*span)).filter(|(_, value)| is_wanted(*value))
        {
            match found.last_mut() {
                Some(last) if last.to == span.from => last.to = span.to,
                Some(_) | None => found.push(span),
            }
        }
        found
    }
}

async fn of_loop(
    line: &Line,
    store: &dyn HistoryStore,
    own: &ControlLoop,
    (window, modes): (Span, &[Vec<ModeSpan>]),
) -> Result<LoopRow, HistoryError> {
    let record = Record::read(line, store, own, window).await?;
    let measured = line.signal(own.measured);
    let of_station = modes.get(measured.station.index()).map_or(&[][..], Vec::as_slice);
    let spans = |wanted: fn(Option<Mode>) -> bool| -> Vec<series::Span> {
        let own = of_station.iter().filter(|span| wanted(span.mode));
        own.map(|span| record.axis.span((span.from, span.to))).collect()
    };
    let ran = spans(|mode| mode == Some(Mode::Run));
    // A step is made while nothing is produced, often enough; only what nobody watched is left out.
    let watched = series::merged(&spans(|mode| mode.is_some()));
    let automatic = record.in_mode(own, &ran, (&[LoopMode::Automatic, LoopMode::Cascade], true));
    let (known_s, swing) = swing(line, own, &record, &automatic);
    let held = record.in_mode(own, &watched, (&[LoopMode::Automatic, LoopMode::Cascade], true));
    let manual = record.in_mode(own, &watched, (&[LoopMode::Manual], false));
    let turned = Stepped { signal: own.entered, levels: &record.entered, within: &held, of: "setpoint" };
    let opened = Stepped { signal: own.output, levels: &record.output, within: &manual, of: MANUAL };
    let mut steps = answers(line, own, &record, &turned);
    steps.extend(answers(line, own, &record, &opened));
    steps.sort_by(|one, other| one.at.cmp(&other.at));
    let advice = advice(&steps, line.signal(own.measured).register().map(|own| own.poll_every));
    Ok(LoopRow {
        tag: own.tag.clone(),
        measured: measured.tag.clone(),
        unit: measured.unit.of_difference().symbol().to_owned(),
        output_unit: own.output.map(|output| line.signal(output).unit.symbol().to_owned()),
        known_s,
        no_swing_because: swing.as_ref().err().cloned(),
        swing: swing.ok(),
        steps,
        no_advice_because: advice.as_ref().err().cloned(),
        advice: advice.ok(),
    })
}

/// What a step of the output is called.
const MANUAL: &str = "output in manual";

/// How long is known of it, and its swing; or why none is told.
fn swing(
    line: &Line,
    own: &ControlLoop,
    record: &Record,
    automatic: &[series::Span],
) -> (f64, Result<SwingRow, String>) {
    let nothing = || (0.0, Err(Refused::Nothing.to_string()));
    let Ok(value) = Trace::new(&record.measured, line.gap_limit(own.measured)) else { return nothing() };
    let deviations = match Steps::signed(&record.setpoint, record.until) {
        Ok(setpoint) => Deviations::new(&value, &setpoint, automatic),
        Err(_none) => Deviations::of_value(&value, automatic),
    };
    let known_s = deviations.known_s();
    if known_s <= 0.0 {
        return nothing();
    }
    let poll = line.signal(own.measured).register().map_or(Duration::from_secs(1), |own| own.poll_every);
    let every = poll.max(Duration::from_secs_f64((known_s / SWING_VALUES_MOST).ceil().clamp(1.0, 86_400.0)));
    let found = deviations.samples(every).and_then(|samples| oscillation(&samples));
    let told = match found {
        Ok(Some(found)) => {
            let (period_s, amplitude, regularity) = (found.period_s, found.amplitude, found.regularity);
            Ok(SwingRow { period_s, amplitude, regularity })
        }
        Ok(None) => Err("it does not swing regularly".to_owned()),
        Err(why) => Err(why.to_string()),
    };
    (known_s, told)
}

/// What is stepped, when it counts, and what a step of it is called.
struct Stepped<'a> {
    signal: Option<SignalId>,
    levels: &'a [(Uptime, Option<f64>)],
    within: &'a [series::Span],
    of: &'static str,
}

/// How the measurement answered to the newest steps of a record.
fn answers(line: &Line, own: &ControlLoop, record: &Record, stepped: &Stepped<'_>) -> Vec<StepRow> {
    let Stepped { signal, levels, within, of } = *stepped;
    let (Some(signal), Ok(moved)) = (signal, Steps::signed(levels, record.until)) else { return Vec::new() };
    let signal = line.signal(signal);
    let least = (signal.range.1 - signal.range.0).abs() * LEAST_STEP;
    let still = signal.register().map_or(0.0, |register| register.wire.scale.abs());
    let found = within.iter().flat_map(|span| turns(&moved, *span, (least, still), (BEFORE_S, AFTER_S)));
    let found: Vec<Turn> = found.collect();
    let newest = found.len().saturating_sub(STEPS_MOST);
    found.iter().skip(newest).map(|turn| answer(line, own, record, (turn, of))).collect()
}

fn answer(line: &Line, own: &ControlLoop, record: &Record, (turn, of): (&Turn, &'static str)) -> StepRow {
    let empty = StepRow {
        at: rfc3339(record.axis.utc(turn.at)),
        of,
        level_before: turn.from,
        level_after: turn.to,
        gain: None,
        dead_time_s: None,
        lag_s: None,
        explained_percent: None,
        refused: None,
    };
    let since = |at: Uptime| at.seconds_since(turn.at) - turn.at.seconds_since(at);
    let counts = |at: &f64| (-BEFORE_S..=since(turn.around.to).min(ANSWER_MOST_S)).contains(at);
    let near = record.measured.iter().map(|(at, value)| (since(*at), *value)).filter(|(at, _)| counts(at));
    let near: Vec<(f64, f64)> = near.collect();
    let gap_s = line.gap_limit(own.measured).as_secs_f64();
    if near.windows(2).any(|pair| matches!(pair, [a, b] if b.0 - a.0 > gap_s)) {
        return StepRow { refused: Some("its answer has a gap".to_owned()), ..empty };
    }
    let each = near.len().div_ceil(FITTED_MOST).max(1);
    let near: Vec<(f64, f64)> = near.into_iter().step_by(each).collect();
    match fit(&near, turn.to - turn.from) {
        Err(why) => StepRow { refused: Some(why.to_string()), ..empty },
        Ok(found) => StepRow {
            gain: Some(found.process.gain),
            dead_time_s: Some(found.process.dead_time_s),
            lag_s: Some(found.process.lag_s),
            explained_percent: Some(found.explained * 100.0),
            ..empty
        },
    }
}

/// Settings by the newest step of the output that could be fitted.
fn advice(steps: &[StepRow], poll: Option<Duration>) -> Result<AdviceRow, String> {
    let learned = steps.iter().rev().filter(|step| step.of == MANUAL).find_map(|step| {
        let process = Process { gain: step.gain?, dead_time_s: step.dead_time_s?, lag_s: step.lag_s? };
        Some((step, process))
    });
    let Some((step, process)) = learned else {
        return Err(
            "it takes a step of the output while a person holds it in manual: one of the setpoint shows \
                    the closed loop, not the process"
                .to_owned(),
        );
    };
    let closed_loop_s = process.dead_time_s.max(poll.map_or(1.0, |poll| poll.as_secs_f64()));
    let found = simc_pi(process, closed_loop_s).map_err(|why| why.to_string())?;
    Ok(AdviceRow {
        learned_at: step.at.clone(),
        closed_loop_s,
        gain: found.gain,
        integral_s: found.integral_s,
        proportional_band: found.proportional_band(),
        repeats_per_min: found.repeats_per_min(),
    })
}

#[cfg(test)]
#[path = "loops_tests.rs"]
mod tests;
