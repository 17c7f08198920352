//! `setward demo`: the simulated line and the supervisor in one process, over real sockets on this machine.

use super::run::{listen, page_line, stop_signal, watch};
use super::{Exit, Stopping, fail};
use setward_config::line::Line;
use setward_config::{Loaded, SCHEMA, demo_files};
use sim_plc::{Scenario, Simulator};
use std::net::SocketAddr;
use std::path::Path;
use tokio::net::TcpListener;
use tokio::sync::oneshot;

/// Where the demo keeps its history, inside its folder.
const DATA_DIR: &str = ".setward";

/// Runs the demo; its files go to `keep`, or to a folder that is removed at the end.
pub(crate) async fn demo(keep: Option<&Path>, seed: u64, stopping: &Stopping) -> Exit {
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
    let simulator = Simulator::new(&line, seed);
    simulator.run_scenario(Scenario::demo());
    let (stop_simulator, simulator_stopped) = oneshot::channel::<()>();
    let serving = tokio::spawn(sim_plc::serve(bound, simulator, async {
        // Dropping the sender stops the simulator as well.
        let _dropped = simulator_stopped.await;
    }));
    let greeting = greeting(&listener, keep);
    let exit = watch(line, listener, &greeting, stopping, stop_signal()).await;
    drop(stop_simulator);
    // Its last connections end by themselves; what it would say no longer matters.
    let _served = tokio::time::timeout(std::time::Duration::from_secs(2), serving).await;
    exit
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

fn greeting(listener: &TcpListener, keep: Option<&Path>) -> Vec<String> {
    let mut lines =
        vec!["Setward demo: a simulated line, no plant is connected.".to_owned(), page_line(listener)];
    lines.extend(keep.map(|folder| format!("Files: {}", folder.display())));
    lines.push("A minute from now the fryer oil begins to fall; about two and a half minutes later its alarm raises.".to_owned());
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
