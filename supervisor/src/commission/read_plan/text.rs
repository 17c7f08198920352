//! The plan in words, for a terminal.

use super::{ControllerPlan, PlannedRequest, ReadPlan, ScanPlan};
use crate::web::call::counted;
use std::fmt::{self, Write as _};

/// Width to which lists of tags are folded.
const WIDTH: usize = 96;

impl ReadPlan {
    /// The whole plan as text.
    #[must_use]
    pub fn text(&self) -> String {
        let mut out = String::new();
        // Writing to a string can't fail.
        let _infallible = self.write(&mut out);
        out
    }

    fn write(&self, out: &mut String) -> fmt::Result {
        let scans = || self.controllers.iter().flat_map(|controller| &controller.scans);
        let requests: usize = scans().map(|scan| scan.requests.len()).sum();
        let signals: usize =
            scans().flat_map(|scan| &scan.requests).map(|request| request.signals.len()).sum();
        writeln!(out, "Read plan of {}, {}", self.line, self.plant)?;
        writeln!(
            out,
            "{} controllers, {signals} signals, {requests} requests; {} signals have no register (entered or computed)",
            self.controllers.len(),
            self.without_register
        )?;
        writeln!(
            out,
            "Times: as if each reply took {} ms (--reply); no controller was asked. Addresses count from 0; the number \
             in brackets is the one on drawings.",
            self.reply_ms
        )?;
        writeln!(
            out,
            "Bytes: of the Modbus frames; each frame travels in a TCP segment with 40 bytes or more of its own."
        )?;
        if !self.not_asked.is_empty() {
            writeln!(out, "Not asked for, commissioned = false: {}", self.not_asked.join(", "))?;
        }
        self.controllers.iter().try_for_each(|controller| write_controller(out, controller))?;
        writeln!(out, "\nConfiguration {}", self.configuration_sha256)
    }
}

fn write_controller(out: &mut String, plan: &ControllerPlan) -> fmt::Result {
    writeln!(
        out,
        "\n{} at {}, unit {}: up to {} registers or {} bits a request, answer within {} ms, pause {} ms",
        plan.controller,
        plan.endpoint,
        plan.unit_id,
        plan.max_registers,
        plan.max_bits,
        plan.answer_within_ms,
        plan.pause_ms
    )?;
    if !plan.shares_connection_with.is_empty() {
        writeln!(out, "  shares its connection with {}", plan.shares_connection_with.join(", "))?;
    }
    writeln!(out, "  connection in use {:.1} % of the time", plan.connection_in_use_percent)?;
    plan.scans.iter().try_for_each(|scan| write_scan(out, scan))?;
    plan.warnings.iter().try_for_each(|warning| writeln!(out, "  warning: {warning}"))
}

fn write_scan(out: &mut String, scan: &ScanPlan) -> fmt::Result {
    let signals: usize = scan.requests.iter().map(|request| request.signals.len()).sum();
    writeln!(
        out,
        "  every {} ms: {} for {}, {:.0} ms of {:.0} ms ({:.1} %)",
        scan.poll_every_ms,
        counted(scan.requests.len(), "request"),
        counted(signals, "signal"),
        scan.scan_ms,
        scan.poll_every_ms,
        100.0 * scan.scan_ms / scan.poll_every_ms
    )?;
    scan.requests.iter().try_for_each(|request| write_request(out, request))?;
    for gap in &scan.gaps {
        writeln!(
            out,
            "    gap {} {}, not declared readable: costs a request, {} ms a scan; crossing it would add {} bytes",
            gap.table,
            stretch(gap.first, gap.last),
            gap.costs_ms,
            gap.would_add_bytes
        )?;
    }
    Ok(())
}

fn write_request(out: &mut String, request: &PlannedRequest) -> fmt::Result {
    let last = u32::from(request.start) + u32::from(request.count) - 1;
    writeln!(
        out,
        "    function {:02}  {} {} to {last} [{} on]  count {}  sent {}  {} bytes out, {} back",
        request.function,
        request.table,
        request.start,
        request.number,
        request.count,
        request.request_hex,
        request.request_bytes,
        request.reply_bytes
    )?;
    let tags = request.signals.iter().map(|signal| match signal.registers {
        1 => format!("{} {}", signal.tag, signal.address),
        more => {
            format!("{} {}-{}", signal.tag, signal.address, u32::from(signal.address) + u32::from(more) - 1)
        }
    });
    for line in folded(tags) {
        writeln!(out, "        {line}")?;
    }
    for hole in &request.crossed {
        writeln!(
            out,
            "        crosses {}, declared readable: {} bytes for nothing; the controller must answer them",
            stretch(hole.first, hole.last),
            hole.reply_bytes
        )?;
    }
    Ok(())
}

/// Addresses from first to last.
fn stretch(first: u16, last: u16) -> String {
    if first == last { first.to_string() } else { format!("{first} to {last}") }
}

/// A list, some to a line.
fn folded(items: impl Iterator<Item = String>) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for item in items {
        match lines.last_mut() {
            Some(line) if line.chars().count() + item.chars().count() + 2 <= WIDTH => {
                line.push_str(", ");
                line.push_str(&item);
            }
            Some(_) | None => lines.push(item),
        }
    }
    lines
}
