//! Every encoding in every order, both ways: exhaustively where there are few patterns, at the ends and by chance where
//! there are many. The expected words come from the bytes of the number, laid out by the letters of the order's name.
#![expect(clippy::unwrap_used, reason = "tests: a panic is a failed test")]

use proptest::prelude::*;
use setward_protocol::{ByteOrder, EncodeError, Encoding, NoData, Raw, Reading, Signal, Table};

/// Registers that hold `big_endian` in `order`: for eight bytes A to H, ABCD stands for ABCDEFGH, CDAB for GHEFCDAB, BADC
/// for BADCFEHG, DCBA for HGFEDCBA.
fn laid_out(big_endian: &[u8], order: ByteOrder) -> Vec<u16> {
    let mut pairs: Vec<[u8; 2]> = big_endian.chunks(2).map(|pair| pair.try_into().unwrap()).collect();
    if matches!(order, ByteOrder::Cdab | ByteOrder::Dcba) {
        pairs.reverse();
    }
    let swaps = matches!(order, ByteOrder::Badc | ByteOrder::Dcba);
    let word =
        |[first, second]: [u8; 2]| u16::from_be_bytes(if swaps { [second, first] } else { [first, second] });
    pairs.into_iter().map(word).collect()
}

/// `raw` is these bytes in every order, both ways.
fn check(encoding: Encoding, big_endian: &[u8], raw: Raw) {
    for order in ByteOrder::ALL {
        let words = laid_out(big_endian, order);
        assert_eq!(encoding.decode(&words, order), Some(raw), "{encoding:?} {order:?} {words:04X?}");
        let encoded = encoding.encode(raw, order).unwrap();
        assert_eq!(encoded.get(..words.len()), Some(words.as_slice()), "{encoding:?} {order:?} {raw:?}");
        assert!(encoded.iter().skip(words.len()).all(|word| *word == 0), "{encoding:?}: {encoded:?}");
    }
}

fn check_fault(encoding: Encoding, big_endian: &[u8]) {
    for order in ByteOrder::ALL {
        assert_eq!(
            encoding.decode(&laid_out(big_endian, order), order),
            None,
            "{encoding:?} {big_endian:02X?}"
        );
    }
}

#[test]
fn eight_bytes_lie_as_the_order_says() {
    let bytes = [0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x1A, 0x1B];
    assert_eq!(laid_out(&bytes, ByteOrder::Abcd), [0x0A0B, 0x0C0D, 0x0E0F, 0x1A1B]);
    assert_eq!(laid_out(&bytes, ByteOrder::Cdab), [0x1A1B, 0x0E0F, 0x0C0D, 0x0A0B]);
    assert_eq!(laid_out(&bytes, ByteOrder::Badc), [0x0B0A, 0x0D0C, 0x0F0E, 0x1B1A]);
    assert_eq!(laid_out(&bytes, ByteOrder::Dcba), [0x1B1A, 0x0F0E, 0x0D0C, 0x0B0A]);
    check(Encoding::U64, &bytes, Raw::Whole(0x0A0B_0C0D_0E0F_1A1B));
}

#[test]
fn every_16_bit_pattern() {
    for word in 0..=u16::MAX {
        let bytes = word.to_be_bytes();
        check(Encoding::U16, &bytes, Raw::Whole(i128::from(word)));
        check(Encoding::I16, &bytes, Raw::Whole(i128::from(word.cast_signed())));
    }
}

/// Four decimal digits are the hexadecimal digits of the word, if none of them is a letter.
#[test]
fn every_pattern_of_four_bcd_digits_and_every_fault() {
    let mut numbers = 0;
    for word in 0..=u16::MAX {
        match format!("{word:04X}").parse::<u16>() {
            Ok(number) => {
                numbers += 1;
                check(Encoding::Bcd4, &word.to_be_bytes(), Raw::Whole(i128::from(number)));
            }
            Err(_) => check_fault(Encoding::Bcd4, &word.to_be_bytes()),
        }
    }
    assert_eq!(numbers, 10_000);
}

#[test]
fn one_bad_nibble_anywhere_in_eight_bcd_digits_is_a_fault() {
    check(Encoding::Bcd8, &0x1234_5678_u32.to_be_bytes(), Raw::Whole(12_345_678));
    check(Encoding::Bcd8, &0x9999_9999_u32.to_be_bytes(), Raw::Whole(99_999_999));
    for place in 0..8 {
        for nibble in 0xA..=0xF_u32 {
            let bad = (0x1234_5678 & !(0xF << (4 * place))) | (nibble << (4 * place));
            check_fault(Encoding::Bcd8, &bad.to_be_bytes());
        }
    }
    let too_large = Encoding::Bcd8.encode(Raw::Whole(100_000_000), ByteOrder::Abcd);
    assert_eq!(too_large, Err(EncodeError::TooLarge(1e8)));
    assert_eq!(Encoding::Bcd4.encode(Raw::Whole(-1), ByteOrder::Abcd), Err(EncodeError::TooLarge(-1.0)));
}

/// Bit 0 is the least significant of the register's value; with the low byte first the two bytes change places.
#[test]
fn every_bit_of_every_word_in_every_order() {
    for bit in 0..16_u8 {
        for word in 0..=u16::MAX {
            let set = i128::from(word >> bit & 1);
            for order in ByteOrder::ALL {
                let words = laid_out(&word.to_be_bytes(), order);
                assert_eq!(Encoding::Bit(bit).decode(&words, order), Some(Raw::Whole(set)));
            }
        }
        check(Encoding::Bit(bit), &(1_u16 << bit).to_be_bytes(), Raw::Whole(1));
        check(Encoding::Bit(bit), &[0, 0], Raw::Whole(0));
    }
}

#[test]
fn a_register_has_sixteen_bits() {
    for bit in 16..=u8::MAX {
        assert_eq!(Encoding::Bit(bit).decode(&[0xFFFF], ByteOrder::Abcd), None, "bit {bit}");
        assert!(Encoding::Bit(bit).encode(Raw::Whole(1), ByteOrder::Abcd).is_err(), "bit {bit}");
    }
    assert!(Encoding::Bit(3).encode(Raw::Whole(2), ByteOrder::Abcd).is_err());
}

#[test]
fn the_ends_of_every_whole_number() {
    for number in [0, 1, 0x7FFF_FFFF, 0x8000_0000, u32::MAX] {
        check(Encoding::U32, &number.to_be_bytes(), Raw::Whole(i128::from(number)));
    }
    for number in [i32::MIN, i32::MIN + 1, -1, 0, 1, i32::MAX] {
        check(Encoding::I32, &number.to_be_bytes(), Raw::Whole(i128::from(number)));
    }
    // Beyond 2^53 a float would round: whole numbers stay whole.
    for number in [0, 1, (1 << 53) + 1, i64::MAX.cast_unsigned() + 1, u64::MAX - 1, u64::MAX] {
        check(Encoding::U64, &number.to_be_bytes(), Raw::Whole(i128::from(number)));
    }
    for number in [i64::MIN, i64::MIN + 1, -(1 << 53) - 1, -1, 0, i64::MAX] {
        check(Encoding::I64, &number.to_be_bytes(), Raw::Whole(i128::from(number)));
    }
}

#[test]
fn one_beyond_the_end_is_refused_never_wrapped() {
    let wholes: [(Encoding, i128, i128); 10] = [
        (Encoding::U16, 0, i128::from(u16::MAX)),
        (Encoding::I16, i128::from(i16::MIN), i128::from(i16::MAX)),
        (Encoding::U32, 0, i128::from(u32::MAX)),
        (Encoding::I32, i128::from(i32::MIN), i128::from(i32::MAX)),
        (Encoding::U64, 0, i128::from(u64::MAX)),
        (Encoding::I64, i128::from(i64::MIN), i128::from(i64::MAX)),
        (Encoding::Bcd4, 0, 9_999),
        (Encoding::Bcd8, 0, 99_999_999),
        (Encoding::Bit(7), 0, 1),
        (Encoding::Bit(15), 0, 1),
    ];
    for (encoding, low, high) in wholes {
        for order in ByteOrder::ALL {
            for inside in [low, high] {
                assert!(encoding.encode(Raw::Whole(inside), order).is_ok(), "{encoding:?} {inside}");
            }
            for outside in [low - 1, high + 1] {
                assert!(encoding.encode(Raw::Whole(outside), order).is_err(), "{encoding:?} {outside}");
            }
            for none in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
                let error = encoding.encode(Raw::Float(none), order);
                assert_eq!(error, Err(EncodeError::NotFinite), "{encoding:?} {none}");
            }
        }
    }
    // 2^64 as a float is one beyond; the float below it is the largest that fits.
    assert!(Encoding::U64.encode(Raw::Float(18_446_744_073_709_551_616.0), ByteOrder::Abcd).is_err());
    assert!(Encoding::U64.encode(Raw::Float(18_446_744_073_709_549_568.0), ByteOrder::Abcd).is_ok());
}

#[test]
fn floats_at_their_ends() {
    for float in [0.0, -0.0, 1.0, f32::MIN_POSITIVE, f32::from_bits(1), f32::MAX, f32::MIN, f32::INFINITY] {
        check(Encoding::F32, &float.to_be_bytes(), Raw::Float(f64::from(float)));
    }
    for float in [0.0, -0.0, f64::MIN_POSITIVE, f64::from_bits(1), f64::MAX, f64::MIN, f64::NEG_INFINITY] {
        check(Encoding::F64, &float.to_be_bytes(), Raw::Float(float));
    }
    let too_large = Encoding::F32.encode(Raw::Float(1e39), ByteOrder::Abcd);
    assert_eq!(too_large, Err(EncodeError::TooLarge(1e39)), "never infinity for a finite number");
}

fn signal(encoding: Encoding, order: ByteOrder) -> Signal {
    Signal {
        table: Table::Holding,
        address: 0,
        encoding,
        order,
        scale: 0.1,
        offset: -40.0,
        range: (-1e12, 1e12),
        no_value: Vec::new(),
    }
}

/// Some controllers say by the payload of a NaN which fault they have: none of them is a value.
#[test]
fn no_payload_of_a_nan_is_a_value() {
    for order in ByteOrder::ALL {
        for bits in
            [0x7FC0_0000_u32, 0x7FC0_0001, 0x7F80_0001, 0xFFC0_0000, 0xFFFF_FFFF, 0x7FFF_FFFF, 0x7F80_0000]
        {
            let reading = signal(Encoding::F32, order).decode_words(&laid_out(&bits.to_be_bytes(), order));
            assert_eq!(reading, Reading::Bad(NoData::SensorFault), "{bits:08X}");
        }
        for bits in [0x7FF8_0000_0000_0000_u64, 0x7FF0_0000_0000_0001, u64::MAX, 0xFFF0_0000_0000_0000] {
            let reading = signal(Encoding::F64, order).decode_words(&laid_out(&bits.to_be_bytes(), order));
            assert_eq!(reading, Reading::Bad(NoData::SensorFault), "{bits:016X}");
        }
    }
}

/// -32768 at 0.1 and -40 would be a believable -3316.8; 32767 is one code of two. Their neighbours are values.
#[test]
fn codes_for_no_value_are_looked_for_before_scaling_in_every_order() {
    let cases: [(Encoding, i64, &[u8]); 6] = [
        (Encoding::I16, -32_768, &[0x80, 0]),
        (Encoding::U16, 65_535, &[0xFF, 0xFF]),
        (Encoding::I32, i64::from(i32::MIN), &[0x80, 0, 0, 0]),
        (Encoding::U32, i64::from(u32::MAX), &[0xFF, 0xFF, 0xFF, 0xFF]),
        (Encoding::I64, i64::MIN, &[0x80, 0, 0, 0, 0, 0, 0, 0]),
        (Encoding::Bcd4, 9_999, &[0x99, 0x99]),
    ];
    for (encoding, code, bytes) in cases {
        for order in ByteOrder::ALL {
            let words = laid_out(bytes, order);
            let with =
                Signal { no_value: vec![32_767, code], range: (-1e30, 1e30), ..signal(encoding, order) };
            assert_eq!(
                with.decode_words(&words),
                Reading::Bad(NoData::SensorFault),
                "{encoding:?} {order:?}"
            );
            let without = Signal { no_value: vec![code.wrapping_sub(1), code.wrapping_add(1)], ..with };
            let value = code as f64 * 0.1 - 40.0;
            assert_eq!(without.decode_words(&words), Reading::Good(value), "{encoding:?} {order:?}");
        }
    }
}

proptest! {
    #[test]
    fn any_32_and_64_bit_pattern_both_ways_in_every_order(bits: u64) {
        let low = bits as u32;
        check(Encoding::U32, &low.to_be_bytes(), Raw::Whole(i128::from(low)));
        check(Encoding::I32, &low.to_be_bytes(), Raw::Whole(i128::from(low.cast_signed())));
        check(Encoding::U64, &bits.to_be_bytes(), Raw::Whole(i128::from(bits)));
        check(Encoding::I64, &bits.to_be_bytes(), Raw::Whole(i128::from(bits.cast_signed())));
        let (single, double) = (f32::from_bits(low), f64::from_bits(bits));
        if !single.is_nan() {
            check(Encoding::F32, &low.to_be_bytes(), Raw::Float(f64::from(single)));
        }
        if !double.is_nan() {
            check(Encoding::F64, &bits.to_be_bytes(), Raw::Float(double));
        }
    }

    #[test]
    fn any_eight_decimal_digits(number in 0..100_000_000_u32) {
        let digits = u32::from_str_radix(&number.to_string(), 16).unwrap();
        check(Encoding::Bcd8, &digits.to_be_bytes(), Raw::Whole(i128::from(number)));
    }

    /// A value in range comes back within half a count.
    #[test]
    fn what_a_signal_encodes_it_decodes(value in -3000.0..3000.0_f64, order in 0..4_usize) {
        let signal = signal(Encoding::I16, *ByteOrder::ALL.get(order).unwrap());
        let words = signal.encode(value).unwrap();
        let decoded = signal.decode_words(words.get(..1).unwrap()).good().unwrap();
        prop_assert!((decoded - value).abs() <= 0.05 + 1e-9, "{value} {decoded}");
    }

    #[test]
    fn no_words_and_no_signal_make_a_panic_or_a_value_that_is_not_finite(
        words in proptest::collection::vec(any::<u16>(), 0..6),
        pick in 0..11_usize,
        bit: u8,
        order in 0..4_usize,
        scale in -1e300..1e300_f64,
    ) {
        let named = Encoding::NAMED.get(pick).map_or(Encoding::Bit(bit), |(_, encoding)| *encoding);
        let order = *ByteOrder::ALL.get(order).unwrap();
        let signal = Signal { scale, range: (f64::MIN, f64::MAX), ..signal(named, order) };
        if let Reading::Good(value) = signal.decode_words(&words) {
            prop_assert!(value.is_finite());
            prop_assert_eq!(words.len(), usize::from(named.words()));
        }
    }
}
