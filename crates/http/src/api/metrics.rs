//! `/metrics`: the station in OpenMetrics, made anew at each scrape from what it knows anyway.

use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::{Registry, Unit};
use std::sync::atomic::AtomicU64;

use super::Shared;
use crate::problem::Problem;
use crate::stream::{STREAMS_MAX, trouble_of};
use crate::view::View;

/// The media type of OpenMetrics 1.0.
const MEDIA_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

type Real = Gauge<f64, AtomicU64>;

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfLine {
    line: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfState {
    line: String,
    state: &'static str,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfCause {
    line: String,
    cause: &'static str,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfChannel {
    channel: String,
}

/// The station in numbers, for monitoring. Values of channels are not here: they come with their
/// quality from the API.
#[utoipa::path(get, path = "/metrics", tag = "operation",
    responses((status = 200, content_type = "application/openmetrics-text", body = String)))]
pub(crate) async fn metrics(State(shared): State<Shared>) -> Result<Response, Problem> {
    let mut registry = Registry::with_prefix("zonda");
    recording(&mut registry, &shared.view);
    lines(&mut registry, &shared.view);
    channels(&mut registry, &shared.view);
    let readers = STREAMS_MAX - shared.streams.available_permits();
    gauge(
        &mut registry,
        "live_readers",
        "Readers of the live stream",
        readers,
    );
    let mut text = String::new();
    encode(&mut text, &registry)
        .map_err(|error| Problem::internal("the metrics could not be written", &error))?;
    Ok(([(header::CONTENT_TYPE, MEDIA_TYPE)], text).into_response())
}

fn recording(registry: &mut Registry, view: &View) {
    let recording = view.recording.borrow().clone();
    let size = view.record.size();
    gauge(
        registry,
        "recording_ok",
        "1 while what is measured reaches the disk",
        usize::from(trouble_of(view).is_none()),
    );
    counter(
        registry,
        "samples",
        "Samples on the disk since the start",
        recording.samples,
    );
    counter(
        registry,
        "samples_lost",
        "Samples that neither disk nor memory could take",
        recording.lost,
    );
    counter(
        registry,
        "commits",
        "Commits since the start",
        recording.commits,
    );
    gauge(
        registry,
        "samples_held",
        "Samples in memory",
        recording.held,
    );
    real(
        registry,
        "commit_duration",
        "How long the last commit took",
        Unit::Seconds,
        recording.commit_took.as_secs_f64(),
    );
    for (name, help, bytes) in [
        ("record_size", "The record", size.record),
        ("log_size", "The write-ahead log", size.log),
        ("disk_free", "Free on the record's disk", size.free),
        ("disk_size", "The record's disk", size.disk),
    ] {
        real(registry, name, help, Unit::Bytes, wide(bytes));
    }
    real(
        registry,
        "axis_minus_utc",
        "How far the record's axis is ahead of UTC",
        Unit::Seconds,
        micros(view.axis.axis_minus_utc_us()),
    );
}

fn lines(registry: &mut Registry, view: &View) {
    let state = Family::<OfState, Gauge>::default();
    let [ticks, late, retries, opens] =
        std::array::from_fn(|_| Family::<OfLine, Counter>::default());
    let missed = Family::<OfCause, Counter>::default();
    let cycle = Family::<OfLine, Real>::default();
    for line in &view.lines {
        let health = line.health.borrow().clone();
        let of = || OfLine {
            line: line.name.to_string(),
        };
        let of_state = OfState {
            line: line.name.to_string(),
            state: health.state.word(),
        };
        state.get_or_create(&of_state).set(1);
        for (family, count) in [
            (&ticks, health.ticks),
            (&late, health.late_ticks),
            (&retries, health.retries),
            (&opens, health.opens),
        ] {
            family.get_or_create(&of()).inc_by(count);
        }
        for (cause, count) in health.errors.iter() {
            let of = OfCause {
                line: line.name.to_string(),
                cause: cause.word(),
            };
            missed.get_or_create(&of).inc_by(count);
        }
        if let Some(last) = health.cycle {
            cycle.get_or_create(&of()).set(last.took.as_secs_f64());
        }
    }
    registry.register("line_state", "1 for the state that the line is in", state);
    registry.register("line_ticks", "Ticks begun", ticks);
    registry.register(
        "line_late_ticks",
        "Ticks whose round was still going on when the next began",
        late,
    );
    registry.register(
        "line_retries",
        "Requests repeated within their tick",
        retries,
    );
    registry.register(
        "line_opens",
        "Times that the port or connection was opened",
        opens,
    );
    registry.register(
        "line_missed_ticks",
        "Missed ticks of all sources, by cause",
        missed,
    );
    registry.register_with_unit(
        "line_cycle",
        "How long the last round took",
        Unit::Seconds,
        cycle,
    );
}

fn channels(registry: &mut Registry, view: &View) {
    let age = Family::<OfChannel, Real>::default();
    let now = view.axis.now();
    for (plan, last) in view.config.channels.iter().zip(view.board.last()) {
        if let Some(last) = last {
            let of = OfChannel {
                channel: plan.name.to_string(),
            };
            age.get_or_create(&of).set(now.since(last.at).as_secs_f64());
        }
    }
    registry.register_with_unit(
        "channel_age",
        "Age of the channel's newest sample",
        Unit::Seconds,
        age,
    );
}

fn counter(registry: &mut Registry, name: &str, help: &str, count: u64) {
    let counter = Counter::<u64>::default();
    counter.inc_by(count);
    registry.register(name, help, counter);
}

fn gauge(registry: &mut Registry, name: &str, help: &str, count: usize) {
    let gauge = Gauge::<i64>::default();
    gauge.set(i64::try_from(count).unwrap_or(i64::MAX));
    registry.register(name, help, gauge);
}

fn real(registry: &mut Registry, name: &str, help: &str, unit: Unit, value: f64) {
    let gauge = Real::default();
    gauge.set(value);
    registry.register_with_unit(name, help, unit, gauge);
}

#[expect(
    clippy::cast_precision_loss,
    reason = "bytes of a disk are exact up to 9 PB"
)]
fn wide(bytes: u64) -> f64 {
    bytes as f64
}

#[expect(
    clippy::cast_precision_loss,
    reason = "microseconds are exact over 285 years"
)]
fn micros(micros: i64) -> f64 {
    micros as f64 / 1e6
}
