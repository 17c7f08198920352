//! What a command needs that changes who may come in: site.toml alone, and the file of users alone. What is wrong elsewhere in the
//! folder keeps nobody from shutting somebody out.

use crate::check::{FILES_OF_A_LINE, read_file as read_tables, site};
use crate::folder::{read_file, read_users};
use crate::line::Users;
use crate::problem::{Code, Problems, SourceFile};
use crate::raw;
use crate::raw::site::RawSite;
use crate::reader::Sink;
use crate::users::load_users;
use std::path::{Path, PathBuf};

/// What site.toml says of the door.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Door {
    /// The file of users, there or not; `None`: nobody signs in.
    pub users: Option<PathBuf>,
    /// Where history and the socket of this machine's commands are.
    pub data_dir: PathBuf,
}

/// Reads of the site.toml in `dir` where users and data are, whatever else is wrong with it or with the folder.
///
/// # Errors
/// When it can't be read, is no TOML, or says one of the two wrongly: all its problems.
pub fn load_door(dir: &Path) -> Result<Door, Problems> {
    let mut unreadable = Vec::new();
    let path = "site.toml".to_owned();
    if !dir.join(&path).exists() {
        let told = (format!("there is no {path}"), FILES_OF_A_LINE.to_owned());
        unreadable.push(Problems::of_path(Code::Missing, &path, told.0, told.1));
    }
    let file = if unreadable.is_empty() { read_file(dir, path, &mut unreadable) } else { None };
    let Some(file) = file else { return Err(Problems::new(&[], unreadable).below(dir)) };
    let mut sink = Sink::default();
    let found = read_site(&file, &mut sink).and_then(|(raw, given)| {
        let is_read = given == (raw.users.is_some(), raw.data_dir.is_some());
        let before = sink.problems.len();
        let data_dir = site::data_dir(&raw, &mut sink);
        let users = raw.users.map(|users| dir.join(users.value));
        (is_read && sink.problems.len() == before).then(|| Door { users, data_dir: dir.join(data_dir) })
    });
    found.ok_or_else(|| Problems::new(&[file], sink.problems).below(dir))
}

/// The users in `file`, which only its owner may read; none if it is not there yet.
///
/// # Errors
/// All its problems.
pub fn read_users_file(file: &Path) -> Result<Users, Problems> {
    let mut unreadable = Vec::new();
    let path = file.display().to_string();
    match read_users(Path::new(""), path.clone(), &mut unreadable) {
        Some(source) => load_users(&path, &source.text),
        None if unreadable.is_empty() => Ok(Users { file: file.to_path_buf(), ..Users::default() }),
        None => Err(Problems::new(&[], unreadable)),
    }
}

/// The path of the file of users, as site.toml gives it.
pub(crate) fn users_path(site: &SourceFile) -> Option<String> {
    Some(read_site(site, &mut Sink::default())?.0.users?.value)
}

/// The site file as it is written, and whether it gives users and a data folder at all.
fn read_site(file: &SourceFile, sink: &mut Sink) -> Option<(RawSite, (bool, bool))> {
    read_tables(0, file, "site.toml", sink, |reader| {
        let given = (reader.has("users"), reader.has("data_dir"));
        (raw::site::read(reader), given)
    })
}

#[cfg(test)]
#[path = "door_tests.rs"]
mod tests;
