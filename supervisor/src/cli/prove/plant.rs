//! The simulator as the plant of a proof, over memory.

use crate::poll::dial::{Dial, Stream};
use crate::prove::Plant;
use async_trait::async_trait;
use setward_config::line::Line;
use sim_plc::frame::MAX_FRAME_BYTES;
use sim_plc::{Fault, Operation, Simulator};
use std::io;
use std::time::Duration;

/// Buffer of a connection: a few frames.
const BUFFER_BYTES: usize = 4 * MAX_FRAME_BYTES;

/// A simulated plant.
#[derive(Debug)]
pub(super) struct SimulatedPlant(Simulator);

impl SimulatedPlant {
    pub(super) fn new(line: &Line, seed: u64) -> Self {
        Self(Simulator::new(line, seed))
    }
}

#[async_trait]
impl Dial for SimulatedPlant {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        let (near, far) = tokio::io::duplex(BUFFER_BYTES);
        let (simulator, endpoint) = (self.0.clone(), endpoint.to_owned());
        tokio::spawn(async move { simulator.serve_stream(far, &endpoint).await });
        Ok(Box::new(near))
    }
}

impl Plant for SimulatedPlant {
    fn begin(&self, fault: &str) -> Result<(), String> {
        let fault: Fault = fault.parse().map_err(|error: sim_plc::FaultError| error.to_string())?;
        self.0.inject(fault).map_err(|error| error.to_string())
    }

    fn end(&self, fault: &str) {
        let Ok(fault) = fault.parse::<Fault>() else { return };
        let name = fault.kind().name();
        let subject = fault.subject().map_or_else(|| name.to_owned(), |subject| format!("{name} {subject}"));
        // Its kind was just parsed.
        let _ended = self.0.clear(&subject);
    }

    fn operate(&self, operation: &str) -> Result<(), String> {
        let operation: Operation =
            operation.parse().map_err(|error: sim_plc::UnknownOperation| error.to_string())?;
        self.0.operate(operation);
        Ok(())
    }

    fn step(&self, span: Duration) {
        self.0.step(span);
    }
}
