//! The blindness ledger, summed over the days of a report.

use crate::history::{Span, StoredEvent};
use crate::line::blindness::{BLINDNESS, BySeconds};
use serde::Serialize;
use serde_json::Value;
use setward_alarm::Blindness;
use setward_config::line::{Line, LineAlarm};
use std::collections::BTreeMap;
use utoipa::ToSchema;

/// How long one alarm could not have fired.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct BlindAlarm {
    /// The alarm.
    pub alarm: String,
    /// Its name.
    pub name: String,
    /// In all, s.
    pub blind_s: f64,
    /// Of the time watched.
    pub share: f64,
    /// Seconds by reason.
    pub by_reason_s: BTreeMap<&'static str, f64>,
}

/// One day of the plant.
#[derive(Debug, Clone, PartialEq, Default, Serialize, ToSchema)]
pub struct BlindDay {
    /// How long the program watched, s.
    pub watched_s: f64,
    /// By alarm, then by reason, s.
    pub alarms: BTreeMap<String, BTreeMap<&'static str, f64>>,
}

/// The ledger of a window.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Ledger {
    /// How long the program watched, s.
    pub watched_s: f64,
    /// By day of the plant, "2026-11-25".
    pub days: BTreeMap<String, BlindDay>,
    sums: BTreeMap<String, BySeconds>,
}

impl Ledger {
    /// What the events of the window say, which are written ten minutes apart at most.
    #[must_use]
    pub fn of(events: &[StoredEvent], span: Span) -> Self {
        let mut ledger = Self::default();
        for stored in events {
            if stored.event.what == BLINDNESS && span.contains(stored.event.utc) {
                let note = stored.event.note.as_deref().unwrap_or_default();
                if let Ok(note) = serde_json::from_str(note) {
                    ledger.add(&note);
                }
            }
        }
        ledger
    }

    fn add(&mut self, note: &Value) {
        let number = |value: &Value| value.as_f64().filter(|seconds| seconds.is_finite() && *seconds >= 0.0);
        let Some(day) = note.get("day").and_then(Value::as_str) else { return };
        let watched_s = note.get("watched_s").and_then(number).unwrap_or(0.0);
        self.watched_s += watched_s;
        let day = self.days.entry(day.to_owned()).or_default();
        day.watched_s += watched_s;
        for (alarm, reasons) in note.get("alarms").and_then(Value::as_object).into_iter().flatten() {
            for (key, seconds) in reasons.as_object().into_iter().flatten() {
                let (Some(reason), Some(seconds)) = (Blindness::from_key(key), number(seconds)) else {
                    continue;
                };
                let of_day = day.alarms.entry(alarm.clone()).or_default();
                *of_day.entry(reason.key()).or_default() += seconds;
                let sums = self.sums.entry(alarm.clone()).or_default();
                if let Some(sum) = sums.get_mut(reason.index()) {
                    *sum += seconds;
                }
            }
        }
    }

    /// Every alarm of the line that could not have fired at some time, the longest first.
    #[must_use]
    pub fn alarms(&self, line: &Line) -> Vec<BlindAlarm> {
        let mut alarms: Vec<BlindAlarm> = line
            .alarms
            .iter()
            .filter_map(|alarm| Some((alarm, self.sums.get(&alarm.id)?)))
            .map(|(alarm, sums)| self.blind_alarm(alarm, sums))
            .collect();
        alarms.sort_by(|a, b| b.blind_s.total_cmp(&a.blind_s).then_with(|| a.alarm.cmp(&b.alarm)));
        alarms
    }

    fn blind_alarm(&self, alarm: &LineAlarm, sums: &BySeconds) -> BlindAlarm {
        let blind_s = sums.iter().sum::<f64>();
        let share = if self.watched_s > 0.0 { blind_s / self.watched_s } else { 0.0 };
        let by_reason = Blindness::ALL.into_iter().zip(sums).filter(|(_, seconds)| **seconds > 0.0);
        let by_reason_s = by_reason.map(|(reason, seconds)| (reason.key(), *seconds)).collect();
        BlindAlarm { alarm: alarm.id.clone(), name: alarm.name.clone(), blind_s, share, by_reason_s }
    }
}
