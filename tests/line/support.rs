//! What whole-line tests share: the project's own files, connections over memory, scripted controllers.

use async_trait::async_trait;
use setward::poll::dial::{Dial, Stream};
use setward::protocol::{ReadLimits, Table};
use setward_config::line::Line;
use sim_plc::Simulator;
use sim_plc::frame::{Device, MAX_FRAME_BYTES, Received, answer, receive, reply_frame};
use std::io;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _, DuplexStream};

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

async fn serve_script(mut stream: DuplexStream, script: Script) {
    let mut bytes = vec![0; MAX_FRAME_BYTES];
    while let Ok(count) = stream.read(&mut bytes).await {
        if count == 0 {
            return;
        }
        if let Some((late, reply)) = script(&bytes[..count]) {
            tokio::time::sleep(late).await;
            if stream.write_all(&reply).await.is_err() {
                return;
            }
        }
    }
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
