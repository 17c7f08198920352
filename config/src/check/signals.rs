//! Signals: place, encoding, range, and what the simulator and people know of them.

use super::controllers::Times;
use super::intervals::interval;
use super::places::Placed;
use super::stations::too_many;
use super::{LineNames, conditions, controllers, registers};
use crate::capacity::MAX_SIGNALS;
use crate::line::{Behaves, ControllerId, LineSignal, Origin, Register, Role, Simulate, StationId, Wiring};
use crate::problem::{At, Code, Span, quoted};
use crate::quantity::{self, short, show_time};
use crate::raw::line::{RawEncoding, RawLine, RawPlace, RawSignal, RawSimulate, RawWiring};
use crate::reader::{Sink, TimeOrWord, nearest_or_all};
use setward_protocol::{ByteOrder, Encoding, Signal, Table, Unit};
use std::collections::BTreeMap;
use std::time::Duration;

/// How long a noisy analogue value may be exactly constant if the file does not say.
const STUCK_AFTER: Duration = Duration::from_secs(600);

/// Every signal, absent where something is wrong with it; and where each one is, as far as that is known.
pub(crate) fn check(
    raw: &RawLine,
    times: &[Option<Times>],
    names: &LineNames<'_>,
    sink: &mut Sink,
) -> (Vec<Option<LineSignal>>, Vec<Option<Placed>>) {
    let last = raw.tags().flatten().last();
    too_many(sink, raw.tags().count(), MAX_SIGNALS, "signals", last);
    raw.signals.iter().map(|one| signal(one, times, names, sink)).unzip()
}

fn signal(
    raw: &RawSignal,
    times: &[Option<Times>],
    names: &LineNames<'_>,
    sink: &mut Sink,
) -> (Option<LineSignal>, Option<Placed>) {
    let placed = placed(raw, names, sink);
    let poll_every = placed
        .ok()
        .and_then(|placed| controllers::poll_every(raw, usize::from(placed.controller), times, names, sink));
    (complete(raw, placed, names, poll_every, sink), placed.ok())
}

/// Fills in what other signals must say for the value of a polled one to be good.
pub(crate) fn good_when(
    raw: &RawLine,
    names: &LineNames<'_>,
    signals: &mut [Option<LineSignal>],
    sink: &mut Sink,
) {
    let has_own = |tag: &str| {
        let named = |one: &&RawSignal| one.tag.as_ref().is_some_and(|name| name.value == tag);
        raw.signals.iter().find(named).is_none_or(|one| one.good_when.is_some())
    };
    for (index, one) in raw.signals.iter().enumerate().filter(|(_, one)| one.good_when.is_some()) {
        let found = conditions::check(one.good_when.as_ref(), names, signals, sink);
        for name in one.good_when.iter().flatten().filter_map(|condition| condition.signal.as_ref()) {
            if names.signals.has(&name.value) && has_own(&name.value) {
                let message = format!("{} can't vouch for {}", quoted(&name.value), label(one));
                let hint = "name a signal of a controller that has no `good_when` of its own";
                sink.report(Code::Conflict, name.at, message, hint);
            }
        }
        match (signals.get_mut(index), found) {
            (Some(Some(signal)), Some(found)) => signal.good_when = found,
            (Some(slot), None) => *slot = None,
            (Some(None) | None, _) => {}
        }
    }
}

/// Controller, address and encoding; or the encoding alone, if that is all that is known.
fn placed(raw: &RawSignal, names: &LineNames<'_>, sink: &mut Sink) -> Result<Placed, Option<Encoding>> {
    let controller = raw.controller.as_ref().and_then(|name| names.controllers.find(name, sink));
    let place = place(raw, sink);
    let encoding = place.and_then(|(table, _)| encoding(raw, table, sink));
    fits_table(raw, place, encoding, sink);
    let controller = controller.and_then(|index| u16::try_from(index).ok());
    match (controller, place, encoding) {
        (Some(controller), Some((table, address)), Some(encoding)) => {
            Ok(Placed { controller, table, address, encoding })
        }
        (_, _, encoding) => Err(encoding),
    }
}

/// The signal, if all of it is right.
fn complete(
    raw: &RawSignal,
    placed: Result<Placed, Option<Encoding>>,
    names: &LineNames<'_>,
    poll_every: Option<Duration>,
    sink: &mut Sink,
) -> Option<LineSignal> {
    let encoding = placed.map_or_else(|encoding| encoding, |placed| Some(placed.encoding));
    let station = raw.station.as_ref().and_then(|name| names.stations.find(name, sink));
    let order = encoding.and_then(|encoding| order(raw, encoding, sink));
    let no_value = registers::no_value(raw, encoding, sink);
    let (scale, offset) = (scale(raw, sink), raw.offset.as_ref().map_or(0.0, |offset| offset.value));
    let unit = unit(raw, encoding, sink);
    let range = unit.and_then(|unit| range(raw, unit, sink));
    registers::bare_bit(raw, encoding, range, sink);
    registers::holds_range(raw, (encoding, scale, offset), (unit, range), sink);
    let simulate =
        unit.zip(range).and_then(|(unit, range)| simulate(raw.simulate.as_ref(), unit, range, sink));
    let codes = codes(raw, sink);
    let behaves = behaves(raw, encoding, sink);
    let stuck_after = stuck_after(raw, unit, simulate, poll_every, sink);
    let Placed { controller, table, address, encoding } = placed.ok()?;
    let wire = Signal {
        table,
        address,
        encoding,
        order: order?,
        scale: scale?,
        offset,
        range: range?,
        no_value: no_value?,
    };
    Some(LineSignal {
        tag: raw.tag.as_ref()?.value.clone(),
        name: raw.name.as_ref()?.value.clone(),
        station: StationId(u16::try_from(station?).ok()?),
        role: raw.role.as_ref()?.value,
        unit: unit?,
        decimals: decimals(raw, encoding),
        range: range?,
        origin: Origin::Register(Register {
            controller: ControllerId(controller),
            poll_every: poll_every?,
            wire,
        }),
        behaves,
        stuck_after: stuck_after?,
        commissioned: raw.commissioned.as_ref().is_none_or(|commissioned| commissioned.value),
        good_when: Vec::new(),
        codes,
        means: raw.means.as_ref().map(|means| means.value),
        simulate: simulate?,
        wiring: raw.wiring.as_ref().map(wiring).unwrap_or_default(),
        was: raw.was.as_ref().map(|was| was.value.clone()),
    })
}

/// A counter is a number.
fn behaves(raw: &RawSignal, encoding: Option<Encoding>, sink: &mut Sink) -> Behaves {
    let Some(written) = &raw.behaves else { return Behaves::Value };
    if written.value == Behaves::Total && matches!(encoding, Some(Encoding::Bit(_))) {
        let message = format!("{} is a bit, which counts nothing", label(raw));
        sink.report(Code::Conflict, written.at, message, "take `behaves` out");
    }
    written.value
}

/// How long an analogue value that is known to be noisy may be exactly constant; the inner `None` is for ever.
fn stuck_after(
    raw: &RawSignal,
    unit: Option<Unit>,
    simulate: Option<Simulate>,
    poll_every: Option<Duration>,
    sink: &mut Sink,
) -> Option<Option<Duration>> {
    let is_total = raw.behaves.as_ref().is_some_and(|behaves| behaves.value == Behaves::Total);
    let is_measured = raw.role.as_ref()?.value == Role::Measured;
    let is_analogue = is_measured && !is_total && !matches!(unit?, Unit::One | Unit::Bit);
    let written = match raw.stuck_after {
        None => return Some((is_analogue && simulate?.noise > 0.0).then_some(STUCK_AFTER)),
        Some(TimeOrWord::Word(_)) => return Some(None),
        Some(TimeOrWord::Time(time)) => time,
    };
    let shortest = poll_every? * 3;
    if !is_analogue {
        let message = format!("{} may well stand still: it is no measured analogue value", label(raw));
        sink.report(Code::Conflict, written.at, message, "take `stuck_after` out");
    } else if written.value < shortest {
        let message = format!(
            "`stuck_after` is {}, and the signal is read every {}",
            show_time(written.value),
            show_time(shortest / 3)
        );
        sink.report(
            Code::Conflict,
            written.at,
            message,
            "write at least three times its poll period, or \"never\"",
        );
    }
    Some(Some(written.value))
}

/// The signal for people, wherever it is mentioned.
pub(crate) fn label(raw: &RawSignal) -> String {
    raw.tag.as_ref().map_or_else(|| "the signal".to_owned(), |tag| quoted(&tag.value))
}

/// Keys that give an address.
const ADDRESSES: [&str; 5] = ["holding", "input", "coil", "discrete", "number"];

/// Records that `key` is missing, unless it is there and was refused.
fn missing(raw: &RawSignal, key: &str, example: &str, sink: &mut Sink) {
    if !raw.given.contains(&key) {
        sink.missing(raw.at, &format!("[[signal]] {}", label(raw)), key, example);
    }
}

fn place(raw: &RawSignal, sink: &mut Sink) -> Option<(Table, u16)> {
    let hint = "write one of `holding = 100`, `input = 100`, `coil = 100`, `discrete = 100` (0-based), or `number = 40101`";
    match raw.places.as_slice() {
        [] if raw.given.iter().any(|key| ADDRESSES.contains(key)) => None,
        [] => {
            sink.report(Code::Place, raw.at, format!("{} has no address", label(raw)), hint);
            None
        }
        [one] => table_and_address(one, sink),
        [first, .., last] => {
            let message =
                format!("`{}` and `{}` both give an address to {}", first.key, last.key, label(raw));
            sink.report_pair(
                Code::Place,
                last.at,
                (message, hint.to_owned()),
                (first.at, "the other one".to_owned()),
            );
            None
        }
    }
}

fn table_and_address(place: &RawPlace, sink: &mut Sink) -> Option<(Table, u16)> {
    let found = match place.table {
        Some(table) => u16::try_from(place.value).ok().map(|address| (table, address)),
        None => from_number(place.value),
    };
    if let (Some(table), Some((_, address))) = (place.table, found) {
        looks_printed(place, table, address, sink);
    }
    if found.is_none() {
        let message = format!("{} is no number that a drawing prints", place.value);
        let hint = "coils are 1 to 9999, discrete inputs 10001.., input registers 30001.., holding registers 40001..; \
                    with six digits 100001.., 300001.., 400001..";
        sink.report(Code::Place, place.at, message, hint);
    }
    found
}

/// Tells of a 0-based address that looks like what a drawing prints: 40101 there is holding 100 here.
fn looks_printed(place: &RawPlace, table: Table, address: u16, sink: &mut Sink) {
    if let Some((printed, meant)) = from_number(place.value)
        && printed == table
        && table != Table::Coil
    {
        let long = match table {
            Table::Holding => 400_001,
            Table::Input => 300_001,
            Table::Discrete | Table::Coil => 100_001,
        } + i64::from(address);
        let (key, number) = (&place.key, place.value);
        let message =
            format!("`{key}` counts from 0: where a drawing prints {number}, it is `{key} = {meant}`");
        let hint =
            format!("write `number = {number}` for that one, `number = {long}` if {number} from 0 is meant");
        sink.report(Code::SecondLook, place.at, message, hint);
    }
}

/// Table and 0-based address of a printed number of five or six digits.
fn from_number(number: i64) -> Option<(Table, u16)> {
    let bases = [
        (1, 9_999, Table::Coil),
        (10_001, 19_999, Table::Discrete),
        (30_001, 39_999, Table::Input),
        (40_001, 49_999, Table::Holding),
        (100_001, 165_536, Table::Discrete),
        (300_001, 365_536, Table::Input),
        (400_001, 465_536, Table::Holding),
    ];
    let (base, _, table) = bases.into_iter().find(|(low, high, _)| (*low..=*high).contains(&number))?;
    Some((table, u16::try_from(number - base).ok()?))
}

fn encoding(raw: &RawSignal, table: Table, sink: &mut Sink) -> Option<Encoding> {
    if table.is_bits() {
        return single_bit(raw, table, sink);
    }
    let Some(encoding) = &raw.encoding else {
        missing(raw, "encoding", "\"i16\"", sink);
        return None;
    };
    match (encoding.value, &raw.bit) {
        (RawEncoding::Bit, Some(bit)) => u8::try_from(bit.value).ok().map(Encoding::Bit),
        (RawEncoding::Bit, None) => {
            missing(raw, "bit", "0", sink);
            None
        }
        (RawEncoding::Number(_), Some(bit)) => {
            let hint = "take `bit` out, or write `encoding = \"bit\"`";
            sink.report(Code::Conflict, bit.at, "`bit` belongs to the encoding \"bit\" only", hint);
            None
        }
        (RawEncoding::Number(encoding), None) => Some(encoding),
    }
}

/// Coils and discrete inputs are a bit each: nothing else can be said of them.
fn single_bit(raw: &RawSignal, table: Table, sink: &mut Sink) -> Option<Encoding> {
    let hint = "take it out: the address says it all";
    let noun = if table == Table::Coil { "coil" } else { "discrete input" };
    match (&raw.encoding, &raw.bit) {
        (Some(At { value: RawEncoding::Bit, .. }) | None, None) => Some(Encoding::Bit(0)),
        (_, Some(bit)) => {
            sink.report(Code::Conflict, bit.at, format!("a {noun} is a single bit and has no `bit`"), hint);
            None
        }
        (Some(encoding), None) => {
            let message = format!("a {noun} is a single bit and has no other encoding");
            sink.report(Code::Conflict, encoding.at, message, hint);
            None
        }
    }
}

fn order(raw: &RawSignal, encoding: Encoding, sink: &mut Sink) -> Option<ByteOrder> {
    match &raw.order {
        Some(order) => Some(order.value),
        None if raw.given.contains(&"order") => None,
        None if encoding.words() == 1 => Some(ByteOrder::Abcd),
        None => {
            let message = format!("{} takes {} registers and has no `order`", label(raw), encoding.words());
            let hint = "add `order = \"ABCD\"` (high register first) or \"CDAB\" (low register first), \"BADC\", \"DCBA\"";
            sink.report(Code::MissingKey, raw.at, message, hint);
            None
        }
    }
}

/// The last register must still have an address.
fn fits_table(raw: &RawSignal, place: Option<(Table, u16)>, encoding: Option<Encoding>, sink: &mut Sink) {
    if let (Some((_, address)), Some(encoding), Some(written)) = (place, encoding, raw.places.first())
        && u32::from(address) + u32::from(encoding.words()) > 0x1_0000
    {
        let message = format!("{} takes {} registers from {address} on", label(raw), encoding.words());
        sink.report(Code::Place, written.at, message, "the last address of a table is 65535");
    }
}

fn scale(raw: &RawSignal, sink: &mut Sink) -> Option<f64> {
    let Some(scale) = &raw.scale else { return Some(1.0) };
    if scale.value == 0.0 {
        sink.report(
            Code::OutOfBounds,
            scale.at,
            "`scale` is 0: every count would be the same value",
            "write the value of one count, such as 0.1",
        );
        return None;
    }
    Some(scale.value)
}

fn unit(raw: &RawSignal, encoding: Option<Encoding>, sink: &mut Sink) -> Option<Unit> {
    let is_bit = matches!(encoding?, Encoding::Bit(_));
    let Some(written) = &raw.unit else {
        if !is_bit && !raw.given.contains(&"unit") {
            let message = format!("[[signal]] {} has no `unit`", label(raw));
            sink.report(
                Code::MissingKey,
                raw.at,
                message,
                "add `unit = \"degC\"`, or `unit = \"1\"` for a plain number",
            );
        }
        return is_bit.then_some(Unit::Bit);
    };
    let Some(unit) = Unit::from_signal_symbol(&written.value) else {
        let symbols: Vec<&str> = Unit::ALL.iter().map(|unit| unit.symbol()).collect();
        let message = format!("{} is not a unit", quoted(&written.value));
        let hint = match quantity::meant_by(&written.value) {
            Some(meant) => format!("did you mean `{meant}`?"),
            None => nearest_or_all(&written.value, &symbols),
        };
        sink.report(Code::Quantity, written.at, message, hint);
        return None;
    };
    if is_bit != (unit == Unit::Bit) {
        let found = if is_bit { "a bit" } else { "a number" };
        let message = format!("{} is {found}, and its unit is {}", label(raw), quoted(&written.value));
        let hint = if is_bit { "leave `unit` out" } else { "write `unit = \"1\"` for a plain number" };
        sink.report(Code::Conflict, written.at, message, hint);
        return None;
    }
    Some(unit)
}

fn range(raw: &RawSignal, unit: Unit, sink: &mut Sink) -> Option<(f64, f64)> {
    let Some(range) = &raw.range else {
        if unit != Unit::Bit {
            let example = if unit == Unit::One {
                "[0, 20]".to_owned()
            } else {
                format!("[\"0 {unit}\", \"250 {unit}\"]")
            };
            missing(raw, "range", &example, sink);
        }
        return (unit == Unit::Bit).then_some((0.0, 1.0));
    };
    interval("range", range, unit, Code::OutOfBounds, sink)
}

/// As many digits as one count needs, three at most; one for floats.
fn decimals(raw: &RawSignal, encoding: Encoding) -> u8 {
    const MOST: u8 = 3;
    if let Some(written) = &raw.decimals {
        return u8::try_from(written.value).unwrap_or(MOST);
    }
    if !encoding.is_whole() {
        return 1;
    }
    let scale = raw.scale.as_ref().map_or(1.0, |scale| scale.value.abs());
    let is_enough = |digits: &u8| {
        let counts = scale * 10_f64.powi(i32::from(*digits));
        (counts - counts.round()).abs() <= 1e-9 * counts.max(1.0) && counts >= 0.5
    };
    (0..MOST).find(is_enough).unwrap_or(MOST)
}

fn codes(raw: &RawSignal, sink: &mut Sink) -> BTreeMap<i64, String> {
    let mut codes = BTreeMap::new();
    for (key, text) in &raw.codes {
        match (key.value.parse::<i64>(), text) {
            (Ok(code), Some(text)) => {
                if codes.insert(code, text.value.clone()).is_some() {
                    let message = format!("code {code} has two words");
                    sink.report(Code::Duplicate, key.at, message, "keep one of the two");
                }
            }
            (Err(_), _) => code_problem(sink, key.at, format!("{} is not a code", quoted(&key.value))),
            (Ok(code), None) => code_problem(sink, key.at, format!("the word for code {code} is no text")),
        }
    }
    codes
}

fn code_problem(sink: &mut Sink, at: Span, message: String) {
    sink.report(
        Code::WrongType,
        at,
        message,
        "write each code with its word, such as `codes = { 0 = \"off\", 1 = \"manual\" }`",
    );
}

fn simulate(raw: Option<&RawSimulate>, unit: Unit, range: (f64, f64), sink: &mut Sink) -> Option<Simulate> {
    let (low, high) = range;
    // A plain number is a step, a code or a counter: half-way through its range means nothing.
    let is_plain = matches!(unit, Unit::One | Unit::Bit);
    let rest = if is_plain { low } else { f64::midpoint(low, high) };
    let Some(raw) = raw else {
        return Some(Simulate { typical: rest, noise: 0.0, time_constant: Duration::ZERO });
    };
    let typical = match &raw.typical {
        Some(written) => sink.take("typical", written.at, quantity::point(&written.value, unit)),
        None => Some(rest),
    };
    let noise = match &raw.noise {
        Some(written) => sink.take("noise", written.at, quantity::difference(&written.value, unit)),
        None => Some(0.0),
    };
    if let (Some(value), Some(written)) = (typical, &raw.typical)
        && !(low..=high).contains(&value)
    {
        let message = format!("`typical` lies outside the range, {} to {} {unit}", short(low), short(high));
        sink.report(Code::Conflict, written.at, message, "write a value inside `range`");
    }
    if let (Some(value), Some(written)) = (noise, &raw.noise)
        && value < 0.0
    {
        sink.report(Code::OutOfBounds, written.at, "`noise` is negative", "write its standard deviation");
    }
    let time_constant = raw.time_constant.as_ref().map_or(Duration::ZERO, |time| time.value);
    Some(Simulate { typical: typical?, noise: noise?, time_constant })
}

fn wiring(raw: &RawWiring) -> Wiring {
    let text = |part: &Option<At<String>>| part.as_ref().map(|text| text.value.clone());
    Wiring {
        sensor: text(&raw.sensor),
        channel: text(&raw.channel),
        terminals: text(&raw.terminals),
        drawing: text(&raw.drawing),
        location: text(&raw.location),
    }
}
