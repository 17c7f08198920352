//! The words by which files and people call things: each leads back to what it is of, and none is of two.

use setward_protocol::{ByteOrder, Encoding, Mode, Table};
use std::collections::BTreeSet;

fn are_all_different(names: &[&str]) -> bool {
    names.iter().all(|name| !name.is_empty()) && names.iter().collect::<BTreeSet<_>>().len() == names.len()
}

#[test]
fn an_order_is_found_by_its_four_letters_and_by_nothing_else() {
    for order in ByteOrder::ALL {
        assert_eq!(ByteOrder::from_name(order.name()), Some(order));
    }
    for wrong in ["", "abcd", "ABCD ", "ACBD", "ABC"] {
        assert_eq!(ByteOrder::from_name(wrong), None, "{wrong:?}");
    }
    assert!(are_all_different(&ByteOrder::ALL.map(ByteOrder::name)));
}

#[test]
fn an_encoding_is_called_as_the_list_of_names_says() {
    for (name, encoding) in Encoding::NAMED {
        assert_eq!(encoding.name(), name);
    }
    let bits = [0, 7, 15].map(|bit| Encoding::Bit(bit).name());
    assert_eq!(bits, ["bit"; 3], "its number stands beside it");
    assert!(are_all_different(&Encoding::NAMED.map(|(name, _)| name)));
}

#[test]
fn a_mode_is_called_as_the_list_of_names_says() {
    for (name, mode) in Mode::NAMED {
        assert_eq!(mode.name(), name);
    }
    assert!(are_all_different(&Mode::NAMED.map(|(name, _)| name)));
}

/// Modbus Application Protocol V1.1b3, 4.3: four tables. Drawings print 000001, 100001, 300001 and 400001 for their first.
#[test]
fn tables_have_a_word_and_a_first_printed_number_each() {
    let tables = [Table::Coil, Table::Discrete, Table::Input, Table::Holding];
    assert_eq!(tables.map(Table::name), ["coil", "discrete", "input", "holding"]);
    assert_eq!(tables.map(|table| table.printed_number(0)), [1, 100_001, 300_001, 400_001]);
    assert_eq!(tables.map(Table::is_bits), [true, true, false, false]);
}
