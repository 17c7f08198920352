//! Bytes in, bytes out: Modbus TCP frames and the requests in them. No I/O, no state.
//!
//! Facts are from the Modbus Application Protocol V1.1b3 and the Messaging on TCP/IP Implementation Guide V1.0b. Checks
//! follow the standard's order: function (01), then quantity and structure (03), then address (02).
//!
//! Invariant: no function here panics, whatever the bytes.

use setward_protocol::{ReadLimits, Table};

/// Bytes before the PDU: transaction, protocol, length, unit.
const HEADER_BYTES: usize = 7;
/// Bytes before the part that the length field counts.
const BEFORE_LENGTH_BYTES: usize = 6;
/// Unit id and 1 to 253 bytes of PDU.
const LENGTHS: std::ops::RangeInclusive<usize> = 2..=254;
/// The most bytes of one frame.
pub const MAX_FRAME_BYTES: usize = BEFORE_LENGTH_BYTES + 254;

/// Function code 2B, encapsulated interface, and its type 0E, device identification.
const ENCAPSULATED: u8 = 0x2B;
const IDENTIFICATION: u8 = 0x0E;

/// Where a frame's function code and data begin; the unit id stands before them.
pub(crate) const fn answer_begins_at() -> usize {
    HEADER_BYTES
}

/// What the bytes received so far are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Received<'a> {
    /// The beginning of a frame.
    Part,
    /// A whole frame at the front.
    Whole(Frame<'a>),
    /// No Modbus frame; nothing that follows can be trusted.
    Garbage,
}

/// A whole frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Frame<'a> {
    /// Transaction id, copied into the reply.
    pub transaction: u16,
    /// Unit id, copied into the reply.
    pub unit: u8,
    /// Function code and data; not empty.
    pub pdu: &'a [u8],
}

impl Frame<'_> {
    /// How many bytes the frame takes.
    #[must_use]
    pub const fn bytes(&self) -> usize {
        HEADER_BYTES + self.pdu.len()
    }
}

/// What stands at the front of `bytes`.
#[must_use]
pub fn receive(bytes: &[u8]) -> Received<'_> {
    let Some((header, rest)) = bytes.split_first_chunk::<HEADER_BYTES>() else { return Received::Part };
    let [transaction_high, transaction_low, protocol_high, protocol_low, high, low, unit] = *header;
    let length = usize::from(u16::from_be_bytes([high, low]));
    if (protocol_high, protocol_low) != (0, 0) || !LENGTHS.contains(&length) {
        return Received::Garbage;
    }
    match rest.get(..length - 1) {
        Some(pdu) => Received::Whole(Frame {
            transaction: u16::from_be_bytes([transaction_high, transaction_low]),
            unit,
            pdu,
        }),
        None => Received::Part,
    }
}

/// The frame that carries `pdu` in answer to `request`.
#[must_use]
pub fn reply_frame(request: &Frame<'_>, pdu: &[u8]) -> Vec<u8> {
    let length = u16::try_from(pdu.len() + 1).unwrap_or(u16::MAX);
    let mut bytes = Vec::with_capacity(HEADER_BYTES + pdu.len());
    bytes.extend(request.transaction.to_be_bytes());
    bytes.extend([0, 0]);
    bytes.extend(length.to_be_bytes());
    bytes.push(request.unit);
    bytes.extend(pdu);
    bytes
}

/// Why a request is refused; the number is the standard's exception code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Exception(pub u8);

impl Exception {
    /// The function code is not served.
    pub const FUNCTION: Self = Self(0x01);
    /// An address of the request doesn't exist.
    pub const ADDRESS: Self = Self(0x02);
    /// Quantity or structure of the request is wrong.
    pub const QUANTITY: Self = Self(0x03);
    /// Nobody answers to the unit id.
    pub const NO_SUCH_UNIT: Self = Self(0x0B);

    /// The PDU that refuses a request with function code `function`.
    #[must_use]
    pub fn pdu(self, function: u8) -> Vec<u8> {
        vec![function | 0x80, self.0]
    }
}

/// A device as requests see it.
pub trait Device {
    /// Most registers and bits a request may ask for.
    fn limits(&self) -> ReadLimits;
    /// `count` words (or bits, one a word) from the 0-based `first` on; `None` if one of them doesn't exist.
    fn read(&self, table: Table, first: u16, count: u16) -> Option<Vec<u16>>;
    /// Vendor, product and revision: objects 00 to 02 of the identification.
    fn identity(&self) -> [String; 3];
    /// Whether it sends one register too few.
    fn short(&self) -> bool {
        false
    }
}

/// The PDU that answers `pdu`.
#[must_use]
pub fn answer(pdu: &[u8], device: &impl Device) -> Vec<u8> {
    let function = pdu.first().copied().unwrap_or_default();
    match try_answer(pdu, device) {
        Ok(reply) => reply,
        Err(exception) => exception.pdu(function),
    }
}

fn try_answer(pdu: &[u8], device: &impl Device) -> Result<Vec<u8>, Exception> {
    match pdu {
        [0x01, rest @ ..] => answer_read(Table::Coil, rest, device),
        [0x02, rest @ ..] => answer_read(Table::Discrete, rest, device),
        [0x03, rest @ ..] => answer_read(Table::Holding, rest, device),
        [0x04, rest @ ..] => answer_read(Table::Input, rest, device),
        [ENCAPSULATED, IDENTIFICATION, rest @ ..] => answer_identification(rest, device),
        // Without its type byte a 2B request is misshapen rather than unknown.
        [ENCAPSULATED] => Err(Exception::QUANTITY),
        _ => Err(Exception::FUNCTION),
    }
}

fn answer_read(table: Table, data: &[u8], device: &impl Device) -> Result<Vec<u8>, Exception> {
    let [first_high, first_low, count_high, count_low] = data else { return Err(Exception::QUANTITY) };
    let first = u16::from_be_bytes([*first_high, *first_low]);
    let count = u16::from_be_bytes([*count_high, *count_low]);
    let (standard, own) = (ReadLimits::STANDARD, device.limits());
    let most =
        if table.is_bits() { standard.bits.min(own.bits) } else { standard.registers.min(own.registers) };
    if !(1..=most).contains(&count) {
        return Err(Exception::QUANTITY);
    }
    let mut words = device.read(table, first, count).ok_or(Exception::ADDRESS)?;
    if device.short() {
        // A byte holds eight bits: to be too few they must lose a byte.
        words.truncate(words.len().saturating_sub(if table.is_bits() { 8 } else { 1 }));
    }
    let data = if table.is_bits() {
        pack_bits(&words)
    } else {
        words.iter().flat_map(|word| word.to_be_bytes()).collect()
    };
    let bytes = u8::try_from(data.len()).map_err(|_| Exception::QUANTITY)?;
    let mut reply = vec![table.read_function(), bytes];
    reply.extend(data);
    Ok(reply)
}

/// Bits into bytes, the first bit lowest in the first byte, the last byte filled up with zeros.
fn pack_bits(bits: &[u16]) -> Vec<u8> {
    let pack = |byte: &[u16]| byte.iter().rev().fold(0, |packed, bit| (packed << 1) | u8::from(*bit != 0));
    bits.chunks(8).map(pack).collect()
}

/// Basic identification, as a stream or one object at a time. A higher level than this one is answered at this one.
fn answer_identification(data: &[u8], device: &impl Device) -> Result<Vec<u8>, Exception> {
    const STREAM_AND_SINGLE: u8 = 0x81;
    const ONE_OBJECT: u8 = 0x04;
    let [code, object] = data else { return Err(Exception::QUANTITY) };
    let objects = device.identity();
    let wanted = usize::from(*object);
    let (first, count) = match *code {
        0x01..=0x03 if wanted < objects.len() => (wanted, objects.len() - wanted),
        // The standard starts an unknown object of a stream at the beginning.
        0x01..=0x03 => (0, objects.len()),
        ONE_OBJECT if wanted < objects.len() => (wanted, 1),
        ONE_OBJECT => return Err(Exception::ADDRESS),
        _ => return Err(Exception::QUANTITY),
    };
    let count_byte = u8::try_from(count).unwrap_or_default();
    let mut reply = vec![ENCAPSULATED, IDENTIFICATION, *code, STREAM_AND_SINGLE, 0, 0, count_byte];
    for (id, text) in (0_u8..).zip(&objects).skip(first).take(count) {
        // Three objects of at most 60 bytes stay well below the 253 bytes of a PDU.
        let text: Vec<u8> = text.bytes().take(60).collect();
        reply.extend([id, u8::try_from(text.len()).unwrap_or_default()]);
        reply.extend(text);
    }
    Ok(reply)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Holds the values of the standard's examples, and registers 0 to 99.
    struct Example;

    impl Device for Example {
        fn limits(&self) -> ReadLimits {
            ReadLimits::STANDARD
        }

        fn read(&self, table: Table, first: u16, count: u16) -> Option<Vec<u16>> {
            let bits = |bytes: &[u8]| {
                (0..count).map(|bit| u16::from(bytes[usize::from(bit / 8)] >> (bit % 8) & 1)).collect()
            };
            match (table, first, count) {
                (Table::Coil, 0x13, 0x13) => Some(bits(&[0xCD, 0x6B, 0x05])),
                (Table::Discrete, 0xC4, 0x16) => Some(bits(&[0xAC, 0xDB, 0x35])),
                (Table::Holding, 0x6B, 3) => Some(vec![555, 0, 100]),
                (Table::Input, 8, 1) => Some(vec![10]),
                (Table::Holding, first, count) if first.checked_add(count)? <= 100 => {
                    Some(vec![0; usize::from(count)])
                }
                _ => None,
            }
        }

        fn identity(&self) -> [String; 3] {
            ["Company identification", "Product code XX", "V2.11"].map(str::to_owned)
        }
    }

    fn check(request: &[u8], reply: &[u8]) {
        assert_eq!(answer(request, &Example), reply, "{request:02X?}");
    }

    /// Modbus Application Protocol V1.1b3, sections 6.1 to 6.4.
    #[test]
    fn the_standards_examples_of_reading() {
        check(&[0x01, 0, 0x13, 0, 0x13], &[0x01, 3, 0xCD, 0x6B, 0x05]);
        check(&[0x02, 0, 0xC4, 0, 0x16], &[0x02, 3, 0xAC, 0xDB, 0x35]);
        check(&[0x03, 0, 0x6B, 0, 0x03], &[0x03, 6, 0x02, 0x2B, 0, 0, 0, 0x64]);
        check(&[0x04, 0, 0x08, 0, 0x01], &[0x04, 2, 0, 0x0A]);
    }

    /// Modbus Application Protocol V1.1b3, section 7 (the example of an exception) and section 4.4 (96 + 5 of 100).
    #[test]
    fn the_standards_examples_of_refusing() {
        check(&[0x01, 0x04, 0xA1, 0, 0x01], &[0x81, 0x02]);
        check(&[0x03, 0, 96, 0, 5], &[0x83, 0x02]);
        assert_eq!(answer(&[0x03, 0, 96, 0, 4], &Example)[0], 0x03);
    }

    /// Modbus Application Protocol V1.1b3, section 6.21; its printed lengths of objects are wrong, ours are counted.
    #[test]
    fn the_standards_example_of_identification() {
        let mut reply = vec![0x2B, 0x0E, 0x01, 0x81, 0, 0, 3, 0, 22];
        reply.extend(b"Company identification\x01\x0FProduct code XX\x02\x05V2.11");
        check(&[0x2B, 0x0E, 0x01, 0x00], &reply);
        reply[2] = 0x03;
        check(&[0x2B, 0x0E, 0x03, 0x77], &reply);
        check(&[0x2B, 0x0E, 0x04, 0x02], b"\x2B\x0E\x04\x81\x00\x00\x01\x02\x05V2.11");
        check(&[0x2B, 0x0E, 0x04, 0x03], &[0xAB, 0x02]);
        check(&[0x2B, 0x0E, 0x05, 0x00], &[0xAB, 0x03]);
        check(&[0x2B, 0x0D, 0x01, 0x00], &[0xAB, 0x01]);
    }

    /// Messaging Guide V1.0b, section 3.1.3: reading register 5.
    #[test]
    fn the_guides_example_of_a_frame() {
        let bytes = [0x15, 0x01, 0, 0, 0, 6, 0xFF, 0x03, 0, 4, 0, 1];
        let Received::Whole(frame) = receive(&bytes) else { panic!("no frame") };
        assert_eq!(frame, Frame { transaction: 0x1501, unit: 0xFF, pdu: &[0x03, 0, 4, 0, 1] });
        assert_eq!(frame.bytes(), 12);
        let reply = reply_frame(&frame, &[0x03, 2, 0, 5]);
        assert_eq!(reply, [0x15, 0x01, 0, 0, 0, 5, 0xFF, 0x03, 2, 0, 5]);
    }

    /// Function before quantity before address: the order of the standard's state diagrams.
    #[test]
    fn checks_come_in_the_standards_order() {
        check(&[0x06, 0xFF, 0xFF, 0xFF, 0xFF], &[0x86, 0x01]);
        check(&[0x10, 0, 1, 0, 2, 4, 0, 10, 1, 2], &[0x90, 0x01]);
        for count in [[0, 0], [0, 126], [0xFF, 0xFF]] {
            check(&[0x03, 0xFF, 0xFF, count[0], count[1]], &[0x83, 0x03]);
        }
        check(&[0x01, 0xFF, 0xFF, 0x07, 0xD1], &[0x81, 0x03]);
        check(&[0x03, 0xFF, 0xFF, 0, 2], &[0x83, 0x02]);
        check(&[0x03, 0, 0, 0], &[0x83, 0x03]);
        check(&[0x03, 0, 0, 0, 1, 0], &[0x83, 0x03]);
    }

    #[test]
    fn what_is_no_frame_is_told_from_what_is_not_yet_one() {
        assert_eq!(receive(&[0, 1, 0, 0, 0, 6, 1, 3, 0]), Received::Part);
        assert_eq!(receive(&[0, 1, 0, 1, 0, 6, 1, 3]), Received::Garbage);
        for length in [0_u16, 1, 255, 0xFFFF] {
            let [high, low] = length.to_be_bytes();
            assert_eq!(receive(&[0, 1, 0, 0, high, low, 1, 3]), Received::Garbage, "{length}");
        }
    }

    proptest! {
        #[test]
        fn any_bytes_get_a_lawful_reply_or_none(bytes: Vec<u8>) {
            if let Received::Whole(frame) = receive(&bytes) {
                let reply = reply_frame(&frame, &answer(frame.pdu, &Example));
                prop_assert!(reply.len() <= MAX_FRAME_BYTES);
                let Received::Whole(echo) = receive(&reply) else { panic!("the reply is no frame") };
                prop_assert_eq!((echo.transaction, echo.unit), (frame.transaction, frame.unit));
            }
        }

        #[test]
        fn any_request_is_answered_or_refused(function in 0_u8..=0x30, data: Vec<u8>) {
            let mut pdu = vec![function];
            pdu.extend(data);
            let reply = answer(&pdu, &Example);
            prop_assert!(reply[0] & 0x7F == function);
            prop_assert!(reply[0] & 0x80 == 0 || reply.len() == 2);
            prop_assert!(reply.len() <= 253);
        }
    }
}
