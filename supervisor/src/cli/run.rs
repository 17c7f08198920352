//! `setward run`: a line, the page, until told to stop.

use super::{Exit, Stopping, check, fail};
use crate::clock::{Clock, WallTime};
use crate::history::sqlite::ThreadedStore;
use crate::history::{HistoryStore, Settings};
use crate::notify::Notifier;
use crate::poll::dial::TcpDial;
use crate::sink::Forwarding;
use crate::web::{self, AppState};
use crate::{Edges, RunSummary, start};
use setward_config::line::Line;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::oneshot;

/// What is added to the longest reply time before the kernel gives up on sent bytes.
pub(crate) const USER_TIMEOUT_MARGIN: Duration = Duration::from_secs(2);

/// Watches the line in `folder`.
pub(crate) async fn run(folder: &Path, stopping: &Stopping) -> Exit {
    let line = match check::load(folder) {
        Ok(line) => line,
        Err(exit) => return exit,
    };
    let address = stopping.page.unwrap_or(line.page_address);
    let listener = match listen(address).await {
        Ok(listener) => listener,
        Err(message) => return fail(&message),
    };
    let count = line.signals.len();
    let greeting = vec![
        format!("Watching {}, {count} signals; nothing is written to any controller.", line.name),
        page_line(&listener),
    ];
    watch(line, listener, &greeting, stopping, stop_signal()).await
}

/// Where the page is, for a person to open.
pub(crate) fn page_line(listener: &TcpListener) -> String {
    match listener.local_addr() {
        Ok(address) => format!("Page:  http://{address}/"),
        Err(error) => format!("Page:  at an unknown address ({error})"),
    }
}

/// Opens the page's port, on this machine only.
pub(crate) async fn listen(address: SocketAddr) -> Result<TcpListener, String> {
    if !address.ip().is_loopback() {
        return Err(format!(
            "the page can't listen on {address}: this version serves this machine only; use 127.0.0.1 or [::1]"
        ));
    }
    TcpListener::bind(address).await.map_err(|error| {
        if error.kind() == std::io::ErrorKind::AddrInUse {
            let advice = "stop that one, or choose another with --page or `page` in site.toml";
            format!("the page's address {address} is in use, perhaps by another setward; {advice}")
        } else {
            format!("the page can't listen on {address}: {error}")
        }
    })
}

/// Runs a line with its page until `stop`, the time is up, or the line task fails. The greeting is told once the run
/// has begun.
pub(crate) async fn watch(
    line: Line,
    listener: TcpListener,
    greeting: &[String],
    stopping: &Stopping,
    stop: impl Future<Output = ()>,
) -> Exit {
    let line = Arc::new(line);
    let clock = Clock::system();
    let history = match ThreadedStore::open_with(&line.data_dir, Settings::of(&line.history)) {
        Ok(store) => Arc::new(store),
        Err(error) => return fail(&error.text),
    };
    let slowest =
        line.controllers.iter().map(|controller| controller.answer_within).max().unwrap_or_default();
    let dial = Arc::new(TcpDial { user_timeout: slowest + USER_TIMEOUT_MARGIN });
    let mut running = match start(Arc::clone(&line), Edges { dial, history: history.clone(), clock }).await {
        Ok(running) => running,
        Err(error) => return fail(&error.text),
    };
    for text in greeting {
        stopping.tell(text);
    }
    let store: Arc<dyn HistoryStore> = history.clone();
    let forwarding = Forwarding::start(&line, &store, clock, &running.teller());
    let notifier = Notifier::start(&line, &store, &running.handle(), (clock, &running.teller()));
    let (close_page, page_closed) = oneshot::channel::<()>();
    let clock = WallTime::Run(clock);
    let (servers, notify) = (forwarding.statuses(), notifier.outlook());
    let state = AppState { handle: running.handle(), line, history, clock, servers, notify };
    let shutdown = async {
        // Dropping the sender closes the page as well.
        let _dropped = page_closed.await;
    };
    let page = tokio::spawn(web::serve(listener, state, shutdown));
    let ended_by_itself = tokio::select! {
        biased;
        () = stop => false,
        () = time_is_up(stopping.run_for) => false,
        ended = running.line_task_ended() => {
            tracing::error!(code = "line-task-failed", "the line task ended by itself: {ended:?}");
            true
        }
    };
    drop(close_page);
    if ended_by_itself {
        return fail("stopped after an internal fault; please report the message above");
    }
    let summary = running.stop().await;
    forwarding.stop().await;
    notifier.stop().await;
    // The page ends within a second of being told; its own errors were logged.
    let _page = tokio::time::timeout(Duration::from_secs(3), page).await;
    match summary {
        Ok(summary) => print_summary(&summary, stopping),
        Err(error) => fail(&format!("stopping: {error}")),
    }
}

pub(crate) fn print_summary(summary: &RunSummary, stopping: &Stopping) -> Exit {
    if stopping.json {
        match serde_json::to_string(summary) {
            Ok(text) => println!("{text}"),
            Err(error) => return fail(&format!("writing JSON: {error}")),
        }
    } else {
        println!("{summary}");
    }
    Exit::Ok
}

pub(crate) async fn time_is_up(after: Option<Duration>) {
    match after {
        Some(after) => tokio::time::sleep(after).await,
        None => std::future::pending().await,
    }
}

/// Returns at Ctrl-C or when the service manager asks to stop.
pub(crate) async fn stop_signal() {
    let (Ok(mut interrupt), Ok(mut terminate)) =
        (signal(SignalKind::interrupt()), signal(SignalKind::terminate()))
    else {
        tracing::error!(code = "no-signals", "stop signals can't be received; end the process to stop");
        return std::future::pending().await;
    };
    tokio::select! {
        biased;
        _ = interrupt.recv() => {}
        _ = terminate.recv() => {}
    }
}
