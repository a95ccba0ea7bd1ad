//! `GET /api/v1/history`: the past on a uniform grid, for charts.

use std::time::Duration;

use axum::Json;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use utoipa::{IntoParams, ToSchema};
use zonda_model::Stamp;
use zonda_report::TrueUtc;
use zonda_store::{Bucket, ChannelId, Grid, Readable, StoreError};

use super::pack::{Column, Table, rounded};
use super::when::{When, stretch};
use super::{Params, Shared, pick};
use crate::problem::Problem;
use crate::stream::{Mark, true_utc};
use crate::view::View;

/// Buckets where none are asked for.
const BUCKETS: usize = 2000;
/// Buckets of all channels together at most: 10 MB in this process, 5 MB on the wire.
const CELLS_MAX: usize = 400_000;

#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct HistoryQuery {
    /// From, RFC 3339 or ms since 1970 UTC; an hour before `to` by default.
    #[param(value_type = Option<String>)]
    from: Option<When>,
    /// Up to; now by default.
    #[param(value_type = Option<String>)]
    to: Option<When>,
    /// The most buckets that are wanted, 2 at least; 2000 by default. The grid is the finest that fits.
    max: Option<usize>,
    /// Channels, separated by commas; all that are configured by default.
    ch: Option<String>,
    /// `bin` (default) for the columns as bytes, `json` for people.
    #[serde(default)]
    #[param(inline)]
    fmt: Format,
}

#[derive(Clone, Copy, Debug, Default, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
enum Format {
    #[default]
    Bin,
    Json,
}

/// The past of channels as mean, lowest, highest and quality per bucket of a uniform grid.
///
/// `application/octet-stream`: u32 LE length of the head; a JSON head `{v,t0,dt,n,ch,cols}`, padded so
/// that columns begin on a multiple of 4; all means, lows and highs as f32 LE, channel after channel;
/// all qualities as u8. NaN: no number. For display; exports have every digit.
#[utoipa::path(get, path = "/api/v1/history", tag = "record", params(HistoryQuery),
    responses((status = 200, content((Vec<u8> = "application/octet-stream"), (serde_json::Value = "application/json"))),
        (status = 400, body = Problem, content_type = "application/problem+json"), (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn history(
    State(shared): State<Shared>,
    Params(query): Params<HistoryQuery>,
) -> Result<Response, Problem> {
    let view = &shared.view;
    let range = stretch(query.from, query.to, view.now(), Duration::from_hours(1))?;
    let rows = pick(view.record.channels().await?, query.ch.as_deref())?;
    // Two at least: a grid of round times cannot cover every stretch with one.
    let most = query
        .max
        .unwrap_or(BUCKETS)
        .clamp(2, (CELLS_MAX / rows.len().max(1)).max(2));
    let grid = Grid::over(range, most);
    // The semaphore is never closed; without a permit the reading would only be one too many.
    let _permit = shared.histories.acquire().await.ok();
    let utc = true_utc(&view.record).await?;
    let ids: Vec<_> = rows.iter().map(|row| row.id).collect();
    let buckets = read(&view.record, &utc, &ids, grid, range).await?;
    let columns = rows.iter().zip(buckets);
    let table = Table {
        t0: grid.from.millis(),
        dt: grid.step_us / 1000,
        n: grid.count,
        columns: columns
            .map(|(row, buckets)| column(view, row.name.as_str(), &buckets))
            .collect(),
    };
    Ok(match query.fmt {
        Format::Json => Json(table.json()).into_response(),
        Format::Bin => (
            [(header::CONTENT_TYPE, "application/octet-stream")],
            table.pack(),
        )
            .into_response(),
    })
}

type Buckets = Vec<Option<Bucket>>;

/// Buckets by true UTC. Where the axis was off it, a stretch of the axis is read on a grid of its
/// own and each bucket put where its middle lies: half a bucket off at most.
async fn read(
    record: &Readable,
    utc: &TrueUtc,
    ids: &[ChannelId],
    grid: Grid,
    range: (Stamp, Stamp),
) -> Result<Vec<Buckets>, StoreError> {
    let mut all = vec![vec![None; grid.count]; ids.len()];
    let (from, to) = (range.0.min(grid.from), range.1.max(grid.to()));
    for stretch in utc.stretches(from, to) {
        let part = part_of(stretch, grid.step_us);
        let history = record.history(ids, part).await?;
        for (column, buckets) in all.iter_mut().zip(history.channels) {
            for (begin, bucket) in begins(part).zip(buckets) {
                let middle = begin.plus(Duration::from_micros(grid.step_us.unsigned_abs() / 2));
                if let (Some(cell), Some(bucket)) = (cell(column, grid, utc.of(middle)), bucket) {
                    *cell = Some(cell.map_or(bucket, |other| merged(other, bucket)));
                }
            }
        }
    }
    Ok(all)
}

/// The grid with this step that covers a stretch of the axis.
fn part_of((from, to): (Stamp, Stamp), step_us: i64) -> Grid {
    let begin = from.micros().div_euclid(step_us);
    let end = (to.micros() - 1).div_euclid(step_us) + 1;
    Grid {
        from: Stamp::from_micros(begin * step_us),
        step_us,
        count: usize::try_from(end - begin).unwrap_or(0),
    }
}

fn begins(grid: Grid) -> impl Iterator<Item = Stamp> {
    (0_i64..).map(move |index| Stamp::from_micros(grid.from.micros() + index * grid.step_us))
}

fn cell(column: &mut Buckets, grid: Grid, at: Stamp) -> Option<&mut Option<Bucket>> {
    let index = (at.micros() - grid.from.micros()).div_euclid(grid.step_us);
    column.get_mut(usize::try_from(index).ok()?)
}

/// Two buckets of the axis that are one of UTC.
#[expect(clippy::cast_precision_loss, reason = "weights of a mean")]
fn merged(a: Bucket, b: Bucket) -> Bucket {
    let weights = (a.count as f64, b.count as f64);
    let mean = match (a.mean, b.mean) {
        (Some(x), Some(y)) => Some((x * weights.0 + y * weights.1) / (weights.0 + weights.1)),
        (one, other) => one.or(other),
    };
    Bucket {
        count: a.count + b.count,
        good: a.good + b.good,
        mean,
        min: a.min.into_iter().chain(b.min).reduce(f64::min),
        max: a.max.into_iter().chain(b.max).reduce(f64::max),
        quality: a.quality | b.quality,
    }
}

fn column(view: &View, name: &str, buckets: &[Option<Bucket>]) -> Column {
    let plan = view.channel(name).map(|index| &view.config.channels[index]);
    let resolution = plan.and_then(|plan| plan.mapping.resolution());
    let numbers = |of: fn(&Bucket) -> Option<f64>| {
        let number = |bucket: &Option<Bucket>| rounded(bucket.as_ref().and_then(of), resolution);
        buckets.iter().map(number).collect()
    };
    Column {
        name: name.to_owned(),
        mean: numbers(|bucket| bucket.mean),
        lo: numbers(|bucket| bucket.min),
        hi: numbers(|bucket| bucket.max),
        marks: buckets.iter().map(|bucket| mark(bucket.as_ref())).collect(),
    }
}

fn mark(bucket: Option<&Bucket>) -> Mark {
    bucket.map_or(Mark::None, |bucket| bucket.quality.worth().into())
}
