//! A line under watch until it is stopped: runs one after the other behind one page, a new one with each reload.

use super::run::{print_summary, stop_signal, time_is_up};
use super::{Exit, Stopping, fail};
use crate::clock::{Clock, WallTime};
use crate::handle::LineHandle;
use crate::history::sqlite::ThreadedStore;
use crate::history::{HistoryError, HistoryStore, NewAudit, Settings};
use crate::line::writer::SharedStatus;
use crate::notify::Notifier;
use crate::poll::dial::TcpDial;
use crate::reload::{Anew, ReloadAnswer, ReloadRequest, Reloaded, Reloader, changes, needs_a_restart};
use crate::run::Failed;
use crate::sink::Forwarding;
use crate::watchdog::{ServiceManager, tell_of_life};
use crate::web::doors::tls::Certificate;
use crate::web::doors::{note_users, socket};
use crate::web::{AppState, Doors, Pages};
use crate::{Edges, RunSummary, Running, start};
use setward_config::Loaded;
use setward_config::line::Line;
use setward_protocol::UtcMillis;
use std::io::IsTerminal as _;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::{TcpListener, UnixListener};
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::oneshot;

/// What is added to the longest reply time before the kernel gives up on sent bytes.
pub(crate) const USER_TIMEOUT_MARGIN: Duration = Duration::from_secs(2);
/// How long the page may take to end: most of it goes on beside the end of the run.
const PAGE_ENDS_WITHIN: Duration = Duration::from_millis(300);
/// How long the history's file may take to close. What was confirmed is in it or in its journal by then.
const CLOSE_WITHIN: Duration = Duration::from_millis(600);
/// Who asks for a reload by signal.
const BY_SIGNAL: &str = "the signal SIGHUP";

/// By whom users were changed while nothing ran.
const AT_START: &str = "somebody at the files, before this start";

/// The socket of this machine's commands; without one they use the page.
fn open_socket(data_dir: &Path) -> Option<UnixListener> {
    let opened = socket::open(data_dir);
    opened
        .inspect_err(|error| {
            tracing::warn!(code = "no-socket", "no socket for commands in the data folder: {error}")
        })
        .ok()
}

/// One run, with what goes with it.
struct Present {
    line: Arc<Line>,
    running: Running,
    forwarding: Forwarding,
    notifier: Notifier,
    clock: Clock,
}

/// What all runs share.
struct Shared<'a> {
    folder: Option<&'a Path>,
    history: Arc<ThreadedStore>,
    reloader: Option<Reloader>,
    manager: Option<ServiceManager>,
    doors: Arc<Doors>,
    listens: Option<SocketAddr>,
}

/// Why a run is left.
enum Leave {
    Stop,
    Reload(ReloadRequest),
    Failed(Failed),
}

/// Watches a line with its page until a signal, the end of the time, or a failure. `folder` can be read anew. The greeting is
/// told once the first run has begun.
pub(crate) async fn watch(
    line: Line,
    folder: Option<&Path>,
    (listener, doors): (TcpListener, Arc<Doors>),
    greeting: &[String],
    stopping: &Stopping,
) -> Exit {
    let history = match ThreadedStore::open_with(&line.data_dir, Settings::of(&line.history)) {
        Ok(store) => Arc::new(store),
        Err(error) => return fail(&error.text),
    };
    let (reloader, mut wishes) = Reloader::new();
    let reloader = folder.map(|_readable| reloader);
    let local = open_socket(&line.data_dir);
    let (socket, listens) = (socket::path(&line.data_dir), listener.local_addr().ok());
    let manager = ServiceManager::from_environment();
    let shared = Shared { folder, history, reloader, manager, doors, listens };
    note_users(&*shared.history, &line.access, (AT_START, Clock::system().utc())).await;
    let mut present = match shared.begin(Arc::new(line)).await {
        Ok(present) => present,
        Err(error) => return fail(&error.text),
    };
    for text in greeting {
        stopping.tell(text);
    }
    let (close_page, page_closed) = oneshot::channel::<()>();
    let pages = Pages::new(shared.state(&present));
    let has_socket = local.is_some();
    let page = tokio::spawn(pages.serve_both(listener, local, async {
        // Dropping the sender closes the page as well.
        let _dropped = page_closed.await;
    }));
    // At a person's terminal that signal says that the terminal is gone: it ends the program, as it always did.
    let is_a_service = folder.is_some() && !std::io::stdin().is_terminal();
    let mut hangup = is_a_service.then(|| signal(SignalKind::hangup()).ok()).flatten();
    let mut stop = std::pin::pin!(stop_asked(stopping));
    let mut is_ready_told = false;
    let failure = loop {
        let life = shared.tell_of_life(present.way(), &present.line, &mut is_ready_told);
        let leave = tokio::select! {
            biased;
            () = &mut stop => Leave::Stop,
            failed = present.running.failed() => Leave::Failed(failed),
            Some(wish) = wishes.recv() => Leave::Reload(wish),
            () = hung_up(hangup.as_mut()) => Leave::Reload(by_signal()),
            () = life => continue,
        };
        match leave {
            Leave::Stop => break None,
            Leave::Failed(failed) => break Some(failed),
            Leave::Reload(wish) => match shared.reload(present, wish, &pages).await {
                Ok(next) => present = next,
                Err(error) => return fail(&format!("neither the new nor the old files can be run: {error}")),
            },
        }
    };
    shared.tell("STOPPING=1");
    drop(close_page);
    let ended = shared.end(present, failure, stopping).await;
    let _page = tokio::time::timeout(PAGE_ENDS_WITHIN, page).await;
    drop(pages);
    if has_socket {
        // One that stays is no harm: nobody answers at it, and the next start takes it away.
        let _gone = std::fs::remove_file(socket);
    }
    close(shared.history).await;
    ended
}

/// Returns at a signal to stop, or when the time is up.
async fn stop_asked(stopping: &Stopping) {
    tokio::select! {
        biased;
        () = stop_signal() => {}
        () = time_is_up(stopping.run_for) => {}
    }
}

async fn hung_up(hangup: Option<&mut Signal>) {
    let asked = match hangup {
        Some(hangup) => hangup.recv().await,
        None => None,
    };
    if asked.is_none() {
        std::future::pending::<()>().await;
    }
}

fn by_signal() -> ReloadRequest {
    // What came of it is told as an event and in the log.
    let (answer, _nobody) = oneshot::channel();
    ReloadRequest { anew: Anew::Folder, by: BY_SIGNAL.to_owned(), answer }
}

impl Present {
    fn way(&self) -> (LineHandle, SharedStatus) {
        (self.running.handle(), self.running.store_status())
    }

    /// What is answered where the run goes on; `told`: what of the door differs, for people.
    fn same_run(&self, told: Vec<String>) -> ReloadAnswer {
        let fingerprint = self.line.fingerprint.clone();
        if told.is_empty() {
            return ReloadAnswer::Unchanged { fingerprint };
        }
        ReloadAnswer::Done(Reloaded {
            run: self.running.handle().glance().run.0,
            old_configuration: fingerprint.clone(),
            new_configuration: fingerprint,
            changes: told,
        })
    }

    async fn stop(self) -> Result<RunSummary, String> {
        let (summary, (), ()) =
            tokio::join!(self.running.stop(), self.forwarding.stop(), self.notifier.stop());
        summary.map_err(|error| format!("stopping: {error}"))
    }
}

impl Shared<'_> {
    /// Begins a run over `line`.
    async fn begin(&self, line: Arc<Line>) -> Result<Present, HistoryError> {
        let clock = Clock::system();
        let slowest = line.controllers.iter().map(|own| own.answer_within).max().unwrap_or_default();
        let dial = Arc::new(TcpDial { user_timeout: slowest + USER_TIMEOUT_MARGIN });
        let edges = Edges { dial, history: self.history.clone(), clock };
        let running = start(Arc::clone(&line), edges).await?;
        let store: Arc<dyn HistoryStore> = self.history.clone();
        let forwarding = Forwarding::start(&line, &store, clock, running.supervision());
        let notifier = Notifier::start(&line, &store, &running.handle(), (clock, running.supervision()));
        Ok(Present { line, running, forwarding, notifier, clock })
    }

    fn state(&self, present: &Present) -> AppState {
        AppState {
            handle: present.running.handle(),
            line: Arc::clone(&present.line),
            history: self.history.clone(),
            clock: WallTime::Run(present.clock),
            servers: present.forwarding.statuses(),
            notify: present.notifier.outlook(),
            reloader: self.reloader.clone(),
            doors: Arc::clone(&self.doors),
        }
    }

    fn tell(&self, words: &str) {
        if let Some(manager) = &self.manager {
            manager.tell(words);
        }
    }

    async fn tell_of_life(&self, way: (LineHandle, SharedStatus), line: &Arc<Line>, was_told: &mut bool) {
        match &self.manager {
            Some(manager) => tell_of_life(manager, way, line, was_told).await,
            None => std::future::pending().await,
        }
    }

    /// Reads the folder anew. What can't be used changes nothing; what can is put in the place of the present run.
    async fn reload(
        &self,
        present: Present,
        wish: ReloadRequest,
        pages: &Pages,
    ) -> Result<Present, HistoryError> {
        let ReloadRequest { anew, by, answer } = wish;
        let (next, answered) = match anew {
            Anew::Users { file } => {
                let answered = self.take_up_users(&present, file.as_deref(), &by).await;
                (present, answered)
            }
            Anew::Folder => match self.read_anew(&present, &by).await {
                Ok((line, told)) => self.put_in_force(present, Arc::new(line), (&by, told), pages).await?,
                Err(refused) => (present, refused),
            },
        };
        let told = tell_outcome(&answered, &by);
        if let Some((what, note)) = told {
            next.running.teller().tell(what, note).await;
        }
        // Who asked may have gone.
        let _gone = answer.send(answered);
        Ok(next)
    }

    /// The line in the folder as it is now, if it can take the place of `old`.
    /// Users and certificate are taken up at once, without a new run; what differs of them is told beside it.
    async fn read_anew(&self, present: &Present, by: &str) -> Result<(Line, Vec<String>), ReloadAnswer> {
        let old = &present.line;
        let Some(folder) = self.folder else {
            return Err(ReloadAnswer::NotNow { why: "there is no line folder to read anew".to_owned() });
        };
        let Loaded { line, warnings: _ } =
            setward_config::load(folder).map_err(|problems| ReloadAnswer::refused(&problems))?;
        if let Some(why) = needs_a_restart(old, &line) {
            return Err(ReloadAnswer::NotNow { why });
        }
        let told = self.take_up_doors(&line, by, present.clock.utc()).await;
        let told = told.map_err(|why| ReloadAnswer::NotNow { why })?;
        if line.fingerprint != old.fingerprint {
            return Ok((line, told));
        }
        Err(present.same_run(told))
    }

    /// Who may come in is from now on as the file of users in force says, and nothing else of the folder is looked at. Nobody is left
    /// in because nobody could sign in any more: that only keeps the next start from showing the page to others.
    async fn take_up_users(&self, present: &Present, changed: Option<&Path>, by: &str) -> ReloadAnswer {
        let mut access = (*self.doors.access()).clone();
        let Some(users) = &mut access.users else {
            let why =
                "nobody signs in on the line as it runs; `setward reload` takes up `users` of site.toml";
            return ReloadAnswer::NotNow { why: why.to_owned() };
        };
        let place = |file: &Path| std::fs::canonicalize(file).unwrap_or_else(|_absent| file.to_path_buf());
        if changed.is_some_and(|changed| place(changed) != place(&users.file)) {
            let why = format!(
                "the users in force stand in {}; `setward reload` takes up another file of site.toml",
                users.file.display()
            );
            return ReloadAnswer::NotNow { why };
        }
        *users = match setward_config::read_users_file(&users.file) {
            Ok(read) => read,
            Err(problems) => return ReloadAnswer::refused(&problems),
        };
        let told = self.doors.take_up(&access);
        note_users(&*self.history, &access, (by, present.clock.utc())).await;
        present.same_run(told)
    }

    /// Who may come in, and by which certificate, is from now on as `line` says; what differs, for people.
    async fn take_up_doors(&self, line: &Line, by: &str, utc: UtcMillis) -> Result<Vec<String>, String> {
        let Some(listens) = self.listens.map(|listens| listens.ip()) else { return Ok(Vec::new()) };
        if let Some(why) = line.access.refuses(listens) {
            return Err(why);
        }
        let before = self.doors.fingerprint();
        self.doors.show_certificate(Certificate::of(line, listens)?);
        let mut told = self.doors.take_up(&line.access);
        let after = self.doors.fingerprint();
        if before != after {
            let now = after
                .map_or("the page is plain".to_owned(), |after| format!("the page's certificate is {after}"));
            told.push(now);
        }
        note_users(&*self.history, &line.access, (by, utc)).await;
        Ok(told)
    }

    /// Ends the present run and begins one over `line`, or, if that can't be, one as before.
    async fn put_in_force(
        &self,
        present: Present,
        line: Arc<Line>,
        (by, doors_told): (&str, Vec<String>),
        pages: &Pages,
    ) -> Result<(Present, ReloadAnswer), HistoryError> {
        let old = Arc::clone(&present.line);
        if let Err(error) = present.stop().await {
            tracing::error!(code = "reload", "ending the run before the reload: {error}");
        }
        let next = self.begin(Arc::clone(&line)).await;
        let (next, answer) = match next {
            Ok(next) => {
                let answer = self.settle(&next, &old, (by, doors_told)).await;
                (next, answer)
            }
            Err(error) => {
                let why = format!("{error}; the files from before are in force again");
                (self.begin(old).await?, ReloadAnswer::NotNow { why })
            }
        };
        pages.switch(self.state(&next));
        Ok((next, answer))
    }

    /// What follows from new files that are in force: how history is kept, and an entry of the audit trail.
    async fn settle(&self, next: &Present, old: &Line, (by, told): (&str, Vec<String>)) -> ReloadAnswer {
        let (line, clock) = (&next.line, next.clock);
        let kept = self.history.keep_as(Settings::of(&line.history)).await;
        let audit = NewAudit {
            utc: clock.utc(),
            by: by.to_owned(),
            what: "reloaded".to_owned(),
            about: "line folder".to_owned(),
            old: Some(old.fingerprint.clone()),
            new: Some(line.fingerprint.clone()),
            why: None,
        };
        let added = self.history.add_audit(audit).await;
        if let Err(error) = kept.and(added.map(|_entry| ())) {
            tracing::error!(code = "reload", "the reload is in force, but the history says: {error}");
        }
        let mut changes = changes(old, line);
        changes.extend(told);
        if old.page_address != line.page_address {
            changes.push("`page` in site.toml: the page stays where it is until the next start".to_owned());
        }
        ReloadAnswer::Done(Reloaded {
            run: next.running.handle().glance().run.0,
            old_configuration: old.fingerprint.clone(),
            new_configuration: line.fingerprint.clone(),
            changes,
        })
    }

    /// Ends the last run, as far as a failure still allows.
    async fn end(&self, present: Present, failure: Option<Failed>, stopping: &Stopping) -> Exit {
        if let Some(Failed::Ended(why)) = &failure {
            tracing::error!(code = "run-failed", "{why}");
            return fail("stopped after an internal fault; please report the message above");
        }
        match (present.stop().await, failure) {
            (_, Some(failed)) => {
                let (Failed::TooOften(why) | Failed::Ended(why)) = failed;
                fail(&format!("{why}; everything is kept, and setward stops"))
            }
            (Ok(summary), None) => print_summary(&summary, stopping),
            (Err(error), None) => fail(&error),
        }
    }
}

/// The event that tells of a reload; `None` if nothing has changed.
fn tell_outcome(answer: &ReloadAnswer, by: &str) -> Option<(&'static str, String)> {
    let told = match answer {
        ReloadAnswer::Unchanged { .. } => None,
        ReloadAnswer::Done(done) => {
            let (old, new) = (&done.old_configuration, &done.new_configuration);
            let what = done.changes.join("; ");
            Some(("reloaded", format!("by {by}: configuration {old} is now {new}; {what}")))
        }
        ReloadAnswer::Refused { text, problems } => {
            eprintln!("{text}");
            let count = match problems.len() {
                1 => "1 problem".to_owned(),
                many => format!("{many} problems"),
            };
            Some((
                "reload refused",
                format!("by {by}: {count} in the line folder; the files from before stay"),
            ))
        }
        ReloadAnswer::NotNow { why } => Some(("reload refused", format!("by {by}: {why}"))),
    };
    match &told {
        Some((what, note)) => tracing::info!(code = "reload", "{what} {note}"),
        None => tracing::info!(code = "reload", "asked by {by}: the line folder has not changed"),
    }
    told
}

/// Closes the history. A disk that does not answer must not keep the program from ending.
async fn close(history: Arc<ThreadedStore>) {
    let (closed, is_closed) = oneshot::channel();
    let closing = std::thread::Builder::new().name("history-close".to_owned()).spawn(move || {
        drop(history);
        let _gone = closed.send(());
    });
    if closing.is_ok() && tokio::time::timeout(CLOSE_WITHIN, is_closed).await.is_err() {
        tracing::error!(
            code = "history-stuck",
            "the history's disk does not answer: its journal has what was confirmed"
        );
    }
}
