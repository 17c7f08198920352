//! The standard's own examples, end to end: the bytes a session sends, the bytes it is answered, the words and values
//! that come out. Modbus Application Protocol V1.1b3 (2012) and Messaging on TCP/IP Implementation Guide V1.0b (2006).

use setward::poll::session::{ModbusSession, ReadFailure, RegisterRead as _};
use setward::protocol::{ByteOrder, Encoding, NoData, ReadRequest, Reading, RegisterBlock, Signal, Table};
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

fn signal(table: Table, address: u16, encoding: Encoding) -> Signal {
    Signal {
        table,
        address,
        encoding,
        order: ByteOrder::Abcd,
        scale: 1.0,
        offset: 0.0,
        range: (f64::MIN, f64::MAX),
        no_value: Vec::new(),
    }
}

/// What the words of `request` say at each address, as a signal of `encoding` reads it.
fn values(request: ReadRequest, words: &[u16], encoding: Encoding) -> Vec<Reading> {
    let ReadRequest { table, start, count } = request;
    let block = RegisterBlock::new(table, start, count, words).unwrap();
    (start..start + count).map(|address| signal(table, address, encoding).decode(&block)).collect()
}

/// Bits as the standard prints them for a person: "1100 1101", the last one first.
fn printed(bytes: &str) -> Vec<Reading> {
    let bits = bytes.chars().rev().filter(|bit| matches!(bit, '0' | '1'));
    bits.map(|bit| Reading::Good(f64::from(u8::from(bit == '1')))).collect()
}

/// V1.1b3, 6.1: coils 20 to 38. "Outputs 27 to 20 are 1100 1101", 35 to 28 0110 1011, 38 to 36 101.
#[tokio::test(start_paused = true)]
async fn read_coils() {
    let request = read(Table::Coil, 19, 19);
    let words =
        body(request, &[0x01, 0x00, 0x13, 0x00, 0x13], &[0x01, 0x03, 0xCD, 0x6B, 0x05]).await.unwrap();
    assert_eq!(values(request, &words, Encoding::Bit(0)), printed("101 0110 1011 1100 1101"));
}

/// V1.1b3, 6.2: discrete inputs 197 to 218: 204 to 197 1010 1100, 212 to 205 1101 1011, 218 to 213 11 0101.
#[tokio::test(start_paused = true)]
async fn read_discrete_inputs() {
    let request = read(Table::Discrete, 196, 22);
    let words =
        body(request, &[0x02, 0x00, 0xC4, 0x00, 0x16], &[0x02, 0x03, 0xAC, 0xDB, 0x35]).await.unwrap();
    assert_eq!(values(request, &words, Encoding::Bit(0)), printed("11 0101 1101 1011 1010 1100"));
}

/// V1.1b3, 6.3: registers 108 to 110 hold 022B, 0000, 0064: 555, 0 and 100.
#[tokio::test(start_paused = true)]
async fn read_holding_registers() {
    let request = read(Table::Holding, 107, 3);
    let reply = [0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64];
    let words = body(request, &[0x03, 0x00, 0x6B, 0x00, 0x03], &reply).await.unwrap();
    let expected = [555.0, 0.0, 100.0].map(Reading::Good);
    assert_eq!(values(request, &words, Encoding::U16), expected);
}

/// V1.1b3, 6.4: input register 9 holds 000A: 10.
#[tokio::test(start_paused = true)]
async fn read_input_registers() {
    let request = read(Table::Input, 8, 1);
    let words = body(request, &[0x04, 0x00, 0x08, 0x00, 0x01], &[0x04, 0x02, 0x00, 0x0A]).await.unwrap();
    assert_eq!(values(request, &words, Encoding::U16), [Reading::Good(10.0)]);
}

/// V1.1b3, 7: coil 1245 of a device that has none of that number is refused with 81 02.
#[tokio::test(start_paused = true)]
async fn an_exception() {
    let request = read(Table::Coil, 0x04A1, 1);
    let refused = body(request, &[0x01, 0x04, 0xA1, 0x00, 0x01], &[0x81, 0x02]).await.unwrap_err();
    assert_eq!(refused, ReadFailure::Exception(2));
    assert_eq!(refused.no_data(), NoData::Exception(2));
}

/// Messaging Guide V1.0b, 3.1.3: register 5 with transaction 1501 and unit FF, every byte of it.
#[tokio::test(start_paused = true)]
async fn the_guides_frame() {
    let sent = [0x15, 0x01, 0x00, 0x00, 0x00, 0x06, 0xFF, 0x03, 0x00, 0x04, 0x00, 0x01];
    let reply = [0x15, 0x01, 0x00, 0x00, 0x00, 0x05, 0xFF, 0x03, 0x02, 0x00, 0x05];
    let words = exchange(0x1501, 0xFF, read(Table::Holding, 4, 1), &sent, &reply).await.unwrap();
    assert_eq!(words, [5]);
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
