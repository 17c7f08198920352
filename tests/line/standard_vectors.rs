//! The reading examples of the standard, byte for byte, on both sides of a whole line: what the poller sends for signals
//! there and makes of the printed replies, and what the simulator answers when its registers hold the printed values.
//!
//! Modbus Application Protocol V1.1b3, sections 6.1 to 6.4 and 7; the frame about them is that of the Messaging on TCP/IP
//! Implementation Guide V1.0b, section 3.1.3.

use crate::small_line::{ENDPOINT, Row, reading, small_line, snapshot_after};
use crate::support::{Script, ScriptedDial};
use setward::protocol::{ByteOrder, Encoding, NoData, Reading, Table};
use sim_plc::Simulator;
use std::collections::BTreeSet;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

/// Bytes of a request and of a reply, from the function code on.
type Exchange = (&'static [u8], &'static [u8]);

/// Function 01: coils 20 to 38, which are addresses 0x13 to 0x25.
const COILS: Exchange = (&[0x01, 0x00, 0x13, 0x00, 0x13], &[0x01, 0x03, 0xCD, 0x6B, 0x05]);
/// Function 02: discrete inputs 197 to 218.
const DISCRETE: Exchange = (&[0x02, 0x00, 0xC4, 0x00, 0x16], &[0x02, 0x03, 0xAC, 0xDB, 0x35]);
/// Function 03: holding registers 108 to 110.
const HOLDING: Exchange =
    (&[0x03, 0x00, 0x6B, 0x00, 0x03], &[0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64]);
/// Function 04: input register 9.
const INPUT: Exchange = (&[0x04, 0x00, 0x08, 0x00, 0x01], &[0x04, 0x02, 0x00, 0x0A]);
/// Section 7: coil 1186 does not exist.
const REFUSED: Exchange = (&[0x01, 0x04, 0xA1, 0x00, 0x01], &[0x81, 0x02]);

const READS: [Exchange; 4] = [COILS, DISCRETE, HOLDING, INPUT];

/// States of the coils and inputs as the standard's text gives them, lowest number first.
const COIL_STATES: &str = "1011001111010110101";
const DISCRETE_STATES: &str = "0011010111011011101011";
/// The registers in the standard's text: 555, 0, 100; and 10.
const HOLDING_VALUES: [f64; 3] = [555.0, 0.0, 100.0];
const INPUT_VALUE: f64 = 10.0;

const UNIT: u8 = 17;

fn row(table: Table, address: u16, typical: f64) -> Row {
    let (encoding, range) =
        if table.is_bits() { (Encoding::Bit(0), (0.0, 1.0)) } else { (Encoding::U16, (0.0, 65_535.0)) };
    let tag = format!("{table:?}-{address}");
    Row { tag, table, address, encoding, order: ByteOrder::Abcd, range, typical }
}

fn bits(table: Table, first: u16, states: &str) -> Vec<Row> {
    let value = |state| if state == '1' { 1.0 } else { 0.0 };
    (first..).zip(states.chars()).map(|(address, state)| row(table, address, value(state))).collect()
}

/// The signals of the examples, each with the value that the standard prints.
fn rows() -> Vec<Row> {
    let mut rows = bits(Table::Coil, 0x13, COIL_STATES);
    rows.extend(bits(Table::Discrete, 0xC4, DISCRETE_STATES));
    rows.extend((0x6B..).zip(HOLDING_VALUES).map(|(address, value)| row(Table::Holding, address, value)));
    rows.push(row(Table::Input, 8, INPUT_VALUE));
    rows
}

/// A frame: transaction, protocol 0, length of what follows it, unit.
fn frame(transaction: u16, unit: u8, pdu: &[u8]) -> Vec<u8> {
    let mut bytes = transaction.to_be_bytes().to_vec();
    bytes.extend([0, 0]);
    bytes.extend(u16::try_from(pdu.len() + 1).unwrap().to_be_bytes());
    bytes.push(unit);
    bytes.extend(pdu);
    bytes
}

/// A peer that knows `exchanges` and nothing else, and what it was sent.
fn book(exchanges: Vec<Exchange>) -> (ScriptedDial, Arc<Mutex<Vec<Vec<u8>>>>) {
    let sent: Arc<Mutex<Vec<Vec<u8>>>> = Arc::default();
    let seen = Arc::clone(&sent);
    let script: Script = Arc::new(move |request: &[u8]| {
        seen.lock().unwrap().push(request.to_vec());
        let (_, reply) = exchanges.iter().find(|(known, _)| request.ends_with(known))?;
        let transaction = u16::from_be_bytes([request[0], request[1]]);
        Some((Duration::ZERO, frame(transaction, request[6], reply)))
    });
    (ScriptedDial(script), sent)
}

/// Transaction id of a request.
fn transaction(request: &[u8]) -> u16 {
    u16::from_be_bytes([request[0], request[1]])
}

#[tokio::test(start_paused = true)]
async fn the_poller_sends_the_standards_requests_and_reads_its_replies() {
    let mut rows = rows();
    rows.push(row(Table::Coil, 0x04A1, 0.0));
    let line = small_line(UNIT, &rows);
    let mut exchanges = READS.to_vec();
    exchanges.push(REFUSED);
    let (dial, sent) = book(exchanges.clone());
    let snapshot = snapshot_after(&line, dial, Duration::from_millis(500)).await;
    let sent = sent.lock().unwrap().clone();
    // Five requests, each the printed one in a frame of its own and no byte more; no two share a transaction.
    let asked: BTreeSet<Vec<u8>> = sent.iter().map(|request| request[2..].to_vec()).collect();
    let printed = exchanges.iter().map(|(request, _)| frame(0, UNIT, request)[2..].to_vec());
    assert_eq!(asked, printed.collect::<BTreeSet<_>>(), "{sent:02X?}");
    assert_eq!(sent.len(), exchanges.len(), "each once in a scan");
    let transactions: BTreeSet<u16> = sent.iter().map(|request| transaction(request)).collect();
    assert_eq!(transactions.len(), sent.len(), "{sent:02X?}");
    for row in &rows[..rows.len() - 1] {
        assert_eq!(reading(&line, &snapshot, &row.tag), Reading::Good(row.typical), "{}", row.tag);
    }
    assert_eq!(reading(&line, &snapshot, "Coil-1185"), Reading::Bad(NoData::Exception(2)));
}

/// The guide's frame: register 5 of a device that is reached directly, hence unit FF.
#[tokio::test(start_paused = true)]
async fn the_poller_sends_the_guides_frame() {
    let line = small_line(0xFF, &[row(Table::Holding, 4, 0.0)]);
    let (dial, sent) = book(vec![(&[0x03, 0x00, 0x04, 0x00, 0x01], &[0x03, 0x02, 0x00, 0x05])]);
    let snapshot = snapshot_after(&line, dial, Duration::from_millis(500)).await;
    let sent = sent.lock().unwrap().clone();
    assert_eq!(sent.len(), 1);
    assert_eq!(sent[0][2..], [0x00, 0x00, 0x00, 0x06, 0xFF, 0x03, 0x00, 0x04, 0x00, 0x01]);
    assert_eq!(reading(&line, &snapshot, "Holding-4"), Reading::Good(5.0));
}

#[tokio::test(start_paused = true)]
async fn the_simulator_answers_the_standards_requests_with_its_replies() {
    let simulator = Simulator::new(&small_line(UNIT, &rows()), 1);
    let (mut near, far) = tokio::io::duplex(4096);
    let serving = tokio::spawn(async move { simulator.serve_stream(far, ENDPOINT).await });
    for (transaction, (request, reply)) in (0x1501..).zip(READS.into_iter().chain([REFUSED])) {
        near.write_all(&frame(transaction, UNIT, request)).await.unwrap();
        let expected = frame(transaction, UNIT, reply);
        let mut found = vec![0; expected.len()];
        near.read_exact(&mut found).await.unwrap();
        assert_eq!(found, expected, "{request:02X?}");
    }
    // Nothing stands behind the last reply.
    near.shutdown().await.unwrap();
    assert_eq!(near.read(&mut [0]).await.unwrap(), 0);
    serving.await.unwrap();
}
