//! What a service manager is told over its notification socket: ready, still alive, stopping.
//!
//! "Still alive" is sent only while polling, the line task and the store all get on: whoever hangs is not covered by the others. It
//! is looked twice as often as that is sent, and each second while something stands still, so that a disk that stalls for less than
//! the manager waits ends nothing. The words are those of `sd_notify(3)`. The usual library for them finds the socket by the
//! environment alone, which no test can change for one run; these are some lines.

use crate::handle::LineHandle;
use crate::line::writer::{SharedStatus, WriterStatus};
use crate::poll::plan::asked;
use crate::snapshot::LineSnapshot;
use setward_config::line::Line;
use setward_protocol::Uptime;
use std::collections::BTreeSet;
use std::io;
use std::os::linux::net::SocketAddrExt as _;
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::time::Duration;

/// How often it is looked whether the first scan is complete.
const LOOK_EVERY: Duration = Duration::from_millis(100);
/// The shortest rest between two looks at a run: a second, in which the line task may publish once, and what that may be late.
const LOOK_AT_LIFE: Duration = Duration::from_millis(1100);
/// What polling may take longer than twice its shortest period before it stands still.
const POLL_MARGIN: Duration = Duration::from_secs(10);

/// A service manager that listens.
#[derive(Debug)]
pub struct ServiceManager {
    socket: UnixDatagram,
    address: SocketAddr,
    /// It wants a sign of life within this time.
    watchdog: Option<Duration>,
}

impl ServiceManager {
    /// The one that the environment names; `None` without one.
    #[must_use]
    pub fn from_environment() -> Option<Self> {
        let name = std::env::var("NOTIFY_SOCKET").ok()?;
        let number = |key: &str| std::env::var(key).ok()?.parse::<u64>().ok();
        let is_ours = number("WATCHDOG_PID").is_none_or(|pid| pid == u64::from(std::process::id()));
        let watchdog = number("WATCHDOG_USEC").filter(|us| is_ours && *us > 0).map(Duration::from_micros);
        match Self::at(&name, watchdog) {
            Ok(manager) => Some(manager),
            Err(error) => {
                tracing::warn!(code = "no-notify", "NOTIFY_SOCKET is {name}, which can't be used: {error}");
                None
            }
        }
    }

    /// The one that listens at `name`: a path, or `@` and an abstract name.
    ///
    /// # Errors
    /// When that is no address of a socket, or the system gives none.
    pub fn at(name: &str, watchdog: Option<Duration>) -> io::Result<Self> {
        let address = match name.strip_prefix('@') {
            Some(name) => SocketAddr::from_abstract_name(name)?,
            None => SocketAddr::from_pathname(name)?,
        };
        let socket = UnixDatagram::unbound()?;
        socket.set_nonblocking(true)?;
        Ok(Self { socket, address, watchdog })
    }

    /// Tells it something. It may have gone: that is its affair.
    pub fn tell(&self, words: &str) {
        if let Err(error) = self.socket.send_to_addr(words.as_bytes(), &self.address) {
            tracing::debug!(%error, "the service manager could not be told {words}");
        }
    }
}

/// How far the parts of a run have come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Pulse {
    at: Uptime,
    scans: u64,
    /// When the number of scans was last seen to grow.
    scanned: Uptime,
    writes: u64,
    is_writing: bool,
    /// When the store was last seen to have answered, or to have nothing to write.
    wrote: Uptime,
}

/// How long a part may show nothing new before it stands still.
#[derive(Debug, Clone, Copy)]
struct Patience {
    scans: Duration,
    writes: Duration,
}

impl Pulse {
    fn take(snapshot: &LineSnapshot, store: &SharedStatus, before: Option<Self>) -> Self {
        Self::after(before, (snapshot.at, snapshot.counts.scans), &store.now())
    }

    fn after(before: Option<Self>, (at, scans): (Uptime, u64), store: &WriterStatus) -> Self {
        let (writes, is_writing) = (store.writes, store.is_writing);
        let scanned = before.filter(|before| before.scans == scans).map_or(at, |before| before.scanned);
        let same_write = before.filter(|before| before.is_writing && is_writing && before.writes == writes);
        let wrote = same_write.map_or(at, |before| before.wrote);
        Self { at, scans, scanned, writes, is_writing, wrote }
    }

    /// What has stood still: the line task since `before`, the others for longer than they may.
    fn stands_still(&self, before: &Self, patience: Patience) -> Option<&'static str> {
        if self.at == before.at {
            Some("the line task")
        } else if self.at.since(self.wrote) > patience.writes {
            Some("the store")
        } else if self.at.since(self.scanned) > patience.scans {
            Some("polling")
        } else {
            None
        }
    }
}

/// Whether every controller that is asked for something has been scanned once, and history has taken something or said why not.
/// A silent controller is an alarm of the line, not ill health of the program; one with nothing commissioned is never scanned.
#[must_use]
pub fn is_ready(line: &Line, snapshot: &LineSnapshot) -> bool {
    let asked: BTreeSet<usize> = asked(line).map(|(_, register)| register.controller.index()).collect();
    let mut views = snapshot.controllers.iter().enumerate().filter(|(index, _)| asked.contains(index));
    let scanned = views.all(|(_, view)| view.scans_good + view.scans_failed > 0);
    // Without a scan there may be nothing to keep.
    scanned && (asked.is_empty() || snapshot.counts.samples_stored > 0 || snapshot.history_problem.is_some())
}

/// Tells the manager when the line is ready, unless that `was_told`, and then that it lives, for as long as it does.
pub async fn tell_of_life(
    manager: &ServiceManager,
    (handle, store): (LineHandle, SharedStatus),
    line: &Line,
    was_told: &mut bool,
) {
    while !*was_told {
        *was_told = is_ready(line, &handle.glance());
        if *was_told {
            manager.tell(&format!("READY=1\nSTATUS={}: {} signals", line.name, line.signals.len()));
        } else {
            tokio::time::sleep(LOOK_EVERY).await;
        }
    }
    let Some(watchdog) = manager.watchdog else { return std::future::pending().await };
    let patience = Patience { scans: scans_within(line), writes: watchdog / 2 };
    let look = (watchdog / 4).max(LOOK_AT_LIFE);
    let mut before = Pulse::take(&handle.glance(), &store, None);
    // For how long no sign of life has been sent.
    let mut silent = Duration::ZERO;
    let mut is_held = false;
    manager.tell("WATCHDOG=1");
    loop {
        let rest = if is_held { LOOK_AT_LIFE } else { look };
        tokio::time::sleep(rest).await;
        silent += rest;
        let now = Pulse::take(&handle.glance(), &store, Some(before));
        let standing = now.stands_still(&before, patience);
        before = now;
        match standing {
            // Twice as often as it must be.
            None if silent + look > watchdog / 2 => {
                manager.tell("WATCHDOG=1");
                silent = Duration::ZERO;
            }
            Some(part) if !is_held => {
                tracing::error!(code = "watchdog-held", "{part} stands still: no sign of life is sent");
            }
            None | Some(_) => {}
        }
        is_held = standing.is_some();
    }
}

/// Within what time polling must have scanned something; where nothing is asked for it owes nothing.
fn scans_within(line: &Line) -> Duration {
    let shortest = asked(line).map(|(_, register)| register.poll_every).min();
    shortest.map_or(Duration::MAX, |period| period * 2 + POLL_MARGIN)
}

#[cfg(test)]
mod tests {
    use super::*;
    use setward_config::line::Origin;

    const BEFORE: Pulse = Pulse {
        at: Uptime::from_millis(20_000),
        scans: 80,
        scanned: Uptime::from_millis(20_000),
        writes: 20,
        is_writing: true,
        wrote: Uptime::from_millis(20_000),
    };
    const PATIENCE: Patience = Patience { scans: Duration::from_secs(12), writes: Duration::from_secs(5) };

    #[test]
    fn each_part_must_get_on_for_a_sign_of_life() {
        let at = Uptime::from_millis(30_000);
        let still = |now: Pulse| now.stands_still(&BEFORE, PATIENCE);
        let store = |writes, is_writing| WriterStatus { writes, is_writing, ..WriterStatus::default() };
        let well = Pulse::after(Some(BEFORE), (at, 120), &store(30, true));
        assert_eq!(still(well), None, "always writing when looked at, and getting on");
        assert_eq!(still(Pulse::after(Some(BEFORE), (at, 120), &store(20, true))), Some("the store"));
        let idle = Pulse::after(Some(BEFORE), (at, 120), &store(20, false));
        assert_eq!(still(idle), None, "nothing to write");
        assert_eq!(still(Pulse { at: BEFORE.at, ..well }), Some("the line task"));
        let quiet = Pulse { scanned: Uptime::from_millis(17_000), scans: 80, ..well };
        assert_eq!(still(quiet), Some("polling"));
        assert_eq!(still(Pulse { scanned: Uptime::from_millis(18_000), ..quiet }), None, "not due for long");
    }

    #[test]
    fn a_write_that_is_met_under_way_twice_is_not_yet_a_store_that_stands_still() {
        let store = WriterStatus { writes: 20, is_writing: true, ..WriterStatus::default() };
        let mut now = BEFORE;
        let held = [22, 25, 26, 28].map(|second| {
            now = Pulse::after(Some(now), (Uptime::from_millis(second * 1000), 120), &store);
            now.stands_still(&BEFORE, PATIENCE).is_some()
        });
        assert_eq!(held, [false, false, true, true], "longer than five seconds");
    }

    #[test]
    fn a_signal_that_is_not_wired_yet_makes_no_haste_for_polling() {
        let mut line = setward_config::load_demo().unwrap().line;
        for signal in &mut line.signals {
            let Origin::Register(register) = &mut signal.origin else { continue };
            if register.poll_every <= Duration::from_secs(1) {
                signal.commissioned = false;
            } else {
                register.poll_every = Duration::from_secs(60);
            }
        }
        assert_eq!(scans_within(&line), Duration::from_secs(130), "of 60 s, not of 1 s");
        line.signals.iter_mut().for_each(|signal| signal.commissioned = false);
        assert_eq!(scans_within(&line), Duration::MAX, "nothing is asked for");
    }
}
