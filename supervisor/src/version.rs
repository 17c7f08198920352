//! Which version of the program this is.

use std::sync::OnceLock;

/// The version, and the commit where the build was told of one: "0.1.0 (3f2a91c07d4e)". Nothing of when or where it was built, so
/// that the same sources give the same program.
#[must_use]
pub fn version() -> &'static str {
    static VERSION: OnceLock<String> = OnceLock::new();
    let number = env!("CARGO_PKG_VERSION");
    match option_env!("SETWARD_COMMIT") {
        None | Some("") => number,
        Some(commit) => VERSION.get_or_init(|| format!("{number} ({commit})")),
    }
}
