//! `/api/v1/loopchecks`: loop checks, under way and recorded.
//!
//! One goes like this: begin; apply the signal that is asked for; say so (`points`); look until the
//! point is taken; and so on. At the last point the check is recorded. Put the loop back in service,
//! and end it (`end`): until then the channel's readings carry `loop_check`.

use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use zonda_config::LoopPlan;
use zonda_model::Unit;
use zonda_model::written::Span;
use zonda_proof::loop_check::{Points, Taken, USUAL, Waiting};
use zonda_station::loopcheck::{CheckView, Refused, Request};
use zonda_store::LoopCheckRow;

use super::agreement::Known;
use super::events::page_length;
use super::when::rfc3339;
use super::{Body, Params, Shared, unknown_channel};
use crate::problem::Problem;
use crate::stream::true_utc;
use crate::view::View;

#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct LoopCheckQuery {
    /// Those of this channel alone.
    channel: Option<String>,
    /// Checks with lower numbers than this: `next` of the page before.
    before: Option<i64>,
    /// How many, 1 to 1000; 100 by default.
    limit: Option<i64>,
}

/// What a loop check is to be.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Begin {
    /// The channel.
    channel: String,
    /// Who does it.
    operator: String,
    /// Where the signal comes from: the calibrator, or `the meter's own output test`.
    source: String,
    /// Its serial number.
    #[serde(default)]
    serial: String,
    /// What there is to add.
    #[serde(default)]
    note: String,
    /// 2 to 11 points in per cent of the span, in the order in which they are applied; 0, 25, 50, 75, 100 by default.
    points_percent: Option<Vec<f64>>,
    /// The largest error that passes, in per cent of the span; the configuration's by default.
    tolerance_percent: Option<f64>,
}

/// Loop checks under way, and a page of recorded ones, newest first.
#[derive(Debug, Serialize, ToSchema)]
#[expect(
    clippy::struct_field_names,
    reason = "they are the names in the answer"
)]
pub(crate) struct LoopChecks {
    under_way: Vec<UnderWay>,
    loop_checks: Vec<Recorded>,
    /// `before` of the next page; `null` on the last.
    next: Option<i64>,
}

/// How far a loop check is.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnderWay {
    /// The channel.
    channel: String,
    /// When it was begun, true UTC.
    begun: String,
    /// `apply`: the target is to be put on the loop; `settling`: the signal is waited for to rest;
    /// `complete`: every point is taken and recorded, the loop is to be put back in service; `over`.
    state: &'static str,
    /// How many points it has.
    points: usize,
    /// What is to be applied, or is settling.
    target: Option<Target>,
    /// What stands on the loop while a point settles.
    standing: Option<Standing>,
    /// What was last wrong.
    trouble: Option<String>,
    /// The largest error that passes, in per cent of the span.
    tolerance_percent: f64,
    /// The points taken.
    taken: Vec<Point>,
    /// What it says, once every point is taken.
    outcome: Option<Outcome>,
}

/// A signal to be applied.
#[derive(Debug, Serialize, ToSchema)]
struct Target {
    /// Which point, from 1.
    point: usize,
    /// Where it lies in the span, per cent.
    percent: f64,
    /// The signal.
    signal: f64,
    /// Its unit.
    signal_unit: &'static str,
    /// What it stands for; `null` where the value does not follow the signal in a straight line.
    value: Option<f64>,
    /// Its unit.
    value_unit: &'static str,
}

/// What stands on a loop.
#[derive(Debug, Serialize, ToSchema)]
struct Standing {
    /// Mean over some seconds, in the unit of the signal.
    signal: f64,
    /// Standard deviation.
    deviation: f64,
}

/// A point that was taken.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = LoopPoint)]
struct Point {
    /// When, true UTC.
    at: String,
    /// Where it lies in the span, per cent.
    percent: f64,
    /// What was applied.
    target: f64,
    /// What arrived; standard uncertainty.
    found: Known,
    /// The unit of both.
    unit: &'static str,
    /// Found − target, in per cent of the span.
    error_percent: f64,
    /// The same in the unit of the value; `null` where the value does not follow in a straight line.
    error: Option<f64>,
    /// Its unit.
    error_unit: Option<&'static str>,
    /// Of how many samples.
    samples: i64,
}

/// What a whole check says.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = LoopOutcome)]
struct Outcome {
    /// Found per applied; standard uncertainty.
    gain: Known,
    /// Offset at the beginning of the span, in per cent of it; standard uncertainty.
    offset_percent: Known,
    /// The largest error with its sign, in per cent of the span.
    error_max_percent: f64,
    /// Every error is within the tolerance.
    passed: bool,
}

/// A loop check in the record.
#[derive(Debug, Serialize, ToSchema)]
struct Recorded {
    /// Its number; later ones have higher ones.
    id: i64,
    /// When its last point was taken, true UTC.
    at: String,
    /// The channel.
    channel: String,
    /// The version of the channel's mapping then.
    mapping: i64,
    /// Who did it.
    operator: String,
    /// Where the signal came from.
    source: String,
    /// Its serial number, or nothing.
    serial: String,
    /// The loop's span.
    signal: String,
    /// What its ends stand for.
    range: String,
    /// The largest error that passes, in per cent of the span.
    tolerance_percent: f64,
    /// What it says.
    outcome: Outcome,
    /// What there is to add.
    note: String,
    /// The points in the order in which they were taken.
    points: Vec<Point>,
    /// BLAKE3 over the check; an event of the sealed record tells the same.
    hash: String,
    /// True where the check still has that hash.
    untouched: bool,
}

/// Loop checks: those under way, and a page of those in the record, newest first.
#[utoipa::path(get, path = "/api/v1/loopchecks", tag = "instruments", params(LoopCheckQuery),
    responses((status = 200, body = LoopChecks), (status = 400, body = Problem, content_type = "application/problem+json"), (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn loopchecks(
    State(shared): State<Shared>,
    Params(query): Params<LoopCheckQuery>,
) -> Result<Json<LoopChecks>, Problem> {
    let view = &shared.view;
    let limit = page_length(query.limit)?;
    let known = view.record.channels().await?;
    let channel = match &query.channel {
        None => None,
        Some(name) => {
            let found = known.iter().find(|row| row.name.as_str() == name);
            Some(found.ok_or_else(|| unknown_channel(name))?.id)
        }
    };
    let utc = true_utc(&view.record).await?;
    let rows = view
        .record
        .loop_checks(channel, query.before, limit)
        .await?;
    let is_full = i64::try_from(rows.len()).is_ok_and(|rows| rows == limit);
    let next = rows.last().filter(|_| is_full).map(|row| row.id);
    let name = |row: &LoopCheckRow| {
        let found = known.iter().find(|channel| channel.id == row.check.channel);
        found.map_or_else(String::new, |channel| channel.name.to_string())
    };
    let under_way = view.loop_checks.look();
    let is_wanted = |check: &&CheckView| {
        let name = view.config.channels[check.channel].name.as_str();
        query.channel.as_ref().is_none_or(|wanted| wanted == name)
    };
    Ok(Json(LoopChecks {
        under_way: under_way
            .iter()
            .filter(is_wanted)
            .map(|check| under_way_of(check, view))
            .collect(),
        loop_checks: rows
            .iter()
            .map(|row| recorded(row, name(row), &|at| rfc3339(utc.of(at))))
            .collect(),
        next,
    }))
}

/// Begins a loop check. From now on the channel's readings carry `loop_check`.
#[utoipa::path(post, path = "/api/v1/loopchecks", tag = "instruments", request_body = Begin,
    responses((status = 201, body = UnderWay), (status = 400, body = Problem, content_type = "application/problem+json"),
              (status = 404, body = Problem, content_type = "application/problem+json"), (status = 409, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn begin(
    State(shared): State<Shared>,
    Body(asked): Body<Begin>,
) -> Result<(StatusCode, Json<UnderWay>), Problem> {
    let view = &shared.view;
    let fractions = match asked.points_percent {
        None => USUAL.to_vec(),
        Some(percent) => percent.into_iter().map(|percent| percent / 100.0).collect(),
    };
    let points =
        Points::new(fractions).map_err(|error| Problem::bad_request(format!("{error}.")))?;
    let request = Request {
        channel: asked.channel,
        operator: asked.operator.trim().to_owned(),
        source: asked.source.trim().to_owned(),
        serial: asked.serial.trim().to_owned(),
        note: asked.note.trim().to_owned(),
        points,
        tolerance: asked.tolerance_percent.map(|percent| percent / 100.0),
    };
    let check = view.loop_checks.begin(&view.record, request).await?;
    Ok((StatusCode::CREATED, Json(under_way_of(&check, view))))
}

/// The loop check of a channel that is under way, or that ended last.
#[utoipa::path(get, path = "/api/v1/loopchecks/{channel}", tag = "instruments",
    params(("channel" = String, Path, description = "its name")),
    responses((status = 200, body = UnderWay), (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn loopcheck(
    State(shared): State<Shared>,
    Path(channel): Path<String>,
) -> Result<Json<UnderWay>, Problem> {
    let view = &shared.view;
    let found = view.loop_checks.look_at(&channel);
    let found = found.ok_or_else(|| Problem::from(Refused::NotUnderWay(channel)))?;
    Ok(Json(under_way_of(&found, view)))
}

/// Says that the signal of the next point stands on the loop. Look at the check until the point is taken.
#[utoipa::path(post, path = "/api/v1/loopchecks/{channel}/points", tag = "instruments",
    params(("channel" = String, Path, description = "its name")),
    responses((status = 400, body = Problem, content_type = "application/problem+json"), (status = 202, body = UnderWay), (status = 404, body = Problem, content_type = "application/problem+json"), (status = 409, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn applied(
    State(shared): State<Shared>,
    Path(channel): Path<String>,
) -> Result<(StatusCode, Json<UnderWay>), Problem> {
    let check = shared.view.loop_checks.applied(&channel)?;
    Ok((
        StatusCode::ACCEPTED,
        Json(under_way_of(&check, &shared.view)),
    ))
}

/// Says that the loop is back in service. A check that is not complete is dropped.
#[utoipa::path(post, path = "/api/v1/loopchecks/{channel}/end", tag = "instruments",
    params(("channel" = String, Path, description = "its name")),
    responses((status = 400, body = Problem, content_type = "application/problem+json"), (status = 200, body = UnderWay), (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn end(
    State(shared): State<Shared>,
    Path(channel): Path<String>,
) -> Result<Json<UnderWay>, Problem> {
    let check = shared.view.loop_checks.end(&channel)?;
    Ok(Json(under_way_of(&check, &shared.view)))
}

impl From<Refused> for Problem {
    fn from(refused: Refused) -> Self {
        let status = match &refused {
            Refused::Unknown(_) | Refused::NotUnderWay(_) => StatusCode::NOT_FOUND,
            Refused::UnderWay(_) | Refused::OutOfTurn(_) => StatusCode::CONFLICT,
            Refused::TooMany => StatusCode::SERVICE_UNAVAILABLE,
            Refused::NoLoop(_) | Refused::Words { .. } | Refused::Tolerance(_) => {
                StatusCode::BAD_REQUEST
            }
            Refused::Store(error) => return Self::internal("the record could not be read", error),
        };
        let mut text = refused.to_string();
        if let Some(first) = text.get_mut(..1) {
            first.make_ascii_uppercase();
        }
        Self::new(status, format!("{text}."))
    }
}

fn under_way_of(check: &CheckView, view: &View) -> UnderWay {
    let plan = &view.config.channels[check.channel];
    let spans = plan.loop_check.map(Spans::of);
    let signal_unit = spans.map_or(plan.unit, |spans| spans.signal.unit);
    let target = |point: usize, share: f64, target: f64| Target {
        point: point + 1,
        percent: 100.0 * share,
        signal: signal_unit.from_si(target),
        signal_unit: signal_unit.symbol(),
        value: spans.and_then(|spans| spans.value_at(share)),
        value_unit: spans.map_or(plan.unit, |spans| spans.range.unit).symbol(),
    };
    let (state, target) = match check.waiting {
        _ if !check.is_marked => ("over", None),
        Waiting::ForSignal {
            point,
            share,
            target: si,
        } => ("apply", Some(target(point, share, si))),
        Waiting::ForRest {
            point,
            share,
            target: si,
        } => ("settling", Some(target(point, share, si))),
        Waiting::ForNothing => ("complete", None),
    };
    let time = |at| rfc3339(view.utc(at));
    UnderWay {
        channel: plan.name.to_string(),
        begun: time(check.begun),
        state,
        points: check.points,
        target,
        standing: check.standing.map(|(mean, deviation)| Standing {
            signal: signal_unit.from_si(mean),
            deviation: signal_unit.difference_from_si(deviation),
        }),
        trouble: check.trouble.clone(),
        tolerance_percent: 100.0 * check.tolerance,
        taken: check
            .taken
            .iter()
            .map(|taken| point_of(&Numbers::from(taken), spans, signal_unit, &time))
            .collect(),
        outcome: check.outcome.map(|outcome| Outcome {
            gain: Known {
                value: outcome.gain.value,
                u: outcome.gain.u,
            },
            offset_percent: Known {
                value: 100.0 * outcome.offset.value,
                u: 100.0 * outcome.offset.u,
            },
            error_max_percent: 100.0 * outcome.error_max,
            passed: outcome.is_passed,
        }),
    }
}

fn recorded(
    row: &LoopCheckRow,
    channel: String,
    time: &dyn Fn(zonda_model::Stamp) -> String,
) -> Recorded {
    let check = &row.check;
    let signal = check.signal.parse::<Span>().ok();
    let spans = signal.and_then(|signal| {
        let range = check.range.parse::<Span>().ok()?;
        Some(Spans {
            signal,
            range,
            is_straight: true,
        })
    });
    let unit = signal.map_or(Unit::One, |signal| signal.unit);
    Recorded {
        id: row.id,
        at: time(check.at),
        channel,
        mapping: check.mapping,
        operator: check.operator.clone(),
        source: check.source.clone(),
        serial: check.serial.clone(),
        signal: check.signal.clone(),
        range: check.range.clone(),
        tolerance_percent: 100.0 * check.tolerance,
        outcome: Outcome {
            gain: Known {
                value: check.gain.0,
                u: check.gain.1,
            },
            offset_percent: Known {
                value: 100.0 * check.zero.0,
                u: 100.0 * check.zero.1,
            },
            error_max_percent: 100.0 * check.error_max,
            passed: check.is_passed,
        },
        note: check.note.clone(),
        points: check
            .points
            .iter()
            .map(|point| point_of(&Numbers::from(point), spans, unit, time))
            .collect(),
        hash: row.hash.clone(),
        untouched: row.is_untouched(),
    }
}

/// What is known of a loop beside its signals in SI.
#[derive(Clone, Copy, Debug)]
struct Spans {
    signal: Span,
    range: Span,
    is_straight: bool,
}

impl Spans {
    const fn of(plan: LoopPlan) -> Self {
        Self {
            signal: plan.signal,
            range: plan.value,
            is_straight: plan.is_straight,
        }
    }

    /// What a share of the span stands for, in the unit of the range.
    fn value_at(self, share: f64) -> Option<f64> {
        self.is_straight
            .then_some(self.range.from + share * (self.range.to - self.range.from))
    }

    /// An error as a share of the span, in the unit of the range.
    fn error(self, share: f64) -> Option<f64> {
        self.is_straight
            .then_some(share * (self.range.to - self.range.from))
    }
}

/// The numbers of a point, wherever it comes from.
struct Numbers {
    at: zonda_model::Stamp,
    share: f64,
    target: f64,
    found: (f64, f64),
    error: f64,
    samples: i64,
}

impl From<&Taken> for Numbers {
    fn from(taken: &Taken) -> Self {
        Self {
            at: taken.at,
            share: taken.share,
            target: taken.target,
            found: (taken.found.value, taken.found.u),
            error: taken.error,
            samples: i64::try_from(taken.samples).unwrap_or(i64::MAX),
        }
    }
}

impl From<&zonda_store::LoopPoint> for Numbers {
    fn from(point: &zonda_store::LoopPoint) -> Self {
        let zonda_store::LoopPoint {
            at,
            share,
            target,
            found,
            error,
            samples,
        } = *point;
        Self {
            at,
            share,
            target,
            found,
            error,
            samples,
        }
    }
}

fn point_of(
    point: &Numbers,
    spans: Option<Spans>,
    unit: Unit,
    time: &dyn Fn(zonda_model::Stamp) -> String,
) -> Point {
    let error = spans.and_then(|spans| spans.error(point.error));
    Point {
        at: time(point.at),
        percent: 100.0 * point.share,
        target: unit.from_si(point.target),
        found: Known {
            value: unit.from_si(point.found.0),
            u: unit.difference_from_si(point.found.1),
        },
        unit: unit.symbol(),
        error_percent: 100.0 * point.error,
        error,
        error_unit: spans
            .filter(|_| error.is_some())
            .map(|spans| spans.range.unit.symbol()),
        samples: point.samples,
    }
}
