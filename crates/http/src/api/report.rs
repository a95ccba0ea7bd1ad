//! `GET /api/v1/runs/{id}/report`: the test report on a run, as one HTML file or a PDF.

use std::path::Path;

use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use utoipa::{IntoParams, ToSchema};
use zonda_model::RunId;
use zonda_report::{NoPdf, NoReport, Paper, RunFacts, Typesetter, Wanted, Watch, html, report};

use super::disposition::disposition;
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
    /// `html` (default) or `pdf`.
    #[param(inline)]
    #[serde(rename = "as")]
    form: Option<Form>,
}

#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = ReportForm)]
enum Form {
    Html,
    Pdf,
}

#[derive(Clone, Copy, Debug, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
enum On {
    A4,
    Letter,
}

/// The test report on a run: one HTML file that needs nothing else, or a PDF, tagged for screen readers. The
/// evaluations that were asked of the run are worked out for it, which takes seconds on a long run. The PDF
/// needs the program `zonda-typeset` beside the daemon.
#[utoipa::path(get, path = "/api/v1/runs/{id}/report", tag = "runs", params(("id" = i64, Path, description = "its number"), ReportQuery),
    responses((status = 200, content((String = "text/html"), (Vec<u8> = "application/pdf"))),
        (status = 400, body = Problem, content_type = "application/problem+json"), (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 409, body = Problem, content_type = "application/problem+json", description = "it covers no stretch of the record"),
        (status = 501, body = Problem, content_type = "application/problem+json", description = "the typesetter is not installed"),
        (status = 503, body = Problem, content_type = "application/problem+json", description = "two exports are under way")))]
pub(crate) async fn report_on(
    State(shared): State<Shared>,
    Id(id): Id<i64>,
    Params(query): Params<ReportQuery>,
) -> Result<Response, Problem> {
    let _permit = permit(&shared)?;
    let record = &shared.view.record;
    let run = RunFacts::of(record, RunId(id)).await?;
    let name = format!("zonda_{}_report", run.name());
    let is_pdf = query.form == Some(Form::Pdf);
    let typesetter = is_pdf.then(Typesetter::find).transpose()?;
    let file = shared.view.file.as_deref();
    let wanted = Wanted {
        paper: query.paper.map(|paper| match paper {
            On::A4 => Paper::A4,
            On::Letter => Paper::Letter,
        }),
        now: shared.view.now(),
        logo_dir: file.and_then(Path::parent).map(Path::to_owned),
        ..Wanted::default()
    };
    let document = report(record, run, wanted, &Watch::none()).await?;
    let Some(typesetter) = typesetter else {
        let headers = [
            (header::CONTENT_SECURITY_POLICY, POLICY.to_owned()),
            (header::CONTENT_TYPE, "text/html; charset=utf-8".to_owned()),
            disposition("inline", &format!("{name}.html")),
        ];
        return Ok((headers, html(&document)).into_response());
    };
    let headers = [
        (header::CONTENT_TYPE, "application/pdf".to_owned()),
        disposition("attachment", &format!("{name}.pdf")),
    ];
    Ok((headers, typesetter.set(&document).await?).into_response())
}

impl From<NoPdf> for Problem {
    fn from(error: NoPdf) -> Self {
        match error {
            NoPdf::NotInstalled | NoPdf::NotThere(_) => {
                Self::new(StatusCode::NOT_IMPLEMENTED, format!("{error}."))
            }
            error => Self::internal("the PDF could not be made", &error),
        }
    }
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
