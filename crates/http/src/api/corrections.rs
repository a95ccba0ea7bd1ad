//! `/api/v1/corrections`: values worked out anew by another mapping, over a stretch of the record.
//!
//! Ask with `preview=true` first: it says what would change and changes nothing.

use std::time::Duration;

use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use zonda_model::Quality;
use zonda_report::TrueUtc;
use zonda_station::correction::{self, Change, Refused, Request};
use zonda_store::{
    BadCorrection, ChannelPreview, ChannelRow, CorrectionRow, Preview, Readable, Recorder, Side,
    StoreError, UndoEntry,
};

use super::when::{When, rfc3339};
use super::{Body, Params, Shared};
use crate::problem::Problem;
use crate::stream::true_utc;

/// How long an answer waits for the end of a correction. One that takes longer goes on, and the list
/// says how far it is.
const END_WAIT: Duration = Duration::from_secs(20);

#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct CorrectQuery {
    /// Only say what would change.
    #[serde(default)]
    preview: bool,
}

/// A correction as it is asked for. Either `range` or `mapping`.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Asked {
    /// The channel.
    channel: String,
    /// From when on, true UTC.
    #[schema(value_type = String)]
    from: When,
    /// Up to when (not included), true UTC.
    #[schema(value_type = String)]
    to: When,
    /// The range that the signal's span stands for, such as `0-100 m/s`; all else stays.
    range: Option<String>,
    /// The whole mapping, as the record describes mappings.
    mapping: Option<String>,
    /// Why.
    #[serde(default)]
    reason: String,
    /// Who says so.
    #[serde(default)]
    by: String,
}

/// The taking back of a correction.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct UndoAsked {
    /// Why.
    #[serde(default)]
    reason: String,
    /// Who says so.
    #[serde(default)]
    by: String,
}

/// What became of a correction, or would become of it.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = CorrectionAnswer)]
pub(crate) struct Answer {
    /// The row; `null` of a preview.
    correction: Option<Correction>,
    /// What would change, first the channel itself and then those that are judged by it; `null`
    /// unless it was asked for.
    preview: Option<Vec<Changes>>,
}

/// Every correction, oldest first.
#[derive(Debug, Serialize, ToSchema)]
pub struct Corrections {
    corrections: Vec<Correction>,
}

/// A correction, or the taking back of one.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = CorrectionRow)]
pub(crate) struct Correction {
    /// Its number.
    id: i64,
    /// When it was asked for, true UTC.
    at: String,
    /// The channel.
    channel: String,
    /// From when on, true UTC.
    from: String,
    /// Up to when (not included).
    to: String,
    /// `done`, `under_way`, `undone`; of a taking back `done` or `under_way`.
    state: &'static str,
    /// Samples before this are done.
    done_to: String,
    /// How far it is, 0 to 1.
    share: f64,
    /// The correction that this one takes back.
    undoes: Option<i64>,
    /// The one that took this one back.
    undone_by: Option<i64>,
    /// The mapping; of a taking back empty.
    mapping: String,
    /// Why.
    reason: String,
    /// Who said so.
    by: String,
    /// Samples whose earlier value and flags are kept.
    samples: i64,
}

/// What would change about a channel.
#[derive(Debug, Serialize, ToSchema)]
pub struct Changes {
    /// Which.
    channel: String,
    /// The unit of the values, SI.
    unit: &'static str,
    /// Samples in the stretch.
    samples: u64,
    /// Those that would change.
    changed: u64,
    /// As it is.
    before: Values,
    /// As it would be.
    after: Values,
}

/// The values of a stretch in short.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Values {
    first: Option<f64>,
    last: Option<f64>,
    min: Option<f64>,
    max: Option<f64>,
    mean: Option<f64>,
    /// Samples with nothing against them.
    good: u64,
    /// Samples with each flag.
    flags: std::collections::BTreeMap<String, u64>,
}

/// The corrections of the record, and the tellings-back.
#[utoipa::path(get, path = "/api/v1/corrections", tag = "record",
    responses((status = 200, body = Corrections)))]
pub(crate) async fn corrections(
    State(shared): State<Shared>,
) -> Result<Json<Corrections>, Problem> {
    Ok(Json(list(&shared.view.record).await?))
}

/// Correct a stretch of a channel, or say what that would change.
#[utoipa::path(post, path = "/api/v1/corrections", tag = "record", params(CorrectQuery), request_body = Asked,
    responses((status = 200, body = Answer), (status = 202, description = "It takes longer and goes on", body = Answer),
        (status = 400, body = Problem, content_type = "application/problem+json"),
        (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 409, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn correct(
    State(shared): State<Shared>,
    Params(query): Params<CorrectQuery>,
    Body(asked): Body<Asked>,
) -> Result<(StatusCode, Json<Answer>), Problem> {
    let view = &shared.view;
    let change = match (asked.range, asked.mapping) {
        (Some(range), None) => Change::Range(range),
        (None, Some(mapping)) => Change::Mapping(mapping),
        _ => return Err(Problem::bad_request("Say either `range` or `mapping`.")),
    };
    let request = Request {
        channel: asked.channel,
        from: asked.from.0,
        to: asked.to.0,
        change,
        reason: asked.reason,
        by: asked.by,
    };
    let entry = correction::prepare(&view.record, &request, view.axis.now()).await?;
    if query.preview {
        let preview = view.record.preview(&entry).await.map_err(Refused::from)?;
        let channels = view.record.channels().await?;
        let answer = Answer {
            correction: None,
            preview: Some(changes(&preview, &channels)),
        };
        return Ok((StatusCode::OK, Json(answer)));
    }
    let recorder = view.recorder.clone();
    let work = tokio::spawn(async move { recorder.correct(entry).await });
    outcome(&view.record, work).await
}

/// Take a correction back: values and flags become as they were.
#[utoipa::path(post, path = "/api/v1/corrections/{id}/undo", tag = "record", params(("id" = i64, Path, description = "The correction's number")),
    request_body = UndoAsked,
    responses((status = 200, body = Answer), (status = 202, description = "It takes longer and goes on", body = Answer),
        (status = 400, body = Problem, content_type = "application/problem+json"),
        (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 409, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn undo(
    State(shared): State<Shared>,
    Path(id): Path<i64>,
    Body(asked): Body<UndoAsked>,
) -> Result<(StatusCode, Json<Answer>), Problem> {
    let view = &shared.view;
    let entry = UndoEntry {
        correction: id,
        reason: asked.reason.trim().to_owned(),
        by: asked.by.trim().to_owned(),
        at: view.axis.now(),
    };
    let recorder: Recorder = view.recorder.clone();
    let work = tokio::spawn(async move { recorder.undo(entry).await });
    outcome(&view.record, work).await
}

/// Waits for the end for a while. Whoever goes away meanwhile does not end the work.
async fn outcome(
    record: &Readable,
    work: tokio::task::JoinHandle<Result<i64, StoreError>>,
) -> Result<(StatusCode, Json<Answer>), Problem> {
    let (status, id) = match tokio::time::timeout(END_WAIT, work).await {
        Ok(Ok(done)) => (StatusCode::OK, Some(done.map_err(Refused::from)?)),
        Ok(Err(panic)) => return Err(Problem::internal("the correction failed", &panic)),
        Err(_) => (StatusCode::ACCEPTED, None),
    };
    let mut rows = list(record).await?.corrections;
    rows.retain(|row| id.is_none_or(|id| row.id == id));
    let answer = Answer {
        correction: rows.pop(),
        preview: None,
    };
    Ok((status, Json(answer)))
}

impl From<Refused> for Problem {
    fn from(refused: Refused) -> Self {
        let status = match &refused {
            Refused::Unknown(_) => StatusCode::NOT_FOUND,
            Refused::Store(StoreError::Correction(bad)) => match bad {
                BadCorrection::Unknown(_) => StatusCode::NOT_FOUND,
                BadCorrection::Overlaps { .. }
                | BadCorrection::IsUndo(_)
                | BadCorrection::Undone(..)
                | BadCorrection::Later { .. } => StatusCode::CONFLICT,
                _ => StatusCode::BAD_REQUEST,
            },
            Refused::Store(StoreError::Busy) => StatusCode::SERVICE_UNAVAILABLE,
            Refused::Store(error) => {
                return Self::internal("the record could not be corrected", error);
            }
            _ => StatusCode::BAD_REQUEST,
        };
        Self::new(status, sentence(&refused.to_string()))
    }
}

/// With a capital and a full stop, as all problems are told.
fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|first| first.to_uppercase().to_string());
    format!("{}{}.", first.unwrap_or_default(), letters.as_str())
}

/// The corrections of a record, as the API lists them.
///
/// # Errors
/// The file cannot be read.
pub async fn list(record: &Readable) -> Result<Corrections, StoreError> {
    let (channels, utc) = (record.channels().await?, true_utc(record).await?);
    let rows = record.corrections().await?;
    let shown = rows.into_iter().map(|row| shown(row, &channels, &utc));
    Ok(Corrections {
        corrections: shown.collect(),
    })
}

#[expect(
    clippy::cast_precision_loss,
    reason = "microseconds of a stretch, for a share of it"
)]
fn shown(row: CorrectionRow, channels: &[ChannelRow], utc: &TrueUtc) -> Correction {
    let ((from, to), done_to) = (row.stretch, row.done_to);
    let state = match (row.is_done(), row.undone_by) {
        (_, Some(_)) => "undone",
        (true, None) => "done",
        (false, None) => "under_way",
    };
    let at = |at| rfc3339(utc.of(at));
    let span = (to.micros() - from.micros()).max(1) as f64;
    Correction {
        id: row.id,
        at: at(row.at),
        channel: name(channels, row.channel),
        from: at(from),
        to: at(to),
        state,
        done_to: at(done_to),
        share: (done_to.micros() - from.micros()) as f64 / span,
        undoes: row.undoes,
        undone_by: row.undone_by,
        mapping: row.mapping,
        reason: row.reason,
        by: row.by,
        samples: row.superseded,
    }
}

fn name(channels: &[ChannelRow], id: zonda_store::ChannelId) -> String {
    let found = channels.iter().find(|row| row.id == id);
    found.map_or_else(|| format!("channel {}", id.0), |row| row.name.to_string())
}

/// What a correction would change, as the API says it.
pub fn changes(preview: &Preview, channels: &[ChannelRow]) -> Vec<Changes> {
    let one = |one: &ChannelPreview| {
        let row = channels.iter().find(|row| row.id == one.channel);
        Changes {
            channel: name(channels, one.channel),
            unit: row.map_or("", |row| row.quantity.si().symbol()),
            samples: one.samples,
            changed: one.changed,
            before: values(&one.before),
            after: values(&one.after),
        }
    };
    preview.channels.iter().map(one).collect()
}

fn values(side: &Side) -> Values {
    let flags = side.flags.iter().filter(|(bits, _)| **bits != 0);
    Values {
        first: side.first,
        last: side.last,
        min: side.min,
        max: side.max,
        mean: side.mean(),
        good: side.flags.get(&0).copied().unwrap_or(0),
        flags: flags
            .map(|(bits, count)| (Quality::from_bits_retain(*bits).to_string(), *count))
            .collect(),
    }
}
