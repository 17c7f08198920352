//! A file that a command writes: it has its name only once it is whole, and nothing that is there is touched.

use std::fs::{self, File};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// Whether the name is taken: also by a link to nothing.
pub(crate) fn is_there(file: &Path) -> bool {
    file.symlink_metadata().is_ok()
}

/// What is told of a name that is taken.
pub(crate) fn taken(file: &Path) -> String {
    format!("{} is there already and is left as it is; give a new name", file.display())
}

/// One that is not whole yet; what there is of it goes with this, unless it was finished.
#[derive(Debug)]
pub(crate) struct NewFile {
    /// Where it is written: made here, so it may be removed here.
    part: PathBuf,
    name: PathBuf,
    is_finished: bool,
}

impl NewFile {
    /// Begins one.
    pub(crate) fn begin(name: &Path) -> Result<(File, Self), String> {
        let mut part = name.as_os_str().to_owned();
        part.push(".part");
        let part = PathBuf::from(part);
        let made = File::create_new(&part).map_err(|error| {
            if error.kind() == ErrorKind::AlreadyExists {
                let there = part.display();
                format!("{there} is there already; give another name, or remove it if it is of a command that was cut short")
            } else {
                format!("writing {}: {error}", part.display())
            }
        })?;
        Ok((made, Self { part, name: name.to_owned(), is_finished: false }))
    }

    /// Gives it its name.
    pub(crate) fn finish(mut self) -> Result<(), String> {
        // Somebody may have taken the name meanwhile.
        if is_there(&self.name) {
            return Err(taken(&self.name));
        }
        fs::rename(&self.part, &self.name)
            .map_err(|error| format!("naming {}: {error}", self.name.display()))?;
        self.is_finished = true;
        Ok(())
    }
}

impl Drop for NewFile {
    fn drop(&mut self) {
        if !self.is_finished {
            let _absent = fs::remove_file(&self.part);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write as _;

    #[test]
    fn what_was_begun_is_gone_unless_it_was_finished_and_what_another_left_stays() {
        let folder = tempfile::tempdir().unwrap();
        let (name, part) = (folder.path().join("week.csv"), folder.path().join("week.csv.part"));
        let (mut file, begun) = NewFile::begin(&name).unwrap();
        file.write_all(b"half").unwrap();
        drop(begun);
        assert!(!part.exists() && !name.exists());

        let (mut file, begun) = NewFile::begin(&name).unwrap();
        file.write_all(b"whole").unwrap();
        begun.finish().unwrap();
        assert!(!part.exists() && fs::read(&name).unwrap() == b"whole");

        fs::write(&part, "another's").unwrap();
        assert!(NewFile::begin(&name).unwrap_err().contains("week.csv.part is there already"));
        assert_eq!(fs::read(&part).unwrap(), b"another's");
    }

    #[test]
    fn a_name_that_was_taken_meanwhile_by_a_link_to_nothing_is_left_as_it_is() {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("week.csv");
        let (_file, begun) = NewFile::begin(&name).unwrap();
        std::os::unix::fs::symlink(folder.path().join("nothing"), &name).unwrap();
        assert!(begun.finish().unwrap_err().contains("there already"));
        assert!(is_there(&name) && !name.exists());
    }
}
