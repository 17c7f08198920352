//! A simulated line that serves the registers of a line file over Modbus TCP.
//!
//! Read from the bottom up:
//! - [`physics`]: the equations of cook house, oven, belts and fryer, their loops and noise. Pure.
//! - `plant`: all of it in virtual time; what each signal truly is and what its instrument says.
//! - [`fault`] and `active`: what can go wrong, and what follows from it. [`operation`]: what operators do.
//!   [`scenario`]: a timed script of both.
//! - [`disturbance`]: replies that are bad at random. [`look`]: all that can be known of the plant, for an oracle.
//! - [`live`]: what is typed into a running simulator.
//! - `image`: the registers, through the same encodings by which the supervisor decodes them.
//! - `writing`: requests to write a setpoint, and how often it was done.
//! - [`frame`]: Modbus bytes in, Modbus bytes out. Pure.
//! - [`simulator`]: the shared handle. [`server`]: sockets and the real-time ticker. [`cli`]: the program.
//!
//! The supervisor and this crate meet in registers and the line file only.
#![forbid(unsafe_code)]

mod active;
pub mod cli;
pub mod disturbance;
pub mod fault;
pub mod frame;
mod image;
pub mod live;
pub mod look;
pub mod operation;
pub mod physics;
mod plant;
pub mod scenario;
pub mod server;
pub mod simulator;
mod writing;

pub use disturbance::{BadReply, Disturbance};
pub use fault::{Fault, FaultError, FaultKind};
pub use look::Look;
pub use operation::{Operation, UnknownOperation};
pub use physics::parcel::{Ledger, Move, Origin, Parcel, Stage, Unbalanced};
pub use scenario::{Scenario, ScriptError};
pub use server::{BindError, Bound, bind, serve};
pub use simulator::Simulator;

#[cfg(test)]
mod tests;
