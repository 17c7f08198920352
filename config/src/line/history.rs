//! How long history is kept on this machine, and the servers that it is sent to.

use std::path::PathBuf;
use std::time::Duration;

/// How history is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HistorySettings {
    /// How long every reading is kept, days.
    pub readings_days: u32,
    /// How long roll-ups of a minute are kept, days.
    pub minutes_days: u32,
    /// How long roll-ups of an hour are kept, days.
    pub hours_days: u32,
    /// Beyond this the oldest readings go, bytes.
    pub most_bytes: u64,
    /// History waits while less than this is free on its disk, bytes; 0: it never waits.
    pub free_bytes: u64,
    /// Where it is sent besides.
    pub servers: Vec<Server>,
}

impl Default for HistorySettings {
    /// Three years of readings: two that a food record asks for, and the shelf life. Ten years of hours.
    fn default() -> Self {
        Self {
            readings_days: 1096,
            minutes_days: 1096,
            hours_days: 3660,
            most_bytes: 32_000_000_000,
            free_bytes: 200_000_000,
            servers: Vec::new(),
        }
    }
}

/// A time-series server that takes readings over HTTP by the write call of the InfluxDB v2 API.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Server {
    /// What it is called in events, and by which its place in the queue is kept.
    pub name: String,
    /// Where it is: scheme, host and port.
    pub url: String,
    /// Organization there; some servers ignore it.
    pub org: String,
    /// Bucket there; some servers ignore it.
    pub bucket: String,
    /// The file that holds the token, relative to the line folder; `None`: the server asks for none.
    pub token_file: Option<PathBuf>,
    /// The file with the certificates that its own must be signed by, relative to the line folder; `None`: the usual ones of
    /// the web.
    pub ca: Option<PathBuf>,
    /// Tags of the signals that are sent; `None`: all.
    pub send: Option<Vec<String>>,
    /// How long it may lack something before its alarm raises.
    pub behind_most: Duration,
}
