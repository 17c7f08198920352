//! Writes the file of users: whole or not at all, and readable by its owner only.

use setward_config::line::Users;
use std::fs;
use std::io::{self, Write as _};
use std::os::unix::fs::{MetadataExt as _, OpenOptionsExt as _, fchown};
use std::path::Path;

/// Writes `bytes` to `file` in one go, for its owner only; durable on return.
///
/// # Errors
/// What the system says; the file from before stays.
pub(crate) fn private(file: &Path, bytes: &[u8]) -> io::Result<()> {
    let folder = file.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let name = file.file_name().unwrap_or_default().to_string_lossy();
    // A dot file that is left behind by a power cut is read by nothing.
    let beside = folder.join(format!(".{name}.new"));
    let _stale = fs::remove_file(&beside);
    let mut new = fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(&beside)?;
    // Written by root for a daemon that is not: its owner stays, or is the folder's.
    if let Ok(owner) = fs::metadata(file).or_else(|_absent| fs::metadata(folder)) {
        // Nobody but root can do it, and nobody but root needs to.
        let _not_root = fchown(&new, Some(owner.uid()), Some(owner.gid()));
    }
    new.write_all(bytes)?;
    new.sync_all()?;
    fs::rename(&beside, file)?;
    fs::File::open(folder)?.sync_all()
}

/// Who is in `file`; nobody if it is not there yet.
///
/// # Errors
/// In words.
pub(crate) fn read(file: &Path) -> Result<Users, String> {
    match fs::read_to_string(file) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            Ok(Users { file: file.to_path_buf(), ..Users::default() })
        }
        Err(error) => Err(format!("{}: {error}", file.display())),
        Ok(text) => setward_config::load_users(&file.to_string_lossy(), &text)
            .map_err(|problems| problems.render(false)),
    }
}

/// Writes `after` if the file still holds `before`: while a person thought of a passphrase, somebody else may have changed it.
///
/// # Errors
/// In words; the file stays as it is.
pub(crate) fn change(before: &Users, after: &Users) -> Result<(), String> {
    let _alone = alone(&after.file)?;
    if read(&after.file)? != *before {
        return Err(format!(
            "{} was changed by somebody else meanwhile; nothing was changed, try again",
            after.file.display()
        ));
    }
    users(after)
}

/// Keeps others from changing `file` until what is returned is dropped: by its folder, for the file itself is replaced.
fn alone(file: &Path) -> Result<fs::File, String> {
    let folder = file.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let opened = fs::File::open(folder).and_then(|folder| folder.lock().map(|()| folder));
    opened.map_err(|error| format!("{} can't be had alone: {error}", folder.display()))
}

/// Writes these users and displays into their file.
///
/// # Errors
/// In words.
fn users(users: &Users) -> Result<(), String> {
    let text = setward_config::users_text(users);
    private(&users.file, text.as_bytes())
        .map_err(|error| format!("writing {}: {error}", users.file.display()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use setward_config::line::{User, UserRole};
    use std::os::unix::fs::PermissionsExt as _;

    #[test]
    fn a_private_file_is_its_owners_only_even_where_one_was_open_before() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("users.toml");
        fs::write(&file, "old").unwrap();
        fs::write(folder.path().join(".users.toml.new"), "left behind").unwrap();
        private(&file, b"new").unwrap();
        assert_eq!(fs::read(&file).unwrap(), b"new");
        assert_eq!(fs::metadata(&file).unwrap().permissions().mode() & 0o777, 0o600);
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn what_somebody_else_has_changed_meanwhile_is_not_written_over() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("users.toml");
        let none = read(&file).unwrap();
        let with = |name: &str| {
            let user = User {
                name: name.to_owned(),
                role: UserRole::View,
                passphrase: None,
                os_user: None,
                disabled: false,
            };
            Users { list: vec![user], ..none.clone() }
        };
        change(&none, &with("Ana")).unwrap();
        let told = change(&none, &with("Ben")).unwrap_err();
        assert!(told.contains("somebody else") && told.contains("try again"), "{told}");
        assert_eq!(read(&file).unwrap(), with("Ana"));
        change(&with("Ana"), &with("Ben")).unwrap();
        assert_eq!(read(&file).unwrap(), with("Ben"));
    }
}
