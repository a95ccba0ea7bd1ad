//! `GET /api/v1/events`: what happened, newest first.

use axum::Json;
use axum::extract::State;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::when::rfc3339;
use super::{Params, Shared};
use crate::problem::Problem;
use crate::stream::true_utc;

/// The longest page of a list.
pub(super) const PAGE_MAX: i64 = 1000;
/// Its length where none is asked for.
pub(super) const PAGE: i64 = 100;

#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct EventQuery {
    /// Events with lower numbers than this: `next` of the page before.
    before: Option<i64>,
    /// How many, 1 to 1000; 100 by default.
    limit: Option<i64>,
}

/// A page of events, newest first.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Events {
    events: Vec<Event>,
    /// `before` of the next page; `null` on the last.
    next: Option<i64>,
}

/// Something that happened.
#[derive(Debug, Serialize, ToSchema)]
struct Event {
    /// Its number; later events have higher ones.
    id: i64,
    /// When, true UTC.
    at: String,
    /// `info`, `warning` or `alarm`.
    severity: String,
    /// A word for programs.
    kind: String,
    /// What it is about.
    subject: String,
    /// One sentence.
    text: String,
}

/// What happened, newest first.
#[utoipa::path(get, path = "/api/v1/events", tag = "record", params(EventQuery),
    responses((status = 200, body = Events), (status = 400, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn events(
    State(shared): State<Shared>,
    Params(query): Params<EventQuery>,
) -> Result<Json<Events>, Problem> {
    let record = &shared.view.record;
    let limit = page_length(query.limit)?;
    let utc = true_utc(record).await?;
    let rows = record.events(query.before, limit).await?;
    let is_full = i64::try_from(rows.len()).is_ok_and(|rows| rows == limit);
    let next = rows.last().filter(|_| is_full).map(|row| row.id);
    let events = rows.into_iter().map(|row| Event {
        id: row.id,
        at: rfc3339(utc.of(row.at)),
        severity: row.severity,
        kind: row.kind,
        subject: row.subject,
        text: row.text,
    });
    Ok(Json(Events {
        events: events.collect(),
        next,
    }))
}

/// # Errors
/// Not within 1 to [`PAGE_MAX`].
pub(super) fn page_length(limit: Option<i64>) -> Result<i64, Problem> {
    match limit.unwrap_or(PAGE) {
        limit @ 1..=PAGE_MAX => Ok(limit),
        other => Err(Problem::bad_request(format!(
            "`limit` must be between 1 and {PAGE_MAX}, not {other}."
        ))),
    }
}
