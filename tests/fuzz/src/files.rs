//! What people and disks bring: line folders, quantities, register lists, blocks of the history.

use setward::commission::import::{Options, import};
use setward_config::{SourceFile, check_files, parse_time};
use setward_protocol::Unit;

/// The four files of a folder, parted by lines of `%`. Problems have a place in the text; what is accepted can be polled.
pub(crate) fn line_folder(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let names = ["line.toml", "alarms.toml", "site.toml", "recipes/one.toml"];
    let texts = text.split("%\n").chain(std::iter::repeat(""));
    let files: Vec<SourceFile> = names
        .iter()
        .zip(texts)
        .map(|(path, text)| SourceFile { path: (*path).to_owned(), text: text.to_owned() })
        .collect();
    match check_files(&files) {
        Ok(loaded) => {
            let plan = setward::poll::plan::plan_line(&loaded.line);
            assert!(plan.len() <= loaded.line.controllers.len(), "more endpoints than controllers");
        }
        Err(problems) => {
            assert!(problems.error_count() > 0, "refused without a problem");
            assert!(!problems.render(false).is_empty(), "a problem without words");
            for entry in problems.entries() {
                let file = files.iter().find(|file| file.path == entry.path);
                let lines = file.map_or(1, |file| file.text.split('\n').count());
                assert!((1..=lines.max(1)).contains(&entry.line.unwrap_or(1)), "{entry:?}");
            }
        }
    }
}

/// A quantity of any unit: a number that can be kept, or words.
pub(crate) fn quantity(bytes: &[u8]) {
    let Some((unit, rest)) = bytes.split_first() else { return };
    let Ok(text) = std::str::from_utf8(rest) else { return };
    let unit = Unit::ALL[usize::from(*unit) % Unit::ALL.len()];
    for number in setward_config::fuzzing::quantities(text, unit) {
        assert!(number.is_finite(), "{text:?} in {unit} is {number}");
    }
    if let Ok(time) = parse_time(text) {
        assert!(time.as_secs() <= 366 * 86_400, "{text:?} is {time:?}");
    }
}

/// A supplier's register list. The folder that is made of it is TOML.
pub(crate) fn register_list(bytes: &[u8]) {
    let Ok(found) = import(bytes, "list.csv", &Options::default()) else { return };
    assert!(found.signals > 0 && found.signals <= found.rows, "{} of {} rows", found.signals, found.rows);
    let files: Vec<SourceFile> =
        found.files.into_iter().map(|(path, text)| SourceFile { path, text }).collect();
    if let Err(problems) = check_files(&files) {
        let rendered = problems.render(false);
        assert!(!rendered.contains("error[C003]"), "what was written is no TOML: {rendered}");
    }
}

/// Blocks of the history behind a right checksum.
pub(crate) fn history_blocks(bytes: &[u8]) {
    setward::fuzzing::blocks(bytes);
}
