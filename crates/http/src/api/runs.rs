//! `/api/v1/runs`: runs asked for, listed, shown, stopped, noted, discarded.
//!
//! What is asked is written down and durable before the answer. The same routes serve the command line
//! where no daemon runs: it opens the record and asks itself, by [`answer_alone`].

mod answers;
mod asked;
mod keeping;
mod shown;
mod traverse;

use std::time::Duration;

use axum::Json;
use axum::body;
use axum::extract::rejection::PathRejection;
use axum::extract::{FromRef, FromRequestParts, Path, State};
use axum::http::{HeaderName, Request, StatusCode, header};
use axum::response::IntoResponse;
use serde::Deserialize;
use tokio_util::sync::CancellationToken;
use tower::ServiceExt;
use utoipa::IntoParams;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use zonda_model::RunId;
use zonda_station::runs::{Discard, RunError, RunErrorKind, Runs, Stop};
use zonda_store::RunPage;

use super::events::page_length;
use super::{Body, Params};
use crate::problem::Problem;

use answers::Answers;
use asked::{NewEvaluation, NewNote, NewRun, NewStop, NewWords};
use shown::{Discarded, Notes, Outcomes, RunList, ShownRun};

/// Notes of one answer.
const NOTES: i64 = 1000;

/// How long an answer waits for outcomes at most; what is not there by then says how far it is.
const PATIENCE_MAX: Duration = Duration::from_secs(20);
/// Where no daemon runs, nobody could ask again.
const PATIENCE_ALONE: Duration = Duration::from_hours(24);

/// What these routes share.
#[derive(Clone, Debug)]
pub(crate) struct Desk {
    runs: Runs,
    answers: Answers,
    is_alone: bool,
}

impl FromRef<Desk> for Runs {
    fn from_ref(desk: &Desk) -> Self {
        desk.runs.clone()
    }
}

/// The key in the address.
#[derive(FromRequestParts)]
#[from_request(via(Path), rejection(Problem))]
pub(crate) struct Id<T>(pub(crate) T);

impl From<PathRejection> for Problem {
    fn from(_: PathRejection) -> Self {
        Self::not_found(
            "A run's number stands in the address, such as /api/v1/runs/7; /api/v1/runs lists them.",
        )
    }
}

impl From<RunError> for Problem {
    fn from(error: RunError) -> Self {
        let status = match error.kind() {
            RunErrorKind::NotFound => StatusCode::NOT_FOUND,
            RunErrorKind::Conflict => StatusCode::CONFLICT,
            RunErrorKind::Invalid => StatusCode::UNPROCESSABLE_ENTITY,
            RunErrorKind::Unavailable => StatusCode::SERVICE_UNAVAILABLE,
            RunErrorKind::Internal => {
                return Self::internal("the runs could not be seen to", &error);
            }
        };
        Self::new(status, error.to_string())
    }
}

impl Desk {
    /// Of a daemon.
    pub(crate) fn new(runs: Runs) -> Self {
        Self {
            runs,
            answers: Answers::new(),
            is_alone: false,
        }
    }

    /// Keeps the evaluations of runs that go on up to date, until `stop`.
    pub(crate) async fn keep_up(self, stop: CancellationToken) {
        keeping::keep_up(self.answers, self.runs, stop).await;
    }
}

/// The routes. They need nothing but the desk, whatever else the router around them knows.
pub(crate) fn routes<S>(desk: Desk) -> OpenApiRouter<S>
where
    S: Clone + Send + Sync + 'static,
{
    at_desk(desk)
}

fn at_desk<S>(desk: Desk) -> OpenApiRouter<S>
where
    S: Clone + Send + Sync + 'static,
{
    OpenApiRouter::new()
        .routes(routes!(list, start))
        .routes(routes!(show, change, discard))
        .routes(routes!(stop))
        .routes(routes!(notes, note))
        .routes(routes!(evaluations, evaluate))
        .routes(routes!(cancel))
        .routes(routes!(traverse::show, traverse::lay))
        .routes(routes!(traverse::confirm))
        .routes(routes!(traverse::end))
        .with_state(desk)
}

/// Answers a request about runs where no daemon does: method, path with query, and body. Gives status
/// and text.
///
/// # Errors
/// The method or the path cannot be read.
pub async fn answer_alone(
    runs: &Runs,
    (method, path): (&str, &str),
    body: Option<String>,
) -> Result<(u16, String), axum::Error> {
    let request = Request::builder()
        .method(method)
        .uri(path)
        .header(header::CONTENT_TYPE, "application/json")
        .body(body.map_or_else(body::Body::empty, body::Body::from))
        .map_err(axum::Error::new)?;
    let desk = Desk {
        runs: runs.clone(),
        answers: Answers::new(),
        is_alone: true,
    };
    let (router, _) = at_desk::<()>(desk).split_for_parts();
    let answer = match router.oneshot(request).await {
        Ok(answer) => answer,
        Err(never) => match never {},
    };
    let status = answer.status().as_u16();
    let bytes = axum::body::to_bytes(answer.into_body(), usize::MAX).await?;
    Ok((status, String::from_utf8_lossy(&bytes).into_owned()))
}

#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct RunQuery {
    /// Runs with lower numbers than this: `next` of the page before.
    before: Option<i64>,
    /// How many, 1 to 1000; 100 by default.
    limit: Option<i64>,
    /// Only the run of this name that is not discarded.
    name: Option<String>,
    /// `true`: discarded ones too.
    #[serde(default)]
    discarded: bool,
}

/// Runs, newest first.
#[utoipa::path(get, path = "/api/v1/runs", tag = "runs", params(RunQuery),
    responses((status = 200, body = RunList), (status = 400, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn list(
    State(runs): State<Runs>,
    Params(query): Params<RunQuery>,
) -> Result<Json<RunList>, Problem> {
    let limit = page_length(query.limit)?;
    let rows = if let Some(name) = &query.name {
        runs.record().run_named(name).await?.into_iter().collect()
    } else {
        let page = RunPage {
            before: query.before.map(RunId),
            limit,
            with_discarded: query.discarded,
        };
        runs.record().runs(page).await?
    };
    Ok(Json(RunList::of(&runs, rows, limit).await?))
}

/// Asks for a run. With `from` and `to` it is cut out of what is recorded; otherwise it begins as
/// `start` says: `now`, `at 2026-11-25T22:00:00Z` or `when Z1.temperature above 180 °C for 5 min`.
#[utoipa::path(post, path = "/api/v1/runs", tag = "runs", request_body = NewRun,
    responses((status = 400, body = Problem, content_type = "application/problem+json"), (status = 201, body = ShownRun), (status = 409, body = Problem, content_type = "application/problem+json"),
        (status = 422, body = Problem, content_type = "application/problem+json"), (status = 503, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn start(
    State(runs): State<Runs>,
    Body(new): Body<NewRun>,
) -> Result<impl IntoResponse, Problem> {
    let id = match new.read(&runs)? {
        asked::Wanted::Ask(ask) => runs.ask(ask).await?,
        asked::Wanted::Cut(cut) => runs.cut(cut).await?,
    };
    let place: [(HeaderName, String); 1] = [(header::LOCATION, format!("/api/v1/runs/{}", id.0))];
    let shown = ShownRun::load(&runs, id).await?;
    Ok((StatusCode::CREATED, place, Json(shown)))
}

/// One run: what was asked, what happened, and what a reader must not overlook.
#[utoipa::path(get, path = "/api/v1/runs/{id}", tag = "runs", params(("id" = i64, Path, description = "its number")),
    responses((status = 200, body = ShownRun), (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn show(
    State(runs): State<Runs>,
    Id(id): Id<i64>,
) -> Result<Json<ShownRun>, Problem> {
    Ok(Json(ShownRun::load(&runs, RunId(id)).await?))
}

/// Says something anew of a run; what was said before stays in the record.
#[utoipa::path(patch, path = "/api/v1/runs/{id}", tag = "runs", params(("id" = i64, Path, description = "its number")), request_body = NewWords,
    responses((status = 400, body = Problem, content_type = "application/problem+json"), (status = 200, body = ShownRun), (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 422, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn change(
    State(runs): State<Runs>,
    Id(id): Id<i64>,
    Body(said): Body<NewWords>,
) -> Result<Json<ShownRun>, Problem> {
    let (by, fields) = said.read();
    runs.say(RunId(id), &by, fields).await?;
    Ok(Json(ShownRun::load(&runs, RunId(id)).await?))
}

#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct DiscardQuery {
    /// The run's name, as a safeguard.
    name: String,
    /// Who discards it.
    by: String,
    /// Why.
    why: String,
    /// The last of several: every run from this one to that goes.
    through: Option<i64>,
    /// Its name, as a safeguard.
    through_name: Option<String>,
}

/// Discards a run, or a range of them. Their samples stay; so do their names, their steps, who
/// discarded them and why.
#[utoipa::path(delete, path = "/api/v1/runs/{id}", tag = "runs", params(("id" = i64, Path, description = "its number"), DiscardQuery),
    responses((status = 400, body = Problem, content_type = "application/problem+json"), (status = 200, body = Discarded), (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 409, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn discard(
    State(runs): State<Runs>,
    Id(id): Id<i64>,
    Params(query): Params<DiscardQuery>,
) -> Result<Json<Discarded>, Problem> {
    let last = match (query.through, query.through_name) {
        (None, None) => None,
        (Some(through), Some(name)) => Some((RunId(through), name)),
        _ => {
            return Err(Problem::bad_request(
                "`through` and `through_name` go together: the number of the last run, and its name as a safeguard.",
            ));
        }
    };
    let discard = Discard {
        first: (RunId(id), query.name),
        last,
        by: query.by,
        why: query.why,
    };
    let discarded = runs.discard(discard).await?;
    Ok(Json(Discarded { discarded }))
}

/// Stops a run, or calls it off before it began.
#[utoipa::path(post, path = "/api/v1/runs/{id}/stop", tag = "runs", params(("id" = i64, Path, description = "its number")), request_body = NewStop,
    responses((status = 400, body = Problem, content_type = "application/problem+json"), (status = 200, body = ShownRun), (status = 409, body = Problem, content_type = "application/problem+json"),
        (status = 422, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn stop(
    State(runs): State<Runs>,
    Id(id): Id<i64>,
    Body(stop): Body<NewStop>,
) -> Result<Json<ShownRun>, Problem> {
    let stop = Stop {
        at: stop.at.map(|at| at.0),
        by: stop.by,
        why: stop.why,
    };
    runs.stop(RunId(id), stop).await?;
    Ok(Json(ShownRun::load(&runs, RunId(id)).await?))
}

/// The notes to a run, in the order of their writing.
#[utoipa::path(get, path = "/api/v1/runs/{id}/notes", tag = "runs", params(("id" = i64, Path, description = "its number")),
    responses((status = 200, body = Notes), (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn notes(
    State(runs): State<Runs>,
    Id(id): Id<i64>,
) -> Result<Json<Notes>, Problem> {
    runs.row(RunId(id)).await?;
    Ok(Json(Notes::load(&runs, RunId(id)).await?))
}

/// Adds a note; it is never edited.
#[utoipa::path(post, path = "/api/v1/runs/{id}/notes", tag = "runs", params(("id" = i64, Path, description = "its number")), request_body = NewNote,
    responses((status = 400, body = Problem, content_type = "application/problem+json"), (status = 201, body = Notes), (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 422, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn note(
    State(runs): State<Runs>,
    Id(id): Id<i64>,
    Body(note): Body<NewNote>,
) -> Result<(StatusCode, Json<Notes>), Problem> {
    runs.note(RunId(id), note.into()).await?;
    Ok((
        StatusCode::CREATED,
        Json(Notes::load(&runs, RunId(id)).await?),
    ))
}

#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct WaitQuery {
    /// How many seconds to wait for outcomes that are yet to be worked out, 0 to 20; 5 by default.
    wait_s: Option<u64>,
}

/// The evaluations asked of a run, and what came of them. What is not worked out yet says how far it is; ask again.
#[utoipa::path(get, path = "/api/v1/runs/{id}/evaluations", tag = "runs", params(("id" = i64, Path, description = "its number"), WaitQuery),
    responses((status = 200, body = Outcomes), (status = 400, body = Problem, content_type = "application/problem+json"), (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn evaluations(
    State(desk): State<Desk>,
    Id(id): Id<i64>,
    Params(query): Params<WaitQuery>,
) -> Result<Json<Outcomes>, Problem> {
    let wait = Duration::from_secs(query.wait_s.unwrap_or(5)).min(PATIENCE_MAX);
    let wait = if desk.is_alone { PATIENCE_ALONE } else { wait };
    Ok(Json(desk.outcomes(id, wait).await?))
}

/// Asks an evaluation of a run. It is worked out when somebody asks for it.
#[utoipa::path(post, path = "/api/v1/runs/{id}/evaluations", tag = "runs", params(("id" = i64, Path, description = "its number")), request_body = NewEvaluation,
    responses((status = 400, body = Problem, content_type = "application/problem+json"), (status = 201, body = Outcomes), (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 422, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn evaluate(
    State(desk): State<Desk>,
    Id(id): Id<i64>,
    Body(new): Body<NewEvaluation>,
) -> Result<(StatusCode, Json<Outcomes>), Problem> {
    let by = new.by.clone();
    let asked = new.pair()?;
    desk.runs.evaluate(RunId(id), by.as_deref(), asked).await?;
    let outcomes = desk.outcomes(id, Duration::ZERO).await?;
    Ok((StatusCode::CREATED, Json(outcomes)))
}

/// Ends an evaluation that is being worked out. It is begun anew by whoever asks for its outcome, and while its run goes on by the
/// daemon itself.
#[utoipa::path(post, path = "/api/v1/runs/{id}/evaluations/{evaluation}/cancel", tag = "runs",
    params(("id" = i64, Path, description = "the run's number"), ("evaluation" = i64, Path, description = "the evaluation's number")),
    responses((status = 204, description = "It ends at the next page of samples."), (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn cancel(
    State(desk): State<Desk>,
    Id((id, evaluation)): Id<(i64, i64)>,
) -> Result<StatusCode, Problem> {
    if desk.answers.cancel((RunId(id), evaluation)) {
        return Ok(StatusCode::NO_CONTENT);
    }
    Err(Problem::not_found(
        "This evaluation is not being worked out at the moment.",
    ))
}

impl Desk {
    async fn outcomes(&self, id: i64, wait: Duration) -> Result<Outcomes, Problem> {
        Outcomes::load(&self.runs, &self.answers, RunId(id), wait).await
    }
}
