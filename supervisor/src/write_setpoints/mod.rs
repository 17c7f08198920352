//! Writing a recipe's setpoints into controllers. Only in builds with the feature `write-setpoints`: the usual build and the
//! packages lack every line of it, and read only.
//!
//! - `plan`: what differs, what would be written in which steps, what is refused and why. Pure.
//! - `wire`: the one place that writes to a controller: one request on a connection of its own; and reading back.
//! - `carry_out`: the order of things: read, note, write, read back; stop at the first that is not as it should be.
//! - `journal`: what was meant and what became of it, before and after each request; counts writes, shows a run that was cut.
//!
//! It leaves out who may call it (the command line asks for a name and a reason) and everything cyclic: nothing is written again
//! by itself, and a setpoint that somebody turns afterwards stays as it was turned.

pub mod carry_out;
pub mod journal;
pub mod plan;
pub mod wire;

/// What stands above every difference, and before anything is written.
pub const CAUTIONS: [&str; 4] = [
    "Setward is not a safety function, high limit, burner management or interlock, and a setpoint it writes is no more than one that \
     a person turns at the panel: every limit of the controller and of the plant's safety equipment stands above it.",
    "Look at the station before writing: people at the fryer, the oven or the kettles must know that its setpoint moves. Hot oil, \
     gas and steam follow it within seconds.",
    "Write only what a person who may turn this setpoint has decided. Local codes, licensed practice and the plant's own procedures \
     come before this text.",
    "Writing wears the memory of many controllers out. It is counted and never repeated by itself.",
];
