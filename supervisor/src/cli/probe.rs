//! `setward probe`: one register of a controller, or every signal of a line folder, on the real thing. Reads only.

use super::{Exit, check, fail, misused, positive_time};
use crate::clock::Clock;
use crate::commission::probe::asker::{LEAST_REST, Whom};
use crate::commission::probe::register::{Question, probe_register};
use crate::commission::probe::walk::{Walk, probe_line};
use crate::commission::written::{Shown, shown, with_unit};
use crate::poll::dial::TcpDial;
use setward_config::line::{Line, LineSignal};
use setward_protocol::{Table, Unit};
use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// What the command is given.
#[derive(Debug, clap::Args)]
#[command(after_help = PROBE_EXAMPLES)]
pub(crate) struct ProbeArguments {
    /// A controller, 192.168.10.21:502 (port 502 may be left out), or a line folder, whose controllers are asked for all signals
    #[arg(value_name = "ADDRESS|FOLDER")]
    target: String,
    /// Modbus unit id, 0 to 255; for an address
    #[arg(long, value_name = "N", default_value_t = 1)]
    unit: u8,
    /// Address of the register, counted from 0, decimal or 0x64; for an address
    #[arg(long, value_name = "R", value_parser = register)]
    register: Option<u16>,
    /// The number that a drawing prints for it, 40101 or 400101, instead of --register and --table
    #[arg(long, value_name = "NUMBER", conflicts_with_all = ["register", "table"])]
    number: Option<u32>,
    /// Where the register is
    #[arg(long, value_enum, default_value_t = TableName::Holding)]
    table: TableName,
    /// What the panel shows, with its decimals: 185.3 or 185,3
    #[arg(long, value_name = "VALUE", value_parser = shown, allow_hyphen_values = true)]
    display: Option<Shown>,
    /// Lowest and highest that the value can be, with its unit: --range "0 degC" "250 degC"
    #[arg(long, value_names = ["LOWEST", "HIGHEST"], num_args = 2, value_parser = with_unit, allow_hyphen_values = true)]
    range: Option<Vec<(f64, Unit)>>,
    /// How often everything is read, to see what moves
    #[arg(long, value_name = "N", default_value_t = 3, value_parser = clap::value_parser!(u32).range(1..=100))]
    repeat: u32,
    /// Time between two readings of one register
    #[arg(long, value_name = "TIME", default_value = "1 s", value_parser = positive_time)]
    every: Duration,
    /// How long a reply may take; for an address. A folder says so itself
    #[arg(long, value_name = "TIME", default_value = "1 s", value_parser = positive_time)]
    within: Duration,
    /// Rest between a reply and the next request, beyond the controller's own `pause`; 50 ms at least
    #[arg(long, value_name = "TIME", default_value = "50 ms", value_parser = positive_time)]
    rest: Duration,
    /// Ask controllers what they are (function 2B/0E), on a connection of its own, when all else is done
    #[arg(long)]
    identify: bool,
    /// What panels show, a line each: tag, semicolon or comma, value; for a folder
    #[arg(long, value_name = "FILE")]
    panel: Option<PathBuf>,
    /// Write the report of a folder to FILE, which must not exist
    #[arg(long, value_name = "FILE")]
    report: Option<PathBuf>,
    /// Print what was found as JSON
    #[arg(long)]
    json: bool,
}

const PROBE_EXAMPLES: &str = "\
Reads only: function codes 01 to 04, and 2B/0E with --identify. One controller at a time, one request at a time, never more
than 20 a second. Many controllers serve one client: stop `setward run` on the same line first.

One register: its words and its neighbours', and everything they can mean, ranked by what the panel shows. A folder: each
block as it will be polled against single reads of its signals, each value against its range and, with --panel, against
what a person reads off; what looks like wrong word order, scale or address is named.

Examples:
  setward probe 192.168.10.21 --register 100 --display 185.3 --range \"0 degC\" \"250 degC\"
  setward probe 192.168.10.21:502 --unit 3 --number 30011 --identify --json
  setward probe plant/line-2 --report probe.txt
  setward probe plant/line-2 --panel panel.csv            lines such as: TT-310;185,3

Exit codes: 0 nothing suspect, 1 something is, 2 usage, 3 the folder has problems, 4 a controller can't be reached";

/// The four tables, as on the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum TableName {
    Holding,
    Input,
    Coil,
    Discrete,
}

impl TableName {
    const fn table(self) -> Table {
        match self {
            Self::Holding => Table::Holding,
            Self::Input => Table::Input,
            Self::Coil => Table::Coil,
            Self::Discrete => Table::Discrete,
        }
    }
}

/// A 0-based address, decimal or hexadecimal.
fn register(text: &str) -> Result<u16, String> {
    let text = text.trim();
    let hex = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X"));
    let found = hex.map_or_else(|| text.parse().ok(), |digits| u16::from_str_radix(digits, 16).ok());
    found.ok_or_else(|| {
        format!("`{text}` is no address; write 0 to 65535, counted from 0, or 0x0 to 0xFFFF; what a drawing prints (40101) is --number")
    })
}

/// Table and 0-based address of a number on a drawing.
fn printed(number: u32) -> Option<(Table, u16)> {
    let of = |table, first: u32| Some((table, u16::try_from(number - first).ok()?));
    match number {
        1..=9_999 => of(Table::Coil, 1),
        10_001..=19_999 => of(Table::Discrete, 10_001),
        30_001..=39_999 => of(Table::Input, 30_001),
        40_001..=49_999 => of(Table::Holding, 40_001),
        100_001..=165_536 => of(Table::Discrete, 100_001),
        300_001..=365_536 => of(Table::Input, 300_001),
        400_001..=465_536 => of(Table::Holding, 400_001),
        _ => None,
    }
}

/// Probes.
pub(crate) async fn probe(arguments: &ProbeArguments) -> Exit {
    let folder = Path::new(&arguments.target);
    let done = if folder.is_dir() {
        probe_folder(arguments, folder).await
    } else if looks_like_path(&arguments.target) {
        // The check says what a folder needs, and that there is none.
        check::load(folder).map(|_| Exit::Ok)
    } else {
        probe_address(arguments).await
    };
    done.unwrap_or_else(|exit| exit)
}

fn looks_like_path(target: &str) -> bool {
    target.contains('/') || target.contains('\\') || Path::new(target).exists()
}

/// With the usual port where none is given.
fn endpoint(target: &str) -> String {
    let bracketed = target.ends_with(']');
    let is_bare_v6 = target.parse::<std::net::Ipv6Addr>().is_ok();
    if is_bare_v6 {
        format!("[{target}]:502")
    } else if bracketed || !target.contains(':') {
        format!("{target}:502")
    } else {
        target.to_owned()
    }
}

fn dial(within: Duration) -> TcpDial {
    TcpDial { user_timeout: within * 2 }
}

async fn probe_address(arguments: &ProbeArguments) -> Result<Exit, Exit> {
    let question = question(arguments)?;
    let found = probe_register(&dial(arguments.within), Clock::system(), &question).await;
    let found = found.map_err(|failure| {
        eprintln!("setward: {}: {failure}", question.whom.endpoint);
        Exit::Unreachable
    })?;
    if arguments.json {
        print_json(&found)?;
    } else {
        print!("{}", found.text());
    }
    Ok(Exit::Ok)
}

fn question(arguments: &ProbeArguments) -> Result<Question, Exit> {
    if arguments.panel.is_some() || arguments.report.is_some() {
        return Err(misused(&format!(
            "--panel and --report are for a line folder, and there is no folder {:?}; for one register give --display, and \
             send the output to a file",
            arguments.target
        )));
    }
    let (table, address) = match (arguments.register, arguments.number) {
        (Some(address), _) => (arguments.table.table(), address),
        (None, Some(number)) => printed(number).ok_or_else(|| {
            misused(&format!(
                "--number {number} is none that a drawing prints: 1 to 9999 are coils, 10001 to 19999 discrete inputs, 30001 \
                 to 39999 input registers, 40001 to 49999 holding registers, or the same with six digits"
            ))
        })?,
        (None, None) => {
            return Err(misused(&format!(
                "which register of {}? give --register (counted from 0) or --number (as drawings print it); for a line \
                 folder give its path",
                arguments.target
            )));
        }
    };
    Ok(Question {
        whom: Whom {
            endpoint: endpoint(&arguments.target),
            unit_id: arguments.unit,
            within: arguments.within,
            rest: arguments.rest.max(LEAST_REST),
        },
        table,
        address,
        display: arguments.display,
        range: range(arguments)?,
        repeat: arguments.repeat,
        every: arguments.every,
        identify: arguments.identify,
    })
}

fn range(arguments: &ProbeArguments) -> Result<Option<(f64, f64, Unit)>, Exit> {
    let Some([(low, low_unit), (high, high_unit)]) = arguments.range.as_deref() else { return Ok(None) };
    let low = low_unit.convert(*low, *high_unit).ok_or_else(|| {
        misused(&format!(
            "--range: {low_unit} and {high_unit} do not measure the same; write both in one unit"
        ))
    })?;
    if low < *high {
        Ok(Some((low, *high, *high_unit)))
    } else {
        Err(misused(&format!(
            "--range: {low} {high_unit} is not below {high} {high_unit}; write the lowest first"
        )))
    }
}

async fn probe_folder(arguments: &ProbeArguments, folder: &Path) -> Result<Exit, Exit> {
    let line = check::load(folder)?;
    if arguments.register.is_some()
        || arguments.number.is_some()
        || arguments.display.is_some()
        || arguments.range.is_some()
    {
        return Err(misused(&format!(
            "--register, --number, --display and --range are for an address, and {} is a line folder: its files say where \
             each signal is; give what panels show with --panel",
            folder.display()
        )));
    }
    // Before the controllers are asked: a walk takes minutes.
    let report = arguments.report.as_deref().map(new_file).transpose()?;
    let walk = Walk {
        rounds: arguments.repeat,
        rest: arguments.rest,
        identify: arguments.identify,
        panel: arguments.panel.as_deref().map(|file| panel(file, &line)).transpose()?.unwrap_or_default(),
    };
    let longest =
        line.controllers.iter().map(|controller| controller.answer_within).max().unwrap_or_default();
    let found = probe_line(&dial(longest), Clock::system(), &line, &walk).await;
    if let (Some(mut file), Some(path)) = (report, &arguments.report) {
        let written = file.write_all(found.text().as_bytes()).and_then(|()| file.sync_all());
        written.map_err(|error| fail(&format!("writing {}: {error}", path.display())))?;
        eprintln!("report written to {}", path.display());
    }
    if arguments.json {
        print_json(&found)?;
    } else {
        print!("{}", found.text());
    }
    Ok(if found.is_incomplete() {
        Exit::Unreachable
    } else if found.suspects() > 0 {
        Exit::Failure
    } else {
        Exit::Ok
    })
}

/// A file that was not there before.
pub(crate) fn new_file(path: &Path) -> Result<std::fs::File, Exit> {
    std::fs::File::create_new(path).map_err(|error| {
        if error.kind() == std::io::ErrorKind::AlreadyExists {
            misused(&format!("{} is there already and is not overwritten; give another name", path.display()))
        } else {
            fail(&format!("writing {}: {error}", path.display()))
        }
    })
}

fn print_json(found: &impl serde::Serialize) -> Result<(), Exit> {
    let text =
        serde_json::to_string_pretty(found).map_err(|error| fail(&format!("writing JSON: {error}")))?;
    println!("{text}");
    Ok(())
}

/// What panels show, by tag.
fn panel(file: &Path, line: &Line) -> Result<BTreeMap<String, Shown>, Exit> {
    let text = std::fs::read_to_string(file)
        .map_err(|error| misused(&format!("--panel {}: {error}", file.display())))?;
    panel_values(&text, line).map_err(|why| misused(&format!("--panel {}:{why}", file.display())))
}

/// The signal whose tag is most like `tag`; letters written for digits are those digits.
fn nearest<'a>(line: &'a Line, tag: &str) -> Option<&'a LineSignal> {
    let alike = |text: &str| text.to_uppercase().replace('O', "0").replace(['I', 'L'], "1");
    let wanted = alike(tag);
    let likeness = |signal: &LineSignal| strsim::jaro_winkler(&alike(&signal.tag), &wanted);
    line.signals.iter().max_by(|a, b| likeness(a).total_cmp(&likeness(b)))
}

fn panel_values(text: &str, line: &Line) -> Result<BTreeMap<String, Shown>, String> {
    let mut found = BTreeMap::new();
    for (number, row) in (1..).zip(text.trim_start_matches('\u{feff}').lines()) {
        let row = row.trim();
        if row.is_empty() || row.starts_with('#') {
            continue;
        }
        let Some((tag, value)) = row.split_once([';', ',', '\t']) else {
            return Err(format!(
                "{number}: `{row}` has no semicolon; write tag and value, such as TT-310;185.3"
            ));
        };
        let tag = tag.trim().trim_matches('"');
        if line.signal_by_tag(tag).is_none() {
            let near = nearest(line, tag);
            let near = near.map_or_else(String::new, |signal| format!("; the nearest is {}", signal.tag));
            // The first row may be a header.
            if number == 1 && shown(value.trim().trim_matches('"')).is_err() {
                continue;
            }
            return Err(format!("{number}: this line has no signal `{tag}`{near}"));
        }
        let value = shown(value.trim().trim_matches('"')).map_err(|why| format!("{number}: {why}"))?;
        found.insert(tag.to_owned(), value);
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_in_every_notation() {
        assert_eq!(register("100"), Ok(100));
        assert_eq!(register("0x64"), Ok(100));
        for wrong in ["65536", "-1", "0xFFFFF", "x", ""] {
            assert!(register(wrong).is_err_and(|told| told.contains("--number")), "{wrong}");
        }
        assert_eq!(printed(40_101), Some((Table::Holding, 100)));
        assert_eq!(printed(400_101), Some((Table::Holding, 100)));
        assert_eq!(printed(30_001), Some((Table::Input, 0)));
        assert_eq!(printed(1), Some((Table::Coil, 0)));
        assert_eq!(printed(465_536), Some((Table::Holding, 65_535)));
        assert_eq!((printed(0), printed(20_000), printed(465_537)), (None, None, None));
    }

    #[test]
    fn a_port_may_be_left_out() {
        assert_eq!(endpoint("192.168.10.21"), "192.168.10.21:502");
        assert_eq!(endpoint("192.168.10.21:1502"), "192.168.10.21:1502");
        assert_eq!(endpoint("plc-3"), "plc-3:502");
        assert_eq!(endpoint("::1"), "[::1]:502");
        assert_eq!(endpoint("[::1]:1502"), "[::1]:1502");
    }

    #[test]
    fn panel_values_come_from_either_side_of_the_ocean() {
        let line = setward_config::load_demo().unwrap().line;
        let found = panel_values("tag;value\nTT-310;185,3\n# read by Ana\nTT-313,181.0\n", &line).unwrap();
        assert_eq!((found["TT-310"].value, found["TT-313"].value), (185.3, 181.0));
        let told = |text: &str| panel_values(text, &line).unwrap_err();
        assert!(told("TT-310;1\nTT-31O;2").contains("2: this line has no signal `TT-31O`"));
        assert!(told("TT-310 185").contains("has no semicolon"));
        assert!(told("TT-310;hot").contains("`hot` is no number"));
    }
}
