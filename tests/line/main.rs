//! Whole-line tests: both programs in one process, over memory in virtual time or over sockets on this machine; and the
//! house rules that a machine can check.
#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "tests: a panic is a failed test")]

mod alarm_states;
mod arrows;
mod bus;
mod bytes_sent;
mod commissioning;
mod cooks_by_temperature;
mod demo_week;
mod encodings;
mod entries;
mod fault_pairs;
mod fault_table;
mod heat_balance;
mod hostile_bytes;
mod hostile_peers;
mod house_rules;
mod lasting;
mod network;
mod nth_failure;
mod oracle;
mod oracle_models;
mod oracle_stations;
mod oracle_truth;
mod oracle_windows;
mod other_device;
mod parcels;
mod people;
mod poller;
mod product;
mod prove;
mod records;
mod replay;
mod shipped_files;
mod small_line;
mod sockets;
mod spoiled;
mod standard_limits;
mod standard_vectors;
mod support;
mod virtual_month;
mod virtual_months;
mod virtual_plan;
mod virtual_time;
mod windows;
