//! Whatever stands in the files: an answer, never a panic; and problems that can be shown.

use proptest::prelude::*;
use setward_config::{SourceFile, check_files, demo_files};

fn check(files: &[SourceFile]) {
    if let Err(problems) = check_files(files) {
        assert!(problems.error_count() > 0);
        assert!(!problems.render(false).is_empty());
        for entry in problems.entries() {
            let line = entry.line.unwrap_or(1);
            let text = files.iter().find(|file| file.path == entry.path).map_or("", |file| &file.text);
            assert!(line >= 1 && line <= text.split('\n').count().max(1), "{entry:?}");
        }
    }
}

fn demo() -> Vec<SourceFile> {
    demo_files()
        .iter()
        .map(|(path, text)| SourceFile { path: (*path).to_owned(), text: (*text).to_owned() })
        .collect()
}

/// Index of a character boundary in `text` at about `share`.
fn boundary(text: &str, share: f64) -> usize {
    let near = (text.len() as f64 * share) as usize;
    (0..=near).rev().find(|index| text.is_char_boundary(*index)).unwrap_or(0)
}

const PIECES: [&str; 20] = [
    "[[signal]]",
    "\"",
    "\"\"\"",
    "= ",
    "{",
    "}",
    "[",
    "]",
    "\n",
    "#",
    "é\u{1b}",
    "1e999",
    "-0",
    "9223372036854775808",
    "\"1e308 K.s\"",
    "\"-1 s\"",
    "inf",
    "nan",
    "true",
    "1979-05-27",
];

/// What is well written and does not belong where it is put.
const OTHER_VALUES: [&str; 16] = [
    "\"KY-220\"",
    "\"AI-451\"",
    "\"TT-310\"",
    "\"YS-361\"",
    "\"XI-310\"",
    "\"fryer\"",
    "0",
    "7",
    "[]",
    "[\"fryer\"]",
    "{}",
    "{ 0 = 1 }",
    "{ 3 = 4, 7 = \"white-corn-strips\" }",
    "[\"0 degC\", \"1 degC\"]",
    "\"0 s\"",
    "\"5 K\"",
];

proptest! {
    #[test]
    fn any_text_gets_an_answer(text in any::<String>(), which in 0..5_usize) {
        let mut files = demo();
        files[which].text = text;
        check(&files);
    }

    #[test]
    fn a_demo_with_a_piece_cut_out_and_another_put_in_gets_an_answer(
        which in 0..5_usize, from in 0.0..1.0_f64, length in 0..60_usize, piece in 0..20_usize,
    ) {
        let mut files = demo();
        let text = &files[which].text;
        let start = boundary(text, from);
        let end = (start + length..=text.len()).find(|index| text.is_char_boundary(*index)).unwrap_or(text.len());
        files[which].text = format!("{}{}{}", &text[..start], PIECES[piece], &text[end..]);
        check(&files);
    }

    /// Reaches deep into the check: the syntax stays good, one value changes.
    #[test]
    fn a_demo_with_one_value_replaced_gets_an_answer(which in 0..5_usize, line in any::<prop::sample::Index>(), piece in 0..20_usize) {
        let mut files = demo();
        let mut lines: Vec<String> = files[which].text.lines().map(str::to_owned).collect();
        let index = line.index(lines.len());
        if let Some((key, _)) = lines[index].clone().split_once(" = ") {
            lines[index] = format!("{key} = {}", PIECES[piece]);
        }
        files[which].text = lines.join("\n");
        check(&files);
    }

    /// A folder that is refused says why, whatever stands where another value belongs: the tag of another kind of signal, a
    /// number, a table.
    #[test]
    fn a_demo_with_one_value_of_another_kind_is_never_refused_without_a_reason(
        which in 0..5_usize, line in any::<prop::sample::Index>(), other in 0..16_usize,
    ) {
        let mut files = demo();
        let mut lines: Vec<String> = files[which].text.lines().map(str::to_owned).collect();
        let index = line.index(lines.len());
        if let Some((key, _)) = lines[index].clone().split_once(" = ") {
            lines[index] = format!("{key} = {}", OTHER_VALUES[other]);
        }
        files[which].text = lines.join("\n");
        check(&files);
    }
}

#[test]
fn deep_nesting_and_long_lines_get_an_answer() {
    for text in [
        "[".repeat(100_000),
        "{a=".repeat(100_000),
        "x = ".to_owned() + &"1".repeat(1_000_000),
        "é".repeat(200_000),
    ] {
        let mut files = demo();
        files[0].text = text;
        check(&files);
    }
}

/// More tables than an index counts, each referring to nothing.
#[test]
fn a_hundred_thousand_tables_get_an_answer() {
    let mut files = demo();
    files[0].text += &"\n[[controller]]\nname = \"x\"".repeat(70_000);
    files[1].text += &"\n[[limit]]\nsignal = \"TT-999\"".repeat(30_000);
    let problems = check_files(&files).unwrap_err();
    assert!(problems.error_count() > 100_000);
    let shown = problems.render(false);
    assert!(shown.len() < 200_000, "{} bytes", shown.len());
    let more = problems.len() - 300;
    assert!(shown.ends_with(&format!("\nand {more} more: mend these first, then check again\n")));
}
