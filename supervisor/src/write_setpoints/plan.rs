//! The difference between a recipe's setpoints and what controllers hold: what would be written, in which steps, and what is not.

use super::journal::Writes;
use crate::history::sha256_hex;
use serde::Serialize;
use setward_config::line::{Line, Recipe, Register, Role, SetpointWrite};
use setward_protocol::{Mode, SignalId};
use std::collections::BTreeMap;

/// Values that differ by less than this share are equal: a float on its way through a register is rounded.
const SAME: f64 = 1e-6;
/// A step that is too large by this share is rounded, not larger.
const HAIR: f64 = 1e-9;
/// One over the last decimal that is told.
const DIGITS: f64 = 1e9;
/// Nobody writes a setpoint in more steps: the most that a day may have (`writes_per_day`).
const STEPS_MAX: f64 = 1000.0;

/// What was read of a setpoint and its station.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    /// Its value now, or why there is none.
    pub value: Result<f64, String>,
    /// Its words now; empty without a value.
    pub words: Vec<u16>,
    /// What its station is doing.
    pub mode: Mode,
}

/// What is done about a setpoint.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// It is as the recipe asks.
    Equal,
    /// It is written, in these values, in the signal's unit.
    Write(Vec<f64>),
    /// It is not written; why.
    Refused(String),
}

/// A setpoint of the recipe.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row {
    /// Its place in the line.
    #[serde(skip)]
    pub signal: SignalId,
    /// Its tag.
    pub tag: String,
    /// Its name.
    pub name: String,
    /// Its station's key.
    pub station: String,
    /// "fryer holding 212 (40213)".
    pub place: String,
    /// Unit of the values.
    pub unit: &'static str,
    /// What the controller holds now; `None`: not known.
    pub now: Option<f64>,
    /// Its words now.
    pub words_now: Vec<u16>,
    /// What the recipe asks.
    pub wanted: f64,
    /// What is done about it.
    pub verdict: Verdict,
    /// How often it was written so far, and within the last day.
    pub writes: Writes,
}

/// All of a recipe's setpoints.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Difference {
    /// Version of this object.
    pub schema_version: u32,
    /// File name of the recipe without its ending.
    pub recipe: String,
    /// Whether all this is a simulator.
    pub simulated: bool,
    /// In the order of the recipe.
    pub rows: Vec<Row>,
    /// Names exactly this difference: what was shown is what is written, or nothing is.
    pub code: String,
}

impl Difference {
    /// What differs. `seen` holds every setpoint of the recipe that is enabled; `only`, if it is not empty, the tags that are
    /// meant.
    #[must_use]
    pub fn new(
        line: &Line,
        recipe: &Recipe,
        only: &[String],
        seen: &BTreeMap<SignalId, Seen>,
        writes: &BTreeMap<String, Writes>,
    ) -> Self {
        let entered = recipe.setpoints.iter().filter(|held| line.signal(held.signal).role == Role::Setpoint);
        let rows: Vec<Row> = entered
            .map(|held| {
                let tag = &line.signal(held.signal).tag;
                let count = writes.get(tag).copied().unwrap_or_default();
                let is_meant = only.is_empty() || only.contains(tag);
                row(line, (held.signal, held.target.setpoint), seen.get(&held.signal), (is_meant, count))
            })
            .collect();
        let code = code(&recipe.key, &line.fingerprint, &rows);
        Self { schema_version: 1, recipe: recipe.key.clone(), simulated: line.simulated, rows, code }
    }

    /// What would be written.
    pub fn to_write(&self) -> impl Iterator<Item = (&Row, &[f64])> {
        self.rows.iter().filter_map(|row| match &row.verdict {
            Verdict::Write(steps) => Some((row, steps.as_slice())),
            Verdict::Equal | Verdict::Refused(_) => None,
        })
    }
}

/// The setpoints of a recipe that `site.toml` enables.
#[must_use]
pub fn enabled(line: &Line, recipe: &Recipe) -> Vec<SignalId> {
    let asked = |write: &&SetpointWrite| recipe.setpoints.iter().any(|held| held.signal == write.signal);
    line.setpoint_writes.iter().filter(asked).map(|write| write.signal).collect()
}

/// Eight digits that change with everything that is shown.
fn code(recipe: &str, fingerprint: &str, rows: &[Row]) -> String {
    let lines =
        rows.iter().map(|row| format!("{} {:?} {} {:?}", row.tag, row.words_now, row.wanted, row.verdict));
    let text =
        [recipe.to_owned(), fingerprint.to_owned()].into_iter().chain(lines).collect::<Vec<_>>().join("\n");
    sha256_hex(text.as_bytes()).chars().take(8).collect()
}

fn row(
    line: &Line,
    (id, wanted): (SignalId, f64),
    seen: Option<&Seen>,
    (is_meant, writes): (bool, Writes),
) -> Row {
    let signal = line.signal(id);
    let register = signal.register();
    let rules = line.setpoint_writes.iter().find(|write| write.signal == id);
    let verdict = match (rules, register, seen) {
        _ if !is_meant => Verdict::Refused("left out by --only".to_owned()),
        (None, _, _) => Verdict::Refused("not enabled in site.toml: turn it by hand".to_owned()),
        (Some(_), None, _) => Verdict::Refused("in no register: turn it by hand".to_owned()),
        (Some(_), Some(_), None) => Verdict::Refused("not read".to_owned()),
        (Some(rules), Some(register), Some(seen)) => verdict((rules, register), seen, wanted, writes),
    };
    Row {
        signal: id,
        tag: signal.tag.clone(),
        name: signal.name.clone(),
        station: line.station(signal.station).key.clone(),
        place: register.map(|register| place(line, register)).unwrap_or_default(),
        unit: signal.unit.display(),
        now: seen.and_then(|seen| seen.value.as_ref().ok().copied()),
        words_now: seen.map(|seen| seen.words.clone()).unwrap_or_default(),
        wanted,
        verdict,
        writes,
    }
}

fn place(line: &Line, register: &Register) -> String {
    let wire = &register.wire;
    format!(
        "{} {} {} ({})",
        line.controller(register.controller).name,
        wire.table.name(),
        wire.address,
        wire.table.printed_number(wire.address)
    )
}

fn verdict(
    (rules, register): (&SetpointWrite, &Register),
    seen: &Seen,
    wanted: f64,
    writes: Writes,
) -> Verdict {
    let now = match &seen.value {
        Ok(now) => *now,
        Err(why) => return Verdict::Refused(format!("what it is now can't be read: {why}")),
    };
    let Some(words) = words_of(register, wanted) else {
        return Verdict::Refused(format!("its register can't say {wanted}"));
    };
    if words == seen.words || (now - wanted).abs() <= SAME * wanted.abs().max(1.0) {
        return Verdict::Equal;
    }
    let (low, high) = rules.between;
    if !(low..=high).contains(&wanted) {
        return Verdict::Refused(format!("{wanted} is beyond what site.toml allows, {low} to {high}"));
    }
    if !rules.modes.contains(seen.mode) {
        let named = Mode::NAMED.iter().filter(|(_, mode)| rules.modes.contains(*mode)).map(|(name, _)| *name);
        let allowed = named.collect::<Vec<_>>().join(", ");
        return Verdict::Refused(format!(
            "its station is in {}; it is written in: {allowed}",
            seen.mode.name()
        ));
    }
    match steps((now, wanted), rules, register, writes) {
        Ok(steps) => Verdict::Write(steps),
        Err(why) => Verdict::Refused(why),
    }
}

/// The values on the way as its register says them, the last as the recipe asks, or why it is not gone.
fn steps(
    (now, wanted): (f64, f64),
    rules: &SetpointWrite,
    register: &Register,
    writes: Writes,
) -> Result<Vec<f64>, String> {
    let (change, most) = ((wanted - now).abs(), rules.most_step);
    if change > most * (1.0 + HAIR) && rules.step_every.is_none() {
        return Err(format!(
            "a change of {change:.4} is more than {most} in one write; turn it by hand, or give `step_every` in site.toml"
        ));
    }
    let steps = in_steps((now, wanted), rules, register)?;
    let ((low, high), hair) = (rules.between, most * HAIR);
    if let Some(beyond) = steps.iter().find(|value| **value < low - hair || **value > high + hair) {
        return Err(format!(
            "on the way {beyond} would be written, beyond what site.toml allows, {low} to {high}: turn it by hand"
        ));
    }
    let today = u64::try_from(steps.len()).unwrap_or(u64::MAX).saturating_add(u64::from(writes.within_a_day));
    if today > u64::from(rules.writes_per_day) {
        return Err(format!(
            "that would be {today} writes within 24 h; site.toml allows {}",
            rules.writes_per_day
        ));
    }
    Ok(steps)
}

/// As few equal steps as may be, none larger than allowed once the register has rounded it, and none that changes nothing.
fn in_steps(
    (now, wanted): (f64, f64),
    rules: &SetpointWrite,
    register: &Register,
) -> Result<Vec<f64>, String> {
    let (change, most) = (wanted - now, rules.most_step);
    let fewest = (change.abs() / most - HAIR).ceil().max(1.0);
    if fewest > STEPS_MAX {
        return Err(format!(
            "a change of {:.4} would be {fewest} steps of {most}: turn it by hand",
            change.abs()
        ));
    }
    let last = said(register, wanted).ok_or_else(|| format!("its register can't say {wanted}"))?;
    for count in fewest as u32..=STEPS_MAX as u32 {
        let on_the_way =
            (1..count).filter_map(|step| said(register, now + change * f64::from(step) / f64::from(count)));
        let mut stands: Vec<f64> = [now].into_iter().chain(on_the_way).chain([last]).collect();
        stands.dedup_by(|next, before| (*next - *before).abs() <= most * HAIR);
        let steps = stands.get(1..).unwrap_or_default();
        if stands.iter().zip(steps).all(|(from, to)| (to - from).abs() <= most * (1.0 + HAIR)) {
            return Ok(steps.to_vec());
        }
    }
    Err(format!(
        "its register can't say a step as small as {most}: turn it by hand, or give a larger `most_step` in site.toml"
    ))
}

/// What a register says once `value` is written to it, without the last digits that scaling leaves.
fn said(register: &Register, value: f64) -> Option<f64> {
    let value = register.wire.decode_words(&words_of(register, value)?).value()?;
    Some((value * DIGITS).round() / DIGITS)
}

/// The words by which a register says a value.
#[must_use]
pub fn words_of(register: &Register, value: f64) -> Option<Vec<u16>> {
    let words = register.wire.encode(value).ok()?;
    Some(words.get(..usize::from(register.wire.place().words))?.to_vec())
}
