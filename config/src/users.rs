//! The file of users by itself: read for a command that changes it, and written.

use crate::check::check_users;
use crate::line::Users;
use crate::problem::{Problems, SourceFile};
use crate::reader::Sink;
use std::fmt::Write as _;

/// What stands above the users in their file.
const HEAD: &str = "\
# Who may do what on the page, written by `setward user`. `passphrase` is a hash (argon2id), never what is typed.
# Roles: view looks; operate acknowledges, shelves, enters, notes; engineer decides, signs, changes. A display is a screen that
# shows the wall page and nothing else; `pass` is a hash too. SCHEMA.md has the keys.
";

/// The users that `text` lists; `path` is for messages.
///
/// # Errors
/// All problems of the file.
pub fn load_users(path: &str, text: &str) -> Result<Users, Problems> {
    let mut sink = Sink::default();
    let file = SourceFile { path: path.to_owned(), text: text.to_owned() };
    let (list, displays) = check_users(0, &file, &mut sink);
    let problems = Problems::new(&[file], sink.problems);
    if problems.is_empty() { Ok(Users { file: path.into(), list, displays }) } else { Err(problems) }
}

/// The text of a file with these users.
#[must_use]
pub fn users_text(users: &Users) -> String {
    let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
    let mut text = HEAD.to_owned();
    for user in &users.list {
        // Writing into a string can't fail.
        let _ = write!(text, "\n[[user]]\nname = {}\nrole = \"{}\"\n", quoted(&user.name), user.role.name());
        let own = [("passphrase", &user.passphrase), ("os_user", &user.os_user)];
        for (key, value) in own.into_iter().filter_map(|(key, value)| Some((key, value.as_ref()?))) {
            let _ = writeln!(text, "{key} = {}", quoted(value));
        }
        if user.disabled {
            text.push_str("disabled = true\n");
        }
    }
    for display in &users.displays {
        let (name, pass) = (quoted(&display.name), quoted(&display.pass));
        let _ = write!(text, "\n[[display]]\nname = {name}\npass = {pass}\n");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::line::{Display, User, UserRole};

    #[test]
    fn what_is_written_is_read_again_whatever_the_names() {
        let user = |name: &str, role, passphrase: Option<&str>, os_user: Option<&str>, disabled| User {
            name: name.to_owned(),
            role,
            passphrase: passphrase.map(str::to_owned),
            os_user: os_user.map(str::to_owned),
            disabled,
        };
        let users = vec![
            user(
                "In\u{e9}s \"the\" \\ O'Brien",
                UserRole::Engineer,
                Some("$argon2id$v=19$x"),
                Some("ines"),
                false,
            ),
            user("\u{591c}\u{52e4}", UserRole::View, None, None, true),
        ];
        let displays = vec![Display { name: "Fryer \"hall\"".to_owned(), pass: "0f".repeat(32) }];
        let users = Users { file: "users.toml".into(), list: users, displays };
        assert_eq!(load_users("users.toml", &users_text(&users)).unwrap(), users);
        assert_eq!(load_users("users.toml", "").unwrap().list, []);
    }

    #[test]
    fn every_mistake_of_the_file_is_told_with_its_place() {
        let text = "[[user]]\nname = \"Ana\"\nrole = \"boss\"\n\n[[user]]\nname = \"Ana\"\nrol = \"view\"\n\n[[user]]\nname = \"B\"\nrole = \"view\"\npassphrase = \"in plain sight of all\"\n\n[[display]]\nname = \"Hall\"\npass = \"K7QF\"\n\n[[display]]\nname = \"Hall\"\n";
        let told = load_users("users.toml", text).unwrap_err().render(false);
        for phrase in [
            "users.toml:3:",
            "boss",
            "two users are called",
            "rol",
            "is no hash",
            "setward user",
            "add-display",
            "two displays are called",
            "`pass`",
        ] {
            assert!(told.contains(phrase), "{phrase}: {told}");
        }
    }
}
