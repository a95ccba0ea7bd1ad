//! `GET /api/v1/channels` and one of them.

mod uncertainty;

use axum::Json;
use axum::extract::{Path, State};
use serde::Serialize;
use utoipa::ToSchema;

use self::uncertainty::Uncertainty;
use super::live::{LiveChannel, Units};
use super::{Shared, unknown_channel};
use crate::problem::Problem;
use crate::view::View;

/// A configured channel.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Channel {
    /// Its name.
    name: String,
    /// What it measures.
    quantity: &'static str,
    /// The unit in which the configuration speaks of it.
    unit: &'static str,
    /// The unit in which the record keeps it.
    si_unit: &'static str,
    /// Its tick, ms.
    period_ms: f64,
    /// The line that brings it.
    line: Option<String>,
    /// The module or text line on it.
    source: Option<String>,
    /// The law by which it is derived from other channels; `null` where it is measured.
    law: Option<&'static str>,
    /// What a velocity or volume flow is one of: `actual`, `standard: 20 °C, 101.325 kPa, dry`, or `basis not stated`; `null` for
    /// every other quantity.
    basis: Option<String>,
    /// True where a rig plays the device.
    simulated: bool,
    /// The size of one count, SI; `null` where the code has no counts.
    resolution: Option<f64>,
}

/// The configured channels.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Channels {
    /// In the order of the configuration.
    channels: Vec<Channel>,
}

/// A channel and its live values.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ChannelDetail {
    /// What it is.
    channel: Channel,
    /// How it stands.
    live: LiveChannel,
    /// How well its newest value is known; `null` where there is none, or an input of it has none.
    uncertainty: Option<Uncertainty>,
}

/// The configured channels, in the order of the configuration.
#[utoipa::path(get, path = "/api/v1/channels", tag = "channels", responses((status = 200, body = Channels)))]
pub(crate) async fn channels(State(shared): State<Shared>) -> Json<Channels> {
    let view = &shared.view;
    let channels = (0..view.config.channels.len()).map(|index| channel_of(view, index));
    Json(Channels {
        channels: channels.collect(),
    })
}

/// One channel, with its live values in SI and how well the newest is known.
#[utoipa::path(get, path = "/api/v1/channels/{name}", tag = "channels",
    params(("name" = String, Path, description = "its name, such as `Z1-left.velocity`")),
    responses((status = 200, body = ChannelDetail), (status = 404, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn channel(
    State(shared): State<Shared>,
    Path(name): Path<String>,
) -> Result<Json<ChannelDetail>, Problem> {
    let view = &shared.view;
    let index = view.channel(&name).ok_or_else(|| unknown_channel(&name))?;
    let live = LiveChannel::all(view, Units::Si).swap_remove(index);
    Ok(Json(ChannelDetail {
        channel: channel_of(view, index),
        live,
        uncertainty: Uncertainty::now(view, index),
    }))
}

#[expect(clippy::cast_precision_loss, reason = "a tick of a day is exact")]
fn channel_of(view: &View, index: usize) -> Channel {
    let plan = &view.config.channels[index];
    let source = view.config.sources.get(plan.source.0);
    let line = source.and_then(|source| view.config.lines.get(source.line));
    let law = view
        .config
        .derived
        .iter()
        .find(|derived| derived.channel == index);
    let period = view.board.period(index);
    Channel {
        name: plan.name.to_string(),
        quantity: plan.quantity.word(),
        unit: plan.unit.symbol(),
        si_unit: plan.quantity.si().symbol(),
        period_ms: period.map_or(0.0, |period| period.micros() as f64 / 1000.0),
        line: line.map(|line| line.name.to_string()),
        source: source.map(|source| source.name.to_string()),
        law: law.map(|derived| derived.law.word()),
        basis: plan.basis_words(),
        simulated: view.is_simulated(plan),
        resolution: plan.mapping.resolution(),
    }
}
