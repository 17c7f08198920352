//! `setward backup`: a verified copy of the history, while the line is watched.

use super::{Exit, check, fail};
use crate::clock::Clock;
use crate::history::{Verification, backup as history_backup};
use std::path::{Path, PathBuf};

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = BACKUP_EXAMPLES)]
pub(crate) struct BackupArguments {
    /// The line folder; its site.toml says where the history is
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// A new file; or a folder, in which the copy gets a name with its time
    #[arg(value_name = "TO")]
    to: PathBuf,
    /// Print what was copied and verified as JSON
    #[arg(long)]
    json: bool,
}

const BACKUP_EXAMPLES: &str = "\
The copy holds everything that was confirmed when it began: readings, events, alarm states, notes, the audit trail, and the
line folder's files of every run. Each block of it is looked at before it gets its name. Nothing is ever overwritten.

Examples:
  setward backup plant/line-2 /mnt/backup/
  setward backup plant/line-2 line-2.sqlite --json";

/// Copies.
pub(crate) fn backup(arguments: &BackupArguments) -> Exit {
    let line = match check::load(&arguments.folder) {
        Ok(line) => line,
        Err(exit) => return exit,
    };
    let to = if arguments.to.is_dir() { arguments.to.join(name_now()) } else { arguments.to.clone() };
    match history_backup::backup(&line.data_dir, &to) {
        Ok(found) => tell(&found, "backup", &to, arguments.json),
        Err(error) => fail(&error.text),
    }
}

/// A name that sorts by time.
fn name_now() -> String {
    let now =
        jiff::Timestamp::from_millisecond(Clock::system().utc().0).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    now.strftime("history-%Y%m%dT%H%M%SZ.sqlite").to_string()
}

/// Says what was looked at.
pub(crate) fn tell(found: &Verification, what: &str, file: &Path, json: bool) -> Exit {
    if json {
        let body = serde_json::json!({
            "schema_version": 1,
            "done": what,
            "file": file.display().to_string(),
            "sound": found.is_sound(),
            "verified": found,
        });
        println!("{body:#}");
    } else {
        println!("{}\n{found}", file.display());
        let verdict = if found.is_sound() {
            "sound: every checksum, the order of the chunks, the audit chain and the records beside it agree"
        } else {
            "NOT SOUND: see the faults above"
        };
        println!("{what}: {verdict}");
    }
    if found.is_sound() { Exit::Ok } else { Exit::Failure }
}
