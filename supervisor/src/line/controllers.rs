//! How each controller is doing: its scans, its last good one, what is wrong now.

use crate::poll::ScanReport;
use crate::poll::blocks::BlockReport;
use crate::poll::session::ReadFailure;
use crate::snapshot::ControllerView;
use setward_config::line::Line;
use setward_protocol::NoData;
use std::collections::BTreeMap;
use std::time::Duration;

/// What is wrong with a controller that answers although its heartbeat stands still.
const PROGRAM_STOPPED: &str = "answers, but its program has stopped counting: its values are old and are not used; look at its run lamp";

/// And with one whose heartbeat has just begun anew.
const PROGRAM_RESTARTING: &str = "answers, but its program has just started: its values are not used until its heartbeat has counted far enough";

/// So many scans in a row that are late make a controller slow; so many in time make it quick again.
const SLOW_AFTER_SCANS: u8 = 3;
const IN_TIME_AFTER_SCANS: u8 = 10;

/// Every controller.
#[derive(Debug)]
pub struct ControllerBook {
    views: Vec<ControllerView>,
    /// What is wrong with each, by poll period: one period may be well while another is not.
    problems: Vec<BTreeMap<Duration, String>>,
    /// How each keeps its poll periods.
    pace: Vec<BTreeMap<Duration, Pace>>,
}

/// How a poll period is kept.
#[derive(Debug, Clone, Copy, Default)]
struct Pace {
    is_slow: bool,
    /// Scans in a row that say the opposite of `is_slow`.
    against: u8,
}

impl Pace {
    /// Takes a scan; gives what the controller is now, if that has changed.
    fn take(&mut self, is_late: bool) -> Option<bool> {
        self.against = if is_late == self.is_slow { 0 } else { self.against.saturating_add(1) };
        let enough = if self.is_slow { IN_TIME_AFTER_SCANS } else { SLOW_AFTER_SCANS };
        (self.against >= enough).then(|| {
            *self = Self { is_slow: is_late, against: 0 };
            is_late
        })
    }
}

/// A controller that was lost or is back, or that has become too slow or is quick enough again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ControllerChange {
    /// What happened, in the stable words of events.
    pub what: &'static str,
    /// Which controller, and what is wrong with it.
    pub note: String,
}

impl ControllerBook {
    /// Nothing scanned yet.
    #[must_use]
    pub fn new(line: &Line) -> Self {
        let count = line.controllers.len();
        Self {
            views: vec![ControllerView::default(); count],
            problems: vec![BTreeMap::new(); count],
            pace: vec![BTreeMap::new(); count],
        }
    }

    /// The controllers as pages see them.
    #[must_use]
    pub fn views(&self) -> &[ControllerView] {
        &self.views
    }

    /// Takes a scan of a controller that answers, and says whether it can't keep its poll period any more, or can again.
    pub fn take_pace(&mut self, line: &Line, report: &ScanReport) -> Option<ControllerChange> {
        let name = &line.controller(report.controller).name;
        for request in &report.split {
            let (table, start, count) = (request.table.name(), request.start, request.count);
            tracing::info!(code = "read-split", controller = %name, "controller {name} refuses {table} {start}, {count} at once: asking for less");
        }
        let achieved = report.achieved.filter(|_| report.brought_words())?;
        let pace = self.pace.get_mut(report.controller.index())?.entry(report.poll_every).or_default();
        let is_slow = pace.take(report.is_late())?;
        let (due, took) = (seconds(report.poll_every), seconds(achieved));
        if !is_slow {
            tracing::info!(code = "controller-in-time", controller = %name, "controller {name} is read every {due} again");
            return Some(ControllerChange {
                what: "controller in time",
                note: format!("{name}, every {due}"),
            });
        }
        let note = format!(
            "{name}, every {due} is due, {took} is reached: values so far apart are not joined, and no time between them \
             counts; raise its `poll_every`, or look at what else asks this controller"
        );
        tracing::warn!(code = "controller-slow", controller = %name, "controller {note}");
        Some(ControllerChange { what: "controller slow", note })
    }

    /// Takes a scan, and says whether it lost the controller or brought it back.
    pub fn take(
        &mut self,
        line: &Line,
        report: &ScanReport,
        trouble: Option<NoData>,
    ) -> Option<ControllerChange> {
        let controller = line.controller(report.controller);
        let (name, endpoint) = (&controller.name, &controller.endpoint);
        let index = report.controller.index();
        let (view, problems) = (self.views.get_mut(index)?, self.problems.get_mut(index)?);
        let problem = match report.failure() {
            Some((failed, failure)) => Some(told(line, failed, failure)),
            None => trouble.map(|why| program_words(why).to_owned()),
        };
        if problem.is_none() {
            view.scans_good += 1;
            view.scan_ms = Some(report.took.as_secs_f64() * 1e3);
            view.scans_took_s += report.took.as_secs_f64();
        } else {
            view.scans_failed += 1;
            // The program of one that answers can't be believed.
            let what = report.failure().map_or("program", |(_, failure)| failure.name());
            *view.failures.entry(what).or_default() += 1;
        }
        view.answers = report.answered() && trouble.is_none();
        if report.brought_words() && trouble.is_none() {
            view.last_good = Some(report.utc);
        }
        match problem {
            Some(problem) => problems.insert(report.poll_every, problem),
            None => problems.remove(&report.poll_every),
        };
        let problem = problems.values().next().cloned();
        let change = match (&view.problem, &problem) {
            (Some(_), None) => {
                tracing::info!(code = "controller-answers", controller = %name, "controller {name} at {endpoint} answers again");
                Some(ControllerChange { what: "controller back", note: name.clone() })
            }
            (None, Some(problem)) => {
                tracing::warn!(code = "controller-failed", controller = %name, "controller {name} at {endpoint}: {problem}");
                Some(ControllerChange { what: "controller lost", note: format!("{name}, {problem}") })
            }
            (None, None) | (Some(_), Some(_)) => None,
        };
        view.problem = problem;
        change
    }
}

fn seconds(span: Duration) -> String {
    format!("{:.1} s", span.as_secs_f64())
}

/// What is wrong with a program whose answers can't be believed.
fn program_words(why: NoData) -> &'static str {
    if why == NoData::Restarting { PROGRAM_RESTARTING } else { PROGRAM_STOPPED }
}

/// A failure in words. What concerns one block names it.
fn told(line: &Line, failed: &BlockReport, failure: &ReadFailure) -> String {
    if !matches!(failure, ReadFailure::Exception(_) | ReadFailure::WrongLength { .. }) {
        return failure.to_string();
    }
    let request = failed.block.request;
    let last = request.start.saturating_add(request.count.saturating_sub(1));
    let tags: Vec<&str> =
        failed.block.signals.iter().map(|(signal, _)| line.signal(*signal).tag.as_str()).collect();
    let named = match tags.as_slice() {
        [] => String::new(),
        [one] => format!(" ({one})"),
        [first, .., last] => format!(" ({first} to {last})"),
    };
    format!("{failure} [{} {} to {last}{named}]", request.table.name(), request.start)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::poll::plan::Block;
    use setward_protocol::{ControllerId, ReadRequest, Table, Uptime, UtcMillis};
    use std::sync::Arc;

    /// A scan of the first controller, due each second, that brought a word.
    fn scan(achieved_s: f64) -> ScanReport {
        let request = ReadRequest { table: Table::Holding, start: 0, count: 1 };
        let block = Arc::new(Block { request, signals: Vec::new() });
        ScanReport {
            controller: ControllerId(0),
            poll_every: Duration::from_secs(1),
            at: Uptime::START,
            utc: UtcMillis(0),
            took: Duration::from_millis(20),
            achieved: Some(Duration::from_secs_f64(achieved_s)),
            skipped: 0,
            requests: 1,
            blocks: vec![BlockReport { block, words: Ok(vec![1]) }],
            split: Vec::new(),
        }
    }

    #[test]
    fn a_poll_period_is_slow_after_three_late_scans_in_a_row_and_kept_again_after_ten_in_time() {
        let line = setward_config::load_demo().unwrap().line;
        let mut book = ControllerBook::new(&line);
        let mut take = |achieved_s: f64| book.take_pace(&line, &scan(achieved_s)).map(|change| change.what);
        let before: Vec<_> = [1.0, 3.5, 3.5, 1.0, 3.5, 3.5].into_iter().map(&mut take).collect();
        assert_eq!(before, [None; 6], "never three in a row");
        assert_eq!(take(4.0), Some("controller slow"));
        assert_eq!(take(4.0), None, "told once");
        assert_eq!((0..9).map(|_| take(1.0)).collect::<Vec<_>>(), [None; 9]);
        assert_eq!(take(1.0), Some("controller in time"));
    }
}
