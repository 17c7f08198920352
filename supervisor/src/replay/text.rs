//! A replay in words, for a terminal.

use super::compare::{Compared, OfTurn};
use super::ground::AtRisk;
use serde::Serialize;
use std::fmt::{self, Write as _};

/// A replay, ready to be printed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReplayReport {
    /// Version of this object.
    pub schema_version: u32,
    /// The line.
    pub line: String,
    /// The recipe that is held.
    pub recipe: String,
    /// Beginning, RFC 3339.
    pub from: String,
    /// End, RFC 3339.
    pub to: String,
    /// Readings that were fed, with what was wanted to warm up.
    pub readings: u64,
    /// Runs of the program in the window.
    pub runs: usize,
    /// How long it took, s.
    pub took_s: f64,
    /// What to know before believing it.
    pub notes: Vec<String>,
    /// Each set of settings, beside what was called then.
    pub settings: Vec<Variant>,
}

/// One set of settings.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Variant {
    /// What they are: "as in the folder", "other.toml", "allowance x 0.5".
    pub name: String,
    /// Every alarm that called then or would have called.
    pub alarms: Vec<Compared>,
    /// All of these alarms by shift and recipe.
    pub turns: Vec<OfTurn>,
}

impl ReplayReport {
    /// The whole as text.
    #[must_use]
    pub fn text(&self) -> String {
        let mut out = String::new();
        // Writing to a string can't fail.
        let _infallible = self.write(&mut out);
        out
    }

    fn write(&self, out: &mut String) -> fmt::Result {
        writeln!(out, "Replay of {}, recipe {}", self.line, self.recipe)?;
        writeln!(out, "{} to {}", self.from, self.to)?;
        let settings = self.settings.len().max(1) as f64;
        let pace = self.readings as f64 * settings / self.took_s.max(1e-3) / 1e6;
        writeln!(
            out,
            "{} readings in {} runs, {:.1} s: {pace:.1} million readings and settings a second",
            self.readings, self.runs, self.took_s
        )?;
        for note in &self.notes {
            writeln!(out, "Note: {note}")?;
        }
        for variant in &self.settings {
            writeln!(out, "\nSettings: {}", variant.name)?;
            writeln!(
                out,
                "{:<34}{:>6}{:>6}{:>8}{:>7}  {:<34}in alarm then / now",
                "alarm", "then", "now", "missed", "added", "sooner or later"
            )?;
            let (alike, unlike): (Vec<_>, Vec<_>) =
                variant.alarms.iter().partition(|one| one.is_alike() && self.settings.len() > 1);
            for one in &unlike {
                writeln!(out, "{}", row(one))?;
                if one.undecided > 0 {
                    writeln!(out, "  undecided at the end of the readings: {}", one.undecided)?;
                }
                if let Some(kilograms) = kilograms(one.at_risk_then, one.at_risk_now) {
                    writeln!(out, "  {kilograms}")?;
                }
            }
            if !alike.is_empty() {
                writeln!(out, "{} more as then", alike.len())?;
            }
            if variant.alarms.is_empty() {
                writeln!(out, "no alarm called, then or now")?;
            } else {
                write_turns(out, &variant.turns)?;
            }
        }
        Ok(())
    }
}

fn write_turns(out: &mut String, turns: &[OfTurn]) -> fmt::Result {
    writeln!(out, "\n{:<34}{:>6}{:>6}{:>8}{:>7}", "by shift and recipe", "then", "now", "missed", "added")?;
    for one in turns {
        let shift = one.turn.shift.as_deref().map(|shift| format!("{shift}, ")).unwrap_or_default();
        let name = format!("{shift}{}", one.turn.recipe);
        write!(out, "{name:<34}{:>6}{:>6}{:>8}{:>7}", one.then, one.now, one.missed, one.added)?;
        match kilograms(one.at_risk_then, one.at_risk_now) {
            Some(kilograms) => writeln!(out, "  {kilograms}")?,
            None => writeln!(out)?,
        }
    }
    Ok(())
}

/// "at risk 1240 kg then, 1650 kg now; before the call 210 and 365 kg".
fn kilograms(then: Option<AtRisk>, now: Option<AtRisk>) -> Option<String> {
    then.or(now)?;
    let (then, now) = (then.unwrap_or_default(), now.unwrap_or_default());
    let least = if then.unknown_s > 0.0 || now.unknown_s > 0.0 { "at least " } else { "" };
    Some(format!(
        "at risk {least}{:.0} kg then, {:.0} kg now; before the call {:.0} and {:.0} kg",
        then.touched_kg, now.touched_kg, then.before_call_kg, now.before_call_kg
    ))
}

fn row(one: &Compared) -> String {
    let times = format!("{} / {}", span(one.in_alarm_then_s), span(one.in_alarm_now_s));
    format!(
        "{:<34}{:>6}{:>6}{:>8}{:>7}  {:<34}{times}",
        one.alarm,
        one.then,
        one.now,
        one.missed,
        one.added,
        shift(one)
    )
}

/// "half within 12.0 s later, from 3.0 s sooner to 40.0 s later".
fn shift(one: &Compared) -> String {
    let words = |later: f64| match later {
        later if later > 0.0 => format!("{later:.1} s later"),
        later if later < 0.0 => format!("{:.1} s sooner", -later),
        _ => "same".to_owned(),
    };
    match (one.later_least_s, one.later_median_s, one.later_most_s) {
        (Some(least), _, Some(most)) if least == most => words(least),
        (Some(least), Some(median), Some(most)) => {
            format!("{} ({} to {})", words(median), words(least), words(most))
        }
        (_, _, _) => "-".to_owned(),
    }
}

/// "2 h 5 min", "1 min 40 s", "40 s".
fn span(seconds: f64) -> String {
    // A float-to-integer cast saturates.
    let whole = seconds.max(0.0).round() as u64;
    match (whole / 3600, whole / 60 % 60, whole % 60) {
        (0, 0, seconds) => format!("{seconds} s"),
        (0, minutes, seconds) => format!("{minutes} min {seconds} s"),
        (hours, minutes, _) => format!("{hours} h {minutes} min"),
    }
}
