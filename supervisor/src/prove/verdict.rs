//! What follows from one run for one alarm: it was proven, it failed, or nothing was shown.

use super::plan::Candidate;
use super::report::Proven;
use super::trial::Seen;
use setward_alarm::AlarmId;
use setward_config::line::{Line, LineAlarm};

/// Why a run did not prove its alarm.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Unproven {
    /// It did not raise, or not by what was done: why, in words.
    NotRaised(String),
    /// It did not do what its settings say.
    Failed(Failure),
}

/// What an alarm did against its settings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    /// What was done.
    pub how: String,
    /// What was wrong.
    pub why: String,
    /// It may be the simulated plant that did not come back.
    pub may_be_the_plant: bool,
}

/// What follows from what was seen.
///
/// # Errors
/// When the run proved nothing.
pub fn judge(line: &Line, alarm: AlarmId, candidate: &Candidate, seen: &Seen) -> Result<Proven, Unproven> {
    if let Some(refused) = &seen.refused {
        return Err(Unproven::NotRaised(refused.clone()));
    }
    let Some(raised_s) = seen.raised_s else { return Err(not_raised(candidate, seen)) };
    if seen.done == 0 && !candidate.steps.is_empty() {
        return Err(Unproven::NotRaised("it stands already before anything is done".to_owned()));
    }
    // What was to come after the raise had no part in it.
    let candidate = &candidate.until(seen.done);
    let failed = |why: String, may_be_the_plant| {
        Err(Unproven::Failed(Failure { how: candidate.words(), why, may_be_the_plant }))
    };
    let late_s = lateness_s(line.alarm(alarm), raised_s - seen.onset_s.unwrap_or(raised_s));
    let Some(may_s) = seen.may_s.filter(|may_s| raised_s >= may_s - late_s) else {
        let trouble_s = raised_s - seen.onset_s.unwrap_or(raised_s);
        return failed(
            format!("it raised after {trouble_s:.1} s of its trouble, earlier than its settings allow"),
            false,
        );
    };
    if let Some(must_s) = seen.must_s.filter(|must_s| raised_s > must_s + late_s) {
        return failed(format!("it raised {:.1} s later than its settings say", raised_s - must_s), false);
    }
    if !seen.acknowledged {
        return failed("it could not be acknowledged, once and once more".to_owned(), false);
    }
    let Some(cleared_s) = seen.cleared_s else {
        return failed(
            "it raised, and did not clear within twenty hours of the faults' end".to_owned(),
            true,
        );
    };
    Ok(Proven {
        branch: None,
        by: candidate.way.name(),
        how: candidate.words(),
        raised_after_s: raised_s - seen.begun_s,
        expected_from_s: may_s - seen.begun_s,
        expected_by_s: seen.must_s.map(|must_s| must_s - seen.begun_s),
        allowance_s: late_s,
        trouble_s: seen.onset_s.map(|onset_s| raised_s - onset_s),
        first_out: first_out(line, alarm, seen),
        cleared_after_s: cleared_s - seen.ended_s,
        also: Vec::new(),
    })
}

fn not_raised(candidate: &Candidate, seen: &Seen) -> Unproven {
    if let Some(must_s) = seen.must_s {
        let after_s = must_s - seen.begun_s;
        let why = format!("it should have raised {after_s:.0} s after that, and did not");
        return Unproven::Failed(Failure { how: candidate.words(), why, may_be_the_plant: false });
    }
    let silent = seen.silent.as_deref();
    Unproven::NotRaised(match (seen.raised_silently, silent) {
        (true, Some(silent)) => format!("it raised without calling anybody: {silent}"),
        (true, None) => "it raised without calling anybody".to_owned(),
        (false, Some(silent)) => format!("it could not speak: {silent}"),
        (false, None) => format!("its condition did not come about within {} min", candidate.bound_s / 60),
    })
}

/// By how much a raise may differ from the reckoning, s: polls that are not looked at, and the seconds between looks.
fn lateness_s(alarm: &LineAlarm, trouble_s: f64) -> f64 {
    2.0 * alarm.settings.gap_limit.as_secs_f64() + 3.0 + 0.02 * trouble_s.max(0.0)
}

/// Which of its group began first, by the onsets; what lies within one poll has no order.
fn first_out(line: &Line, alarm: AlarmId, seen: &Seen) -> Option<String> {
    line.alarm(alarm).settings.group?;
    let own_s = seen.group.iter().find(|(id, _)| *id == alarm).map_or(seen.onset_s?, |(_, onset_s)| *onset_s);
    let others = seen.group.iter().filter(|(id, _)| *id != alarm);
    let Some((other, other_s)) = others.min_by(|a, b| a.1.total_cmp(&b.1)) else {
        return Some("first, and alone".to_owned());
    };
    let poll_s = |id: AlarmId| line.alarm(id).settings.poll_every.as_secs_f64();
    let other_id = &line.alarm(*other).id;
    Some(if (own_s - other_s).abs() < poll_s(alarm).max(poll_s(*other)) {
        format!("same poll as {other_id}, order unknown")
    } else if own_s < *other_s {
        format!("first, before {other_id}")
    } else {
        format!("after {other_id}")
    })
}

#[cfg(test)]
#[path = "verdict_tests.rs"]
pub(super) mod tests;
