//! The users file: who may do what, the hash of each passphrase, screens on walls. `setward user` writes it.

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

/// One `[[display]]`.
#[derive(Debug)]
pub(crate) struct RawDisplay {
    pub(crate) at: Span,
    pub(crate) name: Option<At<String>>,
    pub(crate) pass: Option<At<String>>,
}

/// Reads the whole file.
pub(crate) fn read(reader: &mut TableReader<'_, '_>) -> (Vec<RawUser>, Vec<RawDisplay>) {
    (reader.tables("user", "[[user]]", user), reader.tables("display", "[[display]]", display))
}

fn display(reader: &mut TableReader<'_, '_>) -> RawDisplay {
    RawDisplay {
        at: reader.at(),
        name: reader.need_text("name", "\"Fryer hall\""),
        pass: reader.need_text("pass", "\"9f86d081..\""),
    }
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
