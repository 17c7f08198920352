//! The report in words, for a terminal.

use super::AlarmReport;
use super::figures::{CALLS_WANTED, DAYS_WANTED, Figure};
use super::ledger::BlindAlarm;
use crate::web::call::counted;
use std::fmt::{self, Write as _};

/// Alarms of the ledger that are printed; `--json` gives all.
const LEDGER_SHOWN: usize = 20;

impl AlarmReport {
    /// The whole report as text.
    #[must_use]
    pub fn text(&self) -> String {
        let mut out = String::new();
        // Writing to a string can't fail.
        let _infallible = self.write(&mut out);
        out
    }

    fn write(&self, out: &mut String) -> fmt::Result {
        writeln!(out, "Alarms of {}", self.line)?;
        writeln!(out, "{} to {}", self.from, self.to)?;
        let share = if self.window_s > 0.0 { self.running_s / self.window_s * 100.0 } else { 0.0 };
        writeln!(out, "watched for {} of {}, {share:.1} %", span(self.running_s), span(self.window_s))?;
        writeln!(out, "\n{:<42}{:>10}{:>10}  how it stands", "", "found", "at most")?;
        for figure in &self.figures {
            writeln!(out, "{}", row(figure))?;
        }
        writeln!(
            out,
            "Averages are judged from {DAYS_WANTED:.0} days on, shares of calls from {CALLS_WANTED} calls on; \
             a call is a raise or re-alarm that nothing kept silent."
        )?;
        self.write_calls(out)?;
        self.write_people(out)?;
        self.write_ledger(out)
    }

    fn write_calls(&self, out: &mut String) -> fmt::Result {
        let [low, medium, high] = self.by_priority;
        writeln!(out, "\nCalls: {} ({low} low, {medium} medium, {high} high)", self.calls)?;
        if let Some(words) = self.no_longer_in_files_words() {
            writeln!(out, "  {words}")?;
        }
        for row in &self.most_frequent {
            writeln!(out, "  {:<40}{:>8}", row.alarm, row.calls)?;
        }
        let others = self.calls_by_alarm.get(self.most_frequent.len()..).unwrap_or_default();
        if !others.is_empty() {
            let calls: u32 = others.iter().map(|row| row.calls).sum();
            let plural = if others.len() == 1 { "" } else { "s" };
            writeln!(out, "  {:<40}{calls:>8}", format!("{} other alarm{plural}", others.len()))?;
        }
        for flood in &self.floods {
            writeln!(out, "Flood from {}, {}, {} calls", flood.from, span(flood.length_s), flood.calls)?;
        }
        for row in &self.nuisances {
            let index = row.chatter_index_per_s.map(|index| format!(", index {index:.3} a second"));
            let chattered = if row.chattered { "chattered" } else { "did not chatter" };
            let index = index.unwrap_or_default();
            writeln!(out, "Nuisance: {}: {chattered}{index}, {} fleeting", row.alarm, row.fleeting)?;
        }
        for row in &self.stale {
            writeln!(out, "Stale: {} since {}, {}", row.alarm, row.since, span(row.stood_s))?;
        }
        Ok(())
    }

    /// "of these, 600 calls of 1 alarm that the files no longer have: their priority is not known".
    #[must_use]
    pub fn no_longer_in_files_words(&self) -> Option<String> {
        let calls: usize = self.no_longer_in_files.iter().map(|row| row.calls as usize).sum();
        let alarms = counted(self.no_longer_in_files.len(), "alarm");
        let calls = (calls > 0).then(|| counted(calls, "call"))?;
        Some(format!(
            "of these, {calls} of {alarms} that the files no longer have: their priority is not known"
        ))
    }

    fn write_people(&self, out: &mut String) -> fmt::Result {
        match &self.acknowledgement {
            None => writeln!(out, "\nNo call was acknowledged.")?,
            Some(took) => writeln!(
                out,
                "\nTime to acknowledge: half within {}, 19 of 20 within {}, the longest {}; {} acknowledged, {} not",
                span(took.median_s),
                span(took.percentile_95_s),
                span(took.longest_s),
                took.acknowledged,
                took.waiting
            )?,
        }
        let (alone, touched): (Vec<_>, Vec<_>) =
            self.without_action.iter().partition(|row| row.without_action > 0);
        for row in alone {
            writeln!(
                out,
                "Acknowledged and cleared: {}: {} of {} without anybody touching a setpoint or mode",
                row.alarm, row.without_action, row.looked_at
            )?;
        }
        if !touched.is_empty() {
            let plural = if touched.len() == 1 { "" } else { "s" };
            writeln!(
                out,
                "After each call of {} alarm{plural} somebody touched a setpoint or mode",
                touched.len()
            )?;
        }
        Ok(())
    }

    fn write_ledger(&self, out: &mut String) -> fmt::Result {
        writeln!(out, "\nCould not have fired, in {} that the ledger watched", span(self.ledger_watched_s))?;
        if self.could_not_have_fired.is_empty() {
            return writeln!(out, "  nothing is kept of this");
        }
        for alarm in self.could_not_have_fired.iter().take(LEDGER_SHOWN) {
            writeln!(out, "{}", ledger_row(alarm))?;
        }
        let more = self.could_not_have_fired.len().saturating_sub(LEDGER_SHOWN);
        if more > 0 { writeln!(out, "  and {more} more; --json gives all") } else { Ok(()) }
    }
}

impl Figure {
    /// What was found and what it should not exceed, as they are read: a share in per cent.
    #[must_use]
    pub fn in_words(&self) -> (Option<String>, String) {
        let is_share = self.key.ends_with("_share");
        // What adds up to nothing may be a negative zero.
        let number = |value: f64| match (is_share, value.fract() == 0.0) {
            (true, _) => format!("{:.1} %", value * 100.0 + 0.0),
            (false, true) => format!("{:.0}", value + 0.0),
            (false, false) => format!("{value:.2}"),
        };
        (self.found.map(number), number(self.at_most))
    }
}

fn row(figure: &Figure) -> String {
    let (found, at_most) = figure.in_words();
    let found = found.unwrap_or_else(|| "-".to_owned());
    format!("{:<42}{found:>10}{at_most:>10}  {}", figure.title, figure.verdict.words())
}

fn ledger_row(alarm: &BlindAlarm) -> String {
    let mut reasons: Vec<(&str, f64)> = alarm.by_reason_s.iter().map(|(key, s)| (*key, *s)).collect();
    reasons.sort_by(|a, b| b.1.total_cmp(&a.1));
    let reasons: Vec<String> = reasons
        .iter()
        .map(|(key, seconds)| format!("{} {}", key.replace('_', " "), span(*seconds)))
        .collect();
    format!(
        "  {:<40}{:>12}{:>8.1} %  {}",
        alarm.alarm,
        span(alarm.blind_s),
        alarm.share * 100.0,
        reasons.join(", ")
    )
}

/// "3 d 4 h", "2 h 5 min", "40 s".
pub(super) fn span(seconds: f64) -> String {
    // A float-to-integer cast saturates and maps NaN to zero.
    let whole = seconds.max(0.0).round() as u64;
    match (whole / 86_400, whole / 3600 % 24, whole / 60 % 60, whole % 60) {
        (0, 0, 0, seconds) => format!("{seconds} s"),
        (0, 0, minutes, seconds) => format!("{minutes} min {seconds} s"),
        (0, hours, minutes, _) => format!("{hours} h {minutes} min"),
        (days, hours, ..) => format!("{days} d {hours} h"),
    }
}
