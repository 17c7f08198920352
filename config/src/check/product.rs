//! Kettles, tanks, drums and hoppers, and the feed: every word is a status with codes that mean something.

use super::LineNames;
use super::stations::signal_id;
use crate::line::{
    Delay, FeedRate, Kettle, KettlePhases, LineSignal, Role, StationId, Tank, TankCode, TankContents,
};
use crate::problem::{At, Code, Span, quoted};
use crate::quantity::{self, Quantity, short};
use crate::raw::line::RawLine;
use crate::raw::product::{
    PHASES, RawByLevel, RawByTemperature, RawCodes, RawDelay, RawFeed, RawKettle, RawTank, TANK_CODES,
};
use crate::reader::{Sink, nearest_or_all};
use setward_process::batches::TemperatureRule;
use setward_process::follow::LevelRule;
use setward_protocol::{Dimension, SignalId, Unit};
use std::collections::BTreeMap;

/// The relative uncertainty of a weighed rate if nobody says; judgement.
const RATE_UNCERTAINTY: f64 = 0.02;

const WATER: (Dimension, &str, &str) =
    (Dimension::Volume, "volume", "name the meter of the water that is filled in");
const TEMPERATURE: (Dimension, &str, &str) = (Dimension::Temperature, "temperature", "name the probe in it");
const WEIGHT: (Dimension, &str, &str) = (Dimension::Mass, "mass", "name the load cells of the kettle");

/// Signals by name, with where problems go.
struct Look<'a, 'n> {
    names: &'a LineNames<'n>,
    signals: &'a [Option<LineSignal>],
    sink: &'a mut Sink,
}

/// What is known of where product comes from and how it passes.
pub(crate) struct Product {
    pub(crate) kettles: Vec<Option<Kettle>>,
    pub(crate) tanks: Vec<Option<Tank>>,
    pub(crate) delays: Vec<Option<Delay>>,
    /// Outer `None`: it is there and wrong.
    pub(crate) feed: Option<Option<FeedRate>>,
}

/// All of it.
pub(crate) fn check(
    raw: &RawLine,
    names: &LineNames<'_>,
    signals: &[Option<LineSignal>],
    sink: &mut Sink,
) -> Product {
    let mut look = Look { names, signals, sink };
    Product {
        kettles: raw.kettles.iter().map(|one| kettle(one, &mut look)).collect(),
        tanks: tanks(&raw.tanks, &mut look),
        delays: raw.delays.iter().map(|one| delay(one, &mut look)).collect(),
        feed: match &raw.feed {
            Some(one) => feed(one, &mut look).map(Some),
            None => Some(None),
        },
    }
}

fn kettle(raw: &RawKettle, look: &mut Look<'_, '_>) -> Option<Kettle> {
    let station = look.station(raw.station.as_ref());
    let temperature = match &raw.temperature {
        // Where it tells the phases, that says what is wrong with it.
        Some(name) if raw.by_temperature.is_none() => look.measured(name, TEMPERATURE),
        name => look.signal(name.as_ref(), Role::Measured),
    };
    let phases = phases(raw, temperature, look);
    let number = raw.batch_number.as_ref().map(|name| look.signal(Some(name), Role::Status));
    let water = raw.water_total.as_ref().map(|name| look.measured(name, WATER));
    let weight = raw.weight.as_ref().map(|name| look.measured(name, WEIGHT));
    let corn = raw.corn.as_ref().and_then(|corn| {
        let kg = look.sink.take("corn", corn.at, quantity::point(&corn.value, Unit::Kilogram))?;
        more_than_nothing("corn", kg, corn.at, look.sink)
    });
    Some(Kettle {
        name: raw.name.as_ref()?.value.clone(),
        station: station?,
        temperature: temperature?,
        phases: phases?,
        batch_number: given(number)?,
        water_total: given(water)?,
        weight: given(weight)?,
        corn_kg: corn?,
    })
}

/// What tells the phases of a kettle: its step word or its temperature, one of them.
fn phases(raw: &RawKettle, temperature: Option<SignalId>, look: &mut Look<'_, '_>) -> Option<KettlePhases> {
    let Some(by_temperature) = &raw.by_temperature else {
        if raw.step.is_none() {
            let example = "\"XI-101\"` with its codes in `steps`; where there is no such word, `by_temperature = { ... }";
            look.sink.missing(raw.at, "[[kettle]]", "step", example);
            return None;
        }
        let word = look.signal(raw.step.as_ref(), Role::Status);
        let codes = look.codes(&raw.steps, &PHASES, ("steps", word));
        if raw.steps.is_empty() {
            look.sink.missing(raw.at, "[[kettle]]", "steps", "{ 4 = \"hold\" }");
        }
        return Some(KettlePhases::Step { word: word?, codes: codes.filter(|codes| !codes.is_empty())? });
    };
    if raw.step.is_some() || !raw.steps.is_empty() {
        let message = "`step` and `by_temperature` both tell the phases of this kettle";
        let hint =
            "keep `step` with `steps` if the controller has such a word, and leave `by_temperature` out";
        look.sink.report(Code::Conflict, by_temperature.at, message, hint);
        return None;
    }
    look.by_temperature(by_temperature, temperature)
}

/// Every tank; one without `states` has those of the tank before.
fn tanks(raw: &[RawTank], look: &mut Look<'_, '_>) -> Vec<Option<Tank>> {
    let mut before: Option<BTreeMap<i64, TankCode>> = None;
    let mut numbers: BTreeMap<u16, &RawTank> = BTreeMap::new();
    let mut found = Vec::new();
    for (index, one) in raw.iter().enumerate() {
        if !one.states.is_empty() {
            let word = look.signal(one.state.as_ref(), Role::Status);
            before = look.codes(&one.states, &TANK_CODES, ("states", word));
        } else if !raw.get(..=index).unwrap_or_default().iter().any(|earlier| !earlier.states.is_empty())
            && let Some(state) = &one.state
        {
            look.sink.missing(
                state.at,
                "the first [[tank]] with a `state`",
                "states",
                "{ 0 = \"empty\", 1 = \"filling\", 2 = \"soaking\" }",
            );
        }
        let number =
            one.number.as_ref().map_or(index + 1, |number| usize::try_from(number.value).unwrap_or_default());
        let number = u16::try_from(number).unwrap_or(u16::MAX);
        if numbers.insert(number, one).is_some()
            && let Some(name) = &one.name
        {
            let message = format!("tank {} has a number that another has: {number}", quoted(&name.value));
            look.sink.report(Code::Duplicate, name.at, message, "give each tank its own `number`");
        }
        let contents = contents(one, before.as_ref(), look);
        let temperature = one.temperature.as_ref().map(|name| look.measured(name, TEMPERATURE));
        let tank = || {
            Some(Tank {
                name: one.name.as_ref()?.value.clone(),
                number,
                contents: contents?,
                temperature: given(temperature)?,
            })
        };
        found.push(tank());
    }
    found
}

/// What tells whether anything is in a tank: its state word, with `codes` of its own or of a tank before, or its level.
fn contents(
    raw: &RawTank,
    codes: Option<&BTreeMap<i64, TankCode>>,
    look: &mut Look<'_, '_>,
) -> Option<TankContents> {
    let Some(by_level) = &raw.by_level else {
        if raw.state.is_none() {
            let example =
                "\"XI-131\"` with its codes in `states`; where there is no such word, `by_level = { ... }";
            look.sink.missing(raw.at, "[[tank]]", "state", example);
        }
        let word = look.signal(raw.state.as_ref(), Role::Status);
        return Some(TankContents::Word {
            word: word?,
            codes: codes.filter(|codes| !codes.is_empty())?.clone(),
        });
    };
    if raw.state.is_some() || !raw.states.is_empty() {
        let message = "`state` and `by_level` both tell what is in this tank";
        let hint = "keep `state` with `states` if the controller has such a word, and leave `by_level` out";
        look.sink.report(Code::Conflict, by_level.at, message, hint);
        return None;
    }
    look.by_level(by_level)
}

fn delay(raw: &RawDelay, look: &mut Look<'_, '_>) -> Option<Delay> {
    let station = look.station(raw.station.as_ref());
    let running = raw.running.as_ref().map(|name| look.signal(Some(name), Role::Status));
    let (least, most) = (raw.least.as_ref()?, raw.most.as_ref()?);
    if least.value > most.value {
        let message = "the shortest time is longer than the longest";
        look.sink.report(Code::Conflict, least.at, message, "swap `least` and `most`");
        return None;
    }
    Some(Delay {
        name: raw.name.as_ref()?.value.clone(),
        station: station?,
        least: least.value,
        most: most.value,
        running: given(running)?,
    })
}

fn feed(raw: &RawFeed, look: &mut Look<'_, '_>) -> Option<FeedRate> {
    let written = raw.signal.as_ref()?;
    let signal = look.signal(Some(written), Role::Measured)?;
    let of_signal = look.signals.get(signal.index())?.as_ref()?;
    if of_signal.unit.dimension() != Dimension::MassFlow {
        let message = format!("{} is in {}, which is no mass flow", quoted(&written.value), of_signal.unit);
        look.sink.report(
            Code::Conflict,
            written.at,
            message,
            "name the signal that weighs the product that passes",
        );
        return None;
    }
    let own = of_signal.station;
    let station = match &raw.station {
        Some(name) => look.station(Some(name))?,
        None => own,
    };
    let corn_per_kg = match &raw.corn_per_kg {
        Some(share) => more_than_nothing("corn_per_kg", share.value, share.at, look.sink)?,
        None => 1.0,
    };
    let uncertainty = match &raw.uncertainty {
        Some(share) => {
            look.sink.take("uncertainty", share.at, quantity::point(&share.value, Unit::Percent))? / 100.0
        }
        None => RATE_UNCERTAINTY,
    };
    let tank = raw.tank.as_ref().map(|name| look.signal(Some(name), Role::Status));
    let diverted = raw.diverted.as_ref().map(|name| look.signal(Some(name), Role::Status));
    Some(FeedRate {
        signal,
        station,
        corn_per_kg,
        uncertainty,
        tank: given(tank)?,
        diverted: given(diverted)?,
    })
}

fn more_than_nothing(key: &str, value: f64, at: Span, sink: &mut Sink) -> Option<f64> {
    if value > 0.0 && value.is_finite() {
        return Some(value);
    }
    sink.report(
        Code::OutOfBounds,
        at,
        format!("`{key}` must be more than nothing"),
        "write what one batch or kilogram holds",
    );
    None
}

/// Nothing given is fine; something given and not found is not.
fn given<T>(part: Option<Option<T>>) -> Option<Option<T>> {
    match part {
        Some(Some(found)) => Some(Some(found)),
        Some(None) => None,
        None => Some(None),
    }
}

/// Whether the word can have this code; if not, that is reported.
fn can_be(key: &str, code: i64, at: Span, word: Option<&LineSignal>, sink: &mut Sink) -> bool {
    let Some(word) = word else { return true };
    let (low, high) = word.range;
    let can_be = (low..=high).contains(&(code as f64));
    if !can_be {
        let message = format!("`{key}` names {code}, which {} can never be", quoted(&word.tag));
        let hint = format!("its range is {} to {}", short(low), short(high));
        sink.report(Code::OutOfBounds, at, message, hint);
    }
    can_be
}

impl Look<'_, '_> {
    /// Codes of a word with what they mean; `None` if one could not be read.
    fn codes<T: Copy>(
        &mut self,
        raw: &RawCodes,
        known: &[(&str, T)],
        (key, word): (&str, Option<SignalId>),
    ) -> Option<BTreeMap<i64, T>> {
        let word = word.and_then(|id| self.signals.get(id.index())?.as_ref());
        let sink = &mut *self.sink;
        let words: Vec<&str> = known.iter().map(|(word, _)| *word).collect();
        let mut found = BTreeMap::new();
        let mut good = true;
        for (code, meaning) in raw {
            let number = code.value.parse::<i64>().ok();
            if number.is_none() {
                let message = format!("{} is no code", quoted(&code.value));
                sink.report(Code::Word, code.at, message, "write the whole number that the word shows");
            }
            let Some(meaning) = meaning else {
                let message = format!("the meaning of code {} is no text", quoted(&code.value));
                let hint = format!("write it in quotes; accepted: {}", words.join(", "));
                sink.report(Code::WrongType, code.at, message, hint);
                good = false;
                continue;
            };
            let known = known.iter().find(|(word, _)| *word == meaning.value);
            if known.is_none() {
                let message = format!("{} is no state that is known here", quoted(&meaning.value));
                sink.report(Code::Word, meaning.at, message, nearest_or_all(&meaning.value, &words));
            }
            match number.zip(known) {
                Some((number, (_, meaning))) => {
                    good &= can_be(key, number, code.at, word, sink);
                    if found.insert(number, *meaning).is_some() {
                        let message = format!("code {number} has two meanings");
                        sink.report(Code::Duplicate, code.at, message, "keep one of the two");
                        good = false;
                    }
                }
                None => good = false,
            }
        }
        good.then_some(found)
    }

    /// Three temperatures that rise, each within what the cook temperature can show.
    fn by_temperature(
        &mut self,
        raw: &RawByTemperature,
        temperature: Option<SignalId>,
    ) -> Option<KettlePhases> {
        let cooks = self.signals.get(temperature?.index())?.as_ref()?;
        let (unit, tag) = (cooks.unit, cooks.tag.clone());
        if unit.dimension() != Dimension::Temperature {
            let message = format!("{} is in {unit}, which is no temperature", quoted(&tag));
            let hint = "name the cook temperature in `temperature` of this kettle";
            self.sink.report(Code::Conflict, raw.at, message, hint);
            return None;
        }
        let (low, high) =
            (unit.convert(cooks.range.0, Unit::DegC)?, unit.convert(cooks.range.1, Unit::DegC)?);
        let mut degc = |key: &str, written: Option<&At<Quantity>>| {
            let written = written?;
            let value = self.sink.take(key, written.at, quantity::point(&written.value, Unit::DegC))?;
            if low < value && value < high {
                return Some(value);
            }
            let message = format!(
                "`{key}` is {value:.1} degC, which {} never passes: it shows {low:.1} to {high:.1} degC",
                quoted(&tag)
            );
            self.sink.report(
                Code::OutOfBounds,
                written.at,
                message,
                "write a temperature that a cook passes",
            );
            None
        };
        let cold = degc("cold_below", raw.cold_below.as_ref());
        let quenched = degc("quenched_below", raw.quenched_below.as_ref());
        let cooks = degc("cooks_from", raw.cooks_from.as_ref());
        let limits = TemperatureRule::new(cold?, quenched?, cooks?);
        if limits.is_none() {
            let message = "a kettle that is cold, quenched and cooking must be hotter each time";
            let hint = "let `cold_below` be below `quenched_below`, and that below `cooks_from`";
            self.sink.report(Code::Conflict, raw.at, message, hint);
        }
        Some(KettlePhases::Temperature { limits: limits?, pumped_within: raw.pumped_within.as_ref()?.value })
    }

    /// Two levels that rise, each within what the signal can show.
    fn by_level(&mut self, raw: &RawByLevel) -> Option<TankContents> {
        let signal = self.signal(raw.signal.as_ref(), Role::Measured)?;
        let level = self.signals.get(signal.index())?.as_ref()?;
        let (unit, (low, high), tag) = (level.unit, level.range, level.tag.clone());
        let mut point = |key: &str, written: Option<&At<Quantity>>| {
            let written = written?;
            let value = self.sink.take(key, written.at, quantity::point(&written.value, unit))?;
            if low < value && value <= high {
                return Some(value);
            }
            let message =
                format!("`{key}` is {value} {unit}, and {} shows {low} to {high} {unit}", quoted(&tag));
            self.sink.report(Code::OutOfBounds, written.at, message, "write a level that it passes");
            None
        };
        let empty = point("empty_below", raw.empty_below.as_ref());
        let full = point("full_above", raw.full_above.as_ref());
        let limits = LevelRule::new(empty?, full?);
        if limits.is_none() {
            let message = "an empty tank can't be fuller than a full one";
            self.sink.report(Code::Conflict, raw.at, message, "write `empty_below` below `full_above`");
        }
        Some(TankContents::Level { signal, limits: limits? })
    }

    /// A measured signal of a dimension, which has a name, and what to do if it is of another.
    fn measured(
        &mut self,
        name: &At<String>,
        (dimension, what, hint): (Dimension, &str, &'static str),
    ) -> Option<SignalId> {
        let id = self.signal(Some(name), Role::Measured)?;
        let unit = self.signals.get(id.index())?.as_ref()?.unit;
        if unit.dimension() == dimension {
            return Some(id);
        }
        let message = format!("{} is in {unit}, which is no {what}", quoted(&name.value));
        self.sink.report(Code::Conflict, name.at, message, hint);
        None
    }

    fn station(&mut self, name: Option<&At<String>>) -> Option<StationId> {
        let index = self.names.stations.find(name?, self.sink)?;
        u16::try_from(index).ok().map(StationId)
    }

    fn signal(&mut self, name: Option<&At<String>>, role: Role) -> Option<SignalId> {
        let name = name?;
        let index = self.names.signals.find(name, self.sink)?;
        let found = self.signals.get(index)?.as_ref()?;
        if found.role != role {
            let (is, wanted) = (found.role.name(), role.name());
            let message = format!("{} has the role {is}; a {wanted} belongs here", quoted(&name.value));
            let hint = "name another signal, or correct the role of this one";
            self.sink.report(Code::Conflict, name.at, message, hint);
            return None;
        }
        signal_id(index)
    }
}
