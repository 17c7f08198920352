//! Readings as lines of the InfluxDB line protocol. Pure.
//!
//! `reading,line=Line\ 2,signal=TT-310,run=7 value=182.1,quality=0i 1795572000250`: the value is always a float, the quality
//! always a whole number (0 good; the codes of history/README.md), the time in ms of UTC. A reading without a value has a quality
//! only. The run is a tag, so that a wall clock that was set back between two runs overwrites nothing.

use crate::history::{ForwardReading, code_of};

/// One line, without its end.
pub(super) fn line_of(line: &str, reading: &ForwardReading) -> String {
    let (line, tag) = (escaped(line), escaped(&reading.tag));
    let (quality, value) = code_of(reading.reading);
    // The protocol has no word for a number that is none.
    let fields = match value.filter(|value| value.is_finite()) {
        Some(value) => format!("value={value},quality={quality}i"),
        None => format!("quality={quality}i"),
    };
    format!("reading,line={line},signal={tag},run={} {fields} {}", reading.run, reading.utc.0)
}

/// A tag's value: comma, equals sign and space are escaped. What can't be escaped gives way to something that reads the same.
fn escaped(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            ',' | '=' | ' ' => {
                escaped.push('\\');
                escaped.push(letter);
            }
            '\\' => escaped.push('/'),
            letter if letter.is_control() => escaped.push('_'),
            letter => escaped.push(letter),
        }
    }
    escaped
}

#[cfg(test)]
mod tests {
    use super::*;
    use setward_protocol::{Doubt, NoData, Reading, UtcMillis};

    fn line(reading: Reading) -> String {
        let reading = ForwardReading {
            sequence: 9,
            run: 7,
            utc: UtcMillis(1_795_572_000_250),
            tag: "TT-310".to_owned(),
            reading,
        };
        line_of("Line 2, west=old\\new\n", &reading)
    }

    #[test]
    fn values_are_floats_qualities_whole_and_text_can_not_break_the_line() {
        let head = "reading,line=Line\\ 2\\,\\ west\\=old/new_,signal=TT-310,run=7";
        let end = "1795572000250";
        assert_eq!(line(Reading::Good(182.0)), format!("{head} value=182,quality=0i {end}"));
        assert_eq!(line(Reading::Good(1803.0 * 0.1)), format!("{head} value=180.3,quality=0i {end}"));
        assert_eq!(
            line(Reading::Uncertain(-0.5, Doubt::Late)),
            format!("{head} value=-0.5,quality=1i {end}")
        );
        assert_eq!(line(Reading::Bad(NoData::SensorFault)), format!("{head} quality=4101i {end}"));
        assert_eq!(line(Reading::Good(f64::NAN)), format!("{head} quality=0i {end}"));
        assert_eq!(line(Reading::Good(1e-7)), format!("{head} value=0.0000001,quality=0i {end}"));
    }
}
