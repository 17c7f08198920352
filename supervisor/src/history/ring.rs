//! The journal file: a ring of blocks that survives the power cord.
//!
//! A batch is one record, at a block boundary, written once and synced before it is confirmed. A confirmed record is never
//! touched again until all its rows are in closed chunks. After a failed write or sync nothing is believed: the file is
//! opened anew and the same place written again.

use super::HistoryError;
use super::tables::OWNER_AND_GROUP;
use std::collections::VecDeque;
use std::fmt;
use std::fs::File;
use std::io;
use std::os::unix::fs::{FileExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};

/// Two hours of 300 signals at 1 s, so that it is half full only after an hour's chunks have closed.
pub(super) const RING_BYTES: u64 = 32 * 1024 * 1024;

const BLOCK: u64 = 4096;
/// The file grows by so much at a time: four minutes of a second each.
const TAKEN_AHEAD: u64 = 1024 * 1024;
const MAGIC: &[u8; 8] = b"SETWARD1";
/// Magic, store, number, run, last sequence, length, checksum.
const HEADER: usize = 8 + 8 + 8 + 8 + 8 + 4 + 4;

/// What the ring asks of a file. One test makes it fail.
pub(super) trait RingFile: fmt::Debug + Send {
    fn write_all_at(&mut self, bytes: &[u8], place: u64) -> io::Result<()>;
    fn sync(&mut self) -> io::Result<()>;
    fn reopen(&mut self) -> io::Result<()>;
}

/// The real file.
#[derive(Debug)]
struct OnDisk {
    path: PathBuf,
    file: File,
}

impl OnDisk {
    fn open(path: &Path) -> io::Result<File> {
        let mut options = File::options();
        options.read(true).write(true).create(true).truncate(false).mode(OWNER_AND_GROUP).open(path)
    }
}

impl RingFile for OnDisk {
    fn write_all_at(&mut self, bytes: &[u8], place: u64) -> io::Result<()> {
        self.file.write_all_at(bytes, place)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.file.sync_data()
    }

    fn reopen(&mut self) -> io::Result<()> {
        self.file = Self::open(&self.path)?;
        Ok(())
    }
}

/// A record that is in use.
#[derive(Debug, Clone, Copy)]
struct Live {
    place: u64,
    length: u64,
    last_sequence: u64,
}

/// A record found at the start.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Found {
    number: u64,
    place: u64,
    pub run: i64,
    pub last_sequence: u64,
    pub payload: Vec<u8>,
}

/// The journal.
#[derive(Debug)]
pub(super) struct Ring {
    file: Box<dyn RingFile>,
    size: u64,
    /// How far the file's blocks have been taken from the disk. Taken one by one they would cost the file system's own
    /// journal five blocks each, so they are taken ahead, filled with zeros.
    taken: u64,
    store: u64,
    next_number: u64,
    next_place: u64,
    live: VecDeque<Live>,
    is_doubtful: bool,
    /// Whether a record is on the disk before it is confirmed.
    syncs: bool,
}

impl Ring {
    /// Opens or makes the journal of the store numbered `store`; gives what it holds, in the order it was written.
    pub(super) fn open(path: &Path, size: u64, store: u64) -> Result<(Self, Vec<Found>), HistoryError> {
        let failed = |error: io::Error| HistoryError {
            text: format!("opening the journal {}: {error}", path.display()),
        };
        let file = OnDisk::open(path).map_err(failed)?;
        let length = file.metadata().map_err(failed)?.len();
        let taken = length / BLOCK * BLOCK;
        let size = size.max(taken);
        let found = scan(&file, taken, store).map_err(failed)?;
        let on_disk = OnDisk { path: path.to_owned(), file };
        let mut ring = Self::over(Box::new(on_disk), size, store, &found);
        ring.taken = taken;
        Ok((ring, found))
    }

    fn over(file: Box<dyn RingFile>, size: u64, store: u64, found: &[Found]) -> Self {
        let live = found
            .iter()
            .map(|record| Live {
                place: record.place,
                length: space(record.payload.len()),
                last_sequence: record.last_sequence,
            })
            .collect::<VecDeque<_>>();
        let next_number = found.last().map_or(1, |record| record.number + 1);
        let next_place = live.back().map_or(0, |last| last.place + last.length);
        Self { file, size, taken: 0, store, next_number, next_place, live, is_doubtful: false, syncs: true }
    }

    /// Writes a record and syncs it. On an error it is as if it had not been written.
    pub(super) fn append(
        &mut self,
        run: i64,
        last_sequence: u64,
        payload: &[u8],
    ) -> Result<(), HistoryError> {
        let length = space(payload.len());
        let place = self.place_for(length).ok_or_else(|| HistoryError {
            text: "the journal is full: chunks can't be put into the history file; see the message before"
                .to_owned(),
        })?;
        let bytes = record(self.store, self.next_number, run, last_sequence, payload);
        self.write(&bytes, place).map_err(|error| {
            self.is_doubtful = true;
            HistoryError { text: format!("writing the journal: {error}") }
        })?;
        self.live.push_back(Live { place, length, last_sequence });
        self.next_number += 1;
        self.next_place = place + length;
        Ok(())
    }

    fn write(&mut self, bytes: &[u8], place: u64) -> io::Result<()> {
        if self.is_doubtful {
            // The kernel may have dropped what it could not write and call the next sync good.
            self.file.reopen()?;
            self.is_doubtful = false;
        }
        let end = place + bytes.len() as u64;
        if end > self.taken {
            let ahead = end.next_multiple_of(TAKEN_AHEAD).min(self.size);
            let zeros = vec![0; (ahead - self.taken) as usize];
            self.file.write_all_at(&zeros, self.taken)?;
            // Believed only once it is synced together with the record.
            self.file.write_all_at(bytes, place)?;
            self.sync_if_told()?;
            self.taken = ahead;
            return Ok(());
        }
        self.file.write_all_at(bytes, place)?;
        self.sync_if_told()
    }

    fn sync_if_told(&mut self) -> io::Result<()> {
        if self.syncs { self.file.sync() } else { Ok(()) }
    }

    /// From now on records are synced before they are confirmed, or not; what has been written is, if so.
    pub(super) fn set_syncs(&mut self, syncs: bool) -> Result<(), HistoryError> {
        self.syncs = syncs;
        self.sync_if_told().map_err(|error| HistoryError { text: format!("syncing the journal: {error}") })
    }

    /// Where a record of this length can go without touching one in use.
    fn place_for(&self, length: u64) -> Option<u64> {
        let fits_behind = self.next_place + length <= self.size;
        let (Some(oldest), Some(newest)) = (self.live.front(), self.live.back()) else {
            let place = if fits_behind { self.next_place } else { 0 };
            return (length <= self.size).then_some(place);
        };
        if newest.place < oldest.place {
            return (self.next_place + length <= oldest.place).then_some(self.next_place);
        }
        // Right behind the newest, or, from the top, wholly before the oldest.
        if fits_behind { Some(self.next_place) } else { (length <= oldest.place).then_some(0) }
    }

    /// Everything numbered below `sequence` is in closed chunks.
    pub(super) fn release(&mut self, sequence: u64) {
        while self.live.front().is_some_and(|record| record.last_sequence < sequence) {
            self.live.pop_front();
        }
    }

    /// Whether it is time to close chunks early.
    pub(super) fn is_half_full(&self) -> bool {
        let (Some(oldest), Some(newest)) = (self.live.front(), self.live.back()) else { return false };
        let end = newest.place + newest.length;
        let used = if end > oldest.place { end - oldest.place } else { self.size - oldest.place + end };
        used > self.size / 2
    }
}

/// What a record takes of the file.
fn space(payload: usize) -> u64 {
    ((payload + HEADER) as u64).next_multiple_of(BLOCK)
}

fn record(store: u64, number: u64, run: i64, last_sequence: u64, payload: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(space(payload.len()) as usize);
    bytes.extend_from_slice(MAGIC);
    for field in [store, number, run as u64, last_sequence] {
        bytes.extend_from_slice(&field.to_le_bytes());
    }
    bytes.extend_from_slice(&(payload.len() as u32).to_le_bytes());
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(&bytes);
    hasher.update(payload);
    bytes.extend_from_slice(&hasher.finalize().to_le_bytes());
    bytes.extend_from_slice(payload);
    bytes.resize(space(payload.len()) as usize, 0);
    bytes
}

/// The number of the store that wrote the newest whole record of a journal; `None` if there is no journal or no record.
pub(super) fn owner(path: &Path) -> Result<Option<u64>, HistoryError> {
    let failed =
        |error: io::Error| HistoryError { text: format!("reading the journal {}: {error}", path.display()) };
    let file = match File::open(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        file => file.map_err(failed)?,
    };
    let size = file.metadata().map_err(failed)?.len() / BLOCK * BLOCK;
    let mut newest: Option<(u64, u64)> = None;
    for place in (0..size).step_by(BLOCK as usize) {
        let mut header = [0; HEADER];
        file.read_exact_at(&mut header, place).map_err(failed)?;
        if !header.starts_with(MAGIC) {
            continue;
        }
        let store = field(&header, 8);
        if let Some(record) = read_record(&file, place, size, store).map_err(failed)? {
            newest = newest.max(Some((record.number, store)));
        }
    }
    Ok(newest.map(|(_, store)| store))
}

/// What the journal of the store numbered `store` holds, in the order it was written; nothing without a journal. Reads only,
/// so that it may be called while a daemon writes: a record that is being written is not whole yet, and left out.
pub(super) fn look(path: &Path, store: u64) -> Result<Vec<Found>, HistoryError> {
    let failed =
        |error: io::Error| HistoryError { text: format!("reading the journal {}: {error}", path.display()) };
    let file = match File::open(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        file => file.map_err(failed)?,
    };
    let size = file.metadata().map_err(failed)?.len() / BLOCK * BLOCK;
    scan(&file, size, store).map_err(failed)
}

fn field(header: &[u8; HEADER], from: usize) -> u64 {
    let bytes = header.get(from..from + 8).and_then(|bytes| bytes.try_into().ok());
    u64::from_le_bytes(bytes.unwrap_or_default())
}

/// Every whole record of this store in the file, by number.
fn scan(file: &File, size: u64, store: u64) -> io::Result<Vec<Found>> {
    let mut found = Vec::new();
    let mut place = 0;
    while place + BLOCK <= size {
        match read_record(file, place, size, store)? {
            Some(record) => {
                place += space(record.payload.len());
                found.push(record);
            }
            None => place += BLOCK,
        }
    }
    found.sort_by_key(|record: &Found| record.number);
    // A disk that put a block in the wrong place too.
    found.dedup_by_key(|record| record.number);
    Ok(found)
}

fn read_record(file: &File, place: u64, size: u64, store: u64) -> io::Result<Option<Found>> {
    let mut header = [0; HEADER];
    file.read_exact_at(&mut header, place)?;
    let field = |from: usize| field(&header, from);
    if !header.starts_with(MAGIC) || field(8) != store {
        return Ok(None);
    }
    let lengths = field(40);
    let (length, checksum) = (lengths as u32, (lengths >> 32) as u32);
    if place + space(length as usize) > size {
        return Ok(None);
    }
    let mut payload = vec![0; length as usize];
    file.read_exact_at(&mut payload, place + HEADER as u64)?;
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(header.get(..HEADER - 4).unwrap_or_default());
    hasher.update(&payload);
    let is_whole = hasher.finalize() == checksum;
    Ok(is_whole.then(|| Found {
        number: field(16),
        place,
        run: field(24) as i64,
        last_sequence: field(32),
        payload,
    }))
}

#[cfg(test)]
#[path = "ring_tests.rs"]
mod tests;
