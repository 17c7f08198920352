//! `setward verify`: looks at every block of a history, or of a copy of one.

use super::{Exit, backup, check, fail};
use crate::history;
use std::path::PathBuf;

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = VERIFY_EXAMPLES)]
pub(crate) struct VerifyArguments {
    /// The line folder, or a file that `setward backup` made
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// Print what was found as JSON
    #[arg(long)]
    json: bool,
}

const VERIFY_EXAMPLES: &str = "\
Checks the file's structure, the checksum of every block and of every row, that chunks follow each other without a hole and each
has all its readings and roll-ups, the journal, the audit chain up to its newest entry, that each record of what people decided
is what the chain says, the line folders' files by their hashes, and that no event, run or file of a run was taken out. What an
older version wrote has no such numbers; the oldest readings may have gone by age or size. It can't tell whether somebody who may write the file made all of it anew: keep copies elsewhere.
Works while the line is watched. Exit codes: 0 sound, 1 not.

Examples:
  setward verify plant/line-2
  setward verify /mnt/backup/history-20261125T021022Z.sqlite --json";

/// Verifies.
pub(crate) fn verify(arguments: &VerifyArguments) -> Exit {
    let (file, found) = if arguments.folder.is_file() {
        (arguments.folder.clone(), history::verify(&arguments.folder))
    } else {
        let line = match check::load(&arguments.folder) {
            Ok(line) => line,
            Err(exit) => return exit,
        };
        (line.data_dir.join("history.sqlite"), history::verify_folder(&line.data_dir))
    };
    match found {
        Ok(found) => backup::tell(&found, "verify", &file, arguments.json),
        Err(error) => fail(&error.text),
    }
}
