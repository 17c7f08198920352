//! Any registers as any kind of number. Held against a reading of its own.
#![no_main]

use libfuzzer_sys::fuzz_target;
use setward_protocol::{ByteOrder, Encoding, Raw};

fuzz_target!(|bytes: &[u8]| registers(bytes));

/// Any registers as any kind of number in any order; what is a number gives the same registers back.
fn registers(bytes: &[u8]) {
    let [kind, order, rest @ ..] = bytes else { return };
    let kinds = Encoding::NAMED.len();
    let pick = usize::from(*kind) % (kinds + 20);
    let encoding =
        Encoding::NAMED.get(pick).map_or(Encoding::Bit((pick - pick.min(kinds)) as u8), |named| named.1);
    let order = ByteOrder::ALL[usize::from(*order) % ByteOrder::ALL.len()];
    let words: Vec<u16> = rest.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect();
    let found = encoding.decode(&words, order);
    if words.len() != usize::from(encoding.words()) {
        assert_eq!(found, None, "{} words of {encoding:?}", words.len());
        return;
    }
    let value = value_in(encoding, order, &rest[..2 * words.len()]);
    let is_same = match (found, value) {
        (Some(Raw::Float(found)), Some(Raw::Float(value))) => {
            found.to_bits() == value.to_bits() || found.is_nan() && value.is_nan()
        }
        (found, value) => found == value,
    };
    assert!(is_same, "{words:04x?} as {encoding:?} {order:?}: {found:?}, by hand {value:?}");
    let Some(raw) = found.filter(|raw| !raw.as_f64().is_nan()) else { return };
    let again =
        encoding.encode(raw, order).unwrap_or_else(|error| panic!("{raw:?} of {encoding:?}: {error:?}"));
    let again = encoding.decode(&again[..words.len()], order);
    assert_eq!(again, Some(raw), "{words:04x?} as {encoding:?} {order:?}");
}

/// The number in the bytes as they came over the wire.
fn value_in(encoding: Encoding, order: ByteOrder, bytes: &[u8]) -> Option<Raw> {
    // To A B C D: registers turned about, then the bytes of each.
    let mut registers: Vec<[u8; 2]> = bytes.chunks_exact(2).map(|pair| [pair[0], pair[1]]).collect();
    if matches!(order, ByteOrder::Cdab | ByteOrder::Dcba) {
        registers.reverse();
    }
    if matches!(order, ByteOrder::Badc | ByteOrder::Dcba) {
        registers.iter_mut().for_each(|pair| pair.reverse());
    }
    let bytes = registers.concat();
    let whole = bytes.iter().fold(0_i128, |whole, byte| whole * 256 + i128::from(*byte));
    let signed = |bits: u32| if whole >> (bits - 1) == 1 { whole - (1 << bits) } else { whole };
    let digits = || bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
    match encoding {
        Encoding::U16 | Encoding::U32 | Encoding::U64 => Some(Raw::Whole(whole)),
        Encoding::I16 => Some(Raw::Whole(signed(16))),
        Encoding::I32 => Some(Raw::Whole(signed(32))),
        Encoding::I64 => Some(Raw::Whole(signed(64))),
        Encoding::F32 => bytes.try_into().ok().map(|four| Raw::Float(f64::from(f32::from_be_bytes(four)))),
        Encoding::F64 => bytes.try_into().ok().map(|eight| Raw::Float(f64::from_be_bytes(eight))),
        Encoding::Bcd4 | Encoding::Bcd8 => digits().parse().ok().map(Raw::Whole),
        Encoding::Bit(bit) => (bit < 16).then(|| Raw::Whole(whole >> bit & 1)),
    }
}
