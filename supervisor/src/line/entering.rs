//! What people enter, on its way through the line task: judged by the desk, kept, then a sample like any other, but alone.

use super::signals::Fresh;
use super::{LineTask, WallAnchor};
use crate::entries::desk::Entered;
use crate::entries::{EntryRefusal, EntryRequest, EntryWish, Taken};
use crate::history::NewSample;
use setward_protocol::{Mode, NoData, Reading, Sample, SignalId, Uptime};
use std::sync::Arc;
use std::time::Duration;

/// An event of an entry; its note begins with tag and value.
pub(crate) const ENTERED: &str = "entered";
/// The same of one that corrects another.
pub(crate) const CORRECTED: &str = "entry corrected";

impl LineTask<'_> {
    /// Answers at once what is refused; what is taken once the store has it.
    pub(super) fn handle_entry(&mut self, EntryRequest { wish, answer }: EntryRequest) {
        match self.take_entry(&wish) {
            Ok(taken) => self.pending.entered.push((answer, taken)),
            Err(refusal) => {
                // The person may have gone.
                let _gone = answer.send(Err(refusal));
            }
        }
    }

    fn take_entry(&mut self, wish: &EntryWish) -> Result<Taken, EntryRefusal> {
        let wall = self.anchor();
        let Entered { row, is_newest, takes_back } = self.desk.enter(&self.line, wish, wall)?;
        let what = if row.corrects.is_some() { CORRECTED } else { ENTERED };
        let told = format!("{} {} by {}, entry {}", row.tag, row.value, row.by, row.n);
        self.daemon_event(what, Some(told));
        self.pending.batch.entries.push(row.clone());
        if let Some(entry) = self.line.entries.get(wish.entry).filter(|_| is_newest) {
            let signal = entry.signal;
            if takes_back {
                self.take_apart(wall.at, vec![alone(signal, Reading::Bad(NoData::TakenBack), wall.at)]);
            }
            // A row of its own in history.
            let at = wall.at + Duration::from_millis(u64::from(takes_back));
            self.take_apart(at, vec![alone(signal, Reading::Good(row.value), at)]);
        }
        self.follow_ages();
        self.entered = Arc::new(self.desk.views(wall));
        Ok(Taken { entry: row, durable: false })
    }

    /// What is due, and what follows from time alone. Called once a second.
    pub(super) fn handle_entries_tick(&mut self) {
        let (wall, core) = (self.anchor(), &self.core);
        let runs = |station| core.mode(station) == Mode::Run;
        self.desk.handle_tick(&self.line, wall, runs, |signal| core.good(signal));
        // Nothing of it changes by the second.
        if self.ticks % super::followed::EVERY_TICKS == 1 {
            self.close_balance(wall.at);
            self.follow_ages();
            self.entered = Arc::new(self.desk.views(wall));
        }
    }

    /// The newest entries of before this run are the present values. They are no new samples: history has them. But a recipe
    /// that somebody chose is chosen for this run too, however long ago, and is told anew: a replay begins with its run.
    pub(super) fn take_up_entries(&mut self) {
        let wall = self.anchor();
        let chosen = self.desk.newest(&self.line).filter(|(signal, _)| self.line.chooses_recipe(*signal));
        let chosen: Vec<Fresh> =
            chosen.map(|(signal, row)| alone(signal, Reading::Good(row.value), wall.at)).collect();
        if !chosen.is_empty() {
            self.take_apart(wall.at, chosen);
        }
        let known: Vec<(Fresh, setward_protocol::UtcMillis)> = self
            .desk
            .newest(&self.line)
            .filter(|(signal, _)| !self.line.chooses_recipe(*signal))
            .filter(|(signal, row)| is_young(wall, row.taken, self.line.gap_limit(*signal)))
            .map(|(signal, row)| (alone(signal, Reading::Good(row.value), wall.at), row.entered))
            .collect();
        for (fresh, utc) in known {
            self.signals.take(&fresh, utc);
            let sample = Sample { signal: fresh.signal, at: fresh.at, reading: fresh.reading };
            self.core.handle_scan(wall.at, wall.utc, &[sample], &mut self.said);
        }
        self.tell(None);
        self.entered = Arc::new(self.desk.views(wall));
    }

    /// Takes readings that no controller brought.
    pub(super) fn take_apart(&mut self, at: Uptime, fresh: Vec<Fresh>) {
        let utc = self.anchor().utc(at);
        for one in &fresh {
            self.signals.take(one, utc);
            self.pending.batch.samples.push(NewSample {
                signal: one.signal.0,
                utc,
                at: one.at,
                reading: one.reading,
            });
        }
        let sample = |one: &Fresh| Sample { signal: one.signal, at: one.at, reading: one.reading };
        let samples: Vec<Sample> = fresh.iter().map(sample).collect();
        self.core.handle_scan(at, utc, &samples, &mut self.said);
        for sample in &samples {
            self.follow.handle(&self.line, (sample.at, utc), sample.signal, sample.reading.good());
        }
        self.tell(None);
    }
}

fn is_young(wall: WallAnchor, taken: setward_protocol::UtcMillis, known_for: Duration) -> bool {
    let age_ms = u64::try_from(wall.utc.0.saturating_sub(taken.0)).unwrap_or(0);
    Duration::from_millis(age_ms) <= known_for
}

/// A reading that came in no words.
pub(super) const fn alone(signal: SignalId, reading: Reading, at: Uptime) -> Fresh {
    Fresh { signal, reading, words: [0; 4], word_count: 0, at }
}
