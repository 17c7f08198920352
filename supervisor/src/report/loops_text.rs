//! What is known of control loops, in words for a terminal.

use super::batch_text::Local;
use super::loops::{AdviceRow, LoopRow, LoopsReport, StepRow};
use super::text::span;
use std::fmt::{self, Write as _};

impl LoopsReport {
    /// The report as text.
    #[must_use]
    pub fn text(&self, local: Local<'_>) -> String {
        let mut out = String::new();
        // Writing to a string can't fail.
        let _infallible = self.write(&mut out, local);
        out
    }

    fn write(&self, out: &mut String, local: Local<'_>) -> fmt::Result {
        writeln!(out, "Control loops of {}, {} to {}", self.line, local(&self.from), local(&self.to))?;
        if self.loops.is_empty() {
            return writeln!(out, "\nline.toml has no [[loop]]");
        }
        for row in &self.loops {
            writeln!(
                out,
                "\n{} ({}), {} in automatic with a good value",
                row.tag,
                row.measured,
                span(row.known_s)
            )?;
            match (&row.swing, &row.no_swing_because) {
                (Some(swing), _) => writeln!(
                    out,
                    "  swings each {}, by {:.2} {} to either side",
                    span(swing.period_s),
                    swing.amplitude,
                    row.unit
                )?,
                (None, Some(why)) => writeln!(out, "  no swing is told: {why}")?,
                (None, None) => {}
            }
            for step in &row.steps {
                writeln!(out, "  {}", step_words(step, local))?;
            }
            match (&row.advice, &row.no_advice_because) {
                (Some(advice), _) => write_advice(out, row, advice, local)?,
                (None, Some(why)) => writeln!(out, "  no settings are suggested: {why}")?,
                (None, None) => {}
            }
        }
        writeln!(
            out,
            "\nFacts of a record, and advice at most: nothing is written to a controller. Whoever tunes a loop stands at it, \
             and knows what it may do."
        )
    }
}

fn step_words(step: &StepRow, local: Local<'_>) -> String {
    let shows = if step.of == "setpoint" { "the closed loop" } else { "the process" };
    let head = format!("{}: {} from {} to {}", local(&step.at), step.of, step.level_before, step.level_after);
    match (&step.refused, step.dead_time_s, step.lag_s, step.gain, step.explained_percent) {
        (None, Some(dead), Some(lag), Some(gain), Some(explained)) => format!(
            "{head}; {shows}: dead time {dead:.0} s, lag {lag:.0} s, gain {gain:.3} ({explained:.0} % of it explained)"
        ),
        (why, ..) => format!("{head}; no fit: {}", why.as_deref().unwrap_or("nothing is known")),
    }
}

fn write_advice(out: &mut String, row: &LoopRow, advice: &AdviceRow, local: Local<'_>) -> fmt::Result {
    let output = row.output_unit.as_deref().unwrap_or("1");
    writeln!(
        out,
        "  advice only, by the SIMC rules from the step of {}, for a closed loop of {:.0} s:",
        local(&advice.learned_at),
        advice.closed_loop_s
    )?;
    writeln!(
        out,
        "    PI in its standard form: gain {:.3} {output}/{}, integral time {:.0} s (proportional band {:.2} {}, {:.3} \
         repeats a minute)",
        advice.gain, row.unit, advice.integral_s, advice.proportional_band, row.unit, advice.repeats_per_min
    )
}
