//! `setward man DIR`: this help as manual pages, one a command.

use super::{Arguments, Exit, fail};
use clap::CommandFactory as _;
use std::path::PathBuf;

#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct ManArguments {
    /// Where the pages go; the folder is made if there is none
    #[arg(value_name = "DIR")]
    dir: PathBuf,
}

const EXAMPLES: &str = "\
Examples:
  setward man ~/.local/share/man/man1
  man setward-trend";

/// Writes them.
pub(super) fn man(arguments: &ManArguments) -> Exit {
    let dir = &arguments.dir;
    let written =
        std::fs::create_dir_all(dir).and_then(|()| clap_mangen::generate_to(Arguments::command(), dir));
    match written {
        Ok(()) => Exit::Ok,
        Err(error) => fail(&format!("writing manual pages into {}: {error}", dir.display())),
    }
}
