//! Simulated controllers in a process of their own: every read gets its registers, as fast as a thread a connection can.
//!
//! Deliberately the least a controller can do, so that the clients' own cost is not hidden behind it. It ends when its
//! standard input does: with the program that started it, whatever becomes of that.

use std::io::{Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use std::thread;

/// Header and reading request of Modbus TCP.
const REQUEST_BYTES: usize = 12;
const REGISTERS_MAX: u8 = 125;

/// The process, and where it listens.
pub(crate) struct Responder {
    child: Child,
    pub(crate) port: u16,
}

impl Responder {
    /// Starts this program anew as controllers.
    pub(crate) fn start() -> Self {
        let program = std::env::current_exe().unwrap();
        let mut child = Command::new(program)
            .arg("respond")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut line = [0; 5];
        child.stdout.as_mut().unwrap().read_exact(&mut line).unwrap();
        Self { child, port: std::str::from_utf8(&line).unwrap().parse().unwrap() }
    }
}

impl Drop for Responder {
    fn drop(&mut self) {
        drop(self.child.stdin.take());
        let _ended = self.child.wait();
    }
}

/// Listens on a free port, prints it in five digits, and answers until standard input ends.
pub(crate) fn respond() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    print!("{:05}", listener.local_addr().unwrap().port());
    std::io::stdout().flush().unwrap();
    thread::spawn(move || {
        for stream in listener.incoming() {
            thread::spawn(move || answer(stream.unwrap()));
        }
    });
    let _end = std::io::stdin().read_to_end(&mut Vec::new());
}

/// Answers one connection until it ends.
fn answer(mut stream: TcpStream) {
    stream.set_nodelay(true).unwrap();
    let mut request = [0; REQUEST_BYTES];
    while stream.read_exact(&mut request).is_ok() {
        let count = request[11].min(REGISTERS_MAX);
        let bytes = count * 2;
        let mut reply = request[..8].to_vec();
        reply[4..6].copy_from_slice(&(u16::from(bytes) + 3).to_be_bytes());
        reply.push(bytes);
        let first = u16::from_be_bytes([request[8], request[9]]);
        reply.extend((0..u16::from(count)).flat_map(|register| (first + register).to_be_bytes()));
        if stream.write_all(&reply).is_err() {
            return;
        }
    }
}
