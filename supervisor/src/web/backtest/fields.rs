//! The numbers that each kind of alarm has, in the order in which people think of them, with what may be written.

/// How a value is written in the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Form {
    /// In quotation marks: a number with its unit, or a word.
    Quoted,
    /// As it is: a bare number, or a list.
    Bare,
}

/// A number that can be changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::web) struct Field {
    /// Its key in the file.
    pub(in crate::web) key: &'static str,
    /// What it is, for people.
    pub(in crate::web) label: &'static str,
    /// What may be written, with an example.
    pub(in crate::web) accepts: &'static str,
    pub(super) form: Form,
}

const fn quoted(key: &'static str, label: &'static str, accepts: &'static str) -> Field {
    Field { key, label, accepts, form: Form::Quoted }
}

const fn bare(key: &'static str, label: &'static str, accepts: &'static str) -> Field {
    Field { key, label, accepts, form: Form::Bare }
}

const LIMIT: Field = quoted("limit", "Limit", "a value with its unit: 200 degC");
const DEADBAND: Field = quoted(
    "deadband",
    "Deadband: how far back inside it must come to count as back",
    "a difference with its unit: 3 K; empty: 0",
);
const ON_DELAY: Field = quoted("on_delay", "Delay before it raises", "a time with its unit: 5 s; empty: 0 s");
const OFF_DELAY: Field =
    quoted("off_delay", "Delay before it clears", "a time with its unit: 10 s; empty: 0 s");
const SETTLE: Field = quoted(
    "settle",
    "Settle time after its station begins a mode in which it speaks",
    "a time with its unit: 15 s; empty: 0 s",
);
const CONSECUTIVE: Field =
    bare("consecutive", "Entries in a row that must be beyond", "a whole number from 1 to 5; empty: 1");
const WIDTH: Field = quoted(
    "width",
    "How far from the setpoint",
    "a difference with its unit: 2 K; or a width of the recipe: latitude, tolerance, specification",
);
const WINDOW: Field = quoted("window", "Window", "a time with its unit: 3 min");

/// The numbers of each kind of alarm, in the order in which people think of them.
pub(super) const KINDS: [(&str, &[Field]); 9] = [
    ("limit", &[LIMIT, DEADBAND, ON_DELAY, OFF_DELAY, CONSECUTIVE, SETTLE]),
    (
        "time-weighted",
        &[
            quoted(
                "allowance",
                "Allowance: how much exposure raises it",
                "an area: 240 K.s; or the time it takes at twice the tolerance: 80 s",
            ),
            quoted(
                "recovery",
                "Recovery: time constant with which exposure decays inside tolerance",
                "a time with its unit: 90 s; or none",
            ),
            bare(
                "shape",
                "Shape: 1 counts by area, 2 counts size double",
                "a number from 0.02 to 3; empty: 1",
            ),
            bare(
                "clear_below",
                "Share of the allowance below which it clears",
                "a number from 0 to 1; empty: 0.5",
            ),
            bare("pick_up", "Least deviation that counts, in tolerances", "a number from 1; empty: 1"),
            bare(
                "band",
                "Ages, each with the temperature asked",
                "a list of pairs: [[\"1 h\", \"64 degC\"], [\"10 h\", \"42 degC\"]]",
            ),
            SETTLE,
        ],
    ),
    ("deviation", &[WIDTH, DEADBAND, ON_DELAY, OFF_DELAY, CONSECUTIVE, SETTLE]),
    (
        "moving-average",
        &[
            LIMIT,
            WIDTH,
            DEADBAND,
            WINDOW,
            bare(
                "coverage",
                "Least share of the window that must be known",
                "a number above 0, up to 1; empty: 0.75",
            ),
            quoted(
                "ceiling",
                "Ceiling: a value that raises it at once",
                "a value with its unit: 60 degC; empty: none",
            ),
            SETTLE,
        ],
    ),
    (
        "discrepancy",
        &[
            quoted("apart", "How far apart is too far", "a difference with its unit: 2.5 K"),
            DEADBAND,
            ON_DELAY,
            OFF_DELAY,
            SETTLE,
        ],
    ),
    (
        "rate",
        &[
            quoted("per_minute", "Rate a minute", "a difference with its unit: 2 K"),
            quoted("over", "Window through which the line is laid", "a time with its unit: 5 min"),
            bare(
                "between",
                "Only while the value lies between",
                "a pair: [\"95 degC\", \"125 degC\"]; empty: always",
            ),
            SETTLE,
        ],
    ),
    (
        "status",
        &[
            ON_DELAY,
            OFF_DELAY,
            bare(
                "share",
                "Share of the window in which it must be so",
                "a number above 0, up to 1; empty: none",
            ),
            WINDOW,
            SETTLE,
        ],
    ),
    (
        "equivalent-time",
        &[
            quoted(
                "least",
                "Least time at the reference that a batch must get",
                "a time with its unit: 24 min",
            ),
            quoted("most", "Most time at the reference that a batch may get", "a time with its unit: 37 min"),
            quoted("reference", "Reference temperature", "a temperature with its unit: 95 degC"),
            quoted("z", "How much hotter is ten times as fast", "a difference with its unit: 33 K"),
        ],
    ),
    (
        "drift",
        &[
            bare("slack", "Slack, in standard deviations", "a number: 0.5; empty: 0.5"),
            bare("decide", "Sum that raises it, in standard deviations", "a number: 5; empty: 5"),
            quoted("sigma", "Standard deviation of the means", "a difference with its unit: 0.35 K"),
            quoted("correlation_time", "How long the signal remembers", "a time with its unit: 20 s"),
        ],
    ),
];

/// What only some tables can have, and is offered to those alone.
pub(super) const ONLY_WHERE_WRITTEN: [&str; 9] =
    ["pick_up", "band", "limit", "width", "share", "window", "least", "most", "consecutive"];
