//! Signals to the files of a line folder, with a mark at each guess and the complaints at the end.

use super::Notes;
use super::row::{Draft, Field};
use crate::commission::written::short;
use setward_protocol::{Encoding, Unit};
use std::collections::BTreeSet;
use std::fmt::{self, Write as _};

/// Where comments begin, if the text before them is shorter.
const COMMENT_COLUMN: usize = 38;
/// The simulator's first port; each controller gets the next.
const FIRST_PORT: u16 = 15_501;
/// Stations in the order product passes.
const ORDER: [(&str, &str); 12] = [
    ("kettle", "Kettles"),
    ("soak", "Soak tanks"),
    ("wash", "Wash drum"),
    ("mill", "Mill"),
    ("sheeter", "Sheeter"),
    ("oven", "Oven"),
    ("equilibrator", "Equilibrator"),
    ("fryer", "Fryer"),
    ("cooling", "Cooling"),
    ("seasoning", "Seasoning"),
    ("packing", "Packing"),
    ("line", "Line"),
];

/// Path and text of each file.
pub(super) fn files(
    drafts: &[Draft],
    source: &str,
    line: Option<&str>,
    notes: &Notes,
) -> Vec<(String, String)> {
    let mut text = String::new();
    // Writing to a string can't fail.
    let _infallible = line_file(&mut text, drafts, source, line.unwrap_or("Imported line"), notes);
    let alarms =
        "# None yet. SCHEMA.md lists the kinds; `setward demo --keep DIR` writes examples of each.\n";
    let recipe = "# Nothing is held yet: a [[setpoint]] for each value that a recipe fixes.\n[recipe]\nname = \"Imported\"\n";
    vec![
        ("line.toml".to_owned(), text),
        ("alarms.toml".to_owned(), alarms.to_owned()),
        ("recipes/imported.toml".to_owned(), recipe.to_owned()),
        ("site.toml".to_owned(), site_file(drafts)),
    ]
}

fn controllers(drafts: &[Draft]) -> Vec<&str> {
    let mut found: Vec<&str> = Vec::new();
    for draft in drafts {
        if !found.contains(&draft.controller.value.as_str()) {
            found.push(&draft.controller.value);
        }
    }
    found
}

fn site_file(drafts: &[Draft]) -> String {
    let mut text = "# Where controllers answer. As written here, on this machine: `sim-plc serve` answers there. For the plant change the\n\
                    # addresses and set simulated = false; nothing else moves.\nsimulated = true\n"
        .to_owned();
    for (name, port) in controllers(drafts).into_iter().zip(FIRST_PORT..) {
        text.push_str(&format!(
            "\n[[endpoint]]\ncontroller = {}\naddress = \"127.0.0.1:{port}\"          # GUESSED: the simulator; the list has no address\nunit_id = 1                           # GUESSED: the list does not say\n",
            quoted(name)
        ));
    }
    text
}

/// A TOML string.
fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\""))
}

fn line_file(out: &mut String, drafts: &[Draft], source: &str, line: &str, notes: &Notes) -> fmt::Result {
    writeln!(
        out,
        "# Made from {} by `setward import`. Look at every GUESSED, put it right, and delete the mark.",
        one_line(source)
    )?;
    writeln!(out, "# Then: setward check, setward read-plan, and against the controller setward probe.\n")?;
    writeln!(
        out,
        "[line]\nname = {}\nplant = \"Plant\"                       # GUESSED: the list does not say",
        quoted(line)
    )?;
    writeln!(
        out,
        "time_zone = \"UTC\"                     # GUESSED: the plant's, such as \"America/Chicago\""
    )?;
    writeln!(out, "recipe = \"imported\"")?;
    let used: BTreeSet<&str> = drafts.iter().map(|draft| draft.station.value).collect();
    for (key, name) in ORDER.iter().filter(|(key, _)| used.contains(key)) {
        writeln!(out, "\n[[station]]\nkey = \"{key}\"\nname = \"{name}\"")?;
    }
    for name in controllers(drafts) {
        writeln!(out, "\n[[controller]]\nname = {}", quoted(name))?;
        writeln!(
            out,
            "poll_every = \"1 s\"                    # GUESSED: the list does not say; `setward read-plan` says what fits"
        )?;
        writeln!(
            out,
            "# readable = [{{ holding = [104, 109] }}]  # gaps it answers: ask the supplier; saves requests"
        )?;
    }
    drafts.iter().try_for_each(|draft| signal(out, draft))?;
    let left_out: Vec<_> = notes.complaints.iter().filter(|complaint| complaint.left_out).collect();
    if !left_out.is_empty() {
        writeln!(out, "\n# Left out:")?;
    }
    left_out.iter().try_for_each(|complaint| {
        writeln!(
            out,
            "# row {}, column {}: {}",
            complaint.row,
            one_line(&complaint.column),
            one_line(&complaint.found)
        )
    })
}

fn one_line(text: &str) -> String {
    text.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).collect()
}

/// A key with its value, and the reason if that was guessed.
fn key<T>(out: &mut String, name: &str, value: &str, field: &Field<T>) -> fmt::Result {
    let line = format!("{name} = {value}");
    match &field.guess {
        Some(why) => writeln!(out, "{line:<COMMENT_COLUMN$}# GUESSED: {}", one_line(why)),
        None => writeln!(out, "{line}"),
    }
}

fn signal(out: &mut String, draft: &Draft) -> fmt::Result {
    let table = draft.table.value;
    writeln!(out, "\n[[signal]]                            # row {}", draft.row)?;
    key(out, "tag", &quoted(&draft.tag.value), &draft.tag)?;
    key(out, "name", &quoted(&draft.name.value), &draft.name)?;
    key(out, "station", &quoted(draft.station.value), &draft.station)?;
    key(out, "controller", &quoted(&draft.controller.value), &draft.controller)?;
    key(out, "role", &quoted(draft.role.value), &draft.role)?;
    let place = format!("{} = {}", table.name(), draft.address);
    let why =
        draft.table.guess.as_ref().map_or_else(String::new, |why| format!("; GUESSED: {}", one_line(why)));
    let printed = table.printed_number(draft.address);
    writeln!(
        out,
        "{place:<COMMENT_COLUMN$}# the list says {}; drawings print {printed}{why}",
        one_line(&draft.written)
    )?;
    if !table.is_bits() {
        registers(out, draft)?;
    }
    key(out, "unit", &quoted(draft.unit.value.symbol()), &draft.unit)?;
    if draft.unit.value == Unit::Bit {
        return Ok(());
    }
    let (low, high) = draft.range.value;
    let unit = draft.unit.value;
    let end = |value: f64| {
        let number = plain(value);
        if unit == Unit::One { number } else { format!("\"{number} {unit}\"") }
    };
    key(out, "range", &format!("[{}, {}]", end(low), end(high)), &draft.range)
}

fn registers(out: &mut String, draft: &Draft) -> fmt::Result {
    match draft.encoding.value {
        Encoding::Bit(bit) => {
            key(out, "encoding", "\"bit\"", &draft.encoding)?;
            writeln!(out, "bit = {bit}")?;
            // A bit is 0 or 1, whatever factor its row has.
            return Ok(());
        }
        encoding @ (Encoding::U16
        | Encoding::I16
        | Encoding::U32
        | Encoding::I32
        | Encoding::U64
        | Encoding::I64
        | Encoding::F32
        | Encoding::F64
        | Encoding::Bcd4
        | Encoding::Bcd8) => key(out, "encoding", &quoted(encoding.name()), &draft.encoding)?,
    }
    if draft.encoding.value.words() > 1 {
        key(out, "order", &quoted(draft.order.value.name()), &draft.order)?;
    }
    if draft.scale.value != 1.0 || draft.scale.guess.is_some() {
        key(out, "scale", &plain(draft.scale.value), &draft.scale)?;
    }
    if draft.offset != 0.0 {
        writeln!(out, "offset = {}", plain(draft.offset))?;
    }
    if !draft.no_value.is_empty() {
        let codes: Vec<String> = draft.no_value.iter().map(ToString::to_string).collect();
        writeln!(out, "no_value = [{}]", codes.join(", "))?;
    }
    Ok(())
}

/// A number as TOML takes it: no rounding noise, no exponent for what is written without.
fn plain(value: f64) -> String {
    let text = short(value);
    if text.parse::<f64>().is_ok_and(|read| (read - value).abs() <= 1e-9 * value.abs()) && !text.contains('e')
    {
        text
    } else {
        // A float, however large: TOML's whole numbers end at 2^63.
        format!("{value:?}")
    }
}
