//! One signal over a stretch, for pages that show something else on the same axis of time.

use super::read::{Pane, in_time, panes, stops};
use super::{Asked, COLUMNS_USUAL};
use crate::history::Span;
use crate::report::stops::modes;
use crate::web::Web;
use setward_protocol::SignalId;

/// Events that are looked at, the newest.
const EVENTS_MAX: usize = 50_000;

/// The request for it, and what there is; in words, when history can't be read.
pub(in crate::web) async fn one(
    web: &Web,
    signal: SignalId,
    span: Span,
) -> Result<(Asked, Option<Pane>), String> {
    let asked = Asked {
        signals: vec![signal],
        span,
        last: None,
        against: None,
        shows_all_values: false,
        columns: COLUMNS_USUAL,
        said: None,
    };
    let line = &*web.app.line;
    let mut events = in_time(web.app.history.events(None, EVENTS_MAX)).await?;
    events.reverse();
    let all = modes(line, &events, span, web.app.clock.utc());
    let mut pane = panes(web, &asked).await?.into_iter().next();
    if let Some(pane) = &mut pane {
        let station = line.signal(signal).station.index();
        pane.stops = stops(all.get(station).map_or(&[][..], Vec::as_slice), span);
    }
    Ok((asked, pane))
}
