//! Derived signals that the fryer's heat balance tells.

use super::{Sources, expect_unit};
use crate::check::heat_balance::{MEANINGS, inputs};
use crate::line::{Followed, Meaning, Origin};
use crate::problem::{Code, quoted};
use crate::raw::derived::RawDerived;
use crate::reader::Sink;
use setward_process::heat_balance::live::{Input, Output};
use setward_protocol::Unit;

/// What the signal tells, and its unit.
pub(super) fn balance(raw: &RawDerived, sources: &Sources<'_>, sink: &mut Sink) -> Option<(Origin, Unit)> {
    let written = raw.output.as_ref()?;
    let output = written.value;
    let units = units(output);
    let first = units.first()?;
    let unit = expect_unit(raw, units, &format!("this is in {first}"), sink);
    let Some(balance) = &sources.line.heat_balance else {
        let message = "the line has no [heat-balance]";
        sink.report(
            Code::Conflict,
            raw.at,
            message,
            "add [heat-balance] with what is known of the oil and the feed",
        );
        return None;
    };
    let known = inputs(sources.signals);
    let mut is_whole = true;
    for input in output.inputs().iter().filter(|input| !known.iter().any(|(known, _)| known == *input)) {
        let word = word(*input);
        let message = format!("no polled signal means {} in a unit of it", quoted(word));
        sink.report(Code::Conflict, written.at, message, format!("give one `means = \"{word}\"`"));
        is_whole = false;
    }
    let lacks = match output {
        Output::InletProbeError | Output::SecondInletProbeError if balance.learned.is_none() => {
            Some("[heat-balance.learned]")
        }
        Output::FinishedMoisture if balance.finished_specification.is_none() => {
            Some("`finished_specification`")
        }
        Output::WaterBoiledOff
        | Output::FeedMoistureChange
        | Output::OilFlowImplied
        | Output::OilTurnover
        | Output::MakeUpLessPickUp
        | Output::HeatExchanger
        | Output::InletProbeError
        | Output::SecondInletProbeError
        | Output::FinishedMoisture => None,
    };
    if let Some(lacks) = lacks {
        let message = format!("this needs {lacks} in the heat balance");
        sink.report(Code::Conflict, written.at, message, format!("add {lacks}, or take this signal out"));
        is_whole = false;
    }
    let unit = unit?;
    is_whole.then_some((Origin::Followed(Followed::Balance(output)), unit))
}

/// The balance's own unit first; the value is converted into the others.
const fn units(output: Output) -> &'static [Unit] {
    match output {
        Output::WaterBoiledOff | Output::MakeUpLessPickUp => &[Unit::KilogramPerHour, Unit::PoundPerHour],
        Output::FeedMoistureChange | Output::FinishedMoisture => &[Unit::Percent],
        Output::OilFlowImplied => &[Unit::CubicMetrePerHour, Unit::LitrePerMinute, Unit::GallonPerMinute],
        Output::OilTurnover => &[Unit::Hour, Unit::Minute],
        Output::HeatExchanger => &[Unit::KilowattPerKelvin],
        Output::InletProbeError | Output::SecondInletProbeError => &[Unit::Kelvin, Unit::DegFDifference],
    }
}

fn word(input: Input) -> &'static str {
    let meaning = MEANINGS.iter().find(|(_, known, _)| *known == input).map(|(meaning, ..)| *meaning);
    Meaning::NAMED.iter().find(|(_, known)| Some(*known) == meaning).map_or("", |(word, _)| word)
}
