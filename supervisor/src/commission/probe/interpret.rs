//! Every way to read some words as a number, ranked by what a panel shows and by the range. Pure.
//!
//! A value that a person reads off the panel decides: few of the hundred ways give the same digits. A range alone only
//! weeds out: much of what is left is chance, and it is said so.

use crate::commission::written::Shown;
use serde::Serialize;
use setward_protocol::{ByteOrder, Encoding, Raw};

/// Addresses to either side that are looked at.
pub const NEIGHBOURS: i32 = 2;
/// Scales by which suppliers imply decimals in whole numbers.
const SCALES: [f64; 5] = [0.1, 1.0, 0.01, 0.001, 10.0];
/// Counts that are usual for the ends of a range: low end, high end.
const FULL_SCALES: [(f64, f64); 7] = [
    (0.0, 4095.0),
    (0.0, 10_000.0),
    (0.0, 27_648.0),
    (0.0, 32_000.0),
    (0.0, 32_767.0),
    (0.0, 65_535.0),
    (4_000.0, 20_000.0),
];
/// Beyond what the digits promise, so much of a panel's value still counts as near: it moves while a person reads it.
const NEAR_SHARE: f64 = 0.02;
/// A number so much smaller than the range is no measurement: it is what swapped words make of a float.
const TINY_SHARE: f64 = 1e-6;

/// How well an interpretation fits. The order is the ranking.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fit {
    /// It gives the digits of the panel.
    MatchesPanel,
    /// Within 2 % of the panel: the value may have moved.
    NearPanel,
    /// Inside the range; nothing else is known.
    InRange,
    /// None of that.
    No,
}

impl Fit {
    /// For people.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::MatchesPanel => "matches the panel",
            Self::NearPanel => "near the panel",
            Self::InRange => "in range",
            Self::No => "no",
        }
    }
}

/// One way to read the words.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Interpretation {
    /// First address, 0-based.
    pub address: u16,
    /// How far from the address that was asked about.
    pub offset: i32,
    /// Type of the number, as in line.toml.
    pub encoding: &'static str,
    /// Order, as in line.toml.
    pub order: &'static str,
    /// Value of one count.
    pub scale: f64,
    /// Value at count zero.
    pub zero: f64,
    /// The number before scaling.
    pub raw: String,
    /// The value.
    pub value: f64,
    /// How well it fits.
    pub fit: Fit,
    /// Another type that reads the same here.
    pub same_as: Option<&'static str>,
    #[serde(skip)]
    likelihood: usize,
}

impl Interpretation {
    /// Registers that it takes.
    #[must_use]
    pub fn words(&self) -> u16 {
        let found = Encoding::NAMED.iter().find(|(name, _)| *name == self.encoding);
        found.map_or(1, |(_, encoding)| encoding.words())
    }

    /// Whether it has an order that has to be written in line.toml.
    #[must_use]
    pub fn needs_order(&self) -> bool {
        self.words() > 1 || self.order != "ABCD"
    }
}

/// What is known of the value.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Known {
    /// What the panel shows.
    pub display: Option<Shown>,
    /// Lowest and highest it can be.
    pub range: Option<(f64, f64)>,
    /// How far it moved between readings, in its unit, as far as known.
    pub moved: f64,
}

impl Known {
    /// How well `value`, counted in steps of `step`, fits.
    #[must_use]
    pub fn fit(&self, value: f64, step: f64) -> Fit {
        if !value.is_finite() || self.is_tiny(value) {
            return Fit::No;
        }
        let in_range = self.range.is_none_or(|(low, high)| (low..=high).contains(&value));
        let Some(display) = self.display else {
            return if in_range && self.range.is_some() { Fit::InRange } else { Fit::No };
        };
        let away = (value - display.value).abs();
        let sure = display.half_digit + step / 2.0 + self.moved;
        // Both are rounded to binary fractions.
        let sure = sure + 1e-9 * display.value.abs().max(1.0);
        let near = (NEAR_SHARE * display.value.abs()).max(sure);
        if away <= sure {
            Fit::MatchesPanel
        } else if away <= near {
            Fit::NearPanel
        } else if in_range && self.range.is_some() {
            Fit::InRange
        } else {
            Fit::No
        }
    }

    /// Whether `value` is too small to be a measurement in the range, though not zero.
    #[must_use]
    pub fn is_tiny(&self, value: f64) -> bool {
        let span = self.range.map_or(1.0, |(low, high)| high - low);
        value != 0.0 && value.abs() < TINY_SHARE * span.abs()
    }
}

/// Every way to read the words around `address`, best first. `words` begin at `address - before`; `None` where the
/// controller has no such register.
#[must_use]
pub fn interpretations(
    address: u16,
    before: u16,
    words: &[Option<u16>],
    known: &Known,
) -> Vec<Interpretation> {
    let mut all = Vec::new();
    for offset in -NEIGHBOURS..=NEIGHBOURS {
        let Some(here) = address.checked_add_signed(i16::try_from(offset).unwrap_or_default()) else {
            continue;
        };
        let Ok(skip) = usize::try_from(i32::from(before) + offset) else { continue };
        let own: Vec<u16> = words.iter().skip(skip).map_while(|word| *word).collect();
        for (likelihood, (encoding, order)) in layouts().into_iter().enumerate() {
            let Some(own) = own.get(..usize::from(encoding.words())) else { continue };
            let Some(raw) = encoding.decode(own, order) else { continue };
            let place = Layout { address: here, offset, encoding, order, likelihood };
            all.extend(place.read(raw, known));
        }
    }
    merge(&mut all);
    let rank = |one: &Interpretation| (one.fit, one.offset.abs(), one.likelihood);
    all.sort_by(|a, b| rank(a).cmp(&rank(b)).then(a.offset.cmp(&b.offset)).then(b.scale.total_cmp(&a.scale)));
    all
}

/// Types and orders, the usual ones first.
fn layouts() -> Vec<(Encoding, ByteOrder)> {
    use ByteOrder::{Abcd, Badc, Cdab, Dcba};
    let mut layouts =
        vec![(Encoding::I16, Abcd), (Encoding::U16, Abcd), (Encoding::F32, Abcd), (Encoding::F32, Cdab)];
    for encoding in [Encoding::I32, Encoding::U32] {
        layouts.extend([(encoding, Abcd), (encoding, Cdab)]);
    }
    layouts.push((Encoding::Bcd4, Abcd));
    layouts.extend([(Encoding::F32, Badc), (Encoding::F32, Dcba)]);
    for encoding in [Encoding::I16, Encoding::U16] {
        layouts.push((encoding, Badc));
    }
    for encoding in [Encoding::I32, Encoding::U32] {
        layouts.extend([(encoding, Badc), (encoding, Dcba)]);
    }
    for order in ByteOrder::ALL {
        layouts.push((Encoding::F64, order));
        layouts.push((Encoding::Bcd8, order));
        layouts.push((Encoding::I64, order));
        layouts.push((Encoding::U64, order));
    }
    layouts
}

/// A type at an address.
struct Layout {
    address: u16,
    offset: i32,
    encoding: Encoding,
    order: ByteOrder,
    likelihood: usize,
}

impl Layout {
    /// The number in every scale that is usual for its type.
    fn read(&self, raw: Raw, known: &Known) -> Vec<Interpretation> {
        let count = raw.as_f64();
        let is_float = matches!(raw, Raw::Float(_));
        let scales: &[f64] = if is_float { &[1.0] } else { &SCALES };
        let plain = scales.iter().map(|scale| (*scale, 0.0));
        let over_range = known.range.filter(|_| !is_float && known.display.is_some()).into_iter();
        let over_range = over_range.flat_map(|(low, high)| {
            FULL_SCALES.iter().map(move |(from, to)| {
                let scale = (high - low) / (to - from);
                (scale, low - from * scale)
            })
        });
        plain
            .chain(over_range)
            .enumerate()
            .map(|(place, (scale, zero))| {
                let value = count * scale + zero;
                let step = if is_float { 0.0 } else { scale.abs() };
                Interpretation {
                    address: self.address,
                    offset: self.offset,
                    encoding: self.encoding.name(),
                    order: self.order.name(),
                    scale,
                    zero,
                    raw: raw.to_string(),
                    value,
                    fit: known.fit(value, step),
                    same_as: None,
                    // Counts over the whole range match a panel by chance more often than decimals do.
                    likelihood: self.likelihood + if place < scales.len() { place } else { 100 + place },
                }
            })
            .collect()
    }
}

/// Signed and unsigned read the same while the number is small: one line for both.
fn merge(all: &mut Vec<Interpretation>) {
    let pairs = [("i16", "u16"), ("i32", "u32"), ("i64", "u64")];
    let signed: Vec<Interpretation> =
        all.iter().filter(|one| pairs.iter().any(|(name, _)| *name == one.encoding)).cloned().collect();
    let twin = |one: &Interpretation, other: &Interpretation| {
        let is_pair = pairs.contains(&(other.encoding, one.encoding));
        let place = |one: &Interpretation| (one.address, one.order, one.scale.to_bits(), one.zero.to_bits());
        is_pair && place(one) == place(other) && one.raw == other.raw
    };
    all.retain(|one| !signed.iter().any(|other| twin(one, other)));
    for one in all.iter_mut() {
        let other = pairs.iter().find(|(name, _)| *name == one.encoding).map(|(_, other)| *other);
        one.same_as = other.filter(|_| !one.raw.starts_with('-'));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::commission::written::shown;

    fn known(display: &str, range: Option<(f64, f64)>) -> Known {
        Known { display: shown(display).ok(), range, moved: 0.0 }
    }

    fn words(values: &[u16]) -> Vec<Option<u16>> {
        values.iter().copied().map(Some).collect()
    }

    fn best(values: &[u16], known: &Known) -> Interpretation {
        interpretations(100, 2, &words(values), known)[0].clone()
    }

    #[test]
    fn an_implied_decimal_is_found_by_the_panel() {
        let found = best(&[7, 9, 1853, 12, 5, 0, 0, 0], &known("185.3", Some((0.0, 250.0))));
        assert_eq!(
            (found.encoding, found.scale, found.offset, found.fit),
            ("i16", 0.1, 0, Fit::MatchesPanel)
        );
        assert_eq!(found.same_as, Some("u16"));
    }

    /// 123.45 as a 32-bit float is 42F6E666 (IEEE 754), in each of the four orders.
    #[test]
    fn each_order_of_a_float_is_found() {
        let orders = [
            ("ABCD", [0x42F6, 0xE666]),
            ("CDAB", [0xE666, 0x42F6]),
            ("BADC", [0xF642, 0x66E6]),
            ("DCBA", [0x66E6, 0xF642]),
        ];
        for (order, [first, second]) in orders {
            let found = best(&[0, 0, first, second, 0, 0, 0, 0], &known("123.45", Some((0.0, 200.0))));
            assert_eq!((found.encoding, found.order, found.offset), ("f32", order, 0));
        }
    }

    #[test]
    fn the_neighbour_is_found_when_the_list_counts_from_one() {
        let found = best(&[7, 9, 31, 1853, 5, 0, 0, 0], &known("185.3", None));
        assert_eq!((found.offset, found.address, found.fit), (1, 101, Fit::MatchesPanel));
        let found = best(&[7, 1853, 31, 3, 5, 0, 0, 0], &known("185.3", None));
        assert_eq!((found.offset, found.address), (-1, 99));
    }

    #[test]
    fn counts_over_the_whole_range_are_found() {
        let found = best(&[0, 0, 20_492, 0, 0, 0, 0, 0], &known("185.3", Some((0.0, 250.0))));
        assert_eq!((found.encoding, found.fit), ("i16", Fit::MatchesPanel));
        assert!((found.scale - 250.0 / 27_648.0).abs() < 1e-12, "{found:?}");
        let found = best(&[0, 0, 12_000, 0, 0, 0, 0, 0], &known("125.0", Some((0.0, 250.0))));
        assert!((found.zero - -62.5).abs() < 1e-9 && (found.scale - 0.015_625).abs() < 1e-12, "{found:?}");
    }

    #[test]
    fn without_a_panel_only_the_range_weeds_out() {
        let all = interpretations(
            100,
            2,
            &words(&[0, 0, 1853, 0, 0, 0, 0, 0]),
            &Known { range: Some((0.0, 250.0)), ..Known::default() },
        );
        assert_eq!(all[0].fit, Fit::InRange);
        assert!(all.iter().any(|one| one.offset == 0 && one.scale == 0.1 && one.fit == Fit::InRange));
        assert!(all.iter().any(|one| one.offset == 0 && one.scale == 1.0 && one.fit == Fit::No));
    }

    /// 123.0 with its words swapped reads as 2.4e-41: inside 0 to 200, and nonsense.
    #[test]
    fn a_float_next_to_nothing_is_no_measurement() {
        let known = Known { range: Some((0.0, 200.0)), ..Known::default() };
        assert_eq!(known.fit(f64::from(f32::from_bits(0x0000_42F6)), 0.0), Fit::No);
        assert_eq!(known.fit(0.0, 0.0), Fit::InRange);
        assert_eq!(known.fit(f64::NAN, 0.0), Fit::No);
    }

    #[test]
    fn missing_registers_and_the_ends_of_the_table_are_no_panic() {
        let mut around = words(&[1, 2, 3, 4, 5, 6, 7, 8]);
        around[3] = None;
        assert!(!interpretations(100, 2, &around, &known("3", None)).is_empty());
        assert!(interpretations(0, 0, &words(&[1853, 0]), &known("185.3", None))[0].fit == Fit::MatchesPanel);
        assert!(interpretations(65_535, 2, &words(&[0, 0, 1853]), &known("185.3", None))[0].offset == 0);
        assert!(interpretations(5, 2, &[], &Known::default()).is_empty());
    }

    proptest::proptest! {
        /// Whatever is in the registers: what a panel shows of a 16-bit value with a decimal is found there.
        #[test]
        fn a_panels_value_is_always_among_the_matches(raw in 10_i16..30_000, around: [u16; 7]) {
            let display = format!("{:.1}", f64::from(raw) * 0.1);
            let mut words = words(&around);
            words.insert(2, Some(raw as u16));
            let found = interpretations(100, 2, &words, &known(&display, None));
            let is_it = |one: &Interpretation| {
                (one.fit, one.offset, one.encoding, one.scale) == (Fit::MatchesPanel, 0, "i16", 0.1)
            };
            proptest::prop_assert!(found.iter().any(is_it));
        }
    }
}
