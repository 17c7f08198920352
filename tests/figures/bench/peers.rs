//! Clients of other makes, each in a process of its own that reads the same controllers at the same pace when told to.
//!
//! A round is one line to its standard input, "READS WARM_UP_MS ROUND_MS", and one back, "READS_DONE CPU_NS". It ends when its
//! standard input does. One whose library is not on this machine is left out, and the table says so.

use super::poller::{CONNECTIONS, PERIOD, REGISTERS};
use std::io::{BufRead as _, BufReader, Write as _};
use std::path::Path;
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::Duration;

const HERE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests");

/// A client of another make.
pub(crate) struct Peer {
    pub(crate) name: &'static str,
    child: Child,
    answers: BufReader<ChildStdout>,
}

/// Those that are on this machine.
pub(crate) fn peers(port: u16) -> Vec<Peer> {
    let mut found = Vec::new();
    let built = std::env::temp_dir().join(format!("peer_poll-{}", std::process::id()));
    let built_text = built.display().to_string();
    let mut cc = Command::new("cc");
    cc.args(["-O2", "-pthread", "-o", &built_text, &format!("{HERE}/figures/peer_poll.c"), "-lmodbus"]);
    if cc.stderr(Stdio::null()).status().is_ok_and(|status| status.success()) {
        found.push(Peer::start("libmodbus", Command::new(&built), port));
        // The system keeps what runs.
        let _removed = std::fs::remove_file(&built);
    } else {
        println!("libmodbus: not here (Debian: gcc, libmodbus-dev)");
    }
    let python = format!("{HERE}/.peers/venv/bin/python");
    if Path::new(&python).exists() {
        let mut command = Command::new(python);
        command.arg(format!("{HERE}/figures/peer_poll.py"));
        found.push(Peer::start("pymodbus", command, port));
    } else {
        println!("pymodbus: not here (`tests/run tools` installs it)");
    }
    found
}

impl Peer {
    fn start(name: &'static str, mut command: Command, port: u16) -> Self {
        let period_ms = PERIOD.as_millis();
        command.args([
            port.to_string(),
            CONNECTIONS.to_string(),
            REGISTERS.to_string(),
            period_ms.to_string(),
        ]);
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let answers = BufReader::new(child.stdout.take().unwrap());
        Self { name, child, answers }
    }

    /// us of processor a read, of one round.
    pub(crate) fn round(&mut self, reads: u16, warm_up: Duration, round: Duration) -> f64 {
        let stdin = self.child.stdin.as_mut().unwrap();
        writeln!(stdin, "{reads} {} {}", warm_up.as_millis(), round.as_millis()).unwrap();
        let mut answer = String::new();
        self.answers.read_line(&mut answer).unwrap();
        let numbers: Vec<f64> = answer.split_whitespace().map(|word| word.parse().unwrap()).collect();
        numbers[1] / 1e3 / numbers[0]
    }
}

impl Drop for Peer {
    fn drop(&mut self) {
        drop(self.child.stdin.take());
        let _ended = self.child.wait();
    }
}
