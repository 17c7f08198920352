//! `site.toml`: which setpoints a build with writing may write.

use crate::problem::{At, Span};
use crate::quantity::Quantity;
use crate::reader::TableReader;
use std::time::Duration;

#[derive(Debug)]
pub(crate) struct RawSetpointWrite {
    pub(crate) at: Span,
    pub(crate) signal: Option<At<String>>,
    pub(crate) between: Option<At<(At<Quantity>, At<Quantity>)>>,
    pub(crate) most_step: Option<At<Quantity>>,
    pub(crate) step_every: Option<At<Duration>>,
    pub(crate) modes: Option<At<Vec<At<String>>>>,
    pub(crate) writes_per_day: Option<At<i64>>,
}

pub(crate) fn setpoint_write(reader: &mut TableReader<'_, '_>) -> RawSetpointWrite {
    RawSetpointWrite {
        at: reader.at(),
        signal: reader.need_text("signal", "\"TIC-310-SP\""),
        between: reader.need("between", "[\"170 degC\", \"188 degC\"]"),
        most_step: reader.need("most_step", "\"2 K\""),
        step_every: reader.may_time("step_every", "\"60 s\""),
        modes: reader.need("modes", "[\"run\", \"hold\"]"),
        writes_per_day: reader.may_whole("writes_per_day", "24", 1, 1000),
    }
}
