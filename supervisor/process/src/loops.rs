//! What a control loop's record says about it: facts, and advice that stays advice.
//!
//! - [`step_fit`]: dead time and lag from a step of the output or of the setpoint.
//! - [`turns`]: which steps a record holds that an answer can be looked for to.
//! - [`oscillation`]: whether a loop swings, how fast and how far.
//! - [`tuning`]: what settings the published SIMC rules would suggest for such a process. Never written anywhere, never
//!   told without the process it was computed from: whoever tunes a loop stands at the controller.

pub mod oscillation;
pub mod step_fit;
#[cfg(test)]
mod tests;
pub mod tuning;
pub mod turns;
