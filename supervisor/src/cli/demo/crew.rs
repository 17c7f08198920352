//! What the demo's crew says for the record in its week: what an alarm's call was, why a station stood, what is held, and what
//! becomes of it. Through the same functions as the page.

use super::week::DemoWeek;
use crate::handle::LineHandle;
use crate::history::{HistoryStore, Span};
use crate::report::closures::close;
use crate::report::holds::{Held, HoldRow, decide, holds, put_on_hold};
use crate::report::lots::Touched;
use crate::report::stops::{give_reason, modes, reasons, stops};
use setward_config::line::Line;
use setward_protocol::UtcMillis;

/// A stop is looked for so far back, ms.
const STOPS_WITHIN_MS: i64 = 8 * 3_600_000;
const EVENTS_MAX: usize = 20_000;

/// What somebody says for the record.
#[derive(Debug, Clone, PartialEq)]
pub enum Saying {
    /// What the last call of an alarm was: alarm, cause, note.
    Closes(String, String, String),
    /// Why a station stood last: station, reason, note.
    Stood(String, String, String),
    /// Product packed between two moments (after the week's first) is held for the last call of an alarm: kg, why.
    Holds(String, [i64; 2], f64, String),
    /// What becomes of the oldest hold that is open: what, why.
    Decides(String, String),
}

/// Who says it, when, to whose history.
pub(super) struct Desk<'a> {
    pub(super) line: &'a Line,
    pub(super) handle: &'a LineHandle,
    pub(super) store: &'a dyn HistoryStore,
    pub(super) by: &'a str,
    pub(super) now: UtcMillis,
    /// The first moment of the week.
    pub(super) begin: UtcMillis,
}

impl Saying {
    /// Reads a line of the script.
    ///
    /// # Errors
    /// What it says that is nothing, in words.
    pub(super) fn read(words: &[&str]) -> Result<Self, String> {
        let wrong = || format!("\"{}\" is nothing that is said", words.join(" "));
        match words {
            ["closes", alarm, cause, note @ ..] => {
                Ok(Self::Closes((*alarm).to_owned(), (*cause).to_owned(), note.join(" ")))
            }
            ["stood", station, reason, note @ ..] => {
                Ok(Self::Stood((*station).to_owned(), (*reason).to_owned(), note.join(" ")))
            }
            ["holds", alarm, day, from, to_day, to, kg, why @ ..] => {
                let at = |day: &str, time: &str| {
                    let moment = DemoWeek::moment(day, &format!("{time}:00")).ok_or_else(wrong)?;
                    i64::try_from(moment.as_millis()).map_err(|_large| wrong())
                };
                let span = [at(day, from)?, at(to_day, to)?];
                let kg = kg.parse().map_err(|_not_a_number| wrong())?;
                Ok(Self::Holds((*alarm).to_owned(), span, kg, why.join(" ")))
            }
            ["decides", what, why @ ..] => Ok(Self::Decides((*what).to_owned(), why.join(" "))),
            _ => Err(wrong()),
        }
    }
}

impl Desk<'_> {
    /// Keeps what is said.
    ///
    /// # Errors
    /// What there is none of, in words.
    pub(super) async fn keep(&self, saying: Saying) -> Result<(), String> {
        let told = format!("the demo's crew: {saying:?}");
        let failed = |why: String| format!("{told}: {why}");
        match saying {
            Saying::Closes(alarm, cause, note) => self.closes(&alarm, &cause, &note).await.map_err(failed),
            Saying::Stood(station, reason, note) => {
                self.stood(&station, &reason, &note).await.map_err(failed)
            }
            Saying::Holds(alarm, span, kg, why) => self.holds(alarm, span, kg, why).await.map_err(failed),
            Saying::Decides(what, why) => self.decides(&what, &why).await.map_err(failed),
        }
    }

    fn occurrence(&self, alarm: &str) -> u32 {
        let view = self.line.alarm_by_id(alarm).and_then(|id| self.handle.glance().alarm(id).cloned());
        view.map_or(0, |view| view.occurrence)
    }

    async fn closes(&self, alarm: &str, cause: &str, note: &str) -> Result<(), String> {
        let n = self.occurrence(alarm);
        let done =
            close(self.line, self.store, (alarm, n, n), (cause, Some(note)), (self.by, self.now)).await;
        done.map(|_new| ()).map_err(|why| format!("{why:?}"))
    }

    async fn stood(&self, station: &str, reason: &str, note: &str) -> Result<(), String> {
        let from = UtcMillis(self.now.0 - STOPS_WITHIN_MS);
        let window = Span::new(from, self.now).map_err(|error| error.text)?;
        let mut events = self.store.events(None, EVENTS_MAX).await.map_err(|error| error.text)?;
        events.reverse();
        let known = reasons(self.store).await.map_err(|error| error.text)?;
        let rows = stops(self.line, &modes(self.line, &events, window, self.now), window, &known);
        let own = rows
            .iter()
            .rev()
            .find(|row| row.station == station || row.with.iter().any(|with| with == station));
        let stop = own.ok_or_else(|| format!("it stood in none of {rows:?}"))?;
        let given = (reason, Some(note));
        let done = give_reason(self.line, self.store, &stop.id, given, (self.by, self.now)).await;
        done.map(|_new| ()).map_err(|why| format!("{why:?}"))
    }

    async fn holds(&self, alarm: String, span: [i64; 2], kg: f64, why: String) -> Result<(), String> {
        let [from_utc_ms, to_utc_ms] = span.map(|into_ms| self.begin.0 + into_ms);
        let (run, occurrence) = (self.handle.glance().run.0, self.occurrence(&alarm));
        let alarm = Some(alarm);
        let held = Held {
            alarm,
            run,
            occurrence,
            from_utc_ms,
            to_utc_ms,
            kg: Some(kg),
            why,
            touched: Touched::default(),
        };
        let done = put_on_hold(self.line, self.store, held, (self.by, self.now)).await;
        done.map(|_new| ()).map_err(|why| format!("{why:?}"))
    }

    async fn decides(&self, what: &str, why: &str) -> Result<(), String> {
        let all = holds(self.store).await.map_err(|error| error.text)?;
        let open = all.iter().rev().find(|row| HoldRow::is_open(row)).ok_or("nothing is on hold")?;
        let done = decide(self.store, (open.n, 0), (what, why), (self.by, self.now)).await;
        done.map(|_before| ()).map_err(|why| format!("{why:?}"))
    }
}
