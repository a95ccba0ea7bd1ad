//! The API: what every handler shares, and its words for times and channels.

pub(crate) mod agreement;
pub(crate) mod channels;
pub(crate) mod configuration;
pub(crate) mod corrections;
mod disposition;
pub(crate) mod events;
pub(crate) mod export;
pub(crate) mod gaps;
pub(crate) mod health;
pub(crate) mod history;
pub(crate) mod layouts;
pub(crate) mod lines;
pub(crate) mod live;
pub(crate) mod loopchecks;
pub(crate) mod meters;
pub(crate) mod metrics;
mod pack;
pub(crate) mod prestart;
pub(crate) mod report;
pub(crate) mod runs;
pub(crate) mod session;
pub(crate) mod station;
pub(crate) mod templates;
mod when;

use std::sync::Arc;

use axum::Json;
use axum::extract::rejection::{JsonRejection, QueryRejection};
use axum::extract::{FromRequest, FromRequestParts, Query};
use tokio::sync::Semaphore;
use tokio_util::sync::CancellationToken;
use zonda_store::{ChannelRow, StoreError};

use crate::problem::Problem;
use crate::stream::Feed;
use crate::view::View;

/// What handlers share.
pub(crate) type Shared = Arc<Inner>;

/// See [`Shared`].
#[derive(Debug)]
pub(crate) struct Inner {
    pub(crate) view: View,
    pub(crate) feed: Feed,
    /// Readers of the live stream: one too many is refused, since a page stays for hours.
    pub(crate) streams: Arc<Semaphore>,
    /// Exports: one too many is refused with a time to come again.
    pub(crate) exports: Arc<Semaphore>,
    /// Readings of history: one too many waits, since each takes well under a second.
    pub(crate) histories: Semaphore,
    /// Ends the live streams.
    pub(crate) stop: CancellationToken,
}

/// The query of a request; a wrong one is a [`Problem`] that says what is wrong.
#[derive(FromRequestParts)]
#[from_request(via(Query), rejection(Problem))]
pub(crate) struct Params<T>(pub(crate) T);

impl From<QueryRejection> for Problem {
    fn from(rejection: QueryRejection) -> Self {
        Self::bad_request(rejection.body_text())
    }
}

/// The JSON body of a request; a wrong one is a [`Problem`] that says what is wrong.
#[derive(FromRequest)]
#[from_request(via(Json), rejection(Problem))]
pub(crate) struct Body<T>(pub(crate) T);

impl From<JsonRejection> for Problem {
    fn from(rejection: JsonRejection) -> Self {
        Self::new(rejection.status(), rejection.body_text())
    }
}

impl From<StoreError> for Problem {
    fn from(error: StoreError) -> Self {
        Self::internal("the record could not be read", &error)
    }
}

/// The channels of the record that a comma-separated list names, in its order; all that are
/// configured, in their order, without a list.
pub(crate) fn pick(known: Vec<ChannelRow>, list: Option<&str>) -> Result<Vec<ChannelRow>, Problem> {
    let Some(list) = list else {
        let mut rows: Vec<_> = known
            .into_iter()
            .filter(|row| row.position.is_some())
            .collect();
        rows.sort_by_key(|row| row.position);
        return Ok(rows);
    };
    let find = |name: &str| {
        let found = known.iter().find(|row| row.name.as_str() == name);
        found.cloned().ok_or_else(|| unknown_channel(name))
    };
    list.split(',').map(|name| find(name.trim())).collect()
}

pub(crate) fn unknown_channel(name: &str) -> Problem {
    Problem::not_found(format!(
        "There is no channel `{name}`; /api/v1/channels lists them."
    ))
}
