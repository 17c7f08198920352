//! A line folder on disk. The only file here that touches the file system; it only reads.

use crate::Loaded;
use crate::capacity::MAX_FILE_BYTES;
use crate::check::{FILES_OF_A_LINE, check_alone, check_with_users};
use crate::door::users_path;
use crate::line::PageTls;
use crate::problem::{Code, Problem, Problems, SourceFile};
use std::fs;
use std::io;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

/// Reads and checks the line folder `dir`. The line's data folder is taken relative to `dir`.
///
/// # Errors
/// All problems of all files, warnings included, with paths below `dir`.
pub fn load(dir: &Path) -> Result<Loaded, Problems> {
    load_as(dir, true)
}

/// The same without the file of users, which only its owner may read: for what lets nobody in. Nobody is in the line's list then.
///
/// # Errors
/// As [`load`].
pub fn load_for_reading(dir: &Path) -> Result<Loaded, Problems> {
    load_as(dir, false)
}

fn load_as(dir: &Path, with_users: bool) -> Result<Loaded, Problems> {
    if !dir.is_dir() {
        let found =
            if dir.exists() { "this is a file, not a line folder" } else { "there is no such folder" };
        let problem = Problems::of_path(Code::Missing, "", found.to_owned(), FILES_OF_A_LINE.to_owned());
        return Err(Problems::new(&[], vec![problem]).below(dir));
    }
    let (files, mut unreadable, users) = read_folder(dir);
    let users = users.filter(|_| with_users).and_then(|path| read_users(dir, path, &mut unreadable));
    if unreadable.is_empty() {
        return match check_with_users(&files, users.as_ref()) {
            Ok(Loaded { mut line, warnings }) => {
                line.data_dir = dir.join(&line.data_dir);
                let servers = line.history.servers.iter_mut();
                for file in servers.flat_map(|server| [&mut server.token_file, &mut server.ca]).flatten() {
                    *file = dir.join(&*file);
                }
                for file in line.notify.files_mut() {
                    *file = dir.join(&*file);
                }
                if let Some(users) = &mut line.access.users {
                    users.file = dir.join(&users.file);
                }
                if let Some(PageTls::Files { certificate, key }) = &mut line.access.tls {
                    (*certificate, *key) = (dir.join(&*certificate), dir.join(&*key));
                }
                match no_place_for(&line.data_dir) {
                    None => Ok(Loaded { line, warnings: warnings.below(dir) }),
                    Some(problem) => Err(warnings.below(dir).with(vec![problem])),
                }
            }
            Err(found) => Err(found.below(dir)),
        };
    }
    // What could not be read is not missing as well.
    Err(check_alone(&files).without_missing(&unreadable).with(unreadable).below(dir))
}

/// Why there can be no folder called `data_dir`, if a file stands in its way.
fn no_place_for(data_dir: &Path) -> Option<Problem> {
    let nearest = data_dir.ancestors().find(|path| path.exists())?;
    if nearest.is_dir() {
        return None;
    }
    let message = format!("`data_dir` can't be kept here: {} is a file", nearest.display());
    let hint = "name a folder in site.toml, such as `data_dir = \".setward\"`".to_owned();
    Some(Problems::of_path(Code::Address, &data_dir.display().to_string(), message, hint))
}

/// Every file of the folder that belongs to a line, in the order of paths, what could not be read, and the path of the file of
/// users, which is none of them.
fn read_folder(dir: &Path) -> (Vec<SourceFile>, Vec<Problem>, Option<String>) {
    let mut problems = Vec::new();
    let mut paths = toml_files(dir, "", &mut problems);
    if dir.join("recipes").is_dir() {
        paths.extend(toml_files(&dir.join("recipes"), "recipes/", &mut problems));
    }
    paths.sort();
    // What is wrong with it is told below, once.
    let site = read_file(dir, "site.toml".to_owned(), &mut Vec::new());
    let users = site.as_ref().and_then(users_path);
    paths.retain(|path| Some(path) != users.as_ref());
    let files = paths.into_iter().filter_map(|path| read_file(dir, path, &mut problems)).collect();
    (files, problems, users)
}

/// The file of users, if there is one yet. It holds hashes of passphrases: nobody but its owner may read it.
pub(crate) fn read_users(dir: &Path, path: String, problems: &mut Vec<Problem>) -> Option<SourceFile> {
    let about = match fs::metadata(dir.join(&path)) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return None,
        Err(error) => {
            problems.push(unreadable(&path, &error.to_string()));
            return None;
        }
        Ok(about) => about,
    };
    if about.permissions().mode() & 0o077 != 0 {
        let message = "others can read or change it, and it says who may do what".to_owned();
        let hint = format!("make it its owner's only: chmod 600 {path}");
        problems.push(Problems::of_path(Code::Unreadable, &path, message, hint));
        return None;
    }
    read_file(dir, path, problems)
}

/// The names of the TOML files in `dir`, each behind `prefix`.
fn toml_files(dir: &Path, prefix: &str, problems: &mut Vec<Problem>) -> Vec<String> {
    let entries = match fs::read_dir(dir) {
        Ok(entries) => entries,
        Err(error) => {
            problems.push(unreadable(prefix, &error.to_string()));
            return Vec::new();
        }
    };
    let names = entries.filter_map(|entry| entry.ok()?.file_name().into_string().ok());
    // A dot file is an editor's or an operating system's own.
    names
        .filter(|name| name.ends_with(".toml") && !name.starts_with('.'))
        .map(|name| format!("{prefix}{name}"))
        .collect()
}

pub(crate) fn read_file(dir: &Path, path: String, problems: &mut Vec<Problem>) -> Option<SourceFile> {
    let full: PathBuf = dir.join(&path);
    if fs::metadata(&full).is_ok_and(|metadata| metadata.len() > MAX_FILE_BYTES) {
        let message = format!("the file is larger than {} MiB", MAX_FILE_BYTES >> 20);
        problems.push(Problems::of_path(
            Code::Capacity,
            &path,
            message,
            "a line file is a few hundred KiB".to_owned(),
        ));
        return None;
    }
    match fs::read(&full).map(String::from_utf8) {
        Ok(Ok(text)) => Some(SourceFile { path, text }),
        Ok(Err(error)) => {
            let good = error.utf8_error().valid_up_to();
            let line = error.as_bytes().iter().take(good).filter(|byte| **byte == b'\n').count() + 1;
            let message = format!("the file is not UTF-8: line {line} holds another encoding");
            let hint = "save it as UTF-8 (plain ASCII is UTF-8 too)".to_owned();
            problems.push(Problems::of_path(Code::Unreadable, &path, message, hint));
            None
        }
        Err(error) => {
            problems.push(unreadable(&path, &error.to_string()));
            None
        }
    }
}

fn unreadable(path: &str, error: &str) -> Problem {
    let hint = "let the user that runs setward read it".to_owned();
    Problems::of_path(Code::Unreadable, path, format!("can't be read: {error}"), hint)
}
