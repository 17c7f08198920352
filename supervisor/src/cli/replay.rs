//! `setward replay`: kept history through the engine again, with the folder's settings or others. It never writes.

use super::window::{StretchArguments, now_of, zone_named};
use super::{Exit, check, fail, misused, no_color};
use crate::clock::Clock;
use crate::history::{HistoryError, HistoryReader, Span};
use crate::replay::compare::{Looked, by_turn, compare, occurrences, of_servers};
use crate::replay::settings::{Sweep, Unusable, with_alarms};
use crate::replay::text::{ReplayReport, Variant};
use crate::replay::{Replay, fed_for, kept_events};
use jiff::Timestamp;
use setward_config::line::Line;
use setward_protocol::{Uptime, UtcMillis};
use std::io::IsTerminal as _;
use std::path::PathBuf;
use std::sync::Arc;

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = REPLAY_EXAMPLES)]
pub(crate) struct ReplayArguments {
    /// The line folder; its site.toml says where the history is
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    #[command(flatten)]
    stretch: StretchArguments,
    /// Another alarms.toml, in place of the folder's
    #[arg(long, value_name = "FILE")]
    alarms: Option<PathBuf>,
    /// One setting multiplied in turn by each of these: allowance=0.5,1,2 or on_delay=0.5,2
    #[arg(long, value_name = "SETTING=FACTORS", value_parser = Sweep::parse)]
    sweep: Option<Sweep>,
    /// Tell of these alarms only, by their ids, with commas between
    #[arg(long, value_name = "IDS", value_delimiter = ',')]
    only: Vec<String>,
    /// Print the outcome as JSON
    #[arg(long)]
    json: bool,
}

const REPLAY_EXAMPLES: &str = "\
A call is a raise for which somebody was called. \"then\" is what history kept, \"now\" what these settings give. Kilograms at
risk were fed from the onset of a trouble to its return, \"before the call\" those until somebody was called. The hour before
the window warms up; the hour after it shows what became of troubles at its end, and where history lacks it they may be undecided.
Works while the line is watched and when it is not; nothing is written.

Examples:
  setward replay plant/line-2 --from \"7 d\" --alarms proposal.toml
  setward replay plant/line-2 --from \"7 d\" --sweep allowance=0.5,0.75,1,1.5,2 --only fryer-inlet-cold";

/// Replays.
pub(crate) async fn replay(arguments: &ReplayArguments) -> Exit {
    match replayed(arguments).await {
        Ok(()) => Exit::Ok,
        Err(exit) => exit,
    }
}

async fn replayed(arguments: &ReplayArguments) -> Result<(), Exit> {
    let failed = |error: HistoryError| fail(&error.text);
    let line = check::load(&arguments.folder)?;
    let zone = zone_named(arguments.stretch.zone.as_deref(), &line).map_err(|text| misused(&text))?;
    let clock = Clock::system();
    let reader = HistoryReader::open(&line.data_dir).map_err(failed)?;
    let span = arguments.stretch.span(&zone, now_of(&line, &reader)).map_err(|text| misused(&text))?;
    let variants = variants(arguments, &line)?;
    check_only(arguments, &line, &variants)?;
    let mut notes: Vec<String> = of_other_files(&reader, &line, span).map_err(failed)?.into_iter().collect();

    let fed = fed_span(&reader, span).map_err(failed)?;
    let lines: Vec<Arc<Line>> = variants.iter().map(|(_, line)| Arc::clone(line)).collect();
    let mut bar = Bar::new(clock);
    let run = Replay { lines: &lines, store: &reader, span: fed };
    let outcome = run.run(&mut |share| bar.show(share)).await;
    bar.end();
    let outcome = outcome.map_err(failed)?;
    let mut then = occurrences(&kept_events(&reader, fed).await.map_err(failed)?);
    let servers = of_servers(variants.iter().map(|(_, line)| &**line).chain([&line]));
    let is_called =
        then.iter().any(|(id, all)| servers.contains(id) && all.iter().any(|one| span.contains(one.raised)));
    if is_called || arguments.only.iter().any(|id| servers.contains(id)) {
        notes.push("not replayed: alarms about servers, as no reading tells how a server did".to_owned());
    }
    then.retain(|id, _| !servers.contains(id));
    let looked = Looked { window: span, fed_to: fed.to() };
    let settings = variants.into_iter().zip(&outcome.told).map(|((name, line), told)| {
        let mut alarms = compare(&line, &then, &occurrences(told), (looked, &outcome.ground));
        alarms.retain(|one| arguments.only.is_empty() || arguments.only.contains(&one.alarm));
        if let Some(sweep) = &arguments.sweep {
            let concerns = |id: &str| line.alarm_by_id(id).map(|id| line.alarm(id).settings.kind);
            alarms.retain(|one| concerns(&one.alarm).is_some_and(|kind| sweep.concerns(&kind)));
        }
        Variant { name, turns: by_turn(&alarms), alarms }
    });
    let report = ReplayReport {
        schema_version: 1,
        line: line.name.clone(),
        recipe: line.recipe().key.clone(),
        from: rfc3339(span.from()),
        to: rfc3339(span.to()),
        readings: outcome.samples,
        runs: outcome.runs,
        took_s: clock.uptime().seconds_since(Uptime::START),
        notes,
        settings: settings.collect(),
    };
    print(&report, arguments.json)
}

fn print(report: &ReplayReport, json: bool) -> Result<(), Exit> {
    if json {
        let text = serde_json::to_string_pretty(report);
        println!("{}", text.map_err(|error| fail(&format!("writing JSON: {error}")))?);
    } else {
        print!("{}", report.text());
    }
    Ok(())
}

/// Each set of settings with its name.
fn variants(arguments: &ReplayArguments, line: &Line) -> Result<Vec<(String, Arc<Line>)>, Exit> {
    let (name, base) = match &arguments.alarms {
        None => ("as in the folder".to_owned(), line.clone()),
        Some(file) => match with_alarms(&arguments.folder, file) {
            Ok(other) => (file.display().to_string(), other),
            Err(Unusable::Unreadable(text)) => return Err(fail(&text)),
            Err(Unusable::Wrong(problems)) => {
                eprintln!("{}", problems.render(std::io::stderr().is_terminal() && !no_color()));
                eprintln!("alarms.toml above stands for {}; nothing was replayed", file.display());
                return Err(Exit::Configuration);
            }
        },
    };
    let Some(sweep) = &arguments.sweep else { return Ok(vec![(name, Arc::new(base))]) };
    let variant = |factor: &f64| {
        let named = format!("{name}, {} x {factor}", sweep.key());
        (named, Arc::new(sweep.apply(&base, *factor)))
    };
    Ok(sweep.factors.iter().map(variant).collect())
}

/// An alarm to tell of that neither the folder nor the other file has is a slip.
fn check_only(
    arguments: &ReplayArguments,
    line: &Line,
    variants: &[(String, Arc<Line>)],
) -> Result<(), Exit> {
    let known = |id: &&String| {
        line.alarm_by_id(id).is_some() || variants.iter().any(|(_, line)| line.alarm_by_id(id).is_some())
    };
    match arguments.only.iter().find(|id| !known(id)) {
        None => Ok(()),
        Some(id) => {
            let near = |alarm: &&setward_config::line::LineAlarm| strsim::jaro_winkler(&alarm.id, id);
            let nearest = line.alarms.iter().max_by(|a, b| near(a).total_cmp(&near(b)));
            let hint = nearest.map(|alarm| format!("; the nearest is {}", alarm.id)).unwrap_or_default();
            Err(misused(&format!("--only: this line has no alarm {id:?}{hint}")))
        }
    }
}

/// What was told then may have been told by other files, with other alarms, polls and gap limits: that is worth a word.
fn of_other_files(reader: &HistoryReader, line: &Line, span: Span) -> Result<Option<String>, HistoryError> {
    let runs = reader.runs()?;
    let ends = runs.iter().skip(1).map(|next| next.started).chain([UtcMillis(i64::MAX)]);
    let met = runs.iter().zip(ends).filter(|(run, end)| run.started < span.to() && *end > span.from());
    let fingerprints: Vec<&String> = met.map(|(run, _)| &run.fingerprint).collect();
    let others = fingerprints.iter().filter(|print| **print != &line.fingerprint).count();
    let all = fingerprints.len();
    let note = format!(
        "{others} of {all} runs in this window were made with other files than the folder holds now: alarms of then may have been \
         told otherwise, and how often signals are polled is taken from the files of now"
    );
    Ok((others > 0).then_some(note))
}

/// The window with what is fed before and after it, cut to what history holds.
fn fed_span(reader: &HistoryReader, span: Span) -> Result<Span, HistoryError> {
    let Some((first, last)) = reader.extent()? else {
        return Err(HistoryError { text: "the history is empty so far".to_owned() });
    };
    fed_for(span, (first, last)).ok_or_else(|| {
        let kept = format!("the history goes from {} to {}", rfc3339(first), rfc3339(last));
        HistoryError { text: format!("nothing is kept in this window; {kept}") }
    })
}

fn rfc3339(at: UtcMillis) -> String {
    Timestamp::from_millisecond(at.0).map_or_else(|_| at.0.to_string(), |at| at.to_string())
}

/// Progress on stderr, if that is a terminal.
struct Bar {
    clock: Clock,
    shows: bool,
    shown_at: Option<Uptime>,
}

impl Bar {
    /// Half a second between two looks at the screen.
    const EVERY_S: f64 = 0.5;

    fn new(clock: Clock) -> Self {
        Self { clock, shows: std::io::stderr().is_terminal(), shown_at: None }
    }

    fn show(&mut self, share: f64) {
        let now = self.clock.uptime();
        let is_due = self.shown_at.is_none_or(|last| now.seconds_since(last) >= Self::EVERY_S);
        if self.shows && is_due {
            self.shown_at = Some(now);
            eprint!("\r{:3.0} % replayed", share * 100.0);
        }
    }

    fn end(&self) {
        if self.shown_at.is_some() {
            eprint!("\r{:20}\r", "");
        }
    }
}
