//! What stands on panels for each recipe: every entered setpoint with its register and its three widths, for the person who
//! turns them. Nothing is written to a controller.

use super::cautions::CAUTIONS;
use super::written::short;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use serde::Serialize;
use setward_config::line::{Line, Recipe, RecipeSetpoint, Role};
use std::fmt::{self, Write as _};

/// The sheet of a line.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SetpointSheet {
    /// Version of this report's form.
    pub schema_version: u32,
    /// The line's name.
    pub line: String,
    /// The plant's name.
    pub plant: String,
    /// When it was made, RFC 3339.
    pub made_utc: String,
    /// Version of the program.
    pub setward_version: &'static str,
    /// SHA-256 of the line folder.
    pub configuration_sha256: String,
    /// One each, in the order of their files.
    pub recipes: Vec<RecipeSheet>,
}

/// The setpoints of one recipe.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RecipeSheet {
    /// File name without its ending.
    pub recipe: String,
    /// Its name for people.
    pub name: String,
    /// Setpoints that a person enters.
    pub setpoints: Vec<EnteredSetpoint>,
    /// What it holds besides, without a setpoint that could be entered: tags.
    pub without_setpoint: Vec<String>,
}

/// A setpoint to enter.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EnteredSetpoint {
    /// Its tag.
    pub tag: String,
    /// Its name.
    pub name: String,
    /// Its station's name.
    pub station: String,
    /// What it is for: tags of what is measured.
    pub holds: Vec<String>,
    /// Its controller; `None`: it is in no register.
    pub controller: Option<String>,
    /// Which table.
    pub table: Option<&'static str>,
    /// First address, 0-based.
    pub address: Option<u16>,
    /// What a drawing prints for it.
    pub number: Option<u32>,
    /// What the register then says, in hexadecimal words.
    pub raw_hex: Option<String>,
    /// Unit of the value.
    pub unit: &'static str,
    /// Unit of the widths.
    pub width_unit: &'static str,
    /// What to enter.
    pub value: f64,
    /// How far it may be turned unasked, to either side.
    pub latitude: Option<f64>,
    /// Lowest and highest within tolerance.
    pub tolerance: (f64, f64),
    /// Lowest and highest of the specification.
    pub specification: Option<(f64, f64)>,
    /// Where a technician finds the panel.
    pub location: Option<String>,
}

impl SetpointSheet {
    /// The setpoints of `line`, made at `made_utc`.
    #[must_use]
    pub fn new(line: &Line, made_utc: String) -> Self {
        Self {
            schema_version: 1,
            line: line.name.clone(),
            plant: line.plant.clone(),
            made_utc,
            setward_version: env!("CARGO_PKG_VERSION"),
            configuration_sha256: line.fingerprint.clone(),
            recipes: line.recipes.iter().map(|recipe| recipe_sheet(line, recipe)).collect(),
        }
    }
}

fn recipe_sheet(line: &Line, recipe: &Recipe) -> RecipeSheet {
    let is_entered = |held: &&RecipeSetpoint| line.signal(held.signal).role == Role::Setpoint;
    let has_none = |held: &&RecipeSetpoint| !is_entered(held) && held.entered.is_none();
    RecipeSheet {
        recipe: recipe.key.clone(),
        name: recipe.name.clone(),
        setpoints: recipe
            .setpoints
            .iter()
            .filter(is_entered)
            .map(|held| entered(line, recipe, held))
            .collect(),
        without_setpoint: recipe
            .setpoints
            .iter()
            .filter(has_none)
            .map(|held| line.signal(held.signal).tag.clone())
            .collect(),
    }
}

fn entered(line: &Line, recipe: &Recipe, held: &RecipeSetpoint) -> EnteredSetpoint {
    let signal = line.signal(held.signal);
    let register = signal.register();
    let target = held.target;
    let holds = recipe.setpoints.iter().filter(|other| other.entered == Some(held.signal));
    EnteredSetpoint {
        tag: signal.tag.clone(),
        name: signal.name.clone(),
        station: line.station(signal.station).name.clone(),
        holds: holds.map(|other| line.signal(other.signal).tag.clone()).collect(),
        controller: register.map(|register| line.controller(register.controller).name.clone()),
        table: register.map(|register| register.wire.table.name()),
        address: register.map(|register| register.wire.address),
        number: register.map(|register| register.wire.table.printed_number(register.wire.address)),
        raw_hex: register.and_then(|register| {
            let words = register.wire.encode(target.setpoint).ok()?;
            let words = words.get(..usize::from(register.wire.place().words))?;
            Some(words.iter().map(|word| format!("{word:04X}")).collect::<Vec<_>>().join(" "))
        }),
        unit: signal.unit.display(),
        width_unit: signal.unit.of_difference().display(),
        value: target.setpoint,
        latitude: target.latitude,
        tolerance: (target.setpoint - target.tolerance_below, target.setpoint + target.tolerance_above),
        specification: target.specification,
        location: signal.wiring.location.clone(),
    }
}

impl EnteredSetpoint {
    fn place(&self) -> String {
        match (&self.controller, self.table, self.address, self.number) {
            (Some(controller), Some(table), Some(address), Some(number)) => {
                format!("{controller} {table} {address} ({number})")
            }
            (_, _, _, _) => "in no register".to_owned(),
        }
    }

    fn turned_unasked(&self) -> String {
        match self.latitude {
            Some(latitude) => {
                format!("{} to {} {}", short(self.value - latitude), short(self.value + latitude), self.unit)
            }
            None => "not said".to_owned(),
        }
    }

    fn within(&self) -> String {
        format!("{} to {} {}", short(self.tolerance.0), short(self.tolerance.1), self.unit)
    }

    fn specified(&self) -> String {
        match self.specification {
            Some((low, high)) => format!("{} to {} {}", short(low), short(high), self.unit),
            None => "not said".to_owned(),
        }
    }
}

impl SetpointSheet {
    /// The whole as text.
    #[must_use]
    pub fn text(&self) -> String {
        let mut out = String::new();
        // Writing to a string can't fail.
        let _infallible = self.write(&mut out);
        out
    }

    fn write(&self, out: &mut String) -> fmt::Result {
        writeln!(out, "Setpoints of {}, {}", self.line, self.plant)?;
        writeln!(
            out,
            "Made {}, Setward {}, configuration SHA-256 {}",
            self.made_utc, self.setward_version, self.configuration_sha256
        )?;
        writeln!(
            out,
            "Enter them at the panel. Setward writes nothing: it compares what is entered with this."
        )?;
        for recipe in &self.recipes {
            writeln!(out, "\n{} ({})", recipe.name, recipe.recipe)?;
            recipe.setpoints.iter().try_for_each(|setpoint| write_setpoint(out, setpoint))?;
            if recipe.setpoints.is_empty() {
                writeln!(out, "  no setpoint that is entered")?;
            }
            if !recipe.without_setpoint.is_empty() {
                writeln!(
                    out,
                    "  held, with no setpoint in a register: {}",
                    recipe.without_setpoint.join(", ")
                )?;
            }
        }
        Ok(())
    }

    /// The whole as an HTML document that prints well.
    #[must_use]
    pub fn html(&self) -> String {
        let page = html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    title { "Setpoints: " (self.line) }
                    style { (PreEscaped(STYLE)) }
                }
                body {
                    main {
                        h1 { "Setpoints: " (self.line) ", " (self.plant) }
                        p { "Enter them at the panel. Setward writes nothing: it compares what is entered with this." }
                        section.cautions aria-label="Cautions" { ul { @for caution in CAUTIONS { li { (caution) } } } }
                        @for recipe in &self.recipes { (recipe_table(recipe)) }
                    }
                    footer { p {
                        "Setward " (self.setward_version) " \u{b7} made " (self.made_utc) " \u{b7} configuration SHA-256 "
                        code { (self.configuration_sha256) }
                    } }
                }
            }
        };
        page.into_string()
    }
}

const STYLE: &str = "\
:root{color-scheme:light}body{font:14px/1.4 system-ui,sans-serif;color:#1a1a1a;background:#fff;max-width:70rem;margin:1.5rem auto;padding:0 1rem}\
h1{font-size:1.4rem}h2{font-size:1.15rem;margin-top:2rem}.scroll{overflow-x:auto}table{border-collapse:collapse;width:100%}\
th,td{text-align:left;vertical-align:top;padding:.25rem .5rem;border:1px solid #999}th{background:#f2f2f2}\
thead{display:table-header-group}tr{break-inside:avoid}code{overflow-wrap:anywhere}.big{font-size:1.2rem;font-weight:700;white-space:nowrap}\
.fill{min-width:6rem}.cautions{border:2px solid #1a1a1a;padding:.2rem 1rem}\
@media print{body{margin:0;font-size:9.5pt;max-width:none}@page{size:A4 landscape;margin:12mm}section{break-before:page}.cautions{break-before:auto}}";

fn recipe_table(recipe: &RecipeSheet) -> Markup {
    html! {
        section {
            h2 { (recipe.name) " (" (recipe.recipe) ")" }
            div.scroll { table {
                thead { tr {
                    th scope="col" { "Setpoint" } th scope="col" { "Enter" } th scope="col" { "May be turned unasked" }
                    th scope="col" { "Within tolerance" } th scope="col" { "Specification" } th scope="col" { "Register" }
                    th scope="col" { "Entered, date, initials" }
                } }
                tbody { @for setpoint in &recipe.setpoints { (row(setpoint)) } }
            } }
            @if !recipe.without_setpoint.is_empty() {
                p { "Held, with no setpoint in a register: " (recipe.without_setpoint.join(", ")) "." }
            }
        }
    }
}

fn row(setpoint: &EnteredSetpoint) -> Markup {
    html! {
        tr {
            td {
                b { (setpoint.name) } br; (setpoint.tag) ", " (setpoint.station)
                @if !setpoint.holds.is_empty() { br; "for " (setpoint.holds.join(", ")) }
                @if let Some(location) = &setpoint.location { br; (location) }
            }
            td.big { (short(setpoint.value)) " " (setpoint.unit) }
            td { (setpoint.turned_unasked()) }
            td { (setpoint.within()) }
            td { (setpoint.specified()) }
            td { (setpoint.place()) @if let Some(raw) = &setpoint.raw_hex { br; code { (raw) } } }
            td.fill {}
        }
    }
}

fn write_setpoint(out: &mut String, setpoint: &EnteredSetpoint) -> fmt::Result {
    let holds = match setpoint.holds.as_slice() {
        [] => String::new(),
        holds => format!(", for {}", holds.join(", ")),
    };
    writeln!(
        out,
        "  {:<14} {:<34} {} {}{holds}",
        setpoint.tag,
        setpoint.name,
        short(setpoint.value),
        setpoint.unit
    )?;
    writeln!(
        out,
        "      may be turned unasked: {}; tolerance: {}; specification: {}",
        setpoint.turned_unasked(),
        setpoint.within(),
        setpoint.specified()
    )?;
    let raw = setpoint.raw_hex.as_ref().map_or_else(String::new, |raw| format!(", then {raw}"));
    writeln!(out, "      {}{raw}", setpoint.place())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn demo() -> (Line, SetpointSheet) {
        let line = setward_config::load_demo().unwrap().line;
        let sheet = SetpointSheet::new(&line, "2026-01-05T00:00:00Z".to_owned());
        (line, sheet)
    }

    #[test]
    fn every_recipe_lists_what_a_person_enters() {
        let (line, sheet) = demo();
        assert_eq!(sheet.recipes.len(), line.recipes.len());
        let blue = sheet.recipes.iter().find(|recipe| recipe.recipe == "blue-corn-rounds").unwrap();
        let oil = blue.setpoints.iter().find(|setpoint| setpoint.tag == "TIC-310-SP").unwrap();
        assert!(oil.holds.contains(&"TT-310".to_owned()), "{oil:?}");
        let held = line.recipe_setpoint(line.signal_by_tag("TT-310").unwrap()).unwrap().target;
        assert_eq!((oil.value, oil.latitude), (held.setpoint, held.latitude));
        assert!((oil.tolerance.0 - (held.setpoint - held.tolerance_below)).abs() < 1e-9);
        assert_eq!(oil.specification, held.specification);
    }

    #[test]
    fn the_register_says_the_value_that_is_to_be_entered() {
        let (line, sheet) = demo();
        for setpoint in sheet.recipes.iter().flat_map(|recipe| &recipe.setpoints) {
            let signal = line.signal(line.signal_by_tag(&setpoint.tag).unwrap());
            let wire = &signal.register().unwrap().wire;
            let words = setpoint.raw_hex.clone().unwrap();
            let words: Vec<u16> =
                words.split(' ').map(|word| u16::from_str_radix(word, 16).unwrap()).collect();
            let read = wire.raw(&words).unwrap().as_f64() * wire.scale + wire.offset;
            assert!((read - setpoint.value).abs() <= wire.scale.abs() / 2.0 + 1e-9, "{setpoint:?} {read}");
        }
    }

    #[test]
    fn text_and_page_say_the_same() {
        let (_, sheet) = demo();
        for phrase in ["TIC-310-SP", "182", "turned unasked", sheet.configuration_sha256.as_str()] {
            assert!(
                sheet.text().contains(phrase) && sheet.html().contains(phrase),
                "{phrase}: {}",
                sheet.text()
            );
        }
    }
}
