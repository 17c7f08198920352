//! The demo's week, lived through in virtual time: who was called when, against what the plant's diary says.

use crate::support::{MemoryDial, demo_line};
use setward::cli::demo::WEEK_BEGINS_HOUR;
use setward::cli::demo::play::live_through;
use setward::cli::demo::week::DemoWeek;
use setward::clock::Clock;
use setward::history::sqlite::InlineStore;
use setward::history::{HistoryStore, StoredEvent};
use setward::protocol::UtcMillis;
use setward::{Edges, start};
use std::sync::Arc;

/// 2026-01-04 15:20 at the plant: a Sunday.
const START: UtcMillis = UtcMillis(1_767_561_600_000);

async fn week(seed: u64) -> Vec<StoredEvent> {
    let line = Arc::new(demo_line());
    let week = DemoWeek::of(&line).unwrap();
    let plant = DemoWeek::plant(&line, seed);
    let clock = Clock::starting_at(START);
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let edges = Edges { dial: Arc::new(MemoryDial(plant.clone())), history: history.clone(), clock };
    let running = start(Arc::clone(&line), edges).await.unwrap();
    live_through(week, (&line, &plant), (clock, WEEK_BEGINS_HOUR), &running.handle(), |_| ()).await.unwrap();
    running.stop().await.unwrap();
    let mut events = history.events(None, 1_000_000).await.unwrap();
    events.reverse();
    events
}

/// "Mon 10:43:10" of the plant's clock.
fn shown(at_s: f64) -> String {
    let of_week = at_s as u64 + 6 * 86_400 + 15 * 3_600 + 20 * 60;
    let days = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];
    let (hour, minute, second) = (of_week / 3_600 % 24, of_week / 60 % 60, of_week % 60);
    format!("{} {hour:02}:{minute:02}:{second:02}", days[(of_week / 86_400 % 7) as usize])
}

#[tokio::test(start_paused = true)]
async fn the_week_tells_its_incidents_and_is_silent_else() {
    let events = week(1).await;
    for stored in &events {
        let event = &stored.event;
        if event.alarm.is_none() && event.what != "station mode" && event.what != "recipe" {
            continue;
        }
        println!(
            "{} {:<14} {:<32} {} {} {}",
            shown(event.at.as_secs_f64()),
            event.what,
            event.alarm.as_deref().unwrap_or("-"),
            event.states,
            event.value.map(|value| format!("{value:.2}")).unwrap_or_default(),
            event.note.as_deref().unwrap_or_default(),
        );
    }
}
