//! What is known of one alarm while it is being proven: of each of its branches by itself.

use super::branch::Branch;
use super::plan::{Candidate, candidates};
use super::report::{Left, PartlyProven, Proof, Proven, Verdict};
use super::trial::Seen;
use super::verdict::{Failure, Unproven, judge};
use setward_alarm::AlarmId;
use setward_config::line::Line;

/// One alarm.
#[derive(Debug)]
pub(super) struct Case {
    pub(super) alarm: AlarmId,
    candidates: Vec<Candidate>,
    /// Those that were tried, by their places.
    tried: Vec<usize>,
    parts: Vec<Part>,
    /// It did not do what its settings say: nothing more is tried.
    failed: Option<(Option<Branch>, Failure)>,
}

/// One of its branches.
#[derive(Debug)]
struct Part {
    branch: Branch,
    proven: Option<Proven>,
    /// Why each attempt came to nothing, or why there was none.
    why: Vec<String>,
    /// It raised and did not clear: only another attempt can make that good.
    stayed: Option<Failure>,
}

impl Case {
    pub(super) fn new(line: &Line, alarm: AlarmId) -> Self {
        let plan = candidates(line, alarm);
        let part = |branch: Branch| Part {
            branch,
            proven: None,
            why: plan
                .notes
                .iter()
                .filter(|(of, _)| of.is_none_or(|of| of == branch))
                .map(|(_, why)| why.clone())
                .collect(),
            stayed: None,
        };
        let parts = Branch::of(line.alarm(alarm)).into_iter().map(part).collect();
        Self { alarm, candidates: plan.candidates, tried: Vec::new(), parts, failed: None }
    }

    /// What is to be tried next: the best that may show a branch which nothing has shown yet.
    pub(super) fn next(&self) -> Option<&Candidate> {
        self.candidates.get(self.next_place()?)
    }

    fn next_place(&self) -> Option<usize> {
        if self.failed.is_some() {
            return None;
        }
        let was_tried = |candidate: &Candidate| {
            self.tried
                .iter()
                .filter_map(|place| self.candidates.get(*place))
                .any(|tried| tried.is_same_run(candidate))
        };
        let helps = |candidate: &Candidate| self.open().any(|part| candidate.may_show(part.branch));
        self.candidates.iter().position(|candidate| helps(candidate) && !was_tried(candidate))
    }

    fn open(&self) -> impl Iterator<Item = &Part> {
        self.parts.iter().filter(|part| part.proven.is_none())
    }

    /// Takes what the attempt saw that was next.
    pub(super) fn take(&mut self, line: &Line, seen: &Seen) {
        let Some(place) = self.next_place() else { return };
        let Some(candidate) = self.candidates.get(place).cloned() else { return };
        self.tried.push(place);
        let declared: Vec<Branch> = self.parts.iter().map(|part| part.branch).collect();
        // What was seen counts, not what was meant.
        let shown = seen.branch.and_then(|branch| branch.among(&declared)).or(candidate.branch);
        let outcome = judge(line, self.alarm, &candidate, seen);
        let is_own = |part: &&mut Part| match &outcome {
            Ok(_) | Err(Unproven::Failed(_)) => shown.is_none_or(|shown| shown == part.branch),
            Err(Unproven::NotRaised(_)) => candidate.may_show(part.branch),
        };
        let mut own = self.parts.iter_mut().filter(is_own).filter(|part| part.proven.is_none());
        match outcome.clone() {
            Ok(proven) => match own.next() {
                Some(part) => part.proven = Some(proven),
                None => self.raised_elsewhere(&candidate, shown),
            },
            Err(Unproven::Failed(failure)) if failure.may_be_the_plant => {
                own.for_each(|part| part.stayed = Some(failure.clone()));
            }
            Err(Unproven::Failed(failure)) => self.failed = Some((shown, failure)),
            Err(Unproven::NotRaised(why)) => {
                own.for_each(|part| part.why.push(format!("{}: {why}", candidate.words())));
            }
        }
    }

    /// It was meant to show one branch, and showed another that was known already.
    fn raised_elsewhere(&mut self, candidate: &Candidate, shown: Option<Branch>) {
        let shown = shown.map(Branch::words).unwrap_or_default();
        let why = format!("{}: it raised by another of its conditions ({shown})", candidate.words());
        let open = self.parts.iter_mut().filter(|part| part.proven.is_none());
        open.filter(|part| candidate.may_show(part.branch)).for_each(|part| part.why.push(why.clone()));
    }

    pub(super) fn closed(self, line: &Line) -> Proof {
        let is_one = self.parts.len() < 2;
        let named =
            |branch: Branch, why: String| if is_one { why } else { format!("{}: {why}", branch.words()) };
        let stayed = self.parts.iter().filter(|part| part.proven.is_none());
        let stayed = stayed.filter_map(|part| Some((Some(part.branch), part.stayed.clone()?))).next();
        if let Some((branch, failure)) = self.failed.or(stayed) {
            let why = branch.map_or(failure.why.clone(), |branch| named(branch, failure.why));
            return Proof::new(line, self.alarm, Verdict::Failed { how: failure.how, why });
        }
        let mut proven = Vec::new();
        let mut left = Vec::new();
        for part in self.parts {
            match part.proven {
                Some(own) => proven.push(Proven { branch: (!is_one).then(|| part.branch.words()), ..own }),
                None => left.push((part.branch, part.why)),
            }
        }
        let mut proven = proven.into_iter();
        let Some(first) = proven.next() else {
            let mut why = Vec::new();
            for (branch, one) in
                left.into_iter().flat_map(|(branch, all)| all.into_iter().map(move |why| (branch, why)))
            {
                why.push(named(branch, one));
            }
            return Proof::new(line, self.alarm, Verdict::NotProvoked { why });
        };
        let proven = Proven { also: proven.collect(), ..first };
        let left: Vec<Left> =
            left.into_iter().map(|(branch, why)| Left { branch: branch.words(), why }).collect();
        let verdict = if left.is_empty() {
            Verdict::Proven(proven)
        } else {
            Verdict::PartlyProven(PartlyProven { proven, left })
        };
        Proof::new(line, self.alarm, verdict)
    }
}

#[cfg(test)]
#[path = "case_tests.rs"]
mod tests;
