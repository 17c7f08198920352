//! `setward run`: a line, the page, until told to stop.

use super::watching::watch;
use super::{Exit, Stopping, check, fail};
use crate::RunSummary;
use crate::web::Doors;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::signal::unix::{SignalKind, signal};

/// Watches the line in `folder`.
pub(crate) async fn run(folder: &Path, stopping: &Stopping) -> Exit {
    let line = match check::load_with_users(folder) {
        Ok(line) => line,
        Err(exit) => return exit,
    };
    let address = stopping.page.unwrap_or(line.page_address);
    if let Some(why) = line.access.refuses(address.ip()) {
        eprintln!("setward: {why}. Or listen on this machine only, such as 127.0.0.1:{}", address.port());
        return Exit::Configuration;
    }
    let doors = match Doors::of(&line, address.ip()) {
        Ok(doors) => Arc::new(doors),
        Err(why) => {
            eprintln!("setward: the page's certificate can't be used: {why}");
            return Exit::Configuration;
        }
    };
    let listener = match bind(address).await {
        Ok(listener) => listener,
        Err(message) => return fail(&message),
    };
    let count = line.signals.len();
    let mut greeting =
        vec![format!("Watching {}, {count} signals; nothing is written to any controller.", line.name)];
    match listener.local_addr() {
        Ok(page) => greeting.extend(doors.greeting(page)),
        Err(error) => return fail(&format!("the page's address is unknown: {error}")),
    }
    watch(line, Some(folder), (listener, doors), &greeting, stopping).await
}

/// Where the page is, for a person to open.
pub(crate) fn page_line(listener: &TcpListener) -> String {
    match listener.local_addr() {
        Ok(address) => format!("Page:  http://{address}/"),
        Err(error) => format!("Page:  at an unknown address ({error})"),
    }
}

/// Opens the page's port, on this machine only: where nobody signs in.
pub(crate) async fn listen(address: SocketAddr) -> Result<TcpListener, String> {
    if !address.ip().is_loopback() {
        return Err(format!(
            "the page can't listen on {address}: a demo serves this machine only; use 127.0.0.1 or [::1]"
        ));
    }
    bind(address).await
}

async fn bind(address: SocketAddr) -> Result<TcpListener, String> {
    TcpListener::bind(address).await.map_err(|error| {
        if error.kind() == std::io::ErrorKind::AddrInUse {
            let advice = "stop that one, or choose another with --page or `page` in site.toml";
            format!("the page's address {address} is in use, perhaps by another setward; {advice}")
        } else {
            format!("the page can't listen on {address}: {error}")
        }
    })
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
