//! The socket in the data folder, for commands on this machine. The system says who is at its other end: no password is needed.

use std::fs;
use std::io;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use tokio::net::UnixListener;

/// Its name in the data folder.
const NAME: &str = "ctl.sock";
/// Its owner and its group may ask; what they may do is another matter.
const MODE: u32 = 0o660;

/// Where it is.
pub(crate) fn path(data_dir: &Path) -> PathBuf {
    data_dir.join(NAME)
}

/// Opens it. Whoever holds the history is the only daemon here, so one that was left behind by a kill goes.
///
/// # Errors
/// What the system says; most likely the path is too long for a socket.
pub(crate) fn open(data_dir: &Path) -> io::Result<UnixListener> {
    let path = path(data_dir);
    match fs::remove_file(&path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        Ok(()) | Err(_) => {}
    }
    let listener = UnixListener::bind(&path)?;
    fs::set_permissions(&path, fs::Permissions::from_mode(MODE))?;
    Ok(listener)
}

/// The name of this machine's user, by its number, from the machine's own list.
pub(super) fn os_user(uid: u32) -> Option<String> {
    named(&fs::read_to_string("/etc/passwd").ok()?, uid)
}

fn named(list: &str, uid: u32) -> Option<String> {
    let mut rows = list.lines().map(|row| row.split(':').collect::<Vec<_>>());
    let row = rows.find(|row| row.get(2).is_some_and(|number| number.parse() == Ok(uid)))?;
    row.first().map(|name| (*name).to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_users_name_is_found_by_number() {
        let list = "root:x:0:0:root:/root:/bin/sh\nbroken\nana:x:1000:1000:Ana:/home/ana:/bin/sh\n";
        assert_eq!(named(list, 0).as_deref(), Some("root"));
        assert_eq!(named(list, 1000).as_deref(), Some("ana"));
        assert_eq!(named(list, 1001), None);
    }
}
