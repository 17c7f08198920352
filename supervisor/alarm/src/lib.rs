//! The alarm engine.
#![no_std]
#![forbid(unsafe_code)]

pub mod settings;

pub use settings::{
    AlarmId, AlarmSettings, Allowance, Kind, LimitSettings, Side, Target, TimeWeightedSettings,
};
