//! Alarms of a review, each with what it touched: product that is traced to the bag, or corn that was packed half a day later.

use super::corn::{
    COOKED_BEFORE_MS, Corn, CornRow, PACKED_AT_LAST_MS, batches_of, corn_of, is_of_cook_house,
};
use super::hold_window::{FOLLOWED_FOR_MS, ProductRow, is_on_its_way, product_row, unknown_packing};
use super::lots::{self, Touched};
use super::review::TouchedRow;
use super::rfc3339;
use crate::history::{HistoryError, HistoryStore, Span, StoredEvent};
use crate::line::follow::ProductView;
use crate::line::past;
use setward_alarm::metrics::Annunciation;
use setward_config::line::{Line, Priority};
use setward_protocol::{Uptime, UtcMillis};

const DAY_MS: i64 = 86_400_000;
/// The follower knows no more than that of the time before, ms.
const FOLLOWED_MS: i64 = 2 * DAY_MS;
/// With what raised within a day before it, and was over within that, the follower knows it whole, ms.
const LONG_MS: i64 = 12 * 3_600_000;

/// Calls of medium and high alarms that stood in the window, or whose product may have been packed in it, wherever they raised.
/// One that was hidden and told anew is one call: its product is the same.
pub(super) async fn touched(
    line: &Line,
    store: &dyn HistoryStore,
    (events, all): (&[StoredEvent], &[Annunciation]),
    (window, known_until): (Span, UtcMillis),
) -> Result<Vec<TouchedRow>, HistoryError> {
    let counts = |call: &&Annunciation| {
        call.at < window.to()
            && packed_by(line, call, known_until) > window.from()
            && line.alarm(call.alarm).priority != Priority::Low
    };
    let mut whole = super::standing_calls(all);
    whole.sort_by_key(|call| (call.at, call.alarm));
    let (cooked, wanted): (Vec<&Annunciation>, Vec<&Annunciation>) =
        whole.iter().filter(counts).partition(|call| is_of_cook_house(line, call.alarm));
    let mut rows = of_corn(line, store, (events, &cooked), (window, known_until)).await?;
    for (call, product) in products(line, store, (events, &wanted), (window, known_until)).await {
        let packed = product.as_ref().and_then(|product| product.packed_at_most.or(product.packed));
        let open = || unknown_packing((onset_of(line, events, call), call.cleared), known_until);
        let (from, to) = match (packed, &product) {
            (Some(packed), _) => packed,
            (None, Some(_)) => open(),
            (None, None) => (call.at, call.at),
        };
        if stood_in(call, window, known_until) || to > window.from() {
            let within = match packed {
                None if product.is_some() => (from.max(window.from()), to.min(window.to())),
                Some(_) | None => (from, to),
            };
            let touched = lots::touched(line, store, within, known_until).await?;
            let product = product.map(|product| product_row(line, &product));
            rows.push((call, touched_row(line, call, (product, None, touched))));
        }
    }
    rows.sort_by_key(|(call, _)| (call.at, call.alarm));
    Ok(rows.into_iter().map(|(_, row)| row).collect())
}

/// The calls that came in the window, or stood in it.
fn stood_in(call: &Annunciation, window: Span, known_until: UtcMillis) -> bool {
    call.at >= window.from() || end_of(call, known_until) > window.from()
}

/// The product of each call. What was not all packed yet when it was followed is followed again for a day.
async fn products<'a>(
    line: &Line,
    store: &dyn HistoryStore,
    (events, wanted): (&[StoredEvent], &[&'a Annunciation]),
    (window, known_until): (Span, UtcMillis),
) -> Vec<(&'a Annunciation, Option<ProductView>)> {
    let mut found = Vec::new();
    for mut group in together(wanted, window, known_until) {
        for followed_for in FOLLOWED_FOR_MS {
            let until = group.iter().map(|call| end_of(call, known_until)).max().unwrap_or(known_until).0;
            let begun = group.iter().map(|call| call.at.0.saturating_add(1)).max().unwrap_or(until);
            let now = UtcMillis(until.saturating_add(followed_for).min(known_until.0).max(begun));
            let onset = group.iter().map(|call| onset_of(line, events, call)).min().unwrap_or(now);
            let since = onset.max(UtcMillis(now.0.saturating_sub(FOLLOWED_MS)));
            let book = past::followed(line, store, since, now).await;
            let is_last = now >= known_until || followed_for == PACKED_AT_LAST_MS;
            let mut rest = Vec::new();
            for call in group {
                let span = (onset_of(line, events, call), call.cleared);
                let product = book.product(line, call.alarm, span, (Uptime::START, now));
                if !is_last && product.as_ref().is_some_and(is_on_its_way) {
                    rest.push(call);
                } else {
                    found.push((call, product));
                }
            }
            group = rest;
            if group.is_empty() {
                break;
            }
        }
    }
    found
}

/// Calls of kettles and tanks: what they touched is what their corn became.
async fn of_corn<'a>(
    line: &Line,
    store: &dyn HistoryStore,
    (events, cooked): (&[StoredEvent], &[&'a Annunciation]),
    (window, known_until): (Span, UtcMillis),
) -> Result<Vec<(&'a Annunciation, TouchedRow)>, HistoryError> {
    let stood = |call: &Annunciation| (onset_of(line, events, call), end_of(call, known_until));
    let Some(first) = cooked.iter().map(|call| stood(call).0).min() else { return Ok(Vec::new()) };
    let last = cooked.iter().map(|call| stood(call).1).max().unwrap_or(first);
    let batches = batches_of(store, (first, last)).await?;
    let is_in = |corn: &Corn| corn.packed.iter().any(|(from, to)| *from < window.to() && *to > window.from());
    let mut rows = Vec::new();
    for call in cooked {
        let Some(corn) = corn_of(line, call.alarm, stood(call), &batches) else { continue };
        if stood_in(call, window, known_until) || is_in(&corn) {
            let touched = corn.touched(line, store, known_until).await?;
            rows.push((*call, touched_row(line, call, (None, Some(corn.row), touched))));
        }
    }
    Ok(rows)
}

fn touched_row(
    line: &Line,
    call: &Annunciation,
    (product, corn, touched): (Option<ProductRow>, Option<CornRow>, Touched),
) -> TouchedRow {
    let alarm = line.alarm(call.alarm);
    TouchedRow {
        alarm: alarm.id.clone(),
        name: alarm.name.clone(),
        raised: rfc3339(call.at),
        cleared: call.cleared.map(rfc3339),
        product,
        corn,
        touched,
    }
}

/// When its trouble was over, or the last that is known of it while it stands.
fn end_of(call: &Annunciation, known_until: UtcMillis) -> UtcMillis {
    call.cleared.unwrap_or(known_until).max(call.at)
}

/// The last of its product was packed before; no such moment is known of one that stands.
fn packed_by(line: &Line, call: &Annunciation, known_until: UtcMillis) -> UtcMillis {
    let later = if is_of_cook_house(line, call.alarm) { COOKED_BEFORE_MS } else { PACKED_AT_LAST_MS };
    match call.cleared {
        Some(_) => UtcMillis(end_of(call, known_until).0.saturating_add(later)),
        None => UtcMillis(i64::MAX),
    }
}

/// Calls whose product one follower knows, as it knows two days and no more: those that raised on one day and were soon over
/// together, and each that went on for long by itself.
fn together<'a>(
    wanted: &[&'a Annunciation],
    window: Span,
    known_until: UtcMillis,
) -> Vec<Vec<&'a Annunciation>> {
    let day = |call: &Annunciation| call.at.0.saturating_sub(window.from().0).div_euclid(DAY_MS);
    let is_long = |call: &&Annunciation| end_of(call, known_until).0.saturating_sub(call.at.0) > LONG_MS;
    let mut groups = Vec::new();
    for own in wanted.chunk_by(|a, b| day(a) == day(b)) {
        let (long, short): (Vec<_>, Vec<_>) = own.iter().copied().partition(is_long);
        groups.push(short);
        groups.extend(long.into_iter().map(|call| vec![call]));
    }
    groups.retain(|group| !group.is_empty());
    groups
}

/// When the trouble of a call began.
fn onset_of(line: &Line, events: &[StoredEvent], call: &Annunciation) -> UtcMillis {
    let id = &line.alarm(call.alarm).id;
    let own =
        events.iter().find(|stored| stored.event.utc == call.at && stored.event.alarm.as_ref() == Some(id));
    own.and_then(|stored| stored.event.onset).unwrap_or(call.at)
}
