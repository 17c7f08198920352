//! The file in which the state outlives this program: written whole beside the old one, synced, then put in its place.

use super::state::{STATE_VERSION, State};
use serde::{Deserialize, Serialize};
use std::fs::{self, File};
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// Name of the file in the data folder.
const NAME: &str = "notify.json";
/// A larger file is none of ours, bytes.
const MOST_BYTES: u64 = 64 << 20;

/// The state with the moment at which it was kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Kept {
    /// Wall time, ms.
    pub(super) utc: i64,
    /// On the clock of its run, ms.
    pub(super) ms: i64,
    pub(super) state: State,
}

/// The file of a data folder.
#[derive(Debug, Clone)]
pub(super) struct Keeper {
    file: PathBuf,
}

/// What the file held.
#[derive(Debug)]
pub(super) enum Found {
    Nothing,
    Kept(Box<Kept>),
    /// It can't be read, and lies under another name now.
    Damaged(String),
}

impl Keeper {
    pub(super) fn in_folder(data_dir: &Path) -> Self {
        Self { file: data_dir.join(NAME) }
    }

    /// Reads the file. One that can't be understood is set aside.
    pub(super) fn read(&self) -> Found {
        let why = match fs::metadata(&self.file) {
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Found::Nothing,
            Err(error) => error.to_string(),
            Ok(about) if about.len() > MOST_BYTES => "it is too long".to_owned(),
            Ok(_) => match fs::read(&self.file) {
                Err(error) => error.to_string(),
                Ok(bytes) => match serde_json::from_slice::<Kept>(&bytes) {
                    Ok(kept) if kept.state.version == STATE_VERSION => return Found::Kept(Box::new(kept)),
                    Ok(kept) => format!("it has version {}", kept.state.version),
                    Err(error) => error.to_string(),
                },
            },
        };
        let aside = self.file.with_extension("json.damaged");
        // If it can't be moved, it is written over by the next state.
        let _left = fs::rename(&self.file, &aside);
        Found::Damaged(format!(
            "{} can't be used: {why}; it was set aside as {}",
            self.file.display(),
            aside.display()
        ))
    }

    /// On return the state is on disk.
    ///
    /// # Errors
    /// What the disk says.
    pub(super) fn write(&self, kept: &Kept) -> std::io::Result<()> {
        let beside = self.file.with_extension("json.new");
        let mut file = File::create(&beside)?;
        file.write_all(&serde_json::to_vec(kept)?)?;
        file.sync_all()?;
        fs::rename(&beside, &self.file)?;
        match self.file.parent() {
            Some(folder) => File::open(folder)?.sync_all(),
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_kept_is_found_and_what_makes_no_sense_is_set_aside() {
        let folder = tempfile::tempdir().unwrap();
        let keeper = Keeper::in_folder(folder.path());
        assert!(matches!(keeper.read(), Found::Nothing));
        let kept = Kept { utc: 5, ms: 7, state: State::from((3, 9)) };
        keeper.write(&kept).unwrap();
        assert!(matches!(keeper.read(), Found::Kept(found) if *found == kept));
        let whole = fs::read(folder.path().join(NAME)).unwrap();
        for damaged in [&whole[..whole.len() / 2], b"", b"[]", b"{\"utc\":1,\"ms\":1,\"state\":{}}"] {
            fs::write(folder.path().join(NAME), damaged).unwrap();
            assert!(matches!(keeper.read(), Found::Damaged(why) if why.contains("set aside")));
            assert!(matches!(keeper.read(), Found::Nothing));
        }
    }

    #[test]
    fn a_file_of_another_version_is_set_aside() {
        let folder = tempfile::tempdir().unwrap();
        let keeper = Keeper::in_folder(folder.path());
        let state = State { version: STATE_VERSION + 1, ..State::from((1, 0)) };
        keeper.write(&Kept { utc: 0, ms: 0, state }).unwrap();
        assert!(matches!(keeper.read(), Found::Damaged(why) if why.contains("version")));
    }
}
