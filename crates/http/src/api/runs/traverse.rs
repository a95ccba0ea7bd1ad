//! `/api/v1/runs/{id}/traverse`: one probe goes from point to point, and somebody confirms where it is.

use std::time::Duration;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use utoipa::ToSchema;
use zonda_evaluate::moved::{Next, PointRead, Visit};
use zonda_model::RunId;
use zonda_model::written::Amount;
use zonda_report::TrueUtc;
use zonda_station::runs::Runs;
use zonda_station::runs::traverse::{Laid, LaidPoint, Lay, Progress};

use super::Id;
use crate::api::Body;
use crate::api::when::rfc3339;
use crate::problem::Problem;
use crate::stream::true_utc;

/// For how long a point is read where nobody says.
const DWELL: &str = "30 s";
/// Over which a channel has to be steady where nobody says: what follows turbulence takes at least 64 readings.
const OVER: &str = "64 s";
/// How long steadiness is waited for where nobody says.
const PATIENCE: &str = "10 min";

/// A traverse that is asked for.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct NewTraverse {
    /// The layout of the duct, as the configuration names it.
    layout: String,
    /// The channel of the probe's velocity, or its meter.
    probe: String,
    /// For how long each point is read; 30 s by default.
    dwell: Option<String>,
    /// A movement that does not matter, such as `0.2 m/s`.
    within: String,
    /// Over which it has to be steady: 64 of its readings at least; 64 s by default.
    over: Option<String>,
    /// For how long steadiness is waited for; then the point is read all the same, and the reading says so. 10 min by default.
    patience: Option<String>,
    /// For the evaluation at the end: the absolute pressure in the duct, a channel or an amount.
    pressure: Option<String>,
    /// For the evaluation at the end: the temperature in the duct, a channel or an amount.
    temperature: Option<String>,
    /// For the evaluation at the end: the humidity, such as `50 % at 23 °C`.
    humidity: Option<String>,
    /// For the evaluation at the end: the reference of the standard flow, such as `20 °C`.
    reference: Option<String>,
    /// Who asks.
    by: String,
}

/// The probe is where it should be.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Confirmation {
    /// The number of the point at which the probe is; the next one by default.
    point: Option<usize>,
    /// Who says so.
    by: String,
}

/// The traverse is over.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct End {
    /// Who says so.
    by: String,
}

/// A moved-probe traverse, as far as it has come. Velocities are in m/s.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ShownTraverse {
    /// The layout of the duct.
    layout: String,
    /// The channel of the probe's velocity.
    channel: String,
    /// When it was laid out.
    since: String,
    /// By whom.
    by: String,
    /// For how long each point is read, s.
    dwell_s: f64,
    /// When it ended; `null` while it goes on.
    ended: Option<String>,
    /// What is to be done: `move` the probe to the point of `next` and confirm it, `wait` until the point is read, `end` the
    /// traverse; `null` once it ended.
    to_do: Option<&'static str>,
    /// Where the probe is to go next, or where it is being read.
    next: Option<ShownPoint>,
    /// Where the present visit stands: `settling` or `dwelling`; `null` where none is under way.
    stage: Option<&'static str>,
    /// Since when, true UTC.
    stage_since: Option<String>,
    /// The points, in the order of measuring, with the readings that hold.
    points: Vec<ShownPoint>,
    /// The reading of the first point after all were read.
    again: Option<ShownRead>,
    /// By what share the first point has changed until then.
    drift: Option<f64>,
    /// Mean velocity by the shares of the area; `null` before every point is read. What flows, with its uncertainty, is the
    /// evaluation `traverse` that ending asks of the run.
    mean: Option<f64>,
    /// Every visit there was.
    visits: Vec<ShownVisit>,
}

/// A point of the duct.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub(crate) struct ShownPoint {
    /// Its number.
    point: usize,
    /// Its line.
    line: usize,
    /// From the inner wall at the port to the point, along the line, mm: the mark on the probe.
    insertion_mm: f64,
    /// To the nearest wall, mm.
    wall_mm: f64,
    /// To the right of the middle, mm.
    x_mm: f64,
    /// Above the middle, mm.
    y_mm: f64,
    /// Share of the area that it stands for.
    weight: f64,
    /// What was read there last.
    read: Option<ShownRead>,
}

/// What was read at a point.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub(crate) struct ShownRead {
    /// From when on, true UTC.
    from: String,
    /// Until when, true UTC.
    to: String,
    /// The mean of the readings.
    mean: f64,
    /// How many.
    count: u32,
    /// False where patience ended before it was steady.
    steady: bool,
}

/// A visit to a point.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ShownVisit {
    /// The number of the point.
    point: usize,
    /// When the probe was put there, true UTC.
    at: String,
    /// Who said so.
    by: String,
    /// What was read; `null` where it was left before, or is under way.
    read: Option<ShownRead>,
}

/// The newest traverse of a run: which point is next and where, and what was read so far.
#[utoipa::path(get, path = "/api/v1/runs/{id}/traverse", tag = "runs", params(("id" = i64, Path, description = "its number")),
    responses((status = 200, body = ShownTraverse), (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn show(
    State(runs): State<Runs>,
    Id(id): Id<i64>,
) -> Result<Json<ShownTraverse>, Problem> {
    runs.row(RunId(id)).await?;
    Ok(Json(ShownTraverse::load(&runs, RunId(id)).await?))
}

/// Lays a traverse out: one probe, every point of a layout, the first once more at the end.
#[utoipa::path(post, path = "/api/v1/runs/{id}/traverse", tag = "runs", params(("id" = i64, Path, description = "its number")), request_body = NewTraverse,
    responses((status = 400, body = Problem, content_type = "application/problem+json"), (status = 201, body = ShownTraverse), (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 409, body = Problem, content_type = "application/problem+json"), (status = 422, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn lay(
    State(runs): State<Runs>,
    Id(id): Id<i64>,
    Body(new): Body<NewTraverse>,
) -> Result<(StatusCode, Json<ShownTraverse>), Problem> {
    runs.lay(RunId(id), new.read()?).await?;
    let shown = ShownTraverse::load(&runs, RunId(id)).await?;
    Ok((StatusCode::CREATED, Json(shown)))
}

/// Confirms that the probe is at the next point, or at the one that is named: a point may be visited again.
#[utoipa::path(post, path = "/api/v1/runs/{id}/traverse/confirm", tag = "runs", params(("id" = i64, Path, description = "its number")), request_body = Confirmation,
    responses((status = 400, body = Problem, content_type = "application/problem+json"), (status = 200, body = ShownTraverse), (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 409, body = Problem, content_type = "application/problem+json"), (status = 422, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn confirm(
    State(runs): State<Runs>,
    Id(id): Id<i64>,
    Body(said): Body<Confirmation>,
) -> Result<Json<ShownTraverse>, Problem> {
    runs.confirm(RunId(id), said.point, said.by).await?;
    Ok(Json(ShownTraverse::load(&runs, RunId(id)).await?))
}

/// Ends the traverse. Where every point is read, the evaluation `traverse` is asked of the run.
#[utoipa::path(post, path = "/api/v1/runs/{id}/traverse/end", tag = "runs", params(("id" = i64, Path, description = "its number")), request_body = End,
    responses((status = 400, body = Problem, content_type = "application/problem+json"), (status = 200, body = ShownTraverse), (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 409, body = Problem, content_type = "application/problem+json"), (status = 422, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn end(
    State(runs): State<Runs>,
    Id(id): Id<i64>,
    Body(said): Body<End>,
) -> Result<Json<ShownTraverse>, Problem> {
    runs.end_traverse(RunId(id), said.by).await?;
    Ok(Json(ShownTraverse::load(&runs, RunId(id)).await?))
}

impl NewTraverse {
    fn read(self) -> Result<Lay, Problem> {
        let within: Amount = self
            .within
            .parse()
            .map_err(|error| unfit(&format!("`within`: {error}; write such as `0.2 m/s`")))?;
        let mut evaluation = Map::new();
        for (key, said) in [
            ("pressure", self.pressure),
            ("temperature", self.temperature),
            ("humidity", self.humidity),
            ("reference", self.reference),
        ] {
            evaluation.extend(said.map(|said| (key.to_owned(), Value::from(said))));
        }
        Ok(Lay {
            layout: self.layout,
            probe: self.probe,
            dwell: length("dwell", self.dwell.as_deref().unwrap_or(DWELL))?,
            within,
            over: length("over", self.over.as_deref().unwrap_or(OVER))?,
            patience: length("patience", self.patience.as_deref().unwrap_or(PATIENCE))?,
            evaluation,
            by: self.by,
        })
    }
}

fn unfit(what: &str) -> Problem {
    Problem::new(StatusCode::UNPROCESSABLE_ENTITY, what.to_owned())
}

/// A length of time from a second to a day.
fn length(key: &str, text: &str) -> Result<Duration, Problem> {
    let span = text.parse::<jiff::SignedDuration>().ok();
    let span = span.and_then(|span| Duration::try_from(span).ok());
    let usual = Duration::from_secs(1)..=Duration::from_hours(24);
    span.filter(|span| usual.contains(span)).ok_or_else(|| {
        unfit(&format!(
            "`{key}`: `{text}` is no length of time from 1 s to 24 h, such as `30 s`"
        ))
    })
}

impl ShownTraverse {
    async fn load(runs: &Runs, id: RunId) -> Result<Self, Problem> {
        let progress = runs.traverse(id).await?;
        let Some(progress) = progress else {
            return Err(Problem::not_found(
                "No traverse was laid out in this run; POST to this address does, or `zonda run traverse`.",
            ));
        };
        let utc = true_utc(runs.record()).await?;
        Ok(Self::of(&progress, &utc))
    }

    fn of(progress: &Progress, utc: &TrueUtc) -> Self {
        let time = |at| rfc3339(utc.of(at));
        let read = |read: &PointRead| ShownRead {
            from: time(read.from),
            to: time(read.to),
            mean: read.mean,
            count: read.count,
            steady: read.is_steady,
        };
        let Laid {
            layout, channel, ..
        } = &progress.laid;
        let pairs = progress.laid.points.iter().zip(&progress.tour.points);
        let points: Vec<ShownPoint> = pairs
            .map(|(point, found)| ShownPoint::of(point, found.as_ref().map(read)))
            .collect();
        let under_way = progress.visits.last().filter(|_| progress.is_reading());
        let (to_do, next) = match (progress.ended, under_way, progress.tour.next()) {
            (Some(_), ..) => (None, None),
            (None, Some(visited), _) => (Some("wait"), Some(visited.point)),
            (None, None, Next::Point(point)) => (Some("move"), Some(point)),
            (None, None, Next::Again) => (Some("move"), Some(0)),
            (None, None, Next::Done) => (Some("end"), None),
        };
        let stage = under_way.map(|visited| match visited.visit {
            Visit::Settling { since } => ("settling", since),
            Visit::Dwelling { since, .. } => ("dwelling", since),
            Visit::Read(found) => ("read", found.to),
        });
        let visits = progress.visits.iter().map(|visited| ShownVisit {
            point: points.get(visited.point).map_or(0, |point| point.point),
            at: time(visited.at),
            by: visited.by.clone(),
            read: match &visited.visit {
                Visit::Read(found) => Some(read(found)),
                _ => None,
            },
        });
        Self {
            layout: layout.clone(),
            channel: channel.clone(),
            since: time(progress.since.0),
            by: progress.since.1.clone(),
            dwell_s: progress.laid.dwell_s,
            ended: progress.ended.map(time),
            to_do,
            next: next.and_then(|point| points.get(point).cloned()),
            stage: stage.map(|(word, _)| word),
            stage_since: stage.map(|(_, since)| time(since)),
            again: progress.tour.again.as_ref().map(read),
            drift: progress.tour.drift(),
            mean: progress.mean(),
            visits: visits.collect(),
            points,
        }
    }
}

impl ShownPoint {
    fn of(point: &LaidPoint, read: Option<ShownRead>) -> Self {
        Self {
            point: point.number,
            line: point.line,
            insertion_mm: point.insertion_mm,
            wall_mm: point.wall_mm,
            x_mm: point.x_mm,
            y_mm: point.y_mm,
            weight: point.weight,
            read,
        }
    }
}
