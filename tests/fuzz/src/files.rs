//! What people bring: line folders and register lists.

use setward::commission::import::{Options, import};
use setward_config::{SourceFile, check_files};

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
