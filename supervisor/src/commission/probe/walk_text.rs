//! A walk in words: a report to date, keep and hand over.

use super::asker::FASTEST_PER_S;
use super::blocks::BlockVerdict;
use super::maps::MapProbe;
use super::walk::{BlockProbe, ControllerProbe, LineProbe, SignalProbe, Standing};
use crate::commission::written::short;
use std::fmt::{self, Write as _};

impl LineProbe {
    /// The whole as text.
    #[must_use]
    pub fn text(&self) -> String {
        let mut out = String::new();
        // Writing to a string can't fail.
        let _infallible = self.write(&mut out);
        out
    }

    fn write(&self, out: &mut String) -> fmt::Result {
        writeln!(out, "Probe of {}, {}, {}", self.line, self.plant, self.began)?;
        if self.simulated {
            writeln!(out, "SIMULATED: site.toml says that a simulator answers here, not the plant")?;
        }
        writeln!(
            out,
            "Nothing was written. One controller at a time, one request at a time, at most {FASTEST_PER_S} a second; \
             everything {} times.",
            self.rounds
        )?;
        writeln!(
            out,
            "Setward {}, configuration SHA-256 {}",
            self.setward_version, self.configuration_sha256
        )?;
        let all = || self.controllers.iter().flat_map(|controller| &controller.signals);
        let count = |standing: Standing| all().filter(|signal| signal.standing == standing).count();
        writeln!(
            out,
            "{} signals: {} as the panel shows, {} near it, {} in range, {} without a value, {} suspect, {} not read",
            all().count(),
            count(Standing::MatchesPanel),
            count(Standing::NearPanel),
            count(Standing::InRange),
            count(Standing::NoValue),
            count(Standing::Suspect),
            count(Standing::NotRead)
        )?;
        if count(Standing::InRange) > 0 {
            writeln!(
                out,
                "In range is no proof: a neighbour's temperature is in range too. Read values off the panels and give them \
                 with --panel."
            )?;
        }
        self.controllers.iter().try_for_each(|controller| write_controller(out, controller))?;
        self.write_maps(out)
    }

    /// Codes and modes: whether they are so, people at the station must say.
    fn write_maps(&self, out: &mut String) -> fmt::Result {
        if !self.maps.is_empty() {
            writeln!(out, "\nWhat words say now. Compare each with its panel:")?;
            self.maps.iter().try_for_each(|map| write_map(out, map))?;
        }
        if !self.modes.is_empty() {
            writeln!(
                out,
                "\nWhat stations would be doing by their rules. Ask the people there whether it is so:"
            )?;
        }
        self.modes.iter().try_for_each(|one| {
            let mode = one.mode.unwrap_or("can't be told: what its rules look at was not read");
            writeln!(out, "  {:<14} {mode}", one.station)
        })
    }
}

fn write_map(out: &mut String, map: &MapProbe) -> fmt::Result {
    match &map.means {
        Some(means) => writeln!(out, "  {:<14} {} {}: {means}", map.tag, map.what, map.says),
        None => writeln!(
            out,
            "  {:<14} {} {}: SUSPECT, the files give it no meaning; known are {}",
            map.tag, map.what, map.says, map.known
        ),
    }
}

fn write_controller(out: &mut String, probe: &ControllerProbe) -> fmt::Result {
    writeln!(out, "\n{} at {}, unit {}", probe.controller, probe.endpoint, probe.unit_id)?;
    writeln!(out, "  {}", probe.measured)?;
    if let Some(why) = &probe.unreachable {
        writeln!(out, "  CAN'T BE ASKED: {why}")?;
    }
    match &probe.identity {
        Some(Ok(found)) => {
            found.iter().try_for_each(|object| writeln!(out, "  {}: {}", object.name(), object.text))?;
        }
        Some(Err(why)) => writeln!(out, "  does not say what it is: {why}")?,
        None => {}
    }
    probe.blocks.iter().try_for_each(|block| write_block(out, block))?;
    if let Some(pattern) = &probe.pattern {
        writeln!(out, "  PATTERN: {pattern}")?;
    }
    let mut signals: Vec<&SignalProbe> = probe.signals.iter().collect();
    // What needs a hand first.
    signals.sort_by_key(|signal| (std::cmp::Reverse(signal.standing), signal.table, signal.address));
    signals.into_iter().try_for_each(|signal| write_signal(out, signal))
}

fn write_block(out: &mut String, block: &BlockProbe) -> fmt::Result {
    let last = u32::from(block.start) + u32::from(block.count) - 1;
    write!(out, "  block {} {} to {last}: ", block.table, block.start)?;
    if let Some(why) = &block.refused {
        return writeln!(
            out,
            "REFUSED as a block, though its signals answer one by one: {why}. An address it crosses is not there: take it \
             out of `readable` in line.toml"
        );
    }
    match &block.compared {
        None if block.signals > 1 => writeln!(out, "not compared with single reads: there are none"),
        None => writeln!(out, "one signal"),
        Some(BlockVerdict::Agrees { proven_by: 0 }) => {
            writeln!(out, "as its single reads, but all its words are alike: a shift would not show now")
        }
        Some(BlockVerdict::Agrees { proven_by }) => {
            writeln!(out, "as its {} single reads; {proven_by} of them would show a shift", block.signals)
        }
        Some(BlockVerdict::Shifted { from, by, hole }) => write_shift(out, block.table, *from, *by, *hole),
        Some(BlockVerdict::Differs { from }) => writeln!(
            out,
            "DIFFERS from single reads from {from} on, and not by a shift: read it with max_registers = 1, or ask the supplier"
        ),
    }
}

fn write_shift(out: &mut String, table: &str, from: u16, by: i32, hole: Option<(u16, u16)>) -> fmt::Result {
    let there = i32::from(from) + by;
    write!(out, "SHIFTED by {by:+} from {from} on (what belongs to {from} stands at {there}): ")?;
    match hole {
        Some((first, last)) => writeln!(
            out,
            "the controller leaves out {first} to {last} instead of answering them; take {{ {table} = [{first}, {last}] }} out \
             of `readable` in line.toml"
        ),
        None => writeln!(
            out,
            "the controller answers other addresses in a block than one by one; lower max_registers"
        ),
    }
}

fn write_signal(out: &mut String, signal: &SignalProbe) -> fmt::Result {
    let mark = match signal.standing {
        Standing::MatchesPanel => "panel",
        Standing::NearPanel => "near",
        Standing::InRange => "range",
        Standing::NoValue => "no value",
        Standing::Suspect => "SUSPECT",
        Standing::NotRead => "NOT READ",
    };
    let value = signal.value.map_or_else(|| "-".to_owned(), short);
    let panel = signal.panel.map_or_else(String::new, |panel| format!(", panel {}", short(panel)));
    let moved = if signal.moved { ", moves" } else { "" };
    writeln!(
        out,
        "  {mark:<8}  {:<14} {} {:<5}  {:<19}  {value} {}{panel}{moved}",
        signal.tag, signal.table, signal.address, signal.words_hex, signal.unit
    )?;
    if matches!(signal.standing, Standing::Suspect | Standing::NotRead) {
        let (low, high) = signal.range;
        writeln!(out, "            {} ({} to {} {})", signal.why, short(low), short(high), signal.unit)?;
    }
    for one in signal.explanations.iter().take(4) {
        writeln!(
            out,
            "            looks like {}: with {} it is {} {}, {}",
            one.mistake.words(),
            one.write,
            short(one.value),
            signal.unit,
            one.fit.words()
        )?;
    }
    Ok(())
}
