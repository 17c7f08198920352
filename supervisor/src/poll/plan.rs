//! What to ask whom: the line's signals as requests, grouped by controller and by endpoint. Pure.

use setward_config::line::{ControllerId, Line};
use setward_protocol::{Place, ReadRequest, SignalId, plan_reads};
use std::time::Duration;

/// One connection: an endpoint and the controllers behind it.
#[derive(Debug, Clone, PartialEq)]
pub struct EndpointPlan {
    /// `host:port`.
    pub endpoint: String,
    /// The controllers that answer there.
    pub controllers: Vec<ControllerPlan>,
}

/// All that is asked of one controller in one scan.
#[derive(Debug, Clone, PartialEq)]
pub struct ControllerPlan {
    /// Which controller.
    pub controller: ControllerId,
    /// Its name, for messages.
    pub name: String,
    /// Modbus unit id.
    pub unit_id: u8,
    /// How often it is scanned.
    pub poll_every: Duration,
    /// How long one reply may take.
    pub answer_within: Duration,
    /// The reads of a scan, each with the signals it brings.
    pub blocks: Vec<Block>,
}

/// One read and the signals it brings.
#[derive(Debug, Clone, PartialEq)]
pub struct Block {
    /// The read.
    pub request: ReadRequest,
    /// The signals that lie in it.
    pub signals: Vec<SignalId>,
}

/// The plan of a whole line: one entry an endpoint, in the order of the controllers.
#[must_use]
pub fn plan_line(line: &Line) -> Vec<EndpointPlan> {
    let mut endpoints: Vec<EndpointPlan> = Vec::new();
    for (index, controller) in (0..u16::MAX).zip(&line.controllers) {
        let plan = plan_controller(line, ControllerId(index));
        match endpoints.iter_mut().find(|endpoint| endpoint.endpoint == controller.endpoint) {
            Some(endpoint) => endpoint.controllers.push(plan),
            None => {
                endpoints
                    .push(EndpointPlan { endpoint: controller.endpoint.clone(), controllers: vec![plan] });
            }
        }
    }
    endpoints
}

fn plan_controller(line: &Line, id: ControllerId) -> ControllerPlan {
    let controller = line.controller(id);
    let own: Vec<(SignalId, Place)> = line
        .signals_with_ids()
        .filter_map(|(signal_id, signal)| Some((signal_id, signal.register()?)))
        .filter(|(_, register)| register.controller == id)
        .map(|(signal_id, register)| (signal_id, register.wire.place()))
        .collect();
    let places: Vec<Place> = own.iter().map(|(_, place)| *place).collect();
    let blocks = plan_reads(&places, &controller.readable, controller.limits)
        .into_iter()
        .map(|request| {
            let covered = own.iter().filter(|(_, place)| request.covers(*place));
            Block { request, signals: covered.map(|(signal, _)| *signal).collect() }
        })
        .collect();
    ControllerPlan {
        controller: id,
        name: controller.name.clone(),
        unit_id: controller.unit_id,
        poll_every: controller.poll_every,
        answer_within: controller.answer_within,
        blocks,
    }
}
