//! What a wrong value looks like: wrong order of words or bytes, wrong scale, wrong sign, the neighbour's register. Pure.
//!
//! Only what would bring the value to where it belongs is named: to what the panel shows, or, without that, into the
//! range.

use super::interpret::{Fit, Known};
use crate::commission::written::short;
use serde::Serialize;
use setward_protocol::{ByteOrder, Encoding, Signal};

/// What kind of mistake would explain a value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mistake {
    /// `order`.
    WordOrder,
    /// `scale`.
    Scale,
    /// The address, by one or two.
    OffByOne,
    /// `encoding`: signed for unsigned or the other way.
    Sign,
    /// `encoding`: whole number for float or the other way.
    Type,
}

impl Mistake {
    /// For people.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::WordOrder => "wrong word order",
            Self::Scale => "wrong scale",
            Self::OffByOne => "off by one",
            Self::Sign => "wrong sign",
            Self::Type => "wrong type",
        }
    }
}

/// A mistake that would explain the value.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Explanation {
    /// Which.
    pub mistake: Mistake,
    /// What to write in line.toml instead.
    pub write: String,
    /// The value it would give.
    pub value: f64,
    /// How well that fits.
    pub fit: Fit,
    /// How many addresses further, for [`Mistake::OffByOne`].
    pub offset: i32,
}

/// What explains a value that does not belong: these words of `wire`, and the words of its neighbours by offset.
#[must_use]
pub fn explanations(
    wire: &Signal,
    words: Option<&[u16]>,
    neighbours: &[(i32, Vec<u16>)],
    known: &Known,
) -> Vec<Explanation> {
    let mut found = Vec::new();
    if let Some(words) = words {
        found.extend(other_orders(wire, words, known));
        found.extend(other_scales(wire, words, known));
        found.extend(other_types(wire, words, known));
    }
    for (offset, words) in neighbours {
        let address = i64::from(wire.address) + i64::from(*offset);
        let write = format!("{} = {address}", wire.table.name());
        let explanation = explain(Mistake::OffByOne, write, value_of(wire, words), wire, known);
        found.extend(explanation.map(|found| Explanation { offset: *offset, ..found }));
    }
    // A panel decides. Without one, all that is in range stays a guess.
    if found.iter().any(|one| one.fit == Fit::MatchesPanel) {
        found.retain(|one| one.fit == Fit::MatchesPanel);
    }
    found.sort_by_key(|one| (one.fit, one.mistake, one.offset.abs()));
    found
}

fn value_of(wire: &Signal, words: &[u16]) -> Option<f64> {
    let raw = wire.raw(words)?.as_f64();
    Some(raw * wire.scale + wire.offset)
}

fn explain(
    mistake: Mistake,
    write: String,
    value: Option<f64>,
    wire: &Signal,
    known: &Known,
) -> Option<Explanation> {
    let value = value?;
    let fit = known.fit(value, if is_float(wire) { 0.0 } else { wire.scale.abs() });
    // With a panel's value the range alone is no argument.
    let wanted = if known.display.is_some() { Fit::NearPanel } else { Fit::InRange };
    (fit <= wanted && value != 0.0).then_some(Explanation { mistake, write, value, fit, offset: 0 })
}

const fn is_float(wire: &Signal) -> bool {
    matches!(wire.encoding, Encoding::F32 | Encoding::F64)
}

fn other_orders(wire: &Signal, words: &[u16], known: &Known) -> Vec<Explanation> {
    if wire.table.is_bits() || matches!(wire.encoding, Encoding::Bit(_)) {
        return Vec::new();
    }
    let orders: &[ByteOrder] =
        if wire.encoding.words() > 1 { &ByteOrder::ALL } else { &[ByteOrder::Abcd, ByteOrder::Badc] };
    orders
        .iter()
        .filter(|order| **order != wire.order)
        .filter_map(|order| {
            let other = Signal { order: *order, ..wire.clone() };
            let write = format!("order = \"{}\"", order.name());
            explain(Mistake::WordOrder, write, value_of(&other, words), &other, known)
        })
        .collect()
}

fn other_scales(wire: &Signal, words: &[u16], known: &Known) -> Vec<Explanation> {
    let is_code = wire.table.is_bits() || matches!(wire.encoding, Encoding::Bit(_));
    if is_code {
        return Vec::new();
    }
    [0.1, 10.0, 0.01, 100.0, 0.001, 1000.0]
        .into_iter()
        .filter_map(|factor| {
            let other = Signal { scale: wire.scale * factor, ..wire.clone() };
            let write = format!("scale = {}", short(other.scale));
            explain(Mistake::Scale, write, value_of(&other, words), &other, known)
        })
        .collect()
}

/// Signed for unsigned and back; whole number for float and back, of the same length.
fn other_types(wire: &Signal, words: &[u16], known: &Known) -> Vec<Explanation> {
    let others: &[(Mistake, Encoding)] = match wire.encoding {
        Encoding::I16 => &[(Mistake::Sign, Encoding::U16), (Mistake::Type, Encoding::Bcd4)],
        Encoding::U16 => &[(Mistake::Sign, Encoding::I16), (Mistake::Type, Encoding::Bcd4)],
        Encoding::I32 => &[(Mistake::Sign, Encoding::U32), (Mistake::Type, Encoding::F32)],
        Encoding::U32 => &[(Mistake::Sign, Encoding::I32), (Mistake::Type, Encoding::F32)],
        Encoding::F32 => &[(Mistake::Type, Encoding::I32)],
        Encoding::I64 => &[(Mistake::Sign, Encoding::U64), (Mistake::Type, Encoding::F64)],
        Encoding::U64 => &[(Mistake::Sign, Encoding::I64), (Mistake::Type, Encoding::F64)],
        Encoding::F64 => &[(Mistake::Type, Encoding::I64)],
        Encoding::Bcd4 => &[(Mistake::Type, Encoding::I16)],
        Encoding::Bcd8 => &[(Mistake::Type, Encoding::I32)],
        Encoding::Bit(_) => &[],
    };
    others
        .iter()
        .filter_map(|(mistake, encoding)| {
            let other = Signal { encoding: *encoding, ..wire.clone() };
            let write = format!("encoding = \"{}\"", encoding.name());
            let value = value_of(&other, words);
            let same = value == value_of(wire, words);
            explain(*mistake, write, value.filter(|_| !same), &other, known)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::commission::written::shown;
    use setward_protocol::Table;

    fn oil() -> Signal {
        Signal {
            table: Table::Holding,
            address: 100,
            encoding: Encoding::I16,
            order: ByteOrder::Abcd,
            scale: 0.1,
            offset: 0.0,
            range: (0.0, 250.0),
            no_value: Vec::new(),
        }
    }

    fn known(wire: &Signal, panel: Option<&str>) -> Known {
        Known { display: panel.map(|text| shown(text).unwrap()), range: Some(wire.range), moved: 0.0 }
    }

    fn first(
        wire: &Signal,
        words: &[u16],
        neighbours: &[(i32, Vec<u16>)],
        panel: Option<&str>,
    ) -> Explanation {
        explanations(wire, Some(words), neighbours, &known(wire, panel))[0].clone()
    }

    #[test]
    fn a_swapped_float_is_told_by_range_and_by_panel() {
        let flow = Signal { encoding: Encoding::F32, scale: 1.0, range: (0.0, 100.0), ..oil() };
        // 42.6 is 422A6666.
        for panel in [None, Some("42.6")] {
            let found = first(&flow, &[0x6666, 0x422A], &[], panel);
            assert_eq!(
                (found.mistake, found.write.as_str()),
                (Mistake::WordOrder, "order = \"CDAB\""),
                "{panel:?}"
            );
        }
    }

    #[test]
    fn ten_times_too_much_is_told_by_range_and_by_panel() {
        let found = first(&Signal { scale: 1.0, ..oil() }, &[1820], &[], None);
        assert_eq!((found.mistake, found.write.as_str()), (Mistake::Scale, "scale = 0.1"));
        // In range both ways: only the panel tells.
        let low = Signal { scale: 0.01, ..oil() };
        assert_eq!(first(&low, &[1820], &[], Some("182.0")).write, "scale = 0.1");
    }

    #[test]
    fn the_neighbour_is_told_by_the_panel() {
        let found = first(&oil(), &[31], &[(1, vec![1853]), (-1, vec![900])], Some("185.3"));
        assert_eq!(
            (found.mistake, found.offset, found.write.as_str()),
            (Mistake::OffByOne, 1, "holding = 101")
        );
    }

    #[test]
    fn a_register_that_is_not_there_can_still_have_a_neighbour() {
        let found = explanations(&oil(), None, &[(-1, vec![1853])], &known(&oil(), None));
        assert_eq!((found[0].mistake, found[0].offset), (Mistake::OffByOne, -1));
    }

    #[test]
    fn a_negative_number_read_as_unsigned_is_told() {
        let pressure = Signal { encoding: Encoding::U16, range: (-100.0, 100.0), ..oil() };
        assert_eq!(first(&pressure, &[0xFFFF], &[], Some("-0.1")).mistake, Mistake::Sign);
    }

    #[test]
    fn what_explains_nothing_is_not_named() {
        assert!(explanations(&oil(), Some(&[31]), &[], &known(&oil(), Some("185.3"))).is_empty());
    }
}
