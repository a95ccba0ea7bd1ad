//! `/healthz` and `/readyz`: for service managers and whoever watches from outside.

use std::time::Duration;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use serde::Serialize;
use utoipa::ToSchema;
use zonda_lines::LineState;

use super::Shared;
use crate::stream::trouble_of;
use crate::view::View;

/// How long the record may take to answer before it counts as not answering.
const ANSWER_WAIT: Duration = Duration::from_secs(2);

/// Whether the station does its work.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Readiness {
    /// True where nothing is wrong.
    ready: bool,
    /// What is wrong, a sentence each.
    reasons: Vec<String>,
}

/// Answers as long as the process does.
#[utoipa::path(get, path = "/healthz", tag = "operation", responses((status = 200, content_type = "text/plain", body = String)))]
pub(crate) async fn healthz() -> &'static str {
    "alive\n"
}

/// Whether what is measured reaches the disk and every line's task is at work. A device that does not
/// answer is no reason: its gaps are being recorded.
#[utoipa::path(get, path = "/readyz", tag = "operation", responses((status = 200, body = Readiness), (status = 503, body = Readiness)))]
pub(crate) async fn readyz(State(shared): State<Shared>) -> (StatusCode, Json<Readiness>) {
    let reasons = reasons(&shared.view).await;
    let ready = reasons.is_empty();
    let status = if ready {
        StatusCode::OK
    } else {
        StatusCode::SERVICE_UNAVAILABLE
    };
    (status, Json(Readiness { ready, reasons }))
}

async fn reasons(view: &View) -> Vec<String> {
    let mut reasons: Vec<_> = trouble_of(view).into_iter().collect();
    let answers = tokio::time::timeout(ANSWER_WAIT, view.record.answers()).await;
    if !answers.unwrap_or(false) {
        reasons.push("the record cannot be read".to_owned());
    }
    let stopped = view.lines.iter().filter(|line| has_stopped(line));
    reasons.extend(stopped.map(|line| format!("the task of line {} has ended", line.name)));
    reasons
}

/// A task that panicked says nothing any more, and drops its side of the channel.
fn has_stopped(line: &crate::view::LineView) -> bool {
    line.health.has_changed().is_err() || line.health.borrow().state == LineState::Stopped
}
