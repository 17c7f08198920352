//! The file format, and nothing else: which tables and keys there are, of which type. What they mean together is in
//! `check.rs`.

pub(crate) mod alarm;
pub(crate) mod alarm_kind;
pub(crate) mod condition;
pub(crate) mod derived;
pub(crate) mod entry;
pub(crate) mod heat_balance;
pub(crate) mod line;
pub(crate) mod lots;
pub(crate) mod notify;
pub(crate) mod product;
pub(crate) mod recipe;
pub(crate) mod setpoint_write;
pub(crate) mod site;
pub(crate) mod station;
pub(crate) mod users;
