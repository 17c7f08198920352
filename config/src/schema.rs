//! What SCHEMA.md describes and this version does not act on yet: such a key gives a warning, never silence.
//!
//! What this version reads is not listed anywhere: it is what `raw/` asks for. A test holds both against SCHEMA.md.

/// Stands for "whatever the table holds", in tables whose keys are data.
pub(crate) const EVERY_KEY: &[&str] = &["*"];

/// By table: keys that are described and not acted on yet.
const LATER: &[(&str, &[&str])] = &[
    ("[signal.wiring]", &["calibrated"]),
    ("[[belt]]", &["speed_ratio", "from", "to"]),
    ("alarms.toml", &["suppression"]),
    ("[soak]", &["band"]),
    ("[recipe]", &["product", "contains", "approved"]),
];

/// The keys of `table` that are described and not acted on yet.
pub(crate) fn later(table: &str) -> &'static [&'static str] {
    LATER.iter().find(|(name, _)| *name == table).map_or(&[], |(_, keys)| keys)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::SourceFile;
    use crate::check::{check_into, check_users};
    use crate::demo::demo_sources;
    use crate::line::Meaning;
    use crate::reader::Sink;
    use setward_protocol::Unit;
    use std::collections::{BTreeMap, BTreeSet};

    const SCHEMA: &str = include_str!("../SCHEMA.md");

    /// The heading of the keys that every kind of alarm has, and the kinds.
    const EVERY_ALARM: &str = "every alarm";
    const KINDS: [&str; 9] = [
        "[[limit]]",
        "[[time-weighted]]",
        "[[deviation]]",
        "[[moving-average]]",
        "[[discrepancy]]",
        "[[rate]]",
        "[[status]]",
        "[[equivalent-time]]",
        "[[drift]]",
    ];

    type Keys = BTreeMap<String, BTreeSet<String>>;

    /// Keys by table as SCHEMA.md gives them: read now, and later. Tables that are later as a whole come third.
    fn documented() -> (Keys, Keys, BTreeSet<String>) {
        let (mut now, mut later, mut whole) = (Keys::new(), Keys::new(), BTreeSet::new());
        let mut table = None;
        for line in SCHEMA.lines() {
            if let Some(heading) = line.strip_prefix("### `") {
                let (name, rest) = heading.split_once('`').unwrap();
                table = (rest != " (later)").then(|| name.to_owned());
                if table.is_none() {
                    whole.insert(name.to_owned());
                }
            } else if line.starts_with('#') {
                table = None;
            }
            let cells: Vec<&str> = line.split(" | ").collect();
            let Some((table, key)) =
                table.as_ref().zip(line.strip_prefix("| `").and_then(|rest| rest.split('`').next()))
            else {
                continue;
            };
            let list = match *cells.last().unwrap() {
                "now |" => &mut now,
                "later |" => &mut later,
                other => panic!("{other:?} says neither now nor later: {line}"),
            };
            assert!(list.entry(table.clone()).or_default().insert(key.to_owned()), "twice: {line}");
        }
        let shared = now.remove(EVERY_ALARM).unwrap();
        for kind in KINDS {
            now.get_mut(kind).unwrap().extend(shared.iter().cloned());
        }
        (now, later, whole)
    }

    /// Every key that reading the demo asks for. The demo has every table but two, and asking does not depend on what is
    /// there.
    fn asked() -> Keys {
        let mut sink = Sink::default();
        let mut files = demo_sources();
        files.iter_mut().find(|file| file.path == "alarms.toml").unwrap().text += "\n[[drift]]\n";
        files.iter_mut().find(|file| file.path == "line.toml").unwrap().text +=
            "\n[[kettle]]\n[kettle.by_temperature]\n[[tank]]\n[tank.by_level]\n";
        files.iter_mut().find(|file| file.path == "site.toml").unwrap().text +=
            "\n[[server]]\n[mail]\n[[mail.to]]\n[[webhook]]\n[[mqtt]]\n[tls]\n[[setpoint-write]]\n";
        check_into(&files, &mut sink);
        let users = SourceFile { path: "users.toml".to_owned(), text: "[[user]]\n[[display]]\n".to_owned() };
        check_users(files.len(), &users, &mut sink);
        let own = |keys: &BTreeSet<&str>| keys.iter().map(|key| (*key).to_owned()).collect::<BTreeSet<_>>();
        sink.asked.iter().map(|(table, keys)| ((*table).to_owned(), own(keys))).collect()
    }

    #[test]
    fn what_is_read_now_is_exactly_what_schema_says() {
        let (now, _, _) = documented();
        assert_eq!(asked(), now);
    }

    #[test]
    fn what_is_read_later_is_exactly_what_schema_says() {
        let (_, documented, _) = documented();
        let own = |keys: &[&str]| keys.iter().map(|key| (*key).to_owned()).collect::<BTreeSet<_>>();
        let listed: Keys = LATER.iter().map(|(table, keys)| ((*table).to_owned(), own(keys))).collect();
        assert_eq!(listed, documented);
    }

    /// A table that is later as a whole is announced by the table it stands in.
    #[test]
    fn every_later_table_is_a_later_key_of_its_parent() {
        let (_, later, whole) = documented();
        let keys: BTreeSet<&str> = later.values().flatten().map(String::as_str).collect();
        for table in &whole {
            let name = table.trim_matches(['[', ']']);
            let key = name.rsplit_once('.').map_or(name, |(_, last)| last);
            assert!(keys.contains(key), "{table} is no key anywhere");
        }
        let headings =
            SCHEMA.lines().filter(|line| line.starts_with("### ") && line.ends_with(" (later)")).count();
        assert_eq!(whole.len(), headings, "{whole:?}");
        assert!(headings > 0);
    }

    #[test]
    fn every_unit_meaning_and_code_is_listed() {
        for unit in Unit::ALL {
            assert!(SCHEMA.contains(&format!("`{unit}`")), "{unit}");
        }
        for (word, _) in Meaning::NAMED {
            assert!(SCHEMA.contains(&format!("`{word}`")), "{word}");
        }
        for code in crate::problem::Code::ALL {
            assert!(SCHEMA.contains(&format!("| {} |", code.name())), "{}", code.name());
        }
    }

    /// The files of the demo that hold the tables of each part of SCHEMA.md, in the order a person reads them.
    fn file_of(table: &str) -> &'static str {
        match table {
            "alarms.toml" | "[alarm.response]" | "[measurement]" | "[communication]" => "alarms.toml",
            kind if KINDS.contains(&kind) => "alarms.toml",
            "a recipe"
            | "[recipe]"
            | "[cook]"
            | "[soak]"
            | "[soak.hydration]"
            | "[[setpoint]]"
            | "[setpoint.tolerance]"
            | "[[entered]]"
            | "[entered.tolerance]" => "recipes/blue-corn-rounds.toml",
            "site.toml" | "[[endpoint]]" | "[history]" | "[[server]]" | "[mail]" | "[[mail.to]]"
            | "[[webhook]]" | "[[mqtt]]" | "[tls]" | "users.toml" | "[[user]]" | "[[display]]"
            | "[[setpoint-write]]" => "site.toml",
            _ => "line.toml",
        }
    }

    /// Whether the first place where `key` stands has a comment: on the line, above it or below it.
    fn is_explained(text: &str, key: &str) -> Option<bool> {
        let lines: Vec<&str> = text.lines().collect();
        let forms = [format!("{key} = "), format!("[{key}]"), format!(".{key}]")];
        let starts_word = |line: &str, at: usize| {
            line[..at].chars().next_back().is_none_or(|before| !before.is_alphanumeric() && before != '_')
        };
        let stands = |line: &&str| {
            forms.iter().any(|form| {
                line.match_indices(form).any(|(at, _)| form.starts_with(['[', '.']) || starts_word(line, at))
            })
        };
        let index = lines.iter().position(stands)?;
        let above = lines[..index].iter().rev().find(|line| !line.trim().is_empty());
        let below = lines.get(index + 1);
        let is_comment = |line: Option<&&str>| line.is_some_and(|line| line.trim_start().starts_with('#'));
        Some(lines[index].contains('#') || is_comment(above) || is_comment(below))
    }

    #[test]
    fn the_demo_shows_and_explains_every_key_that_is_read() {
        let sources = demo_sources();
        let (now, _, _) = documented();
        for (table, keys) in now {
            let text = &sources.iter().find(|file| file.path == file_of(&table)).unwrap().text;
            for key in keys {
                assert_eq!(is_explained(text, &key), Some(true), "{key} of {table} in {}", file_of(&table));
            }
        }
    }
}
