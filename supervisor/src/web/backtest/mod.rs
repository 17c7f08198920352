//! Back-tests: other numbers of one alarm over the days that history holds, against the numbers of now. One at a time, bounded, to be
//! stopped; the last few are kept until the program or its files begin anew. Nothing here writes a file: what is proposed is given
//! away as text, to be reviewed.

pub(super) mod api;
mod fields;
pub(super) mod file;
mod needed;
pub(super) mod outcome;
pub(super) mod run;
pub(super) mod settings;

use super::Web;
use super::acknowledge::checked_name;
use crate::history::Span;
use run::{Found, Work};
use settings::{Changed, Proposal, Refused, Written};
use setward_alarm::AlarmId;
use setward_protocol::UtcMillis;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

/// Back-tests that are kept, the newest.
const KEPT: usize = 12;
/// Days it may reach back.
pub(super) const DAYS_MOST: u32 = 7;
const DAY_MS: i64 = 24 * 3_600_000;
const WHOLE: u32 = 1000;

/// How far a run is, and what became of it.
#[derive(Debug, Default)]
pub(super) struct Stage {
    done: AtomicU32,
    stop: AtomicBool,
    outcome: Mutex<Option<Result<Arc<Found>, String>>>,
}

impl Stage {
    fn reach(&self, share: f64) {
        // A float-to-integer cast saturates.
        self.done.store((share.clamp(0.0, 1.0) * f64::from(WHOLE)) as u32, Ordering::Relaxed);
    }

    fn is_to_stop(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }

    fn end(&self, outcome: Result<Found, String>) {
        *self.outcome.lock().unwrap_or_else(PoisonError::into_inner) = Some(outcome.map(Arc::new));
    }

    /// What became of it; `None` while it runs.
    pub(super) fn outcome(&self) -> Option<Result<Arc<Found>, String>> {
        self.outcome.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

/// One back-test.
#[derive(Debug)]
pub(super) struct BackTest {
    /// Its number since the program began.
    pub(super) n: u32,
    /// The alarm it was begun from.
    pub(super) alarm: AlarmId,
    pub(super) by: String,
    pub(super) at: UtcMillis,
    pub(super) span: Span,
    pub(super) changed: Vec<Changed>,
    /// The alarm's table with the changes, and the whole file.
    pub(super) table: String,
    text: String,
    pub(super) stage: Arc<Stage>,
}

impl BackTest {
    /// The share that is done, per cent.
    pub(super) fn percent(&self) -> u32 {
        self.stage.done.load(Ordering::Relaxed) * 100 / WHOLE
    }

    /// Stops it, if it still runs.
    pub(super) fn stop(&self) {
        self.stage.stop.store(true, Ordering::Relaxed);
    }

    fn runs(&self) -> bool {
        self.stage.outcome().is_none()
    }
}

/// Where back-tests are begun and kept.
#[derive(Debug, Default)]
pub(super) struct Desk(Mutex<Vec<Arc<BackTest>>>);

impl Desk {
    /// The newest first.
    pub(super) fn all(&self) -> Vec<Arc<BackTest>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).iter().rev().cloned().collect()
    }

    pub(super) fn one(&self, n: u32) -> Option<Arc<BackTest>> {
        self.all().into_iter().find(|test| test.n == n)
    }
}

impl Drop for Desk {
    /// Nobody waits for what its pages no longer know.
    fn drop(&mut self) {
        self.all().iter().for_each(|test| test.stop());
    }
}

/// What is asked for.
#[derive(Debug, Clone, Default)]
pub(super) struct Wish {
    pub(super) by: String,
    pub(super) days: String,
    /// By key of the file.
    pub(super) numbers: BTreeMap<String, String>,
}

/// Why none was begun.
#[derive(Debug, Clone)]
pub(super) enum NotBegun {
    /// Values that are refused, each with what is accepted.
    Refused(Vec<Refused>),
    /// Another one runs.
    Busy(u32, String),
    /// In words.
    Unable(String),
}

/// Begins one.
///
/// # Errors
/// Why not.
pub(super) fn begin(web: &Web, alarm: AlarmId, written: &Written, wish: &Wish) -> Result<u32, NotBegun> {
    let line = &web.app.line;
    let (by, days) = (checked_name(&wish.by), days(&wish.days));
    let mut wrong = Vec::new();
    let mut refuse = |key: &str, text: String| wrong.push(Refused { key: Some(key.to_owned()), text });
    if by.is_none() {
        refuse("by", "give your name, 1 to 60 characters without line breaks".to_owned());
    }
    if let Err(text) = &days {
        refuse("days", text.clone());
    }
    let proposal = match settings::propose(line, written, &wish.numbers) {
        Ok(proposal) if wrong.is_empty() => proposal,
        Ok(_) => return Err(NotBegun::Refused(wrong)),
        Err(more) => return Err(NotBegun::Refused(wrong.into_iter().chain(more).collect())),
    };
    let (Some(by), Ok(days)) = (by, days) else { return Err(NotBegun::Refused(wrong)) };
    let now = web.app.clock.utc();
    let span = Span::new(UtcMillis(now.0.saturating_sub(i64::from(days) * DAY_MS)), now)
        .map_err(|error| NotBegun::Unable(error.text))?;
    place(web, alarm, (by, now, span), written, proposal)
}

fn days(text: &str) -> Result<u32, String> {
    let text = text.trim();
    match text.parse() {
        Ok(days) if (1..=DAYS_MOST).contains(&days) => Ok(days),
        Ok(_) | Err(_) => {
            let found: String = text.chars().take(20).collect();
            Err(format!("\u{201c}{found}\u{201d} is no number of days; write 1 to {DAYS_MOST}"))
        }
    }
}

/// Takes the one place that there is, and begins.
fn place(
    web: &Web,
    alarm: AlarmId,
    (by, at, span): (String, UtcMillis, Span),
    written: &Written,
    proposal: Proposal,
) -> Result<u32, NotBegun> {
    let line = &web.app.line;
    let is_own =
        |id: &&str| *id == written.id || settings::of_signal(id, &written.id) && own_table(web, id, written);
    let own = line.alarms.iter().map(|alarm| alarm.id.as_str()).filter(is_own).map(str::to_owned).collect();
    let mut all = web.back_tests.0.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(other) = all.iter().find(|test| test.runs()) {
        return Err(NotBegun::Busy(other.n, other.by.clone()));
    }
    let n = all.last().map_or(1, |last| last.n + 1);
    let stage = Arc::new(Stage::default());
    run::begin(Work {
        history: line.data_dir.clone(),
        now: Arc::clone(line),
        proposed: Arc::new(proposal.line),
        own,
        span,
        stage: Arc::clone(&stage),
    })
    .map_err(NotBegun::Unable)?;
    let (changed, table, text) = (proposal.changed, proposal.table, proposal.text);
    all.push(Arc::new(BackTest { n, alarm, by, at, span, changed, table, text, stage }));
    let too_many = all.len().saturating_sub(KEPT);
    all.drain(..too_many);
    Ok(n)
}

/// Whether the alarm is made by this table, and not by one of its own beside it.
fn own_table(web: &Web, id: &str, written: &Written) -> bool {
    let alarm = web.app.line.alarm_by_id(id).map(|id| web.app.line.alarm(id));
    alarm.and_then(|alarm| settings::written(&web.app.line, alarm)).is_some_and(|own| own.id == written.id)
}
