//! The page and the API.
use crate::clock::Clock;
use crate::handle::LineHandle;
use crate::history::HistoryStore;
use setward_config::line::Line;
use std::sync::Arc;
/// State.
#[derive(Clone)]
pub struct AppState {
    /// h
    pub handle: LineHandle,
    /// l
    pub line: Arc<Line>,
    /// hist
    pub history: Arc<dyn HistoryStore>,
    /// c
    pub clock: Clock,
}
/// Serve.
/// # Errors
/// none
pub async fn serve(
    _l: tokio::net::TcpListener,
    _s: AppState,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> std::io::Result<()> {
    shutdown.await;
    Ok(())
}
