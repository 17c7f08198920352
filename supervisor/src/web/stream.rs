//! Server-sent events: all of a page's texts on connect, then what changed, at most once a second.
//!
//! A stream that has nothing to say because the line task stands still stays silent on purpose: the page then shows
//! since when it has heard nothing.

use super::crowd::Place;
use super::doors::{self, Needs, Visit};
use super::live::{self, Live, Scope};
use super::problem::Problem;
use super::times::rfc3339;
use super::{MOST_STREAMS, MOST_STREAMS_OF_ONE, Web, names};
use axum::extract::{Query, State};
use axum::http::{StatusCode, header};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use futures_core::Stream;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::convert::Infallible;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::sync::mpsc;

/// Shortest time between two events of one stream.
const PACE: Duration = Duration::from_secs(1);

/// When whoever got no stream may ask again, s: as long as the page itself waits.
const RETRY_AFTER_S: &str = "10";

/// How often a silent stream sends a comment, so that a dead connection is noticed.
const KEEP_ALIVE: Duration = Duration::from_secs(10);

/// Which part of the line; everything without any.
#[derive(Deserialize)]
pub(super) struct Wanted {
    alarm: Option<String>,
    signal: Option<String>,
    station: Option<String>,
}

/// One event.
#[derive(Serialize)]
struct Frame {
    schema_version: u32,
    run: i64,
    at: String,
    clock: String,
    /// When this differs from the page's own, the page needs new markup.
    shape: String,
    text: BTreeMap<String, String>,
    place: BTreeMap<String, f64>,
}

/// Opens a stream, if there is room for one more.
pub(super) async fn open(State(web): State<Web>, Query(wanted): Query<Wanted>) -> Response {
    let needs = wanted.needs();
    if let Some(refused) = doors::unless(&web, needs).await {
        return refused;
    }
    let scope = match wanted.scope(&web) {
        Ok(scope) => scope,
        Err(problem) => return problem.into_response(),
    };
    let place = match place(&web) {
        Ok(place) => place,
        Err(problem) => return ([(header::RETRY_AFTER, RETRY_AFTER_S)], problem).into_response(),
    };
    let (frames, received) = mpsc::channel(1);
    tokio::spawn(feed(web, scope, (doors::visit(), needs), (frames, place)));
    Sse::new(Frames { received }).keep_alive(KeepAlive::new().interval(KEEP_ALIVE)).into_response()
}

/// A place for one more stream of whoever asks.
fn place(web: &Web) -> Result<Place, Problem> {
    let Ok(permit) = Arc::clone(&web.streams).try_acquire_owned() else {
        let text = format!(
            "all {MOST_STREAMS} live streams are taken: close a page, or reload to see the present values"
        );
        return Err(Problem::new(StatusCode::SERVICE_UNAVAILABLE, text));
    };
    let address = doors::visit().address();
    web.watching.place(address, MOST_STREAMS_OF_ONE, permit).ok_or_else(|| {
        let text = format!(
            "{address} has {MOST_STREAMS_OF_ONE} live streams open, its share of {MOST_STREAMS}: close a page there, or reload to see \
             the present values"
        );
        Problem::new(StatusCode::TOO_MANY_REQUESTS, text)
    })
}

impl Wanted {
    /// A screen on a wall is told what the wall shows; raw words and forecasts of a part are for whoever may see its page.
    const fn needs(&self) -> Needs {
        match (&self.alarm, &self.signal, &self.station) {
            (None, None, None) => Needs::Wall,
            (Some(_), _, _) | (_, Some(_), _) | (_, _, Some(_)) => Needs::View,
        }
    }

    fn scope(&self, web: &Web) -> Result<Scope, Problem> {
        let missing = |what, nearest| {
            Problem::new(StatusCode::NOT_FOUND, format!("no such {what} on this line")).with_nearest(nearest)
        };
        let line = &web.app.line;
        match (&self.alarm, &self.signal, &self.station) {
            (Some(id), _, _) => {
                names::alarm(line, id).map(Scope::Alarm).map_err(|near| missing("alarm", near))
            }
            (None, Some(tag), _) => {
                names::signal(line, tag).map(Scope::Signal).map_err(|near| missing("signal", near))
            }
            (None, None, Some(key)) => {
                names::station(line, key).map(Scope::Station).map_err(|near| missing("station", near))
            }
            (None, None, None) => Ok(Scope::Line),
        }
    }
}

/// Sends events until the reader goes, may look no more, or the server stops. Holds the place for as long.
async fn feed(
    web: Web,
    scope: Scope,
    (visit, needs): (Visit, Needs),
    (frames, _place): (mpsc::Sender<Event>, Place),
) {
    let mut stopping = web.stopping.subscribe();
    let mut snapshots = web.app.handle.watch();
    let mut sent = Live::default();
    while doors::may_still(&web.app.doors, &visit, needs) {
        let event = next_event(&web, scope, &mut sent);
        tokio::select! {
            biased;
            () = super::stopped(&mut stopping) => return,
            delivered = frames.send(event) => if delivered.is_err() { return },
        }
        let paced_change = async {
            tokio::time::sleep(PACE).await;
            snapshots.changed().await
        };
        tokio::select! {
            biased;
            () = super::stopped(&mut stopping) => return,
            () = frames.closed() => return,
            changed = paced_change => if changed.is_err() { return },
        }
    }
}

/// What changed since `sent`, which becomes what is now.
fn next_event(web: &Web, scope: Scope, sent: &mut Live) -> Event {
    let snapshot = web.app.handle.snapshot();
    let scene = web.scene(&snapshot);
    let now = live::live(&scene, scope);
    let changed = now.since(sent);
    *sent = now;
    let frame = Frame {
        schema_version: 1,
        run: snapshot.run.0,
        at: rfc3339(snapshot.utc),
        clock: scene.clock(scene.now),
        shape: live::shape(&scene, scope),
        text: changed.text,
        place: changed.place,
    };
    Event::default().data(serde_json::to_string(&frame).unwrap_or_default())
}

/// The receiving end as the stream that the answer's body reads.
struct Frames {
    received: mpsc::Receiver<Event>,
}

impl Stream for Frames {
    type Item = Result<Event, Infallible>;

    fn poll_next(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Option<Self::Item>> {
        self.received.poll_recv(context).map(|event| event.map(Ok))
    }
}
