//! What a register can hold, against what the files ask of the signal in it.

use super::signals::label;
use crate::line::LineSignal;
use crate::problem::{Code, quoted};
use crate::quantity::short;
use crate::raw::line::RawSignal;
use crate::reader::Sink;
use setward_protocol::{ByteOrder, Encoding, Raw, Unit};

/// Lowest and highest value of `encoding` with this scale and offset; `None` for floats, which end nowhere near.
fn held(encoding: Encoding, scale: f64, offset: f64) -> Option<(f64, f64)> {
    let (least, most) = match encoding {
        Encoding::U16 => (0.0, f64::from(u16::MAX)),
        Encoding::I16 => (f64::from(i16::MIN), f64::from(i16::MAX)),
        Encoding::U32 => (0.0, f64::from(u32::MAX)),
        Encoding::I32 => (f64::from(i32::MIN), f64::from(i32::MAX)),
        Encoding::U64 => (0.0, u64::MAX as f64),
        Encoding::I64 => (i64::MIN as f64, i64::MAX as f64),
        Encoding::Bcd4 => (0.0, 9_999.0),
        Encoding::Bcd8 => (0.0, 99_999_999.0),
        Encoding::Bit(_) => (0.0, 1.0),
        Encoding::F32 | Encoding::F64 => return None,
    };
    let (one, other) = (least * scale + offset, most * scale + offset);
    Some((one.min(other), one.max(other)))
}

/// Lowest and highest value that the signal can ever show: its range, as far as its register holds it.
pub(crate) fn shown(signal: &LineSignal) -> (f64, f64) {
    let (low, high) = signal.range;
    let wire = signal.register().map(|register| &register.wire);
    match wire.and_then(|wire| held(wire.encoding, wire.scale, wire.offset)) {
        Some((least, most)) => (low.max(least), high.min(most)),
        None => (low, high),
    }
}

/// The same for people, as a hint.
pub(crate) fn shown_hint(signal: &LineSignal) -> String {
    let (low, high) = shown(signal);
    let (tag, unit, ends) = (quoted(&signal.tag), signal.unit, format!("{} to {}", short(low), short(high)));
    if (low, high) == signal.range {
        format!("the range of {tag} is {ends} {unit}")
    } else {
        format!("the register of {tag} shows {ends} {unit} of its range")
    }
}

/// Reports a range of which the register holds nothing, or not all. A few counts are rounding.
pub(super) fn holds_range(
    raw: &RawSignal,
    (encoding, scale, offset): (Option<Encoding>, Option<f64>, f64),
    (unit, range): (Option<Unit>, Option<(f64, f64)>),
    sink: &mut Sink,
) {
    let (Some(encoding), Some(scale), Some(unit), Some((low, high))) = (encoding, scale, unit, range) else {
        return;
    };
    let (Some(written), Some((least, most))) = (&raw.range, held(encoding, scale, offset)) else { return };
    if matches!(encoding, Encoding::Bit(_)) {
        return;
    }
    // As the import of a register list has it.
    let slack = (most - least) / 1e4;
    let (code, follows) = if high < least || low > most {
        (Code::OutOfBounds, ": no value could ever be good")
    } else if low < least - slack || high > most + slack {
        (Code::SecondLook, "")
    } else {
        return;
    };
    let message = format!(
        "`range` is {} to {} {unit}, and a register of the encoding {} holds {} to {} {unit} here{follows}",
        short(low),
        short(high),
        encoding.name(),
        short(least),
        short(most)
    );
    let hint = "correct `encoding`, `scale` or `offset`, or write the range that it can show";
    sink.report(code, written.at, message, hint);
}

/// Reports what only a number can have and a bit has: by a scale or an offset it would be neither 0 nor 1.
pub(super) fn bare_bit(
    raw: &RawSignal,
    encoding: Option<Encoding>,
    range: Option<(f64, f64)>,
    sink: &mut Sink,
) {
    if !matches!(encoding, Some(Encoding::Bit(_))) {
        return;
    }
    let scale = raw.scale.as_ref().filter(|scale| scale.value != 1.0).map(|scale| scale.at);
    let offset = raw.offset.as_ref().filter(|offset| offset.value != 0.0).map(|offset| offset.at);
    let no_value = raw.no_value.as_ref().filter(|codes| !codes.value.is_empty()).map(|codes| codes.at);
    let range =
        raw.range.as_ref().filter(|_| range.is_some_and(|range| range != (0.0, 1.0))).map(|range| range.at);
    for (key, at) in [("scale", scale), ("offset", offset), ("no_value", no_value), ("range", range)] {
        if let Some(at) = at {
            let message = format!("{} is a bit, which is 0 or 1: `{key}` does not belong to it", label(raw));
            let hint = format!("take `{key}` out; where 0 is the trouble, write `is = [0]`");
            sink.report(Code::Conflict, at, message, hint);
        }
    }
}

/// Raw numbers that mean "no value", each one that the encoding can hold.
pub(super) fn no_value(raw: &RawSignal, encoding: Option<Encoding>, sink: &mut Sink) -> Option<Vec<i64>> {
    let Some(codes) = &raw.no_value else { return Some(Vec::new()) };
    let encoding = encoding?;
    let mut good = true;
    if !encoding.is_whole() {
        let hint = "take it out: not-a-number and infinity always count as a sensor fault";
        sink.report(Code::Conflict, codes.at, "`no_value` is for whole numbers, and this is a float", hint);
        good = false;
    } else {
        for code in &codes.value {
            if encoding.encode(Raw::Whole(i128::from(code.value)), ByteOrder::Abcd).is_err() {
                let message =
                    format!("a register of the encoding {} can't hold {}", encoding.name(), code.value);
                sink.report(
                    Code::OutOfBounds,
                    code.at,
                    message,
                    "write the raw number as that encoding reads it",
                );
                good = false;
            }
        }
    }
    good.then(|| codes.value.iter().map(|code| code.value).collect())
}
