//! `GET /api/v1/runs/{id}/report`: the test report on a run, as one HTML file.

use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use utoipa::{IntoParams, ToSchema};
use zonda_model::RunId;
use zonda_report::{NoReport, Paper, RunFacts, Wanted, Watch, html, report};

use super::export::permit;
use super::runs::Id;
use super::{Params, Shared};
use crate::problem::Problem;

/// The report carries its own style and pictures, runs nothing and asks nobody for anything.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct ReportQuery {
    /// `a4` or `letter`; as the configuration says by default.
    #[param(inline)]
    paper: Option<On>,
}

#[derive(Clone, Copy, Debug, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
enum On {
    A4,
    Letter,
}

/// The test report on a run: one HTML file that needs nothing else. The evaluations that were asked of the
/// run are worked out for it, which takes seconds on a long run.
#[utoipa::path(get, path = "/api/v1/runs/{id}/report", tag = "runs", params(("id" = i64, Path, description = "its number"), ReportQuery),
    responses((status = 200, content((String = "text/html"))),
        (status = 400, body = Problem, content_type = "application/problem+json"), (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 409, body = Problem, content_type = "application/problem+json", description = "it covers no stretch of the record"),
        (status = 503, body = Problem, content_type = "application/problem+json", description = "two exports are under way")))]
pub(crate) async fn report_on(
    State(shared): State<Shared>,
    Id(id): Id<i64>,
    Params(query): Params<ReportQuery>,
) -> Result<Response, Problem> {
    let _permit = permit(&shared)?;
    let record = &shared.view.record;
    let run = RunFacts::of(record, RunId(id)).await?;
    let name = format!("zonda_{}_report.html", run.name());
    let wanted = Wanted {
        paper: query.paper.map(|paper| match paper {
            On::A4 => Paper::A4,
            On::Letter => Paper::Letter,
        }),
        now: shared.view.now(),
        ..Wanted::default()
    };
    let document = report(record, run, wanted, &Watch::none()).await?;
    let headers = [
        (header::CONTENT_SECURITY_POLICY, POLICY.to_owned()),
        (header::CONTENT_TYPE, "text/html; charset=utf-8".to_owned()),
        (
            header::CONTENT_DISPOSITION,
            format!("inline; filename=\"{name}\""),
        ),
    ];
    Ok((headers, html(&document)).into_response())
}

impl From<NoReport> for Problem {
    fn from(error: NoReport) -> Self {
        match error {
            NoReport::Run(error) => error.into(),
            NoReport::Store(error) => error.into(),
            error => Self::internal("the report failed", &error),
        }
    }
}
