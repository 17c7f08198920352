//! What to ask whom: the line's signals as requests, grouped by endpoint and by controller and period. Pure.

use setward_config::line::{Controller, ControllerId, Line, Register};
use setward_protocol::{Place, ReadLimits, ReadRequest, RegisterSpan, SignalId, plan_reads};
use std::sync::Arc;
use std::time::Duration;

/// One connection: an endpoint, the controllers behind it, and the scans they are asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct EndpointPlan {
    /// `host:port`.
    pub endpoint: String,
    /// The controllers that answer there.
    pub units: Vec<UnitPlan>,
}

/// A controller behind an endpoint.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitPlan {
    /// Which controller.
    pub controller: ControllerId,
    /// Modbus unit id.
    pub unit_id: u8,
    /// What it must say of itself before anything it answers is taken.
    pub identity: Option<String>,
    /// How long one reply may take.
    pub answer_within: Duration,
    /// Least time between two requests.
    pub pause: Duration,
    /// What limits a request, for one that has to be split.
    pub limits: ReadLimits,
    /// Addresses that may be crossed.
    pub readable: Vec<RegisterSpan>,
    /// One scan for each poll period.
    pub scans: Vec<ScanPlan>,
}

/// All signals of one controller with one poll period. They share a time stamp.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanPlan {
    /// How often.
    pub poll_every: Duration,
    /// By how much scans after the first lag, so that not all answers come at once.
    pub phase: Duration,
    /// The reads, each with the signals it brings.
    pub blocks: Vec<Arc<Block>>,
}

/// One read and the signals it brings.
#[derive(Debug, Clone, PartialEq)]
pub struct Block {
    /// The read.
    pub request: ReadRequest,
    /// The signals that lie in it, with their places.
    pub signals: Vec<(SignalId, Place)>,
}

impl Block {
    /// The fewest reads for `signals`, within what the controller allows.
    fn all_of(
        signals: &[(SignalId, Place)],
        readable: &[RegisterSpan],
        limits: ReadLimits,
    ) -> Vec<Arc<Self>> {
        let places: Vec<Place> = signals.iter().map(|(_, place)| *place).collect();
        plan_reads(&places, readable, limits)
            .into_iter()
            .map(|request| {
                let covered = signals.iter().filter(|(_, place)| request.covers(*place));
                Arc::new(Self { request, signals: covered.copied().collect() })
            })
            .collect()
    }

    /// The same signals in two halves by address, to find the one that is refused; `None` for a single place.
    #[must_use]
    pub fn halves(&self, unit: &UnitPlan) -> Option<Vec<Arc<Self>>> {
        let mut sorted = self.signals.clone();
        sorted.sort_by_key(|(_, place)| place.address);
        let (first, last) = (sorted.first()?.1, sorted.last()?.1);
        if first == last {
            return None;
        }
        let at = sorted.len().div_ceil(2);
        let (lower, upper) = sorted.split_at(at);
        let mut halves = Self::all_of(lower, &unit.readable, unit.limits);
        halves.extend(Self::all_of(upper, &unit.readable, unit.limits));
        Some(halves)
    }
}

/// The plan of a whole line: one entry an endpoint, in the order of the controllers.
#[must_use]
pub fn plan_line(line: &Line) -> Vec<EndpointPlan> {
    let mut endpoints: Vec<EndpointPlan> = Vec::new();
    for (id, controller) in (0..u16::MAX).map(ControllerId).zip(&line.controllers) {
        let unit = plan_unit(line, id, controller);
        match endpoints.iter_mut().find(|endpoint| endpoint.endpoint == controller.endpoint) {
            Some(endpoint) => endpoint.units.push(unit),
            None => {
                endpoints.push(EndpointPlan { endpoint: controller.endpoint.clone(), units: vec![unit] });
            }
        }
    }
    spread(&mut endpoints);
    endpoints
}

/// The signals that are asked for, with their registers. What is not wired yet is not: its address may not exist.
pub fn asked(line: &Line) -> impl Iterator<Item = (SignalId, &Register)> {
    let wired = line.signals_with_ids().filter(|(_, signal)| signal.commissioned);
    wired.filter_map(|(id, signal)| Some((id, signal.register()?)))
}

/// Gives each scan of the line its own share of its period.
fn spread(endpoints: &mut [EndpointPlan]) {
    let units = || endpoints.iter().flat_map(|endpoint| &endpoint.units);
    let count = u32::try_from(units().map(|unit| unit.scans.len()).sum::<usize>()).unwrap_or(u32::MAX).max(1);
    let units = endpoints.iter_mut().flat_map(|endpoint| &mut endpoint.units);
    for (place, scan) in (0..).zip(units.flat_map(|unit| &mut unit.scans)) {
        scan.phase = (scan.poll_every / count).saturating_mul(place);
    }
}

fn plan_unit(line: &Line, id: ControllerId, controller: &Controller) -> UnitPlan {
    let own: Vec<_> = asked(line).filter(|(_, register)| register.controller == id).collect();
    let mut periods: Vec<Duration> = own.iter().map(|(_, register)| register.poll_every).collect();
    periods.sort_unstable();
    periods.dedup();
    let scan = |poll_every: Duration| {
        let its = own.iter().filter(|(_, register)| register.poll_every == poll_every);
        let signals: Vec<_> = its.map(|(id, register)| (*id, register.wire.place())).collect();
        let blocks = Block::all_of(&signals, &controller.readable, controller.limits);
        ScanPlan { poll_every, phase: Duration::ZERO, blocks }
    };
    UnitPlan {
        controller: id,
        unit_id: controller.unit_id,
        identity: controller.identity.clone(),
        answer_within: controller.answer_within,
        pause: controller.pause,
        limits: controller.limits,
        readable: controller.readable.clone(),
        scans: periods.into_iter().map(scan).collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use setward_protocol::Table;

    fn demo() -> Vec<EndpointPlan> {
        plan_line(&setward_config::load_demo().unwrap().line)
    }

    #[test]
    fn every_signal_is_asked_for_once_with_its_own_period() {
        let line = setward_config::load_demo().unwrap().line;
        for (id, signal) in line.signals_with_ids() {
            let Some(register) = signal.register() else { continue };
            let scans = demo().into_iter().flat_map(|endpoint| endpoint.units).flat_map(|unit| unit.scans);
            let asking: Vec<Duration> = scans
                .flat_map(|scan| {
                    let hits = scan.blocks.iter().flat_map(|block| block.signals.clone());
                    let count = hits.filter(|(own, _)| *own == id).count();
                    std::iter::repeat_n(scan.poll_every, count).collect::<Vec<_>>()
                })
                .collect();
            assert_eq!(asking, [register.poll_every], "{}", signal.tag);
        }
    }

    #[test]
    fn every_scan_has_its_own_phase_within_its_period() {
        let endpoints = demo();
        let scans = endpoints.iter().flat_map(|endpoint| &endpoint.units).flat_map(|unit| &unit.scans);
        let shares: Vec<f64> = scans.map(|scan| scan.phase.div_duration_f64(scan.poll_every)).collect();
        assert!(shares.len() > 2 && shares.is_sorted_by(|before, after| before < after), "{shares:?}");
        assert!(shares.iter().all(|share| (0.0..1.0).contains(share)), "{shares:?}");
    }

    /// 500 registers by at most 125: no fewer would do.
    #[test]
    fn two_hundred_scattered_signals_take_four_requests_where_the_gaps_may_be_read() {
        let place = |index: u16| Place { table: Table::Holding, address: index * 5 / 2 * 77 % 500, words: 1 };
        let signals: Vec<(SignalId, Place)> = (0..200).map(|index| (SignalId(index), place(index))).collect();
        let readable = [RegisterSpan { table: Table::Holding, first: 0, last: 499 }];
        let blocks = Block::all_of(&signals, &readable, ReadLimits::STANDARD);
        assert_eq!(blocks.len(), 4);
        assert_eq!(blocks.iter().map(|block| block.signals.len()).sum::<usize>(), 200);
        let uncrossed = Block::all_of(&signals, &[], ReadLimits::STANDARD);
        assert!(uncrossed.len() > 100, "an undeclared gap is never crossed: {}", uncrossed.len());
    }

    #[test]
    fn a_block_is_halved_until_one_place_is_left() {
        let endpoints = demo();
        let unit = &endpoints[0].units[0];
        let mut blocks = unit.scans[0].blocks.clone();
        let count: usize = blocks.iter().map(|block| block.signals.len()).sum();
        while let Some(at) = blocks.iter().position(|block| block.halves(unit).is_some()) {
            let halves = blocks.swap_remove(at).halves(unit).unwrap();
            assert!(halves.len() >= 2);
            blocks.extend(halves);
        }
        let single = |block: &Arc<Block>| {
            let (_, first) = block.signals[0];
            block.signals.iter().all(|(_, place)| *place == first) && block.request.count == first.words
        };
        assert!(blocks.iter().all(single));
        assert_eq!(blocks.iter().map(|block| block.signals.len()).sum::<usize>(), count, "none is lost");
        assert!(blocks.iter().any(|block| block.request.table == Table::Holding));
    }
}
