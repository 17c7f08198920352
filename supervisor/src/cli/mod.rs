//! The command line: words to actions, outcomes to exit codes. Output goes to stdout, messages to stderr.

pub(crate) mod alarms;
pub(crate) mod ask;
mod backup;
pub mod check;
mod completions;
pub mod demo;
mod drawing;
mod enter;
pub(crate) mod export;
mod import;
mod loop_sheet;
mod man;
mod new_file;
pub(crate) mod picture;
pub(crate) mod plot;
mod probe;
mod prove;
mod read_plan;
mod reload;
mod replay;
mod report;
mod restore;
mod run;
mod test_message;
pub(crate) mod trend;
mod user;
mod verify;
mod watching;
pub(crate) mod window;
pub(crate) mod wish;
#[cfg(feature = "write-setpoints")]
mod write_setpoints;

use clap::{Parser, Subcommand};
use std::io::Write as _;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration;

/// How a command ends. The numbers are a promise to scripts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// Done.
    Ok = 0,
    /// Something failed while running.
    Failure = 1,
    /// The command line asks for what makes no sense, or can't be.
    Usage = 2,
    /// The files of the line folder can't be used.
    Configuration = 3,
    /// The daemon can't be reached.
    Unreachable = 4,
    /// The daemon knows who asks, and it takes another role.
    NotPermitted = 5,
    /// An alarm did not do what its settings say.
    ProofFailed = 6,
    /// An alarm is present.
    AlarmPresent = 10,
    /// Whoever read the output has gone: what a shell tells of a program that wrote where nobody reads, 128 and the signal's number.
    NobodyReads = 141,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}

/// Watches the heat and belt steps of a lime-cooked corn snack line against its recipe.
///
/// Monitoring only: not a safety function, high limit, burner management or interlock. It only reads.
#[derive(Debug, Parser)]
#[command(name = "setward", version = crate::version::version(), arg_required_else_help = true, after_help = EXAMPLES)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

const EXAMPLES: &str = "\
Examples:
  setward demo                        simulated line and page in one process
  setward import registers.csv --out plant/line-2   a line folder of a supplier's register list
  setward check plant/line-2          every problem in a line folder, with its place
  setward read-plan plant/line-2      what its controllers will be asked, before there are any
  setward probe plant/line-2 --panel panel.csv      whether real controllers mean what the files say
  setward loop-sheet plant/line-2 --out loops.html  sheets to fill in beside the line
  setward run plant/line-2            watch a line
  setward run plant/line-2 --for \"30 s\" --json
  setward alarms plant/line-2         what stands now, from the running daemon
  setward enter plant/line-2 AI-451 1.3 --by Inés
  setward trend plant/line-2 --signals TT-310
  setward export plant/line-2 --signals TT-310 --from \"24 h\" > fryer.csv
  setward report alarms plant/line-2 --from \"30 d\"
  setward replay plant/line-2 --from \"7 d\" --alarms proposal.toml
  setward backup plant/line-2 /mnt/backup/
  setward reload plant/line-2 --by Ana
  setward user plant/line-2 add Ana --role engineer

Exit codes: 0 done, 1 failure, 2 usage, 3 configuration, 4 nobody answers, 5 not permitted, 6 a proof failed,
10 an alarm is present";

#[derive(Debug, Subcommand)]
enum Command {
    /// Run a simulated line and watch it: nothing to install, nothing to connect
    Demo(DemoArguments),
    /// Watch the line described by a folder
    Run(RunArguments),
    /// Check a line folder and list every problem
    Check(CheckArguments),
    /// List the alarms that stand, from a running daemon; or acknowledge, shelve, reset one
    ///
    /// Lists what is active or waits for a person.
    ///
    /// Exit codes: 10 there is one, 0 there is none, 4 no daemon answers.
    Alarms(AlarmsArguments),
    /// Enter what a person read, weighed or checked; list what is due
    Enter(enter::EnterArguments),
    /// Draw signals over time, onto the terminal or into a file
    Trend(trend::TrendArguments),
    /// Make every alarm of a line folder raise and clear on a simulated plant
    Prove(prove::ProveArguments),
    /// Write a recipe's setpoints into controllers, as far as site.toml enables it; shows the difference first
    #[cfg(feature = "write-setpoints")]
    WriteSetpoints(write_setpoints::WriteArguments),
    /// List the exact requests of a line folder, and how long a scan takes; no controller is asked
    ReadPlan(read_plan::ReadPlanArguments),
    /// Read a controller, or all of a line's, and say what the words mean; nothing is written
    Probe(probe::ProbeArguments),
    /// Make a line folder of a supplier's register list
    Import(import::ImportArguments),
    /// Make sheets for loop checks: what to inject, what must be read, how to bring each alarm about
    LoopSheet(loop_sheet::LoopSheetArguments),
    /// Write readings out of history as CSV
    Export(export::ExportArguments),
    /// Have the running daemon read its line folder anew, once that is checked
    Reload(reload::ReloadArguments),
    /// Run alarm settings over kept history: what they would have told, sooner or later than then
    Replay(replay::ReplayArguments),
    /// Say what history tells of the alarms: calls, nuisances, and how long each could not have fired
    Report(report::ReportArguments),
    /// Copy the history to a new file, and verify the copy
    Backup(backup::BackupArguments),
    /// Put a copy back as the history of a line that has none
    Restore(restore::RestoreArguments),
    /// Look at every block of a history
    Verify(verify::VerifyArguments),
    /// Say who may do what on the page: add, role, passphrase, disable, enable, list
    User(user::UserArguments),
    /// Print what a shell needs to complete this command's words
    Completions(completions::CompletionsArguments),
    /// Write this help as manual pages
    Man(man::ManArguments),
}

#[derive(Debug, clap::Args)]
pub(crate) struct Stopping {
    /// Stop after this long and print a summary, for example "30 s" or "8 min"
    #[arg(long = "for", value_name = "TIME", value_parser = positive_time)]
    pub(crate) run_for: Option<Duration>,
    /// Print the summary as JSON
    #[arg(long)]
    pub(crate) json: bool,
    /// Where the page listens, instead of site.toml: 127.0.0.1:8470; port 0 takes any free one
    #[arg(long, value_name = "ADDRESS:PORT", value_parser = page_address)]
    pub(crate) page: Option<SocketAddr>,
}

impl Stopping {
    /// Tells a person something on the way: on stdout, unless that is kept for JSON. A disk that has no room for it must not end
    /// the watch.
    pub(crate) fn tell(&self, text: &str) {
        if self.json {
            eprintln!("{text}");
        } else if let Err(error) = writeln!(std::io::stdout(), "{text}") {
            if error.kind() == std::io::ErrorKind::BrokenPipe {
                std::process::exit(Exit::NobodyReads as i32);
            }
            tracing::warn!(code = "untold", "stdout takes nothing: {error}");
        }
    }
}

#[derive(Debug, clap::Args)]
struct RunArguments {
    /// The line folder: line.toml, alarms.toml, site.toml and recipes/*.toml
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    #[command(flatten)]
    stopping: Stopping,
}

#[derive(Debug, clap::Args)]
struct DemoArguments {
    /// Keep line folder and history in FOLDER, to look at and start from; new, empty or kept before
    #[arg(long, value_name = "FOLDER")]
    keep: Option<PathBuf>,
    /// Seed of the simulator's noise; the same seed gives the same line
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Begin now, without a week of history behind it
    #[arg(long)]
    live: bool,
    #[command(flatten)]
    stopping: Stopping,
}

#[derive(Debug, clap::Args)]
struct CheckArguments {
    /// The line folder: line.toml, alarms.toml, site.toml and recipes/*.toml
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// Print the problems as JSON
    #[arg(long)]
    json: bool,
}

#[derive(Debug, clap::Args)]
#[command(after_help = ALARMS_EXAMPLES)]
#[command(group = clap::ArgGroup::new("whom").required(true).args(["folder", "url"]))]
struct AlarmsArguments {
    /// The line folder; its site.toml says where the daemon's page is
    #[arg(value_name = "FOLDER")]
    folder: Option<PathBuf>,
    /// The daemon's page, for example http://127.0.0.1:8470, instead of a line folder
    #[arg(long, value_name = "URL", value_parser = ask::Daemon::of_url)]
    url: Option<ask::Daemon>,
    /// Print the answer as JSON
    #[arg(long)]
    json: bool,
    /// Send a message that only tries the way out: to one channel of site.toml, or to all of them
    #[arg(long, value_name = "CHANNEL", num_args = 0..=1, conflicts_with = "What")]
    test_message: Option<Option<String>>,
    #[command(flatten)]
    wish: wish::WishArguments,
}

impl AlarmsArguments {
    async fn run(self) -> Exit {
        let folder = self.folder.as_deref();
        match self.test_message {
            Some(channel) => test_message::send(folder, self.url, channel.as_deref(), self.json).await,
            None => alarms::alarms(folder, self.url, &self.wish, self.json).await,
        }
    }
}

const ALARMS_EXAMPLES: &str = "\
Without a wish it lists; with one it passes it on to the daemon. Nothing of this touches the plant.

Examples:
  setward alarms plant/line-2
  setward alarms --url http://127.0.0.1:8470 --json
  setward alarms plant/line-2 --acknowledge fryer-inlet-cold --by Ana
  setward alarms plant/line-2 --close fryer-outlet-cold --cause oil --note \"screen changed\" --by Ana
  setward alarms plant/line-2 --shelve masa-hot --for \"45 min\" --why \"stones are being dressed\"
  setward alarms plant/line-2 --out-of-service oil-level-low --why \"float on the bench\"
  setward alarms plant/line-2 --test-message technician";

/// What the panic says that comes of a `println!` which could not print.
const UNPRINTED: &str = "failed printing to stdout: ";

/// Whoever reads our output may stop early (`| head`): that is no fault of anybody, and ends the program without a word. Where
/// it finds no room, that is told, in words that a person can do something with.
fn end_where_nothing_can_be_printed() {
    let usual = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |told| {
        let text = told.payload_as_str().unwrap_or_default();
        match text.strip_prefix(UNPRINTED) {
            Some(why) => std::process::exit(unprinted(why, why.contains("Broken pipe")) as i32),
            None => usual(told),
        }
    }));
}

/// How a command ends whose output could not be written.
fn unprinted(why: &str, is_unread: bool) -> Exit {
    if is_unread { Exit::NobodyReads } else { fail(&format!("writing the output: {why}")) }
}

/// Prints the whole of what a command has to say.
pub(crate) fn print(text: &[u8]) -> Exit {
    let mut stdout = std::io::stdout();
    match stdout.write_all(text).and_then(|()| stdout.flush()) {
        Ok(()) => Exit::Ok,
        Err(error) => unprinted(&error.to_string(), error.kind() == std::io::ErrorKind::BrokenPipe),
    }
}

/// Runs the command line.
#[must_use]
pub fn main() -> ExitCode {
    end_where_nothing_can_be_printed();
    let arguments = Arguments::parse();
    // A proof brings every alarm about: what the line would say of each is in the report. A demo's week takes a minute, and a
    // log's times would not be the week's: the page tells it.
    let proves = matches!(arguments.command, Command::Prove(_));
    let has_week = matches!(&arguments.command, Command::Demo(demo) if !demo.live);
    tell_log(if proves {
        "off"
    } else if has_week {
        "error"
    } else {
        "setward=info,warn"
    });
    let exit = match arguments.command {
        Command::Completions(arguments) => completions::completions(&arguments),
        Command::Man(arguments) => man::man(&arguments),
        Command::Check(arguments) => check::check(&arguments.folder, arguments.json),
        Command::Alarms(arguments) => block_on(arguments.run()),
        Command::Run(arguments) => block_on(run::run(&arguments.folder, &arguments.stopping)),
        Command::Demo(arguments) => block_on(demo::demo(
            arguments.keep.as_deref(),
            arguments.seed,
            arguments.live,
            &arguments.stopping,
        )),
        Command::Enter(arguments) => block_on(enter::enter(&arguments)),
        Command::Trend(arguments) => block_on(trend::trend(&arguments)),
        Command::Reload(arguments) => block_on(reload::reload(&arguments)),
        Command::Replay(arguments) => block_on(replay::replay(&arguments)),
        Command::Report(arguments) => block_on(report::report(&arguments)),
        Command::Prove(arguments) => prove::prove(&arguments),
        #[cfg(feature = "write-setpoints")]
        Command::WriteSetpoints(arguments) => block_on(write_setpoints::write_setpoints(&arguments)),
        Command::Probe(arguments) => block_on(probe::probe(&arguments)),
        Command::Import(arguments) => import::import(&arguments),
        Command::LoopSheet(arguments) => loop_sheet::loop_sheet(&arguments),
        Command::ReadPlan(arguments) => read_plan::read_plan(&arguments),
        Command::Export(arguments) => block_on(export::export(&arguments)),
        Command::Backup(arguments) => backup::backup(&arguments),
        Command::Restore(arguments) => restore::restore(&arguments),
        Command::Verify(arguments) => verify::verify(&arguments),
        Command::User(arguments) => block_on(user::user(&arguments)),
    };
    exit.into()
}

/// One thread runs everything but the disk: measured cheaper than two, and no slower.
fn block_on(work: impl Future<Output = Exit>) -> Exit {
    if let Err(error) = descriptors_are_left() {
        return fail(&format!(
            "no file descriptors are left ({error}); raise the limit of open files and start it again"
        ));
    }
    match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime.block_on(work),
        Err(error) => fail(&format!("the system gives no event loop: {error}")),
    }
}

/// An event loop that finds no descriptor for its own needs panics: so as many are opened first, and closed again.
fn descriptors_are_left() -> std::io::Result<()> {
    let pairs: std::io::Result<Vec<_>> = (0..4).map(|_| std::os::unix::net::UnixStream::pair()).collect();
    pairs.map(drop)
}

/// Messages to stderr, the usual ones unless SETWARD_LOG says otherwise.
fn tell_log(usual: &str) {
    let filter = tracing_subscriber::EnvFilter::try_from_env("SETWARD_LOG")
        .unwrap_or_else(|_unset_or_bad| tracing_subscriber::EnvFilter::new(usual));
    let colour = std::io::IsTerminal::is_terminal(&std::io::stderr()) && !no_color();
    tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).with_ansi(colour).init();
}

/// Whether the NO_COLOR convention asks for plain text.
pub(crate) fn no_color() -> bool {
    std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty())
}

/// How a command ends that the daemon refused with `status`.
pub(crate) fn refused_with(status: axum::http::StatusCode) -> Exit {
    if status == axum::http::StatusCode::FORBIDDEN { Exit::NotPermitted } else { Exit::Failure }
}

/// Says what failed, and that it failed.
pub(crate) fn fail(message: &str) -> Exit {
    eprintln!("setward: {message}");
    Exit::Failure
}

/// Says what of the command line can't be done, and what can.
pub(crate) fn misused(message: &str) -> Exit {
    eprintln!("setward: {message}");
    Exit::Usage
}

/// A time longer than none.
fn positive_time(text: &str) -> Result<Duration, String> {
    let time = setward_config::parse_time(text)?;
    if time.is_zero() {
        Err(format!("`{text}` is over at once; write a time such as \"30 s\""))
    } else {
        Ok(time)
    }
}

/// An address with its port, both in numbers: a name could mean several.
fn page_address(text: &str) -> Result<SocketAddr, String> {
    let example = "write it in numbers, for example 127.0.0.1:8470 or [::1]:8470";
    text.parse().map_err(|_not_numbers| match text.rsplit_once(':') {
        Some(("localhost", port)) => format!("a name is not taken here; write 127.0.0.1:{port}"),
        Some(_) => format!("it is no address with a port; {example}"),
        None => format!("it has no port; {example}"),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory as _;

    #[test]
    fn the_command_line_is_consistent() {
        Arguments::command().debug_assert();
    }

    #[test]
    fn the_help_tells_every_exit_code() {
        let all = [
            Exit::Ok,
            Exit::Failure,
            Exit::Usage,
            Exit::Configuration,
            Exit::Unreachable,
            Exit::NotPermitted,
            Exit::ProofFailed,
            Exit::AlarmPresent,
        ];
        let told = EXAMPLES.split("Exit codes:").nth(1).unwrap().replace(',', " ");
        let numbers: Vec<u8> = told.split_whitespace().filter_map(|word| word.parse().ok()).collect();
        assert_eq!(numbers, all.map(|exit| exit as u8));
    }

    #[test]
    fn a_time_has_a_unit_and_is_longer_than_none() {
        assert_eq!(positive_time("30 s"), Ok(Duration::from_secs(30)));
        assert_eq!(positive_time("8min"), Ok(Duration::from_secs(480)));
        assert_eq!(positive_time(" 1.5 h "), Ok(Duration::from_secs(5400)));
        for wrong in ["30", "s", "30 m", "-5 s", "0 s", "1e400 s", "NaN s", "thirty s", ""] {
            assert!(positive_time(wrong).is_err_and(|text| text.contains(wrong)), "{wrong}");
        }
    }

    #[test]
    fn a_page_address_is_numbers_and_a_wrong_one_is_told_the_right_one() {
        assert_eq!(page_address("127.0.0.1:0"), Ok(SocketAddr::from(([127, 0, 0, 1], 0))));
        assert!(page_address("[::1]:8470").is_ok());
        assert_eq!(
            page_address("localhost:8470"),
            Err("a name is not taken here; write 127.0.0.1:8470".to_owned())
        );
        assert!(page_address("8470").unwrap_err().starts_with("it has no port"));
        assert!(page_address("127.0.0.1:99999").unwrap_err().contains("for example 127.0.0.1:8470"));
    }
}
