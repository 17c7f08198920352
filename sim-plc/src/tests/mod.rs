//! Tests of the whole simulator, on a small line built by hand.

mod demo_line;
mod faults;
mod line;
mod serving;
mod steady;
