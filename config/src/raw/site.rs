//! `site.toml`: what differs between a simulator and the plant.

use crate::problem::{At, Code, Span};
use crate::reader::TableReader;

/// All of `site.toml`.
#[derive(Debug, Default)]
pub(crate) struct RawSite {
    pub(crate) simulated: Option<At<bool>>,
    pub(crate) data_dir: Option<At<String>>,
    pub(crate) page: Option<At<String>>,
    pub(crate) endpoints: Vec<RawEndpoint>,
}

#[derive(Debug)]
pub(crate) struct RawEndpoint {
    pub(crate) at: Span,
    pub(crate) controller: Option<At<String>>,
    pub(crate) address: Option<At<String>>,
    pub(crate) unit_id: Option<At<i64>>,
}

/// Reads all of `site.toml`.
pub(crate) fn read(reader: &mut TableReader<'_, '_>) -> RawSite {
    if !reader.has("simulated") {
        let hint =
            "add `simulated = false` for a plant, or `simulated = true` for a simulator: pages say which"
                .to_owned();
        reader.absent(Code::MissingKey, "simulated", format!("{} has no `simulated`", reader.label()), hint);
    }
    RawSite {
        simulated: reader.may("simulated", "true` or `simulated = false"),
        data_dir: reader.may_text("data_dir", "\".setward\""),
        page: reader.may_text("page", "\"127.0.0.1:8470\""),
        endpoints: reader.tables("endpoint", "[[endpoint]]", endpoint),
    }
}

fn endpoint(reader: &mut TableReader<'_, '_>) -> RawEndpoint {
    RawEndpoint {
        at: reader.at(),
        controller: reader.need_text("controller", "\"fryer\""),
        address: reader.need_text("address", "\"127.0.0.1:15503\""),
        unit_id: reader.may_whole("unit_id", "1", 0, 255),
    }
}
