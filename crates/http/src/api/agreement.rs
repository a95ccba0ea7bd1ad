//! `GET /api/v1/agreement`: meters that are heard both ways, against themselves.

use axum::Json;
use axum::extract::State;
use serde::Serialize;
use utoipa::ToSchema;
use zonda_proof::agreement::Relation;
use zonda_proof::agreement::relation::Level;
use zonda_station::agreement::PairView;

use super::Shared;
use super::when::rfc3339;
use crate::view::View;

/// Every quantity that a meter says both ways, in the order of the configuration.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Agreements {
    pairs: Vec<Pair>,
}

/// One meter's quantity by its analog output and by its text line, over the last five minutes.
#[derive(Debug, Serialize, ToSchema)]
struct Pair {
    /// The meter.
    meter: String,
    /// What is compared.
    quantity: &'static str,
    /// The channel of the analog output.
    analog: String,
    /// The channel of the text line.
    text: String,
    /// The unit of all values here.
    unit: &'static str,
    /// `unknown` (nothing can be told yet), `agree` or `apart`.
    standing: &'static str,
    /// Since when, true UTC.
    since: Option<String>,
    /// What is wrong and what may be the cause, while they are apart.
    words: Option<String>,
    /// Readings that belong together; fewer than 60 say nothing.
    pairs: usize,
    /// By how many seconds the analog reading comes after the text line's; `null` where they hardly move together.
    delay_s: Option<f64>,
    /// Mean of the text line's readings.
    text_mean: Option<f64>,
    /// Mean of the analog readings.
    analog_mean: Option<f64>,
    /// Mean of analog − text.
    difference: Option<Known>,
    /// The line analog = offset + slope·text; `null` where the readings vary too little to tell one.
    line: Option<StraightLine>,
}

/// A value with its standard uncertainty (k = 1).
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Known {
    pub(crate) value: f64,
    pub(crate) u: f64,
}

/// A straight line, noise counted on both sides.
#[derive(Debug, Serialize, ToSchema)]
struct StraightLine {
    /// Analog per text.
    slope: Known,
    /// Where the text line says 0 SI (0 °C, 0 m/s): the analog reading, as a difference.
    offset: Known,
    /// Standard deviation of the analog readings about the line.
    scatter: f64,
    /// Correlation of the two.
    correlation: f64,
}

/// Meters that are heard both ways, against themselves.
#[utoipa::path(get, path = "/api/v1/agreement", tag = "station", responses((status = 200, body = Agreements)))]
pub(crate) async fn agreement(State(shared): State<Shared>) -> Json<Agreements> {
    let view = &shared.view;
    let pairs = view.agreements.look();
    Json(Agreements {
        pairs: pairs.iter().map(|pair| pair_of(pair, view)).collect(),
    })
}

fn pair_of(pair: &PairView, view: &View) -> Pair {
    let channel = |index: usize| &view.config.channels[index];
    let unit = channel(pair.analog).unit;
    let of = |si: f64| unit.difference_from_si(si);
    let known = |value: f64, u: f64| Known {
        value: of(value),
        u: of(u),
    };
    let relation = pair.seen.as_ref().map(|seen| seen.relation);
    let level = relation.as_ref().and_then(Relation::level);
    let line = match relation {
        Some(Relation::Line {
            slope,
            offset,
            scatter,
            correlation,
            ..
        }) => Some(StraightLine {
            slope: Known {
                value: slope.value,
                u: slope.u,
            },
            offset: known(offset.value, offset.u),
            scatter: of(scatter),
            correlation,
        }),
        _ => None,
    };
    Pair {
        meter: pair.meter.to_string(),
        quantity: pair.quantity.word(),
        analog: channel(pair.analog).name.to_string(),
        text: channel(pair.text).name.to_string(),
        unit: unit.symbol(),
        standing: pair.standing.word(),
        since: pair.since.map(|at| rfc3339(view.utc(at))),
        words: pair.words.clone(),
        pairs: relation.map_or(0, |relation| match relation {
            Relation::Few { pairs } | Relation::Level(Level { pairs, .. }) => pairs,
            Relation::Line { level, .. } => level.pairs,
        }),
        delay_s: pair.seen.as_ref().and_then(|seen| seen.delay_s),
        text_mean: level.map(|level| unit.from_si(level.text)),
        analog_mean: level.map(|level| unit.from_si(level.analog)),
        difference: level.map(|level| known(level.difference.value, level.difference.u)),
        line,
    }
}
