//! `setward restore`: a verified copy becomes the history of a line that has none.

use super::{Exit, backup, check, fail};
use crate::history::backup as history_backup;
use std::path::PathBuf;

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = RESTORE_EXAMPLES)]
pub(crate) struct RestoreArguments {
    /// A file that `setward backup` made
    #[arg(value_name = "FROM")]
    from: PathBuf,
    /// The line folder; its site.toml says where the history goes
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// Print what was verified as JSON
    #[arg(long)]
    json: bool,
}

const RESTORE_EXAMPLES: &str = "\
The copy is verified first, and once more where it was put. A history that is there is never overwritten: move it away, with
history.sqlite-wal and -shm if they lie beside it. Not while the line is watched. Put back by root it belongs to whoever has the
data folder.

Example:
  setward restore /mnt/backup/history-20261125T021022Z.sqlite plant/line-2";

/// Restores.
pub(crate) fn restore(arguments: &RestoreArguments) -> Exit {
    let line = match check::load(&arguments.folder) {
        Ok(line) => line,
        Err(exit) => return exit,
    };
    match history_backup::restore(&arguments.from, &line.data_dir) {
        Ok(found) => backup::tell(&found, "restore", &line.data_dir.join("history.sqlite"), arguments.json),
        Err(error) => fail(&error.text),
    }
}
