//! `GET /api/v1/gaps`: where samples are missing, and why.

use std::time::Duration;

use axum::Json;
use axum::extract::State;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use zonda_model::Stamp;
use zonda_store::{ChannelId, ChannelRow, GapRow};

use super::events::page_length;
use super::when::{When, rfc3339, stretch};
use super::{Params, Shared, pick};
use crate::problem::Problem;
use crate::stream::true_utc;

#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct GapQuery {
    /// From, RFC 3339 or ms since 1970 UTC; a day before `to` by default.
    #[param(value_type = Option<String>)]
    from: Option<When>,
    /// Up to; now by default.
    #[param(value_type = Option<String>)]
    to: Option<When>,
    /// Channels, separated by commas; all by default.
    ch: Option<String>,
    /// `next` of the page before.
    after: Option<String>,
    /// How many, 1 to 1000; 100 by default.
    limit: Option<i64>,
}

/// A page of gaps, by their beginning.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Gaps {
    gaps: Vec<Gap>,
    /// `after` of the next page; `null` on the last.
    next: Option<String>,
}

/// A stretch without samples.
#[derive(Debug, Serialize, ToSchema)]
struct Gap {
    /// The channel.
    channel: String,
    /// The first tick without a sample, true UTC.
    from: String,
    /// The first sample after it; `null` while it lasts.
    to: Option<String>,
    /// Why.
    cause: &'static str,
    /// Ticks without a sample.
    missed: i64,
    /// One sentence, or nothing.
    detail: String,
}

/// Where samples are missing and why, by the beginning of the gap.
#[utoipa::path(get, path = "/api/v1/gaps", tag = "record", params(GapQuery),
    responses((status = 200, body = Gaps), (status = 400, body = Problem, content_type = "application/problem+json"), (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn gaps(
    State(shared): State<Shared>,
    Params(query): Params<GapQuery>,
) -> Result<Json<Gaps>, Problem> {
    let record = &shared.view.record;
    let (from, to) = stretch(
        query.from,
        query.to,
        shared.view.now(),
        Duration::from_hours(24),
    )?;
    let limit = page_length(query.limit)?;
    let after = query.after.as_deref().map(place).transpose()?;
    let utc = true_utc(record).await?;
    let known = record.channels().await?;
    let wanted = match &query.ch {
        Some(list) => pick(known, Some(list))?,
        None => known,
    };
    let stretches = utc.stretches(from, to);
    let (Some((first, _)), Some((_, last))) = (stretches.first(), stretches.last()) else {
        return Ok(Json(Gaps {
            gaps: Vec::new(),
            next: None,
        }));
    };
    let rows = record.gaps((*first, *last), after, limit).await?;
    let is_full = i64::try_from(rows.len()).is_ok_and(|rows| rows == limit);
    let next = rows.last().filter(|_| is_full);
    let next = next.map(|row| format!("{}.{}", row.from.micros(), row.id));
    let gaps = rows
        .iter()
        .filter_map(|row| gap_of(row, &wanted, |at| utc.of(at)));
    Ok(Json(Gaps {
        gaps: gaps.collect(),
        next,
    }))
}

fn gap_of(row: &GapRow, wanted: &[ChannelRow], utc: impl Fn(Stamp) -> Stamp) -> Option<Gap> {
    let is = |id: ChannelId| move |channel: &&ChannelRow| channel.id == id;
    let channel = wanted.iter().find(is(row.channel))?;
    Some(Gap {
        channel: channel.name.to_string(),
        from: rfc3339(utc(row.from)),
        to: row.to.map(|to| rfc3339(utc(to))),
        cause: row.cause.word(),
        missed: row.missed,
        detail: row.detail.clone(),
    })
}

/// The place after a page.
fn place(text: &str) -> Result<(Stamp, i64), Problem> {
    let parts = text.split_once('.');
    let parsed = parts.and_then(|(at, id)| Some((at.parse().ok()?, id.parse().ok()?)));
    parsed
        .map(|(at, id)| (Stamp::from_micros(at), id))
        .ok_or_else(|| {
            Problem::bad_request(format!(
                "`after` must be `next` of the page before, not `{text}`."
            ))
        })
}
