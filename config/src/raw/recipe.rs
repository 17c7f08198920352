//! `recipes/*.toml`: what each signal is held against.

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
}

#[derive(Debug)]
pub(crate) struct RawSoak {
    pub(crate) least: Option<At<Duration>>,
    pub(crate) most: Option<At<Duration>>,
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
    }
}

fn soak(reader: &mut TableReader<'_, '_>) -> RawSoak {
    RawSoak { least: reader.need_time("least", "\"10 h\""), most: reader.need_time("most", "\"16 h\"") }
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
