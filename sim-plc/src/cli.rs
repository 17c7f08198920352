//! The program: arguments, messages, exit codes. Everything it does is in the library.
//!
//! Output goes to stdout, messages to stderr.

use crate::live::{FORMS, obey};
use crate::scenario::Scenario;
use crate::server::{BindError, Bound, bind, serve};
use crate::{Fault, FaultKind, Operation, Simulator};
use clap::{CommandFactory as _, Parser, Subcommand};
use setward_config::line::{ControllerId, Line, LineSignal};
use std::fmt::Display;
use std::future::Future;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;
use tracing_subscriber::EnvFilter;
use tracing_subscriber::filter::LevelFilter;

/// A simulated line for trying out and proving a line file. It serves the registers of the file on this machine only,
/// moved by a small model of cook house, oven, belts and fryer; it never talks to a plant.
#[derive(Debug, Parser)]
#[command(
    name = "sim-plc",
    version,
    after_help = "\
Examples:
  sim-plc serve demo-line
  sim-plc serve demo-line --scenario demo --seed 7
  sim-plc serve demo-line --scenario my-script.txt
  sim-plc serve demo-line --fault heat-low --fault \"sensor-break TT-313\" --for \"10 min\"
  sim-plc serve demo-line --typed
  sim-plc faults
  sim-plc scenario > my-script.txt
  sim-plc scenario my-script.txt --line demo-line

Exit codes: 0 ok, 1 failure, 2 usage, 3 the line folder has problems."
)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Serves the controllers of a line folder until it is stopped.
    Serve(Serve),
    /// Lists the faults that can be brought about, and what operators can do.
    Faults,
    /// Runs a timed script of faults and operations on a line; without one, prints the built-in script, whose form it has.
    Scenario(RunScript),
    /// Writes this help as manual pages.
    Man {
        /// Where the pages go; the folder is made if there is none.
        dir: PathBuf,
    },
}

#[derive(Debug, clap::Args)]
struct Serve {
    /// The line folder: line.toml, site.toml, ..
    dir: PathBuf,
    /// The same seed gives the same noise.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// A script of faults and operations to run: "demo" for the built-in one, "none", or a file in the form that
    /// `sim-plc scenario` prints.
    #[arg(long, value_name = "SCRIPT", default_value = "none")]
    scenario: String,
    /// Stops by itself after this time, such as "30 s" or "10 min".
    #[arg(long = "for", value_name = "TIME", value_parser = setward_config::parse_time)]
    run_for: Option<Duration>,
    /// A fault from the start on, such as "heat-low" or "sensor-break TT-310"; may be given again.
    #[arg(long = "fault", value_name = "FAULT")]
    faults: Vec<Fault>,
    /// Does what is typed while it runs, a line each: `begins FAULT`, `ends FAULT`, `operators OPERATION`, `at work`.
    #[arg(long)]
    typed: bool,
}

#[derive(Debug, clap::Args)]
struct RunScript {
    /// The script to run; left out, the built-in one is printed.
    file: Option<String>,
    /// The line folder to run it on; left out, the demo line that is built in.
    #[arg(long, value_name = "DIR", requires = "file")]
    line: Option<PathBuf>,
    /// The same seed gives the same noise.
    #[arg(long, default_value_t = 1, requires = "file")]
    seed: u64,
    /// Stops by itself after this time, such as "30 s" or "10 min".
    #[arg(long = "for", value_name = "TIME", value_parser = setward_config::parse_time, requires = "file")]
    run_for: Option<Duration>,
}

/// Why the program ends without success.
#[derive(Debug)]
struct Failure {
    code: u8,
    message: String,
}

const FAILURE: u8 = 1;
const USAGE: u8 = 2;
const CONFIGURATION: u8 = 3;

impl Failure {
    fn new(code: u8, message: impl Display) -> Self {
        Self { code, message: message.to_string() }
    }
}

/// Runs the program with the arguments of the process.
#[must_use]
pub fn run() -> ExitCode {
    let arguments = Arguments::parse();
    let done = match &arguments.command {
        Command::Serve(options) => serve_folder(options),
        Command::Faults => print(&faults_text()),
        Command::Scenario(options) => match &options.file {
            Some(file) => run_script(options, file),
            None => print(&Scenario::demo().to_string()),
        },
        Command::Man { dir } => write_manual(dir),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(Failure { code, message }) => {
            // When stderr is closed there is nobody left to tell.
            let _told = writeln!(io::stderr(), "{}", message.trim_end());
            ExitCode::from(code)
        }
    }
}

fn print(text: &str) -> Result<(), Failure> {
    let mut stdout = io::stdout();
    match stdout.write_all(text.as_bytes()).and_then(|()| stdout.flush()) {
        // A reader that has seen enough, such as `head`, is no failure.
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        done => done.map_err(|error| Failure::new(FAILURE, format_args!("can't write the output: {error}"))),
    }
}

fn write_manual(dir: &Path) -> Result<(), Failure> {
    let written =
        std::fs::create_dir_all(dir).and_then(|()| clap_mangen::generate_to(Arguments::command(), dir));
    written.map_err(|error| {
        Failure::new(FAILURE, format_args!("can't write manual pages into {}: {error}", dir.display()))
    })
}

fn faults_text() -> String {
    let faults = FaultKind::ALL.iter().map(|kind| {
        let form = format!("{} {}", kind.name(), kind.arguments());
        format!("  {form:<34} {}\n", kind.explanation())
    });
    let operations = Operation::ALL
        .iter()
        .map(|operation| format!("  {:<34} {}\n", operation.name(), operation.explanation()));
    let head = |text: &str| std::iter::once(text.to_owned());
    head("Faults, for --fault and after `begins` and `ends` in a script:\n")
        .chain(faults)
        .chain(head("\nOperations, after `operators` in a script:\n"))
        .chain(operations)
        .collect()
}

/// The script that was asked for.
fn script(name: &str, simulator: Option<&Simulator>) -> Result<Option<Scenario>, Failure> {
    match name {
        "none" => Ok(None),
        "demo" => Ok(Some(Scenario::demo())),
        file => {
            let text = std::fs::read_to_string(file).map_err(|error| {
                Failure::new(
                    USAGE,
                    format_args!("can't read the script \"{file}\": {error}; `demo` and `none` need no file"),
                )
            })?;
            let scenario = match simulator {
                Some(simulator) => simulator.read_scenario(&text),
                None => text.parse(),
            };
            scenario
                .map(Some)
                .map_err(|error| Failure::new(USAGE, format_args!("script \"{file}\", {error}")))
        }
    }
}

fn run_script(options: &RunScript, file: &str) -> Result<(), Failure> {
    let (seed, run_for) = (options.seed, options.run_for);
    let dir = options.line.clone().unwrap_or_default();
    let serve = Serve { dir, seed, scenario: file.to_owned(), run_for, faults: Vec::new(), typed: false };
    match &options.line {
        Some(_) => serve_folder(&serve),
        None => {
            let demo = setward_config::load_demo();
            serve_loaded(demo.map_err(|problems| Failure::new(FAILURE, problems))?.line, &serve)
        }
    }
}

fn serve_folder(options: &Serve) -> Result<(), Failure> {
    serve_loaded(load(&options.dir)?, options)
}

fn serve_loaded(line: Line, options: &Serve) -> Result<(), Failure> {
    let filter = EnvFilter::builder().with_default_directive(LevelFilter::WARN.into()).from_env_lossy();
    tracing_subscriber::fmt().with_env_filter(filter).with_writer(io::stderr).init();
    if !line.simulated {
        let advice = "pages fed by a simulator must say so: set `simulated = true` in site.toml, or leave this folder to the plant";
        let folder = options.dir.display();
        return Err(Failure::new(CONFIGURATION, format_args!("{folder} says `simulated = false`; {advice}")));
    }
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    runtime
        .map_err(|error| Failure::new(FAILURE, format_args!("can't start: {error}")))?
        .block_on(serve_line(line, options))
}

fn load(dir: &Path) -> Result<Line, Failure> {
    let loaded = setward_config::load(dir).map_err(|problems| Failure::new(CONFIGURATION, problems))?;
    if !loaded.warnings.is_empty() {
        // When stderr is closed there is nobody left to warn.
        let _told = writeln!(io::stderr(), "{}", loaded.warnings);
    }
    Ok(loaded.line)
}

async fn serve_line(mut line: Line, options: &Serve) -> Result<(), Failure> {
    let simulator = Simulator::new(&line, options.seed);
    for fault in &options.faults {
        simulator.inject(fault.clone()).map_err(|error| Failure::new(USAGE, error))?;
    }
    let scenario = script(&options.scenario, Some(&simulator))?;
    if let Some(scenario) = &scenario {
        simulator.check_scenario(scenario).map_err(|error| {
            Failure::new(USAGE, format_args!("the script does not fit this line: {error}"))
        })?;
    }
    // After the arguments have been found good, so that a wrong one is told even while the ports are taken.
    let bound = bind(&mut line, false).await.map_err(|error| bind_failure(&error))?;
    let stop = stop_signal().map_err(|error| Failure::new(FAILURE, error))?;
    print(&served_text(&line, &bound))?;
    if let Some(scenario) = scenario {
        simulator.run_scenario(scenario.clone());
        tokio::spawn(tell_cues(scenario));
    }
    if options.typed {
        print(&format!("typed lines are obeyed: {FORMS}\n"))?;
        obey_what_is_typed(simulator.clone());
    }
    let run_for = options.run_for;
    let shutdown = async {
        tokio::select! {
            biased;
            () = stop => {}
            () = after(run_for) => {}
        }
    };
    serve(bound, simulator, shutdown).await;
    Ok(())
}

/// Prints each cue of a script when it is due.
async fn tell_cues(scenario: Scenario) {
    loop {
        let began = tokio::time::Instant::now();
        for cue in scenario.cues() {
            tokio::time::sleep_until(began + cue.at).await;
            let once = Scenario::new(vec![cue.clone()], None);
            // When stdout is closed there is nobody left to tell.
            let _told = print(&once.to_string());
        }
        let Some(every) = scenario.repeat_every() else {
            let _told = print("the script is over; the line goes on\n");
            return;
        };
        tokio::time::sleep_until(began + every).await;
    }
}

/// On a thread of its own: waiting for a line must not keep the program from stopping.
fn obey_what_is_typed(simulator: Simulator) {
    std::thread::spawn(move || {
        for line in io::stdin().lines().map_while(Result::ok) {
            // When nobody reads the answers, what was typed is done all the same.
            let _told = match obey(&simulator, &line) {
                Ok(None) => Ok(()),
                Ok(Some(done)) => writeln!(io::stdout(), "{done}"),
                Err(why) => writeln!(io::stderr(), "{why}"),
            };
        }
    });
}

fn bind_failure(error: &BindError) -> Failure {
    let code = match error {
        BindError::BadEndpoint { .. } | BindError::NotLoopback { .. } => CONFIGURATION,
        BindError::Refused { .. } => FAILURE,
    };
    Failure::new(code, error)
}

/// One line for each controller.
fn served_text(line: &Line, bound: &Bound) -> String {
    let mut text = String::new();
    for (index, controller) in (0..=u16::MAX).zip(&line.controllers) {
        let its =
            |signal: &&LineSignal| signal.register().is_some_and(|one| one.controller == ControllerId(index));
        let signals = line.signals.iter().filter(its).count();
        let address = bound.address_of(usize::from(index));
        let address = address.map_or_else(|| controller.endpoint.clone(), |address| address.to_string());
        text += &format!("{}: {address} unit {}, {signals} signals\n", controller.name, controller.unit_id);
    }
    text
}

async fn after(run_for: Option<Duration>) {
    match run_for {
        Some(run_for) => tokio::time::sleep(run_for).await,
        None => std::future::pending().await,
    }
}

/// Resolves when a person or the system asks the program to stop.
#[cfg(unix)]
fn stop_signal() -> io::Result<impl Future<Output = ()>> {
    use tokio::signal::unix::{SignalKind, signal};
    let (mut interrupt, mut terminate) = (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?);
    Ok(async move {
        tokio::select! {
            biased;
            _ = interrupt.recv() => {}
            _ = terminate.recv() => {}
        }
    })
}

/// Resolves when a person asks the program to stop.
#[cfg(not(unix))]
fn stop_signal() -> io::Result<impl Future<Output = ()>> {
    Ok(async {
        if tokio::signal::ctrl_c().await.is_err() {
            // Without a signal to wait for, only the time limit stops the program.
            std::future::pending::<()>().await;
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_arguments_hold_together() {
        Arguments::command().debug_assert();
    }

    #[test]
    fn serving_takes_faults_a_script_and_a_time() {
        let words = "sim-plc serve here --seed 7 --scenario demo --fault heat-low";
        let more = ["--fault", "sensor-break TT-313", "--for", "30 s"];
        let arguments = Arguments::try_parse_from(words.split(' ').chain(more)).unwrap();
        let Command::Serve(serve) = arguments.command else { panic!("not serve") };
        assert!(!serve.typed);
        assert_eq!((serve.seed, serve.scenario.as_str()), (7, "demo"));
        assert_eq!(serve.run_for, Some(Duration::from_secs(30)));
        assert_eq!(serve.faults[1].to_string(), "sensor-break TT-313");
    }

    #[test]
    fn a_script_is_played_on_a_line_and_printed_without_one() {
        let parse = |words: &str| Arguments::try_parse_from(words.split(' '));
        let Command::Scenario(none) = parse("sim-plc scenario").unwrap().command else {
            panic!("not scenario")
        };
        assert!(none.file.is_none());
        let played = parse("sim-plc scenario my.txt --line here --seed 7").unwrap().command;
        let Command::Scenario(played) = played else { panic!("not scenario") };
        assert_eq!((played.file.as_deref(), played.seed), (Some("my.txt"), 7));
        assert_eq!(played.line, Some(PathBuf::from("here")));
        assert!(parse("sim-plc scenario --seed 7").is_err(), "a seed of nothing");
    }

    #[test]
    fn a_wrong_fault_is_refused_with_the_nearest() {
        let error =
            Arguments::try_parse_from(["sim-plc", "serve", "here", "--fault", "heat-lo"]).unwrap_err();
        assert_eq!(error.exit_code(), i32::from(USAGE));
        assert!(error.to_string().contains("nearest is \"heat-low\""), "{error}");
    }

    #[test]
    fn every_fault_is_listed_with_its_form() {
        let text = faults_text();
        assert_eq!(text.lines().count(), FaultKind::ALL.len() + Operation::ALL.len() + 3);
        assert!(text.contains("sensor-break TAG "), "{text}");
    }

    #[test]
    fn the_script_is_printed_in_its_order() {
        let text = Scenario::demo().to_string();
        assert!(
            text.starts_with("  1 min 00 s  begins heat-low 6\n  3 min 55 s  ends   heat-low 6\n"),
            "{text}"
        );
        assert!(text.ends_with("again after 15 min 00 s\n"), "{text}");
    }

    #[test]
    fn a_script_that_is_not_there_is_told_by_its_name() {
        assert!(script("none", None).unwrap().is_none());
        let message = script("no-such-script.txt", None).unwrap_err().message;
        assert!(message.starts_with("can't read the script \"no-such-script.txt\""), "{message}");
    }
}
