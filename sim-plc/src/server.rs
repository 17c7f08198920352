//! Sockets: one port for each endpoint of the line, loopback only, bounded in connections and in idle time.
//!
//! Owns listening, connections and the real-time ticker. What is answered is decided in [`crate::frame`] and
//! [`crate::simulator`].

use crate::frame::{MAX_FRAME_BYTES, Received, receive};
use crate::simulator::{Response, Simulator};
use setward_config::line::Line;
use std::collections::VecDeque;
use std::fmt;
use std::future::Future;
use std::io;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::{AbortHandle, JoinSet};
use tokio::time::{Instant, MissedTickBehavior, interval, sleep, timeout};

/// Most connections of one endpoint; one more closes the one that has been idle longest.
pub const MAX_CONNECTIONS: usize = 32;
/// How long a connection may say nothing before it is closed.
pub const IDLE_LIMIT: Duration = Duration::from_secs(600);
/// How long a peer may take to accept a reply.
const WRITE_LIMIT: Duration = Duration::from_secs(10);
/// How often the plant moves on in real time.
const TICK: Duration = Duration::from_millis(100);
/// So many bytes of a reply come singly, with such a rest after each.
const BYTEWISE: usize = 20;
const BYTE_REST: Duration = Duration::from_millis(1);
/// How long accepting rests after an error, such as too many open files.
const ACCEPT_REST: Duration = Duration::from_millis(200);

/// Listeners on every endpoint of a line.
#[derive(Debug)]
pub struct Bound {
    doors: Vec<Door>,
}

#[derive(Debug)]
struct Door {
    address: SocketAddr,
    /// Places, in the line's list, of the controllers behind it.
    controllers: Vec<usize>,
    listener: TcpListener,
}

/// Why an endpoint can't be served.
#[derive(Debug)]
pub enum BindError {
    /// The endpoint is no `host:port`.
    BadEndpoint {
        /// The endpoint found.
        endpoint: String,
        /// The controller it belongs to.
        controller: String,
    },
    /// The endpoint is on another machine, or would be open to others.
    NotLoopback {
        /// The endpoint found.
        endpoint: String,
        /// The controller it belongs to.
        controller: String,
    },
    /// The system refused.
    Refused {
        /// The address.
        address: SocketAddr,
        /// The controller it belongs to.
        controller: String,
        /// What the system said.
        error: io::Error,
    },
}

impl fmt::Display for BindError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::BadEndpoint { endpoint, controller } => write!(
                f,
                "endpoint \"{endpoint}\" of controller \"{controller}\" is not an address and a port such as \
                 \"127.0.0.1:15503\"; correct it in site.toml"
            ),
            Self::NotLoopback { endpoint, controller } => write!(
                f,
                "endpoint \"{endpoint}\" of controller \"{controller}\" is not on this machine; the simulator serves \
                 127.0.0.1 or localhost only: give it a site.toml of its own"
            ),
            Self::Refused { address, controller, error } if error.kind() == io::ErrorKind::AddrInUse => {
                write!(
                    f,
                    "{address}, the endpoint of controller \"{controller}\", is already in use; stop the program that \
                 uses it (another simulator?) or change the port in site.toml"
                )
            }
            Self::Refused { address, controller, error }
                if error.kind() == io::ErrorKind::PermissionDenied =>
            {
                write!(
                    f,
                    "{address}, the endpoint of controller \"{controller}\", may not be opened: ports below 1024 need \
                     rights; use a port such as 15502 in site.toml"
                )
            }
            Self::Refused { address, controller, error } => {
                write!(f, "can't listen on {address} for controller \"{controller}\": {error}")
            }
        }
    }
}

impl std::error::Error for BindError {}

/// Listens on every endpoint of `line`, each once. With `any_port` the system chooses free ports of 127.0.0.1, which
/// are written back into the line's controllers: build the simulator from the line afterwards.
///
/// # Errors
/// When an endpoint is no address, not on loopback, or can't be opened.
pub async fn bind(line: &mut Line, any_port: bool) -> Result<Bound, BindError> {
    let mut endpoints: Vec<String> = Vec::new();
    for controller in &line.controllers {
        if !endpoints.contains(&controller.endpoint) {
            endpoints.push(controller.endpoint.clone());
        }
    }
    let mut doors = Vec::new();
    for endpoint in endpoints {
        doors.push(open_door(line, &endpoint, any_port).await?);
    }
    Ok(Bound { doors })
}

async fn open_door(line: &mut Line, endpoint: &str, any_port: bool) -> Result<Door, BindError> {
    let behind = |line: &Line| -> Vec<usize> {
        let list = line.controllers.iter().enumerate();
        list.filter(|(_, controller)| controller.endpoint == endpoint).map(|(index, _)| index).collect()
    };
    let controllers = behind(line);
    let first = controllers.first().and_then(|index| line.controllers.get(*index));
    let controller = first.map(|controller| controller.name.clone()).unwrap_or_default();
    let wanted = if any_port {
        SocketAddr::from((Ipv4Addr::LOCALHOST, 0))
    } else {
        loopback_address(endpoint, &controller)?
    };
    let refused = |error| BindError::Refused { address: wanted, controller: controller.clone(), error };
    let listener = TcpListener::bind(wanted).await.map_err(refused)?;
    let address = listener.local_addr().map_err(refused)?;
    if any_port {
        for index in &controllers {
            if let Some(controller) = line.controllers.get_mut(*index) {
                controller.endpoint = address.to_string();
            }
        }
    }
    Ok(Door { address, controllers, listener })
}

fn loopback_address(endpoint: &str, controller: &str) -> Result<SocketAddr, BindError> {
    let named = |make: fn(String, String) -> BindError| make(endpoint.to_owned(), controller.to_owned());
    let bad = || named(|endpoint, controller| BindError::BadEndpoint { endpoint, controller });
    let elsewhere = || named(|endpoint, controller| BindError::NotLoopback { endpoint, controller });
    if let Ok(address) = endpoint.parse::<SocketAddr>() {
        return if address.ip().is_loopback() { Ok(address) } else { Err(elsewhere()) };
    }
    let (host, port) = endpoint.rsplit_once(':').ok_or_else(bad)?;
    let port: u16 = port.parse().map_err(|_| bad())?;
    if host == "localhost" { Ok(SocketAddr::from((Ipv4Addr::LOCALHOST, port))) } else { Err(elsewhere()) }
}

impl Bound {
    /// The address behind which the controller at `index` of the line answers.
    #[must_use]
    pub fn address_of(&self, index: usize) -> Option<SocketAddr> {
        self.doors.iter().find(|door| door.controllers.contains(&index)).map(|door| door.address)
    }

    /// The addresses that are listened on, in the order in which the line names their controllers.
    pub fn addresses(&self) -> impl Iterator<Item = SocketAddr> {
        self.doors.iter().map(|door| door.address)
    }
}

/// Serves `bound` and moves the plant on in real time until `shutdown`; then closes every connection.
pub async fn serve(bound: Bound, simulator: Simulator, shutdown: impl Future<Output = ()>) {
    let mut doors = JoinSet::new();
    for door in bound.doors {
        doors.spawn(keep_door(door, simulator.clone()));
    }
    tokio::select! {
        biased;
        () = shutdown => {}
        () = tick_forever(&simulator) => {}
    }
    doors.shutdown().await;
}

async fn tick_forever(simulator: &Simulator) {
    let mut ticks = interval(TICK);
    ticks.set_missed_tick_behavior(MissedTickBehavior::Skip);
    let mut last = Instant::now();
    loop {
        ticks.tick().await;
        let now = Instant::now();
        simulator.step(now.duration_since(last));
        last = now;
    }
}

/// When a connection last heard something.
type LastHeard = Arc<Mutex<Instant>>;

/// Accepts for as long as the controllers behind a door do, and listens again once they do again.
async fn keep_door(door: Door, simulator: Simulator) {
    let Door { address, controllers, mut listener } = door;
    let controllers: Arc<[usize]> = controllers.into();
    loop {
        tokio::select! {
            biased;
            () = until(&simulator, &controllers, true) => {}
            never = accept_all(&listener, &controllers, &simulator) => match never {},
        }
        // Its connections are gone with the future above; what is not listened on is refused by the system.
        drop(listener);
        until(&simulator, &controllers, false).await;
        listener = loop {
            match TcpListener::bind(address).await {
                Ok(listener) => break listener,
                Err(error) => {
                    tracing::warn!(%address, %error, "can't listen again yet");
                    sleep(ACCEPT_REST).await;
                }
            }
        };
    }
}

/// Returns once the controllers refuse connections, or no longer do.
async fn until(simulator: &Simulator, controllers: &[usize], refuse: bool) {
    while simulator.refuses(controllers) != refuse {
        sleep(TICK).await;
    }
}

async fn accept_all(
    listener: &TcpListener,
    controllers: &Arc<[usize]>,
    simulator: &Simulator,
) -> std::convert::Infallible {
    // Dropping the set ends its connections together with this door.
    let mut connections = JoinSet::new();
    let mut open: VecDeque<(AbortHandle, LastHeard)> = VecDeque::new();
    loop {
        let stream = match listener.accept().await {
            Ok((stream, _)) => stream,
            Err(error) => {
                // One bad connection, or too many open files: neither is a reason to stop serving the others.
                tracing::warn!(address = ?listener.local_addr(), %error, "can't accept a connection");
                sleep(ACCEPT_REST).await;
                continue;
            }
        };
        while connections.try_join_next().is_some() {}
        open.retain(|(handle, _)| !handle.is_finished());
        if open.len() >= MAX_CONNECTIONS {
            close_idlest(&mut open);
        }
        let heard: LastHeard = Arc::new(Mutex::new(Instant::now()));
        let serving = serve_socket(stream, simulator.clone(), Arc::clone(controllers), Arc::clone(&heard));
        open.push_back((connections.spawn(serving), heard));
    }
}

fn close_idlest(open: &mut VecDeque<(AbortHandle, LastHeard)>) {
    let heard = |entry: &LastHeard| *entry.lock().unwrap_or_else(PoisonError::into_inner);
    let idlest = open.iter().enumerate().min_by_key(|(_, (_, last))| heard(last)).map(|(index, _)| index);
    if let Some((handle, _)) = idlest.and_then(|index| open.remove(index)) {
        handle.abort();
    }
}

async fn serve_socket(stream: TcpStream, simulator: Simulator, controllers: Arc<[usize]>, heard: LastHeard) {
    // Without it, short replies wait for the peer's acknowledgement.
    if let Err(error) = stream.set_nodelay(true) {
        tracing::debug!(%error, "can't set TCP_NODELAY");
    }
    answer_all(&simulator, stream, &controllers, || {
        *heard.lock().unwrap_or_else(PoisonError::into_inner) = Instant::now();
    })
    .await;
}

impl Simulator {
    /// Answers on `stream` for the controllers of `endpoint`, `host:port` as in the line, until the peer closes, sends
    /// what is no Modbus frame, or says nothing for [`IDLE_LIMIT`]. An endpoint of no controller closes at once.
    pub async fn serve_stream<S: AsyncRead + AsyncWrite + Unpin>(&self, stream: S, endpoint: &str) {
        let controllers = self.controllers_at(endpoint);
        if !controllers.is_empty() {
            answer_all(self, stream, &controllers, || {}).await;
        }
    }
}

async fn answer_all<S: AsyncRead + AsyncWrite + Unpin>(
    simulator: &Simulator,
    mut stream: S,
    controllers: &[usize],
    on_heard: impl Fn(),
) {
    // Never holds more than one unfinished frame and what one read added to it.
    let mut bytes: Vec<u8> = Vec::with_capacity(2 * MAX_FRAME_BYTES);
    let mut chunk = [0; MAX_FRAME_BYTES];
    loop {
        let Ok(Ok(count @ 1..)) = timeout(IDLE_LIMIT, stream.read(&mut chunk)).await else { return };
        on_heard();
        bytes.extend(chunk.iter().take(count));
        if !answer_whole_frames(simulator, &mut stream, controllers, &mut bytes).await {
            return;
        }
    }
}

/// Sends a reply at once, or its first bytes one by one: whoever can put a header together from pieces can do so with the rest.
async fn send<S: AsyncWrite + Unpin>(stream: &mut S, reply: &[u8], bytewise: bool) -> io::Result<()> {
    let (singly, rest) = reply.split_at(if bytewise { reply.len().min(BYTEWISE) } else { 0 });
    for byte in singly {
        stream.write_all(&[*byte]).await?;
        stream.flush().await?;
        sleep(BYTE_REST).await;
    }
    stream.write_all(rest).await
}

/// Answers the whole frames at the front of `bytes`, in their order, and removes them. False to close.
async fn answer_whole_frames<S: AsyncWrite + Unpin>(
    simulator: &Simulator,
    stream: &mut S,
    controllers: &[usize],
    bytes: &mut Vec<u8>,
) -> bool {
    let mut done = 0;
    loop {
        let frame = match receive(bytes.get(done..).unwrap_or_default()) {
            Received::Part => break,
            Received::Garbage => return false,
            Received::Whole(frame) => frame,
        };
        match simulator.respond(controllers, &frame) {
            Response::Close => return false,
            Response::Nothing => {}
            Response::Send { bytes: reply, after, closes, bytewise } => {
                if !after.is_zero() {
                    sleep(after).await;
                }
                let sending = send(stream, &reply, bytewise);
                if !matches!(timeout(WRITE_LIMIT, sending).await, Ok(Ok(()))) || closes {
                    return false;
                }
            }
        }
        done += frame.bytes();
    }
    bytes.drain(..done);
    matches!(timeout(WRITE_LIMIT, stream.flush()).await, Ok(Ok(())))
}
