//! What a controller says it is: function 2B with MEI type 0E, basic device identification (Modbus Application Protocol
//! V1.1b3, 6.21). A connection of its own, so that a controller that does not know the function spoils nothing else.
//!
//! The Modbus library has the function, but does not let its read code be named; so the one frame is made here.

use crate::poll::dial::{Dial, Stream};
use crate::poll::session::ReadFailure;
use serde::Serialize;
use std::time::Duration;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::time::timeout;

/// Function, MEI type, read code "basic", first object.
const REQUEST_PDU: [u8; 4] = [0x2B, 0x0E, 0x01, 0x00];
/// Transaction, protocol, length and unit.
const HEADER_BYTES: usize = 7;
/// The longest a frame may be after its length: unit and PDU.
const LENGTHS: std::ops::RangeInclusive<usize> = 2..=254;

/// One thing that a controller says of itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Identity {
    /// Number of the object: 0 vendor, 1 product code, 2 revision.
    pub object: u8,
    /// Its text; what is not printable is left out.
    pub text: String,
}

impl Identity {
    /// What the object is.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self.object {
            0 => "vendor",
            1 => "product code",
            2 => "revision",
            _ => "other",
        }
    }
}

/// Asks for the basic identification.
///
/// # Errors
/// Why there is none, in words. Many controllers have none: that is no fault.
pub async fn identify(
    dial: &dyn Dial,
    endpoint: &str,
    unit_id: u8,
    within: Duration,
) -> Result<Vec<Identity>, String> {
    let mut stream = match timeout(within, dial.dial(endpoint)).await {
        Ok(Ok(stream)) => stream,
        Ok(Err(error)) => return Err(format!("no second connection for it ({error})")),
        Err(_elapsed) => return Err("no second connection for it in time".to_owned()),
    };
    let answer = timeout(within, exchange(&mut *stream, unit_id)).await;
    // Whether the other end still listens does not matter any more.
    let _ended = timeout(Duration::from_millis(100), stream.shutdown()).await;
    match answer {
        Ok(Ok(pdu)) => objects(&pdu),
        Ok(Err(error)) => Err(format!("the connection ended ({error})")),
        Err(_elapsed) => Err(format!("no answer within {} ms", within.as_millis())),
    }
}

/// What the device at the other end of a fresh connection says of itself, as one line; or in words why it says nothing.
///
/// # Errors
/// [`ReadFailure::NoReply`] and [`ReadFailure::Broken`]: then nothing is known of it.
pub(crate) async fn over(
    stream: &mut dyn Stream,
    unit_id: u8,
    within: Duration,
) -> Result<String, ReadFailure> {
    let pdu =
        timeout(within, exchange(stream, unit_id)).await.map_err(|_elapsed| ReadFailure::NoReply(within))?;
    let said =
        |objects: Vec<Identity>| objects.into_iter().map(|one| one.text).collect::<Vec<_>>().join(", ");
    Ok(objects(&pdu.map_err(|_error| ReadFailure::Broken)?)
        .map_or_else(|why| format!("nothing ({why})"), said))
}

async fn exchange(stream: &mut dyn Stream, unit_id: u8) -> std::io::Result<Vec<u8>> {
    let mut frame = vec![0, 1, 0, 0, 0, 1 + REQUEST_PDU.len() as u8, unit_id];
    frame.extend(REQUEST_PDU);
    stream.write_all(&frame).await?;
    let mut header = [0; HEADER_BYTES];
    stream.read_exact(&mut header).await?;
    let [_, _, _, _, high, low, _] = header;
    let length = usize::from(u16::from_be_bytes([high, low]));
    if !LENGTHS.contains(&length) {
        return Err(std::io::ErrorKind::InvalidData.into());
    }
    let mut pdu = vec![0; length - 1];
    stream.read_exact(&mut pdu).await?;
    Ok(pdu)
}

/// The objects of an answer.
fn objects(pdu: &[u8]) -> Result<Vec<Identity>, String> {
    let strange = || "what it answered is no identification".to_owned();
    let mut rest = match pdu {
        [0xAB, code, ..] => return Err(format!("it refuses with exception {code:02}")),
        [0x2B, 0x0E, _code, _conformity, _more, _next, count, rest @ ..] if *count > 0 => rest,
        _ => return Err(strange()),
    };
    let mut found = Vec::new();
    while let [object, length, after @ ..] = rest {
        let value = after.get(..usize::from(*length)).ok_or_else(strange)?;
        found.push(Identity { object: *object, text: printable(value) });
        rest = after.get(usize::from(*length)..).unwrap_or_default();
    }
    Ok(found)
}

fn printable(bytes: &[u8]) -> String {
    let text = String::from_utf8_lossy(bytes);
    text.chars().filter(|letter| !letter.is_control()).take(120).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The standard's example, with the length of its second object put right.
    #[test]
    fn the_standards_example_is_read() {
        let mut pdu = vec![0x2B, 0x0E, 1, 1, 0, 0, 3, 0, 22];
        pdu.extend(b"Company identification");
        pdu.extend([1, 15]);
        pdu.extend(b"Product code XX");
        pdu.extend([2, 5]);
        pdu.extend(b"V2.11");
        let found = objects(&pdu).unwrap();
        let texts: Vec<(&str, &str)> = found.iter().map(|one| (one.name(), one.text.as_str())).collect();
        let expected = [
            ("vendor", "Company identification"),
            ("product code", "Product code XX"),
            ("revision", "V2.11"),
        ];
        assert_eq!(texts, expected);
    }

    #[test]
    fn a_refusal_is_told_and_nonsense_too() {
        assert_eq!(objects(&[0xAB, 1]), Err("it refuses with exception 01".to_owned()));
        for nonsense in [&[][..], &[0x03, 2, 0, 0], &[0x2B, 0x0E, 1, 1, 0, 0, 1, 0, 200, 65]] {
            assert!(objects(nonsense).is_err(), "{nonsense:?}");
        }
    }

    proptest::proptest! {
        #[test]
        fn no_answer_makes_it_panic(pdu in proptest::collection::vec(0_u8.., 0..60)) {
            let _any = objects(&pdu);
        }
    }
}
