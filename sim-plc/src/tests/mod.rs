//! Tests of the whole simulator, on the line that is shipped and on a small line built by hand.

mod cook_house;
mod demo_line;
mod faults;
mod line;
mod operations;
mod other_lines;
mod scripts;
mod serving;
mod steady;
mod unit_faults;
mod writing;
