//! The demo line as the poller would bring it: blocks of words around each signal's typical value, and an engine over it.

use setward::alarm::{AlarmEvent, AlarmSettings, Head, Monitor, Segment, Slot, events_needed};
use setward::poll::ScanReport;
use setward::poll::blocks::BlockReport;
use setward::poll::plan::{Block, plan_line};
use setward::protocol::{Reading, RegisterBlock, Sample, SignalId, Uptime, UtcMillis};
use setward_config::line::{ControllerId, Line};
use std::sync::Arc;
use std::time::Duration;

/// Different words for each scan, over and over.
const VARIANTS: usize = 64;
const START_MS: i64 = 1_793_491_200_000;

/// One read of the plan, with its words in each variant.
struct DemoBlock {
    planned: Arc<Block>,
    words: Vec<Vec<u16>>,
}

/// The line and what a scan of all of it brings.
pub(crate) struct Demo {
    pub(crate) line: Arc<Line>,
    blocks: Vec<DemoBlock>,
}

impl Demo {
    pub(crate) fn load() -> Self {
        let loaded =
            setward_config::load_demo().unwrap_or_else(|problems| panic!("{}", problems.render(false)));
        let line = loaded.line;
        let units = plan_line(&line).into_iter().flat_map(|endpoint| endpoint.units);
        let planned = units.flat_map(|unit| unit.scans).flat_map(|scan| scan.blocks);
        let blocks = planned.map(|block| DemoBlock {
            words: (0..VARIANTS).map(|variant| words(&line, &block, variant)).collect(),
            planned: block,
        });
        let blocks = blocks.collect();
        Self { line: Arc::new(line), blocks }
    }

    /// Signals in a scan of everything.
    pub(crate) fn count(&self) -> usize {
        self.blocks.iter().map(|block| block.planned.signals.len()).sum()
    }

    /// Decodes the scan numbered `scan`.
    #[inline]
    pub(crate) fn decode(&self, scan: u64, mut take: impl FnMut(SignalId, Reading)) {
        for DemoBlock { planned, words } in &self.blocks {
            let Block { request, signals } = planned.as_ref();
            let words = &words[scan as usize % VARIANTS];
            let block = RegisterBlock::new(request.table, request.start, request.count, words).unwrap();
            for &(id, _) in signals {
                if let Some(register) = self.line.signal(id).register() {
                    take(id, register.wire.decode(&block));
                }
            }
        }
    }

    /// Decodes a scan and puts every sample through all its alarms.
    #[inline]
    pub(crate) fn evaluate(&self, scan: u64, monitor: &mut Monitor<'_>) {
        let at = Uptime::from_millis(scan * 1000 + 1000);
        monitor.handle_timeout(at);
        self.decode(scan, |signal, reading| {
            monitor.handle_sample(&Sample { signal, at, reading });
            while monitor.poll_event().is_some() {}
        });
    }

    /// A scan of all that is polled once a second or whenever: one report of every block.
    pub(crate) fn report(&self) -> ScanReport {
        let block = |block: &DemoBlock| BlockReport {
            block: Arc::clone(&block.planned),
            words: Ok(block.words[0].clone()),
        };
        ScanReport {
            controller: ControllerId(0),
            poll_every: Duration::from_secs(1),
            at: Uptime::from_millis(1000),
            utc: UtcMillis(START_MS),
            took: Duration::ZERO,
            achieved: None,
            skipped: 0,
            requests: 1,
            blocks: self.blocks.iter().map(block).collect(),
            split: Vec::new(),
        }
    }

    /// An engine with the recipe's targets. Its storage lives as long as the program.
    pub(crate) fn engine(&self) -> Monitor<'static> {
        let line = &self.line;
        let alarms: Vec<AlarmSettings> = line.alarms.iter().map(|alarm| alarm.settings).collect();
        let mut monitor = engine(&alarms, line.signals.len());
        for setpoint in &line.recipe().setpoints {
            monitor.handle_target(setpoint.signal, Some(setpoint.target));
        }
        for (cause, alarm) in line.alarms_with_ids() {
            alarm.hides.iter().for_each(|consequence| monitor.hide(cause, *consequence).unwrap());
        }
        monitor
    }
}

/// An engine over these alarms.
pub(crate) fn engine(alarms: &[AlarmSettings], signals: usize) -> Monitor<'static> {
    let segments = alarms.iter().map(AlarmSettings::segments_needed).sum();
    let slots: Vec<Slot> = alarms.iter().map(|settings| Slot::new(*settings)).collect();
    let events: Vec<Option<AlarmEvent>> = vec![None; events_needed(slots.len())];
    let heads = vec![Head::default(); signals];
    let segments = vec![Segment::default(); segments];
    let mut monitor = Monitor::new(slots.leak(), heads.leak(), segments.leak());
    monitor.lend_events(events.leak());
    monitor
}

/// Words of a block in which every signal is near its typical value.
fn words(line: &Line, block: &Block, variant: usize) -> Vec<u16> {
    let mut words = vec![0; usize::from(block.request.count)];
    for (id, place) in &block.signals {
        let signal = line.signal(*id);
        let wire = &signal.register().unwrap().wire;
        let swing = ((variant * 7 + id.index()) % VARIANTS) as f64 / VARIANTS as f64 * 3.0 - 1.5;
        let (low, high) = wire.range;
        let value = (signal.simulate.typical + swing * signal.simulate.noise).clamp(low, high);
        let encoded = wire.encode(value).unwrap_or_default();
        let first = usize::from(place.address - block.request.start);
        // Bits of one word are several signals.
        words[first..]
            .iter_mut()
            .zip(&encoded[..usize::from(place.words)])
            .for_each(|(word, own)| *word |= own);
    }
    words
}
