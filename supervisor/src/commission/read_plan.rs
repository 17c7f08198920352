//! The requests that a line file leads to, before there is a controller to send them to: how many, how long, what is read
//! for nothing, and what an undeclared gap costs.
//!
//! The requests are those of the poller itself (`poll/plan.rs`); only times are estimated here.

mod gaps;
mod text;

use crate::poll::plan::{Block, EndpointPlan, UnitPlan, plan_line};
use gaps::{crossed, savings, to_declare};
use serde::Serialize;
use setward_config::line::{Line, Origin};
use setward_protocol::{ReadRequest, SignalId, Table};
use std::time::Duration;

/// Bytes of a request to read: header 7, function 1, address 2, count 2.
const REQUEST_BYTES: u32 = 12;
/// Bytes of a reply before its data: header 7, function 1, count of bytes 1.
const REPLY_HEAD_BYTES: u32 = 9;
/// A connection in use for a larger share of the time leaves no room for a slow reply or a reconnection.
const TIGHT_PERCENT: f64 = 70.0;

/// A whole line's plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReadPlan {
    /// Version of this report's form.
    pub schema_version: u32,
    /// The line's name.
    pub line: String,
    /// The plant's name.
    pub plant: String,
    /// SHA-256 of the line folder.
    pub configuration_sha256: String,
    /// How long a reply is taken to need, ms.
    pub reply_ms: f64,
    /// One each, in the order of the files.
    pub controllers: Vec<ControllerPlan>,
    /// Tags of signals that are not asked for, because `commissioned` is false.
    pub not_asked: Vec<String>,
    /// Signals without a register: entered or computed.
    pub without_register: usize,
}

/// What one controller is asked.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ControllerPlan {
    /// Its name in the files.
    pub controller: String,
    /// `host:port`.
    pub endpoint: String,
    /// Modbus unit id.
    pub unit_id: u8,
    /// Other controllers behind the same connection: their requests wait for each other.
    pub shares_connection_with: Vec<String>,
    /// How long a reply may take, ms.
    pub answer_within_ms: f64,
    /// Least time between a reply and the next request, ms.
    pub pause_ms: f64,
    /// Most registers a request.
    pub max_registers: u16,
    /// Most bits a request.
    pub max_bits: u16,
    /// One for each poll period.
    pub scans: Vec<ScanPlan>,
    /// Share of the time in which its connection is in use, by all who share it, percent.
    pub connection_in_use_percent: f64,
    /// What deserves a second look.
    pub warnings: Vec<String>,
}

/// All signals of one controller with one poll period.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ScanPlan {
    /// How often, ms.
    pub poll_every_ms: f64,
    /// How long all requests take, one after the other, ms.
    pub scan_ms: f64,
    /// In the order in which they are sent.
    pub requests: Vec<PlannedRequest>,
    /// Gaps that are not declared readable and cost a request each.
    pub gaps: Vec<Gap>,
    /// Requests that would do if all those gaps were declared.
    pub requests_if_declared: usize,
    /// What to write under `readable` then, ready to paste; empty if nothing is to be gained.
    pub readable_to_declare: Vec<String>,
}

/// One request.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlannedRequest {
    /// Modbus function code.
    pub function: u8,
    /// Which table.
    pub table: &'static str,
    /// First address, 0-based.
    pub start: u16,
    /// How many registers or bits.
    pub count: u16,
    /// What a drawing prints for the first one.
    pub number: u32,
    /// Function, address and count as they travel, in hexadecimal.
    pub request_hex: String,
    /// Bytes of the request, without TCP.
    pub request_bytes: u32,
    /// Bytes of a good reply, without TCP.
    pub reply_bytes: u32,
    /// The signals it brings.
    pub signals: Vec<PlannedSignal>,
    /// Addresses without a signal that it reads all the same, because they are declared readable.
    pub crossed: Vec<Hole>,
}

/// A signal in a request.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlannedSignal {
    /// Its tag.
    pub tag: String,
    /// First address, 0-based.
    pub address: u16,
    /// Registers or bits.
    pub registers: u16,
}

/// Addresses that are read for nothing.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Hole {
    /// First address, 0-based.
    pub first: u16,
    /// Last address, 0-based.
    pub last: u16,
    /// What it adds to each reply, bytes.
    pub reply_bytes: u32,
}

/// Addresses between two requests that would be one if these were declared readable.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Gap {
    /// Which table.
    pub table: &'static str,
    /// First address, 0-based.
    pub first: u16,
    /// Last address, 0-based.
    pub last: u16,
    /// What it costs in each scan, ms.
    pub costs_ms: f64,
    /// What crossing it would add to each reply, bytes.
    pub would_add_bytes: u32,
}

impl ReadPlan {
    /// The plan of `line`, if each reply takes `reply`.
    #[must_use]
    pub fn new(line: &Line, reply: Duration) -> Self {
        let controllers = plan_line(line)
            .iter()
            .flat_map(|endpoint| {
                endpoint.units.iter().map(move |unit| controller(line, endpoint, unit, reply))
            })
            .collect();
        let not_asked = line.signals.iter().filter(|signal| !signal.commissioned);
        let without = line.signals.iter().filter(|signal| !matches!(signal.origin, Origin::Register(_)));
        Self {
            schema_version: 1,
            line: line.name.clone(),
            plant: line.plant.clone(),
            configuration_sha256: line.fingerprint.clone(),
            reply_ms: ms(reply),
            controllers,
            not_asked: not_asked.map(|signal| signal.tag.clone()).collect(),
            without_register: without.count(),
        }
    }

    /// How many warnings there are.
    #[must_use]
    pub fn warning_count(&self) -> usize {
        self.controllers.iter().map(|controller| controller.warnings.len()).sum()
    }
}

fn ms(time: Duration) -> f64 {
    time.as_secs_f64() * 1e3
}

/// How long a scan of so many requests takes.
fn scan_ms(requests: usize, reply: Duration, pause: Duration) -> f64 {
    let pauses = requests.saturating_sub(1) as f64;
    requests as f64 * ms(reply) + pauses * ms(pause)
}

/// Share of a connection's time that these units take, percent.
fn in_use_percent(endpoint: &EndpointPlan, reply: Duration) -> f64 {
    let of_scan = |unit: &UnitPlan| -> f64 {
        let shares = unit.scans.iter().map(|scan| {
            let requests = scan.blocks.len() as f64;
            requests * (ms(reply) + ms(unit.pause)) / ms(scan.poll_every)
        });
        shares.sum()
    };
    100.0 * endpoint.units.iter().map(of_scan).sum::<f64>()
}

fn controller(line: &Line, endpoint: &EndpointPlan, unit: &UnitPlan, reply: Duration) -> ControllerPlan {
    let others = endpoint.units.iter().filter(|other| other.controller != unit.controller);
    let mut plan = ControllerPlan {
        controller: line.controller(unit.controller).name.clone(),
        endpoint: endpoint.endpoint.clone(),
        unit_id: unit.unit_id,
        shares_connection_with: others.map(|other| line.controller(other.controller).name.clone()).collect(),
        answer_within_ms: ms(unit.answer_within),
        pause_ms: ms(unit.pause),
        max_registers: unit.limits.registers,
        max_bits: unit.limits.bits,
        scans: unit.scans.iter().map(|scan| self::scan(line, unit, scan, reply)).collect(),
        connection_in_use_percent: in_use_percent(endpoint, reply),
        warnings: Vec::new(),
    };
    plan.warnings = warnings(&plan, reply);
    plan
}

fn scan(line: &Line, unit: &UnitPlan, scan: &crate::poll::plan::ScanPlan, reply: Duration) -> ScanPlan {
    let requests = scan.blocks.iter().map(|block| request(line, block)).collect();
    let cost = ms(reply) + ms(unit.pause);
    let declare = to_declare(&scan.blocks, unit);
    ScanPlan {
        poll_every_ms: ms(scan.poll_every),
        scan_ms: scan_ms(scan.blocks.len(), reply, unit.pause),
        requests,
        gaps: declare.iter().map(|hole| hole.as_gap(cost)).collect(),
        requests_if_declared: savings(&scan.blocks, unit),
        readable_to_declare: declare.iter().map(gaps::Undeclared::as_toml).collect(),
    }
}

fn request(line: &Line, block: &Block) -> PlannedRequest {
    let ReadRequest { table, start, count } = block.request;
    let mut signals: Vec<PlannedSignal> = block
        .signals
        .iter()
        .map(|(id, place)| PlannedSignal {
            tag: tag_of(line, *id),
            address: place.address,
            registers: place.words,
        })
        .collect();
    signals.sort_by_key(|signal| signal.address);
    PlannedRequest {
        function: table.read_function(),
        table: table.name(),
        start,
        count,
        number: table.printed_number(start),
        request_hex: request_hex(block.request),
        request_bytes: REQUEST_BYTES,
        reply_bytes: REPLY_HEAD_BYTES + data_bytes(table, count),
        signals,
        crossed: crossed(block),
    }
}

/// The addresses that a block crosses without a signal of its own.
pub(crate) fn crossed_by(block: &Block) -> impl Iterator<Item = Hole> {
    crossed(block).into_iter()
}

fn tag_of(line: &Line, id: SignalId) -> String {
    line.signal(id).tag.clone()
}

fn data_bytes(table: Table, count: u16) -> u32 {
    if table.is_bits() { u32::from(count.div_ceil(8)) } else { 2 * u32::from(count) }
}

/// Function, address and count as they travel.
fn request_hex(request: ReadRequest) -> String {
    let [start_high, start_low] = request.start.to_be_bytes();
    let [count_high, count_low] = request.count.to_be_bytes();
    let function = request.table.read_function();
    format!("{function:02X} {start_high:02X} {start_low:02X} {count_high:02X} {count_low:02X}")
}

fn warnings(plan: &ControllerPlan, reply: Duration) -> Vec<String> {
    let mut warnings = Vec::new();
    let ControllerPlan { controller, answer_within_ms, connection_in_use_percent, .. } = plan;
    if ms(reply) > *answer_within_ms {
        warnings.push(format!(
            "a reply of {} ms comes after answer_within ({answer_within_ms} ms): every read would count as lost; \
             raise answer_within of controller \"{controller}\" in line.toml",
            ms(reply)
        ));
    }
    for scan in &plan.scans {
        warnings.extend(too_long(controller, scan));
        warnings.extend(many_requests(scan));
    }
    if *connection_in_use_percent > TIGHT_PERCENT {
        let shared = match plan.shares_connection_with.as_slice() {
            [] => String::new(),
            others => format!(" (shared with {})", others.join(", ")),
        };
        let how = if *connection_in_use_percent > 100.0 {
            "more than there is: scans will be skipped"
        } else {
            "a slow reply or a reconnection will cost a scan"
        };
        warnings.push(format!(
            "the connection to {}{shared} is in use for {connection_in_use_percent:.0} % of the time: {how}; \
             poll less often, or let slow signals have a poll-group of their own",
            plan.endpoint
        ));
    }
    warnings
}

fn too_long(controller: &str, scan: &ScanPlan) -> Option<String> {
    let ScanPlan { poll_every_ms, scan_ms, requests, .. } = scan;
    (scan_ms > poll_every_ms).then(|| {
        format!(
            "a scan of {} requests takes {scan_ms:.0} ms, longer than its period of {poll_every_ms:.0} ms: \
             readings come every {scan_ms:.0} ms at best; raise poll_every of controller \"{controller}\", \
             declare gaps readable, or move slow signals to a poll-group",
            requests.len()
        )
    })
}

fn many_requests(scan: &ScanPlan) -> Option<String> {
    let now = scan.requests.len();
    let saved = now.saturating_sub(scan.requests_if_declared);
    (saved > 0).then(|| {
        format!(
            "{saved} of {now} requests every {:.0} ms are there only because gaps are not declared readable: ask the \
             supplier whether the controller answers those addresses (zeros will do), and if it does, add to \
             `readable`: {}",
            scan.poll_every_ms,
            scan.readable_to_declare.join(", ")
        )
    })
}

#[cfg(test)]
mod tests;
