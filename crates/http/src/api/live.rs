//! `GET /api/v1/live`: every channel as it stands, with unit, quality and time.

use axum::Json;
use axum::extract::State;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use zonda_config::ChannelPlan;
use zonda_model::{Code, Unit};
use zonda_station::board::{Live, Mean, Spread};

use super::when::rfc3339;
use super::{Params, Shared};
use crate::problem::Problem;
use crate::view::View;

/// In which units values are given.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Units {
    /// As the record keeps them: SI, temperature in °C.
    #[default]
    Si,
    /// As the configuration speaks of each channel.
    Configured,
}

#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct LiveQuery {
    /// In which units; SI by default.
    #[serde(default)]
    #[param(inline)]
    units: Units,
}

/// Every channel as it stands.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LiveBoard {
    /// Now, true UTC.
    now: String,
    /// In the order of the configuration.
    channels: Vec<LiveChannel>,
}

/// A channel as it stands.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LiveChannel {
    /// Its name.
    name: String,
    /// What it measures.
    quantity: &'static str,
    /// The unit of the numbers below.
    unit: &'static str,
    /// What a velocity or volume flow is one of: `actual`, `standard: 20 °C, 101.325 kPa, dry`, or `basis not stated`; `null` for
    /// every other quantity.
    basis: Option<String>,
    /// The newest value; `null` where its code stands for none.
    value: Option<f64>,
    /// What the device said.
    code: Option<f64>,
    /// Its quality in words; `null` before the first sample.
    quality: Option<String>,
    /// When it was measured, true UTC.
    at: Option<String>,
    /// How old it is, s.
    age_s: Option<f64>,
    /// Why nothing newer came.
    gap: Option<LiveGap>,
    /// Means over the last 1, 5 and 10 s; those without a value are left out.
    means: Vec<LiveMean>,
    /// Over the last minute.
    spread: Option<LiveSpread>,
}

/// Why a channel brings no samples at present.
#[derive(Debug, Serialize, ToSchema)]
struct LiveGap {
    /// Since when, true UTC.
    since: String,
    /// The cause, as in the record.
    cause: &'static str,
    /// One sentence.
    detail: String,
}

/// A mean over the last stretch of time.
#[derive(Debug, Serialize, ToSchema)]
struct LiveMean {
    /// How long the stretch is, s.
    over_s: f64,
    /// The mean.
    value: f64,
    /// How many values it is of.
    count: usize,
    /// Every flag among them.
    quality: String,
}

/// The spread of the values of the last minute.
#[derive(Debug, Serialize, ToSchema)]
struct LiveSpread {
    /// The lowest.
    min: f64,
    /// The highest.
    max: f64,
    /// Sample standard deviation; `null` of a single value.
    deviation: Option<f64>,
    /// How many values.
    count: usize,
}

/// Every channel as it stands. A number never comes without unit, quality and time.
#[utoipa::path(get, path = "/api/v1/live", tag = "live", params(LiveQuery),
    responses((status = 200, body = LiveBoard), (status = 400, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn live(
    State(shared): State<Shared>,
    Params(query): Params<LiveQuery>,
) -> Json<LiveBoard> {
    Json(LiveBoard {
        now: rfc3339(shared.view.now()),
        channels: LiveChannel::all(&shared.view, query.units),
    })
}

impl LiveChannel {
    /// All channels, in the order of the configuration.
    pub(super) fn all(view: &View, units: Units) -> Vec<Self> {
        let board = view.board.look(view.axis.now());
        let channels = view.config.channels.iter();
        channels
            .zip(board)
            .map(|(plan, live)| Self::new(view, plan, &live, units))
            .collect()
    }

    fn new(view: &View, plan: &ChannelPlan, live: &Live, units: Units) -> Self {
        let unit = match units {
            Units::Si => plan.quantity.si(),
            Units::Configured => plan.unit,
        };
        Self {
            name: plan.name.to_string(),
            quantity: plan.quantity.word(),
            unit: unit.symbol(),
            basis: plan.basis_words(),
            value: live
                .last
                .and_then(|last| last.value)
                .map(|value| unit.from_si(value)),
            code: live.last.and_then(|last| last.code).map(number_of),
            quality: live.last.map(|last| last.quality.to_string()),
            at: live.last.map(|last| rfc3339(view.utc(last.at))),
            age_s: live.age.map(|age| age.as_secs_f64()),
            gap: live.missing.as_ref().map(|missing| LiveGap {
                since: rfc3339(view.utc(missing.since)),
                cause: missing.cause.word(),
                detail: missing.detail.clone(),
            }),
            means: live
                .means
                .iter()
                .flatten()
                .map(|mean| live_mean(mean, unit))
                .collect(),
            spread: live.spread.as_ref().map(|spread| live_spread(spread, unit)),
        }
    }
}

#[expect(clippy::cast_precision_loss, reason = "codes of 32 bits are exact")]
fn number_of(code: Code) -> f64 {
    match code {
        Code::Count(count) => count as f64,
        Code::Number(number) => number,
    }
}

fn live_mean(mean: &Mean, unit: Unit) -> LiveMean {
    LiveMean {
        over_s: mean.over.as_secs_f64(),
        value: unit.from_si(mean.value),
        count: mean.count,
        quality: mean.quality.to_string(),
    }
}

fn live_spread(spread: &Spread, unit: Unit) -> LiveSpread {
    let (one, other) = (unit.from_si(spread.min), unit.from_si(spread.max));
    LiveSpread {
        min: one.min(other),
        max: one.max(other),
        deviation: spread.deviation.map(|it| unit.difference_from_si(it).abs()),
        count: spread.count,
    }
}
