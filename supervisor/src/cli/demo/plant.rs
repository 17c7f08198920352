//! The demo's plant at its ports, on a thread of its own: a page that takes long to draw must not keep its controllers from
//! answering.

use sim_plc::{Bound, Simulator};
use std::time::Duration;
use tokio::sync::oneshot;

/// Its last connections end by themselves; what they would say no longer matters.
const ENDS_WITHIN: Duration = Duration::from_secs(2);

/// A plant that is served until this is dropped.
pub(super) struct ServedPlant {
    stop: oneshot::Sender<()>,
    ended: oneshot::Receiver<()>,
}

impl ServedPlant {
    /// Moves the plant on in real time and answers for its controllers.
    ///
    /// # Errors
    /// What the system does not give, in words.
    pub(super) fn serve(bound: Bound, plant: Simulator) -> Result<Self, String> {
        let (stop, stopped) = oneshot::channel::<()>();
        let (ending, ended) = oneshot::channel();
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
        let runtime = runtime.map_err(|error| format!("the system gives no event loop: {error}"))?;
        let thread = std::thread::Builder::new().name("demo-plant".to_owned()).spawn(move || {
            runtime.block_on(sim_plc::serve(bound, plant, async {
                // Dropping the sender stops the plant as well.
                let _dropped = stopped.await;
            }));
            let _gone = ending.send(());
        });
        thread.map_err(|error| format!("no thread for the demo's plant: {error}"))?;
        Ok(Self { stop, ended })
    }

    /// Stops it, and waits for it as long as that is worth.
    pub(super) async fn stop(self) {
        drop(self.stop);
        let _ended = tokio::time::timeout(ENDS_WITHIN, self.ended).await;
    }
}
