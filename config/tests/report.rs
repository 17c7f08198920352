//! How problems are told: all at once, like a compiler does, and as JSON; folders that are not what they should be.
#![expect(clippy::unwrap_used, reason = "helpers of tests may fail the test")]

use setward_config::problem::Severity;
use setward_config::{Problems, SourceFile, capacity, check_files, demo_files, load};
use std::fmt::Write as _;
use std::fs;
use std::path::Path;

const SMALL: [(&str, &str); 4] = [
    ("line.toml", include_str!("small/line.toml")),
    ("alarms.toml", include_str!("small/alarms.toml")),
    ("site.toml", include_str!("small/site.toml")),
    ("recipes/rounds.toml", include_str!("small/recipes/rounds.toml")),
];

/// The small line with the text of `path` changed.
fn small_with(path: &str, change: impl Fn(&str) -> String) -> Vec<SourceFile> {
    let text = |name: &str, text: &str| if name == path { change(text) } else { text.to_owned() };
    SMALL.iter().map(|(name, old)| SourceFile { path: (*name).to_owned(), text: text(name, old) }).collect()
}

fn write_folder(dir: &Path, files: &[(&str, &str)]) {
    for (path, text) in files {
        let path = dir.join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }
}

/// The path-free start of each problem: "line:column code".
fn places(problems: &Problems) -> Vec<String> {
    let place = |entry: setward_config::problem::ProblemEntry| {
        format!("{}:{} {}", entry.line.unwrap(), entry.column.unwrap(), entry.code)
    };
    problems.entries().into_iter().map(place).collect()
}

#[test]
fn ten_mistakes_in_one_file_give_ten_problems_at_their_places() {
    let files = small_with("line.toml", |text| {
        text.replace("plant = \"Plant\"\n", "plnt = \"Plant\"\n")
            .replace("poll_every = \"2 s\"", "poll_every = 2")
            .replace("means = \"fryer-oil-inlet\"", "means = \"oil\"")
            .replace("[\"0 degC\", \"250 degC\"]", "[\"250 degC\", \"0 K\"]")
            .replace("order = \"CDAB\"\n", "")
            .replace("role = \"setpoint\"", "role = 1")
            .replace("holding = 13", "holding = 12")
            .replace("bit = 3", "bit = 16")
            .replace("speed = \"ST-340\"", "speed = \"ST-34\"")
            .replace("\"3.30 m\"", "3.3")
    });
    let problems = check_files(&files).unwrap_err();
    let expected = [
        "3:1 C004",
        "22:14 C008",
        "30:9 C007",
        "35:22 C008",
        "39:1 C005",
        "55:8 C006",
        "68:11 C013",
        "81:7 C009",
        "111:9 C011",
        "112:20 C008",
    ];
    assert_eq!(places(&problems), expected, "{problems}");
}

#[test]
fn five_mistakes_in_one_table_give_five_problems() {
    let files = small_with("site.toml", |text| {
        text.replace(
            "controller = \"feed\"\naddress = \"127.0.0.1:15504\"\nunit_id = 7",
            "controler = \"feed\"\nadress = 1\nunit_id = \"x\"\nport = 502\ntimeout = 3",
        )
    });
    let found = places(&check_files(&files).unwrap_err());
    assert_eq!(found, ["21:8 C016", "9:1 C004", "10:1 C004", "11:11 C006", "12:1 C004", "13:1 C004"]);
}

#[test]
fn every_syntax_mistake_of_every_file_is_told_and_nothing_that_follows_from_it() {
    let mut files = small_with("line.toml", |text| {
        text.replace("name = \"Fryer\"", "name = Fryer").replace("scale = 0.001", "scale 0.001")
    });
    files[2].text = files[2].text.replace("simulated = true", "simulated = ");
    let problems = check_files(&files).unwrap_err();
    let entries = problems.entries();
    assert!(entries.iter().all(|entry| entry.code == "C003"), "{problems}");
    let lines: Vec<_> = entries.iter().map(|entry| (entry.path.as_str(), entry.line.unwrap())).collect();
    assert_eq!(lines, [("line.toml", 9), ("line.toml", 100), ("site.toml", 1)]);
}

#[test]
fn a_problem_is_shown_with_its_line_a_caret_and_one_hint() {
    let files = small_with("recipes/rounds.toml", |text| text.replace("\"182 degC\"", "182"));
    let expected = "\
recipes/rounds.toml:6:9: error[C008]: `value` has no unit
  |
6 | value = 182
  |         ^^^
  |
  = hint: write \"182 degC\" or \"359.6 degF\"
";
    assert_eq!(check_files(&files).unwrap_err().to_string(), expected);
}

#[test]
fn two_places_that_clash_are_both_shown() {
    let files = small_with("line.toml", |text| text.replace("holding = 12", "holding = 11"));
    let expected = "\
line.toml:57:11: error[C013]: `TIC-310-SP` takes holding 11, which `FT-320` holds already
   |
57 | holding = 11
   |           ^^
   |
  ::: line.toml:45:11
   |
45 | holding = 10
   |           -- `FT-320` takes holding 10 to 11
   |
   = hint: correct one of the two addresses; bits of one register need different `bit` numbers
";
    assert_eq!(check_files(&files).unwrap_err().to_string(), expected);
}

#[test]
fn colours_only_when_asked() {
    let files = small_with("site.toml", |text| text.replace("unit_id = 7", "unit_id = 700"));
    let problems = check_files(&files).unwrap_err();
    assert!(!problems.render(false).contains('\u{1b}'));
    assert!(problems.render(true).contains('\u{1b}'));
}

#[test]
fn what_a_file_holds_can_not_steer_the_terminal() {
    let files = small_with("line.toml", |text| text.replace("role = \"setpoint\"", "role = \"\\u001b[2J\""));
    let text = check_files(&files).unwrap_err().render(false);
    assert!(!text.contains('\u{1b}'), "{text:?}");
}

#[test]
fn programs_read_the_same_problems() {
    let files = small_with("site.toml", |text| text.replace("unit_id = 7", "unit_id = 700"));
    let json = serde_json::to_value(check_files(&files).unwrap_err()).unwrap();
    let expected = serde_json::json!([{
        "path": "site.toml", "line": 11, "column": 11, "code": "C009", "severity": "error",
        "message": "`unit_id` is 700; 0 to 255 is accepted", "hint": "write for example `unit_id = 1`",
    }]);
    assert_eq!(json, expected);
}

#[test]
fn columns_count_characters_not_bytes() {
    let files = small_with("site.toml", |text| text.replace("unit_id = 7", "\"ünït\" = 7"));
    assert_eq!(places(&check_files(&files).unwrap_err()), ["11:1 C004"]);
    let files = small_with("line.toml", |text| {
        text.replace("{ holding = [1, 9] }", "{ holding = [1, 9], \"öö\" = 1, x = 2 }")
    });
    assert_eq!(places(&check_files(&files).unwrap_err()), ["17:33 C004", "17:43 C004"]);
}

/// What `load` says about the folder `dir`, with the folder's own name taken out.
fn load_text(dir: &Path) -> String {
    let problems = load(dir).unwrap_err();
    let text = |entry: &setward_config::problem::ProblemEntry| {
        format!("{} {} {}\n", entry.path, entry.code, entry.message)
    };
    let all: String = problems.entries().iter().map(text).collect();
    all.replace(&dir.display().to_string(), "DIR")
}

#[test]
fn a_folder_that_is_none() {
    let dir = tempfile::tempdir().unwrap();
    assert_eq!(load_text(&dir.path().join("line")), "DIR C001 there is no such folder\n");
    fs::write(dir.path().join("file"), "").unwrap();
    assert_eq!(load_text(&dir.path().join("file")), "DIR C001 this is a file, not a line folder\n");
}

#[test]
fn an_empty_folder_is_told_what_belongs_in_it() {
    let dir = tempfile::tempdir().unwrap();
    let expected = "DIR/alarms.toml C001 there is no alarms.toml\nDIR/line.toml C001 there is no line.toml\n\
                    DIR/recipes C001 there is no recipe\nDIR/site.toml C001 there is no site.toml\n";
    assert_eq!(load_text(dir.path()), expected);
    let hint = &load(dir.path()).unwrap_err().entries()[0].hint;
    assert!(hint.contains("line.toml, alarms.toml, site.toml and recipes/*.toml"), "{hint}");
    assert!(hint.contains("setward demo --keep DIR"), "{hint}");
}

#[test]
fn files_that_are_empty_or_no_text_or_no_files() {
    let dir = tempfile::tempdir().unwrap();
    write_folder(dir.path(), &SMALL);
    fs::write(dir.path().join("alarms.toml"), "\n  \n").unwrap();
    assert_eq!(load_text(dir.path()), "DIR/alarms.toml C001 the file is empty\n");
    write_folder(dir.path(), &SMALL);
    fs::write(dir.path().join("line.toml"), b"[line]\nname = \"K\xfcche\"\n").unwrap();
    assert_eq!(
        load_text(dir.path()),
        "DIR/line.toml C002 the file is not UTF-8: line 2 holds another encoding\n"
    );
    fs::remove_file(dir.path().join("line.toml")).unwrap();
    fs::create_dir(dir.path().join("line.toml")).unwrap();
    let text = load_text(dir.path());
    assert!(text.starts_with("DIR/line.toml C002 can't be read: ") && text.lines().count() == 1, "{text}");
}

/// A broken header leaves its keys in the table before: they only seem to be there twice.
#[test]
fn what_follows_a_broken_table_header_is_not_told_as_a_second_mistake() {
    let files = small_with("recipes/rounds.toml", |text| {
        text.to_owned() + "\n[[setpoint]\nsignal = \"FT-320\"\nvalue = \"46 m3/h\"\n"
    });
    let entries = check_files(&files).unwrap_err().entries();
    let found: Vec<_> =
        entries.iter().map(|entry| (entry.path.as_str(), entry.line.unwrap(), entry.code)).collect();
    assert_eq!(found, [("recipes/rounds.toml", 11, "C003")]);
}

#[test]
fn a_recipe_that_can_not_be_read_is_not_unknown_as_well() {
    let dir = tempfile::tempdir().unwrap();
    write_folder(dir.path(), &SMALL);
    fs::write(dir.path().join("recipes/rounds.toml"), b"[recipe]\nname = \"Ma\xefz\"\n").unwrap();
    let expected = "DIR/recipes/rounds.toml C002 the file is not UTF-8: line 2 holds another encoding\n";
    assert_eq!(load_text(dir.path()), expected);
}

#[test]
fn a_history_can_not_be_kept_in_a_file() {
    let dir = tempfile::tempdir().unwrap();
    write_folder(dir.path(), &SMALL);
    let site = SMALL[2].1.to_owned();
    fs::write(dir.path().join("notes"), "").unwrap();
    fs::write(dir.path().join("site.toml"), format!("data_dir = \"notes/history\"\n{site}")).unwrap();
    let expected = "DIR/notes/history C016 `data_dir` can't be kept here: DIR/notes is a file\n";
    assert_eq!(load_text(dir.path()), expected);
}

#[test]
fn a_flood_of_problems_is_cut_for_people_and_whole_for_programs() {
    let files = small_with("site.toml", |text| {
        (0..350).fold(text.to_owned(), |text, number| format!("{text}\nkey-{number} = 1"))
    });
    let problems = check_files(&files).unwrap_err();
    assert_eq!((problems.len(), problems.entries().len()), (350, 350));
    let shown = problems.render(false);
    assert_eq!(shown.matches("error[C004]").count(), 300);
    assert!(shown.ends_with("\nand 50 more: mend these first, then check again\n"), "{shown}");
}

#[test]
fn a_file_that_nothing_reads_is_a_warning() {
    let dir = tempfile::tempdir().unwrap();
    write_folder(dir.path(), &SMALL);
    fs::write(dir.path().join("alarm.toml"), "x = 1").unwrap();
    let loaded = load(dir.path()).unwrap();
    assert_eq!((loaded.warnings.len(), loaded.warnings.error_count()), (1, 0));
    assert_eq!(loaded.warnings.entries()[0].severity, Severity::Warning);
    assert!(loaded.warnings.render(false).contains("alarm.toml: warning[C102]: nothing reads this file"));
}

#[test]
fn a_line_written_out_and_loaded_again_is_the_demo() {
    let dir = tempfile::tempdir().unwrap();
    write_folder(dir.path(), demo_files());
    let (loaded, demo) = (load(dir.path()).unwrap(), setward_config::load_demo().unwrap());
    assert_eq!(loaded.line.fingerprint, demo.line.fingerprint);
    assert_eq!(loaded.line.signals, demo.line.signals);
    assert_eq!(loaded.line.data_dir, dir.path().join(".setward"));
    assert!(loaded.warnings.is_empty());
}

#[test]
fn the_fingerprint_changes_with_any_file_and_not_with_their_order() {
    let fingerprint = |files: &[SourceFile]| check_files(files).unwrap().line.fingerprint;
    let mut files = small_with("", str::to_owned);
    let first = fingerprint(&files);
    assert_eq!((first.len(), first.to_lowercase()), (64, first.clone()));
    files.reverse();
    assert_eq!(fingerprint(&files), first);
    files[0].text.push('\n');
    assert_ne!(fingerprint(&files), first);
}

/// `count` copies of what `text` writes for each number.
fn many(count: usize, text: impl Fn(usize) -> String) -> String {
    (0..count).fold(String::new(), |mut all, number| {
        all.push_str(&text(number));
        all
    })
}

#[test]
fn more_than_a_line_may_hold_is_told_with_both_numbers() {
    let mut files = small_with("line.toml", |text| {
        let controllers = many(capacity::MAX_CONTROLLERS, |n| {
            format!("[[controller]]\nname = \"c{n}\"\npoll_every = \"1 s\"\n")
        });
        let signals = many(capacity::MAX_SIGNALS, |n| {
            let (controller, coil) = (n / 60_000, n % 60_000);
            format!(
                "[[signal]]\ntag = \"Y-{n}\"\nname = \"y\"\nstation = \"fryer\"\ncontroller = \"c{controller}\"\nrole = \"status\"\ncoil = {coil}\n"
            )
        });
        text.to_owned() + "\n" + &controllers + &signals
    });
    for number in 0..capacity::MAX_CONTROLLERS {
        let _ = write!(
            files[2].text,
            "\n[[endpoint]]\ncontroller = \"c{number}\"\naddress = \"127.0.0.1:{}\"\n",
            20_000 + number
        );
    }
    let tags: Vec<String> = (0..capacity::MAX_ALARMS).map(|n| format!("\"Y-{n}\"")).collect();
    files[1].text = files[1].text.replace(
        "signal = \"TT-310\"\nside = \"above\"\nlimit = \"200 degC\"\ndeadband = \"3 K\"",
        &format!("signals = [{}]\nside = \"above\"\nlimit = 0.5", tags.join(", ")),
    );
    let found: Vec<String> =
        check_files(&files).unwrap_err().entries().into_iter().map(|entry| entry.message).collect();
    let expected = [
        "the line has more than 4096 alarms, which is what this version holds",
        "the line has 4104 signals; this version holds 4096",
        "the line has 66 controllers; this version holds 64",
    ];
    assert_eq!(found, expected);
}
