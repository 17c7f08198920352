//! Whether a block of registers says the same as single reads of its signals. Pure.
//!
//! Some controllers answer a block that spans addresses they do not have, and leave those out: all that follows is
//! shifted, without an error. Values move between two reads, so each was read several times, and the two agree when what
//! was seen of them overlaps.

use serde::Serialize;
use setward_protocol::{Place, Signal};

/// The largest shift that is looked for, registers.
const LARGEST_SHIFT: i32 = 125;
/// Counts by which a value may differ beyond what was seen to move.
const SLACK_COUNTS: f64 = 2.0;
/// The same for floats, as a share of the range.
const SLACK_SHARE: f64 = 0.002;

/// A signal of the block with its single reads.
#[derive(Debug, Clone)]
pub struct Single<'a> {
    /// How its words decode.
    pub wire: &'a Signal,
    /// Its words, one entry a round; what failed is left out.
    pub words: Vec<Vec<u16>>,
}

/// What a block shows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "verdict")]
pub enum BlockVerdict {
    /// It agrees with every single read.
    Agrees {
        /// Of so many signals another place of the block would have said something else: they prove it.
        proven_by: usize,
    },
    /// From an address on, words stand elsewhere.
    Shifted {
        /// First address whose word is elsewhere, 0-based.
        from: u16,
        /// By how many addresses: -6 means that what belongs to 110 stands at 104.
        by: i32,
        /// The stretch declared readable in front of it that the controller leaves out, if there is one.
        hole: Option<(u16, u16)>,
    },
    /// Words differ, and not by a shift.
    Differs {
        /// First address whose word is another.
        from: u16,
    },
}

/// Compares the block that begins at `start`, read several times, with single reads of its signals. `holes` are the
/// addresses that it crosses.
#[must_use]
pub fn compare(
    start: u16,
    blocks: &[Vec<u16>],
    singles: &[Single<'_>],
    holes: &[(u16, u16)],
) -> Option<BlockVerdict> {
    if blocks.is_empty() {
        return None;
    }
    let mut known: Vec<&Single<'_>> = singles.iter().filter(|single| !single.words.is_empty()).collect();
    known.sort_by_key(|single| single.wire.address);
    let at = |single: &Single<'_>, shift: i32| {
        agrees(single, &words_at(start, blocks, single.wire.place(), shift))
    };
    let wrong: Vec<&Single<'_>> = known.iter().copied().filter(|single| !at(single, 0)).collect();
    let Some(first) = wrong.first() else {
        let beside = |single: &&&Single<'_>| !at(single, 1) || !at(single, -1);
        return Some(BlockVerdict::Agrees { proven_by: known.iter().filter(beside).count() });
    };
    // Behind the first hole all is shifted by the same; behind a second one by more.
    let hole = holes.iter().rev().find(|(_, last)| *last < first.wire.address).copied();
    let until = holes.iter().find(|(next, _)| *next > first.wire.address).map(|(next, _)| *next);
    let together: Vec<&Single<'_>> = wrong
        .iter()
        .copied()
        .filter(|single| until.is_none_or(|until| single.wire.address < until))
        .collect();
    let shift = (1..=LARGEST_SHIFT)
        .flat_map(|size| [-size, size])
        .find(|shift| together.iter().all(|single| at(single, *shift)));
    let from = first.wire.address;
    Some(match shift {
        Some(by) => BlockVerdict::Shifted { from, by, hole },
        None => BlockVerdict::Differs { from },
    })
}

/// The words `shift` addresses from where `place` is, in each reading of the block.
fn words_at(start: u16, blocks: &[Vec<u16>], place: Place, shift: i32) -> Vec<Vec<u16>> {
    let first = i32::from(place.address) - i32::from(start) + shift;
    let Ok(first) = usize::try_from(first) else { return Vec::new() };
    let own = |block: &Vec<u16>| block.get(first..first + usize::from(place.words)).map(<[u16]>::to_vec);
    blocks.iter().filter_map(own).collect()
}

/// Whether what was seen here and there overlaps.
fn agrees(single: &Single<'_>, there: &[Vec<u16>]) -> bool {
    if there.is_empty() {
        return false;
    }
    if single.words.iter().any(|words| there.contains(words)) {
        return true;
    }
    let wire = single.wire;
    let spread = |words: &[Vec<u16>]| {
        let raws = words.iter().map(|words| wire.raw(words).map(setward_protocol::Raw::as_f64));
        let raws: Option<Vec<f64>> = raws.map(|raw| raw.filter(|raw| raw.is_finite())).collect();
        let raws = raws?;
        let low = raws.iter().copied().reduce(f64::min)?;
        Some((low, raws.iter().copied().reduce(f64::max)?))
    };
    // Bits and codes do not move by a little.
    if wire.table.is_bits() || matches!(wire.encoding, setward_protocol::Encoding::Bit(_)) {
        return false;
    }
    let (Some((low, high)), Some((there_low, there_high))) = (spread(&single.words), spread(there)) else {
        return false;
    };
    let is_float = matches!(wire.encoding, setward_protocol::Encoding::F32 | setward_protocol::Encoding::F64);
    let (range_low, range_high) = wire.range;
    let slack =
        if is_float { SLACK_SHARE * (range_high - range_low) / wire.scale.abs() } else { SLACK_COUNTS };
    let moved = (high - low) + (there_high - there_low);
    low - moved - slack <= there_high && there_low <= high + moved + slack
}

#[cfg(test)]
mod tests {
    use super::*;
    use setward_protocol::{ByteOrder, Encoding, Table};

    fn wire(address: u16) -> Signal {
        Signal {
            table: Table::Holding,
            address,
            encoding: Encoding::I16,
            order: ByteOrder::Abcd,
            scale: 0.1,
            offset: 0.0,
            range: (0.0, 250.0),
            no_value: Vec::new(),
        }
    }

    /// Signals at 100, 101, 110 and 111; 102 to 109 are crossed.
    fn verdict(block: &[u16], singles: &[(u16, u16)], holes: &[(u16, u16)]) -> BlockVerdict {
        let wires: Vec<Signal> = singles.iter().map(|(address, _)| wire(*address)).collect();
        let singles: Vec<Single<'_>> = wires
            .iter()
            .zip(singles)
            .map(|(wire, (_, word))| Single { wire, words: vec![vec![*word]] })
            .collect();
        compare(100, &[block.to_vec()], &singles, holes).unwrap()
    }

    #[test]
    fn a_block_that_agrees_says_how_many_signals_prove_it() {
        let block = [1820, 1750, 0, 0, 0, 0, 0, 0, 0, 0, 900, 900];
        let singles = [(100, 1820), (101, 1751), (110, 900), (111, 900)];
        assert_eq!(verdict(&block, &singles, &[(102, 109)]), BlockVerdict::Agrees { proven_by: 4 });
        let same = [7; 12];
        let singles = [(100, 7), (101, 7), (110, 7)];
        // The first one has no neighbour before it, where a shift would end.
        assert_eq!(verdict(&same, &singles, &[(102, 109)]), BlockVerdict::Agrees { proven_by: 1 });
    }

    #[test]
    fn a_hole_that_is_left_out_shifts_what_follows() {
        let block = [1820, 1750, 900, 450, 1, 2, 3, 4, 5, 6, 7, 8];
        let singles = [(100, 1820), (101, 1750), (110, 900), (111, 450)];
        let expected = BlockVerdict::Shifted { from: 110, by: -8, hole: Some((102, 109)) };
        assert_eq!(verdict(&block, &singles, &[(102, 109)]), expected);
    }

    #[test]
    fn two_holes_that_are_left_out_are_told_by_the_first() {
        let block = [1820, 1750, 900, 450, 300, 0, 0, 0, 0];
        let singles = [(100, 1820), (101, 1750), (104, 900), (105, 450), (108, 300)];
        let expected = BlockVerdict::Shifted { from: 104, by: -2, hole: Some((102, 103)) };
        assert_eq!(verdict(&block, &singles, &[(102, 103), (106, 107)]), expected);
    }

    #[test]
    fn a_word_that_is_nowhere_is_no_shift() {
        let singles = [(100, 1820), (101, 1750), (102, 5000)];
        assert_eq!(verdict(&[1820, 1750, 9], &singles, &[]), BlockVerdict::Differs { from: 102 });
    }

    #[test]
    fn a_value_that_moves_is_no_shift() {
        let wire = wire(100);
        let single = Single { wire: &wire, words: vec![vec![1800], vec![1806], vec![1812]] };
        let blocks = [vec![1797], vec![1803], vec![1809]];
        assert!(matches!(compare(100, &blocks, &[single], &[]), Some(BlockVerdict::Agrees { .. })));
    }

    proptest::proptest! {
        #[test]
        fn no_words_make_it_panic(
            start: u16, block in proptest::collection::vec(0_u16.., 0..40),
            places in proptest::collection::vec((0_u16.., 0_u16..), 0..6),
            holes in proptest::collection::vec((0_u16.., 0_u16..), 0..3),
        ) {
            let wires: Vec<Signal> = places.iter().map(|(address, _)| wire(*address)).collect();
            let singles: Vec<Single<'_>> = wires
                .iter()
                .zip(&places)
                .map(|(wire, (_, word))| Single { wire, words: vec![vec![*word]] })
                .collect();
            let _any = compare(start, &[block], &singles, &holes);
        }
    }
}
