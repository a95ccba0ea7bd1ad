//! `GET /api/v1/export`, `GET /api/v1/runs/{id}/export`: the record as CSV or Parquet, a run as a workbook or SQLite, streamed.

mod cut_out;

use std::fmt::Display;
use std::sync::Arc;
use std::time::Duration;

use axum::body::Body;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use futures::stream;
use jiff::tz::TimeZone;
use serde::Deserialize;
use tokio::sync::OwnedSemaphorePermit;
use utoipa::{IntoParams, ToSchema};
use zonda_model::name::BadName;
use zonda_model::{ChannelName, Period, RunId, Stamp, Unit};
use zonda_report::csv::{Dialect, Form, Zone};
use zonda_report::fit::{self, Wish, fits};
use zonda_report::grid::Cells;
use zonda_report::{
    Export, ExportError, Format, Layout, NoRun, Request, RunFacts, Steps, Units, own_unit,
};

use super::disposition::disposition;
use super::runs::Id;
use super::when::{When, stretch};
use super::{Params, Shared};
use crate::problem::Problem;

const XLSX: &str = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet";

/// Exports at once.
pub(crate) const EXPORTS_MAX: usize = 2;

#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct ExportQuery {
    /// From, RFC 3339 or ms since 1970 UTC; a day before `to` by default.
    #[param(value_type = Option<String>)]
    from: Option<When>,
    /// Up to, not including; now by default.
    #[param(value_type = Option<String>)]
    to: Option<When>,
    /// The last so many seconds up to `to`, instead of `from`: a link that stays right.
    last_s: Option<u64>,
    /// Channels, separated by commas, in the order wanted; all by default.
    ch: Option<String>,
    /// `long` (default): a record per sample; `wide`: a record per step, a column per channel; `gaps`.
    #[param(inline)]
    layout: Option<Laid>,
    /// Step of the wide layout, ms; the tick of the fastest channel by default.
    step_ms: Option<u64>,
    /// What a step says: `mean` (default), `nearest` or `summary` (mean, min, max, count).
    #[param(inline)]
    cells: Option<Said>,
    /// `si` (default), `configured` or `us`.
    #[param(inline)]
    units: Option<InUnits>,
    /// Channels with a unit of their own, separated by commas, such as `Z1-left.velocity=ft/min`.
    unit: Option<String>,
    /// `csv` (default) or `parquet`; of a run also `xlsx`, a workbook, or `sqlite`, a record of its own with its seal. What the format
    /// or layout has no place for is refused.
    #[serde(default)]
    #[param(inline)]
    format: Kind,
    /// `comma` (default) with decimal points, or `semicolon` with decimal commas.
    #[serde(default)]
    #[param(inline)]
    dialect: Separated,
    /// `utc` (default), `local` for the laboratory's zone beside it, or an IANA name.
    tz: Option<String>,
    /// `true`: a byte order mark stands in front, for spreadsheets that need one.
    #[serde(default)]
    bom: bool,
    /// `true`: lines that begin with `#` say above the heading where the numbers come from.
    #[serde(default)]
    header: bool,
}

#[derive(Clone, Copy, Debug, Default, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
enum Laid {
    #[default]
    Long,
    Wide,
    Gaps,
}

#[derive(Clone, Copy, Debug, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
enum Said {
    Mean,
    Nearest,
    Summary,
}

#[derive(Clone, Copy, Debug, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
enum InUnits {
    Si,
    Configured,
    Us,
}

#[derive(Clone, Copy, Debug, Default, Deserialize, PartialEq, Eq, ToSchema)]
#[serde(rename_all = "snake_case")]
enum Kind {
    #[default]
    Csv,
    Parquet,
    Xlsx,
    Sqlite,
}

#[derive(Clone, Copy, Debug, Default, Deserialize, PartialEq, Eq, ToSchema)]
#[serde(rename_all = "snake_case")]
enum Separated {
    #[default]
    Comma,
    Semicolon,
}

/// The record as CSV (RFC 4180), streamed. A connection that breaks before the end means that the
/// file is not whole.
#[utoipa::path(get, path = "/api/v1/export", tag = "record", params(ExportQuery),
    responses((status = 200, content((String = "text/csv"), (Vec<u8> = "application/vnd.apache.parquet"))),
        (status = 400, body = Problem, content_type = "application/problem+json"), (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 503, body = Problem, content_type = "application/problem+json", description = "two exports are under way")))]
pub(crate) async fn export(
    State(shared): State<Shared>,
    Params(query): Params<ExportQuery>,
) -> Result<Response, Problem> {
    if query.format == Kind::Sqlite {
        return Err(Problem::bad_request(
            "SQLite is made of a run: ask for /api/v1/runs/{id}/export.",
        ));
    }
    let permit = permit(&shared)?;
    let range = stretch(query.from, query.to, shared.view.now(), length_of(&query)?)?;
    let request = request_of(&query, range, &shared)?;
    answer(&shared, request, permit).await
}

/// A run's stretch and channels as CSV, Parquet, a workbook or SQLite, streamed, as `/api/v1/export` does; `from`, `to`
/// and `last_s` are refused, since the run says from when to when. Workbook and SQLite are made first, in the
/// folder for temporary files, and then sent.
#[utoipa::path(get, path = "/api/v1/runs/{id}/export", tag = "runs", params(("id" = i64, Path, description = "its number"), ExportQuery),
    responses((status = 200, content((String = "text/csv"), (Vec<u8> = "application/vnd.apache.parquet"), (Vec<u8> = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"), (Vec<u8> = "application/vnd.sqlite3"))),
        (status = 400, body = Problem, content_type = "application/problem+json"), (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 409, body = Problem, content_type = "application/problem+json", description = "it covers no stretch of the record"),
        (status = 503, body = Problem, content_type = "application/problem+json", description = "two exports are under way")))]
pub(crate) async fn export_run(
    State(shared): State<Shared>,
    Id(id): Id<i64>,
    Params(query): Params<ExportQuery>,
) -> Result<Response, Problem> {
    if query.from.is_some() || query.to.is_some() || query.last_s.is_some() {
        return Err(Problem::bad_request(
            "The run says from when to when; leave `from`, `to` and `last_s` out.",
        ));
    }
    let permit = permit(&shared)?;
    let run = RunFacts::of(&shared.view.record, RunId(id)).await?;
    let mut request = request_of(&query, run.range, &shared)?;
    if query.format == Kind::Sqlite {
        return cut_out::answer(&shared, &run, request.channels.as_deref(), permit).await;
    }
    let all = || run.channels.iter().map(|row| row.name.clone()).collect();
    request.channels.get_or_insert_with(all);
    request.run = Some(Box::new(run));
    answer(&shared, request, permit).await
}

pub(super) fn permit(shared: &Shared) -> Result<OwnedSemaphorePermit, Problem> {
    let permit = Arc::clone(&shared.exports).try_acquire_owned();
    permit.map_err(|_| {
        Problem::busy(format!(
            "{EXPORTS_MAX} exports are under way; come again in a moment."
        ))
    })
}

async fn answer(
    shared: &Shared,
    request: Request,
    permit: OwnedSemaphorePermit,
) -> Result<Response, Problem> {
    let name = file_name(&request.file_name(), request.channels.as_deref(), shared);
    let export = Export::begin(&shared.view.record, &request).await?;
    let headers = [
        (
            header::CONTENT_TYPE,
            match request.format {
                Format::Csv { .. } => "text/csv; charset=utf-8; header=present",
                Format::Parquet => "application/vnd.apache.parquet",
                Format::Xlsx { .. } => XLSX,
            }
            .to_owned(),
        ),
        disposition("attachment", &name),
    ];
    Ok((headers, body_of(export, permit)).into_response())
}

/// An error in it breaks the connection off, so that what came does not pass for the whole.
fn body_of(export: Export, permit: OwnedSemaphorePermit) -> Body {
    let chunks = stream::try_unfold((export, permit), |(mut export, permit)| async move {
        match export.next().await {
            Ok(chunk) => Ok(chunk.map(|chunk| (chunk, (export, permit)))),
            Err(error) => {
                tracing::error!(%error, "an export broke off");
                Err(error)
            }
        }
    });
    Body::from_stream(chunks)
}

fn request_of(
    query: &ExportQuery,
    range: (Stamp, Stamp),
    shared: &Shared,
) -> Result<Request, Problem> {
    let view = &shared.view;
    let zone = match query.tz.as_deref() {
        None | Some("utc") => Zone::Utc,
        Some("local") => Zone::Local(zone_of(&view.config.station.time_zone)?),
        Some(name) => Zone::Local(zone_of(name)?),
    };
    let layout = match (query.format, query.layout) {
        (Kind::Xlsx, None) => Laid::Wide,
        (_, layout) => layout.unwrap_or_default(),
    };
    refuse_misfits(query, layout, &zone)?;
    Ok(Request {
        range,
        run: None,
        channels: query.ch.as_deref().map(names).transpose()?,
        layout: layout_of(query, layout)?,
        units: match query.units {
            None | Some(InUnits::Si) => Units::Si,
            Some(InUnits::Configured) => Units::Configured,
            Some(InUnits::Us) => Units::Us,
        },
        own_units: query.unit.as_deref().map_or(Ok(Vec::new()), own_units)?,
        format: match query.format {
            Kind::Parquet => Format::Parquet,
            Kind::Xlsx => Format::Xlsx { zone },
            // A cut-out is refused or answered before a format matters.
            Kind::Csv | Kind::Sqlite => Format::Csv {
                form: Form {
                    dialect: match query.dialect {
                        Separated::Comma => Dialect::Comma,
                        Separated::Semicolon => Dialect::Semicolon,
                    },
                    zone,
                },
                mark: query.bom,
                preamble: query.header,
            },
        },
    })
}

/// What the file cannot have is refused, as on the command line.
fn refuse_misfits(query: &ExportQuery, layout: Laid, zone: &Zone) -> Result<(), Problem> {
    let kind = match query.format {
        Kind::Csv => fit::Kind::Csv,
        Kind::Parquet => fit::Kind::Parquet,
        Kind::Xlsx => fit::Kind::Xlsx,
        Kind::Sqlite => fit::Kind::Sqlite,
    };
    let laid = match layout {
        Laid::Long => fit::Laid::Long,
        Laid::Wide => fit::Laid::Wide,
        Laid::Gaps => fit::Laid::Gaps,
    };
    let is_local = matches!(zone, Zone::Local(_));
    let has_commas = query.dialect == Separated::Semicolon;
    let wishes: [(Wish, &dyn Display, bool); 9] = [
        (Wish::Layout, &"`layout`", query.layout.is_some()),
        (Wish::Grid, &"`step_ms`", query.step_ms.is_some()),
        (Wish::Grid, &"`cells`", query.cells.is_some()),
        (Wish::Units, &"`units`", query.units.is_some()),
        (Wish::Units, &"`unit`", query.unit.is_some()),
        (Wish::Zone, &"`tz`", is_local),
        (Wish::DecimalComma, &"`dialect=semicolon`", has_commas),
        (Wish::Mark, &"`bom`", query.bom),
        (Wish::Preamble, &"`header`", query.header),
    ];
    let fit = fits(kind, laid, &wishes);
    fit.map_err(|misfit| Problem::bad_request(format!("{misfit}.")))
}

/// How long a stretch is that has no beginning of its own.
fn length_of(query: &ExportQuery) -> Result<Duration, Problem> {
    match (query.last_s, query.from) {
        (Some(_), Some(_)) => Err(Problem::bad_request(
            "`from` and `last_s` both say where the export begins; leave one out.",
        )),
        (Some(seconds), None) => Ok(Duration::from_secs(seconds)),
        (None, _) => Ok(Duration::from_hours(24)),
    }
}

fn layout_of(query: &ExportQuery, layout: Laid) -> Result<Layout, Problem> {
    let step = query
        .step_ms
        .map(|ms| Period::new(Duration::from_millis(ms)))
        .transpose();
    let step = step.map_err(|error| Problem::bad_request(format!("`step_ms`: {error}.")))?;
    let cells = match query.cells {
        None | Some(Said::Mean) => Cells::Mean,
        Some(Said::Nearest) => Cells::Nearest,
        Some(Said::Summary) => Cells::Summary,
    };
    match layout {
        Laid::Wide => Ok(Layout::Wide(Steps { every: step, cells })),
        Laid::Long => Ok(Layout::Long),
        Laid::Gaps => Ok(Layout::Gaps),
    }
}

fn names(list: &str) -> Result<Vec<ChannelName>, Problem> {
    let names = list.split(',').map(|name| name.trim().parse());
    let bad = |error: BadName| Problem::bad_request(format!("`ch`: {error}."));
    names.collect::<Result<_, _>>().map_err(bad)
}

fn own_units(list: &str) -> Result<Vec<(ChannelName, Unit)>, Problem> {
    let units = list.split(',').map(|pair| {
        let pair = own_unit(pair);
        pair.map_err(|error| Problem::bad_request(format!("`unit`: {error}.")))
    });
    units.collect()
}

fn zone_of(name: &str) -> Result<TimeZone, Problem> {
    TimeZone::get(name).map_err(|_| {
        Problem::bad_request(format!(
            "`{name}` is no IANA time zone, such as Europe/Berlin."
        ))
    })
}

/// Simulated data says so from the file's name on.
fn file_name(name: &str, channels: Option<&[ChannelName]>, shared: &Shared) -> String {
    let view = &shared.view;
    let wanted = |name| channels.is_none_or(|names| names.contains(name));
    let mut plans = view.config.channels.iter();
    if plans.any(|plan| wanted(&plan.name) && view.is_simulated(plan)) {
        name.replacen("zonda_", "zonda_simulated_", 1)
    } else {
        name.to_owned()
    }
}

impl From<NoRun> for Problem {
    fn from(error: NoRun) -> Self {
        match error {
            NoRun::Unknown(_) => {
                Self::not_found("There is no such run; /api/v1/runs lists those that there are.")
            }
            NoRun::Nowhere { .. } => Self::new(StatusCode::CONFLICT, format!("{error}.")),
            NoRun::Store(error) => error.into(),
        }
    }
}

impl From<ExportError> for Problem {
    fn from(error: ExportError) -> Self {
        match error {
            ExportError::UnknownChannel(name) => super::unknown_channel(name.as_str()),
            error @ (ExportError::EmptyRange { .. }
            | ExportError::UnfitUnit { .. }
            | ExportError::NoWorkbook
            | ExportError::TooManyRows { .. }) => Self::bad_request(format!("{error}.")),
            ExportError::Store(error) => error.into(),
            ExportError::Evaluation(error) => Self::internal("an evaluation failed", &error),
            ExportError::Row(error) => Self::internal("the export failed", &error),
        }
    }
}
