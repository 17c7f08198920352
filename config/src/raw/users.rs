//! The users file: who may do what, and the hash of each passphrase. `setward user` writes it.

use crate::line::UserRole;
use crate::problem::{At, Span};
use crate::reader::TableReader;

/// One `[[user]]`.
#[derive(Debug)]
pub(crate) struct RawUser {
    pub(crate) at: Span,
    pub(crate) name: Option<At<String>>,
    pub(crate) role: Option<At<UserRole>>,
    pub(crate) passphrase: Option<At<String>>,
    pub(crate) os_user: Option<At<String>>,
    pub(crate) disabled: Option<At<bool>>,
}

/// Reads the whole file.
pub(crate) fn read(reader: &mut TableReader<'_, '_>) -> Vec<RawUser> {
    reader.tables("user", "[[user]]", user)
}

fn user(reader: &mut TableReader<'_, '_>) -> RawUser {
    RawUser {
        at: reader.at(),
        name: reader.need_text("name", "\"Ana\""),
        role: reader.need_word("role", &UserRole::NAMED),
        passphrase: reader.may_text("passphrase", "\"$argon2id$..\""),
        os_user: reader.may_text("os_user", "\"ana\""),
        disabled: reader.may("disabled", "true"),
    }
}
