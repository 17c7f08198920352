//! `setward trend`: signals over time, drawn on the terminal or into a file, from history.

use super::new_file::{NewFile, is_there, taken};
use super::plot::{Curve, LEFT, LEGEND};
use super::window::{Asked, WindowArguments};
use super::{Exit, fail, misused, print};
use super::{drawing, picture};
use crate::history::{HistoryStore as _, Window};
use serde_json::json;
use std::fmt::Write as _;
use std::io::{IsTerminal as _, Write as _};
use std::path::{Path, PathBuf};

/// Width of the drawing where there is no terminal to ask.
const USUAL_WIDTH: usize = 80;

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = TREND_EXAMPLES)]
pub(crate) struct TrendArguments {
    /// The line folder; its site.toml says where the history is
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    #[command(flatten)]
    window: WindowArguments,
    /// Draw into a new file instead of onto the terminal: FILE.png or FILE.svg
    #[arg(long, value_name = "FILE", value_parser = drawable)]
    out: Option<PathBuf>,
    /// The same, an SVG whatever the file is called
    #[arg(long, value_name = "FILE", conflicts_with = "out")]
    svg: Option<PathBuf>,
    /// Print the drawn columns as CSV instead
    #[arg(long, conflicts_with = "json")]
    csv: bool,
    /// Print the drawn columns as JSON instead
    #[arg(long)]
    json: bool,
    /// How many columns, 10 to 4000; as many as fit the terminal if it is not given
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u16).range(10..=4000))]
    columns: Option<u16>,
}

impl TrendArguments {
    /// The file to draw into, if it is one.
    fn file(&self) -> Option<&Path> {
        self.out.as_deref().or(self.svg.as_deref())
    }

    /// Whether that is a PNG.
    fn is_png(&self) -> bool {
        self.out.as_deref().is_some_and(|file| has_ending(file, "png"))
    }
}

fn has_ending(file: &Path, ending: &str) -> bool {
    file.extension().is_some_and(|found| found.eq_ignore_ascii_case(ending))
}

/// A file whose name says what is drawn.
fn drawable(text: &str) -> Result<PathBuf, String> {
    let file = PathBuf::from(text);
    if has_ending(&file, "png") || has_ending(&file, "svg") {
        Ok(file)
    } else {
        Err("its name says neither .png nor .svg; write for example week.png".to_owned())
    }
}

const TREND_EXAMPLES: &str = "\
Examples:
  setward trend plant/line-2 --signals TT-310
  setward trend plant/line-2 --signals TT-310,SI-320 --from \"2026-11-16 06:00\" --to \"2026-11-23 06:00\" --out week.png
  setward trend plant/line-2 --signals TT-310 --from \"7 d\" --columns 168 --csv";

/// Draws.
pub(crate) async fn trend(arguments: &TrendArguments) -> Exit {
    if let Some(file) = arguments.file().filter(|file| is_there(file)) {
        return fail(&taken(file));
    }
    let asked = match Asked::open(&arguments.folder, &arguments.window) {
        Ok(asked) => asked,
        Err(exit) => return exit,
    };
    let columns = arguments.columns.map_or_else(|| usual_columns(arguments), usize::from);
    let curves = match curves(&asked, columns).await {
        Ok(curves) => curves,
        Err(exit) => return exit,
    };
    if arguments.csv {
        return print(csv(&curves).as_bytes());
    }
    if arguments.json {
        return print(format!("{:#}\n", json(&asked, &curves)).as_bytes());
    }
    match arguments.file() {
        Some(file) => save(file, arguments.is_png(), &asked, &curves),
        None => {
            let mut text = vec![format!("{}\n", title(&asked))];
            text.extend(curves.iter().map(|curve| curve.text(&asked.zone)));
            text.push(format!("{LEGEND}\n"));
            print(text.join("\n").as_bytes())
        }
    }
}

fn usual_columns(arguments: &TrendArguments) -> usize {
    if arguments.is_png() {
        return picture::COLUMNS;
    }
    if arguments.file().is_some() {
        return drawing::COLUMNS;
    }
    let stdout = std::io::stdout();
    let size = stdout.is_terminal().then(|| rustix::termios::tcgetwinsize(&stdout).ok()).flatten();
    let width = size.map_or(USUAL_WIDTH, |size| usize::from(size.ws_col).clamp(40, 240));
    width - LEFT
}

async fn curves(asked: &Asked, columns: usize) -> Result<Vec<Curve>, Exit> {
    let window =
        Window::new(asked.tags.clone(), asked.span, columns).map_err(|error| misused(&error.text))?;
    let envelopes = asked.reader.envelopes(window).await.map_err(|error| fail(&error.text))?;
    let mut curves = Vec::with_capacity(envelopes.len());
    for envelope in envelopes {
        if envelope.unreadable > 0 {
            let (tag, count) = (&envelope.tag, envelope.unreadable);
            eprintln!("setward: {tag}: {count} damaged blocks are left out; see `setward verify`");
        }
        let signal = asked.line.signals.iter().find(|signal| signal.tag == envelope.tag);
        let mut bands = asked.reader.bands(&envelope.tag).map_err(|error| fail(&error.text))?;
        bands.sort_by_key(|band| band.utc);
        curves.push(Curve {
            name: signal.map_or_else(String::new, |signal| signal.name.clone()),
            unit: signal.map_or_else(String::new, |signal| signal.unit.symbol().to_owned()),
            tag: envelope.tag,
            from: asked.span.from(),
            to: asked.span.to(),
            columns: envelope.columns,
            bands,
            axis: None,
        });
    }
    Ok(curves)
}

fn save(file: &Path, is_png: bool, asked: &Asked, curves: &[Curve]) -> Exit {
    let bytes = if is_png {
        picture::png(&title(asked), curves, &asked.zone)
    } else {
        Ok(drawing::svg(&title(asked), curves, &asked.zone).into_bytes())
    };
    let bytes = match bytes {
        Ok(bytes) => bytes,
        Err(error) => return fail(&format!("drawing: {error}")),
    };
    match write(file, &bytes) {
        Ok(()) => {
            println!("{} signals in {}", curves.len(), file.display());
            Exit::Ok
        }
        Err(error) => fail(&error),
    }
}

fn write(file: &Path, bytes: &[u8]) -> Result<(), String> {
    let (mut made, begun) = NewFile::begin(file)?;
    made.write_all(bytes).map_err(|error| format!("writing {}: {error}", file.display()))?;
    begun.finish()
}

/// The line's name, and whether all this is a simulator.
fn title(asked: &Asked) -> String {
    let simulated = if asked.line.simulated { " (simulated)" } else { "" };
    format!("{}{simulated}", asked.line.name)
}

fn rfc3339(utc_ms: i64) -> String {
    jiff::Timestamp::from_millisecond(utc_ms).map_or_else(|_| utc_ms.to_string(), |at| at.to_string())
}

/// A number as far as it means something.
fn number(value: Option<f64>) -> String {
    value
        .map_or_else(String::new, |value| format!("{value:.11e}").parse::<f64>().unwrap_or(value).to_string())
}

/// A row a column and signal. Tags and units come from the line file and hold no comma; a name is not among the fields.
pub(crate) fn csv(curves: &[Curve]) -> String {
    let mut text =
        "utc,tag,unit,lowest,highest,mean,readings,without_value,known_s,in_tolerance_s,setpoint,tolerance_low,tolerance_high\r\n"
            .to_owned();
    for curve in curves {
        for (index, column) in curve.columns.iter().enumerate() {
            let has_values = column.samples > 0;
            let asked = curve.asked(index);
            let (low, high) = asked.tolerance.unzip();
            let fields = [
                rfc3339(curve.start(index).0),
                curve.tag.clone(),
                curve.unit.clone(),
                number(has_values.then_some(column.min)),
                number(has_values.then_some(column.max)),
                number(column.mean()),
                column.samples.to_string(),
                column.others.to_string(),
                number(Some(column.good_s)),
                number(column.in_band_s),
                number(asked.setpoint),
                number(low),
                number(high),
            ];
            // Writing to a String can't fail.
            let _ = write!(text, "{}\r\n", fields.join(","));
        }
    }
    text
}

fn json(asked: &Asked, curves: &[Curve]) -> serde_json::Value {
    let column = |curve: &Curve, index: usize| {
        let column = curve.columns.get(index)?;
        let has_values = column.samples > 0;
        let then = curve.asked(index);
        Some(json!({
            "at": rfc3339(curve.start(index).0),
            "lowest": has_values.then_some(column.min),
            "highest": has_values.then_some(column.max),
            "mean": column.mean(),
            "readings": column.samples,
            "without_value": column.others,
            "known_s": column.good_s,
            "in_tolerance_s": column.in_band_s,
            "setpoint": then.setpoint,
            "tolerance": then.tolerance.map(|(low, high)| [low, high]),
        }))
    };
    let signal = |curve: &Curve| {
        json!({
            "tag": curve.tag,
            "name": curve.name,
            "unit": curve.unit,
            "within_tolerance_with_stops_share": curve.share_in_band(),
            "columns": (0..curve.columns.len()).filter_map(|index| column(curve, index)).collect::<Vec<_>>(),
        })
    };
    json!({
        "schema_version": 1,
        "line": asked.line.name,
        "simulated": asked.line.simulated,
        "from": rfc3339(asked.span.from().0),
        "to": rfc3339(asked.span.to().0),
        "signals": curves.iter().map(signal).collect::<Vec<_>>(),
    })
}
