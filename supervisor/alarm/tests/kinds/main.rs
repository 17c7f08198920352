//! Every kind of alarm, by published values, by models that keep everything, and by inputs nobody meant.
#![expect(clippy::unwrap_used, reason = "a test: a panic is a failed test")]

mod anything;
mod edges;
mod lifecycle;
mod model;
mod silence;
mod subdivision;
mod support;
mod values;
