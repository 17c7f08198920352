//! A line of one controller with just the signals a test needs, and a few seconds of its life in virtual time.

use crate::support::demo_line;
use setward::clock::Clock;
use setward::history::sqlite::InlineStore;
use setward::poll::dial::Dial;
use setward::protocol::{
    ByteOrder, ControllerId, Encoding, ReadLimits, Reading, Signal, StationId, Table, Unit, UtcMillis,
};
use setward::snapshot::LineSnapshot;
use setward::{Edges, start};
use setward_config::line::{Behaves, Line, LineSignal, Origin, Register, Role, Simulate, Wiring};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

/// Where the one controller answers.
pub(crate) const ENDPOINT: &str = "127.0.0.1:15502";
const POLL_EVERY: Duration = Duration::from_secs(1);

/// A signal of the small line: plain counts, no scale, no noise.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Row {
    pub(crate) tag: String,
    pub(crate) table: Table,
    pub(crate) address: u16,
    pub(crate) encoding: Encoding,
    pub(crate) order: ByteOrder,
    pub(crate) range: (f64, f64),
    /// What the simulator holds it at.
    pub(crate) typical: f64,
}

/// A line with these signals on one controller that allows what the standard allows.
pub(crate) fn small_line(unit_id: u8, rows: &[Row]) -> Line {
    let mut line = demo_line();
    line.stations.truncate(1);
    line.stations[0].modes.clear();
    line.stations[0].product_present = None;
    line.controllers.truncate(1);
    let controller = &mut line.controllers[0];
    controller.endpoint = ENDPOINT.to_owned();
    controller.unit_id = unit_id;
    controller.poll_every = POLL_EVERY;
    controller.answer_within = POLL_EVERY / 2;
    controller.limits = ReadLimits::STANDARD;
    controller.readable.clear();
    controller.pause = Duration::ZERO;
    controller.heartbeat = None;
    controller.zeroed_after_restart = 0;
    line.signals = rows.iter().map(line_signal).collect();
    line.loops.clear();
    line.belts.clear();
    line.alarms.clear();
    line.recipe_numbers.clear();
    line.kettles.clear();
    line.tanks.clear();
    line.entries.clear();
    line.delays.clear();
    line.feed = None;
    for recipe in &mut line.recipes {
        recipe.setpoints.clear();
    }
    line
}

fn line_signal(row: &Row) -> LineSignal {
    let is_bit = matches!(row.encoding, Encoding::Bit(_));
    let wire = Signal {
        table: row.table,
        address: row.address,
        encoding: row.encoding,
        order: row.order,
        scale: 1.0,
        offset: 0.0,
        range: row.range,
        no_value: Vec::new(),
    };
    LineSignal {
        tag: row.tag.clone(),
        name: row.tag.clone(),
        station: StationId(0),
        role: Role::Status,
        unit: if is_bit { Unit::Bit } else { Unit::One },
        range: row.range,
        decimals: 0,
        origin: Origin::Register(Register { controller: ControllerId(0), poll_every: POLL_EVERY, wire }),
        behaves: Behaves::Value,
        stuck_after: None,
        commissioned: true,
        good_when: Vec::new(),
        codes: BTreeMap::new(),
        means: None,
        simulate: Simulate { typical: row.typical, noise: 0.0, time_constant: Duration::ZERO },
        wiring: Wiring::default(),
        was: None,
    }
}

/// What is known of the line after `lasts` over connections from `dial`.
pub(crate) async fn snapshot_after(
    line: &Line,
    dial: impl Dial + 'static,
    lasts: Duration,
) -> Arc<LineSnapshot> {
    let edges = Edges {
        dial: Arc::new(dial),
        history: Arc::new(InlineStore::in_memory().unwrap()),
        clock: Clock::starting_at(UtcMillis(1_767_571_200_000)),
    };
    let running = start(Arc::new(line.clone()), edges).await.unwrap();
    tokio::time::sleep(lasts).await;
    let snapshot = running.handle().snapshot();
    let summary = running.stop().await.unwrap();
    assert_eq!(summary.samples_lost, 0);
    snapshot
}

/// What the snapshot says of a signal.
pub(crate) fn reading(line: &Line, snapshot: &LineSnapshot, tag: &str) -> Reading {
    snapshot.signal(line.signal_by_tag(tag).unwrap()).unwrap().reading
}
