//! Wiring and registers of a signal: what a technician needs with a meter, a drawing and a laptop at the panel.

use crate::web::facts::{Scene, SignalFacts};
use crate::web::{live, words};
use maud::{Markup, html};
use setward_config::line::{Origin, Register};
use setward_protocol::{Encoding, Table};

/// Where the value comes from, from the probe to the number.
pub(super) fn show(scene: &Scene<'_>, facts: &SignalFacts<'_>) -> Markup {
    let signal = facts.signal;
    let wiring = &signal.wiring;
    let parts = [&wiring.sensor, &wiring.channel, &wiring.terminals, &wiring.drawing, &wiring.location];
    let own = without_registers(&signal.origin);
    if let Some(own) = own.filter(|_| parts.iter().all(|part| part.is_none())) {
        return html! { section { h2 { "Where it comes from" } p { (own) } } };
    }
    html! {
        section {
            h2 { "Wiring" }
            dl.facts {
                (part("Sensor", wiring.sensor.as_deref()))
                (part("Card and channel", wiring.channel.as_deref()))
                (part("Terminals", wiring.terminals.as_deref()))
                (part("Drawing", wiring.drawing.as_deref()))
                (part("Where to stand", wiring.location.as_deref()))
            }
        }
        section {
            h2 { "Registers" }
            @match signal.register() {
                Some(register) => (registers(scene, facts, register)),
                None => p { (own.unwrap_or_default()) }
            }
        }
    }
}

/// What stands in the place of registers; `None` for a signal that has some.
const fn without_registers(origin: &Origin) -> Option<&'static str> {
    match origin {
        Origin::Register(_) => None,
        Origin::Derived(_) => {
            Some("Computed from other signals: it has no wiring and no registers of its own.")
        }
        Origin::Entered => Some("A person enters it: it has no wiring and no registers."),
        Origin::Followed(_) => {
            Some("Follows from what is entered and from the tanks: it has no wiring and no registers.")
        }
    }
}

fn part(name: &str, text: Option<&str>) -> Markup {
    html! {
        dt { (name) }
        dd { @match text { Some(text) => (text), None => span.unknown { "not in the line file" } } }
    }
}

fn registers(scene: &Scene<'_>, facts: &SignalFacts<'_>, register: &Register) -> Markup {
    let signal = facts.signal;
    let controller = scene.line.controller(register.controller);
    let wire = &register.wire;
    let unit = signal.unit.display();
    let (low, high) = wire.range;
    let is_bit = matches!(wire.encoding, Encoding::Bit(_));
    html! {
        dl.facts {
            dt { "Controller" } dd { (controller.name) ", " code { (controller.endpoint) } ", unit id " (controller.unit_id) }
            dt { "Read by" } dd { "function code " (format!("{:02}", wire.table.read_function())) ", " (wire.table.name()) " table" }
            dt { "Address" }
            dd { b { (wire.address) } " counted from 0 (printed " (printed(wire.table, wire.address)) ")" }
            dt { "Type" } dd { (kind(wire.encoding)) @if !is_bit { ", order " (wire.order.name()) } }
            // A bit is a state: it has neither scale nor range.
            @if !is_bit {
                dt { "Scaling" } dd { "value = raw \u{d7} " (wire.scale) @if wire.offset != 0.0 { " + " (wire.offset) } " " (unit) }
                dt { "Range" } dd { (low) " to " (high) " " (unit) }
                dt { "No-value codes" }
                dd {
                    @if wire.no_value.is_empty() { "none" }
                    @for (index, code) in wire.no_value.iter().enumerate() { @if index > 0 { ", " } (code) }
                }
            }
            (last_words(facts))
        }
    }
}

/// The number as drawings print it: with five digits where it fits, and with six.
fn printed(table: Table, address: u16) -> Markup {
    html! {
        @if let Some(short) = words::printed_five_digits(table, address) { b { (short) } " or " }
        b { (words::printed_six_digits(table, address)) }
    }
}

fn last_words(facts: &SignalFacts<'_>) -> Markup {
    let tag = &facts.signal.tag;
    html! {
        dt { "Words, last answer" }
        dd {
            code data-t=(format!("{tag}.words")) { (live::decimal_words(facts.words())) }
            " " code data-t=(format!("{tag}.hex")) { (live::hex_words(facts.words())) }
        }
        dt { "Raw number" } dd { code data-t=(format!("{tag}.raw")) { (live::raw_number(facts)) } }
        dt { "Decoded" }
        dd {
            @match facts.missing() {
                Some(why) => { "no value: " (why) },
                None => { b data-t=(format!("{tag}.v")) { (facts.shown()) } " " (facts.signal.unit.display()) }
            }
        }
    }
}

fn kind(encoding: Encoding) -> String {
    match encoding {
        Encoding::Bit(number) => format!("bit {number}"),
        Encoding::U16
        | Encoding::I16
        | Encoding::U32
        | Encoding::I32
        | Encoding::U64
        | Encoding::I64
        | Encoding::F32
        | Encoding::F64
        | Encoding::Bcd4
        | Encoding::Bcd8 => encoding.name().to_owned(),
    }
}
