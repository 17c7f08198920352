//! How each controller is doing: its scans, its last good one, what is wrong now.

use crate::poll::ScanReport;
use crate::poll::blocks::BlockReport;
use crate::poll::session::ReadFailure;
use crate::snapshot::ControllerView;
use setward_config::line::Line;
use setward_protocol::NoData;

/// What is wrong with a controller that answers although its heartbeat stands still.
const PROGRAM_STOPPED: &str = "answers, but its program has stopped counting: its values are old and are not used; look at its run lamp";

/// And with one whose heartbeat has just begun anew.
const PROGRAM_RESTARTING: &str = "answers, but its program has just started: its values are not used until its heartbeat has counted far enough";

/// Every controller.
#[derive(Debug)]
pub struct ControllerBook {
    views: Vec<ControllerView>,
}

/// A controller that was lost or is back.
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
        Self { views: vec![ControllerView::default(); line.controllers.len()] }
    }

    /// The controllers as pages see them.
    #[must_use]
    pub fn views(&self) -> &[ControllerView] {
        &self.views
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
        let view = self.views.get_mut(report.controller.index())?;
        let problem = match report.failure() {
            Some((failed, failure)) => Some(told(line, failed, failure)),
            None => trouble.map(|why| program_words(why).to_owned()),
        };
        if problem.is_none() {
            view.scans_good += 1;
            view.scan_ms = Some(report.took.as_secs_f64() * 1e3);
        } else {
            view.scans_failed += 1;
        }
        view.answers = report.answered() && trouble.is_none();
        if report.brought_words() && trouble.is_none() {
            view.last_good = Some(report.utc);
        }
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
