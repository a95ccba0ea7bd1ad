//! `GET /api/v1/lines`: how each line does.

use axum::Json;
use axum::extract::State;
use serde::Serialize;
use std::collections::BTreeMap;
use utoipa::ToSchema;
use zonda_lines::{ErrorNote, LineHealth, SourceHealth};

use super::Shared;
use super::when::rfc3339;
use crate::view::View;

/// The lines, in the order of the configuration.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Lines {
    lines: Vec<Line>,
}

/// How a line does. Counts are since the start of the daemon.
#[derive(Debug, Serialize, ToSchema)]
struct Line {
    /// Its name.
    name: String,
    /// `waiting`, `open`, `answering`, `partly`, `silent` or `stopped`.
    state: &'static str,
    /// Since when, true UTC.
    state_since: Option<String>,
    /// Ticks begun.
    ticks: u64,
    /// Ticks whose round was still going on when the next one began.
    late_ticks: u64,
    /// Requests repeated within their tick.
    retries: u64,
    /// Times that the line was brought back into step.
    resyncs: u64,
    /// Times that the port or connection was opened.
    opens: u64,
    /// Missed ticks of all sources, by cause; causes that never stood are left out.
    missed: BTreeMap<&'static str, u64>,
    /// How long the last round took, ms.
    cycle_ms: Option<f64>,
    /// The least that the wire itself needs for it, ms; zero where it has no fixed speed.
    wire_min_ms: Option<f64>,
    /// How late half of the ticks began at most, ms.
    lateness_p50_ms: f64,
    /// How late all but one in a thousand ticks began at most, ms.
    lateness_p999_ms: f64,
    /// How late the latest tick began, ms.
    lateness_max_ms: f64,
    /// When it last gave data, true UTC.
    good_at: Option<String>,
    /// What was last wrong.
    error: Option<LineError>,
    /// The modules or the text line on it.
    sources: Vec<LineSource>,
}

/// Something that went wrong.
#[derive(Debug, Serialize, ToSchema)]
struct LineError {
    /// When, true UTC.
    at: String,
    /// One sentence.
    text: String,
}

/// How a source on a line does.
#[derive(Debug, Serialize, ToSchema)]
struct LineSource {
    /// Its name.
    name: String,
    /// Missed ticks since the last good one.
    misses_in_a_row: u64,
    /// When it last gave data, true UTC.
    good_at: Option<String>,
    /// What was last wrong.
    error: Option<LineError>,
}

/// How each line does, against what its wire allows.
#[utoipa::path(get, path = "/api/v1/lines", tag = "station", responses((status = 200, body = Lines)))]
pub(crate) async fn lines(State(shared): State<Shared>) -> Json<Lines> {
    let view = &shared.view;
    let lines = view.lines.iter().map(|line| {
        let health = line.health.borrow().clone();
        line_of(line.name.to_string(), &health, view)
    });
    Json(Lines {
        lines: lines.collect(),
    })
}

fn line_of(name: String, health: &LineHealth, view: &View) -> Line {
    let time = |at| rfc3339(view.utc(at));
    let missed = health.errors.iter().filter(|(_, count)| *count > 0);
    Line {
        name,
        state: health.state.word(),
        state_since: health.state_since.map(time),
        ticks: health.ticks,
        late_ticks: health.late_ticks,
        retries: health.retries,
        resyncs: health.resyncs,
        opens: health.opens,
        missed: missed.map(|(cause, count)| (cause.word(), count)).collect(),
        cycle_ms: health.cycle.map(|cycle| ms(cycle.took)),
        wire_min_ms: health
            .cycle
            .map(|cycle| cycle.wire_min.as_secs_f64() * 1000.0),
        lateness_p50_ms: ms(health.lateness.permille(500)),
        lateness_p999_ms: ms(health.lateness.permille(999)),
        lateness_max_ms: ms(health.lateness.max()),
        good_at: health.good_at.map(time),
        error: health.error.as_ref().map(|note| error_of(note, view)),
        sources: health
            .sources
            .iter()
            .map(|source| source_of(source, view))
            .collect(),
    }
}

fn ms(span: std::time::Duration) -> f64 {
    span.as_secs_f64() * 1000.0
}

fn source_of(source: &SourceHealth, view: &View) -> LineSource {
    LineSource {
        name: source.name.to_string(),
        misses_in_a_row: source.misses_in_a_row,
        good_at: source.good_at.map(|at| rfc3339(view.utc(at))),
        error: source.error.as_ref().map(|note| error_of(note, view)),
    }
}

fn error_of(note: &ErrorNote, view: &View) -> LineError {
    LineError {
        at: rfc3339(view.utc(note.at)),
        text: note.text.clone(),
    }
}
