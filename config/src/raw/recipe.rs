//! `recipes/*.toml`: what each signal, cook and soak is held against. Shifts of `line.toml` too: they are as small.

use crate::line::JudgeWhen;
use crate::problem::{At, Span};
use crate::quantity::Quantity;
use crate::reader::TableReader;
use std::time::Duration;

/// One recipe file.
#[derive(Debug)]
pub(crate) struct RawRecipe {
    pub(crate) name: Option<At<String>>,
    pub(crate) setpoints: Vec<RawSetpoint>,
    /// What entered values are held against: setpoints without latitude and target.
    pub(crate) entered: Vec<RawSetpoint>,
    pub(crate) soak: Option<RawSoak>,
    pub(crate) cook: Option<RawCook>,
}

#[derive(Debug)]
pub(crate) struct RawSoak {
    pub(crate) least: Option<At<Duration>>,
    pub(crate) most: Option<At<Duration>>,
    pub(crate) hydration: Option<RawHydration>,
}

/// Two quantities, the lower one first.
pub(crate) type RawPair = At<(At<Quantity>, At<Quantity>)>;

#[derive(Debug)]
pub(crate) struct RawCook {
    pub(crate) corn: Option<At<Quantity>>,
    pub(crate) corn_within: Option<RawPair>,
    pub(crate) water: Option<At<Quantity>>,
    pub(crate) water_within: Option<RawPair>,
    pub(crate) lime: Option<At<Quantity>>,
    pub(crate) lime_within: Option<RawPair>,
    pub(crate) heating_per_minute: Option<At<Quantity>>,
    pub(crate) heating_between: Option<RawPair>,
    pub(crate) heat_most: Option<At<Duration>>,
    pub(crate) hold: Option<RawPair>,
    pub(crate) hold_above: Option<At<Quantity>>,
    pub(crate) quench_to: Option<RawPair>,
    pub(crate) dose: Option<RawPair>,
    pub(crate) reference: Option<At<Quantity>>,
    pub(crate) z: Option<At<Quantity>>,
}

#[derive(Debug)]
pub(crate) struct RawHydration {
    pub(crate) at: Span,
    pub(crate) start: Option<At<Quantity>>,
    pub(crate) k1_h_per_percent: Option<At<f64>>,
    pub(crate) k2_per_percent: Option<At<f64>>,
    pub(crate) reference: Option<At<Quantity>>,
    pub(crate) energy_kj_per_mol: Option<At<f64>>,
    pub(crate) valid: Option<RawPair>,
    pub(crate) longest: Option<At<Duration>>,
    pub(crate) uncertainty: Option<At<Quantity>>,
}

#[derive(Debug)]
pub(crate) struct RawShift {
    pub(crate) name: Option<At<String>>,
    pub(crate) from: Option<At<String>>,
}

#[derive(Debug)]
pub(crate) struct RawSetpoint {
    pub(crate) at: Span,
    pub(crate) signal: Option<At<String>>,
    pub(crate) value: Option<At<Quantity>>,
    pub(crate) latitude: Option<At<Quantity>>,
    pub(crate) tolerance: Option<RawTolerance>,
    pub(crate) specification: Option<At<(At<Quantity>, At<Quantity>)>>,
    pub(crate) target: Option<At<String>>,
    pub(crate) judge_when: Option<At<JudgeWhen>>,
}

#[derive(Debug)]
pub(crate) struct RawTolerance {
    pub(crate) below: Option<At<Quantity>>,
    pub(crate) above: Option<At<Quantity>>,
}

const JUDGE_WHEN: [(&str, JudgeWhen); 3] = [
    ("product-present", JudgeWhen::ProductPresent),
    ("station-run", JudgeWhen::StationRun),
    ("always", JudgeWhen::Always),
];

/// Reads a recipe file.
pub(crate) fn read(reader: &mut TableReader<'_, '_>) -> RawRecipe {
    let name =
        reader.need_table("recipe", "[recipe]", |reader| reader.need_text("name", "\"Blue-corn rounds\""));
    RawRecipe {
        name: name.flatten(),
        setpoints: reader.tables("setpoint", "[[setpoint]]", setpoint),
        entered: reader.tables("entered", "[[entered]]", entered),
        soak: reader.may_table("soak", "[soak]", soak),
        cook: reader.may_table("cook", "[cook]", cook),
    }
}

fn soak(reader: &mut TableReader<'_, '_>) -> RawSoak {
    RawSoak {
        least: reader.need_time("least", "\"10 h\""),
        most: reader.need_time("most", "\"16 h\""),
        hydration: reader.may_table("hydration", "[soak.hydration]", hydration),
    }
}

fn cook(reader: &mut TableReader<'_, '_>) -> RawCook {
    RawCook {
        corn: reader.need("corn", "\"600 kg\""),
        corn_within: reader.may("corn_within", "[\"594 kg\", \"606 kg\"]"),
        water: reader.need("water", "\"1200 L\""),
        water_within: reader.may("water_within", "[\"1176 L\", \"1224 L\"]"),
        lime: reader.need("lime", "\"3.6 kg\""),
        lime_within: reader.may("lime_within", "[\"3.4 kg\", \"3.8 kg\"]"),
        heating_per_minute: reader.may("heating_per_minute", "\"1.5 K\""),
        heating_between: reader.may("heating_between", "[\"40 degC\", \"85 degC\"]"),
        heat_most: reader.may_time("heat_most", "\"35 min\""),
        hold: reader.need("hold", "[\"20 min\", \"26 min\"]"),
        hold_above: reader.need("hold_above", "\"94 degC\""),
        quench_to: reader.need("quench_to", "[\"66 degC\", \"72 degC\"]"),
        dose: reader.may("dose", "[\"24 min\", \"37 min\"]"),
        reference: reader.may("reference", "\"95 degC\""),
        z: reader.may("z", "\"33 K\""),
    }
}

fn hydration(reader: &mut TableReader<'_, '_>) -> RawHydration {
    RawHydration {
        at: reader.at(),
        start: reader.need("start", "\"36 %\""),
        k1_h_per_percent: reader.need("k1_h_per_percent", "0.195"),
        k2_per_percent: reader.need("k2_per_percent", "0.0229"),
        reference: reader.need("reference", "\"60 degC\""),
        energy_kj_per_mol: reader.need("energy_kj_per_mol", "40"),
        valid: reader.need("valid", "[\"40 degC\", \"75 degC\"]"),
        longest: reader.need_time("longest", "\"16 h\""),
        uncertainty: reader.need("uncertainty", "\"1.5 %\""),
    }
}

/// Reads a shift of `line.toml`.
pub(crate) fn shift(reader: &mut TableReader<'_, '_>) -> RawShift {
    RawShift { name: reader.need_text("name", "\"A\""), from: reader.need_text("from", "\"06:00\"") }
}

fn setpoint(reader: &mut TableReader<'_, '_>) -> RawSetpoint {
    RawSetpoint {
        at: reader.at(),
        signal: reader.need_text("signal", "\"TT-310\""),
        value: reader.need("value", "\"182 degC\""),
        latitude: reader.may("latitude", "\"2 K\""),
        tolerance: tolerance_in(reader, "[setpoint.tolerance]"),
        specification: reader.may("specification", "[\"176 degC\", \"188 degC\"]"),
        target: reader.may_text("target", "\"TIC-310-SP\""),
        judge_when: reader.may_word("judge_when", &JUDGE_WHEN),
    }
}

fn entered(reader: &mut TableReader<'_, '_>) -> RawSetpoint {
    RawSetpoint {
        at: reader.at(),
        signal: reader.need_text("entry", "\"MT-450\""),
        value: reader.need("value", "\"1.3 %\""),
        latitude: None,
        tolerance: tolerance_in(reader, "[entered.tolerance]"),
        specification: reader.may("specification", "[\"0.9 %\", \"1.8 %\"]"),
        target: None,
        judge_when: None,
    }
}

fn tolerance_in(reader: &mut TableReader<'_, '_>, name: &'static str) -> Option<RawTolerance> {
    if !reader.has("tolerance") {
        reader.missing("tolerance", "{ below = \"3 K\", above = \"3 K\" }");
    }
    reader.may_table("tolerance", name, tolerance)
}

fn tolerance(reader: &mut TableReader<'_, '_>) -> RawTolerance {
    RawTolerance { below: reader.need("below", "\"3 K\""), above: reader.need("above", "\"3 K\"") }
}
