//! What an integrator needs before and at commissioning: what will be asked on the wire, whether the answers mean what the
//! files say, sheets to fill in beside the line.
//!
//! - [`read_plan`]: the exact requests of a line file, and how long they take.
//! - [`probe`]: what real controllers answer, and what it most likely means.
//! - [`import`]: a supplier's register list becomes a line folder.
//! - [`loop_sheet`]: sheets for loop checks, to print and sign. [`cautions`]: what stands on each.
//! - [`setpoints`]: what a person enters for each recipe, to print.
//! - [`written`]: numbers as people and suppliers write them.
//!
//! Nothing here writes to a controller. What is printed is made here; files and exit codes belong to `cli`.

pub mod cautions;
pub mod import;
pub mod loop_sheet;
pub mod probe;
pub mod read_plan;
pub mod setpoints;
pub mod written;
