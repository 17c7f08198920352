//! What asked for entries before this run is asked for still: events since, and running that counts, are gone through once more as
//! history holds them, with the entries that answered them.

use super::{EntryDesk, Kind, axis_of};
use crate::entries::ran::Ran;
use crate::line::WallAnchor;
use crate::line::past::Past;
use setward_config::line::{EntryDue, Line, StationId};
use setward_protocol::Uptime;

impl EntryDesk {
    /// Takes up what asked for entries before this run: readings in order of time, and when stations ran. Nothing is known of the time
    /// between the runs; what holds at the first look and did not hold when it was last seen has begun meanwhile.
    pub fn take_past(&mut self, line: &Line, past: &[Past], ran: &[Ran], wall: WallAnchor) {
        for (entry, kind) in line.entries.iter().zip(&mut self.kinds) {
            match entry.due {
                EntryDue::Running(_) => kind.take_running(ran, line.signal(entry.signal).station, wall),
                EntryDue::After { .. } => kind.take_events(line, past, wall),
                EntryDue::Never | EntryDue::Clock(_) | EntryDue::Daily(_) => {}
            }
        }
    }
}

impl Kind {
    fn take_running(&mut self, ran: &[Ran], station: StationId, wall: WallAnchor) {
        // Running before the newest sample counts for nothing any more.
        let newest = self.rows.iter().map(|row| row.taken).max();
        let counts = |ran: &&Ran| ran.station == station && newest.is_none_or(|newest| ran.to > newest);
        for ran in ran.iter().filter(counts) {
            let (from, to) = (axis_of(ran.from, wall), axis_of(ran.to, wall));
            self.book.count_from(from);
            self.book.handle_running(from, true);
            self.book.handle_running(to, false);
        }
    }

    fn take_events(&mut self, line: &Line, past: &[Past], wall: WallAnchor) {
        let Some(mut begins) = self.begins.take() else { return };
        let mut asks = vec![false; line.signals.len()];
        for signal in begins.signals() {
            if let Some(asks) = asks.get_mut(signal.index()) {
                *asks = true;
            }
        }
        let entered = self.rows.iter().filter(|row| row.corrects.is_none());
        let entered: Vec<_> = entered.map(|row| (row.entered, row.taken)).collect();
        let mut entered = entered.into_iter().peekable();
        let is_asking = |one: &&Past| asks.get(one.signal.index()).copied().unwrap_or_default();
        for one in past.iter().filter(is_asking) {
            while let Some((_, taken)) = entered.next_if(|(entered, _)| *entered < one.utc) {
                self.answer_past(axis_of(taken, wall));
            }
            for signal in begins.begun(|signal| one.value.filter(|_| signal == one.signal)) {
                self.ask(axis_of(one.utc, wall), line.signal(signal).name.clone());
            }
        }
        for (_, taken) in entered {
            self.answer_past(axis_of(taken, wall));
        }
        self.begins = Some(begins);
    }

    fn answer_past(&mut self, taken: Uptime) {
        let answered = self.book.answer(taken);
        self.forget_name(answered);
    }
}
