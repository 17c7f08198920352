//! What was meant to be written, and what became of it: a line of JSON before and after each request, in `setpoint-writes.jsonl`
//! of the data folder. Only added to; each line holds the SHA-256 of the one before.
//!
//! The line before is on disk before the request leaves: a run that is cut anywhere leaves what it was about to do.

use crate::history::sha256_hex;
use serde::{Deserialize, Serialize};
use setward_protocol::UtcMillis;
use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io::{Read as _, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};

/// The file's name in the data folder.
pub const FILE: &str = "setpoint-writes.jsonl";
const DAY_MS: i64 = 86_400_000;

/// Writes of one setpoint.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Writes {
    /// Ever, as far as the journal goes back.
    pub ever: u32,
    /// Within the last 24 h.
    pub within_a_day: u32,
}

/// Who writes what, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Occasion {
    /// The recipe.
    pub recipe: String,
    /// The difference that was shown.
    pub code: String,
    /// The person.
    pub by: String,
    /// Who is logged in on this machine.
    pub os_user: String,
    /// Why.
    pub why: String,
}

/// A request to write.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Intent {
    /// The setpoint.
    pub tag: String,
    /// Where it is.
    pub place: String,
    /// Words before, as they were read.
    pub words_before: Vec<u16>,
    /// Words to be written.
    pub words: Vec<u16>,
    /// The same as a value in the signal's unit.
    pub value: f64,
}

/// A line of the journal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Line {
    utc_ms: i64,
    recipe: String,
    code: String,
    by: String,
    os_user: String,
    why: String,
    #[serde(flatten)]
    intent: Intent,
    /// `None`: it is about to be sent.
    outcome: Option<String>,
    before_sha256: String,
}

/// The open journal; nobody else writes while it is open.
#[derive(Debug)]
pub struct Journal {
    file: File,
    path: PathBuf,
    lines: Vec<Line>,
    last_sha256: String,
    /// Lines that can't be read, and lines that do not follow from the one before.
    damaged: usize,
}

impl Journal {
    /// Opens the journal in `data_dir`, or begins one.
    ///
    /// # Errors
    /// When the folder can't be written, or another process holds it.
    pub fn open(data_dir: &Path) -> Result<Self, String> {
        let path = data_dir.join(FILE);
        let failed = |error: std::io::Error| format!("{}: {error}", path.display());
        std::fs::create_dir_all(data_dir).map_err(failed)?;
        let mut file = OpenOptions::new().read(true).append(true).create(true).open(&path).map_err(failed)?;
        file.try_lock().map_err(|_held| {
            format!("{} is held by another process that writes setpoints; let it end first", path.display())
        })?;
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes).map_err(failed)?;
        if bytes.last().is_some_and(|last| *last != b'\n') {
            // The last run was cut in the middle of a line: it stays as it is, and the next begins anew.
            file.write_all(b"\n").map_err(failed)?;
        }
        let text = String::from_utf8_lossy(&bytes);
        let mut journal = Self { file, path, lines: Vec::new(), last_sha256: String::new(), damaged: 0 };
        text.lines().filter(|line| !line.is_empty()).for_each(|line| journal.take(line));
        Ok(journal)
    }

    fn take(&mut self, text: &str) {
        match serde_json::from_str::<Line>(text) {
            Ok(line) => {
                self.damaged += usize::from(line.before_sha256 != self.last_sha256);
                self.lines.push(line);
            }
            Err(_) => self.damaged += 1,
        }
        self.last_sha256 = sha256_hex(text.as_bytes());
    }

    /// How many lines can't be read or do not follow from the one before: the journal was cut, or somebody changed it.
    #[must_use]
    pub const fn damaged(&self) -> usize {
        self.damaged
    }

    /// By tag: how often it was written. What may have been written counts.
    #[must_use]
    pub fn writes(&self, now: UtcMillis) -> BTreeMap<String, Writes> {
        let mut all: BTreeMap<String, Writes> = BTreeMap::new();
        for line in self.lines.iter().filter(|line| line.outcome.is_none()) {
            let one = all.entry(line.intent.tag.clone()).or_default();
            one.ever += 1;
            one.within_a_day += u32::from(now.0 - line.utc_ms < DAY_MS);
        }
        all
    }

    /// The request after which the last run was cut, if it was.
    #[must_use]
    pub fn cut_at(&self) -> Option<&Intent> {
        self.lines.last().filter(|line| line.outcome.is_none()).map(|line| &line.intent)
    }

    /// Notes a request that is about to be sent, or, with an outcome, what became of it.
    ///
    /// # Errors
    /// When it is not on disk: then nothing may be sent.
    pub fn note(
        &mut self,
        utc: UtcMillis,
        occasion: &Occasion,
        intent: &Intent,
        outcome: Option<String>,
    ) -> Result<(), String> {
        let line = Line {
            utc_ms: utc.0,
            recipe: occasion.recipe.clone(),
            code: occasion.code.clone(),
            by: occasion.by.clone(),
            os_user: occasion.os_user.clone(),
            why: occasion.why.clone(),
            intent: intent.clone(),
            outcome,
            before_sha256: self.last_sha256.clone(),
        };
        let text = serde_json::to_string(&line).map_err(|error| format!("the journal's line: {error}"))?;
        let failed =
            |error: std::io::Error| format!("{}: {error}; nothing more is written", self.path.display());
        self.file.seek(SeekFrom::End(0)).map_err(failed)?;
        self.file.write_all(format!("{text}\n").as_bytes()).map_err(failed)?;
        self.file.sync_all().map_err(failed)?;
        self.last_sha256 = sha256_hex(text.as_bytes());
        self.lines.push(line);
        Ok(())
    }
}
