//! What to inject at the terminals for a value, by the sensor that the line file names.

use super::{POINTS_PERCENT, Point};
use crate::commission::written::{short, with_unit};
use serde::Serialize;
use setward_config::line::{LineSignal, Register, Role};
use setward_process::bench::{Class, CurrentLoop, Pt100, Thermocouple};
use setward_protocol::{Encoding, Raw, Unit};

/// Terminals of the simulated thermocouple are taken to be this warm, degC.
const TERMINALS_DEGC: f64 = 25.0;

/// What a sensor is, as far as its text in the line file says.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sensor {
    /// A Pt100, wired to the card.
    Pt100,
    /// A thermocouple of type J.
    ThermocoupleJ,
    /// A thermocouple of type K.
    ThermocoupleK,
    /// A transmitter of 4 to 20 mA.
    Current,
    /// None of these, or not said.
    Other,
}

/// What to set on the calibrator.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Injection {
    /// How much.
    pub value: f64,
    /// `mA`, `ohm` or `mV`.
    pub unit: &'static str,
    /// For a thermocouple: the same with the card's own compensation at work and its terminals at 25 degC.
    pub at_warm_terminals: Option<f64>,
}

impl Sensor {
    /// What the signal's wiring says.
    pub(super) fn of(signal: &LineSignal) -> Self {
        let text = signal.wiring.sensor.as_deref().unwrap_or_default().to_lowercase();
        let is_output = signal.role == Role::Output;
        if text.contains("4-20 ma") || text.contains("4 to 20 ma") || text.contains("4..20 ma") {
            // What a controller sends to a valve is not injected at its output.
            if is_output { Self::Other } else { Self::Current }
        } else if text.contains("pt100") || text.contains("pt 100") {
            Self::Pt100
        } else if text.contains("type k") {
            Self::ThermocoupleK
        } else if text.contains("type j") {
            Self::ThermocoupleJ
        } else {
            Self::Other
        }
    }

    /// What to inject so that the signal reads `value`.
    fn inject(self, signal: &LineSignal, value: f64) -> Option<Injection> {
        let degc = signal.unit.convert(value, Unit::DegC);
        match self {
            Self::Pt100 => {
                Some(Injection { value: Pt100.ohms(degc?).ok()?, unit: "ohm", at_warm_terminals: None })
            }
            Self::ThermocoupleK => millivolts(Thermocouple::K, degc?),
            Self::ThermocoupleJ => millivolts(Thermocouple::J, degc?),
            Self::Current => {
                let (low, high) = transmitter_range(signal).unwrap_or(signal.range);
                let value = CurrentLoop::new(low, high)?.milliamperes(value).ok()?;
                Some(Injection { value, unit: "mA", at_warm_terminals: None })
            }
            Self::Other => None,
        }
    }
}

fn millivolts(kind: Thermocouple, degc: f64) -> Option<Injection> {
    Some(Injection {
        value: kind.millivolts(degc).ok()?,
        unit: "mV",
        at_warm_terminals: kind.measured_millivolts(degc, TERMINALS_DEGC).ok(),
    })
}

/// The range on a transmitter's plate, if its text names one: "pressure transmitter 0-6 bar(g), 4-20 mA".
fn transmitter_range(signal: &LineSignal) -> Option<(f64, f64)> {
    let text = signal.wiring.sensor.as_deref()?;
    let parts = text.split([',', ';']).flat_map(|part| {
        // Each word may begin the range.
        part.char_indices().filter(|(_, letter)| letter.is_ascii_digit()).map(move |(at, _)| part.get(at..))
    });
    parts.flatten().find_map(|part| {
        let (low, rest) = part.split_once(['-', '\u{2013}'])?;
        let low: f64 = low.trim().parse().ok()?;
        let (high, unit) = with_unit(rest.split_once(" at ").map_or(rest, |(before, _)| before)).ok()?;
        let high = unit.convert(high, signal.unit)?;
        let low = unit.convert(low, signal.unit)?;
        (unit != Unit::One && low < high).then_some((low, high))
    })
}

/// What was assumed for a signal.
pub(super) fn notes(signal: &LineSignal, sensor: Sensor) -> Vec<String> {
    let mut notes = Vec::new();
    if matches!(sensor, Sensor::Pt100 | Sensor::ThermocoupleJ | Sensor::ThermocoupleK | Sensor::Current) {
        notes.push(
            "Before a wire is lifted: the loop that this signal drives in manual, its heat or drive isolated and locked out.".to_owned(),
        );
    }
    if !signal.commissioned {
        notes.push("Not wired yet (commissioned = false): it is not read before that is changed.".to_owned());
    }
    match sensor {
        Sensor::Pt100 => notes.push(class_note(signal)),
        Sensor::ThermocoupleK | Sensor::ThermocoupleJ => notes.push(format!(
            "mV against 0 \u{b0}C: for a calibrator that compensates, or a card whose compensation is off. With the card's \
             compensation on and plain copper leads inject the second figure, which holds for terminals at {TERMINALS_DEGC:.0} \u{b0}C."
        )),
        Sensor::Current => notes.push(match transmitter_range(signal) {
            Some((low, high)) => format!(
                "4 mA is {} and 20 mA {} {}, as the sensor's text says; compare with the transmitter's plate.",
                short(low),
                short(high),
                signal.unit.display()
            ),
            None => "Assumes that 4 mA and 20 mA are the ends of `range`; compare with the transmitter's plate.".to_owned(),
        }),
        Sensor::Other => notes.push(other_note(signal)),
    }
    notes
}

fn class_note(signal: &LineSignal) -> String {
    let text = signal.wiring.sensor.as_deref().unwrap_or_default().to_lowercase();
    let class = if text.contains("class a") {
        Some(("A", Class::A))
    } else if text.contains("class b") {
        Some(("B", Class::B))
    } else {
        None
    };
    let (low, high) = signal.range;
    let degc = signal.unit.convert(f64::midpoint(low, high), Unit::DegC);
    match class.zip(degc) {
        Some(((name, class), degc)) => format!(
            "Resistance by IEC 60751. The sensor itself may be off by {:.2} K at {degc:.0} \u{b0}C (class {name}); injection does \
             not test it.",
            class.tolerance_k(degc)
        ),
        None => "Resistance by IEC 60751; injection does not test the sensor itself.".to_owned(),
    }
}

fn other_note(signal: &LineSignal) -> String {
    let text = match (signal.role, signal.unit) {
        (Role::Setpoint, _) => {
            "Only with its heat or drive isolated and locked out: enter the values at the panel, and put back what was there. On a \
             line that is warm or runs, compare the one value that is in force."
        }
        (Role::Output, _) => {
            "An output: compare with the controller's panel while whoever may do that moves it, with its heat or drive isolated."
        }
        (_, Unit::Bit) => {
            "Compare both states with the device's own indication. Bring a state about only by the device's own test, by whoever is \
             licensed for it: never bridge or lift a wire of a protective circuit."
        }
        (Role::Status, _) => {
            "Compare with the controller's panel in each state, as the process goes through them."
        }
        (Role::Measured | Role::Entered, _) => {
            "`sensor` in line.toml names no Pt100, thermocouple of type J or K, or 4-20 mA: no injection is computed."
        }
    };
    text.to_owned()
}

/// The points of a signal.
pub(super) fn points(
    signal: &LineSignal,
    register: &Register,
    sensor: Sensor,
    tolerance_percent: f64,
) -> Vec<Point> {
    let (low, high) = signal.range;
    let codes: Vec<i64> = match (signal.unit, signal.codes.len()) {
        (Unit::Bit, _) => vec![0, 1],
        // One word alone, such as that for none, leaves a number with a range.
        (_, 2..) => signal.codes.keys().copied().collect(),
        (_, _) => Vec::new(),
    };
    if !codes.is_empty() {
        let of_code = |code: i64| point(signal, register, sensor, (None, code as f64, 0.0));
        return codes.into_iter().filter_map(of_code).collect();
    }
    let span = high - low;
    let is_float = matches!(register.wire.encoding, Encoding::F32 | Encoding::F64);
    // A reading can't be finer than a count.
    let count = if is_float { 0.0 } else { register.wire.scale.abs() };
    let tolerance = tolerance_percent / 100.0 * span + count / 2.0;
    POINTS_PERCENT
        .iter()
        .filter_map(|percent| {
            let expected = low + percent / 100.0 * span;
            point(signal, register, sensor, (Some(*percent), expected, tolerance))
        })
        .collect()
}

fn point(
    signal: &LineSignal,
    register: &Register,
    sensor: Sensor,
    (percent, expected, tolerance): (Option<f64>, f64, f64),
) -> Option<Point> {
    let wire = &register.wire;
    let words = wire.encode(expected).ok()?;
    let words = words.get(..usize::from(wire.place().words))?;
    let raw = wire.raw(words)?;
    // Injected is the round point; what a register of whole counts can say of it is the expected reading.
    let inject = if percent.is_some() { sensor.inject(signal, expected) } else { None };
    let raw_text = match raw {
        Raw::Whole(whole) => whole.to_string(),
        Raw::Float(float) => short(float),
    };
    Some(Point {
        percent,
        inject,
        expected: raw.as_f64() * wire.scale + wire.offset,
        expected_word: signal.codes.get(&(expected as i64)).filter(|_| percent.is_none()).cloned(),
        tolerance,
        raw: raw_text,
        raw_hex: words.iter().map(|word| format!("{word:04X}")).collect::<Vec<_>>().join(" "),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn demo_signal(tag: &str) -> LineSignal {
        let line = setward_config::load_demo().unwrap().line;
        line.signal(line.signal_by_tag(tag).unwrap()).clone()
    }

    fn with_sensor(tag: &str, sensor: &str) -> LineSignal {
        let mut signal = demo_signal(tag);
        signal.wiring.sensor = Some(sensor.to_owned());
        signal
    }

    #[test]
    fn sensors_are_known_by_their_text() {
        for (text, expected) in [
            ("Pt100 class A, 4-wire, pocket 6 mm", Sensor::Pt100),
            ("thermocouple type K, 6 mm", Sensor::ThermocoupleK),
            ("Thermocouple Type J", Sensor::ThermocoupleJ),
            ("Pt100 with head transmitter 0-250 degC, 4-20 mA", Sensor::Current),
            ("tail-shaft encoder", Sensor::Other),
        ] {
            assert_eq!(Sensor::of(&with_sensor("TT-310", text)), expected, "{text}");
        }
    }

    /// IEC 60751: 182 degC is 169.22 ohms (100 (1 + 3.9083e-3 t - 5.775e-7 t^2), by hand). NIST: K at 200 degC 8.1385 mV,
    /// 25 degC 1.0002; J at 180 degC 9.6694 mV.
    #[test]
    fn ohms_and_millivolts_are_those_of_the_tables() {
        let signal = with_sensor("TT-310", "Pt100");
        let ohms = Sensor::Pt100.inject(&signal, 182.0).unwrap();
        assert!((ohms.value - 169.218).abs() < 0.001, "{ohms:?}");
        let k = Sensor::ThermocoupleK.inject(&signal, 200.0).unwrap();
        assert!((k.value - 8.1385).abs() < 1e-4, "{k:?}");
        assert!((k.at_warm_terminals.unwrap() - (8.1385 - 1.0002)).abs() < 2e-4, "{k:?}");
        let j = Sensor::ThermocoupleJ.inject(&signal, 180.0).unwrap();
        assert!((j.value - 9.6694).abs() < 1e-4, "{j:?}");
    }

    #[test]
    fn a_register_in_fahrenheit_is_injected_in_the_sensors_own_scale() {
        let signal = with_sensor("TT-202", "thermocouple type K");
        assert_eq!(signal.unit, Unit::DegF);
        // 392 degF is 200 degC.
        assert!((Sensor::ThermocoupleK.inject(&signal, 392.0).unwrap().value - 8.1385).abs() < 1e-4);
    }

    #[test]
    fn a_transmitters_own_range_comes_before_that_of_the_signal() {
        let line = setward_config::load_demo().unwrap().line;
        let jacket = line
            .signals
            .iter()
            .find(|signal| {
                signal.wiring.sensor.as_deref() == Some("pressure transmitter 0-6 bar(g), 4-20 mA")
            })
            .unwrap();
        assert_eq!(transmitter_range(jacket), Some((0.0, 6.0)));
        let middle = Sensor::Current.inject(jacket, 3.0).unwrap();
        assert!((middle.value - 12.0).abs() < 1e-9, "{middle:?}");
        assert_eq!(transmitter_range(&with_sensor("TT-310", "magnetic flow meter, 4-20 mA")), None);
        let plain = with_sensor("TT-310", "transmitter, 4-20 mA");
        assert!((Sensor::Current.inject(&plain, plain.range.1).unwrap().value - 20.0).abs() < 1e-9);
    }

    #[test]
    fn what_the_table_does_not_cover_is_left_out() {
        assert_eq!(Sensor::ThermocoupleK.inject(&with_sensor("TT-310", "type K"), 1_400.0), None);
        assert_eq!(
            Sensor::Pt100.inject(&with_sensor("ST-340", "Pt100"), 0.1),
            None,
            "a speed is no temperature"
        );
    }
}
