//! A batch's record in words, for a terminal.

use super::batch::{BatchReport, FedRow, VerdictRow};
use std::fmt::{self, Write as _};

/// How a report shows a time that it keeps as RFC 3339.
pub type Local<'a> = &'a dyn Fn(&str) -> String;

impl BatchReport {
    /// The whole record as text.
    #[must_use]
    pub fn text(&self, local: Local<'_>) -> String {
        let mut out = String::new();
        // Writing to a string can't fail.
        let _infallible = self.write(&mut out, local);
        out
    }

    /// The record in one line, for a list.
    #[must_use]
    pub fn line_of_text(&self, local: Local<'_>) -> String {
        let tank = self.soak.tank.map_or_else(|| "no tank".to_owned(), |tank| format!("tank {tank}"));
        format!(
            "{:<28}{:<27}{:<10}{:<12}{}",
            self.id,
            local(&self.from),
            tank,
            self.verdict(),
            self.recipe_name
        )
    }

    fn write(&self, out: &mut String, local: Local<'_>) -> fmt::Result {
        let number = self.number.map(|number| format!(", number {number}")).unwrap_or_default();
        writeln!(out, "Batch {}, {}{number}: {}", self.id, self.kettle, self.verdict())?;
        let file = self.recipe_sha256.as_deref().map(short).unwrap_or_default();
        writeln!(
            out,
            "{} ({}, file {file}), configuration {}",
            self.recipe_name,
            self.recipe,
            short(&self.configuration)
        )?;
        writeln!(out, "{} to {}, {}", local(&self.from), local(&self.to), self.ending)?;
        if self.unseen_s > 0.0 {
            writeln!(out, "what tells its phases was not known for {:.0} s", self.unseen_s)?;
        }
        for oddity in &self.oddities {
            writeln!(out, "odd: {oddity}")?;
        }
        writeln!(out, "\n{:<12}{:<28}{:>10}", "phase", "from", "min")?;
        for phase in &self.phases {
            writeln!(out, "{:<12}{:<28}{:>10.1}", phase.phase, local(&phase.from), phase.length_s / 60.0)?;
        }
        let known = |value: Option<f64>, digits: usize, unit: &str| {
            value.map_or_else(|| "not known".to_owned(), |value| format!("{value:.digits$} {unit}"))
        };
        writeln!(
            out,
            "\ncome-up until hold time counts: {}",
            known(self.come_up_s.map(|s| s / 60.0), 1, "min")
        )?;
        writeln!(
            out,
            "water {}, corn {:.0} kg {}, {}",
            known(self.water_l, 0, "L"),
            self.corn_kg,
            self.corn_known_by(),
            known(self.water_to_corn_l_per_kg, 2, "L/kg")
        )?;
        writeln!(
            out,
            "lime {}, {} of the corn",
            known(self.lime_kg, 2, "kg"),
            known(self.lime_to_corn_percent, 2, "%")
        )?;
        writeln!(out, "\nCook")?;
        verdicts(out, &self.cook)?;
        self.write_soak(out, local)?;
        writeln!(out, "\nFed to the line")?;
        if self.fed.is_empty() {
            writeln!(out, "  not yet")?;
        }
        for fed in &self.fed {
            writeln!(out, "  {}", fed_words(fed, local))?;
        }
        Ok(())
    }

    fn write_soak(&self, out: &mut String, local: Local<'_>) -> fmt::Result {
        let soak = &self.soak;
        let Some(tank) = soak.tank else {
            return writeln!(out, "\nSoak: it is not known which tank it was pumped to");
        };
        let from = soak.from.as_deref().map(local).unwrap_or_default();
        match soak.from_not_before.as_deref() {
            Some(earliest) => writeln!(
                out,
                "\nSoak in tank {tank} from {} at the earliest, {from} at the latest",
                local(earliest)
            )?,
            None => writeln!(out, "\nSoak in tank {tank} from {from}")?,
        }
        if let Some(hours) = soak.soaked_h {
            writeln!(out, "  soaked {hours:.2} h until it was first fed")?;
        }
        verdicts(out, &soak.limits)?;
        match (soak.moisture_percent, soak.moisture_uncertainty_percent, &soak.no_moisture_because) {
            (Some(moisture), Some(uncertainty), _) => {
                writeln!(out, "  grain moisture {moisture:.1} % predicted, give or take {uncertainty:.1}")
            }
            (_, _, Some(why)) => writeln!(out, "  no grain moisture is predicted: {why}"),
            (_, _, None) => Ok(()),
        }
    }
}

/// The first characters of a fingerprint: enough to tell two apart.
fn short(fingerprint: &str) -> &str {
    fingerprint.get(..12).unwrap_or(fingerprint)
}

fn verdicts(out: &mut String, rows: &[VerdictRow]) -> fmt::Result {
    if rows.is_empty() {
        return writeln!(out, "  the recipe asks for nothing");
    }
    for row in rows {
        writeln!(out, "  {:<52}{:<18}{:<16}{}", row.limit, accepted(row), found(row), row.verdict)?;
    }
    Ok(())
}

/// "20.0 to 26.0".
#[must_use]
pub fn accepted(row: &VerdictRow) -> String {
    match (row.least, row.most) {
        (Some(least), Some(most)) => format!("{least:.1} to {most:.1}"),
        (Some(least), None) => format!("at least {least:.1}"),
        (None, Some(most)) => format!("at most {most:.1}"),
        (None, None) => "anything".to_owned(),
    }
}

/// "21.5", or "18.0 to 21.5" where some of it was not seen.
#[must_use]
pub fn found(row: &VerdictRow) -> String {
    match (row.found_least, row.found_most) {
        (Some(least), Some(most)) if most - least > 0.05 => format!("{least:.1} to {most:.1}"),
        (Some(least), _) => format!("{least:.1}"),
        (None, _) => "not known".to_owned(),
    }
}

/// "tank 5, 06:00 to 07:20, packed about 06:31 to 07:52"; with "(forecast)" behind it while some of it is on its way.
#[must_use]
pub fn fed_words(fed: &FedRow, local: Local<'_>) -> String {
    let until = if fed.goes_on { "goes on".to_owned() } else { format!("to {}", local(&fed.to)) };
    let packed = match (&fed.packed_from, &fed.packed_to) {
        (Some(from), Some(to)) => {
            let forecast = if fed.is_forecast { " (forecast)" } else { "" };
            format!(", packed about {} to {}{forecast}", local(from), local(to))
        }
        (_, _) if fed.is_forecast => ", not packed yet".to_owned(),
        (_, _) => ", when it was packed is not known".to_owned(),
    };
    let belongs = fed.touched.words().map(|words| format!("; {words}")).unwrap_or_default();
    format!("tank {}, {} {until}{packed}{belongs}", fed.tank, local(&fed.from))
}
