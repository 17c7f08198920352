//! A time-weighted alarm whose edge follows the age of the corn in a tank.

use super::Context;
use crate::check::entries::holds_corn;
use crate::line::{AgeBand, Followed, LineAlarm, Origin};
use crate::problem::{Code, quoted};
use crate::quantity;
use crate::raw::alarm_kind::RawBand;
use crate::reader::Sink;
use setward_protocol::{SignalId, Unit};

/// The alarm with its band, and with the corn in the tank as its batch.
pub(super) fn fill(
    alarm: Option<LineAlarm>,
    raw: &RawBand,
    watched: SignalId,
    context: &Context<'_>,
    sink: &mut Sink,
) -> Option<LineAlarm> {
    let signal = context.signal(watched.index())?;
    let mut tanks = context.tanks.iter().enumerate();
    let found = tanks.find_map(|(index, tank)| {
        let tank = tank.as_ref()?;
        (tank.temperature == Some(watched)).then_some((index, tank))
    });
    let Some((index, tank)) = found else {
        let message = format!("{} is the `temperature` of no tank", quoted(&signal.tag));
        sink.report(Code::Conflict, raw.at, message, "a band follows the age of the corn in a tank");
        return None;
    };
    let is_age = |origin: &Origin| *origin == Origin::Followed(Followed::OldestIn(index));
    let age = context.signals.iter().position(|one| one.as_ref().is_some_and(|one| is_age(&one.origin)));
    let Some((age, unit)) = age.and_then(|at| Some((super::signal_id(at)?, context.signal(at)?.unit))) else {
        let message = format!("nothing tells the age of the corn in {}", quoted(&tank.name));
        let hint = format!(
            "add [[derived]] with `kind = \"age\"`, `corn = \"oldest\"` and `tank = {}`",
            quoted(&tank.name).replace('`', "\"")
        );
        sink.report(Code::Conflict, raw.at, message, hint);
        return None;
    };
    let points = points(raw, unit, signal.unit, sink)?;
    Some(LineAlarm { band: Some(AgeBand { age, points }), batch: vec![holds_corn(tank)], ..alarm? })
}

fn points(raw: &RawBand, age_unit: Unit, unit: Unit, sink: &mut Sink) -> Option<Vec<(f64, f64)>> {
    let mut points: Vec<(f64, f64)> = Vec::new();
    for one in &raw.value {
        let (age, point) = &one.value;
        let seconds = sink.take("band", age.at, quantity::time(&age.value))?.as_secs_f64();
        let age = Unit::Second.convert(seconds, age_unit)?;
        let point = sink.take("band", point.at, quantity::point(&point.value, unit))?;
        if points.last().is_some_and(|(before, _)| *before >= age) {
            sink.report(
                Code::OutOfBounds,
                one.at,
                "the ages of `band` do not go up",
                "write the youngest first",
            );
            return None;
        }
        points.push((age, point));
    }
    if points.len() < 2 {
        let hint = "write `band = [[\"1 h\", \"64 degC\"], [\"10 h\", \"42 degC\"]]`";
        sink.report(Code::OutOfBounds, raw.at, "`band` needs two points or more", hint);
        return None;
    }
    Some(points)
}
