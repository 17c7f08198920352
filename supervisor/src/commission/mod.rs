//! What an integrator needs before and at commissioning: what will be asked on the wire, whether the answers mean what the
//! files say, sheets to fill in beside the line.
//!
//! - [`read_plan`]: the exact requests of a line file, and how long they take.
//! - [`probe`]: what real controllers answer, and what it most likely means.
//! - [`written`]: numbers as people and suppliers write them.
//!
//! Nothing here writes to a controller. What is printed is made here; files and exit codes belong to `cli`.

pub mod probe;
pub mod read_plan;
pub mod written;
