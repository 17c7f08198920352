//! Every encoding in every order of registers and bytes, from the simulator's registers over the wire and the poller to
//! the value in the snapshot, without a bit lost.
//!
//! The simulator and the supervisor compute in `f64`, which holds whole numbers exactly up to 2^53 and beyond that only
//! multiples of a power of two. The 64-bit values here are such multiples; any other would be rounded, and no test could
//! say more about it.

use crate::small_line::{Row, reading, small_line, snapshot_after};
use crate::support::MemoryDial;
use setward::protocol::{ByteOrder, Encoding, Reading, Table};
use setward_config::line::Line;
use sim_plc::Simulator;
use std::time::Duration;

/// Each encoding that fills its registers, with values that tell its bytes apart, and its ends.
const NUMBERS: &[(Encoding, &[f64])] = &[
    (Encoding::U16, &[0.0, 0x1234 as f64, 0xFEDC as f64, 65_535.0]),
    (Encoding::I16, &[0x1234 as f64, -0x1234 as f64, -32_768.0, 32_767.0]),
    (Encoding::U32, &[0x1234_5678 as f64, 0xFEDC_BA98_u32 as f64, 4_294_967_295.0]),
    (Encoding::I32, &[0x1234_5678 as f64, -0x1234_5678 as f64, -2_147_483_648.0, 2_147_483_647.0]),
    (
        Encoding::U64,
        &[
            0x0102_0304_0506_0710_u64 as f64,
            0xFEDC_BA98_7654_3000_u64 as f64,
            // The largest below 2^64 that a float can hold.
            0xFFFF_FFFF_FFFF_F800_u64 as f64,
        ],
    ),
    (
        Encoding::I64,
        &[
            0x0102_0304_0506_0710_i64 as f64,
            -0x0102_0304_0506_0710_i64 as f64,
            i64::MIN as f64,
            0x7FFF_FFFF_FFFF_FC00_i64 as f64,
        ],
    ),
    (Encoding::F32, &[123.45_f32 as f64, -123.45_f32 as f64, f32::MAX as f64, f32::from_bits(1) as f64]),
    (Encoding::F64, &[core::f64::consts::PI, -core::f64::consts::E, f64::MAX, f64::from_bits(1)]),
    (Encoding::Bcd4, &[1234.0, 9876.0, 9999.0]),
    (Encoding::Bcd8, &[12_345_678.0, 98_765_432.0, 99_999_999.0]),
];

const fn range(encoding: Encoding) -> (f64, f64) {
    match encoding {
        Encoding::U16 => (0.0, u16::MAX as f64),
        Encoding::I16 => (i16::MIN as f64, i16::MAX as f64),
        Encoding::U32 => (0.0, u32::MAX as f64),
        Encoding::I32 => (i32::MIN as f64, i32::MAX as f64),
        Encoding::U64 => (0.0, u64::MAX as f64),
        Encoding::I64 => (i64::MIN as f64, i64::MAX as f64),
        Encoding::F32 | Encoding::F64 => (f64::MIN, f64::MAX),
        Encoding::Bcd4 => (0.0, 9_999.0),
        Encoding::Bcd8 => (0.0, 99_999_999.0),
        Encoding::Bit(_) => (0.0, 1.0),
    }
}

/// One after the other in a table.
struct Rows {
    rows: Vec<Row>,
    table: Table,
    address: u16,
}

impl Rows {
    fn add(&mut self, encoding: Encoding, order: ByteOrder, typical: f64) {
        let (table, address) = (self.table, self.address);
        let tag = format!("{table:?}-{address}-{}-{}", encoding.name(), order.name());
        let range = range(encoding);
        self.rows.push(Row { tag, table, address, encoding, order, range, typical });
        self.address += if table.is_bits() { 1 } else { encoding.words() };
    }
}

/// Every number in every order in both register tables.
fn numbers() -> Vec<Row> {
    let mut all = Vec::new();
    for table in [Table::Holding, Table::Input] {
        let mut rows = Rows { rows: Vec::new(), table, address: 0 };
        for (encoding, values) in NUMBERS {
            for order in ByteOrder::ALL {
                values.iter().for_each(|value| rows.add(*encoding, order, *value));
            }
        }
        all.extend(rows.rows);
    }
    all
}

/// Sixteen bits of a word for each order in each register table, and a row of bits in each bit table: ones and zeros mixed.
fn bits() -> Vec<Row> {
    let state = |place: u8| f64::from(0b1010_0110_0101_1100_u16 >> place & 1);
    let mut all = Vec::new();
    for table in [Table::Holding, Table::Input] {
        for (address, order) in (3000..).zip(ByteOrder::ALL) {
            for bit in 0..16 {
                let tag = format!("{table:?}-bit-{bit}-{}", order.name());
                let encoding = Encoding::Bit(bit);
                all.push(Row {
                    tag,
                    table,
                    address,
                    encoding,
                    order,
                    range: (0.0, 1.0),
                    typical: state(bit),
                });
            }
        }
    }
    for table in [Table::Coil, Table::Discrete] {
        let mut rows = Rows { rows: Vec::new(), table, address: 0 };
        (0..16).for_each(|place| rows.add(Encoding::Bit(0), ByteOrder::Abcd, state(place)));
        all.extend(rows.rows);
    }
    all
}

async fn all_arrive(rows: &[Row]) {
    let line: Line = small_line(1, rows);
    let dial = MemoryDial(Simulator::new(&line, 1));
    let snapshot = snapshot_after(&line, dial, Duration::from_millis(2500)).await;
    assert_eq!(snapshot.controllers[0].problem, None);
    for row in rows {
        // Equal bit for bit: minus zero and a last digit count.
        let Reading::Good(value) = reading(&line, &snapshot, &row.tag) else {
            panic!("{}: {:?}", row.tag, reading(&line, &snapshot, &row.tag));
        };
        assert_eq!(value.to_bits(), row.typical.to_bits(), "{}: {value} for {}", row.tag, row.typical);
    }
}

#[tokio::test(start_paused = true)]
async fn every_number_in_every_order_arrives_as_it_was() {
    let rows = numbers();
    assert_eq!(rows.len(), 2 * 4 * NUMBERS.iter().map(|(_, values)| values.len()).sum::<usize>());
    for (name, encoding) in Encoding::NAMED {
        assert!(rows.iter().any(|row| row.encoding == encoding), "{name} is not among them");
    }
    all_arrive(&rows).await;
}

#[tokio::test(start_paused = true)]
async fn every_bit_arrives_as_it_was() {
    all_arrive(&bits()).await;
}

/// The same words in another order are another number: a wrong order can't go unseen in the tests above.
#[tokio::test(start_paused = true)]
async fn no_value_of_distinct_bytes_survives_a_wrong_order() {
    let right = numbers();
    let of_interest = |row: &&Row| row.encoding.words() > 1 && row.order == ByteOrder::Abcd;
    let tells_apart = [0x1234_5678 as f64, 0x0102_0304_0506_0710_i64 as f64, 123.45_f32 as f64];
    let rows: Vec<Row> =
        right.iter().filter(of_interest).filter(|row| tells_apart.contains(&row.typical)).cloned().collect();
    assert!(rows.len() >= 10, "{} rows", rows.len());
    for order in [ByteOrder::Cdab, ByteOrder::Badc, ByteOrder::Dcba] {
        let simulator = Simulator::new(&small_line(1, &rows), 1);
        let misread: Vec<Row> = rows.iter().map(|row| Row { order, ..row.clone() }).collect();
        let line = small_line(1, &misread);
        let snapshot = snapshot_after(&line, MemoryDial(simulator), Duration::from_millis(2500)).await;
        for row in &misread {
            let found = reading(&line, &snapshot, &row.tag);
            assert_ne!(found, Reading::Good(row.typical), "{} read as {}", row.tag, order.name());
        }
    }
}
