//! Every signal of a line folder on the real controllers: in the poller's own blocks and one by one, against range and panel.
//!
//! Each controller is asked alone, one request at a time. Each block is read, then each of its signals by itself, and that
//! several times over, so that what moves is told from what stands elsewhere.

use super::asker::{Asker, Measured, Whom};
use super::blocks::{BlockVerdict, Single, compare};
use super::identity::{Identity, identify};
use super::interpret::{Fit, Known};
use super::maps::{MapProbe, ModeProbe, maps, modes};
use super::suspect::{Explanation, Mistake, explanations};
use crate::clock::Clock;
use crate::commission::written::Shown;
use crate::poll::dial::Dial;
use crate::poll::plan::{Block, UnitPlan, plan_line};
use crate::poll::session::ReadFailure;
use serde::Serialize;
use setward_config::line::{Line, Register};
use setward_protocol::{Encoding, NoData, Place, Raw, ReadRequest, Reading, SignalId};
use std::collections::BTreeMap;
use std::time::Duration;

/// How a line is walked.
#[derive(Debug, Clone)]
pub struct Walk {
    /// How often everything is read.
    pub rounds: u32,
    /// Rest between requests beyond the controller's own `pause`.
    pub rest: Duration,
    /// Whether to ask each controller who it is, function 2B/0E.
    pub identify: bool,
    /// What panels show, by tag.
    pub panel: BTreeMap<String, Shown>,
}

/// What was found on a whole line.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LineProbe {
    /// Version of this report's form.
    pub schema_version: u32,
    /// When it began, RFC 3339.
    pub began: String,
    /// The line's name.
    pub line: String,
    /// The plant's name.
    pub plant: String,
    /// Whether the site file says that these are simulated controllers.
    pub simulated: bool,
    /// SHA-256 of the line folder.
    pub configuration_sha256: String,
    /// Version of the program.
    pub setward_version: &'static str,
    /// How often everything was read.
    pub rounds: u32,
    /// Values that were compared with a panel.
    pub with_panel: usize,
    /// One each, in the order of the files.
    pub controllers: Vec<ControllerProbe>,
    /// What words say that choose something: recipe numbers, steps, states.
    pub maps: Vec<MapProbe>,
    /// What stations would be doing by their rules.
    pub modes: Vec<ModeProbe>,
}

/// What was found on one controller.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ControllerProbe {
    /// Its name in the files.
    pub controller: String,
    /// `host:port`.
    pub endpoint: String,
    /// Modbus unit id.
    pub unit_id: u8,
    /// Why it could not be asked, or went silent; `None`: it answered.
    pub unreachable: Option<String>,
    /// What it says it is, if it was asked.
    pub identity: Option<Result<Vec<Identity>, String>>,
    /// What was measured on the way.
    pub measured: Measured,
    /// Its blocks.
    pub blocks: Vec<BlockProbe>,
    /// Its signals.
    pub signals: Vec<SignalProbe>,
    /// What several signals have in common.
    pub pattern: Option<String>,
}

/// What was found of a block.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct BlockProbe {
    /// Which table.
    pub table: &'static str,
    /// First address, 0-based.
    pub start: u16,
    /// How many registers or bits.
    pub count: u16,
    /// Signals in it.
    pub signals: usize,
    /// Why the block could not be read although single reads can; `None`: it was.
    pub refused: Option<String>,
    /// Against its single reads; `None` where a block and its one signal are the same read.
    pub compared: Option<BlockVerdict>,
}

/// How a signal stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// It gives what the panel shows.
    MatchesPanel,
    /// Within 2 % of what the panel shows, and no other reading fits better: it may have moved.
    NearPanel,
    /// In its range; whether it is the right value only the panel tells.
    InRange,
    /// The controller says that it has no value: no sensor, or one that is broken.
    NoValue,
    /// It can't be right.
    Suspect,
    /// It could not be read.
    NotRead,
}

/// What was found of a signal.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SignalProbe {
    /// Its tag.
    pub tag: String,
    /// Which table.
    pub table: &'static str,
    /// First address, 0-based.
    pub address: u16,
    /// Its words, in hexadecimal; empty if it could not be read.
    pub words_hex: String,
    /// Its value by line.toml, whether good or not.
    pub value: Option<f64>,
    /// Unit of the value.
    pub unit: &'static str,
    /// Lowest and highest of its range.
    pub range: (f64, f64),
    /// What the panel shows, if it was given.
    pub panel: Option<f64>,
    /// Whether its words changed from round to round.
    pub moved: bool,
    /// How it stands.
    pub standing: Standing,
    /// Why, in words.
    pub why: String,
    /// What would explain it, the likeliest first.
    pub explanations: Vec<Explanation>,
}

impl LineProbe {
    /// Whether a controller could not be asked.
    #[must_use]
    pub fn is_incomplete(&self) -> bool {
        self.controllers.iter().any(|controller| controller.unreachable.is_some())
    }

    /// How many signals, blocks and codes can't be right.
    #[must_use]
    pub fn suspects(&self) -> usize {
        let signals = self.controllers.iter().flat_map(|controller| &controller.signals);
        let signals =
            signals.filter(|signal| matches!(signal.standing, Standing::Suspect | Standing::NotRead));
        let blocks = self.controllers.iter().flat_map(|controller| &controller.blocks);
        let unknown = self.maps.iter().filter(|map| map.means.is_none()).count();
        signals.count() + blocks.filter(|block| block.is_suspect()).count() + unknown
    }
}

impl BlockProbe {
    /// Whether it can't be polled as planned.
    #[must_use]
    pub const fn is_suspect(&self) -> bool {
        let differs =
            matches!(self.compared, Some(BlockVerdict::Shifted { .. } | BlockVerdict::Differs { .. }));
        self.refused.is_some() || differs
    }
}

/// Reads everything of `line` and weighs it.
pub async fn probe_line(dial: &dyn Dial, clock: Clock, line: &Line, walk: &Walk) -> LineProbe {
    let began = rfc3339(clock);
    let mut controllers = Vec::new();
    for endpoint in plan_line(line) {
        for unit in &endpoint.units {
            controllers.push(probe_unit(dial, clock, line, &endpoint.endpoint, unit, walk).await);
        }
    }
    let signals = || controllers.iter().flat_map(|controller: &ControllerProbe| &controller.signals);
    let value_of = |id: SignalId| {
        let own = signals().find(|signal| signal.tag == line.signal(id).tag)?;
        own.value.filter(|_| !matches!(own.standing, Standing::NotRead | Standing::NoValue))
    };
    LineProbe {
        schema_version: 1,
        began,
        line: line.name.clone(),
        plant: line.plant.clone(),
        simulated: line.simulated,
        configuration_sha256: line.fingerprint.clone(),
        setward_version: env!("CARGO_PKG_VERSION"),
        rounds: walk.rounds,
        with_panel: signals().filter(|signal| signal.panel.is_some()).count(),
        maps: maps(line, value_of),
        modes: modes(line, value_of),
        controllers,
    }
}

pub(super) fn rfc3339(clock: Clock) -> String {
    let utc_ms = clock.utc().0;
    jiff::Timestamp::from_millisecond(utc_ms).map_or_else(|_| utc_ms.to_string(), |at| at.to_string())
}

async fn probe_unit(
    dial: &dyn Dial,
    clock: Clock,
    line: &Line,
    endpoint: &str,
    unit: &UnitPlan,
    walk: &Walk,
) -> ControllerProbe {
    let whom = Whom {
        endpoint: endpoint.to_owned(),
        unit_id: unit.unit_id,
        within: unit.answer_within,
        rest: unit.pause.max(walk.rest),
    };
    let mut asker = Asker::new(dial, clock, whom);
    let mut seen = Seen::default();
    for _ in 0..walk.rounds.max(1) {
        for block in unit.scans.iter().flat_map(|scan| &scan.blocks) {
            seen.round(&mut asker, block).await;
        }
    }
    let blocks = unit.scans.iter().flat_map(|scan| &scan.blocks);
    let block_probes = blocks.clone().map(|block| seen.block(line, block)).collect();
    let mut signals = Vec::new();
    for block in blocks {
        for (id, place) in &block.signals {
            signals.push(probe_signal(&mut asker, &seen, line, *id, *place, walk).await);
        }
    }
    let unreachable = asker.has_given_up().then(|| seen.last_failure()).flatten();
    asker.close().await;
    asker.rest_before_redial().await;
    let identity = match &unreachable {
        None if walk.identify => Some(identify(dial, endpoint, unit.unit_id, unit.answer_within).await),
        None | Some(_) => None,
    };
    ControllerProbe {
        controller: line.controller(unit.controller).name.clone(),
        endpoint: endpoint.to_owned(),
        unit_id: unit.unit_id,
        pattern: pattern(&signals),
        unreachable,
        identity,
        measured: asker.measured(),
        blocks: block_probes,
        signals,
    }
}

/// Function code, first address and count.
type Key = (u8, u16, u16);
/// What came of a read.
type Answer = Result<Vec<u16>, ReadFailure>;

/// What has been read of one controller.
#[derive(Debug, Default)]
struct Seen {
    blocks: BTreeMap<Key, Vec<Answer>>,
    singles: BTreeMap<Key, Vec<Answer>>,
}

const fn key(place: Place) -> Key {
    (place.table.read_function(), place.address, place.words)
}

const fn block_key(request: ReadRequest) -> Key {
    (request.table.read_function(), request.start, request.count)
}

const fn single_request(place: Place) -> ReadRequest {
    ReadRequest { table: place.table, start: place.address, count: place.words }
}

impl Seen {
    /// Reads a block, and then each of its places by itself.
    async fn round(&mut self, asker: &mut Asker<'_>, block: &Block) {
        let words = asker.read(block.request).await;
        self.blocks.entry(block_key(block.request)).or_default().push(words.clone());
        let mut places: Vec<Place> = block.signals.iter().map(|(_, place)| *place).collect();
        places.sort_by_key(|place| (place.address, place.words));
        places.dedup();
        for place in places {
            // A block of one place is its single read.
            let own = if single_request(place) == block.request {
                words.clone()
            } else {
                asker.read(single_request(place)).await
            };
            self.singles.entry(key(place)).or_default().push(own);
        }
    }

    fn single(&self, place: Place) -> &[Answer] {
        self.singles.get(&key(place)).map_or(&[], Vec::as_slice)
    }

    fn last_failure(&self) -> Option<String> {
        let all = self.blocks.values().chain(self.singles.values()).flatten();
        let mut silent = all.filter_map(|words| words.as_ref().err()).filter(|failure| !failure.is_answer());
        silent.next_back().map(ToString::to_string)
    }

    fn block(&self, line: &Line, block: &Block) -> BlockProbe {
        let ReadRequest { table, start, count } = block.request;
        let readings = self.blocks.get(&block_key(block.request)).map_or(&[][..], Vec::as_slice);
        let words: Vec<Vec<u16>> = readings.iter().filter_map(|words| words.clone().ok()).collect();
        let is_single = block.signals.iter().all(|(_, place)| single_request(*place) == block.request);
        let singles: Vec<Single<'_>> = block
            .signals
            .iter()
            .filter_map(|(id, place)| {
                let register = line.signal(*id).register()?;
                let words = self.single(*place).iter().filter_map(|words| words.clone().ok()).collect();
                Some(Single { wire: &register.wire, words })
            })
            .collect();
        let failure = readings.iter().find_map(|words| words.as_ref().err());
        let answers = singles.iter().any(|single| !single.words.is_empty());
        let refused = failure.filter(|_| words.is_empty() && answers && !is_single);
        let holes: Vec<(u16, u16)> =
            crate::commission::read_plan::crossed_by(block).map(|hole| (hole.first, hole.last)).collect();
        BlockProbe {
            table: table.name(),
            start,
            count,
            signals: block.signals.len(),
            refused: refused.map(ToString::to_string),
            compared: if is_single { None } else { compare(start, &words, &singles, &holes) },
        }
    }
}

async fn probe_signal(
    asker: &mut Asker<'_>,
    seen: &Seen,
    line: &Line,
    id: SignalId,
    place: Place,
    walk: &Walk,
) -> SignalProbe {
    let signal = line.signal(id);
    let readings = seen.single(place);
    let words: Vec<&Vec<u16>> = readings.iter().filter_map(|words| words.as_ref().ok()).collect();
    let last = words.last().map(|words| words.as_slice());
    let mut probe = SignalProbe {
        tag: signal.tag.clone(),
        table: place.table.name(),
        address: place.address,
        words_hex: last.map_or_else(String::new, hex),
        value: None,
        unit: signal.unit.display(),
        range: signal.range,
        panel: walk.panel.get(&signal.tag).map(|shown| shown.value),
        moved: words.windows(2).any(|pair| matches!(pair, [before, after] if before != after)),
        standing: Standing::NotRead,
        why: String::new(),
        explanations: Vec::new(),
    };
    // Signals of this list have registers: the plan asks for no others.
    let Some(register) = signal.register() else { return probe };
    let known = known(register, &words, walk.panel.get(&signal.tag).copied());
    probe.value = last.and_then(|words| plain_value(register, words));
    let failure = readings.iter().find_map(|words| words.as_ref().err());
    (probe.standing, probe.why) = stand(register, last, failure, &known);
    if probe.standing == Standing::Suspect || failure.is_some_and(ReadFailure::is_answer) && last.is_none() {
        let neighbours = neighbours(asker, place).await;
        probe.explanations = explanations(&register.wire, last, &neighbours, &known);
    } else if probe.standing == Standing::NearPanel {
        // Two probes in one pan read alike: the one beside may be the right one.
        let neighbours = neighbours(asker, place).await;
        let mut found = explanations(&register.wire, last, &neighbours, &known);
        found.retain(|one| one.fit == Fit::MatchesPanel);
        if !found.is_empty() {
            probe.standing = Standing::Suspect;
            probe.why = "near what the panel shows, and another reading gives exactly that".to_owned();
            probe.explanations = found;
        }
    }
    probe
}

fn hex(words: &[u16]) -> String {
    words.iter().map(|word| format!("{word:04X}")).collect::<Vec<_>>().join(" ")
}

fn plain_value(register: &Register, words: &[u16]) -> Option<f64> {
    let raw = register.wire.raw(words)?.as_f64();
    let value = raw * register.wire.scale + register.wire.offset;
    value.is_finite().then_some(value)
}

fn known(register: &Register, words: &[&Vec<u16>], display: Option<Shown>) -> Known {
    let values: Vec<f64> = words.iter().filter_map(|words| plain_value(register, words)).collect();
    let low = values.iter().copied().reduce(f64::min).unwrap_or(0.0);
    let high = values.iter().copied().reduce(f64::max).unwrap_or(0.0);
    Known { display, range: Some(register.wire.range), moved: high - low }
}

/// How a signal stands, and why.
fn stand(
    register: &Register,
    words: Option<&[u16]>,
    failure: Option<&ReadFailure>,
    known: &Known,
) -> (Standing, String) {
    let Some(words) = words else {
        let why = failure.map_or_else(|| "it was not read".to_owned(), ToString::to_string);
        return (Standing::NotRead, why);
    };
    let wire = &register.wire;
    let raw = wire.raw(words);
    if let Some(Raw::Whole(whole)) = raw
        && wire.no_value.iter().any(|code| i128::from(*code) == whole)
    {
        return (Standing::NoValue, format!("the controller says with {whole} that it has no value"));
    }
    match wire.decode_words(words) {
        Reading::Good(value) | Reading::Uncertain(value, _) if known.is_tiny(value) => {
            (Standing::Suspect, "so near zero that it is no measurement".to_owned())
        }
        Reading::Good(value) | Reading::Uncertain(value, _) => against_panel(register, value, known),
        Reading::Bad(NoData::OutOfRange) => (Standing::Suspect, "outside its range".to_owned()),
        Reading::Bad(_) => (Standing::Suspect, "its words make no number of this encoding".to_owned()),
    }
}

fn against_panel(register: &Register, value: f64, known: &Known) -> (Standing, String) {
    let step = if matches!(register.wire.encoding, Encoding::F32 | Encoding::F64) {
        0.0
    } else {
        register.wire.scale.abs()
    };
    match (known.display, known.fit(value, step)) {
        (None, _) => {
            (Standing::InRange, "in its range; only the panel tells whether it is the right value".to_owned())
        }
        (Some(_), Fit::MatchesPanel) => (Standing::MatchesPanel, "as the panel shows it".to_owned()),
        (Some(_), Fit::NearPanel) => (Standing::NearPanel, "near what the panel shows".to_owned()),
        (Some(_), Fit::InRange | Fit::No) => (Standing::Suspect, "not what the panel shows".to_owned()),
    }
}

/// The words one and two addresses before and behind, of a number as long.
async fn neighbours(asker: &mut Asker<'_>, place: Place) -> Vec<(i32, Vec<u16>)> {
    let mut found = Vec::new();
    for offset in [1_i16, -1, 2, -2] {
        let Some(start) = place.address.checked_add_signed(offset) else { continue };
        if u32::from(start) + u32::from(place.words) > 0x1_0000 {
            continue;
        }
        let request = ReadRequest { table: place.table, start, count: place.words };
        if let Ok(words) = asker.read(request).await {
            found.push((i32::from(offset), words));
        }
    }
    found
}

/// What several signals of a controller have in common: a list that counts from another address, or one order for all.
fn pattern(signals: &[SignalProbe]) -> Option<String> {
    let wrong: Vec<&SignalProbe> =
        signals.iter().filter(|signal| signal.standing == Standing::Suspect).collect();
    let count = |test: &dyn Fn(&Explanation) -> bool| {
        wrong.iter().filter(|signal| signal.explanations.iter().any(test)).count()
    };
    let half = wrong.len().div_ceil(2).max(2);
    for (offset, how) in [
        (1, "one too low: the controller counts from 1"),
        (-1, "one too high: the list counts registers from 1"),
    ] {
        let hits = count(&|one| one.mistake == Mistake::OffByOne && one.offset == offset);
        if hits >= half {
            return Some(format!(
                "{hits} of {} suspects would be right {offset:+} address away: all addresses of the list may be {how}",
                wrong.len()
            ));
        }
    }
    let orders = count(&|one| one.mistake == Mistake::WordOrder);
    (orders >= half).then(|| {
        format!("{orders} of {} suspects would be right with another word order: it is usually the same for a whole controller", wrong.len())
    })
}
