//! Other settings to replay: another alarms.toml beside the same line, or the same alarms with one setting varied.

use setward_alarm::{Allowance, Kind};
use setward_config::line::Line;
use setward_config::{Loaded, Problems, SourceFile, check_files};
use std::fs;
use std::io;
use std::path::Path;
use std::time::Duration;

/// The file whose place another may take.
const ALARMS: &str = "alarms.toml";
/// Most variants of one sweep: each is an engine of its own.
const VARIANTS_MAX: usize = 32;

/// Factors beyond these are slips: a delay a thousand times as long never ends, one a thousandth of it is none.
const FACTORS: std::ops::RangeInclusive<f64> = 0.001..=1000.0;

/// Why there are no other settings.
#[derive(Debug)]
pub enum Unusable {
    /// A file could not be read.
    Unreadable(String),
    /// The files have problems.
    Wrong(Problems),
}

/// The line in `folder` with the alarms of another file. Nothing is written.
///
/// # Errors
/// When a file can't be read, or the files together have problems.
pub fn with_alarms(folder: &Path, alarms: &Path) -> Result<Line, Unusable> {
    let mut files = Vec::new();
    toml_files(folder, "", &mut files)?;
    if folder.join("recipes").is_dir() {
        toml_files(&folder.join("recipes"), "recipes/", &mut files)?;
    }
    files.retain(|file: &SourceFile| file.path != ALARMS);
    files.push(SourceFile { path: ALARMS.to_owned(), text: read(alarms)? });
    files.sort_by(|a, b| a.path.cmp(&b.path));
    match check_files(&files) {
        Ok(Loaded { line, .. }) => Ok(line),
        Err(problems) => Err(Unusable::Wrong(problems)),
    }
}

fn toml_files(folder: &Path, prefix: &str, files: &mut Vec<SourceFile>) -> Result<(), Unusable> {
    let failed = |error: io::Error| Unusable::Unreadable(format!("reading {}: {error}", folder.display()));
    for entry in fs::read_dir(folder).map_err(failed)? {
        let entry = entry.map_err(failed)?;
        let Ok(name) = entry.file_name().into_string() else { continue };
        // A dot file is an editor's or an operating system's own.
        if name.ends_with(".toml") && !name.starts_with('.') {
            files.push(SourceFile { path: format!("{prefix}{name}"), text: read(&entry.path())? });
        }
    }
    Ok(())
}

fn read(path: &Path) -> Result<String, Unusable> {
    fs::read_to_string(path)
        .map_err(|error| Unusable::Unreadable(format!("reading {}: {error}", path.display())))
}

/// What is varied.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Varied {
    /// The allowance of alarms that weigh how far out by how long.
    Allowance,
    /// The delay before alarms raise that have one.
    OnDelay,
}

/// One setting, multiplied in turn by each factor.
#[derive(Debug, Clone, PartialEq)]
pub struct Sweep {
    /// What is varied.
    pub varied: Varied,
    /// By how much.
    pub factors: Vec<f64>,
}

impl Sweep {
    /// A sweep as written on a command line: `allowance=0.5,1,2`.
    ///
    /// # Errors
    /// In words, when it is none.
    pub fn parse(text: &str) -> Result<Self, String> {
        const EXAMPLE: &str =
            "write allowance=0.5,1,2 or on_delay=0.5,2: a setting and by what to multiply it";
        let (key, factors) =
            text.split_once('=').ok_or_else(|| format!("`{text}` is no sweep; {EXAMPLE}"))?;
        let varied = match key.trim() {
            "allowance" => Varied::Allowance,
            "on_delay" => Varied::OnDelay,
            other => return Err(format!("`{other}` can't be varied; {EXAMPLE}")),
        };
        let factor = |text: &str| match text.trim().parse::<f64>() {
            Ok(factor) if FACTORS.contains(&factor) => Ok(factor),
            Ok(_) | Err(_) => Err(format!(
                "`{}` is no number from {} to {}; {EXAMPLE}",
                text.trim(),
                FACTORS.start(),
                FACTORS.end()
            )),
        };
        let factors: Vec<f64> = factors.split(',').map(factor).collect::<Result<_, _>>()?;
        if factors.len() > VARIANTS_MAX {
            return Err(format!("{} values are too many; give up to {VARIANTS_MAX}", factors.len()));
        }
        Ok(Self { varied, factors })
    }

    /// The word on the command line.
    #[must_use]
    pub const fn key(&self) -> &'static str {
        match self.varied {
            Varied::Allowance => "allowance",
            Varied::OnDelay => "on_delay",
        }
    }

    /// Whether the sweep concerns an alarm of this kind.
    #[must_use]
    pub fn concerns(&self, kind: &Kind) -> bool {
        let mut changed = *kind;
        vary(&mut changed, self.varied, 2.0);
        changed != *kind
    }

    /// The line with the setting multiplied by `factor` in every alarm that has it.
    #[must_use]
    pub fn apply(&self, line: &Line, factor: f64) -> Line {
        let mut line = line.clone();
        line.alarms.iter_mut().for_each(|alarm| vary(&mut alarm.settings.kind, self.varied, factor));
        line
    }
}

fn vary(kind: &mut Kind, varied: Varied, factor: f64) {
    let times = |delay: &mut Duration| {
        // One that no clock can count never ends.
        *delay = Duration::try_from_secs_f64(delay.as_secs_f64() * factor).unwrap_or(Duration::MAX);
    };
    match (varied, kind) {
        (Varied::Allowance, Kind::TimeWeighted(settings)) => {
            settings.allowance = match settings.allowance {
                Allowance::Area(area) => Allowance::Area(area * factor),
                Allowance::AtTwice(seconds) => Allowance::AtTwice(seconds * factor),
            };
        }
        (Varied::OnDelay, Kind::Limit(settings)) => times(&mut settings.on_delay),
        (Varied::OnDelay, Kind::Deviation(settings)) => times(&mut settings.on_delay),
        (Varied::OnDelay, Kind::Discrepancy(settings)) => times(&mut settings.on_delay),
        (Varied::OnDelay, Kind::Status(settings)) => times(&mut settings.on_delay),
        (Varied::Allowance, Kind::Limit(_) | Kind::Deviation(_) | Kind::Discrepancy(_) | Kind::Status(_))
        | (Varied::OnDelay, Kind::TimeWeighted(_))
        | (
            _,
            Kind::MovingAverage(_)
            | Kind::Rate(_)
            | Kind::EquivalentTime(_)
            | Kind::Drift(_)
            | Kind::Measurement(_)
            | Kind::Communication(_)
            | Kind::Forwarding(_),
        ) => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sweep_says_what_is_varied_and_by_what() {
        let sweep = Sweep::parse("allowance=0.5, 1,2").unwrap();
        assert_eq!((sweep.varied, sweep.factors.as_slice()), (Varied::Allowance, [0.5, 1.0, 2.0].as_slice()));
        for wrong in [
            "allowance",
            "shape=2",
            "allowance=",
            "allowance=0",
            "allowance=-1",
            "on_delay=x",
            "on_delay=1e300",
        ] {
            assert!(Sweep::parse(wrong).is_err_and(|text| text.contains("allowance=0.5,1,2")), "{wrong}");
        }
    }

    #[test]
    fn a_factor_that_no_delay_bears_is_refused_with_what_is_accepted() {
        for factor in ["1e300", "1001", "0.0009", "nan", "inf"] {
            let text = Sweep::parse(&format!("on_delay=2,{factor}")).unwrap_err();
            assert!(text.contains(&format!("`{factor}`")) && text.contains("from 0.001 to 1000"), "{text}");
        }
        assert_eq!(Sweep::parse("on_delay=0.001,1000").unwrap().factors, [0.001, 1000.0]);
    }

    proptest::proptest! {
        #![proptest_config(proptest::test_runner::Config::with_cases(20))]
        /// Whoever makes a sweep by other ways than its words gets a line all the same.
        #[test]
        fn no_factor_is_too_much_for_a_line(factor in proptest::num::f64::ANY) {
            let line = setward_config::load_demo().unwrap().line;
            for varied in [Varied::Allowance, Varied::OnDelay] {
                let sweep = Sweep { varied, factors: vec![factor] };
                assert_eq!(sweep.apply(&line, factor).alarms.len(), line.alarms.len());
            }
        }
    }

    #[test]
    fn only_the_named_setting_is_multiplied() {
        let line = setward_config::load_demo().unwrap().line;
        let alarm = line.alarm_by_id("fryer-inlet-cold").unwrap();
        let sweep = Sweep::parse("allowance=2").unwrap();
        let twice = sweep.apply(&line, 2.0);
        let area = |line: &Line| {
            let Kind::TimeWeighted(settings) = line.alarm(alarm).settings.kind else { panic!() };
            settings.allowance
        };
        let (Allowance::Area(one), Allowance::Area(two)) = (area(&line), area(&twice)) else { panic!() };
        assert_eq!(two, 2.0 * one);
        assert!(sweep.concerns(&line.alarm(alarm).settings.kind));
        let flow = line.alarm_by_id("oil-flow-low").unwrap();
        assert_eq!(line.alarm(flow), twice.alarm(flow));
    }

    #[test]
    fn other_alarms_are_read_beside_the_same_line_and_their_mistakes_told() {
        let folder = tempfile::tempdir().unwrap();
        fs::create_dir(folder.path().join("recipes")).unwrap();
        for (name, text) in setward_config::demo_files() {
            fs::write(folder.path().join(name), text).unwrap();
        }
        let other = folder.path().join("other");
        let text = fs::read_to_string(folder.path().join(ALARMS)).unwrap();
        let from = text.find("id = \"fryer-inlet-cold\"").unwrap();
        let (head, tail) = text.split_at(from);
        fs::write(&other, format!("{head}{}", tail.replacen("240 K.s", "120 K.s", 1))).unwrap();
        let line = with_alarms(folder.path(), &other).unwrap();
        let alarm = line.alarm_by_id("fryer-inlet-cold").unwrap();
        let Kind::TimeWeighted(settings) = line.alarm(alarm).settings.kind else { panic!() };
        assert_eq!(settings.allowance, Allowance::Area(120.0));
        fs::write(&other, "[[limit]]\nid = \"x\"\n").unwrap();
        assert!(matches!(with_alarms(folder.path(), &other), Err(Unusable::Wrong(_))));
        let missing = with_alarms(folder.path(), &folder.path().join("none"));
        assert!(matches!(missing, Err(Unusable::Unreadable(text)) if text.contains("none")));
    }
}
