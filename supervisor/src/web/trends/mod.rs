//! What the trend page, its downloads and its API are asked for: signals, a stretch of time, another one to hold it against.
//!
//! All that is shown is in the address: one that is sent to a colleague shows the same. What can't be answered is refused
//! before history is touched.

pub(super) mod api;
pub(super) mod beside;
pub(super) mod downloads;
pub(super) mod notes;
pub(super) mod read;
pub(super) mod samples;

use super::names;
use super::times::{Zone, rfc3339};
use crate::cli::window::moment;
use crate::history::Span;
use jiff::ToSpan as _;
use jiff::civil::DateTime;
use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};
use setward_config::line::{Line, Role};
use setward_protocol::{Dimension, SignalId, UtcMillis};

/// Most signals of one page or answer.
pub(super) const SIGNALS_MAX: usize = 12;
/// Most columns of one answer.
pub(super) const COLUMNS_MAX: usize = 2_000;
/// Columns when nothing else is asked for: what a page draws without scripts.
pub(super) const COLUMNS_USUAL: usize = 480;
const DAY_MS: i64 = 24 * 3_600_000;
/// A year and a month: this month beside that of last year.
const LONGEST_MS: i64 = 400 * DAY_MS;
const SHORTEST_MS: i64 = 10_000;
/// Signals with a setpoint that are shown when none is named.
const USUAL_SIGNALS: usize = 2;

/// How far back it looks when it is not told.
const USUAL_LAST: &str = "7d";
/// What an address may say.
const KEYS: [&str; 9] = ["signals", "from", "to", "last", "against", "axis", "columns", "parts", "said"];
/// How times and stretches are written.
const TIMES: &str = "write 2026-11-23T06:00:00Z, \"2026-11-23 06:00\" by the plant's clock, or \"now\"";

/// Keeps a tag and a time readable in an address.
const IN_ADDRESS: &AsciiSet =
    &NON_ALPHANUMERIC.remove(b'-').remove(b'_').remove(b'.').remove(b',').remove(b':');

/// What is asked for.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Asked {
    /// In the order of their panes, each once.
    pub(super) signals: Vec<SignalId>,
    pub(super) span: Span,
    /// The stretch is so long up to now, as it was written: it moves on with time.
    pub(super) last: Option<String>,
    /// Where the stretch begins that this one is held against; as long.
    pub(super) against: Option<UtcMillis>,
    /// The axis holds every value, not only the recipe's band and what lies about it.
    pub(super) shows_all_values: bool,
    pub(super) columns: usize,
    /// Columns and stops alone: what the page's script draws, and not what the page itself has already.
    pub(super) panes_only: bool,
    /// What came of a form.
    pub(super) said: Option<String>,
}

/// Why it is refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Wrong {
    /// The line has no such signal; the nearest one.
    NoSuchSignal(String, Option<String>),
    /// In words.
    Other(String),
}

impl Wrong {
    fn other<T>(text: impl Into<String>) -> Result<T, Self> {
        Err(Self::Other(text.into()))
    }

    /// In one sentence.
    pub(super) fn text(&self) -> String {
        match self {
            Self::NoSuchSignal(tag, nearest) => {
                let hint =
                    nearest.as_ref().map(|near| format!("; the nearest is \"{near}\"")).unwrap_or_default();
                format!("this line has no signal \"{}\"{hint}", short(tag))
            }
            Self::Other(text) => text.clone(),
        }
    }
}

/// What came from outside, cut to what an answer can show.
fn short(text: &str) -> String {
    text.chars().take(60).collect()
}

/// The pairs of an address, each key once except `signals`, whose values add up: a form sends one for each box.
#[derive(Default)]
struct Pairs<'a> {
    signals: Vec<&'a str>,
    named: Vec<(&'a str, &'a str)>,
}

impl<'a> Pairs<'a> {
    fn read(pairs: &'a [(String, String)]) -> Result<Self, Wrong> {
        let mut read = Self::default();
        for (key, value) in pairs {
            let (key, value) = (key.as_str(), value.trim());
            if !KEYS.contains(&key) {
                let nearest = names::nearest(key, KEYS.into_iter());
                let hint = nearest.map(|near| format!("; did you mean \"{near}\"?")).unwrap_or_default();
                let known = KEYS.join(", ");
                return Wrong::other(format!("\"{}\" is not known here, only {known}{hint}", short(key)));
            }
            if value.is_empty() {
                continue;
            }
            if key == "signals" {
                read.signals.extend(value.split(',').map(str::trim).filter(|tag| !tag.is_empty()));
            } else if read.one(key).is_some() {
                return Wrong::other(format!("\"{key}\" is given twice"));
            } else {
                read.named.push((key, value));
            }
        }
        Ok(read)
    }

    fn one(&self, key: &str) -> Option<&'a str> {
        self.named.iter().find(|(named, _)| *named == key).map(|(_, value)| *value)
    }
}

impl Asked {
    /// What an address asks for.
    ///
    /// # Errors
    /// What is wrong with it, and what is accepted.
    pub(super) fn read(
        line: &Line,
        zone: &Zone,
        now: UtcMillis,
        pairs: &[(String, String)],
    ) -> Result<Self, Wrong> {
        let pairs = Pairs::read(pairs)?;
        let at = |key: &str, text: &str| {
            moment(text, zone.jiff(), now, now)
                .map_err(|_| Wrong::Other(format!("\"{key}\" is \"{}\", no time; {TIMES}", short(text))))
        };
        let (span, last) = stretch(&pairs, now, at)?;
        let against = pairs.one("against").map(|text| at("against", text)).transpose()?;
        if against.is_some_and(|from| from == span.from()) {
            return Wrong::other("\"against\" is the same stretch; give the beginning of another one");
        }
        // What happened is looked up over both at once.
        let both = against.map(|from| {
            let to = UtcMillis(from.0.saturating_add(span.length_ms()));
            Span::new(from.min(span.from()), to.max(span.to()))
        });
        if let Some(Err(_)) = both {
            return Wrong::other("\"against\" is more than ten years away; give a later beginning");
        }
        let shows_all_values = match pairs.one("axis") {
            None | Some("band") => false,
            Some("all") => true,
            Some(_) => return Wrong::other("\"axis\" is one of band, all"),
        };
        let columns = match pairs.one("columns").map(str::parse::<usize>) {
            None => COLUMNS_USUAL,
            Some(Ok(columns)) if (10..=COLUMNS_MAX).contains(&columns) => columns,
            Some(_) => return Wrong::other(format!("\"columns\" is a number from 10 to {COLUMNS_MAX}")),
        };
        let panes_only = match pairs.one("parts") {
            None | Some("all") => false,
            Some("panes") => true,
            Some(_) => return Wrong::other("\"parts\" is one of panes, all"),
        };
        Ok(Self {
            signals: signals(line, &pairs.signals)?,
            span,
            last,
            against,
            shows_all_values,
            columns,
            panes_only,
            said: pairs.one("said").map(str::to_owned),
        })
    }

    /// The stretch that this one is held against.
    pub(super) fn other(&self) -> Option<Span> {
        let from = self.against?;
        Span::new(from, UtcMillis(from.0.saturating_add(self.span.length_ms()))).ok()
    }

    /// Its tags, in their order.
    pub(super) fn tags(&self, line: &Line) -> Vec<String> {
        self.signals.iter().map(|id| line.signal(*id).tag.clone()).collect()
    }

    /// The same of another stretch.
    pub(super) fn over(&self, from: UtcMillis, to: UtcMillis) -> Option<Self> {
        // Whole seconds: an address is to be read.
        let span = Span::new(UtcMillis(from.0.div_euclid(1000) * 1000), UtcMillis(ceil_s(to.0))).ok()?;
        let fits = (SHORTEST_MS..=LONGEST_MS).contains(&span.length_ms());
        fits.then(|| Self { span, last: None, against: None, ..self.clone() })
    }

    /// The same, so long up to now.
    pub(super) fn up_to_now(&self, last: &str) -> Self {
        Self { last: Some(last.to_owned()), against: None, ..self.clone() }
    }

    /// The same with every value on the axis, or not.
    pub(super) fn with_axis(&self, shows_all_values: bool) -> Self {
        Self { shows_all_values, ..self.clone() }
    }

    /// The same held against the stretch that begins at `from`, or against none.
    pub(super) fn held_against(&self, from: Option<UtcMillis>) -> Self {
        // Of a stretch that moves on, the other one would not.
        Self { against: from, last: if from.is_some() { None } else { self.last.clone() }, ..self.clone() }
    }

    /// The same exactly as it is now: what is written about it stays true of it.
    pub(super) fn fixed(&self) -> Self {
        Self {
            against: self.against,
            ..self.over(self.span.from(), self.span.to()).unwrap_or_else(|| self.clone())
        }
    }

    /// The address of it below `path`.
    pub(super) fn address(&self, line: &Line, path: &str) -> String {
        let encoded = |text: &str| utf8_percent_encode(text, IN_ADDRESS).to_string();
        let mut address = format!("{path}?signals={}", encoded(&self.tags(line).join(",")));
        match &self.last {
            Some(last) => address.push_str(&format!("&last={}", encoded(last))),
            None => {
                let (from, to) = (rfc3339(self.span.from()), rfc3339(self.span.to()));
                address.push_str(&format!("&from={}&to={}", encoded(&from), encoded(&to)));
            }
        }
        if let Some(against) = self.against {
            address.push_str(&format!("&against={}", encoded(&rfc3339(against))));
        }
        if self.shows_all_values {
            address.push_str("&axis=all");
        }
        address
    }

    /// The stretch before (-1) or after (1), and further. One that begins and ends at the same time of day goes by days of the
    /// plant's clocks, so that a shift stays a shift when they are changed.
    pub(super) fn moved(&self, zone: &Zone, by: i64) -> Option<Self> {
        let (from, to) = (self.span.from(), self.span.to());
        let (begins, ends) = (zone.civil(from), zone.civil(to));
        if begins.time() == ends.time() {
            let days = begins.date().until(ends.date()).ok()?.get_days();
            return self.over(
                shifted(zone, begins, i64::from(days) * by)?,
                shifted(zone, ends, i64::from(days) * by)?,
            );
        }
        let by = self.span.length_ms().checked_mul(by)?;
        self.over(UtcMillis(from.0.checked_add(by)?), UtcMillis(to.0.checked_add(by)?))
    }

    /// The stretch so much wider (2.0) or narrower (0.5) about its middle; wider, never beyond now if it is not already.
    pub(super) fn scaled(&self, factor: f64, now: UtcMillis) -> Option<Self> {
        let (from, to) = (self.span.from().0, self.span.to().0);
        let length = (self.span.length_ms() as f64 * factor) as i64;
        let middle = from + self.span.length_ms() / 2;
        // Addresses have whole seconds: on one, the length is kept to the second.
        let end = (middle + length / 2).min(now.0.max(to)).div_euclid(1000) * 1000;
        self.over(UtcMillis(end - length), UtcMillis(end))
    }
}

/// So many days later by the plant's clock.
pub(super) fn shifted(zone: &Zone, at: DateTime, days: i64) -> Option<UtcMillis> {
    let day = at.checked_add(i32::try_from(days).ok()?.days()).ok()?;
    let at = zone.jiff().to_ambiguous_timestamp(day).compatible().ok()?;
    Some(UtcMillis(at.as_millisecond()))
}

fn ceil_s(ms: i64) -> i64 {
    ms.saturating_add(999).div_euclid(1000) * 1000
}

/// The stretch, and how it was written if it ends now.
fn stretch(
    pairs: &Pairs<'_>,
    now: UtcMillis,
    at: impl Fn(&str, &str) -> Result<UtcMillis, Wrong>,
) -> Result<(Span, Option<String>), Wrong> {
    let (from, to, last) = (pairs.one("from"), pairs.one("to"), pairs.one("last"));
    if last.is_some() && (from.is_some() || to.is_some()) {
        return Wrong::other("give either \"last\", or \"from\" and \"to\"");
    }
    let (from, to, last) = match from {
        None if to.is_some() => return Wrong::other("\"to\" needs a \"from\""),
        None => {
            let last = last.unwrap_or(USUAL_LAST);
            let length = setward_config::parse_time(last).map_err(|_| {
                let found = short(last);
                Wrong::Other(format!(
                    "\"last\" is \"{found}\", no length of time up to 366 days; write 7d, 8h or 30min"
                ))
            })?;
            let length_ms = i64::try_from(length.as_millis()).unwrap_or(i64::MAX);
            (UtcMillis(now.0.saturating_sub(length_ms)), now, Some(last.to_owned()))
        }
        Some(from) => (at("from", from)?, to.map_or(Ok(now), |to| at("to", to))?, None),
    };
    let length = to.0.saturating_sub(from.0);
    if length <= 0 {
        let (from, to) = (rfc3339(from), rfc3339(to));
        return Wrong::other(format!("it begins at {from} and ends at {to}; \"to\" must lie after \"from\""));
    }
    if length > LONGEST_MS {
        let days = length / DAY_MS;
        return Wrong::other(format!("{days} days are too many; ask for 400 days at most"));
    }
    if length < SHORTEST_MS {
        return Wrong::other(format!("{length} ms are too short; ask for 10 s at least"));
    }
    let span = Span::new(from, to).map_err(|error| Wrong::Other(error.text))?;
    Ok((span, last))
}

fn signals(line: &Line, tags: &[&str]) -> Result<Vec<SignalId>, Wrong> {
    if tags.is_empty() {
        return Ok(usual(line));
    }
    let mut signals = Vec::new();
    // More than this is refused anyway; an endless list is not looked at.
    for tag in tags.iter().take(SIGNALS_MAX * 4) {
        let id =
            names::signal(line, tag).map_err(|nearest| Wrong::NoSuchSignal((*tag).to_owned(), nearest))?;
        if !signals.contains(&id) {
            signals.push(id);
        }
    }
    if signals.len() > SIGNALS_MAX || tags.len() > SIGNALS_MAX * 4 {
        return Wrong::other(format!("more than {SIGNALS_MAX} signals; choose fewer"));
    }
    Ok(signals)
}

/// The measured temperatures that the recipe asks for at the last station that has any, with its belt's speed: on a line that
/// fries, the fryer. Without such, the first signal that the recipe asks for.
fn usual(line: &Line) -> Vec<SignalId> {
    let asked: Vec<SignalId> = line.recipe().setpoints.iter().map(|asked| asked.signal).collect();
    let is_hot = |id: &&SignalId| {
        let signal = line.signal(**id);
        signal.role == Role::Measured && signal.unit.dimension() == Dimension::Temperature
    };
    let last = asked.iter().filter(is_hot).map(|id| line.signal(*id).station).max();
    let here = |id: &&SignalId| Some(line.signal(**id).station) == last;
    let mut usual: Vec<SignalId> =
        asked.iter().filter(is_hot).filter(here).take(USUAL_SIGNALS).copied().collect();
    usual.extend(line.belts.iter().filter(|belt| Some(belt.station) == last).map(|belt| belt.speed).take(1));
    if usual.is_empty() {
        usual.extend(asked.into_iter().chain(line.signals_with_ids().map(|(id, _)| id)).take(1));
    }
    usual
}

#[cfg(test)]
mod tests;
