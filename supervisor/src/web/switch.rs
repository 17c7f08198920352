//! One listener for the life of the program, whatever run stands behind its pages: a reload puts another one in the place of the
//! one before. Open streams of the old one end, and browsers come back by themselves.

use super::doors::Doors;
use super::{AppState, Web, listen, routes};
use axum::Router;
use listen::Listeners;
use std::io;
use std::sync::Arc;
use tokio::net::{TcpListener, UnixListener};
use tokio::sync::watch;

/// The pages of one run.
#[derive(Debug, Clone)]
pub(super) struct Edition {
    pub(super) router: Router,
    /// Set true once it is over.
    pub(super) stopping: Arc<watch::Sender<bool>>,
    pub(super) doors: Arc<Doors>,
}

impl Edition {
    fn of(state: AppState) -> Self {
        let web = Web::new(state);
        Self { stopping: Arc::clone(&web.stopping), doors: Arc::clone(&web.app.doors), router: routes(web) }
    }
}

/// The pages, of whichever run is present.
#[derive(Debug)]
pub struct Pages(watch::Sender<Edition>);

impl Pages {
    /// Pages of a first run.
    #[must_use]
    pub fn new(state: AppState) -> Self {
        Self(watch::Sender::new(Edition::of(state)))
    }

    /// From now on the pages are of another run. What is being answered is answered still.
    pub fn switch(&self, state: AppState) {
        let before = self.0.send_replace(Edition::of(state));
        before.stopping.send_replace(true);
    }

    /// Serves whatever is present on `listener` until `shutdown`, then ends open streams and waits a moment for running
    /// answers.
    ///
    /// # Errors
    /// When the listener breaks for good.
    pub fn serve(
        &self,
        listener: TcpListener,
        shutdown: impl Future<Output = ()> + Send + 'static,
    ) -> impl Future<Output = io::Result<()>> + Send + 'static {
        self.serve_both(listener, None, shutdown)
    }

    /// The same, and to this machine's commands on `local`.
    ///
    /// # Errors
    /// As [`Self::serve`].
    pub fn serve_both(
        &self,
        page: TcpListener,
        local: Option<UnixListener>,
        shutdown: impl Future<Output = ()> + Send + 'static,
    ) -> impl Future<Output = io::Result<()>> + Send + 'static {
        listen::serve(Listeners { page, local }, self.0.subscribe(), shutdown)
    }
}
