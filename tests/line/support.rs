//! What whole-line tests share: the project's own files, connections over memory, scripted controllers.

use async_trait::async_trait;
use setward::poll::dial::{Dial, Stream};
use setward::protocol::{ReadLimits, Table};
use setward_config::line::Line;
use sim_plc::Simulator;
use sim_plc::frame::{Device, MAX_FRAME_BYTES, Received, answer, receive, reply_frame};
use std::io;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _, DuplexStream};
use tokio::time::Instant;

/// Buffer of a connection over memory: larger than any frame.
const BUFFER_BYTES: usize = 4 * MAX_FRAME_BYTES;

/// Files git tracks, relative to the root.
pub(crate) fn tracked_files() -> Vec<String> {
    let output = std::process::Command::new("git")
        .args(["-C", env!("CARGO_MANIFEST_DIR"), "ls-files"])
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap().lines().map(str::to_owned).collect()
}

/// Every Rust file of the project with its text.
pub(crate) fn all_source_files() -> Vec<(String, String)> {
    source_files("")
}

/// Every Rust file below `folder` with its text.
pub(crate) fn source_files(folder: &str) -> Vec<(String, String)> {
    let mut files = Vec::new();
    collect(Path::new(env!("CARGO_MANIFEST_DIR")), folder, &mut files);
    assert!(!files.is_empty(), "no source files below {folder}");
    files
}

fn collect(root: &Path, folder: &str, files: &mut Vec<(String, String)>) {
    for entry in std::fs::read_dir(root.join(folder)).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        let path = if folder.is_empty() { name.clone() } else { format!("{folder}/{name}") };
        if entry.file_type().unwrap().is_dir() {
            if !name.starts_with('.') && name != "target" && name != "node_modules" {
                collect(root, &path, files);
            }
        } else if name.ends_with(".rs") {
            files.push((path.clone(), std::fs::read_to_string(root.join(&path)).unwrap()));
        }
    }
}

/// The demo line.
pub(crate) fn demo_line() -> Line {
    setward_config::load_demo().unwrap_or_else(|problems| panic!("{}", problems.render(false))).line
}

/// The demo line with the fryer's controller only.
pub(crate) fn fryer_only(mut line: Line) -> Line {
    // Ids are indices, so the other controllers stay in the list and get an endpoint where nothing answers.
    for controller in &mut line.controllers {
        if controller.name != "fryer" {
            controller.endpoint = "nowhere:1".to_owned();
        }
    }
    line
}

/// Code of the fryer's loop mode: it runs. All zero would be a fryer that is off.
pub(crate) const AUTOMATIC: u16 = 2;

/// What a heartbeat says that has been counting for long: one that has just begun makes its controller's words doubtful.
pub(crate) fn heartbeat(second: u64) -> u16 {
    u16::try_from((1_000 + second) % 65_536).unwrap()
}

/// Connections to a simulator over memory.
#[derive(Debug)]
pub(crate) struct MemoryDial(pub(crate) Simulator);

#[async_trait]
impl Dial for MemoryDial {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        let (near, far) = tokio::io::duplex(BUFFER_BYTES);
        let (simulator, endpoint) = (self.0.clone(), endpoint.to_owned());
        tokio::spawn(async move { simulator.serve_stream(far, &endpoint).await });
        Ok(Box::new(near))
    }
}

/// What a scripted peer does with one request: the bytes it answers and how late, or none to stay silent.
pub(crate) type Script = Arc<dyn Fn(&[u8]) -> Option<(Duration, Vec<u8>)> + Send + Sync>;

/// Connections to a peer that answers each request by a script. Endpoints that begin with `nowhere` refuse.
pub(crate) struct ScriptedDial(pub(crate) Script);

#[async_trait]
impl Dial for ScriptedDial {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        if endpoint.starts_with("nowhere") {
            return Err(io::ErrorKind::ConnectionRefused.into());
        }
        let (near, far) = tokio::io::duplex(BUFFER_BYTES);
        tokio::spawn(serve_script(far, Arc::clone(&self.0)));
        Ok(Box::new(near))
    }
}

async fn serve_script(stream: DuplexStream, script: Script) {
    let act = move |request: &[u8]| match script(request) {
        Some((late, reply)) => vec![Act::Wait(late), Act::Send(reply)],
        None => Vec::new(),
    };
    serve(stream, Vec::new(), &act).await;
}

/// One thing a peer does.
#[derive(Debug, Clone)]
pub(crate) enum Act {
    Send(Vec<u8>),
    Wait(Duration),
    /// Closes the connection.
    Close,
    /// Leaves it open and never reads again.
    Freeze,
}

/// How a peer takes somebody who dials.
#[derive(Debug, Clone)]
pub(crate) enum Door {
    /// Lets them in, and does this at once.
    Open(Vec<Act>),
    Refuses,
    /// Never answers.
    Dead,
}

/// How a peer takes the nth connection, counted from 0.
pub(crate) type Greeting = Arc<dyn Fn(usize) -> Door + Send + Sync>;
/// What a peer does with a request on the nth connection.
pub(crate) type Acting = Arc<dyn Fn(usize, &[u8]) -> Vec<Act> + Send + Sync>;

/// Connections to one peer that does as it is told, and when they were asked for.
#[derive(Clone)]
pub(crate) struct PeerDial {
    pub(crate) greeting: Greeting,
    pub(crate) acting: Acting,
    pub(crate) dialled: Arc<Mutex<Vec<Instant>>>,
}

impl PeerDial {
    /// A peer that greets nobody.
    pub(crate) fn new(acting: impl Fn(usize, &[u8]) -> Vec<Act> + Send + Sync + 'static) -> Self {
        Self {
            greeting: Arc::new(|_| Door::Open(Vec::new())),
            acting: Arc::new(acting),
            dialled: Arc::default(),
        }
    }

    pub(crate) fn greeting(self, greeting: impl Fn(usize) -> Door + Send + Sync + 'static) -> Self {
        Self { greeting: Arc::new(greeting), ..self }
    }

    /// When connections were asked for.
    pub(crate) fn dialled(&self) -> Vec<Instant> {
        self.dialled.lock().unwrap().clone()
    }
}

#[async_trait]
impl Dial for PeerDial {
    async fn dial(&self, _: &str) -> io::Result<Box<dyn Stream>> {
        let nth = self.dialled.lock().unwrap().len();
        self.dialled.lock().unwrap().push(Instant::now());
        let greeting = match (self.greeting)(nth) {
            Door::Open(acts) => acts,
            Door::Refuses => return Err(io::ErrorKind::ConnectionRefused.into()),
            Door::Dead => std::future::pending().await,
        };
        let (near, far) = tokio::io::duplex(BUFFER_BYTES);
        let acting = Arc::clone(&self.acting);
        tokio::spawn(async move { serve(far, greeting, &|request: &[u8]| acting(nth, request)).await });
        Ok(Box::new(near))
    }
}

async fn serve(mut stream: DuplexStream, greeting: Vec<Act>, acting: &(dyn Fn(&[u8]) -> Vec<Act> + Sync)) {
    let mut todo = greeting;
    let mut bytes = vec![0; MAX_FRAME_BYTES];
    loop {
        for act in todo {
            match act {
                Act::Wait(span) => tokio::time::sleep(span).await,
                Act::Send(reply) if stream.write_all(&reply).await.is_err() => return,
                Act::Send(_) => {}
                Act::Close => return,
                Act::Freeze => std::future::pending().await,
            }
        }
        match stream.read(&mut bytes).await {
            Ok(0) | Err(_) => return,
            Ok(count) => todo = acting(&bytes[..count]),
        }
    }
}

/// The frame that answers `request` with `pdu`, whatever it is.
pub(crate) fn frame_of(request: &[u8], pdu: &[u8]) -> Vec<u8> {
    let mut bytes = request[..4].to_vec();
    bytes.extend(u16::try_from(pdu.len() + 1).unwrap().to_be_bytes());
    bytes.push(request[6]);
    bytes.extend(pdu);
    bytes
}

/// First address and count of a request to read.
pub(crate) fn asked_for(request: &[u8]) -> (u16, u16) {
    let two = |at: usize| u16::from_be_bytes([request[at], request[at + 1]]);
    (two(8), two(10))
}

/// A controller whose registers are a function of the address.
pub(crate) struct Registers<F>(pub(crate) F);

impl<F: Fn(Table, u16) -> u16> Device for Registers<F> {
    fn limits(&self) -> ReadLimits {
        ReadLimits::STANDARD
    }

    fn read(&self, table: Table, first: u16, count: u16) -> Option<Vec<u16>> {
        Some((first..first.checked_add(count)?).map(|address| (self.0)(table, address)).collect())
    }

    fn identity(&self) -> [String; 3] {
        [String::new(), String::new(), String::new()]
    }
}

/// The right answer of `device` to a request frame.
pub(crate) fn right_answer(request: &[u8], device: &impl Device) -> Vec<u8> {
    let Received::Whole(frame) = receive(request) else { panic!("no whole frame: {request:02x?}") };
    reply_frame(&frame, &answer(frame.pdu, device))
}
