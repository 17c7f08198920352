//! Reports of shifts, holds, statistics and reviews in words, for a terminal.

use super::batch_text::Local;
use super::charts;
use super::closures::CAUSES;
use super::hold_window::HoldReport;
use super::holds::{DISPOSITIONS, HoldRow};
use super::lot_review::LotRow;
use super::product_text::product_words;
use super::review::ReviewReport;
use super::shift::{CallRow, ShiftReport, TankRow};
use super::statistics::{StatisticsReport, StatisticsRow};
use super::stops::{REASONS, StopRow};
use super::text::span;
use crate::web::call::counted;
use std::fmt::{self, Write as _};

fn built(write: impl FnOnce(&mut String) -> fmt::Result) -> String {
    let mut out = String::new();
    // Writing to a string can't fail.
    let _infallible = write(&mut out);
    out
}

/// A section with its lines; "none" without any.
fn section(out: &mut String, title: &str, lines: &[String]) -> fmt::Result {
    writeln!(out, "\n{title}")?;
    for line in lines {
        writeln!(out, "  {line}")?;
    }
    if lines.is_empty() { writeln!(out, "  none") } else { Ok(()) }
}

pub(super) fn kg(kg: Option<f64>) -> String {
    kg.map_or_else(|| "how much is not known".to_owned(), |kg| format!("about {kg:.0} kg"))
}

impl ShiftReport {
    /// The whole handover as text.
    #[must_use]
    pub fn text(&self, local: Local<'_>) -> String {
        built(|out| self.write(out, local))
    }

    fn write(&self, out: &mut String, local: Local<'_>) -> fmt::Result {
        writeln!(out, "Handover of shift {}, {}, {}", self.shift, self.date, self.line)?;
        let so_far = if self.goes_on { " (it goes on)" } else { "" };
        writeln!(
            out,
            "{} to {}{so_far}, watched for {}",
            local(&self.from),
            local(&self.to),
            span(self.watched_s)
        )?;
        match self.made {
            Some(made) if made.unknown_s > 1.0 => {
                writeln!(
                    out,
                    "made {:.0} kg, and what passed in {} of unknown feed",
                    made.kg,
                    span(made.unknown_s)
                )?;
            }
            Some(made) => writeln!(out, "made {:.0} kg", made.kg)?,
            None => writeln!(out, "made: nothing weighs it")?,
        }
        let calls = |calls: &[CallRow]| calls.iter().map(|call| call_words(call, local)).collect::<Vec<_>>();
        section(out, "Standing now", &calls(&self.standing))?;
        section(out, "Alarms of the shift", &calls(&self.calls))?;
        let shelved = self.shelved.iter().chain(&self.out_of_service).map(|row| {
            let until = row.until.as_deref().map_or_else(
                || "out of service until returned".to_owned(),
                |until| format!("shelved until {}", local(until)),
            );
            let why = row.why.as_deref().map(|why| format!(": {why}")).unwrap_or_default();
            format!("{}, {until}, by {}{why}", row.alarm, row.by)
        });
        section(out, "Shelved and out of service", &shelved.collect::<Vec<_>>())?;
        section(out, "Stops", &self.stops.iter().map(|stop| stop_words(stop, local)).collect::<Vec<_>>())?;
        self.write_state(out, local)?;
        writeln!(out, "\nSignals that the recipe holds, while their station ran")?;
        writeln!(out, "  {}", STATISTICS_HEAD)?;
        for row in &self.statistics {
            writeln!(out, "  {}", statistics_line(&format!("{} [{}]", row.signal, row.unit), &row.figures))?;
        }
        Ok(())
    }

    fn write_state(&self, out: &mut String, local: Local<'_>) -> fmt::Result {
        let turned = self.latitude.iter().flat_map(|row| {
            let may = row.latitude.map(|may| format!(", latitude {may:.1}")).unwrap_or_default();
            let all = format!(
                "{} {}: turned {} times, farthest {:+.1} {}{may}; {} within, {} beyond",
                row.signal,
                row.name,
                row.turns,
                row.farthest,
                row.unit,
                span(row.within_s),
                span(row.beyond_s)
            );
            let away = row.away.iter().map(|away| format!("  {}", away.words(&row.unit, local)));
            [all].into_iter().chain(away)
        });
        section(out, "Setpoints away from the recipe", &turned.collect::<Vec<_>>())?;
        section(out, "Tanks", &self.tanks.iter().map(|tank| tank_words(tank, local)).collect::<Vec<_>>())?;
        let batches =
            self.batches.iter().map(|batch| format!("{} {}: {}", batch.id, batch.recipe, batch.words()));
        section(out, "Kettle batches begun", &batches.collect::<Vec<_>>())?;
        section(
            out,
            "On hold",
            &self.holds_open.iter().map(|hold| hold_words(hold, local)).collect::<Vec<_>>(),
        )?;
        let due = self.checks_due.iter().map(|check| {
            format!("{}, due {}{}", check.name, local(&check.due), if check.is_late { ", late" } else { "" })
        });
        let due: Vec<String> = due.collect();
        let title = if self.checks_are_kept {
            if self.is_due_known { "Checks due" } else { "Checks due: the page of the running program knows" }
        } else {
            "Checks due (the line has no checks that people enter)"
        };
        section(out, title, &due)?;
        Ok(())
    }
}

/// "raised 02:10:00, cleared 02:12:00: Fryer inlet cold (medium)".
#[must_use]
pub fn call_words(call: &CallRow, local: Local<'_>) -> String {
    let cleared =
        call.cleared.as_deref().map_or_else(|| "stands".to_owned(), |at| format!("cleared {}", local(at)));
    let acknowledged = if call.acknowledged.is_some() { "" } else { ", not acknowledged" };
    let found = call.closure.as_ref().map_or_else(String::new, |closure| {
        let note = closure.note.as_ref().map_or_else(String::new, |note| format!(", {note}"));
        format!("; it was {}{note}", words_of(&CAUSES, &closure.cause))
    });
    format!(
        "raised {}, {cleared}{acknowledged}: {} ({}){found}",
        local(&call.raised),
        call.name,
        call.priority
    )
}

/// A stop in words.
#[must_use]
pub fn stop_words(stop: &StopRow, local: Local<'_>) -> String {
    let until =
        stop.to.as_deref().map_or_else(|| "stands still".to_owned(), |to| format!("to {}", local(to)));
    let with = if stop.with.is_empty() { String::new() } else { format!(" (with {})", stop.with.join(", ")) };
    let reason = match &stop.reason {
        Some(said) => {
            let note = said.note.as_deref().map(|note| format!(", {note}")).unwrap_or_default();
            format!("{}{note}, by {}", words_of(&REASONS, &said.reason), said.by)
        }
        None => "no reason given".to_owned(),
    };
    let length = span(stop.length_s);
    format!("{}{with}: {} {until}, {length} in this time: {reason}", stop.station, local(&stop.from))
}

/// The words of a key of a closed list.
#[must_use]
pub fn words_of<'a>(list: &'a [(&'a str, &'a str)], key: &'a str) -> &'a str {
    list.iter().find(|(known, _)| *known == key).map_or(key, |(_, words)| words)
}

fn tank_words(tank: &TankRow, local: Local<'_>) -> String {
    let ages = match (tank.youngest_h, tank.oldest_h) {
        (Some(youngest), Some(oldest)) => {
            format!(", {} to {} old", span(youngest * 3600.0), span(oldest * 3600.0))
        }
        (_, _) => String::new(),
    };
    let corn = tank.corn_kg.map(|kg| format!(", {kg:.0} kg")).unwrap_or_default();
    let ready = tank.ready.as_deref().map(|at| format!(", may be fed {}", local(at))).unwrap_or_default();
    let old = tank.too_old.as_deref().map(|at| format!(", too old {}", local(at))).unwrap_or_default();
    format!("{}: {}{corn}{ages}{ready}{old}", tank.name, tank.state)
}

/// A hold in words.
#[must_use]
pub fn hold_words(hold: &HoldRow, local: Local<'_>) -> String {
    let alarm = hold.alarm.as_deref().map(|alarm| format!(" for {alarm}")).unwrap_or_default();
    let became = match hold.dispositions.last() {
        Some(last) => format!(
            "{} by {} {}: {}",
            words_of(&DISPOSITIONS, &last.what),
            last.by,
            local(&last.at),
            last.why
        ),
        None => "on hold".to_owned(),
    };
    let belongs = hold.touched.words().map(|words| format!(" ({words})")).unwrap_or_default();
    format!(
        "{}: packed {} to {}{belongs}, {}{alarm}, by {}: {}; {became}",
        hold.n,
        local(&hold.from),
        local(&hold.to),
        kg(hold.kg),
        hold.by,
        hold.why
    )
}

impl HoldReport {
    /// What to hold, as text.
    #[must_use]
    pub fn text(&self, local: Local<'_>) -> String {
        built(|out| self.write(out, local))
    }

    fn write(&self, out: &mut String, local: Local<'_>) -> fmt::Result {
        writeln!(
            out,
            "Hold list for {}, occurrence {} of run {}: {}",
            self.alarm, self.occurrence, self.run, self.name
        )?;
        let cleared =
            self.cleared.as_deref().map_or_else(|| "it stands".to_owned(), |at| format!("to {}", local(at)));
        writeln!(out, "trouble from {} {cleared}", local(&self.onset))?;
        match (&self.product, &self.corn) {
            (Some(product), _) => section(out, "Product that it touched", &product_words(product, local))?,
            (None, Some(corn)) => section(out, "Corn that it touched", &corn.words(local))?,
            (None, None) => {
                writeln!(out, "\nIts station is not on the way to the bag: no product is traced.")?
            }
        }
        section(out, self.checks_title(), &self.check_lines(local))?;
        let codes = match (self.touched.words(), self.lots_are_told) {
            (Some(words), _) => words,
            (None, true) => "not known".to_owned(),
            (None, false) => "not known: nothing on this line tells them".to_owned(),
        };
        section(out, "Lots and date codes", &[codes])?;
        section(
            out,
            "Holds placed for it",
            &self.holds.iter().map(|hold| hold_words(hold, local)).collect::<Vec<_>>(),
        )
    }
}

/// A lot of a review in a line.
#[must_use]
pub fn lot_words(lot: &LotRow, local: Local<'_>) -> String {
    let from = local(&lot.from);
    let packed = if lot.goes_on { format!("since {from}") } else { format!("{from} to {}", local(&lot.to)) };
    let held = match lot.holds.as_slice() {
        [] => String::new(),
        holds => format!(", holds {}", holds.iter().map(i64::to_string).collect::<Vec<_>>().join(", ")),
    };
    let signed = match lot.signed.last() {
        Some(last) => format!("signed by {}", last.by),
        None => "not signed".to_owned(),
    };
    format!(
        "lot {}: packed {packed}, {}; {}, {} of {} batches with limits not met or not known{held}; {signed}",
        lot.lot,
        kg(lot.about_kg),
        counted(lot.alarms.len(), "alarm"),
        lot.batch_exceptions.len(),
        lot.batches.len()
    )
}

const STATISTICS_HEAD: &str = "group                         ran with value      mean        sd  in tol. %   eff. n  lag 1    Ppk    Cpk";

fn statistics_line(group: &str, row: &StatisticsRow) -> String {
    if let Some(why) = &row.refused {
        return format!("{group:<30}{why}");
    }
    let shown = |value: Option<f64>, digits: usize| {
        value.map_or_else(|| "-".to_owned(), |value| format!("{value:.digits$}"))
    };
    let why = row.no_ppk_because.as_deref().map(|why| format!("  no Ppk: {why}"));
    let why = why
        .or_else(|| row.no_cpk_because.as_deref().map(|why| format!("  no Cpk: {why}")))
        .unwrap_or_default();
    format!(
        "{group:<30}{:>14}{:>10}{:>10}{:>11}{:>9}{:>7}{:>7}{:>7}{why}",
        span(row.known_s),
        shown(row.mean, 2),
        shown(row.standard_deviation, 2),
        shown(row.in_tolerance_percent, 1),
        shown(row.effective_count, 0),
        shown(row.first_lag_autocorrelation, 2),
        shown(row.ppk, 2),
        shown(row.cpk, 2)
    )
}

impl StatisticsReport {
    /// The table as text.
    #[must_use]
    pub fn text(&self, local: Local<'_>) -> String {
        built(|out| {
            writeln!(out, "{} {}, {}, on {}", self.signal, self.name, self.unit, self.line)?;
            writeln!(out, "{} to {}", local(&self.from), local(&self.to))?;
            writeln!(
                out,
                "Figures are of value less setpoint where the recipe has one, while the station ran."
            )?;
            writeln!(out, "\n{STATISTICS_HEAD}")?;
            for row in &self.rows {
                writeln!(out, "{}", statistics_line(&row.group, row))?;
            }
            for line in charts::lines(self) {
                writeln!(out, "{line}")?;
            }
            let Some(compared) = &self.compared else { return Ok(()) };
            writeln!(out, "\nAgainst {} to {}", local(&compared.other_from), local(&compared.other_to))?;
            match (
                &compared.refused,
                compared.difference,
                compared.least.zip(compared.most),
                &compared.finding,
            ) {
                (None, Some(difference), Some((least, most)), Some(finding)) => {
                    writeln!(out, "  {difference:+.3} ({least:+.3} to {most:+.3} with 95 %): {finding}")
                }
                (why, ..) => writeln!(out, "  {}", why.as_deref().unwrap_or("can't be compared")),
            }
        })
    }
}

impl ReviewReport {
    /// The exceptions as text.
    #[must_use]
    pub fn text(&self, local: Local<'_>) -> String {
        built(|out| self.write(out, local))
    }

    fn alarm_lines(&self, local: Local<'_>) -> Vec<String> {
        let mut alarms = Vec::new();
        for row in &self.alarms {
            let cleared = row
                .cleared
                .as_deref()
                .map_or_else(|| "stands".to_owned(), |at| format!("cleared {}", local(at)));
            alarms.push(format!("{} raised {}, {cleared}: {}", row.alarm, local(&row.raised), row.name));
            let lines = row.product_words(local).into_iter().map(|line| format!("  {line}"));
            alarms.extend(lines);
            alarms.extend(row.touched.words().map(|words| format!("  {words}")));
        }
        alarms
    }

    fn write(&self, out: &mut String, local: Local<'_>) -> fmt::Result {
        let of =
            self.lot.as_ref().map_or_else(|| self.line.clone(), |lot| format!("lot {lot} of {}", self.line));
        writeln!(out, "Records of {of} to review: {} exceptions", self.exceptions())?;
        writeln!(out, "{} to {}", local(&self.from), local(&self.to))?;
        let lots: Vec<String> = self.lots.iter().map(|lot| lot_words(lot, local)).collect();
        section(
            out,
            if self.lots_are_told { "By lot" } else { "By lot: nothing on this line tells lots" },
            &lots,
        )?;
        let batches = self
            .batch_exceptions
            .iter()
            .map(|batch| format!("{} {}: {}", batch.id, batch.recipe, batch.words()));
        section(
            out,
            &format!("Kettle batches, {} in all: limits not met or not known", self.batches),
            &batches.collect::<Vec<_>>(),
        )?;
        section(out, "Medium and high alarms, with the product they touched", &self.alarm_lines(local))?;
        let corrections = self
            .corrections
            .iter()
            .map(|row| format!("{} {}: {} to {} by {}", local(&row.at), row.name, row.old, row.new, row.by));
        section(
            out,
            if self.entries_are_kept {
                "Corrections"
            } else {
                "Corrections (nothing is entered on this line)"
            },
            &corrections.collect::<Vec<_>>(),
        )?;
        section(out, "Holds", &self.holds.iter().map(|hold| hold_words(hold, local)).collect::<Vec<_>>())?;
        let gaps = self
            .gaps
            .iter()
            .map(|gap| format!("{} to {}, {}", local(&gap.from), local(&gap.to), span(gap.length_s)));
        section(out, "Nobody watched", &gaps.collect::<Vec<_>>())?;
        let steps =
            self.clock_steps.iter().map(|step| format!("{:+.1} s, seen {}", step.step_s, local(&step.seen)));
        section(out, "Steps of the clock", &steps.collect::<Vec<_>>())?;
        let blind = self.blind.iter().map(|row| format!("{} for {}", row.name, span(row.blind_s)));
        section(out, "Alarms that could not have fired", &blind.collect::<Vec<_>>())?;
        let audit = if self.audit_broken.is_empty() {
            vec![format!("whole, {} entries", self.audit_entries)]
        } else {
            self.audit_broken.clone()
        };
        section(out, "Audit trail", &audit)?;
        let signed = self.signed.iter().map(|signed| {
            format!(
                "{} {}, {} exceptions seen, for {} to {}",
                signed.by,
                local(&signed.at),
                signed.exceptions,
                local(&signed.from),
                local(&signed.to)
            )
        });
        section(out, "Signed", &signed.collect::<Vec<_>>())
    }
}
