//! One reader of the live stream.

use std::sync::Arc;

use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, header};
use axum::response::{IntoResponse, Response};
use bytes::Bytes;
use futures::stream;
use serde::Deserialize;
use tokio::sync::{OwnedSemaphorePermit, watch};
use utoipa::IntoParams;

use super::feed::Feed;
use super::hello::hello;
use super::ring::{Place, event_text};
use crate::access::{Door, Pass};
use crate::api::{Params, Shared};
use crate::problem::Problem;

/// Readers at once; a page is one. Memory for a reader is bounded by the connection's buffer.
pub(crate) const STREAMS_MAX: usize = 16;

#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct StreamQuery {
    /// The id of the last event seen, where a page reopens the stream itself; `Last-Event-ID` goes first.
    after: Option<String>,
}

/// Live values as server-sent events: `hello` first, then `frame` five times a second and `why` and
/// `health` on change; `bye` when the station ends in order.
///
/// Events carry ids `<boot>:<number>`; the last minute of them is kept. A reader that names one of
/// these gets `resumed: true` in its `hello` and then every event it missed.
#[utoipa::path(get, path = "/api/v1/live/stream", tag = "live",
    params(StreamQuery, ("Last-Event-ID" = Option<String>, Header, description = "the id of the last event seen")),
    responses((status = 200, content_type = "text/event-stream", body = String), (status = 503, body = Problem, content_type = "application/problem+json", description = "too many readers")))]
pub(crate) async fn live_stream(
    State(shared): State<Shared>,
    Params(query): Params<StreamQuery>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let permit = Arc::clone(&shared.streams)
        .try_acquire_owned()
        .map_err(|_| {
            Problem::busy(format!(
                "{STREAMS_MAX} pages are watching already; close one, or try again."
            ))
        })?;
    let header = headers.get("last-event-id").and_then(|id| id.to_str().ok());
    let after = header.or(query.after.as_deref());
    let newest = shared.feed.newest();
    let opening = shared.feed.open(after);
    let hello = hello(&shared.view, opening.why, opening.health, opening.resumed);
    let hello = serde_json::to_string(&hello)
        .map_err(|error| Problem::internal("the live stream could not begin", &error))?;
    let first = format!("retry: 1000\n{}", event_text(None, "hello", &hello));
    let reader = Reader {
        feed: shared.feed.clone(),
        newest,
        place: opening.place,
        first: Some(first.into()),
        pass: Door::of(&shared.view).pass(&headers),
        shared,
        _permit: permit,
    };
    let body = Body::from_stream(stream::unfold(Some(reader), |reader| async move {
        let (bytes, reader) = reader?.next().await?;
        Some((Ok::<_, std::convert::Infallible>(bytes), reader))
    }));
    let headers = [
        (header::CONTENT_TYPE, "text/event-stream; charset=utf-8"),
        (header::CACHE_CONTROL, "no-store"),
    ];
    Ok((headers, body).into_response())
}

struct Reader {
    shared: Shared,
    feed: Feed,
    newest: watch::Receiver<Place>,
    place: Place,
    first: Option<Bytes>,
    /// What let the reader in, where that can be taken back.
    pass: Option<Pass>,
    _permit: OwnedSemaphorePermit,
}

impl Reader {
    /// The next bytes, and the reader if it goes on. `None` disconnects: the reader has fallen more
    /// than a minute behind, and begins anew; or its token was revoked, and it has to say again who it is.
    async fn next(mut self) -> Option<(Bytes, Option<Self>)> {
        if let Some(first) = self.first.take() {
            return Some((first, Some(self)));
        }
        loop {
            if self.pass.as_mut().is_some_and(|pass| !pass.is_valid()) {
                return None;
            }
            let (events, place) = self.feed.after(self.place).ok()?;
            if !events.is_empty() {
                self.place = place;
                return Some((events.concat().into(), Some(self)));
            }
            tokio::select! {
                () = self.shared.stop.cancelled() => return Some((event_text(None, "bye", "{}").into(), None)),
                changed = self.newest.changed() => changed.ok()?,
            }
        }
    }
}
