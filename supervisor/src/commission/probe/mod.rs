//! Whether a real controller means what the files say. Reads only: function codes 01 to 04, and 2B/0E when asked for.
//!
//! - [`asker`]: polite reading, and what it measures.
//! - [`interpret`]: every way to read some words, ranked. Pure.
//! - [`register`]: one register of a controller that nobody has a file for yet.
//! - [`walk`]: every signal of a line folder, in blocks as the poller reads them and one by one.
//! - [`blocks`]: whether a block says the same as its single reads. Pure.
//! - [`suspect`]: what a wrong value looks like: order, scale, sign, neighbour. Pure.
//! - [`identity`]: what a controller says it is.

pub mod asker;
pub mod blocks;
pub mod identity;
pub mod interpret;
pub mod maps;
pub mod register;
pub mod suspect;
pub mod walk;
mod walk_text;
