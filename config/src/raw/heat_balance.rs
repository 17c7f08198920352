//! `line.toml`: what the fryer's heat balance takes as known.

use crate::problem::{At, Span};
use crate::quantity::Quantity;
use crate::reader::TableReader;
use std::time::Duration;

type Amount = Option<At<Quantity>>;

#[derive(Debug)]
pub(crate) struct RawHeatBalance {
    pub(crate) at: Span,
    pub(crate) oil: Amount,
    pub(crate) oil_density: Amount,
    pub(crate) oil_heat_capacity: Amount,
    pub(crate) oil_uncertainty: Amount,
    pub(crate) loss: Amount,
    pub(crate) loss_uncertainty: Amount,
    pub(crate) boiling_point: Amount,
    pub(crate) feed_temperature: Amount,
    pub(crate) feed_moisture: Amount,
    pub(crate) finished_moisture: Amount,
    pub(crate) oil_share: Amount,
    pub(crate) finished_specification: Option<At<(At<Quantity>, At<Quantity>)>>,
    pub(crate) probe_uncertainty: Amount,
    pub(crate) flow_uncertainty: Amount,
    pub(crate) over: Option<At<Duration>>,
    pub(crate) settle: Option<At<Duration>>,
    pub(crate) compared_with: Option<At<Duration>>,
    pub(crate) make_up_over: Option<At<Duration>>,
    pub(crate) learned: Option<RawLearned>,
}

/// The drop when the probes were right.
#[derive(Debug)]
pub(crate) struct RawLearned {
    pub(crate) drop: Amount,
    pub(crate) idle_drop: Amount,
    pub(crate) product: Amount,
    pub(crate) oil_flow: Amount,
}

pub(crate) fn heat_balance(reader: &mut TableReader<'_, '_>) -> RawHeatBalance {
    RawHeatBalance {
        at: reader.at(),
        oil: reader.need("oil", "\"1660 kg\""),
        oil_density: reader.may("oil_density", "\"850 kg/m3\""),
        oil_heat_capacity: reader.may("oil_heat_capacity", "\"2.1 kJ/(kg.K)\""),
        oil_uncertainty: reader.may("oil_uncertainty", "\"10 %\""),
        loss: reader.need("loss", "\"36 kW\""),
        loss_uncertainty: reader.may("loss_uncertainty", "\"25 %\""),
        boiling_point: reader.may("boiling_point", "\"100 degC\""),
        feed_temperature: reader.need("feed_temperature", "\"60 degC\""),
        feed_moisture: reader.need("feed_moisture", "\"35 %\""),
        finished_moisture: reader.need("finished_moisture", "\"1.3 %\""),
        oil_share: reader.need("oil_share", "\"23 %\""),
        finished_specification: reader.may("finished_specification", "[\"0.9 %\", \"1.8 %\"]"),
        probe_uncertainty: reader.may("probe_uncertainty", "\"0.4 K\""),
        flow_uncertainty: reader.may("flow_uncertainty", "\"2.5 %\""),
        over: reader.may_time("over", "\"5 min\""),
        settle: reader.may_time("settle", "\"10 min\""),
        compared_with: reader.may_time("compared_with", "\"15 min\""),
        make_up_over: reader.may_time("make_up_over", "\"1 h\""),
        learned: reader.may_table("learned", "[heat-balance.learned]", learned),
    }
}

fn learned(reader: &mut TableReader<'_, '_>) -> RawLearned {
    RawLearned {
        drop: reader.need("drop", "\"14.5 K\""),
        idle_drop: reader.need("idle_drop", "\"1.5 K\""),
        product: reader.need("product", "\"1000 kg/h\""),
        oil_flow: reader.need("oil_flow", "\"46 m3/h\""),
    }
}
