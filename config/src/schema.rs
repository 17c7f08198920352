//! What SCHEMA.md describes and this version does not act on yet: such a key gives a warning, never silence.
//!
//! What this version reads is not listed anywhere: it is what `raw/` asks for. A test holds both against SCHEMA.md.

/// Stands for "whatever the table holds", in tables whose keys are data.
pub(crate) const EVERY_KEY: &[&str] = &["*"];

/// By table: keys that are described and not acted on yet.
const LATER: &[(&str, &[&str])] = &[(
    "line.toml",
    &[
        "poll-group",
        "tank",
        "kettle",
        "path",
        "derived",
        "entry",
        "mode-rule",
        "feed-rate",
        "state-map",
        "recipe-map",
        "shift",
        "probe-pair",
        "heat-balance",
    ],
)];

/// The keys of `table` that are described and not acted on yet.
pub(crate) fn later(table: &str) -> &'static [&'static str] {
    LATER.iter().find(|(name, _)| *name == table).map_or(&[], |(_, keys)| keys)
}
