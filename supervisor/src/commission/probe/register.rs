//! One register of a controller that nobody has a file for yet: raw words, what they can mean, what to write.

use super::asker::{Asker, FASTEST_PER_S, Measured, Whom};
use super::identity::{Identity, identify};
use super::interpret::{Fit, Interpretation, Known, NEIGHBOURS, interpretations};
use super::walk::rfc3339;
use crate::clock::Clock;
use crate::commission::written::{Shown, short};
use crate::poll::dial::Dial;
use crate::poll::session::ReadFailure;
use serde::Serialize;
use setward_protocol::{Table, Unit};
use std::fmt::{self, Write as _};
use std::time::Duration;

/// Registers of the longest number.
const LONGEST_WORDS: u16 = 4;
/// Interpretations that are printed; `--json` gives all that fit.
const SHOWN: usize = 12;

/// What to look at.
#[derive(Debug, Clone)]
pub struct Question {
    /// Whom to ask.
    pub whom: Whom,
    /// Which table.
    pub table: Table,
    /// The address, 0-based.
    pub address: u16,
    /// What the panel shows.
    pub display: Option<Shown>,
    /// Lowest and highest, and their unit.
    pub range: Option<(f64, f64, Unit)>,
    /// How often to read.
    pub repeat: u32,
    /// Time between readings.
    pub every: Duration,
    /// Whether to ask who it is, function 2B/0E.
    pub identify: bool,
}

/// What was found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RegisterProbe {
    /// Version of this report's form.
    pub schema_version: u32,
    /// When, RFC 3339.
    pub read_at: String,
    /// `host:port`.
    pub endpoint: String,
    /// Modbus unit id.
    pub unit_id: u8,
    /// Which table.
    pub table: &'static str,
    /// The address that was asked about, 0-based.
    pub address: u16,
    /// How often it was read.
    pub readings: u32,
    /// The registers there and around.
    pub registers: Vec<FoundRegister>,
    /// Every interpretation that fits, best first; all when none fits.
    pub interpretations: Vec<Interpretation>,
    /// What that looks like.
    pub hints: Vec<String>,
    /// Lines for line.toml by the best interpretation; empty if none fits.
    pub line_toml: String,
    /// What the controller says it is, if it was asked.
    pub identity: Option<Result<Vec<Identity>, String>>,
    /// What was measured on the way.
    pub measured: Measured,
}

/// A register.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FoundRegister {
    /// Its address, 0-based.
    pub address: u16,
    /// What a drawing prints for it.
    pub number: u32,
    /// Its word at the last reading; `None`: there is no such register.
    pub word: Option<u16>,
    /// Lowest and highest word over all readings.
    pub lowest: Option<u16>,
    /// Highest.
    pub highest: Option<u16>,
}

impl FoundRegister {
    fn has_moved(&self) -> bool {
        self.lowest != self.highest
    }
}

/// Reads, several times, and weighs what was read.
///
/// # Errors
/// Why the controller could not be asked.
pub async fn probe_register(
    dial: &dyn Dial,
    clock: Clock,
    question: &Question,
) -> Result<RegisterProbe, ReadFailure> {
    let mut asker = Asker::new(dial, clock, question.whom.clone());
    let before = question.address.min(NEIGHBOURS.unsigned_abs() as u16);
    let start = question.address - before;
    let wanted = before + NEIGHBOURS.unsigned_abs() as u16 + LONGEST_WORDS;
    let count = wanted.min((u32::from(u16::MAX) + 1 - u32::from(start)).min(u32::from(wanted)) as u16);
    let mut readings: Vec<Vec<Option<u16>>> = Vec::new();
    for turn in 0..question.repeat.max(1) {
        if turn > 0 {
            tokio::time::sleep(question.every).await;
        }
        readings.push(asker.stretch(question.table, start, count).await?);
    }
    asker.close().await;
    let measured = asker.measured();
    let identity = if question.identify {
        asker.rest_before_redial().await;
        let Whom { endpoint, unit_id, within, .. } = &question.whom;
        Some(identify(dial, endpoint, *unit_id, *within).await)
    } else {
        None
    };
    Ok(weigh(question, start, before, &readings, identity, measured, rfc3339(clock)))
}

fn weigh(
    question: &Question,
    start: u16,
    before: u16,
    readings: &[Vec<Option<u16>>],
    identity: Option<Result<Vec<Identity>, String>>,
    measured: Measured,
    read_at: String,
) -> RegisterProbe {
    let last = readings.last().cloned().unwrap_or_default();
    let registers = found_registers(question.table, start, readings);
    let range = question.range.map(|(low, high, _)| (low, high));
    let known = Known { display: question.display, range, moved: 0.0 };
    let mut all = if question.table.is_bits() {
        Vec::new()
    } else {
        interpretations(question.address, before, &last, &known)
    };
    if all.iter().any(|one| one.fit != Fit::No) {
        all.retain(|one| one.fit != Fit::No);
    }
    let hints = hints(question, &registers, &all);
    RegisterProbe {
        schema_version: 1,
        read_at,
        endpoint: question.whom.endpoint.clone(),
        unit_id: question.whom.unit_id,
        table: question.table.name(),
        address: question.address,
        readings: readings.len().try_into().unwrap_or(u32::MAX),
        line_toml: lines_for(question, &all),
        registers,
        interpretations: all,
        hints,
        identity,
        measured,
    }
}

fn found_registers(table: Table, start: u16, readings: &[Vec<Option<u16>>]) -> Vec<FoundRegister> {
    let last = readings.last().map_or(&[][..], Vec::as_slice);
    (0..)
        .zip(last)
        .map(|(place, word)| {
            let over_time = || {
                readings.iter().filter_map(move |reading| reading.get(usize::from(place)).copied().flatten())
            };
            let address = start + place;
            FoundRegister {
                address,
                number: table.printed_number(address),
                word: *word,
                lowest: over_time().min(),
                highest: over_time().max(),
            }
        })
        .collect()
}

fn hints(question: &Question, registers: &[FoundRegister], all: &[Interpretation]) -> Vec<String> {
    let mut hints = Vec::new();
    let at = |address: u16| registers.iter().find(|register| register.address == address);
    if at(question.address).is_some_and(|register| register.word.is_none()) {
        hints.push(format!(
            "the controller has no {} {}: it answers exception 02 or 03 there; compare with its register list",
            question.table, question.address
        ));
        if (30_001..50_000).contains(&question.address) {
            hints.push(format!("if {0} is what a drawing prints, say --number {0}", question.address));
        }
    }
    let panel = |one: &&Interpretation| matches!(one.fit, Fit::MatchesPanel | Fit::NearPanel);
    let here = all.iter().filter(panel).find(|one| one.offset == 0);
    let beside = all.iter().filter(panel).find(|one| one.offset != 0);
    match (here, beside) {
        (None, Some(beside)) => hints.push(off_by(question, beside)),
        (Some(here), Some(beside)) if here.fit == beside.fit => hints.push(format!(
            "register {} fits as well ({} {}): wait until the value moves, and probe again with --display",
            beside.address, beside.encoding, beside.order
        )),
        (Some(_), Some(_) | None) => {}
        (None, None) if question.display.is_some() => hints.push(
            "nothing here gives what the panel shows: check unit id, table (--table input?) and address; or the panel \
             shows another unit than the register"
                .to_owned(),
        ),
        (None, None) => hints.push(
            "a range alone proves little: read the value off the panel and give it with --display".to_owned(),
        ),
    }
    hints.extend(moving_half(question, registers));
    hints
}

/// What a match beside the address says of the list.
fn off_by(question: &Question, beside: &Interpretation) -> String {
    let Interpretation { address, offset, .. } = *beside;
    let number = question.table.printed_number(address);
    let how = match offset {
        -1 => "off by one: the list most likely counts registers from 1, and 0-based addresses are one less",
        1 => "off by one: the list most likely gives 0-based addresses of a device that counts them from 1",
        _ => "the list is most likely of another version of the program in the controller",
    };
    format!(
        "the panel's value stands at {address} (on drawings {number}), not at {}: {how}. Probe a second signal before you \
         move them all",
        question.address
    )
}

/// Of a number in two registers the low one moves first.
fn moving_half(question: &Question, registers: &[FoundRegister]) -> Option<String> {
    let at = |address: u16| registers.iter().find(|register| register.address == address);
    let first = at(question.address)?;
    let second = at(question.address.checked_add(1)?)?;
    let both_there = first.word.is_some() && second.word.is_some() && !question.table.is_bits();
    match (both_there, first.has_moved(), second.has_moved()) {
        (true, false, true) => Some(format!(
            "{} rests and {} moves: if they are one number, {} is its low word (ABCD)",
            first.address, second.address, second.address
        )),
        (true, true, false) => Some(format!(
            "{} moves and {} rests: a number of 16 bits, or one of 32 with its low word first (CDAB)",
            first.address, second.address
        )),
        (_, _, _) => None,
    }
}

/// What to write into line.toml.
fn lines_for(question: &Question, all: &[Interpretation]) -> String {
    // What is not what the panel shows is nothing to copy.
    let is_told = |fit: Fit| match fit {
        Fit::MatchesPanel | Fit::NearPanel => true,
        Fit::InRange => question.display.is_none(),
        Fit::No => false,
    };
    let Some(best) = all.first().filter(|one| is_told(one.fit)) else { return String::new() };
    let mut out = String::new();
    // Writing to a string can't fail.
    let _infallible = write_lines(&mut out, question, best);
    out
}

fn write_lines(out: &mut String, question: &Question, best: &Interpretation) -> fmt::Result {
    let unit = question.range.map_or(Unit::One, |(_, _, unit)| unit);
    writeln!(out, "[[signal]]")?;
    writeln!(out, "tag = \"...\"                # fill in: ISA-5.1 tag, name, station, controller, role")?;
    writeln!(out, "{} = {}", question.table.name(), best.address)?;
    writeln!(out, "encoding = \"{}\"", best.encoding)?;
    if best.needs_order() {
        writeln!(out, "order = \"{}\"", best.order)?;
    }
    if best.scale != 1.0 {
        writeln!(out, "scale = {}", best.scale)?;
    }
    if best.zero != 0.0 {
        writeln!(out, "offset = {}", best.zero)?;
    }
    writeln!(out, "unit = \"{unit}\"")?;
    match question.range {
        Some((low, high, Unit::One)) => writeln!(out, "range = [{}, {}]", short(low), short(high)),
        Some((low, high, unit)) => {
            writeln!(out, "range = [\"{} {unit}\", \"{} {unit}\"]", short(low), short(high))
        }
        None => writeln!(
            out,
            "range = [...]              # fill in: give --range, and values are weighed against it"
        ),
    }
}

impl RegisterProbe {
    /// The whole as text.
    #[must_use]
    pub fn text(&self) -> String {
        let mut out = String::new();
        // Writing to a string can't fail.
        let _infallible = self.write(&mut out);
        out
    }

    fn write(&self, out: &mut String) -> fmt::Result {
        writeln!(
            out,
            "{} {} of {}, unit {}, read {} times, {}",
            self.table, self.address, self.endpoint, self.unit_id, self.readings, self.read_at
        )?;
        writeln!(out, "Nothing was written. At most {FASTEST_PER_S} requests a second, one at a time.\n")?;
        for register in &self.registers {
            let mark = if register.address == self.address { ">" } else { " " };
            match (register.word, register.lowest, register.highest) {
                (Some(word), Some(lowest), Some(highest)) if lowest != highest => {
                    writeln!(
                        out,
                        " {mark} {:>5} [{}]  {word:>5}  {word:04X}  moved, {lowest} to {highest}",
                        register.address, register.number
                    )?;
                }
                (Some(word), _, _) => {
                    writeln!(
                        out,
                        " {mark} {:>5} [{}]  {word:>5}  {word:04X}",
                        register.address, register.number
                    )?;
                }
                (None, _, _) => {
                    writeln!(out, " {mark} {:>5} [{}]  not there", register.address, register.number)?
                }
            }
        }
        self.write_interpretations(out)?;
        writeln!(out)?;
        self.hints.iter().try_for_each(|hint| writeln!(out, "  - {hint}"))?;
        if !self.line_toml.is_empty() {
            write!(out, "\nFor line.toml, by the first of them:\n\n{}", self.line_toml)?;
        }
        self.write_end(out)
    }

    fn write_interpretations(&self, out: &mut String) -> fmt::Result {
        let fits = self.interpretations.iter().any(|one| one.fit != Fit::No);
        let title =
            if fits { "What it can mean, best first:" } else { "Nothing fits; some of what it can mean:" };
        if !self.interpretations.is_empty() {
            writeln!(out, "\n{title}\n  address  type  order  scale       value         fits")?;
        }
        for one in self.interpretations.iter().take(SHOWN) {
            let same = one.same_as.map_or_else(String::new, |other| format!("; {other} reads the same now"));
            let zero = if one.zero == 0.0 { String::new() } else { format!(", offset {}", short(one.zero)) };
            writeln!(
                out,
                "  {:>7}  {:<5} {:<5}  {:<10}  {:<12}  {}{same}{zero}",
                one.address,
                one.encoding,
                one.order,
                short(one.scale),
                short(one.value),
                one.fit.words()
            )?;
        }
        let more = self.interpretations.len().saturating_sub(SHOWN);
        if more > 0 { writeln!(out, "  and {more} more with --json") } else { Ok(()) }
    }

    fn write_end(&self, out: &mut String) -> fmt::Result {
        match &self.identity {
            Some(Ok(found)) => {
                writeln!(out, "\nIt says it is:")?;
                found.iter().try_for_each(|object| writeln!(out, "  {}: {}", object.name(), object.text))?;
            }
            Some(Err(why)) => writeln!(out, "\nIt does not say what it is: {why}")?,
            None => {}
        }
        writeln!(out, "\n{}", self.measured)
    }
}

impl fmt::Display for Measured {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let ms = |found: Option<f64>| found.map_or_else(|| "-".to_owned(), |ms| format!("{ms:.1} ms"));
        write!(
            f,
            "{} requests, {} without an answer; reply {} in the middle, {} at most; shortest rest kept {}",
            self.requests,
            self.without_answer,
            ms(self.reply_median_ms),
            ms(self.reply_longest_ms),
            ms(self.shortest_rest_ms)
        )
    }
}
