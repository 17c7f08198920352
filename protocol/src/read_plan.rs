//! The fewest requests that fetch a set of places.
//!
//! A request never spans an address that no signal occupies and no file declared readable: an undeclared hole may make
//! a controller refuse the whole block, or shift what follows it. A value of several registers is never split.
//!
//! Places are taken from the lowest address up, each request starting at the first one not yet covered and taking all
//! that fit. For places on a line and requests of bounded length that greedy choice is the minimum.

use crate::registers::{RegisterSpan, Table};
use crate::signal::Place;
use alloc::vec::Vec;

/// What one request may ask for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReadLimits {
    /// Most registers a request; the standard's limit is 125.
    pub registers: u16,
    /// Most bits a request; the standard's limit is 2000.
    pub bits: u16,
}

impl ReadLimits {
    /// The limits of the Modbus standard.
    pub const STANDARD: Self = Self { registers: 125, bits: 2000 };
}

/// One read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct ReadRequest {
    /// Which table.
    pub table: Table,
    /// First address, 0-based.
    pub start: u16,
    /// How many registers or bits.
    pub count: u16,
}

impl ReadRequest {
    /// Whether the request fetches all of `place`.
    #[must_use]
    pub fn covers(&self, place: Place) -> bool {
        let end = u32::from(self.start) + u32::from(self.count);
        self.table == place.table
            && self.start <= place.address
            && u32::from(place.address) + u32::from(place.words) <= end
    }
}

/// The fewest requests that fetch all `places`, within `limits`, crossing only addresses that are occupied by a place or
/// lie in `readable`. A place longer than the limit gets a request of its own, which the controller will refuse: the
/// file check refuses such limits first.
#[must_use]
pub fn plan_reads(places: &[Place], readable: &[RegisterSpan], limits: ReadLimits) -> Vec<ReadRequest> {
    let mut places = places.to_vec();
    places.sort_by_key(|place| (place.table, place.address, place.words));
    let mut plan: Vec<ReadRequest> = Vec::new();
    for place in places {
        match plan.last_mut() {
            Some(request) if request.covers(place) => {}
            Some(request) if can_extend(request, place, readable, limits) => {
                request.count = place.address - request.start + place.words;
            }
            Some(_) | None => {
                plan.push(ReadRequest { table: place.table, start: place.address, count: place.words });
            }
        }
    }
    plan
}

fn can_extend(request: &ReadRequest, place: Place, readable: &[RegisterSpan], limits: ReadLimits) -> bool {
    let limit = if place.table.is_bits() { limits.bits } else { limits.registers };
    let request_end = u32::from(request.start) + u32::from(request.count);
    let place_end = u32::from(place.address) + u32::from(place.words);
    request.table == place.table
        && place_end.max(request_end) - u32::from(request.start) <= u32::from(limit)
        && place_end <= 0x1_0000
        && (request_end..u32::from(place.address)).all(|address| is_readable(place.table, address, readable))
}

fn is_readable(table: Table, address: u32, readable: &[RegisterSpan]) -> bool {
    readable.iter().any(|span| {
        span.table == table && u32::from(span.first) <= address && address <= u32::from(span.last)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::vec;
    use proptest::prelude::*;

    fn holding(address: u16, words: u16) -> Place {
        Place { table: Table::Holding, address, words }
    }

    fn read(start: u16, count: u16) -> ReadRequest {
        ReadRequest { table: Table::Holding, start, count }
    }

    fn check(places: &[Place], readable: &[(u16, u16)], registers: u16, expected: &[ReadRequest]) {
        let readable: Vec<RegisterSpan> = readable
            .iter()
            .map(|&(first, last)| RegisterSpan { table: Table::Holding, first, last })
            .collect();
        assert_eq!(plan_reads(places, &readable, ReadLimits { registers, bits: 2000 }), expected);
    }

    #[test]
    fn neighbours_share_a_request() {
        check(&[holding(1, 1), holding(0, 1), holding(2, 2)], &[], 125, &[read(0, 4)]);
    }

    #[test]
    fn an_undeclared_hole_is_never_crossed() {
        check(&[holding(0, 1), holding(2, 1)], &[], 125, &[read(0, 1), read(2, 1)]);
        check(&[holding(0, 1), holding(2, 1)], &[(1, 1)], 125, &[read(0, 3)]);
        check(&[holding(0, 1), holding(3, 1)], &[(1, 1)], 125, &[read(0, 1), read(3, 1)]);
    }

    #[test]
    fn what_is_readable_in_another_table_bridges_no_hole() {
        let inputs = [RegisterSpan { table: Table::Input, first: 0, last: 9 }];
        let plan =
            plan_reads(&[holding(0, 1), holding(2, 1)], &inputs, ReadLimits { registers: 125, bits: 2000 });
        assert_eq!(plan, [read(0, 1), read(2, 1)]);
    }

    #[test]
    fn a_request_covers_what_lies_wholly_in_it_and_in_its_table() {
        assert!(read(10, 3).covers(holding(10, 3)) && read(10, 3).covers(holding(12, 1)));
        assert!(!read(10, 3).covers(holding(9, 2)) && !read(10, 3).covers(holding(12, 2)));
        assert!(!read(10, 3).covers(Place { table: Table::Input, address: 10, words: 1 }));
    }

    #[test]
    fn a_long_value_is_never_split() {
        check(&[holding(0, 1), holding(1, 1), holding(2, 2)], &[], 3, &[read(0, 2), read(2, 2)]);
    }

    #[test]
    fn the_last_address_can_be_read() {
        check(&[holding(65_535, 1), holding(65_534, 1)], &[], 125, &[read(65_534, 2)]);
    }

    /// The file check refuses a value that reaches past the last address; here it must only not overflow.
    #[test]
    fn a_value_past_the_last_address_shares_no_request() {
        check(&[holding(65_534, 1), holding(65_535, 4)], &[], 125, &[read(65_534, 1), read(65_535, 4)]);
        assert!(!read(65_534, 2).covers(holding(65_535, 2)));
        check(&[holding(0, 1), holding(65_535, 1)], &[(0, 65_535)], 125, &[read(0, 1), read(65_535, 1)]);
    }

    #[test]
    fn the_standards_longest_requests_are_used_whole() {
        let all: Vec<Place> = (0..250).map(|address| holding(address, 1)).collect();
        check(&all, &[], 125, &[read(0, 125), read(125, 125)]);
        let coils = (0..2001).map(|address| Place { table: Table::Coil, address, words: 1 });
        let plan = plan_reads(&coils.collect::<Vec<_>>(), &[], ReadLimits::STANDARD);
        let coil = |start, count| ReadRequest { table: Table::Coil, start, count };
        assert_eq!(plan, vec![coil(0, 2000), coil(2000, 1)]);
    }

    #[test]
    fn bits_of_one_word_and_doubled_places_cost_one_request() {
        check(&[holding(5, 1), holding(5, 1), holding(5, 2)], &[], 125, &[read(5, 2)]);
    }

    #[test]
    fn nothing_to_read_is_no_request() {
        check(&[], &[(0, 100)], 125, &[]);
    }

    #[test]
    fn tables_are_asked_for_apart() {
        let coil = Place { table: Table::Coil, address: 1, words: 1 };
        let plan = plan_reads(&[holding(0, 1), coil], &[], ReadLimits::STANDARD);
        assert_eq!(plan, vec![ReadRequest { table: Table::Coil, start: 1, count: 1 }, read(0, 1)]);
    }

    /// The least number of requests by trying every way to cut the sorted list into runs.
    fn fewest_by_trial(places: &[Place], readable: &[RegisterSpan], limit: u16) -> usize {
        let mut sorted = places.to_vec();
        sorted.sort_by_key(|place| (place.address, place.words));
        let mut fewest = vec![0_usize; sorted.len() + 1];
        for end in 1..=sorted.len() {
            fewest[end] = (0..end)
                .filter(|&first| one_request_does(&sorted[first..end], readable, limit))
                .map(|first| fewest[first] + 1)
                .min()
                .unwrap();
        }
        fewest[sorted.len()]
    }

    fn one_request_does(run: &[Place], readable: &[RegisterSpan], limit: u16) -> bool {
        let start = run[0].address;
        let end = run.iter().map(|place| place.address + place.words).max().unwrap();
        let occupied =
            |address| run.iter().any(|place| (place.address..place.address + place.words).contains(&address));
        run.len() == 1
            || (end - start <= limit
                && (start..end).all(|address| {
                    occupied(address) || is_readable(Table::Holding, u32::from(address), readable)
                }))
    }

    proptest! {
        #[test]
        fn the_plan_covers_all_places_with_the_fewest_requests(
            spots in proptest::collection::vec((0_u16..60, 1_u16..5), 1..12),
            gaps in proptest::collection::vec((0_u16..60, 0_u16..6), 0..4),
            limit in 4_u16..20,
        ) {
            let places: Vec<Place> = spots.iter().map(|&(address, words)| holding(address, words)).collect();
            let readable: Vec<RegisterSpan> = gaps
                .iter()
                .map(|&(first, more)| RegisterSpan { table: Table::Holding, first, last: first + more })
                .collect();
            let plan = plan_reads(&places, &readable, ReadLimits { registers: limit, bits: 2000 });
            for place in &places {
                prop_assert!(plan.iter().any(|request| request.covers(*place)));
            }
            for request in &plan {
                prop_assert!(request.count <= limit);
                for address in request.start..request.start + request.count {
                    let occupied = places
                        .iter()
                        .any(|place| (place.address..place.address + place.words).contains(&address));
                    prop_assert!(occupied || is_readable(Table::Holding, u32::from(address), &readable));
                }
            }
            prop_assert!(plan.len() <= fewest_by_trial(&places, &readable, limit));
        }
    }
}
