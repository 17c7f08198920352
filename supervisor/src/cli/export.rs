//! `setward export`: readings out of history as CSV, for a spreadsheet or a quality system.

use super::new_file::{NewFile, is_there, taken};
use super::window::{Asked, WindowArguments};
use super::{Exit, fail, misused};
use crate::clock::Clock;
use crate::history::HistoryReader;
use crate::history::belongs::{Belonging, LineOfRun};
use crate::history::export::Csv;
use crate::snapshot::RunId;
use setward_config::SourceFile;
use setward_protocol::{Uptime, UtcMillis};
use std::collections::BTreeMap;
use std::io::{self, BufWriter, ErrorKind, IsTerminal as _, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Progress is shown only of an export that takes longer than this.
const WORTH_SHOWING: Duration = Duration::from_secs(1);

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = EXPORT_EXAMPLES)]
pub(crate) struct ExportArguments {
    /// The line folder; its site.toml says where the history is
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    #[command(flatten)]
    window: WindowArguments,
    /// Write to a new file instead of stdout
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// What is written: csv, or parquet (into a file, by a build with that feature)
    #[arg(long, value_name = "FORMAT", value_enum, default_value_t = Format::Csv)]
    format: Format,
    /// A comma in numbers and a semicolon between fields, as a spreadsheet of many languages expects
    #[arg(long)]
    decimal_comma: bool,
    /// Print what was exported as JSON: to stdout with --out, else to stderr
    #[arg(long)]
    json: bool,
}

/// The formats of an export.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Format {
    Csv,
    Parquet,
}

const EXPORT_EXAMPLES: &str = "\
Columns: utc, local_time, tag, value, unit, quality, setpoint, tolerance_low, tolerance_high, run, recipe, batch.
recipe: what the station of the signal ran then, by the recipe numbers of the controllers. batch: the batch in a kettle,
the batches in a soak tank, behind the tanks those that are fed to the line at that moment (what is in the fryer left the tank
some minutes before), by the records of batches; two are joined by +. Where there is no record it is the controller's number of
the batch, or the tank; where nothing says it, it is empty.
A reading without a value is a row too, with its reason. Works while the line is watched and when it is not.

Examples:
  setward export plant/line-2 --signals TT-310,TT-313 --from \"24 h\" > fryer.csv
  setward export plant/line-2 --signals TT-310 --from \"2026-11-16 06:00\" --to \"2026-11-23 06:00\" --out week.csv
  setward export plant/line-2 --signals TT-310 --from \"7 d\" --decimal-comma --out week.csv
  setward export plant/line-2 --signals TT-310 --from \"7 d\" --format parquet --out week.parquet";

/// What was exported.
#[derive(serde::Serialize)]
struct Summary {
    schema_version: u32,
    readings: u64,
    signals: Vec<SignalSummary>,
    from_utc: String,
    to_utc: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    file: Option<String>,
}

#[derive(serde::Serialize)]
struct SignalSummary {
    tag: String,
    readings: u64,
}

/// Exports.
pub(crate) async fn export(arguments: &ExportArguments) -> Exit {
    if let Some(out) = arguments.out.as_ref().filter(|out| is_there(out)) {
        return fail(&taken(out));
    }
    if let Err(exit) = check_format(arguments) {
        return exit;
    }
    let asked = match Asked::open(&arguments.folder, &arguments.window) {
        Ok(asked) => asked,
        Err(exit) => return exit,
    };
    let mut sink = match Sink::open(arguments.out.as_deref()) {
        Ok(sink) => sink,
        Err(error) => return fail(&error),
    };
    let counts = match write(&asked, arguments, &mut sink).await {
        Ok(counts) => counts,
        // Whoever read it, `head` or a pager, has had enough.
        Err(_) if sink.is_closed => return Exit::NobodyReads,
        Err(text) => return fail(&text),
    };
    if let Err(error) = sink.finish() {
        return fail(&error);
    }
    tell(arguments, &asked, &counts)
}

/// A Parquet file is no text for a terminal or a pipe, and not every build can write one.
fn check_format(arguments: &ExportArguments) -> Result<(), Exit> {
    match arguments.format {
        Format::Csv => Ok(()),
        Format::Parquet if cfg!(not(feature = "parquet")) => Err(misused(
            "this build of setward can't write Parquet: build one with `cargo build --release -p setward --features parquet`, or \
             leave --format out for CSV",
        )),
        Format::Parquet if arguments.out.is_none() => {
            Err(misused("--format parquet needs a file: give --out, for example --out week.parquet"))
        }
        Format::Parquet if arguments.decimal_comma => {
            Err(misused("--decimal-comma is for text; Parquet holds numbers as numbers: leave it out"))
        }
        Format::Parquet => Ok(()),
    }
}

async fn write(asked: &Asked, arguments: &ExportArguments, sink: &mut Sink) -> Result<Vec<u64>, String> {
    let belonging = Belonging::new(lines_of_runs(&asked.reader));
    let then = belonging.then(&asked.reader, asked.kept_span()).await.map_err(|error| error.text)?;
    let recipe = |tag: &str, run: i64, utc: UtcMillis| then.recipe(tag, RunId(run), utc).to_owned();
    let batch = |tag: &str, run: i64, utc: UtcMillis| then.batch(tag, RunId(run), utc);
    let mut progress = Progress::new();
    let span = asked.kept_span();
    let mut shown = |share| progress.show(share);
    let written = match arguments.format {
        #[cfg(feature = "parquet")]
        Format::Parquet => {
            let parquet = crate::history::parquet::Parquet { recipe: &recipe, batch: &batch };
            parquet.write(&asked.reader, &asked.tags, span, sink, &mut shown).await
        }
        #[cfg(not(feature = "parquet"))]
        Format::Parquet => return Err("this build writes no Parquet".to_owned()),
        Format::Csv => {
            let zone = asked.zone.clone();
            let csv = Csv { zone, decimal_comma: arguments.decimal_comma, recipe: &recipe, batch: &batch };
            csv.write(&asked.reader, &asked.tags, span, sink, &mut shown).await
        }
    };
    progress.end();
    let counts = written.map_err(|error| error.text)?;
    sink.flush().map_err(|error| format!("writing the export: {error}"))?;
    Ok(counts)
}

fn tell(arguments: &ExportArguments, asked: &Asked, counts: &[u64]) -> Exit {
    let none: Vec<&str> = asked
        .tags
        .iter()
        .zip(counts)
        .filter(|(_, count)| **count == 0)
        .map(|(tag, _)| tag.as_str())
        .collect();
    if !none.is_empty() {
        eprintln!("setward: no readings of {} in this time", none.join(", "));
    }
    let readings = counts.iter().sum();
    let signals = asked.tags.iter().zip(counts);
    let summary = Summary {
        schema_version: 1,
        readings,
        signals: signals
            .map(|(tag, readings)| SignalSummary { tag: tag.clone(), readings: *readings })
            .collect(),
        from_utc: rfc3339(asked.span.from().0),
        to_utc: rfc3339(asked.span.to().0),
        file: arguments.out.as_ref().map(|file| file.display().to_string()),
    };
    if arguments.json {
        match serde_json::to_string(&summary) {
            Ok(text) if arguments.out.is_some() => println!("{text}"),
            Ok(text) => eprintln!("{text}"),
            Err(error) => return fail(&format!("writing JSON: {error}")),
        }
    } else if let Some(file) = &summary.file {
        println!("{readings} readings of {} signals in {file}", asked.tags.len());
    }
    Exit::Ok
}

fn rfc3339(utc_ms: i64) -> String {
    jiff::Timestamp::from_millisecond(utc_ms).map_or_else(|_| utc_ms.to_string(), |at| at.to_string())
}

/// Where the text goes. A file has its name only once it is whole; nothing half-written is left behind.
struct Sink {
    out: BufWriter<Box<dyn Write + Send>>,
    file: Option<NewFile>,
    is_closed: bool,
}

impl Sink {
    fn open(file: Option<&Path>) -> Result<Self, String> {
        let Some(file) = file else {
            return Ok(Self { out: BufWriter::new(Box::new(io::stdout())), file: None, is_closed: false });
        };
        let (made, file) = NewFile::begin(file)?;
        let out = BufWriter::with_capacity(1 << 16, Box::new(made) as Box<dyn Write + Send>);
        Ok(Self { out, file: Some(file), is_closed: false })
    }

    fn finish(mut self) -> Result<(), String> {
        self.out.flush().map_err(|error| format!("writing the export: {error}"))?;
        self.file.map_or(Ok(()), NewFile::finish)
    }
}

impl Write for Sink {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.out.write(bytes);
        self.is_closed |= written.as_ref().is_err_and(|error| error.kind() == ErrorKind::BrokenPipe);
        written
    }

    fn flush(&mut self) -> io::Result<()> {
        let flushed = self.out.flush();
        self.is_closed |= flushed.as_ref().is_err_and(|error| error.kind() == ErrorKind::BrokenPipe);
        flushed
    }
}

/// Shown on a terminal only, and only when it takes long.
struct Progress {
    clock: Clock,
    shown_at: Option<Uptime>,
    is_terminal: bool,
}

impl Progress {
    fn new() -> Self {
        Self { clock: Clock::system(), shown_at: None, is_terminal: io::stderr().is_terminal() }
    }

    fn show(&mut self, share: f64) {
        let now = self.clock.uptime();
        let since = now.since(self.shown_at.unwrap_or(Uptime::START));
        if self.is_terminal && since >= WORTH_SHOWING {
            self.shown_at = Some(now);
            eprint!("\rexporting {:3.0} %", share * 100.0);
        }
    }

    fn end(&self) {
        if self.shown_at.is_some() {
            eprint!("\r{:20}\r", "");
        }
    }
}

/// The line of each run whose files were kept and can still be read.
fn lines_of_runs(reader: &HistoryReader) -> BTreeMap<RunId, LineOfRun> {
    let runs = reader.runs().unwrap_or_default().into_iter();
    runs.filter_map(|known| Some((known.run, line_of(reader, &known.fingerprint)?))).collect()
}

/// A recipe is called by its name and the beginning of its file's SHA-256: `blue-corn-rounds 3f2a91c0`.
pub(crate) fn line_of(reader: &HistoryReader, fingerprint: &str) -> Option<LineOfRun> {
    let kept = reader.folder(fingerprint).ok()?;
    let mut files = Vec::with_capacity(kept.len());
    for (path, _, content) in &kept {
        files.push(SourceFile { path: path.clone(), text: String::from_utf8(content.clone()).ok()? });
    }
    let line = setward_config::check_files(&files).ok()?.line;
    let named = |key: &String| {
        let path = format!("recipes/{key}.toml");
        let sha256 = kept.iter().find(|(kept, ..)| *kept == path).and_then(|(_, sha256, _)| sha256.get(..8));
        format!("{key} {}", sha256.unwrap_or_default())
    };
    let recipes = line.recipes.iter().map(|recipe| named(&recipe.key)).collect();
    Some(LineOfRun { line, recipes })
}
