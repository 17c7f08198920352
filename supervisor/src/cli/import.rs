//! `setward import`: a supplier's register list becomes a line folder.

use super::{Exit, check, fail, misused};
use crate::commission::import::{Imported, Meaning, Options, import as import_list, read_map};
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = IMPORT_EXAMPLES)]
pub(crate) struct ImportArguments {
    /// The register list, as CSV: a row for each register, with a header
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// The line folder to make; new or empty: nothing is overwritten
    #[arg(long, value_name = "FOLDER")]
    out: PathBuf,
    /// What a column means, where its header does not say it: "Reg. no.=address"; may be given several times
    #[arg(long, value_name = "COLUMN=MEANING", value_parser = read_map)]
    map: Vec<(String, Meaning)>,
    /// From where plain addresses count, where the list does not say it
    #[arg(long, value_name = "0|1", value_parser = clap::value_parser!(u8).range(0..=1))]
    base: Option<u8>,
    /// Name of the controller, where the list has no column for it
    #[arg(long, value_name = "NAME")]
    controller: Option<String>,
    /// Name of the line
    #[arg(long, value_name = "NAME")]
    line: Option<String>,
    /// Print what was guessed and what is wrong as JSON
    #[arg(long)]
    json: bool,
}

const IMPORT_EXAMPLES: &str = "\
Reads lists from any spreadsheet: commas, semicolons or tabs; decimal commas or points; addresses counted from 0 or 1, as
4xxxx or 3xxxx, or in hexadecimal; bits as 40101.3 or in a column. What the list does not say is guessed: marked with
`# GUESSED` in line.toml, and told here with the reason. What can't be is left out, with row and column.

Meanings for --map: tag name address table type order scale divisor decimals offset unit low high range bit access
controller station no-value ignore

Examples:
  setward import registers.csv --out plant/line-2
  setward import registers.csv --out plant/line-2 --controller fryer --base 1
  setward import liste.csv --out plant/line-2 --map \"Wo=address\" --map \"Was=name\"

Exit codes: 0 written, 1 written but rows are left out, 2 usage, 3 nothing can be made of the list, or the folder has problems";

/// Imports.
pub(crate) fn import(arguments: &ImportArguments) -> Exit {
    imported(arguments).unwrap_or_else(|exit| exit)
}

fn imported(arguments: &ImportArguments) -> Result<Exit, Exit> {
    let bytes = std::fs::read(&arguments.file).map_err(|error| {
        misused(&format!("{}: {error}; give the register list as CSV", arguments.file.display()))
    })?;
    must_be_new(&arguments.out)?;
    let options = Options {
        map: arguments.map.clone(),
        base: arguments.base,
        controller: arguments.controller.clone(),
        line: arguments.line.clone(),
    };
    let source =
        arguments.file.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let found = import_list(&bytes, &source, &options).map_err(|why| {
        eprintln!("setward: {}: {why}", arguments.file.display());
        Exit::Configuration
    })?;
    write(&arguments.out, &found.files)?;
    if arguments.json {
        let text = serde_json::to_string_pretty(&found);
        println!("{}", text.map_err(|error| fail(&format!("writing JSON: {error}")))?);
    } else {
        print!("{}", told(&found, &arguments.out));
    }
    check::load(&arguments.out)?;
    let left_out = found.complaints.iter().any(|complaint| complaint.left_out);
    Ok(if left_out { Exit::Failure } else { Exit::Ok })
}

/// The folder is not there, or empty.
fn must_be_new(folder: &Path) -> Result<(), Exit> {
    let Ok(mut entries) = std::fs::read_dir(folder) else {
        return if folder.exists() {
            Err(misused(&format!(
                "--out {}: that is a file; give a folder that is new or empty",
                folder.display()
            )))
        } else {
            Ok(())
        };
    };
    match entries.next() {
        None => Ok(()),
        Some(_) => Err(misused(&format!(
            "--out {}: it is not empty, and nothing is overwritten; give a folder that is new or empty",
            folder.display()
        ))),
    }
}

fn write(folder: &Path, files: &[(String, String)]) -> Result<(), Exit> {
    for (path, text) in files {
        let path = folder.join(path);
        let make = || {
            path.parent().map_or(Ok(()), std::fs::create_dir_all)?;
            std::fs::File::create_new(&path)?.write_all(text.as_bytes())
        };
        make().map_err(|error: std::io::Error| fail(&format!("writing {}: {error}", path.display())))?;
    }
    Ok(())
}

/// What was made, guessed and found wrong.
fn told(found: &Imported, folder: &Path) -> String {
    let mut out =
        format!("{} of {} rows became signals in {}\n", found.signals, found.rows, folder.display());
    if !found.complaints.is_empty() {
        out.push_str("\nWrong in the list:\n");
    }
    for complaint in &found.complaints {
        out.push_str(&format!(
            "  row {:>4}  column {:<14} {}: {}\n",
            complaint.row, complaint.column, complaint.found, complaint.done
        ));
    }
    if !found.guesses.is_empty() {
        out.push_str("\nGuessed, and marked in the file where it is about one row:\n");
    }
    for guess in &found.guesses {
        let row = guess.row.map_or_else(|| "list    ".to_owned(), |row| format!("row {row:>4}"));
        out.push_str(&format!("  {row}  {:<21} {}: {}\n", guess.column, guess.guessed, guess.why));
    }
    out.push_str(&format!(
        "\nNext: look at each GUESSED in {}, then `setward check`, `setward read-plan`\n",
        folder.join("line.toml").display()
    ));
    out
}
