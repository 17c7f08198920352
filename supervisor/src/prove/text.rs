//! A proof in words, for a terminal or a file.

use super::report::{Counts, PartlyProven, Proof, Proven, Report, Verdict};
use std::fmt::{self, Write as _};

/// Width to which cautions are folded.
const WIDTH: usize = 100;

impl Report {
    /// The whole as text.
    #[must_use]
    pub fn text(&self) -> String {
        let mut out = String::new();
        // Writing to a string can't fail.
        let _infallible = self.write(&mut out);
        out
    }

    fn write(&self, out: &mut String) -> fmt::Result {
        writeln!(out, "Proof of alarms: {}, {}", self.line, self.plant)?;
        writeln!(
            out,
            "Made {}, Setward {}, simulator seed {}",
            self.made_utc, self.setward_version, self.seed
        )?;
        writeln!(out, "Configuration SHA-256 {}\n", self.configuration_sha256)?;
        for caution in self.cautions {
            writeln!(out, "  ! {}", folded(caution))?;
        }
        writeln!(out)?;
        let of = |is_automatic: bool| self.alarms.iter().filter(move |proof| proof.automatic == is_automatic);
        writeln!(out, "Alarms of the files: {}", self.configured)?;
        of(false).try_for_each(|proof| write_proof(out, proof))?;
        writeln!(out, "\nAutomatic alarms, one a signal and controller: {}", self.automatic)?;
        of(true).try_for_each(|proof| write_proof(out, proof))?;
        if let Some(left_out) = self.left_out_words() {
            writeln!(out, "\n{left_out}")?;
        }
        writeln!(
            out,
            "\nTimes count from the last thing that was done, or the first entry. Expected: from the settings and the values seen, by a"
        )?;
        writeln!(
            out,
            "reckoning apart from the program's own. By physics: by a fault of the simulated process, of an"
        )?;
        writeln!(
            out,
            "instrument or of a controller. By injection: a register was made to show what is not so."
        )
    }
}

impl fmt::Display for Counts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let share = if self.alarms == 0 { 0.0 } else { 100.0 * self.by_physics as f64 / self.alarms as f64 };
        write!(
            f,
            "{}; proven by physics {} ({share:.0} %), by injection {}",
            self.alarms, self.by_physics, self.by_injection
        )?;
        if self.partly > 0 {
            write!(f, ", in part {}", self.partly)?;
        }
        write!(f, ", not provoked {}, failed {}", self.not_provoked, self.failed)
    }
}

fn write_proof(out: &mut String, proof: &Proof) -> fmt::Result {
    write!(out, "\n  {:<36} {:<15} ", proof.alarm, proof.kind)?;
    match &proof.verdict {
        Verdict::Proven(proven) => {
            writeln!(out, "proven by {}", proven.ways())?;
            proven.all().try_for_each(|one| write_proven(out, one))
        }
        Verdict::PartlyProven(partly) => {
            writeln!(out, "proven {}", partly.words())?;
            partly.proven.all().try_for_each(|one| write_proven(out, one))?;
            for left in &partly.left {
                writeln!(out, "      {}: could not be provoked", left.branch)?;
                left.why.iter().try_for_each(|why| writeln!(out, "        {why}"))?;
            }
            Ok(())
        }
        Verdict::NotProvoked { why } => {
            writeln!(out, "could not be provoked")?;
            why.iter().try_for_each(|why| writeln!(out, "      {why}"))
        }
        Verdict::Failed { how, why } => writeln!(out, "FAILED\n      {how}\n      {why}"),
    }
}

fn write_proven(out: &mut String, proven: &Proven) -> fmt::Result {
    writeln!(out, "      {}", proven.how_of_branch())?;
    writeln!(
        out,
        "      raised after {} ({}), acknowledged, {}",
        span(proven.raised_after_s),
        expected(proven),
        cleared(proven.cleared_after_s)
    )?;
    proven.first_out.iter().try_for_each(|place| writeln!(out, "      in its group: {place}"))
}

impl Report {
    /// Which alarms were not tried, and why; `None` if all were.
    pub(super) fn left_out_words(&self) -> Option<String> {
        let ids = self.left_out.join(", ");
        (!ids.is_empty()).then(|| format!("Left out, because nothing of a proof is sent anywhere: {ids}"))
    }
}

impl Proven {
    /// The ways in which its branches were shown.
    pub(super) fn ways(&self) -> String {
        let mut ways: Vec<&str> = self.all().map(|one| one.by).collect();
        ways.sort_unstable_by(|a, b| b.cmp(a));
        ways.dedup();
        ways.join(" and ")
    }

    /// What was done, after the branch that it shows.
    fn how_of_branch(&self) -> String {
        self.branch.as_ref().map_or_else(|| self.how.clone(), |branch| format!("{branch}: {}", self.how))
    }
}

impl PartlyProven {
    /// What was shown, and how.
    pub(super) fn words(&self) -> String {
        let shown: Vec<&str> = self.proven.all().filter_map(|one| one.branch.as_deref()).collect();
        format!("{} only, by {}", shown.join(" and "), self.proven.ways())
    }
}

/// When it was expected.
#[must_use]
pub(super) fn expected(proven: &Proven) -> String {
    let (from_s, allowed) = (proven.expected_from_s, span(proven.allowance_s));
    match (from_s >= 0.0, proven.expected_by_s) {
        (true, Some(by_s)) => format!("expected {} to {}, give or take {allowed}", span(from_s), span(by_s)),
        (true, None) => format!("expected from {} on, give or take {allowed}", span(from_s)),
        (false, Some(by_s)) => format!("expected by {}, give or take {allowed}", span(by_s)),
        (false, None) => "its settings alone do not tell when".to_owned(),
    }
}

/// When it was back to normal.
#[must_use]
pub(super) fn cleared(after_s: f64) -> String {
    if after_s < 0.0 { "cleared by itself".to_owned() } else { format!("cleared {} later", span(after_s)) }
}

/// A time as people say it.
#[must_use]
pub(super) fn span(seconds: f64) -> String {
    let size = seconds.abs();
    if size < 120.0 {
        format!("{seconds:.1} s")
    } else if size < 7200.0 {
        format!("{:.1} min", seconds / 60.0)
    } else {
        format!("{:.1} h", seconds / 3600.0)
    }
}

fn folded(text: &str) -> String {
    let mut out = String::new();
    let mut column = 0;
    for word in text.split_whitespace() {
        if column > 0 && column + word.chars().count() >= WIDTH {
            out.push_str("\n    ");
            column = 0;
        } else if column > 0 {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += word.chars().count();
    }
    out
}
