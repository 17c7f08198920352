//! Which signals and which stretch of history a command is asked for: `--signals`, `--from`, `--to`, `--zone`.

use super::{Exit, check, fail, misused};
use crate::clock::Clock;
use crate::history::{HistoryReader, Span};
use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::{AmbiguousOffset, Offset, TimeZone};
use setward_config::line::Line;
use setward_protocol::UtcMillis;
use std::path::Path;

/// How far back a command looks when it is not told.
const USUAL_LENGTH_MS: i64 = 24 * 3_600_000;
/// How alike a tag must be to be offered, from 0 to 1.
const ALIKE: f64 = 0.6;
const EXAMPLES: &str = "write \"2026-11-23 06:00\", \"2026-11-23T06:00:00+01:00\", \"24 h\" or \"now\"";

/// A stretch of history, the last day unless another is given.
#[derive(Debug, Default, clap::Args)]
pub(crate) struct StretchArguments {
    /// Beginning: "2026-11-23 06:00", 2026-11-23T06:00:00+01:00, or how long before the end, "24 h", which is the default
    #[arg(long, value_name = "TIME")]
    pub(crate) from: Option<String>,
    /// End, no longer in it: as --from, or how long before now, "2 h". Default now
    #[arg(long, value_name = "TIME")]
    pub(crate) to: Option<String>,
    /// Time zone of what is written and shown, such as Europe/Madrid; the plant's if it is not given
    #[arg(long, value_name = "ZONE")]
    pub(crate) zone: Option<String>,
}

impl StretchArguments {
    /// The stretch, with times without a zone in `zone`.
    ///
    /// # Errors
    /// In words, when an end is no time or the beginning is not before the end.
    pub(crate) fn span(&self, zone: &TimeZone, now: UtcMillis) -> Result<Span, String> {
        span_between((self.from.as_deref(), self.to.as_deref()), USUAL_LENGTH_MS, zone, now)
    }
}

/// What is asked for.
#[derive(Debug, clap::Args)]
pub(crate) struct WindowArguments {
    /// Signals, by their tags, with commas between
    #[arg(long, value_name = "TAGS", value_delimiter = ',', required = true)]
    pub(crate) signals: Vec<String>,
    #[command(flatten)]
    pub(crate) stretch: StretchArguments,
}

/// History opened, and what of it is asked for.
pub(crate) struct Asked {
    pub(crate) line: Line,
    pub(crate) reader: HistoryReader,
    pub(crate) zone: TimeZone,
    pub(crate) tags: Vec<String>,
    pub(crate) span: Span,
}

impl Asked {
    /// Opens the history of the line in `folder`; what can't be is told.
    pub(crate) fn open(folder: &Path, window: &WindowArguments) -> Result<Self, Exit> {
        let line = check::load(folder)?;
        let zone = zone_named(window.stretch.zone.as_deref(), &line).map_err(|text| misused(&text))?;
        let reader = HistoryReader::open(&line.data_dir).map_err(|error| fail(&error.text))?;
        let span = window.stretch.span(&zone, now_of(&line, &reader)).map_err(|text| misused(&text))?;
        let tags = known_tags(&reader, &window.signals)?;
        let asked = Self { line, reader, zone, tags, span };
        asked.told_if_nothing_is_kept()?;
        Ok(asked)
    }

    /// A window in which nothing lies is told at once, with what history holds.
    fn told_if_nothing_is_kept(&self) -> Result<(), Exit> {
        let (first, last) = match self.reader.extent() {
            Ok(Some(extent)) => extent,
            Ok(None) => {
                return Err(fail(
                    "the history is empty so far; let `setward run` watch the line for a while",
                ));
            }
            Err(error) => return Err(fail(&error.text)),
        };
        if self.span.to() <= first || self.span.from() > last {
            let text = format!(
                "nothing is kept from {} to {}; the history goes from {} to {}",
                local(self.span.from(), &self.zone),
                local(self.span.to(), &self.zone),
                local(first, &self.zone),
                local(last, &self.zone)
            );
            return Err(fail(&text));
        }
        Ok(())
    }

    /// The part of the window in which anything may lie: a long window costs nothing where nothing is.
    pub(crate) fn kept_span(&self) -> Span {
        let extent = self.reader.extent().ok().flatten();
        let cut = extent.and_then(|(first, last)| {
            let from = self.span.from().max(first);
            let to = self.span.to().min(UtcMillis(last.0.saturating_add(1)));
            Span::new(from, to).ok()
        });
        cut.unwrap_or(self.span)
    }
}

/// What counts as now: the machine's clock. Of a simulated line no later than the last that its history knows: the demo's
/// clock shows another week, and a simulator that was stopped yesterday has no last hour.
pub(crate) fn now_of(line: &Line, reader: &HistoryReader) -> UtcMillis {
    let now = Clock::system().utc();
    let last = reader.extent().ok().flatten().map(|(_, last)| UtcMillis(last.0.saturating_add(1)));
    last.filter(|last| line.simulated && *last < now).unwrap_or(now)
}

/// The zone of this name; the plant's without one.
pub(crate) fn zone_named(name: Option<&str>, line: &Line) -> Result<TimeZone, String> {
    let Some(name) = name else {
        return Ok(TimeZone::get(&line.time_zone).unwrap_or(TimeZone::UTC));
    };
    TimeZone::get(name).map_err(|_| {
        format!("--zone: {name:?} is no time zone; write one such as \"Europe/Madrid\" or \"UTC\"")
    })
}

/// The stretch between `--from` and `--to`; `usual_ms` long if no beginning is given.
pub(crate) fn span_between(
    (from, to): (Option<&str>, Option<&str>),
    usual_ms: i64,
    zone: &TimeZone,
    now: UtcMillis,
) -> Result<Span, String> {
    let told = |option: &str, text: String| format!("{option}: {text}");
    let to = match to {
        Some(text) => moment(text, zone, now, now).map_err(|text| told("--to", text))?,
        None => now,
    };
    let from = match from {
        Some(text) => moment(text, zone, now, to).map_err(|text| told("--from", text))?,
        None => UtcMillis(to.0.saturating_sub(usual_ms)),
    };
    if from >= to {
        return Err(format!(
            "the window begins at {} and ends at {}; give a --from before the --to",
            local(from, zone),
            local(to, zone)
        ));
    }
    Span::new(from, to).map_err(|error| error.text)
}

/// A moment as a person writes it; a length of time is so long before `end`.
pub(crate) fn moment(
    text: &str,
    zone: &TimeZone,
    now: UtcMillis,
    end: UtcMillis,
) -> Result<UtcMillis, String> {
    let text = text.trim();
    if text == "now" {
        return Ok(now);
    }
    if let Ok(back) = setward_config::parse_time(text) {
        let back_ms = i64::try_from(back.as_millis()).unwrap_or(i64::MAX);
        return Ok(UtcMillis(end.0.saturating_sub(back_ms)));
    }
    if let Ok(at) = text.parse::<Timestamp>() {
        return Ok(UtcMillis(at.as_millisecond()));
    }
    let civil: DateTime = text.parse().map_err(|_| format!("{text:?} is no time; {EXAMPLES}"))?;
    let ambiguous = zone.to_ambiguous_timestamp(civil);
    match ambiguous.offset() {
        AmbiguousOffset::Unambiguous { .. } => {}
        AmbiguousOffset::Gap { .. } => {
            return Err(format!(
                "{text} does not exist: the clocks are put forward then; write another time"
            ));
        }
        AmbiguousOffset::Fold { before, after } => {
            let (first, second) = (with_offset(civil, before), with_offset(civil, after));
            return Err(format!(
                "{text} happens twice, the clocks are put back then; write {first} or {second}"
            ));
        }
    }
    ambiguous
        .compatible()
        .map(|at| UtcMillis(at.as_millisecond()))
        .map_err(|_| format!("{text} is beyond the calendar; {EXAMPLES}"))
}

fn with_offset(civil: DateTime, offset: Offset) -> String {
    let zoned = offset.to_timestamp(civil).map(|at| at.to_zoned_datetime(offset.to_time_zone()));
    zoned.map_or_else(|_| civil.to_string(), |at| at.strftime("%FT%T%:z").to_string())
}

/// A moment for people, with its zone.
pub(crate) fn local(at: UtcMillis, zone: &TimeZone) -> String {
    match Timestamp::from_millisecond(at.0) {
        Ok(at) => at.to_zoned_datetime(zone.clone()).strftime("%F %T%:z").to_string(),
        Err(_) => "a time beyond the calendar".to_owned(),
    }
}

/// The tags, each once; those that history does not know are told, with the nearest one that it does.
fn known_tags(reader: &HistoryReader, asked: &[String]) -> Result<Vec<String>, Exit> {
    let failed = |error: crate::history::HistoryError| fail(&error.text);
    let all = reader.tags().map_err(failed)?;
    let (mut tags, mut unknown): (Vec<String>, Vec<String>) = (Vec::new(), Vec::new());
    for tag in asked.iter().map(|tag| tag.trim()).filter(|tag| !tag.is_empty()) {
        if !reader.knows(tag).map_err(failed)? {
            unknown.push(unlike(tag, &all));
        } else if !tags.iter().any(|known| known == tag) {
            tags.push(tag.to_owned());
        }
    }
    if !unknown.is_empty() {
        return Err(misused(&unknown.join("; ")));
    }
    if tags.is_empty() {
        return Err(misused("--signals: give at least one tag"));
    }
    Ok(tags)
}

fn unlike(tag: &str, all: &[String]) -> String {
    let alike = |known: &String| strsim::jaro_winkler(&tag.to_uppercase(), &known.to_uppercase());
    let nearest = all.iter().map(|known| (alike(known), known)).max_by(|a, b| a.0.total_cmp(&b.0));
    match nearest.filter(|(alike, _)| *alike >= ALIKE) {
        Some((_, known)) => format!("history has no signal {tag:?}; did you mean {known:?}?"),
        None => format!("history has no signal {tag:?}; `setward check` and line.toml list the tags"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2026-11-25T12:00:00Z.
    const NOW: UtcMillis = UtcMillis(1_795_608_000_000);

    fn plant() -> TimeZone {
        TimeZone::get("Europe/Madrid").unwrap()
    }

    fn window(from: Option<&str>, to: Option<&str>) -> Result<Span, String> {
        let stretch =
            StretchArguments { from: from.map(str::to_owned), to: to.map(str::to_owned), zone: None };
        stretch.span(&plant(), NOW)
    }

    fn at(text: &str) -> Result<i64, String> {
        moment(text, &plant(), NOW, NOW).map(|at| at.0)
    }

    #[test]
    fn a_moment_is_read_in_each_form() {
        let six = "2026-11-23T05:00:00Z".parse::<Timestamp>().unwrap().as_millisecond();
        for text in [
            "2026-11-23 06:00",
            " 2026-11-23T06:00:00 ",
            "2026-11-23T06:00:00+01:00",
            "2026-11-23 05:00Z",
            "2026-11-23T05:00:00.000Z",
        ] {
            assert_eq!(at(text), Ok(six), "{text}");
        }
        assert_eq!(at("2026-11-23"), Ok(six - 6 * 3_600_000), "a day begins at midnight of the plant");
        assert_eq!(at("24 h"), Ok(NOW.0 - 24 * 3_600_000));
        assert_eq!(at("90 min"), Ok(NOW.0 - 90 * 60_000));
        assert_eq!(at("now"), Ok(NOW.0));
    }

    #[test]
    fn a_time_that_is_none_that_is_skipped_or_that_comes_twice_is_told_with_what_to_write() {
        for wrong in ["yesterday", "24", "2026-13-01", "06:00", ""] {
            assert!(at(wrong).unwrap_err().contains("write \"2026-11-23 06:00\""), "{wrong}");
        }
        assert!(at("2026-03-29 02:30").unwrap_err().contains("does not exist"));
        let twice = at("2026-10-25 02:30").unwrap_err();
        assert!(twice.contains("2026-10-25T02:30:00+02:00 or 2026-10-25T02:30:00+01:00"), "{twice}");
        assert!(at("2026-10-25T02:30:00+02:00").is_ok());
    }

    #[test]
    fn a_window_defaults_to_the_last_day_and_a_length_counts_back_from_its_end() {
        let day = window(None, None).unwrap();
        assert_eq!((day.from().0, day.to()), (NOW.0 - USUAL_LENGTH_MS, NOW));
        let shift = window(Some("8 h"), Some("2026-11-24 06:00")).unwrap();
        assert_eq!(shift.length_ms(), 8 * 3_600_000);
        assert_eq!(local(shift.to(), &plant()), "2026-11-24 06:00:00+01:00");
    }

    #[test]
    fn a_day_on_which_the_clocks_change_has_its_own_length() {
        let hours = |from, to| window(Some(from), Some(to)).unwrap().length_ms() / 3_600_000;
        assert_eq!(hours("2026-10-25", "2026-10-26"), 25);
        assert_eq!(hours("2026-03-29", "2026-03-30"), 23);
    }

    #[test]
    fn a_reversed_and_an_endless_window_are_refused_with_both_ends() {
        let reversed = window(Some("2026-11-24 06:00"), Some("2026-11-23 06:00")).unwrap_err();
        assert!(
            reversed.contains("2026-11-24 06:00:00+01:00") && reversed.contains("before the --to"),
            "{reversed}"
        );
        assert!(window(Some("1970-01-01"), None).unwrap_err().contains("ten years"));
        assert!(window(Some("9999-12-31"), Some("-9999-01-01")).is_err());
    }

    #[test]
    fn an_unknown_tag_is_told_with_the_nearest_one() {
        let all = ["TT-310", "YS-261"].map(str::to_owned);
        assert!(unlike("tt-31", &all).contains("did you mean \"TT-310\""));
        assert!(unlike("pressure", &all).contains("line.toml"));
    }
}
