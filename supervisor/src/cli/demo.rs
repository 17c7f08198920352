//! `setward demo`: the simulated line and the supervisor in one process, over real sockets on this machine; behind it, unless
//! told otherwise, a week that the same line has lived through in virtual time.

mod baggers;
mod crew;
mod plant;
pub mod play;
pub mod rounds;
pub mod week;

use super::run::{listen, page_line, print_summary, stop_signal, time_is_up};
use super::watching::{USER_TIMEOUT_MARGIN, watch};
use super::{Exit, Stopping, fail};
use crate::clock::{Clock, ShownTime, WallTime};
use crate::history::Settings;
use crate::history::sqlite::InlineStore;
use crate::notify::Outlook;
use crate::poll::dial::TcpDial;
use crate::web::{self, AppState, Doors};
use jiff::civil::Weekday;
use jiff::tz::TimeZone;
use plant::ServedPlant;
use play::{Play, Signals};
use setward_config::line::{Access, Line, Notify};
use setward_config::{Loaded, SCHEMA, demo_files};
use setward_protocol::UtcMillis;
use sim_plc::{Bound, Scenario, Simulator};
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::oneshot;
use week::DemoWeek;

/// Where the demo keeps its history, inside its folder.
const DATA_DIR: &str = ".setward";

/// Hour and minute of the Monday at which the demo's week has come to its present.
const PRESENT: (i8, i8) = (7, 30);

/// Runs the demo; its files go to `keep`, or to a folder that is removed at the end. Live, there is no week behind it.
pub(crate) async fn demo(keep: Option<&Path>, seed: u64, live: bool, stopping: &Stopping) -> Exit {
    let temporary = match tempfile::tempdir() {
        Ok(folder) => folder,
        Err(error) => return fail(&format!("no temporary folder for the demo: {error}")),
    };
    let folder = keep.unwrap_or(temporary.path());
    let mut line = match write_line_folder(folder) {
        Ok(line) => line,
        Err(message) => return fail(&message),
    };
    line.data_dir = folder.join(DATA_DIR);
    let listener = match open_page(stopping.page, line.page_address).await {
        Ok(listener) => listener,
        Err(message) => return fail(&message),
    };
    let bound = match sim_plc::bind(&mut line, true).await {
        Ok(bound) => bound,
        Err(error) => return fail(&format!("the simulator can't listen: {error}")),
    };
    // A folder kept before has a past of its own.
    if !live && !line.data_dir.exists() {
        let week = with_week(line, (bound, listener), seed, keep, stopping);
        return week.await.unwrap_or_else(|message| fail(&message));
    }
    let simulator = Simulator::new(&line, seed);
    simulator.run_scenario(Scenario::demo());
    let served = match ServedPlant::serve(bound, simulator) {
        Ok(served) => served,
        Err(message) => return fail(&message),
    };
    let greeting = greeting(&listener, keep, line.page_address, false);
    // Whatever a kept folder says: a demo calls nobody.
    let line = Line { notify: Notify::default(), access: Access::default(), ..line };
    let exit = watch(line, None, (listener, Arc::new(Doors::open())), &greeting, stopping).await;
    served.stop().await;
    exit
}

/// The demo with its week: the line on a thread of its own, the page here from the first second.
async fn with_week(
    line: Line,
    (bound, listener): (Bound, TcpListener),
    seed: u64,
    keep: Option<&Path>,
    stopping: &Stopping,
) -> Result<Exit, String> {
    let line = Arc::new(line);
    let week = DemoWeek::of(&line)?;
    let from = week_begins(&week, &line.time_zone, Clock::system().utc());
    let plant = DemoWeek::plant(&line, seed);
    let settings = Settings::of(&line.history);
    let history = InlineStore::open_without_syncs(&line.data_dir, settings).map_err(|error| error.text)?;
    let (history, shown) = (Arc::new(history), ShownTime::new(from));
    let slowest = line.controllers.iter().map(|own| own.answer_within).max().unwrap_or_default();
    let (begun, has_begun) = oneshot::channel();
    let (live, is_live) = oneshot::channel();
    let (stop, stopped) = oneshot::channel();
    let playing = Play {
        line: Arc::clone(&line),
        week,
        plant: plant.clone(),
        history: history.clone(),
        from,
        shown: shown.clone(),
        tcp: TcpDial { user_timeout: slowest + USER_TIMEOUT_MARGIN },
    };
    let signals = Signals { begun, live, stop: stopped };
    let (ended, mut has_ended) = oneshot::channel();
    let thread = std::thread::Builder::new().name("demo-week".to_owned()).spawn(move || {
        // The main thread has gone only if the process ends.
        let _gone = ended.send(play::play(playing, signals));
    });
    thread.map_err(|error| format!("no thread for the demo's week: {error}"))?;
    let Ok(handle) = has_begun.await else {
        let why = has_ended.await.map_err(|_gone| "the demo's line ended by itself".to_owned())?;
        return Err(why.err().unwrap_or_default());
    };
    for text in greeting(&listener, keep, line.page_address, true) {
        stopping.tell(&text);
    }
    let (close_page, page_closed) = oneshot::channel::<()>();
    let state = AppState {
        handle,
        line,
        history,
        clock: WallTime::Shown(shown),
        servers: Vec::new(),
        reloader: None,
        notify: Outlook::default(),
        doors: Arc::new(Doors::open()),
    };
    let page = tokio::spawn(web::serve(listener, state, async {
        let _dropped = page_closed.await;
    }));
    let serving = tokio::spawn(serve_once_live(bound, plant, is_live, stopping.json));
    let outcome = tokio::select! {
        biased;
        () = stop_signal() => None,
        () = time_is_up(stopping.run_for) => None,
        ended = &mut has_ended => Some(ended),
    };
    drop((close_page, stop));
    let ended = match outcome {
        Some(ended) => ended,
        None => has_ended.await,
    };
    serving.abort();
    // The page ends within a second of being told; its own errors were logged.
    let _page = tokio::time::timeout(Duration::from_secs(3), page).await;
    let summary = ended.map_err(|_gone| "the demo's line ended by itself".to_owned())??;
    Ok(print_summary(&summary, stopping))
}

/// Serves the registers, and moves the plant on in real time, from the moment the week is over.
async fn serve_once_live(bound: Bound, plant: Simulator, is_live: oneshot::Receiver<()>, json: bool) {
    if is_live.await.is_err() {
        return;
    }
    let text = "The week is over: from now on the line is live. A minute from now the fryer oil begins to fall; about two and \
                a half minutes later its alarm raises.";
    if json {
        eprintln!("{text}")
    } else {
        println!("{text}")
    }
    match ServedPlant::serve(bound, plant) {
        // Until this task is aborted.
        Ok(_served) => std::future::pending().await,
        Err(message) => eprintln!("setward: {message}"),
    }
}

/// When the week began that has come to its Monday morning just before `now`, in the plant's time zone.
fn week_begins(week: &DemoWeek, zone: &str, now: UtcMillis) -> UtcMillis {
    let zone = TimeZone::get(zone).unwrap_or(TimeZone::UTC);
    let now = jiff::Timestamp::from_millisecond(now.0).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    let local = now.to_zoned_datetime(zone.clone()).datetime();
    let days = i64::from(local.weekday().since(Weekday::Monday));
    let morning = |days: i64| {
        let day = local.date().checked_sub(jiff::Span::new().days(days)).ok()?;
        let (hour, minute) = PRESENT;
        zone.to_timestamp(day.at(hour, minute, 0, 0)).ok()
    };
    let present = morning(days).filter(|at| *at <= now).or_else(|| morning(days + 7)).unwrap_or(now);
    let length_ms = i64::try_from(week.length().as_millis()).unwrap_or_default();
    UtcMillis(present.as_millisecond() - length_ms)
}

/// What is in `folder` that the demo did not put there.
fn foreign_entry(folder: &Path) -> Option<String> {
    let own: Vec<_> = demo_files().iter().filter_map(|(name, _)| name.split('/').next()).collect();
    let names = std::fs::read_dir(folder).ok()?.filter_map(Result::ok);
    let mut names: Vec<_> = names.map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names.into_iter().find(|name| !own.contains(&name.as_str()) && name != "SCHEMA.md" && name != DATA_DIR)
}

/// Writes the demo's line folder and loads it as any other. Files that are there and differ are left as they are.
fn write_line_folder(folder: &Path) -> Result<Line, String> {
    if let Some(name) = foreign_entry(folder) {
        return Err(format!(
            "{} is not empty and holds {name}, which is not the demo's; nothing was written: choose a new folder",
            folder.display()
        ));
    }
    for (name, text) in demo_files().iter().copied().chain([("SCHEMA.md", SCHEMA)]) {
        let file = folder.join(name);
        match std::fs::read(&file) {
            Ok(found) if found == text.as_bytes() => continue,
            Ok(_differs) => {
                let advice =
                    "choose a new folder; to watch a line of your own use `sim-plc serve` and `setward run`";
                return Err(format!(
                    "{} is not the demo's own and is left as it is: {advice}",
                    file.display()
                ));
            }
            Err(_absent) => {}
        }
        let written =
            file.parent().map_or(Ok(()), std::fs::create_dir_all).and_then(|()| std::fs::write(&file, text));
        written.map_err(|error| format!("writing {}: {error}", file.display()))?;
    }
    match setward_config::load(folder) {
        Ok(Loaded { line, warnings: _ }) => Ok(line),
        Err(problems) => Err(format!("{}\n{} has problems", problems.render(false), folder.display())),
    }
}

/// The page's port: the one asked for, else the demo's own, else any free one.
async fn open_page(asked: Option<SocketAddr>, own: SocketAddr) -> Result<TcpListener, String> {
    if let Some(address) = asked {
        return listen(address).await;
    }
    match listen(own).await {
        Ok(listener) => Ok(listener),
        Err(_in_use) => listen(SocketAddr::new(own.ip(), 0)).await,
    }
}

/// What is said at first; `own` is the page's address in the demo's files.
fn greeting(listener: &TcpListener, keep: Option<&Path>, own: SocketAddr, has_week: bool) -> Vec<String> {
    let mut lines =
        vec!["Setward demo: a simulated line, no plant is connected.".to_owned(), page_line(listener)];
    lines.extend(keep.map(|folder| format!("Files: {}", folder.display())));
    let page = listener.local_addr().ok().filter(|page| keep.is_some() && *page != own);
    lines.extend(page.map(|page| {
        format!("Commands that ask the running demo, such as `setward alarms`, need --url http://{page}: the folder's site.toml says {own}.")
    }));
    let next = if has_week {
        "A week of the line is filling behind it, some minutes' work; the page shows it as it fills. Without it: --live."
    } else {
        "A minute from now the fryer oil begins to fall; about two and a half minutes later its alarm raises."
    };
    lines.push(next.to_owned());
    lines.push("Ctrl-C stops.".to_owned());
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_demo_writes_only_where_nothing_foreign_is() {
        let folder = tempfile::tempdir().unwrap();
        assert!(write_line_folder(folder.path()).is_ok());
        std::fs::create_dir(folder.path().join(DATA_DIR)).unwrap();
        assert!(write_line_folder(folder.path()).is_ok(), "its own folder is taken up again");

        let foreign = tempfile::tempdir().unwrap();
        std::fs::write(foreign.path().join("budget.ods"), "x").unwrap();
        let refused = write_line_folder(foreign.path()).unwrap_err();
        assert!(refused.contains("not empty and holds budget.ods"), "{refused}");
        assert_eq!(std::fs::read_dir(foreign.path()).unwrap().count(), 1, "nothing was written");
    }
}
