//! `line.toml`: where product comes from and how it passes: kettles, tanks, drums and hoppers, the feed.

use crate::line::TankCode;
use crate::problem::{At, Span};
use crate::quantity::Quantity;
use crate::reader::TableReader;
use setward_process::batches::Phase;
use std::time::Duration;

/// Codes of a state word with what each means.
pub(crate) type RawCodes = Vec<(At<String>, Option<At<String>>)>;

#[derive(Debug)]
pub(crate) struct RawKettle {
    pub(crate) at: Span,
    pub(crate) name: Option<At<String>>,
    pub(crate) station: Option<At<String>>,
    pub(crate) temperature: Option<At<String>>,
    pub(crate) step: Option<At<String>>,
    pub(crate) steps: RawCodes,
    pub(crate) by_temperature: Option<RawByTemperature>,
    pub(crate) batch_number: Option<At<String>>,
    pub(crate) water_total: Option<At<String>>,
    pub(crate) weight: Option<At<String>>,
    pub(crate) corn: Option<At<Quantity>>,
}

/// What tells the phases of a kettle without a step word.
#[derive(Debug)]
pub(crate) struct RawByTemperature {
    pub(crate) at: Span,
    pub(crate) cold_below: Option<At<Quantity>>,
    pub(crate) quenched_below: Option<At<Quantity>>,
    pub(crate) cooks_from: Option<At<Quantity>>,
    pub(crate) pumped_within: Option<At<Duration>>,
}

#[derive(Debug)]
pub(crate) struct RawTank {
    pub(crate) name: Option<At<String>>,
    pub(crate) number: Option<At<i64>>,
    pub(crate) at: Span,
    pub(crate) state: Option<At<String>>,
    pub(crate) states: RawCodes,
    pub(crate) by_level: Option<RawByLevel>,
    pub(crate) temperature: Option<At<String>>,
}

/// What tells the contents of a tank without a state word.
#[derive(Debug)]
pub(crate) struct RawByLevel {
    pub(crate) at: Span,
    pub(crate) signal: Option<At<String>>,
    pub(crate) empty_below: Option<At<Quantity>>,
    pub(crate) full_above: Option<At<Quantity>>,
}

#[derive(Debug)]
pub(crate) struct RawDelay {
    pub(crate) name: Option<At<String>>,
    pub(crate) station: Option<At<String>>,
    pub(crate) least: Option<At<Duration>>,
    pub(crate) most: Option<At<Duration>>,
    pub(crate) running: Option<At<String>>,
}

#[derive(Debug)]
pub(crate) struct RawFeed {
    pub(crate) signal: Option<At<String>>,
    pub(crate) station: Option<At<String>>,
    pub(crate) corn_per_kg: Option<At<f64>>,
    pub(crate) uncertainty: Option<At<Quantity>>,
    pub(crate) tank: Option<At<String>>,
    pub(crate) diverted: Option<At<String>>,
}

/// The phases of a kettle by their words.
pub(crate) const PHASES: [(&str, Phase); 8] = [
    ("idle", Phase::Idle),
    ("fill", Phase::Fill),
    ("dose", Phase::Dose),
    ("heat", Phase::Heat),
    ("hold", Phase::Hold),
    ("quench", Phase::Quench),
    ("transfer", Phase::Transfer),
    ("rinse", Phase::Rinse),
];

/// The states of a tank by their words.
pub(crate) const TANK_CODES: [(&str, TankCode); 7] = [
    ("empty", TankCode::Empty),
    ("filling", TankCode::Filling),
    ("soaking", TankCode::Full),
    ("ready", TankCode::Full),
    ("emptying", TankCode::Full),
    ("rinse", TankCode::Empty),
    ("out-of-use", TankCode::OutOfUse),
];

pub(crate) fn kettle(reader: &mut TableReader<'_, '_>) -> RawKettle {
    RawKettle {
        at: reader.at(),
        name: reader.need_text("name", "\"Kettle 1\""),
        station: reader.need_text("station", "\"kettle\""),
        temperature: reader.need_text("temperature", "\"TT-101\""),
        step: reader.may_text("step", "\"XI-101\""),
        steps: reader.may_table("steps", "[kettle.steps]", |reader| reader.entries()).unwrap_or_default(),
        by_temperature: reader.may_table("by_temperature", "[kettle.by_temperature]", by_temperature),
        batch_number: reader.may_text("batch_number", "\"XI-102\""),
        water_total: reader.may_text("water_total", "\"FQ-101\""),
        weight: reader.may_text("weight", "\"WT-101\""),
        corn: reader.need("corn", "\"600 kg\""),
    }
}

fn by_temperature(reader: &mut TableReader<'_, '_>) -> RawByTemperature {
    RawByTemperature {
        at: reader.at(),
        cold_below: reader.need("cold_below", "\"40 degC\""),
        quenched_below: reader.need("quenched_below", "\"74 degC\""),
        cooks_from: reader.need("cooks_from", "\"85 degC\""),
        pumped_within: reader.need_time("pumped_within", "\"25 min\""),
    }
}

pub(crate) fn tank(reader: &mut TableReader<'_, '_>) -> RawTank {
    RawTank {
        name: reader.need_text("name", "\"Tank 1\""),
        number: reader.may_whole("number", "1", 0, 9_999),
        at: reader.at(),
        state: reader.may_text("state", "\"XI-131\""),
        states: reader.may_table("states", "[tank.states]", |reader| reader.entries()).unwrap_or_default(),
        by_level: reader.may_table("by_level", "[tank.by_level]", by_level),
        temperature: reader.may_text("temperature", "\"TT-131\""),
    }
}

fn by_level(reader: &mut TableReader<'_, '_>) -> RawByLevel {
    RawByLevel {
        at: reader.at(),
        signal: reader.need_text("signal", "\"LT-131\""),
        empty_below: reader.need("empty_below", "\"5 %\""),
        full_above: reader.need("full_above", "\"80 %\""),
    }
}

pub(crate) fn delay(reader: &mut TableReader<'_, '_>) -> RawDelay {
    RawDelay {
        name: reader.need_text("name", "\"Seasoning drum\""),
        station: reader.need_text("station", "\"seasoning\""),
        least: reader.need_time("least", "\"50 s\""),
        most: reader.need_time("most", "\"70 s\""),
        running: reader.may_text("running", "\"YS-411\""),
    }
}

pub(crate) fn feed(reader: &mut TableReader<'_, '_>) -> RawFeed {
    RawFeed {
        signal: reader.need_text("signal", "\"WT-441\""),
        station: reader.may_text("station", "\"seasoning\""),
        corn_per_kg: reader.may("corn_per_kg", "0.88"),
        uncertainty: reader.may("uncertainty", "\"2 %\""),
        tank: reader.may_text("tank", "\"XI-151\""),
        diverted: reader.may_text("diverted", "\"YS-443\""),
    }
}
