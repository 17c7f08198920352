//! Statistics of one signal by shift, day, recipe or batch: on time in which its station ran and its value was good, and where
//! the recipe has a setpoint for it, on value less setpoint, so that a setpoint that moved does not count as scatter.

use super::axis::Axis;
use super::charts::ChartRow;
use super::lots;
use super::recent::events_for;
use super::rfc3339;
use super::shifts;
use super::statistics_recipes::{NoSpecification, Told, near, recipe_name, specification, told};
pub use super::statistics_rows::{Comparison, StatisticsReport, StatisticsRow};
use super::stops::ModeSpan;
use crate::history::{HistoryError, HistoryStore, KnownBand, Span, StoredEvent};
use crate::report::batch::BatchReport;
use setward_config::line::Line;
use setward_process::series::{self, Steps, Trace};
use setward_process::statistics::capability::Specification;
use setward_process::statistics::charted::charted;
use setward_process::statistics::compare::{Finding, compare};
use setward_process::statistics::summary::{Against, Summary, summary};
use setward_process::statistics::{Deviations, Refused, Samples};
use setward_protocol::{Mode, SignalId, UtcMillis};
use std::time::Duration;

/// Values that a group is worth at most: more say nothing more, and cost.
const VALUES_MOST: f64 = 2_000.0;
/// Batches that are looked at.
const BATCHES_MOST: usize = 2_000;

/// By what a window is cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// The whole window.
    Window,
    /// Shifts of the line file.
    Shift,
    /// Local days.
    Day,
    /// The recipe that was in force.
    Recipe,
    /// Kettle batches: their hold phases.
    Batch,
    /// Lots, by when they were packed.
    Lot,
}

/// A group: its name, and the stretches that belong to it.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// Its name.
    pub name: String,
    /// In order of time.
    pub spans: Vec<Span>,
}

/// What statistics stand on: the readings of a signal over all that is asked, and when its station ran.
pub struct Basis<'a> {
    line: &'a Line,
    signal: SignalId,
    axis: Axis,
    points: Vec<(setward_protocol::Uptime, f64)>,
    bands: Vec<KnownBand>,
    /// Which recipe its station ran, as far as a number says it.
    told: Told,
    running: Vec<(UtcMillis, UtcMillis)>,
}

impl<'a> Basis<'a> {
    /// Reads it.
    ///
    /// # Errors
    /// When history can't be read, or has more readings than can be looked at at once.
    pub async fn read(
        line: &'a Line,
        store: &dyn HistoryStore,
        signal: SignalId,
        (window, modes): (Span, &[Vec<ModeSpan>]),
    ) -> Result<Self, HistoryError> {
        let beyond = i64::try_from(line.gap_limit(signal).as_millis()).unwrap_or(0);
        let wide = Span::new(UtcMillis(window.from().0 - beyond), UtcMillis(window.to().0 + beyond))
            .map_err(|error| HistoryError { text: error.text })?;
        let read = store.exact(vec![line.signal(signal).tag.clone()], wide).await?;
        let Some(read) = read.into_iter().next() else {
            return Err(HistoryError { text: "history gave no answer".to_owned() });
        };
        if read.is_cut {
            let text = "more than a million readings; ask for a shorter time".to_owned();
            return Err(HistoryError { text });
        }
        let axis = Axis(UtcMillis(wide.from().0 - 1_000));
        let station = line.signal(signal).station;
        let ran = modes.get(station.index()).map_or(&[][..], Vec::as_slice);
        let ran = ran.iter().filter(|span| span.mode == Some(Mode::Run));
        Ok(Self {
            line,
            signal,
            axis,
            points: axis.points(&read.samples),
            bands: in_force(read.bands),
            told: Told::new(),
            running: ran.map(|span| (span.from, span.to)).collect(),
        })
    }

    /// With what the recipe number of its station said, by all events of its runs in order of time.
    #[must_use]
    pub fn told_by(mut self, events: &[StoredEvent]) -> Self {
        self.told = told(self.line, events, self.line.signal(self.signal).station);
        self
    }

    /// The row of a group.
    #[must_use]
    pub fn row(&self, group: &Group) -> StatisticsRow {
        let empty = self.empty_row(group);
        let counted = self.counted(group);
        let asked = self.asked(&counted);
        let counted: Vec<series::Span> = counted.iter().map(|span| self.axis.span(*span)).collect();
        let deviations = match self.deviations(&counted, asked.is_deviation) {
            Ok(deviations) => deviations,
            Err(why) => return StatisticsRow { refused: Some(why), ..empty },
        };
        let every = self.every(&deviations);
        let against = Against {
            low: asked.tolerance.map(|(low, _)| low),
            high: asked.tolerance.map(|(_, high)| high),
            specification: asked.specification.unwrap_or_default(),
            every,
        };
        match summary(&deviations, against) {
            Ok(found) => {
                let charts = charted(&deviations, every, asked.is_deviation).map(ChartRow::from);
                let no_charts_because = charts.as_ref().err().map(ToString::to_string);
                let filled = filled(empty, &asked, &found, every);
                StatisticsRow { charts: charts.ok(), no_charts_because, ..filled }
            }
            Err(why) => StatisticsRow { refused: Some(why.to_string()), ..empty },
        }
    }

    fn empty_row(&self, group: &Group) -> StatisticsRow {
        let from = group.spans.first().map(|span| rfc3339(span.from())).unwrap_or_default();
        let to = group.spans.last().map(|span| rfc3339(span.to())).unwrap_or_default();
        StatisticsRow {
            group: group.name.clone(),
            from,
            to,
            refused: None,
            is_deviation: false,
            known_s: 0.0,
            unknown_s: 0.0,
            mean: None,
            standard_deviation: None,
            lowest: None,
            highest: None,
            in_tolerance_percent: None,
            area_below: None,
            area_above: None,
            count: None,
            every_s: 0.0,
            first_lag_autocorrelation: None,
            effective_count: None,
            ppk: None,
            ppk_interval: None,
            no_ppk_because: None,
            cpk: None,
            no_cpk_because: None,
            charts: None,
            no_charts_because: None,
        }
    }

    /// The parts of the group in which the station ran.
    fn counted(&self, group: &Group) -> Vec<(UtcMillis, UtcMillis)> {
        let cut = |span: &Span| {
            let within =
                self.running.iter().map(|(from, to)| ((*from).max(span.from()), (*to).min(span.to())));
            within.filter(|(from, to)| from < to).collect::<Vec<_>>()
        };
        group.spans.iter().flat_map(cut).collect()
    }

    fn deviations(&self, counted: &[series::Span], is_deviation: bool) -> Result<Deviations, String> {
        if counted.is_empty() {
            return Err("its station did not run, or nobody watched".to_owned());
        }
        let gap_limit = self.line.gap_limit(self.signal);
        let Ok(value) = Trace::new(&self.points, gap_limit) else {
            return Err(Refused::Nothing.to_string());
        };
        if !is_deviation {
            return Ok(Deviations::of_value(&value, counted));
        }
        let levels: Vec<_> = self.levels();
        let until = counted.iter().map(|span| span.to).max().unwrap_or(setward_protocol::Uptime::START);
        let until = until.max(levels.last().map_or(until, |(at, _)| *at));
        match Steps::signed(&levels, until) {
            Ok(setpoint) => Ok(Deviations::new(&value, &setpoint, counted)),
            Err(_none) => Err("the setpoint in force is not known".to_owned()),
        }
    }

    /// The recipe's setpoint from when on.
    fn levels(&self) -> Vec<(setward_protocol::Uptime, Option<f64>)> {
        let mut levels: Vec<(setward_protocol::Uptime, Option<f64>)> = Vec::new();
        for band in &self.bands {
            let at = self.axis.at(band.utc);
            match levels.last_mut() {
                Some(last) if last.0 >= at => last.1 = band.setpoint,
                Some(last) if last.1 == band.setpoint => {}
                Some(_) | None => levels.push((at, band.setpoint)),
            }
        }
        levels
    }

    /// What was asked of the signal over these stretches.
    fn asked(&self, counted: &[(UtcMillis, UtcMillis)]) -> Asked {
        let in_force = |(from, to): &(UtcMillis, UtcMillis)| {
            let first = self.bands.iter().rposition(|band| band.utc <= *from).unwrap_or(0);
            self.bands
                .get(first..)
                .unwrap_or_default()
                .iter()
                .take_while(|band| band.utc < *to)
                .collect::<Vec<_>>()
        };
        let bands: Vec<&KnownBand> = counted.iter().flat_map(in_force).collect();
        let is_deviation = !bands.is_empty() && bands.iter().all(|band| band.setpoint.is_some());
        if !is_deviation {
            let specification = Err(NoSpecification::Nothing);
            return Asked { is_deviation, tolerance: None, specification, is_mixed: false };
        }
        let relative = |band: &&KnownBand| {
            let (low, high) = band.tolerance?;
            Some((low - band.setpoint?, high - band.setpoint?))
        };
        let specified: Vec<Result<Specification, NoSpecification>> =
            bands.iter().map(|band| specification(self.line, self.signal, (band, &self.told))).collect();
        let (tolerance, mixed) = same(bands.iter().map(relative), |a, b| near(a.0, b.0) && near(a.1, b.1));
        // Where it can't be known, that is what to say: no other cut makes it known.
        let unknown = specified.iter().find_map(|one| one.err().filter(|why| why.is_for_good()));
        let (found, mixed_too) = same(specified.iter().map(|one| one.ok()), |a, b| {
            let ends = [(a.low, b.low), (a.high, b.high)];
            ends.iter().all(|(a, b)| a.zip(*b).is_none_or(|(a, b)| near(a, b)))
        });
        let specification = match unknown {
            Some(why) => Err(why),
            None => found.ok_or(NoSpecification::Nothing),
        };
        Asked { is_deviation, tolerance, specification, is_mixed: mixed || (unknown.is_none() && mixed_too) }
    }

    /// The poll period, or longer where there would be more values than say anything.
    fn every(&self, deviations: &Deviations) -> Duration {
        let poll = self
            .line
            .signal(self.signal)
            .register()
            .map_or(Duration::from_secs(1), |register| register.poll_every);
        let least = (deviations.known_s() / VALUES_MOST).ceil().max(1.0);
        poll.max(Duration::from_secs_f64(least.min(86_400.0)))
    }

    /// The stretches of a window by the recipe that was in force.
    #[must_use]
    pub fn by_recipe(&self, window: Span) -> Vec<Group> {
        let mut groups: Vec<Group> = Vec::new();
        for (index, band) in self.bands.iter().enumerate() {
            let next = self.bands.get(index + 1).map_or(window.to(), |next| next.utc);
            let Ok(span) = Span::new(band.utc.max(window.from()), next.min(window.to())) else { continue };
            let name = recipe_name(self.line, self.signal, (band, &self.told));
            match groups.iter_mut().find(|group| group.name == name) {
                Some(group) => group.spans.push(span),
                None => groups.push(Group { name, spans: vec![span] }),
            }
        }
        groups
    }

    /// Its values over a window, for a comparison.
    fn samples(&self, window: Span) -> Result<Samples, String> {
        let counted = self.counted(&Group { name: String::new(), spans: vec![window] });
        let is_deviation = self.asked(&counted).is_deviation;
        let counted: Vec<series::Span> = counted.iter().map(|span| self.axis.span(*span)).collect();
        let deviations = self.deviations(&counted, is_deviation)?;
        deviations.samples(self.every(&deviations)).map_err(|why| why.to_string())
    }

    /// Holds a window against another.
    #[must_use]
    pub fn compare(&self, window: Span, other: Span) -> Comparison {
        let (other_from, other_to) = (rfc3339(other.from()), rfc3339(other.to()));
        let empty = Comparison {
            other_from,
            other_to,
            refused: None,
            difference: None,
            least: None,
            most: None,
            finding: None,
        };
        let both = self.samples(other).and_then(|first| Ok((first, self.samples(window)?)));
        let found = both.and_then(|(first, second)| compare(&first, &second).map_err(|why| why.to_string()));
        match found {
            Err(why) => Comparison { refused: Some(why), ..empty },
            Ok(found) => {
                let finding = match found.finding(0.0) {
                    Finding::Higher => "higher than in the other window",
                    Finding::Lower => "lower than in the other window",
                    Finding::Same => "the same as in the other window",
                    Finding::NotShown => "no difference is shown: a longer time may show one",
                };
                let (difference, least, most) = (Some(found.value), Some(found.least), Some(found.most));
                Comparison { difference, least, most, finding: Some(finding.to_owned()), ..empty }
            }
        }
    }
}

/// A setpoint in force for less, ms, was none: a run begins with the line's own recipe until its number is read.
const IN_FORCE_LEAST_MS: i64 = 30_000;

/// In order of time, without those that were replaced at once.
pub(crate) fn in_force(mut bands: Vec<KnownBand>) -> Vec<KnownBand> {
    bands.sort_by_key(|band| (band.utc, band.run, band.at));
    let next: Vec<Option<UtcMillis>> =
        bands.iter().skip(1).map(|next| Some(next.utc)).chain([None]).collect();
    let held = bands
        .iter()
        .zip(next)
        .filter(|(band, next)| next.is_none_or(|next| next.0 - band.utc.0 >= IN_FORCE_LEAST_MS));
    held.map(|(band, _)| *band).collect()
}

/// What was asked of a signal, as differences from its setpoint.
struct Asked {
    is_deviation: bool,
    tolerance: Option<(f64, f64)>,
    specification: Result<Specification, NoSpecification>,
    /// Several recipes with different widths were in force.
    is_mixed: bool,
}

/// What all of them are, if they are the same; and whether they differ.
fn same<T: Copy>(all: impl Iterator<Item = Option<T>>, is_same: impl Fn(T, T) -> bool) -> (Option<T>, bool) {
    let mut found: Option<Option<T>> = None;
    for one in all {
        match (found, one) {
            (None, _) => found = Some(one),
            (Some(Some(before)), Some(one)) if is_same(before, one) => {}
            (Some(None), None) => {}
            (Some(_), _) => return (None, true),
        }
    }
    (found.flatten(), false)
}

fn filled(empty: StatisticsRow, asked: &Asked, found: &Summary, every: Duration) -> StatisticsRow {
    let mixed = || "recipes with different widths were in force: look at it by recipe".to_owned();
    let is_held = asked.tolerance.is_some();
    let effective = found.effective.ok();
    let capability = if asked.is_mixed {
        Err(mixed())
    } else if let Err(why) = asked.specification {
        Err(why.words().to_owned())
    } else {
        found.capability.map_err(|why| why.to_string())
    };
    let within = capability.as_ref().ok().map(|capability| capability.within);
    StatisticsRow {
        is_deviation: asked.is_deviation,
        known_s: found.known_s,
        unknown_s: found.unknown_s,
        mean: Some(found.mean),
        standard_deviation: Some(found.standard_deviation),
        lowest: Some(found.lowest.1),
        highest: Some(found.highest.1),
        in_tolerance_percent: is_held.then(|| found.band.within_share() * 100.0),
        area_below: is_held.then_some(found.band.below_area),
        area_above: is_held.then_some(found.band.above_area),
        count: effective.map(|effective| effective.count),
        every_s: every.as_secs_f64(),
        first_lag_autocorrelation: effective.map(|effective| effective.first_lag),
        effective_count: effective.map(|effective| effective.size),
        ppk: capability.as_ref().ok().map(|capability| capability.overall.nearest),
        ppk_interval: capability.as_ref().ok().map(|capability| capability.ppk_interval),
        no_ppk_because: capability.as_ref().err().cloned(),
        cpk: within.and_then(Result::ok).map(|indices| indices.nearest),
        no_cpk_because: match (within, capability) {
            (Some(Err(why)), _) => Some(why.to_string()),
            (Some(Ok(_)), _) => None,
            (None, Err(why)) => Some(why),
            (None, Ok(_)) => None,
        },
        ..empty
    }
}

/// The groups of a window. By recipe they come from [`Basis::by_recipe`].
///
/// # Errors
/// When history can't be read, or nothing can be cut so: says why.
pub async fn groups(
    line: &Line,
    store: &dyn HistoryStore,
    (signal, by): (SignalId, By),
    window: Span,
) -> Result<Vec<Group>, HistoryError> {
    let one = |name: String, span: Span| Group { name, spans: vec![span] };
    let unable = |text: &str| Err(HistoryError { text: text.to_owned() });
    match by {
        By::Window | By::Recipe => Ok(vec![one("all".to_owned(), window)]),
        By::Day => {
            Ok(shifts::days_between(line, window).into_iter().map(|(day, span)| one(day, span)).collect())
        }
        By::Shift if line.shifts.is_empty() => unable("line.toml names no [[shift]]"),
        By::Shift => {
            let shifts = shifts::between(line, window).into_iter();
            Ok(shifts.map(|shift| one(format!("{} {}", shift.date, shift.name), shift.span)).collect())
        }
        By::Lot if line.lots.is_none() => unable("line.toml has no [lots]"),
        By::Lot => {
            let mut found: Vec<Group> = Vec::new();
            for lot in lots::lots(line, store, window, window.to()).await? {
                let cut = Span::new(lot.span.from().max(window.from()), lot.span.to().min(window.to()));
                let Ok(span) = cut else { continue };
                // One that was entered again goes on.
                match found.iter_mut().find(|group| group.name == lot.lot) {
                    Some(group) => group.spans.push(span),
                    None => found.push(one(lot.lot, span)),
                }
            }
            Ok(found)
        }
        By::Batch => {
            let Some(kettle) = line.kettles.iter().find(|kettle| kettle.temperature == signal) else {
                return unable("by batch, only the cook temperature of a kettle is looked at");
            };
            let rows = store.batches(window.from(), window.to(), BATCHES_MOST).await?;
            let reports =
                rows.iter().rev().filter_map(|row| serde_json::from_str::<BatchReport>(&row.record).ok());
            let own = reports.filter(|report| report.kettle == kettle.name);
            Ok(own.filter_map(|report| hold_of(&report)).collect())
        }
    }
}

/// The hold phase of a batch.
fn hold_of(report: &BatchReport) -> Option<Group> {
    let phase = report.phases.iter().find(|phase| phase.phase == "hold")?;
    let at = |text: &str| Some(UtcMillis(text.parse::<jiff::Timestamp>().ok()?.as_millisecond()));
    let span = Span::new(at(&phase.from)?, at(&phase.to)?).ok()?;
    Some(Group { name: report.id.clone(), spans: vec![span] })
}

/// Statistics of a signal over a window, cut as asked, and held against another window if one is given.
///
/// # Errors
/// When history can't be read, has too much to look at at once, or the window can't be cut so.
pub async fn statistics_report(
    line: &Line,
    store: &dyn HistoryStore,
    (signal, by): (SignalId, By),
    (window, other): (Span, Option<Span>),
    modes: &[Vec<ModeSpan>],
) -> Result<StatisticsReport, HistoryError> {
    let whole = other.map_or(window, |other| {
        Span::new(window.from().min(other.from()), window.to().max(other.to())).unwrap_or(window)
    });
    let mut basis = Basis::read(line, store, signal, (whole, modes)).await?;
    let station = line.signal(signal).station;
    if line.recipe_numbers.iter().any(|asked| asked.stations.contains(&station)) {
        basis = basis.told_by(&events_for(line, store, whole.from()).await?);
    }
    let groups = match by {
        By::Recipe => basis.by_recipe(window),
        By::Window | By::Shift | By::Day | By::Batch | By::Lot => {
            groups(line, store, (signal, by), window).await?
        }
    };
    let own = line.signal(signal);
    Ok(StatisticsReport {
        schema_version: 1,
        line: line.name.clone(),
        signal: own.tag.clone(),
        name: own.name.clone(),
        unit: own.unit.symbol().to_owned(),
        from: rfc3339(window.from()),
        to: rfc3339(window.to()),
        rows: groups.iter().map(|group| basis.row(group)).collect(),
        compared: other.map(|other| basis.compare(window, other)),
    })
}
