//! Passwords and keys from files that nobody but their owner can read.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

/// Longest file that is read, bytes.
const MOST_BYTES: u64 = 4096;
/// Fewest letters of a key that others must not guess.
pub(super) const KEY_LEAST: usize = 16;

/// The one word in `file`.
///
/// # Errors
/// What is wrong with it, and what to do.
pub(super) fn read(file: &Path) -> Result<String, String> {
    let refused = |why: String| format!("{}: {why}", file.display());
    let about = fs::metadata(file).map_err(|error| refused(error.to_string()))?;
    if about.permissions().mode() & 0o077 != 0 {
        return Err(refused("others can read it; make it its owner's only, `chmod 600`".to_owned()));
    }
    if about.len() > MOST_BYTES {
        return Err(refused("it is too long; write the one word and nothing else".to_owned()));
    }
    let text = fs::read_to_string(file).map_err(|error| refused(error.to_string()))?;
    let word = text.trim_end_matches(['\n', '\r']);
    if word.trim().is_empty() || word.chars().any(char::is_control) {
        return Err(refused(
            "it is empty or more than one line; write the one word and nothing else".to_owned(),
        ));
    }
    Ok(word.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_is_one_line_of_a_file_that_only_its_owner_reads() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("secret");
        assert!(read(&file).unwrap_err().contains("secret"), "no such file");
        let write = |text: &str, mode: u32| {
            fs::write(&file, text).unwrap();
            fs::set_permissions(&file, fs::Permissions::from_mode(mode)).unwrap();
        };
        write("correct horse\n", 0o600);
        assert_eq!(read(&file), Ok("correct horse".to_owned()));
        for open in [0o640, 0o604, 0o644] {
            write("correct horse\n", open);
            assert!(read(&file).unwrap_err().contains("chmod 600"), "{open:o}");
        }
        for wrong in ["", "\n", "two\nlines", &"x".repeat(5000)] {
            write(wrong, 0o600);
            assert!(read(&file).unwrap_err().contains("nothing else"), "{wrong:?}");
        }
    }
}
