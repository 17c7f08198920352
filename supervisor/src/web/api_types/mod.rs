//! The API's bodies: a contract of their own, apart from the types the programs compute with.
//!
//! Times are RFC 3339 in UTC. A number's unit is the last word of its key, or stands in a `unit` beside it.

mod alarm;
pub(in crate::web) mod back_test;
pub(in crate::web) mod board;
pub(in crate::web) mod entries;
pub(in crate::web) mod tank;
pub(in crate::web) mod trend;

pub(super) use alarm::{AlarmBody, GrantedBody, alarm};

use super::facts::{ControllerFacts, Scene, SignalFacts, StationFacts};
use super::times::rfc3339;
use super::words;
use crate::line::balance::BalanceView;
use serde::Serialize;
use setward_config::line::{ControlLoop, LoopMode, Register};
use setward_protocol::{Reading, SignalId, UtcMillis};
use utoipa::ToSchema;

/// Counts up when a key changes its meaning or goes.
pub(super) const SCHEMA_VERSION: u32 = 1;

/// A list with its version.
#[derive(Serialize)]
pub(super) struct ListBody<T> {
    pub(super) schema_version: u32,
    pub(super) run: i64,
    pub(super) at: String,
    pub(super) items: Vec<T>,
}

/// One thing with its version.
#[derive(Serialize)]
pub(super) struct OneBody<T> {
    pub(super) schema_version: u32,
    pub(super) run: i64,
    pub(super) at: String,
    pub(super) item: T,
}

#[derive(Serialize, ToSchema)]
pub(super) struct LineBody {
    name: String,
    plant: String,
    time_zone: String,
    simulated: bool,
    fingerprint: String,
    version: &'static str,
    recipe: RecipeBody,
    stations: Vec<StationBody>,
    loops: Vec<LoopBody>,
    belts: Vec<BeltBody>,
    controllers: Vec<ControllerBody>,
    counts: CountsBody,
    history_problem: Option<String>,
}

#[derive(Serialize, ToSchema)]
struct RecipeBody {
    key: String,
    name: String,
}

#[derive(Serialize, ToSchema)]
struct StationBody {
    key: String,
    name: String,
    mode: &'static str,
    mode_since: Option<String>,
    product_present: Option<bool>,
    /// Key of the recipe that it runs.
    recipe: String,
    alarms_standing: usize,
    signals: Vec<String>,
}

#[derive(Serialize, ToSchema)]
struct LoopBody {
    tag: String,
    mode: Option<&'static str>,
    entered_signal: Option<String>,
    working_signal: Option<String>,
    measured_signal: String,
    output_signal: Option<String>,
    mode_signal: Option<String>,
}

#[derive(Serialize, ToSchema)]
struct BeltBody {
    name: String,
    station: String,
    speed_signal: String,
    effective_length_m: f64,
    dwell_s: Option<f64>,
}

#[derive(Serialize, ToSchema)]
struct ControllerBody {
    name: String,
    endpoint: String,
    unit_id: u8,
    poll_every_s: f64,
    scans_good: u64,
    scans_failed: u64,
    last_good_at: Option<String>,
    scan_ms: Option<f64>,
    problem: Option<String>,
}

#[derive(Serialize, ToSchema)]
struct CountsBody {
    scans: u64,
    requests: u64,
    samples_stored: u64,
    samples_lost: u64,
    alarms_raised: u64,
    events_lost: u64,
    alarms_standing: usize,
    alarms_blind: usize,
    alarms_silent: usize,
    alarms_active: usize,
    alarms_not_acknowledged: usize,
}

#[derive(Serialize, ToSchema)]
pub(super) struct SignalBody {
    tag: String,
    name: String,
    station: String,
    controller: Option<String>,
    role: &'static str,
    unit: &'static str,
    quality: &'static str,
    reason: Option<String>,
    reason_text: Option<String>,
    value: Option<f64>,
    value_text: Option<String>,
    at: Option<String>,
    last_good_value: Option<f64>,
    last_good_at: Option<String>,
    last_failure: Option<String>,
    last_failure_at: Option<String>,
    slope_per_min: Option<f64>,
    /// Of a figure of the heat balance: about 95 times in 100 the truth lies within, in the signal's unit.
    uncertainty: Option<f64>,
    heat_balance: Option<String>,
    setpoint: Option<SetpointBody>,
    entered: Option<EnteredBody>,
    registers: Option<RegistersBody>,
}

#[derive(Serialize, ToSchema)]
struct SetpointBody {
    value: f64,
    tolerance_below: f64,
    tolerance_above: f64,
    latitude: Option<f64>,
    specification_low: Option<f64>,
    specification_high: Option<f64>,
    deviation: Option<f64>,
    deviation_unit: &'static str,
    /// Whether the value counts now.
    judged: bool,
}

/// An entered setpoint against the recipe.
#[derive(Serialize, ToSchema)]
#[schema(as = AgainstRecipe)]
struct EnteredBody {
    recipe_value: f64,
    latitude: f64,
    deviation: Option<f64>,
    deviation_unit: &'static str,
    beyond_latitude: Option<bool>,
}

#[derive(Serialize, ToSchema)]
struct RegistersBody {
    table: &'static str,
    function_code: u8,
    address: u16,
    printed_number: u32,
    printed_five_digits: Option<String>,
    printed_six_digits: String,
    encoding: &'static str,
    byte_order: &'static str,
    scale: f64,
    offset: f64,
    no_value: Vec<i64>,
    words: Vec<u16>,
}

fn time(at: Option<UtcMillis>) -> Option<String> {
    at.map(rfc3339)
}

pub(super) fn list<T>(scene: &Scene<'_>, items: Vec<T>) -> ListBody<T> {
    let (run, at) = (scene.snapshot.run.0, rfc3339(scene.snapshot.utc));
    ListBody { schema_version: SCHEMA_VERSION, run, at, items }
}

pub(super) fn one<T>(scene: &Scene<'_>, item: T) -> OneBody<T> {
    let (run, at) = (scene.snapshot.run.0, rfc3339(scene.snapshot.utc));
    OneBody { schema_version: SCHEMA_VERSION, run, at, item }
}

pub(super) fn line(scene: &Scene<'_>) -> LineBody {
    let line = scene.line;
    LineBody {
        name: line.name.clone(),
        plant: line.plant.clone(),
        time_zone: line.time_zone.clone(),
        simulated: line.simulated,
        fingerprint: line.fingerprint.clone(),
        version: env!("CARGO_PKG_VERSION"),
        recipe: RecipeBody { key: line.recipe().key.clone(), name: line.recipe().name.clone() },
        stations: stations(scene),
        loops: loops(scene),
        belts: belts(scene),
        controllers: controllers(scene),
        counts: counts(scene),
        history_problem: scene.snapshot.history_problem.clone(),
    }
}

fn stations(scene: &Scene<'_>) -> Vec<StationBody> {
    let standing = scene.standing_alarms();
    let body = |facts: StationFacts<'_>| {
        let here = scene.line.signals.iter().filter(|signal| signal.station == facts.id);
        StationBody {
            key: facts.station.key.clone(),
            name: facts.station.name.clone(),
            mode: facts.view.mode.name(),
            mode_since: time(facts.view.since),
            product_present: facts.view.product_present,
            recipe: scene.recipe_at(facts.id).key.clone(),
            alarms_standing: standing.iter().filter(|alarm| alarm.station == Some(facts.id)).count(),
            signals: here.map(|signal| signal.tag.clone()).collect(),
        }
    };
    scene.stations().map(body).collect()
}

fn loops(scene: &Scene<'_>) -> Vec<LoopBody> {
    let tag = |id: SignalId| scene.line.signal(id).tag.clone();
    let body = |control: &ControlLoop| LoopBody {
        tag: control.tag.clone(),
        mode: scene.loop_mode(control).map(LoopMode::name),
        entered_signal: control.entered.map(tag),
        working_signal: control.working.map(tag),
        measured_signal: tag(control.measured),
        output_signal: control.output.map(tag),
        mode_signal: control.mode.map(tag),
    };
    scene.line.loops.iter().map(body).collect()
}

fn belts(scene: &Scene<'_>) -> Vec<BeltBody> {
    let dwells = scene.snapshot.dwell_s.iter().copied().chain(std::iter::repeat(None));
    let body = |(belt, dwell_s): (&setward_config::line::Belt, Option<f64>)| BeltBody {
        name: belt.name.clone(),
        station: scene.line.station(belt.station).key.clone(),
        speed_signal: scene.line.signal(belt.speed).tag.clone(),
        effective_length_m: belt.effective_length_m,
        dwell_s,
    };
    scene.line.belts.iter().zip(dwells).map(body).collect()
}

fn controllers(scene: &Scene<'_>) -> Vec<ControllerBody> {
    let body = |facts: ControllerFacts<'_>| ControllerBody {
        name: facts.controller.name.clone(),
        endpoint: facts.controller.endpoint.clone(),
        unit_id: facts.controller.unit_id,
        poll_every_s: facts.controller.poll_every.as_secs_f64(),
        scans_good: facts.view.scans_good,
        scans_failed: facts.view.scans_failed,
        last_good_at: time(facts.view.last_good),
        scan_ms: facts.view.scan_ms,
        problem: facts.view.problem.clone(),
    };
    scene.controllers().map(body).collect()
}

fn counts(scene: &Scene<'_>) -> CountsBody {
    let counts = scene.snapshot.counts;
    CountsBody {
        scans: counts.scans,
        requests: counts.requests,
        samples_stored: counts.samples_stored,
        samples_lost: counts.samples_lost,
        alarms_raised: counts.alarms_raised,
        events_lost: counts.events_lost,
        alarms_standing: scene.standing_alarms().len(),
        alarms_silent: scene.silent_alarms().len(),
        alarms_blind: scene.blind_alarms().len(),
        alarms_active: scene.alarms().filter(|facts| facts.view.state.is_active()).count(),
        alarms_not_acknowledged: scene
            .alarms()
            .filter(|facts| facts.view.state.awaits_acknowledgement())
            .count(),
    }
}

pub(super) fn signal(scene: &Scene<'_>, facts: &SignalFacts<'_>) -> SignalBody {
    let (signal, view) = (facts.signal, facts.view);
    let (quality, reason, reason_text) = match view.reading {
        Reading::Good(_) => ("good", None, None),
        Reading::Uncertain(_, doubt) => ("uncertain", Some("doubtful".to_owned()), Some(doubt.to_string())),
        Reading::Bad(why) => ("bad", Some(words::no_data_key(why).to_owned()), Some(why.to_string())),
    };
    SignalBody {
        tag: signal.tag.clone(),
        name: signal.name.clone(),
        station: scene.line.station(signal.station).key.clone(),
        controller: signal.register().map(|one| scene.line.controller(one.controller).name.clone()),
        role: signal.role.name(),
        unit: signal.unit.symbol(),
        quality,
        reason,
        reason_text,
        value: view.reading.value().map(plain),
        value_text: view.reading.value().map(|value| facts.show_with_unit(value)),
        at: time(view.at),
        last_good_value: view.last_good.map(|(value, _)| plain(value)),
        last_good_at: view.last_good.map(|(_, at)| rfc3339(at)),
        last_failure: view.last_failure.map(|(why, _)| why.to_string()),
        last_failure_at: view.last_failure.map(|(_, at)| rfc3339(at)),
        slope_per_min: view.slope_per_min,
        uncertainty: scene.snapshot.balance_of(facts.id).and_then(|beside| beside.uncertainty),
        heat_balance: scene.snapshot.balance_of(facts.id).and_then(balance_text),
        setpoint: setpoint(facts),
        entered: entered(facts),
        registers: signal.register().map(|register| registers(register, facts.words())),
    }
}

/// Why the heat balance tells no value, or what it says of the probes.
fn balance_text(beside: &BalanceView) -> Option<String> {
    beside.why.clone().or_else(|| beside.verdict.map(str::to_owned))
}

fn setpoint(facts: &SignalFacts<'_>) -> Option<SetpointBody> {
    let asked = facts.asked?;
    Some(SetpointBody {
        value: asked.target.setpoint,
        tolerance_below: asked.target.tolerance_below,
        tolerance_above: asked.target.tolerance_above,
        latitude: asked.target.latitude,
        specification_low: asked.target.specification.map(|(low, _)| low),
        specification_high: asked.target.specification.map(|(_, high)| high),
        deviation: facts.deviation().map(plain),
        deviation_unit: facts.signal.unit.of_difference().symbol(),
        judged: facts.judged,
    })
}

fn entered(facts: &SignalFacts<'_>) -> Option<EnteredBody> {
    let against = facts.entered?;
    let value = facts.view.reading.value();
    Some(EnteredBody {
        recipe_value: plain(against.recipe),
        latitude: plain(against.latitude),
        deviation: value.map(|value| plain(against.off(value))),
        deviation_unit: facts.signal.unit.of_difference().symbol(),
        beyond_latitude: value.map(|value| against.is_beyond(value)),
    })
}

fn registers(register: &Register, raw: &[u16]) -> RegistersBody {
    let wire = &register.wire;
    RegistersBody {
        table: wire.table.name(),
        function_code: wire.table.read_function(),
        address: wire.address,
        printed_number: wire.table.printed_number(wire.address),
        printed_five_digits: words::printed_five_digits(wire.table, wire.address),
        printed_six_digits: words::printed_six_digits(wire.table, wire.address),
        encoding: wire.encoding.name(),
        byte_order: wire.order.name(),
        scale: wire.scale,
        offset: wire.offset,
        no_value: wire.no_value.clone(),
        words: raw.to_vec(),
    }
}

/// A number without the tail that binary fractions leave: nine decimals are finer than any register.
fn plain(value: f64) -> f64 {
    let rounded = (value * 1e9).round() / 1e9;
    if rounded.is_finite() { rounded } else { value }
}

#[cfg(test)]
mod tests {
    use super::plain;

    #[test]
    fn a_scaled_count_reads_as_it_is_meant() {
        assert_eq!(plain(1821.0 * 0.1).to_string(), "182.1");
        assert_eq!(plain(182.1 - 200.0).to_string(), "-17.9");
        assert_eq!(plain(1e300).to_string(), 1e300.to_string());
    }
}
