//! Derived signals: fresh readings of their inputs in, their own readings out, judged by their range.

use super::signals::Fresh;
use setward_config::line::{Line, Origin};
use setward_process::derived::Deriver;
use setward_protocol::{NoData, Reading, SignalId};

/// Every derived signal of the line.
#[derive(Debug)]
pub struct DerivedBook {
    derived: Vec<Derived>,
    /// By signal: the places in `derived` of what is computed from it.
    users: Vec<Vec<usize>>,
}

#[derive(Debug)]
struct Derived {
    signal: SignalId,
    range: (f64, f64),
    deriver: Deriver,
}

impl DerivedBook {
    /// Nothing known yet.
    #[must_use]
    pub fn new(line: &Line) -> Self {
        let mut book = Self { derived: Vec::new(), users: vec![Vec::new(); line.signals.len()] };
        for (id, signal) in line.signals_with_ids() {
            let Origin::Derived(derivation) = &signal.origin else { continue };
            let (first, second) = derivation.inputs();
            for input in [Some(first), second].into_iter().flatten() {
                if let Some(users) = book.users.get_mut(input.index()) {
                    users.push(book.derived.len());
                }
            }
            let deriver = Deriver::new(*derivation, line.gap_limit(id));
            book.derived.push(Derived { signal: id, range: signal.range, deriver });
        }
        book
    }

    /// What follows from fresh readings.
    pub fn follow(&mut self, fresh: &[Fresh]) -> Vec<Fresh> {
        let mut following = Vec::new();
        for one in fresh {
            for &user in self.users.get(one.signal.index()).into_iter().flatten() {
                let Some(derived) = self.derived.get_mut(user) else { continue };
                if let Some((at, reading)) = derived.deriver.handle(one.signal, one.at, one.reading) {
                    let reading = within(reading, derived.range);
                    following.push(Fresh {
                        signal: derived.signal,
                        reading,
                        words: [0; 4],
                        word_count: 0,
                        at,
                    });
                }
            }
        }
        following
    }
}

fn within(reading: Reading, (low, high): (f64, f64)) -> Reading {
    match reading.value() {
        Some(value) if !(low..=high).contains(&value) => Reading::Bad(NoData::OutOfRange),
        Some(_) | None => reading,
    }
}
