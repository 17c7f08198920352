//! What the standard says beyond its printed examples, on a single session: the longest reads, numbers for people, answers
//! to somebody else. The examples themselves are in `standard_vectors.rs`.
//!
//! Modbus Application Protocol V1.1b3 (2012) and Messaging on TCP/IP Implementation Guide V1.0b (2006).

use setward::poll::session::{ModbusSession, ReadFailure, RegisterRead as _};
use setward::protocol::{ReadRequest, Table};
use std::time::Duration;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

const ANSWER_WITHIN: Duration = Duration::from_millis(500);

/// Asks unit `unit` for `request` as the request number `transaction`; the other end insists on `sent` and answers
/// `reply`.
async fn exchange(
    transaction: u16,
    unit: u8,
    request: ReadRequest,
    sent: &[u8],
    reply: &[u8],
) -> Result<Vec<u16>, ReadFailure> {
    let (near, mut far) = tokio::io::duplex(1024);
    let mut session = ModbusSession::over(Box::new(near), transaction);
    let other_end = async {
        let mut bytes = vec![0; sent.len()];
        far.read_exact(&mut bytes).await.unwrap();
        assert_eq!(bytes, sent, "{bytes:02X?}");
        far.write_all(reply).await.unwrap();
    };
    let (answer, ()) = tokio::join!(session.read(unit, request, ANSWER_WITHIN), other_end);
    answer
}

/// The same with the header of the Messaging Guide round the bodies that the standard prints.
async fn body(request: ReadRequest, sent: &[u8], reply: &[u8]) -> Result<Vec<u16>, ReadFailure> {
    let framed = |pdu: &[u8]| {
        let length = u8::try_from(pdu.len() + 1).unwrap();
        [&[0x15, 0x01, 0, 0, 0, length, 0xFF], pdu].concat()
    };
    exchange(0x1501, 0xFF, request, &framed(sent), &framed(reply)).await
}

const fn read(table: Table, start: u16, count: u16) -> ReadRequest {
    ReadRequest { table, start, count }
}

/// V1.1b3, 6.1 and 6.3: the longest reads, 2000 coils (07D0) and 125 registers (007D).
#[tokio::test(start_paused = true)]
async fn the_longest_reads() {
    let coils = [&[0x01, 250][..], &[0xFF; 250]].concat();
    let words = body(read(Table::Coil, 0, 2000), &[0x01, 0, 0, 0x07, 0xD0], &coils).await.unwrap();
    assert_eq!(words, vec![1; 2000]);
    let registers = [&[0x03, 250][..], &[0x12, 0x34].repeat(125)].concat();
    let words =
        body(read(Table::Holding, 0xFF83, 125), &[0x03, 0xFF, 0x83, 0, 0x7D], &registers).await.unwrap();
    assert_eq!(words, vec![0x1234; 125]);
}

/// V1.1b3, 4.1: the device's numbers for people count from 1 where the wire counts from 0.
#[test]
fn numbers_for_people_are_one_more() {
    assert_eq!(Table::Holding.printed_number(107), 400_108);
    assert_eq!(Table::Discrete.printed_number(196), 100_197);
    assert_eq!(Table::Input.printed_number(65_535), 365_536);
}

/// Guide, 4.4.1.3: an answer with an unknown transaction is dropped and the wait goes on; after it the right one is taken.
#[tokio::test(start_paused = true)]
async fn an_unknown_transaction_is_dropped_and_the_wait_goes_on() {
    let sent = [0x15, 0x01, 0x00, 0x00, 0x00, 0x06, 0xFF, 0x03, 0x00, 0x04, 0x00, 0x01];
    let other = [0x15, 0x00, 0x00, 0x00, 0x00, 0x05, 0xFF, 0x03, 0x02, 0xBA, 0xD0];
    let reply = [0x15, 0x01, 0x00, 0x00, 0x00, 0x05, 0xFF, 0x03, 0x02, 0x00, 0x05];
    let both = [other, reply].concat();
    let words = exchange(0x1501, 0xFF, read(Table::Holding, 4, 1), &sent, &both).await.unwrap();
    assert_eq!(words, [5]);
    let alone = exchange(0x1501, 0xFF, read(Table::Holding, 4, 1), &sent, &other).await;
    assert_eq!(alone, Err(ReadFailure::NotOurAnswer));
}
