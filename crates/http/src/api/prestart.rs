//! `GET /api/v1/prestart`: is everything there that the night needs?

use std::time::Duration;

use axum::Json;
use axum::extract::State;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use zonda_station::prestart::{self, Desk, Finding, NIGHT};

use super::when::rfc3339;
use super::{Params, Shared};
use crate::problem::Problem;

/// A planned night longer than a month is a slip of the pen.
const NIGHT_MAX: Duration = Duration::from_hours(31 * 24);

#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct PrestartQuery {
    /// How long the planned night is, such as `12h` or `90 min`; 12 hours by default.
    night: Option<String>,
}

/// The check before a start.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Prestart {
    /// When the facts were gathered, true UTC.
    at: String,
    /// How long the planned night is, s.
    night_s: f64,
    /// The gravest of all: `fine`, `look` or `wrong`.
    state: &'static str,
    /// In the order in which somebody would walk along the bench.
    findings: Vec<Found>,
}

/// One line of its table.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Found {
    /// `line`, `device`, `reading`, `probe`, `certificate`, `loop check`, `disk`, `clock` or `access`.
    aspect: &'static str,
    /// Which one, or which ones.
    subject: String,
    /// `fine`; `look`: somebody should, and the night can begin; `wrong`: data will be missing or not to be believed.
    state: &'static str,
    /// What is the case.
    what: String,
    /// What to do; empty where nothing is.
    todo: String,
}

/// Is everything there that the night needs: lines, devices, plausible readings, probes, certificates,
/// loop checks, room on the disk, the clock? From what the running daemon sees at this moment.
#[utoipa::path(get, path = "/api/v1/prestart", tag = "station", params(PrestartQuery),
    responses((status = 200, body = Prestart), (status = 400, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn prestart(
    State(shared): State<Shared>,
    Params(query): Params<PrestartQuery>,
) -> Result<Json<Prestart>, Problem> {
    let view = &shared.view;
    let night = query.night.map_or(Ok(NIGHT), |text| read_night(&text))?;
    let lines = view
        .lines
        .iter()
        .map(|line| (line.name.clone(), line.health.borrow().clone()))
        .collect();
    let desk = Desk {
        config: &view.config,
        board: &view.board,
        axis: &view.axis,
    };
    let facts = prestart::gather(desk, lines, Some(&view.record), night).await?;
    let findings = prestart::judge(&view.config, &facts);
    Ok(Json(Prestart {
        at: rfc3339(facts.now),
        night_s: night.as_secs_f64(),
        state: prestart::gravest(&findings).word(),
        findings: findings.into_iter().map(Found::from).collect(),
    }))
}

impl From<Finding> for Found {
    fn from(finding: Finding) -> Self {
        Self {
            aspect: finding.aspect.word(),
            subject: finding.subject,
            state: finding.state.word(),
            what: finding.what,
            todo: finding.todo,
        }
    }
}

fn read_night(text: &str) -> Result<Duration, Problem> {
    let span = text.parse::<jiff::SignedDuration>().ok();
    span.and_then(|span| Duration::try_from(span).ok())
        .filter(|night| !night.is_zero() && *night <= NIGHT_MAX)
        .ok_or_else(|| {
            Problem::bad_request(format!(
                "`night` must be a length of time such as `12h`, up to a month, not `{text}`."
            ))
        })
}
