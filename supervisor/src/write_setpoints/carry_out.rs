//! Writes what a difference says, one setpoint after the other, and reads each back; stops at the first that is not as it
//! should be, with the list of what is in the controllers now.

use super::journal::{Intent, Journal, Occasion};
use super::plan::{Difference, Row, words_of};
use super::wire::{Answer, Wire};
use crate::clock::Clock;
use crate::commission::probe::asker::{LEAST_REST, Whom};
use crate::poll::session::ReadFailure;
use serde::Serialize;
use setward_config::line::{Line, Register, SetpointWrite, StationId};
use std::time::Duration;

/// How long a controller may be busy, or take what it has accepted (exceptions 06 and 05). A controller's manual: 15 s while
/// somebody edits at the panel.
const BUSY_WITHIN: Duration = Duration::from_secs(15);
const BUSY_FIRST: Duration = Duration::from_millis(500);
/// How long a written value may take to be there: controllers take it over at the end of their cycle.
const TAKEN_WITHIN: Duration = Duration::from_secs(2);
const LOOK_AGAIN: Duration = Duration::from_millis(500);
/// Exceptions "acknowledge" and "device busy".
const ACCEPTED: u8 = 0x05;
const BUSY: u8 = 0x06;
/// Exceptions of a gateway, "path unavailable" and "target device failed to respond": the controller may have taken it all the same.
const GATEWAY: [u8; 2] = [0x0A, 0x0B];

/// What became of a setpoint.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Fate {
    /// It was not meant to be written.
    LeftAlone,
    /// It was not its turn before writing stopped.
    NotTried,
    /// It is as the recipe asks: read back.
    Written,
    /// It was written on the way to what the recipe asks, and no further.
    Partly,
    /// It is as it was: read back.
    NotWritten,
    /// It is something else: read back.
    SomethingElse,
    /// What it is can't be read.
    Unknown,
}

/// What became of one setpoint.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Outcome {
    /// Its tag.
    pub tag: String,
    /// What became of it.
    pub fate: Fate,
    /// What the controller holds now, as last read; `None`: not known.
    pub now: Option<f64>,
    /// Unit of it.
    pub unit: &'static str,
    /// Why writing stopped here.
    pub why: Option<String>,
}

/// A setpoint being written.
struct Target<'a> {
    row: &'a Row,
    rules: &'a SetpointWrite,
    register: &'a Register,
    whom: Whom,
    station: StationId,
}

/// Writes.
pub struct Writer<'a> {
    /// The line.
    pub line: &'a Line,
    /// Who, what and why.
    pub occasion: Occasion,
    /// Where it is noted.
    pub journal: &'a mut Journal,
    /// The clock of notes.
    pub clock: Clock,
}

impl std::fmt::Debug for Writer<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Writer").field("occasion", &self.occasion).finish_non_exhaustive()
    }
}

/// Where a setpoint stands after a step.
type Stands = Result<Vec<u16>, (Fate, Option<Vec<u16>>, String)>;

impl Writer<'_> {
    /// Writes all of it, in the order of the difference.
    pub async fn write(&mut self, difference: &Difference, wire: &mut dyn Wire) -> Vec<Outcome> {
        let mut outcomes = Vec::new();
        let mut stopped = false;
        for row in &difference.rows {
            let steps =
                difference.to_write().find(|(other, _)| other.signal == row.signal).map(|(_, steps)| steps);
            let outcome = match steps {
                None => outcome(row, Fate::LeftAlone, row.now, None),
                Some(_) if stopped => outcome(row, Fate::NotTried, row.now, None),
                Some(steps) => self.one(row, steps, wire).await,
            };
            stopped |= outcome.why.is_some();
            outcomes.push(outcome);
        }
        outcomes
    }

    async fn one(&mut self, row: &Row, steps: &[f64], wire: &mut dyn Wire) -> Outcome {
        let Some(target) = Target::of(self.line, row) else {
            return outcome(row, Fate::NotTried, row.now, Some("it is in no register any more".to_owned()));
        };
        let mut there = row.words_now.clone();
        for (place, value) in steps.iter().enumerate() {
            if place > 0 {
                wire.pause(target.rules.step_every.unwrap_or_default()).await;
            }
            match self.step(&target, &there, *value, wire).await {
                Ok(words) => there = words,
                Err((fate, words, why)) => {
                    let fate = if fate == Fate::NotWritten && place > 0 { Fate::Partly } else { fate };
                    let now = words.and_then(|words| value_of(target.register, &words));
                    return outcome(row, fate, now, Some(why));
                }
            }
        }
        outcome(row, Fate::Written, value_of(target.register, &there), None)
    }

    /// One request: looked at, noted, sent, read back.
    async fn step(&mut self, target: &Target<'_>, before: &[u16], value: f64, wire: &mut dyn Wire) -> Stands {
        let untouched = |why: String| (Fate::NotWritten, Some(before.to_vec()), why);
        let words = words_of(target.register, value)
            .ok_or_else(|| untouched(format!("its register can't say {value}")))?;
        target.may_be_written(before, wire).await?;
        let intent = Intent {
            tag: target.row.tag.clone(),
            place: target.row.place.clone(),
            words_before: before.to_vec(),
            words: words.clone(),
            value,
        };
        self.journal.note(self.clock.utc(), &self.occasion, &intent, None).map_err(untouched)?;
        let stands = match target.send(before, &words, wire).await {
            Ok(answer) => target.became_of(answer, before, &words, wire).await,
            Err(found) => Err(found),
        };
        let told = match &stands {
            Ok(_) => "written".to_owned(),
            Err((fate, _, why)) => format!("{fate:?}: {why}"),
        };
        match self.journal.note(self.clock.utc(), &self.occasion, &intent, Some(told)) {
            Ok(()) => stands,
            // What is there is known; that it can't be noted ends the writing.
            Err(why) => Err(match stands {
                Ok(words) => (Fate::Written, Some(words), why),
                Err((fate, words, first)) => (fate, words, format!("{first}; and {why}")),
            }),
        }
    }
}

impl<'a> Target<'a> {
    fn of(line: &'a Line, row: &'a Row) -> Option<Self> {
        let rules = line.setpoint_writes.iter().find(|write| write.signal == row.signal)?;
        let register = line.signal(row.signal).register()?;
        let controller = line.controller(register.controller);
        let whom = Whom {
            endpoint: controller.endpoint.clone(),
            unit_id: controller.unit_id,
            within: controller.answer_within,
            rest: controller.pause.max(LEAST_REST),
        };
        let station = line.signal(row.signal).station;
        Some(Self { row, rules, register, whom, station })
    }

    async fn read(&self, wire: &mut dyn Wire) -> Result<Vec<u16>, ReadFailure> {
        let place = self.register.wire.place();
        wire.read(&self.whom, self.register.wire.address, place.words).await
    }

    /// Whether its station still does what it must, and nobody has turned the setpoint since it was looked at.
    async fn may_be_written(
        &self,
        before: &[u16],
        wire: &mut dyn Wire,
    ) -> Result<(), (Fate, Option<Vec<u16>>, String)> {
        let mode = wire.mode(self.station).await;
        if !mode.is_some_and(|mode| self.rules.modes.contains(mode)) {
            let is = mode.map_or("what its station does can't be told", |mode| mode.name());
            let why = format!("its station is no longer where it may be written: {is}");
            return Err((Fate::NotWritten, Some(before.to_vec()), why));
        }
        match self.read(wire).await {
            Ok(words) if words == before => Ok(()),
            Ok(words) => {
                let why =
                    "somebody has turned it since it was looked at; look at the difference again".to_owned();
                Err((Fate::NotWritten, Some(words), why))
            }
            Err(failure) => Err((Fate::Unknown, None, format!("it can't be read before writing: {failure}"))),
        }
    }

    /// Sends the request; again only while the controller says that it is busy and has not taken it, and each time only after another look:
    /// busy means that somebody may be turning it at the panel, and what a person has just entered is not written over.
    async fn send(
        &self,
        before: &[u16],
        words: &[u16],
        wire: &mut dyn Wire,
    ) -> Result<Answer, (Fate, Option<Vec<u16>>, String)> {
        let (mut waited, mut wait) = (Duration::ZERO, BUSY_FIRST);
        loop {
            let answer = wire.write(&self.whom, self.register.wire.address, words).await;
            if answer != Answer::Exception(BUSY) || waited + wait > BUSY_WITHIN {
                return Ok(answer);
            }
            wire.pause(wait).await;
            waited += wait;
            wait *= 2;
            match self.may_be_written(before, wire).await {
                Ok(()) => {}
                // Somebody has turned it to just this.
                Err((_, Some(there), _)) if there == words => return Ok(Answer::Done),
                Err(found) => return Err(found),
            }
        }
    }

    /// Reads back until what was written is there, or it is late enough to say that it is not.
    async fn became_of(&self, answer: Answer, before: &[u16], words: &[u16], wire: &mut dyn Wire) -> Stands {
        let within = match &answer {
            Answer::NotSent(why) => {
                return Err((Fate::NotWritten, Some(before.to_vec()), format!("no connection: {why}")));
            }
            Answer::Done => TAKEN_WITHIN,
            // Accepted and not done yet, or nobody knows: never sent again.
            Answer::Exception(ACCEPTED) | Answer::Unsure(_) => BUSY_WITHIN,
            Answer::Exception(code) if GATEWAY.contains(code) => BUSY_WITHIN,
            Answer::Exception(_) => Duration::ZERO,
        };
        let mut waited = Duration::ZERO;
        loop {
            let there = self.read(wire).await;
            if there.as_deref() == Ok(words) && !refused(&answer) {
                return Ok(words.to_vec());
            }
            if waited < within {
                wire.pause(LOOK_AGAIN).await;
                waited += LOOK_AGAIN;
                continue;
            }
            let why = why(&answer);
            return Err(match there {
                Ok(there) if there == before => (Fate::NotWritten, Some(there), why),
                Ok(there) if there == words => (Fate::Written, Some(there), why),
                Ok(there) => (Fate::SomethingElse, Some(there), why),
                Err(failure) => (Fate::Unknown, None, format!("{why}; reading back: {failure}")),
            });
        }
    }
}

/// Whether the controller has said that it does not do it.
fn refused(answer: &Answer) -> bool {
    matches!(answer, Answer::Exception(code) if *code != ACCEPTED && !GATEWAY.contains(code))
}

fn why(answer: &Answer) -> String {
    match answer {
        Answer::Done => "the controller said that it is done, and the register says something else".to_owned(),
        Answer::Exception(ACCEPTED) => {
            "the controller accepted it (exception 05) and did not do it within 15 s".to_owned()
        }
        Answer::Exception(BUSY) => {
            "the controller was busy for 15 s (exception 06): somebody edits at its panel, or it is switched to local".to_owned()
        }
        Answer::Exception(code) if GATEWAY.contains(code) => {
            format!("the gateway had no answer from the controller (exception {code:02X}), which may still take it: look at its panel")
        }
        Answer::Exception(code) => {
            format!("the controller refuses it (exception {code:02X}): see whether its panel locks setpoints, or it is in local")
        }
        Answer::NotSent(why) => format!("no connection: {why}"),
        Answer::Unsure(why) => format!("{why} after the request was sent"),
    }
}

fn outcome(row: &Row, fate: Fate, now: Option<f64>, why: Option<String>) -> Outcome {
    Outcome { tag: row.tag.clone(), fate, now, unit: row.unit, why }
}

fn value_of(register: &Register, words: &[u16]) -> Option<f64> {
    register.wire.decode_words(words).value()
}
