//! Accepts connections: at most so many, each with a limit on the time its headers take, all ended in good time on shutdown.

use super::crowd::{Crowd, Place};
use super::doors::Peer;
use super::switch::Edition;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use socket2::SockRef;
use std::future::Future;
use std::io;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream, UnixListener, UnixStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};
use tokio::task::JoinSet;

/// Most connections at a time; more wait in the listener's queue.
const MOST_CONNECTIONS: usize = 256;

/// Most of them from one address: one machine's open sockets must leave room for others.
const MOST_OF_ONE: usize = 128;

/// Most connections of this machine's commands; they have a room of their own, so that no crowd at the page keeps them out.
const MOST_LOCAL: usize = 32;

/// How long a client may take to begin an encrypted connection.
const HANDSHAKE_WITHIN: Duration = Duration::from_secs(10);

/// How long sent bytes may wait for a client that does not take them.
const TAKEN_WITHIN: Duration = Duration::from_secs(30);

/// How long a client may take to send its headers, and how long an idle connection stays open.
const HEADERS_WITHIN: Duration = Duration::from_secs(15);

/// How long running answers get on shutdown.
const END_WITHIN: Duration = Duration::from_secs(3);

/// Pause after a failed accept: most likely no file descriptors are left, and trying at once would spin.
const PAUSE_AFTER_FAILURE: Duration = Duration::from_millis(200);

/// Where connections come from: the page's port, and the socket for this machine's commands.
pub(super) struct Listeners {
    pub(super) page: TcpListener,
    pub(super) local: Option<UnixListener>,
}

/// One accepted connection, before anything was read of it.
enum Arrived {
    Tcp(TcpStream, IpAddr),
    Local(UnixStream, u32),
}

/// Accepts until `shutdown`, each connection for the edition that is present then; ends the present one and waits for what is
/// still running.
pub(super) async fn serve(
    listeners: Listeners,
    editions: watch::Receiver<Edition>,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> io::Result<()> {
    let rooms = [MOST_CONNECTIONS, MOST_LOCAL].map(|most| Arc::new(Semaphore::new(most)));
    let crowd = Crowd::default();
    let mut connections = JoinSet::new();
    let mut failing = Failing::default();
    let mut shutdown = std::pin::pin!(shutdown);
    loop {
        let accepted = tokio::select! {
            biased;
            () = &mut shutdown => break,
            Some(_ended) = connections.join_next() => continue,
            accepted = accept(&listeners, &rooms) => accepted,
        };
        match accepted {
            Ok((arrived, permit)) => {
                failing.worked();
                let edition = editions.borrow().clone();
                let address = match &arrived {
                    Arrived::Tcp(_, address) => *address,
                    Arrived::Local(..) => IpAddr::V6(Ipv6Addr::UNSPECIFIED),
                };
                // One too many of one address is closed at once: waiting, it would keep a place from others.
                if let Some(place) = crowd.place(address, MOST_OF_ONE, permit) {
                    connections.spawn(receive(arrived, edition, place));
                }
            }
            Err(error) => {
                failing.failed(&error);
                tokio::time::sleep(PAUSE_AFTER_FAILURE).await;
            }
        }
    }
    drop(listeners);
    editions.borrow().stopping.send_replace(true);
    let all_ended = async { while connections.join_next().await.is_some() {} };
    if tokio::time::timeout(END_WITHIN, all_ended).await.is_err() {
        tracing::warn!("connections still open at shutdown were cut");
    }
    Ok(())
}

/// How often accepting has failed in a row: told when it begins, when it ends, and when the reason is another.
#[derive(Default)]
struct Failing {
    times: u64,
    kind: Option<io::ErrorKind>,
}

impl Failing {
    /// Whether it was told.
    fn failed(&mut self, error: &io::Error) -> bool {
        let is_new = self.kind != Some(error.kind());
        if is_new {
            tracing::warn!(%error, "no connection can be accepted; told again once it changes");
        }
        self.times += 1;
        self.kind = Some(error.kind());
        is_new
    }

    /// Whether it was told.
    fn worked(&mut self) -> bool {
        let had_failed = self.kind.take().is_some();
        if had_failed {
            tracing::info!(times = self.times, "connections are accepted again");
        }
        self.times = 0;
        had_failed
    }
}

/// Waits for room first, so that a connection is never accepted only to be kept waiting.
async fn accept(
    listeners: &Listeners,
    [room, local_room]: &[Arc<Semaphore>; 2],
) -> io::Result<(Arrived, OwnedSemaphorePermit)> {
    let Some(local) = &listeners.local else { return accept_tcp(&listeners.page, room).await };
    tokio::select! {
        biased;
        accepted = accept_local(local, local_room) => accepted,
        accepted = accept_tcp(&listeners.page, room) => accepted,
    }
}

async fn accept_local(
    listener: &UnixListener,
    room: &Arc<Semaphore>,
) -> io::Result<(Arrived, OwnedSemaphorePermit)> {
    let permit = Arc::clone(room).acquire_owned().await.map_err(io::Error::other)?;
    let (stream, _unnamed) = listener.accept().await?;
    let uid = stream.peer_cred()?.uid();
    Ok((Arrived::Local(stream, uid), permit))
}

async fn accept_tcp(
    listener: &TcpListener,
    room: &Arc<Semaphore>,
) -> io::Result<(Arrived, OwnedSemaphorePermit)> {
    let permit = Arc::clone(room).acquire_owned().await.map_err(io::Error::other)?;
    let (stream, from) = listener.accept().await?;
    // A live value waits for nothing; without this a page is a little slower, not wrong.
    let _ = stream.set_nodelay(true);
    // Whoever does not take what it asked for is cut by the kernel; without this it keeps its place for longer.
    let _ = SockRef::from(&stream).set_tcp_user_timeout(Some(TAKEN_WITHIN));
    Ok((Arrived::Tcp(stream, from.ip().to_canonical()), permit))
}

/// Serves one connection, encrypted if the page is, until it closes or the server stops.
async fn receive(arrived: Arrived, edition: Edition, place: Place) {
    match arrived {
        Arrived::Local(stream, uid) => converse(stream, Peer::Local { uid }, edition).await,
        Arrived::Tcp(stream, address) => match edition.doors.acceptor() {
            None => converse(stream, Peer::Tcp(address), edition).await,
            Some(acceptor) => match tokio::time::timeout(HANDSHAKE_WITHIN, acceptor.accept(stream)).await {
                Ok(Ok(stream)) => converse(stream, Peer::Tcp(address), edition).await,
                Ok(Err(error)) => tracing::debug!(%error, "no encrypted connection came about"),
                Err(_late) => tracing::debug!("no encrypted connection came about in time"),
            },
        },
    }
    drop(place);
}

async fn converse<S>(stream: S, peer: Peer, edition: Edition)
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let Edition { router, stopping, doors: _ } = edition;
    let mut stopping = stopping.subscribe();
    let inner = TowerToHyperService::new(router);
    let service = hyper::service::service_fn(move |mut request: hyper::Request<Incoming>| {
        request.extensions_mut().insert(peer);
        hyper::service::Service::call(&inner, request)
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADERS_WITHIN)
        .max_buf_size(32 * 1024)
        .serve_connection(TokioIo::new(stream), service);
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
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failure_that_lasts_is_told_once_and_so_is_its_end() {
        let mut failing = Failing::default();
        let (full, denied) =
            (io::Error::from_raw_os_error(24), io::Error::from(io::ErrorKind::PermissionDenied));
        assert!(!failing.worked());
        assert!(failing.failed(&full));
        assert!((0..100).all(|_| !failing.failed(&full)));
        assert!(failing.failed(&denied));
        assert!(failing.worked());
        assert!(!failing.worked());
        assert!(failing.failed(&full));
    }
}
