//! Accepts connections: at most so many, each with a limit on the time its headers take, all ended in good time on shutdown.

use super::switch::Edition;
use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::future::Future;
use std::io;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};
use tokio::task::JoinSet;

/// Most connections at a time; more wait in the listener's queue.
const MOST_CONNECTIONS: usize = 256;

/// How long a client may take to send its headers, and how long an idle connection stays open.
const HEADERS_WITHIN: Duration = Duration::from_secs(15);

/// How long running answers get on shutdown.
const END_WITHIN: Duration = Duration::from_secs(3);

/// Pause after a failed accept: most likely no file descriptors are left, and trying at once would spin.
const PAUSE_AFTER_FAILURE: Duration = Duration::from_millis(200);

/// Accepts until `shutdown`, each connection for the edition that is present then; ends the present one and waits for what is
/// still running.
pub(super) async fn serve(
    listener: TcpListener,
    editions: watch::Receiver<Edition>,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> io::Result<()> {
    let room = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    let mut connections = JoinSet::new();
    let mut shutdown = std::pin::pin!(shutdown);
    loop {
        let accepted = tokio::select! {
            biased;
            () = &mut shutdown => break,
            Some(_ended) = connections.join_next() => continue,
            accepted = accept(&listener, &room) => accepted,
        };
        match accepted {
            Ok((stream, permit)) => {
                let Edition { router, stopping } = editions.borrow().clone();
                connections.spawn(converse(stream, permit, router, stopping.subscribe()));
            }
            Err(error) => {
                tracing::warn!(%error, "could not accept a connection");
                tokio::time::sleep(PAUSE_AFTER_FAILURE).await;
            }
        }
    }
    drop(listener);
    editions.borrow().stopping.send_replace(true);
    let all_ended = async { while connections.join_next().await.is_some() {} };
    if tokio::time::timeout(END_WITHIN, all_ended).await.is_err() {
        tracing::warn!("connections still open at shutdown were cut");
    }
    Ok(())
}

/// Waits for room first, so that a connection is never accepted only to be kept waiting.
async fn accept(
    listener: &TcpListener,
    room: &Arc<Semaphore>,
) -> io::Result<(TcpStream, OwnedSemaphorePermit)> {
    let permit = Arc::clone(room).acquire_owned().await.map_err(io::Error::other)?;
    let (stream, _from) = listener.accept().await?;
    // A live value waits for nothing; without this a page is a little slower, not wrong.
    let _ = stream.set_nodelay(true);
    Ok((stream, permit))
}

/// Serves one connection until it closes or the server stops.
async fn converse(
    stream: TcpStream,
    permit: OwnedSemaphorePermit,
    router: Router,
    mut stopping: watch::Receiver<bool>,
) {
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADERS_WITHIN)
        .max_buf_size(32 * 1024)
        .serve_connection(TokioIo::new(stream), TowerToHyperService::new(router));
    let mut connection = std::pin::pin!(connection);
    let ended = tokio::select! {
        biased;
        ended = connection.as_mut() => ended,
        () = super::stopped(&mut stopping) => {
            connection.as_mut().graceful_shutdown();
            connection.await
        }
    };
    if let Err(error) = ended {
        tracing::debug!(%error, "a connection ended early");
    }
    drop(permit);
}
