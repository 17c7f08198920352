//! The door of folders that others can't be bothered with, and of those that others may not read.

use super::*;
use crate::{load, load_for_reading};
use std::fs;
use std::os::unix::fs::PermissionsExt as _;

/// The demo's folder, with `more` above the first table of its site.toml.
fn folder(more: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in crate::demo_files() {
        let file = folder.path().join(name);
        fs::create_dir_all(file.parent().unwrap()).unwrap();
        let text = if *name == "site.toml" { format!("{more}\n{text}") } else { (*text).to_owned() };
        fs::write(file, text).unwrap();
    }
    folder
}

#[test]
fn whoever_may_not_read_the_users_reads_the_line_and_is_told_of_them_once() {
    let folder = folder("users = \"users.toml\"");
    // No file at all that anybody can read, root neither.
    let users = folder.path().join("users.toml");
    fs::create_dir(&users).unwrap();
    fs::set_permissions(&users, fs::Permissions::from_mode(0o700)).unwrap();
    let told = load(folder.path()).unwrap_err();
    assert_eq!((told.len(), told.error_count()), (1, 1), "{}", told.render(false));
    assert!(told.render(false).contains("users.toml"), "{}", told.render(false));
    let line = load_for_reading(folder.path()).unwrap().line;
    assert_eq!(
        line.access.users.map(|users| (users.file.clone(), users.list)),
        Some((users.clone(), vec![]))
    );
    fs::remove_dir(&users).unwrap();
    assert_eq!(load(folder.path()).unwrap().line.fingerprint, line.fingerprint);
    fs::write(&users, "[[user]]\n").unwrap();
    fs::set_permissions(&users, fs::Permissions::from_mode(0o644)).unwrap();
    assert!(load(folder.path()).unwrap_err().render(false).contains("chmod 600"));
    assert!(load_for_reading(folder.path()).is_ok());
}

#[test]
fn the_door_is_found_in_a_folder_with_mistakes_elsewhere() {
    let folder = folder("users = \"users.toml\"\nviw = \"login\"");
    fs::write(folder.path().join("alarms.toml"), "[[limit]\nhalf = ").unwrap();
    fs::write(folder.path().join("line.toml"), [0xff, 0xfe]).unwrap();
    let door = load_door(folder.path()).unwrap();
    let expected =
        Door { users: Some(folder.path().join("users.toml")), data_dir: folder.path().join(".setward") };
    assert_eq!(door, expected);
}

#[test]
fn a_door_that_can_not_be_found_is_told_with_its_place() {
    for (site, phrase) in [
        ("users = \"users.toml\n", "site.toml:1:"),
        ("simulated = true\nusers = 5\n", "site.toml:2:"),
        ("simulated = true\ndata_dir = \"recipes\"\n", "site.toml:2:"),
    ] {
        let folder = folder("");
        fs::write(folder.path().join("site.toml"), site).unwrap();
        let told = load_door(folder.path()).unwrap_err().render(false);
        assert!(told.contains(phrase), "{site}: {told}");
    }
    let empty = tempfile::tempdir().unwrap();
    assert!(load_door(empty.path()).unwrap_err().render(false).contains("there is no site.toml"));
}

#[test]
fn the_users_are_read_by_themselves_and_others_may_not_read_them() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("users.toml");
    assert_eq!(read_users_file(&file).unwrap().list, []);
    fs::write(&file, "[[user]]\nname = \"Ana\"\nrole = \"view\"\n").unwrap();
    fs::set_permissions(&file, fs::Permissions::from_mode(0o644)).unwrap();
    assert!(read_users_file(&file).unwrap_err().render(false).contains("chmod 600"));
    fs::set_permissions(&file, fs::Permissions::from_mode(0o600)).unwrap();
    let users = read_users_file(&file).unwrap();
    assert_eq!((users.file.clone(), users.list[0].name.as_str()), (file.clone(), "Ana"));
    fs::write(&file, "[[user]]\nname = \"Ana\"\nrole = \"boss\"\n").unwrap();
    assert!(read_users_file(&file).unwrap_err().render(false).contains("users.toml:3:"));
}
