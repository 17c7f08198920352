//! One signal over a stretch, for pages that show something else on the same axis of time.

use super::read::{Pane, panes, stops_of};
use super::{Asked, COLUMNS_USUAL};
use crate::history::Span;
use crate::web::Web;
use setward_protocol::SignalId;

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
        panes_only: false,
        said: None,
    };
    let stops = stops_of(web, &asked).await?.into_iter().next().unwrap_or_default();
    let pane = panes(web, &asked).await?.into_iter().next();
    Ok((asked, pane.map(|pane| Pane { stops, ..pane })))
}
