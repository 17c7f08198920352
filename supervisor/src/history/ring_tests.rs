//! The journal file: full, torn, foreign, failing.

use super::*;
use std::sync::{Arc, Mutex};

fn payload(number: u64) -> Vec<u8> {
    vec![number as u8; 100 + (number as usize * 977) % 9000]
}

fn numbers(found: &[Found]) -> Vec<u64> {
    found.iter().map(|record| record.last_sequence).collect()
}

#[test]
fn it_goes_round_many_times_and_holds_what_was_not_released() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal");
    let (mut ring, found) = Ring::open(&path, 64 * BLOCK, 5).unwrap();
    assert_eq!(found, []);
    for number in 1..=500 {
        ring.append(3, number, &payload(number)).unwrap();
        ring.release(number.saturating_sub(8));
        if number % 50 == 0 {
            let (_again, found) = Ring::open(&path, 64 * BLOCK, 5).unwrap();
            let last = numbers(&found).into_iter().rev().take(9).collect::<Vec<_>>();
            assert_eq!(last, (number - 8..=number).rev().collect::<Vec<_>>());
            assert!(
                found.iter().all(|record| record.payload == payload(record.last_sequence) && record.run == 3)
            );
        }
    }
}

#[test]
fn a_full_ring_refuses_and_loses_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal");
    let (mut ring, _) = Ring::open(&path, 16 * BLOCK, 5).unwrap();
    let mut kept = 0;
    while ring.append(1, kept + 1, b"x").is_ok() {
        kept += 1;
    }
    assert_eq!(kept, 16);
    assert!(ring.is_half_full());
    assert_eq!(numbers(&Ring::open(&path, 16 * BLOCK, 5).unwrap().1), (1..=16).collect::<Vec<_>>());
    ring.release(3);
    assert!(ring.append(1, 17, b"x").is_ok() && ring.append(1, 18, b"x").is_ok());
    assert!(ring.append(1, 19, b"x").is_err());
    assert_eq!(numbers(&Ring::open(&path, 16 * BLOCK, 5).unwrap().1), (3..=18).collect::<Vec<_>>());
}

#[test]
fn a_torn_record_and_another_stores_records_are_not_taken() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal");
    let (mut ring, _) = Ring::open(&path, 32 * BLOCK, 5).unwrap();
    for number in 1..=3 {
        ring.append(1, number, &[7; 6000]).unwrap();
    }
    let file = OnDisk::open(&path).unwrap();
    file.write_all_at(&[0; 512], 2 * 2 * BLOCK + BLOCK).unwrap();
    assert_eq!(numbers(&Ring::open(&path, 32 * BLOCK, 5).unwrap().1), [1, 2]);
    assert!(Ring::open(&path, 32 * BLOCK, 6).unwrap().1.is_empty());
}

type Blocks = Vec<(u64, Vec<u8>)>;

#[test]
fn a_record_that_lies_in_two_places_is_taken_once() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal");
    let (mut ring, _) = Ring::open(&path, 32 * BLOCK, 5).unwrap();
    for number in 1..=4 {
        ring.append(1, number, b"x").unwrap();
    }
    let file = OnDisk::open(&path).unwrap();
    let mut block = [0; BLOCK as usize];
    file.read_exact_at(&mut block, BLOCK).unwrap();
    file.write_all_at(&block, 9 * BLOCK).unwrap();
    assert_eq!(numbers(&Ring::open(&path, 32 * BLOCK, 5).unwrap().1), [1, 2, 3, 4]);
}

/// A disk on which the n-th write or sync fails; what was not synced is lost.
#[derive(Debug, Default)]
struct Faulty {
    calls: u32,
    fail_at: u32,
    cached: Blocks,
    disk: Arc<Mutex<Blocks>>,
    is_dirty: bool,
    reopened: bool,
}

impl Faulty {
    fn fails(&mut self) -> bool {
        self.calls += 1;
        self.calls == self.fail_at
    }
}

impl RingFile for Faulty {
    fn write_all_at(&mut self, bytes: &[u8], place: u64) -> io::Result<()> {
        if bytes.iter().all(|byte| *byte == 0) {
            return Ok(());
        }
        assert!(!self.is_dirty || self.reopened, "written to a file whose last sync had failed");
        if self.fails() {
            self.is_dirty = true;
            self.reopened = false;
            return Err(io::Error::from(io::ErrorKind::StorageFull));
        }
        self.cached.push((place, bytes.to_vec()));
        Ok(())
    }

    fn sync(&mut self) -> io::Result<()> {
        if self.fails() {
            self.cached.clear();
            self.is_dirty = true;
            self.reopened = false;
            return Err(io::Error::other("medium error"));
        }
        self.disk.lock().unwrap().append(&mut self.cached);
        self.is_dirty = false;
        Ok(())
    }

    fn reopen(&mut self) -> io::Result<()> {
        self.reopened = true;
        Ok(())
    }
}

/// Every call fails once, in turn: each confirmed record is on the disk, and a refused one is there once it is tried again.
#[test]
fn whichever_write_or_sync_fails_what_was_confirmed_is_on_the_disk() {
    for fail_at in 1..=20 {
        let disk = Arc::new(Mutex::new(Vec::new()));
        let file = Faulty { fail_at, disk: Arc::clone(&disk), ..Faulty::default() };
        let mut ring = Ring::over(Box::new(file), 64 * BLOCK, 5, &[]);
        let mut refused = 0;
        for number in 1..=10 {
            while ring.append(1, number, b"reading").is_err() {
                refused += 1;
            }
            let on_disk = disk.lock().unwrap();
            let wanted = record(5, number, 1, number, b"reading");
            assert!(
                on_disk.contains(&((number - 1) * BLOCK, wanted)),
                "record {number}, call {fail_at} failing"
            );
        }
        assert_eq!(refused, 1);
    }
}

/// A disk that loses what was not synced: of that, any sectors may be there and any not.
#[derive(Debug)]
struct PowerCut {
    disk: Arc<Mutex<Vec<u8>>>,
    waiting: Arc<Mutex<Blocks>>,
    syncs_left: u32,
}

impl RingFile for PowerCut {
    fn write_all_at(&mut self, bytes: &[u8], place: u64) -> io::Result<()> {
        self.waiting.lock().unwrap().push((place, bytes.to_vec()));
        Ok(())
    }

    fn sync(&mut self) -> io::Result<()> {
        if self.syncs_left == 0 {
            return Err(io::Error::other("the cord is out"));
        }
        self.syncs_left -= 1;
        let mut disk = self.disk.lock().unwrap();
        for (place, bytes) in self.waiting.lock().unwrap().drain(..) {
            disk[place as usize..place as usize + bytes.len()].copy_from_slice(&bytes);
        }
        Ok(())
    }

    fn reopen(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Two hundred cuts, each in the middle of a record: all confirmed records are there, and never a torn one.
#[test]
fn a_power_cut_tears_at_most_the_record_that_was_not_confirmed() {
    use rand_core::{Rng as _, SeedableRng as _};
    let mut random = rand_pcg::Pcg64Mcg::seed_from_u64(11);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal");
    for cut in 0..200 {
        let disk = Arc::new(Mutex::new(vec![0; 48 * BLOCK as usize]));
        let waiting = Arc::default();
        let file = PowerCut { disk: Arc::clone(&disk), waiting: Arc::clone(&waiting), syncs_left: 5 + cut };
        let mut ring = Ring::over(Box::new(file), 48 * BLOCK, 5, &[]);
        let mut confirmed = 0;
        while ring.append(1, confirmed + 1, &payload(confirmed + 1)).is_ok() {
            confirmed += 1;
            ring.release(confirmed.saturating_sub(6));
        }
        let mut disk = disk.lock().unwrap();
        for (place, bytes) in waiting.lock().unwrap().iter() {
            for (sector, start) in bytes.chunks(512).zip((*place as usize..).step_by(512)) {
                if random.next_u32().is_multiple_of(2) {
                    disk[start..start + sector.len()].copy_from_slice(sector);
                }
            }
        }
        std::fs::write(&path, &*disk).unwrap();
        let (_ring, found) = Ring::open(&path, 48 * BLOCK, 5).unwrap();
        for number in confirmed.saturating_sub(6).max(1)..=confirmed {
            let kept = found.iter().find(|record| record.last_sequence == number);
            assert_eq!(
                kept.map(|record| &record.payload),
                Some(&payload(number)),
                "cut {cut}, record {number}"
            );
        }
        assert!(found.iter().all(|record| record.payload == payload(record.last_sequence)), "cut {cut}");
    }
}
