//! Addresses without a signal: those that a request crosses, and those that keep two requests apart.

use super::{Gap, Hole, data_bytes};
use crate::poll::plan::{Block, UnitPlan};
use setward_protocol::{Place, RegisterSpan, Table, plan_reads};
use std::sync::Arc;

/// Addresses that would join two requests if the controller answers them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Undeclared {
    table: Table,
    first: u16,
    last: u16,
}

impl Undeclared {
    /// As an entry of `readable`.
    pub(super) fn as_toml(&self) -> String {
        format!("{{ {} = [{}, {}] }}", self.table.name(), self.first, self.last)
    }

    /// With its price, if a request costs so many ms.
    pub(super) fn as_gap(self, costs_ms: f64) -> Gap {
        let Self { table, first, last } = self;
        let would_add_bytes = data_bytes(table, last - first + 1);
        Gap { table: table.name(), first, last, costs_ms, would_add_bytes }
    }
}

/// The addresses of a request that hold no signal of it.
pub(super) fn crossed(block: &Block) -> Vec<Hole> {
    let places = block.signals.iter().map(|(_, place)| *place);
    let hole = |(first, last): (u16, u16)| Hole {
        first,
        last,
        reply_bytes: data_bytes(block.request.table, last - first + 1),
    };
    holes(places.collect()).into_iter().map(hole).collect()
}

/// First and last address of each stretch between places of one table.
fn holes(mut places: Vec<Place>) -> Vec<(u16, u16)> {
    places.sort_by_key(|place| place.address);
    let mut found = Vec::new();
    let mut end: Option<u32> = None;
    for place in places {
        let address = u32::from(place.address);
        if let Some(end) = end.filter(|end| *end < address)
            && let (Ok(first), Ok(last)) = (u16::try_from(end), u16::try_from(address - 1))
        {
            found.push((first, last));
        }
        end = Some(end.unwrap_or(0).max(address + u32::from(place.words)));
    }
    found
}

/// All places of a scan.
fn places_of(blocks: &[Arc<Block>]) -> Vec<Place> {
    blocks.iter().flat_map(|block| &block.signals).map(|(_, place)| *place).collect()
}

/// Every gap between places, declared or not, as readable.
fn everything_readable(places: &[Place]) -> Vec<RegisterSpan> {
    let tables = [Table::Coil, Table::Discrete, Table::Holding, Table::Input];
    let of_table = |table: Table| {
        let own = places.iter().copied().filter(|place| place.table == table).collect();
        holes(own).into_iter().map(move |(first, last)| RegisterSpan { table, first, last })
    };
    tables.into_iter().flat_map(of_table).collect()
}

/// How many requests would do if the controller answered every gap.
pub(super) fn savings(blocks: &[Arc<Block>], unit: &UnitPlan) -> usize {
    let places = places_of(blocks);
    plan_reads(&places, &everything_readable(&places), unit.limits).len()
}

/// The gaps that would have to be declared for that, and no others.
pub(super) fn to_declare(blocks: &[Arc<Block>], unit: &UnitPlan) -> Vec<Undeclared> {
    let places = places_of(blocks);
    let everything = everything_readable(&places);
    let best = plan_reads(&places, &everything, unit.limits);
    if best.len() >= blocks.len() {
        return Vec::new();
    }
    let is_declared = |table: Table, address: u16| {
        unit.readable.iter().any(|span| span.table == table && (span.first..=span.last).contains(&address))
    };
    let mut found = Vec::new();
    for span in everything {
        let inside = best.iter().any(|request| {
            let end = u32::from(request.start) + u32::from(request.count);
            request.table == span.table && request.start < span.first && u32::from(span.last) < end
        });
        // A gap that is declared in part still needs the rest.
        let mut open: Option<(u16, u16)> = None;
        for address in (span.first..=span.last).filter(|_| inside) {
            open = match (open, is_declared(span.table, address)) {
                (None, false) => Some((address, address)),
                (Some((first, _)), false) => Some((first, address)),
                (Some((first, last)), true) => {
                    found.push(Undeclared { table: span.table, first, last });
                    None
                }
                (None, true) => None,
            };
        }
        found.extend(open.map(|(first, last)| Undeclared { table: span.table, first, last }));
    }
    found
}
