//! `hello`: everything a page needs to begin with; and `health`, which it is told again on change.

use std::collections::BTreeMap;

use serde::Serialize;
use utoipa::ToSchema;
use zonda_config::ChannelPlan;
use zonda_model::{Sample, Stamp};
use zonda_report::TrueUtc;
use zonda_store::{Readable, StoreError};

use super::feed::FPS;
use super::frame::shown;
use super::mark::Mark;
use super::standing::STALE_LEAST;
use crate::view::View;

/// The first event of every connection. Times are ms since 1970 UTC, numbers SI.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub(crate) struct Hello<'a> {
    v: u8,
    boot: &'a str,
    build: &'a str,
    now: i64,
    tz: &'a str,
    site: &'a str,
    title: &'static str,
    cfg: &'a str,
    fps: u64,
    #[schema(value_type = u64)]
    stale_ms: u128,
    #[schema(value_type = Vec<String>)]
    quality: [&'static str; 8],
    channels: Vec<StreamChannel<'a>>,
    /// The last time and number of each channel.
    #[schema(value_type = Vec<Option<Vec<f64>>>)]
    last: Vec<Option<(i64, f32)>>,
    #[schema(value_type = Option<Object>)]
    plan: Option<()>,
    why: BTreeMap<String, String>,
    #[schema(value_type = Vec<Object>)]
    alarms: [(); 0],
    #[schema(value_type = Option<Object>)]
    run: Option<()>,
    #[schema(value_type = Vec<Object>)]
    runs: [(); 0],
    health: Health,
    resumed: bool,
}

/// A channel, as the page needs it.
#[derive(Clone, Debug, Serialize, ToSchema)]
struct StreamChannel<'a> {
    id: &'a str,
    point: &'a str,
    label: &'a str,
    kind: &'static str,
    /// Expanded uncertainty, SI; `null` while none is stated.
    u: Option<f64>,
    /// The size of one count, SI, from which the digits follow where `u` is not known.
    resolution: Option<f64>,
    /// The unit in which the configuration speaks of it: its number is `scale` · SI + `zero`.
    unit: &'static str,
    /// The unit of the numbers that are sent.
    si_unit: &'static str,
    scale: f64,
    zero: f64,
    /// The unit in which people in the United States speak of it, with its own scale and zero.
    us_unit: &'static str,
    us_scale: f64,
    us_zero: f64,
    /// What a velocity or volume flow is one of: `actual`, `standard: 20 °C, 101.325 kPa, dry`, or `basis not stated`; `null` for
    /// every other quantity.
    basis: Option<String>,
    period_ms: f64,
    simulated: bool,
}

/// How the station does.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub(crate) struct Health {
    /// Whether what is measured reaches the disk.
    pub(crate) recording: bool,
    /// Why not, in a sentence.
    pub(crate) trouble: Option<String>,
    /// Free on the record's disk, 10⁹ bytes.
    pub(crate) disk_free_gb: f64,
    /// Days until it is full, at the configured rate.
    pub(crate) disk_days: Option<f64>,
    /// `in step`, or `ahead of UTC` while the record's axis waits for the clock to catch up.
    pub(crate) clock: &'static str,
    /// How far the record's axis is ahead of UTC, ms.
    pub(crate) clock_ms: i64,
    /// Ticks without a sample in the gaps of the last twelve hours.
    pub(crate) missed_12h: i64,
}

/// Bytes of the record per sample, measured over 640 000 rows; the log beside it is bounded.
const BYTES_PER_SAMPLE: f64 = 32.0;

pub(crate) fn hello(
    view: &View,
    why: BTreeMap<String, String>,
    health: Health,
    resumed: bool,
) -> Hello<'_> {
    let config = &view.config;
    Hello {
        v: 1,
        boot: &view.boot,
        build: &view.version,
        now: view.now().millis(),
        tz: &config.station.time_zone,
        site: &config.station.name,
        title: "Zonda",
        cfg: &config.revision.hash,
        fps: FPS,
        stale_ms: STALE_LEAST.as_millis(),
        quality: Mark::ALL.map(Mark::word),
        channels: config
            .channels
            .iter()
            .enumerate()
            .map(|(index, plan)| stream_channel(view, index, plan))
            .collect(),
        last: view
            .board
            .last()
            .iter()
            .map(|last| last_value(view, last.as_ref()))
            .collect(),
        plan: None,
        why,
        alarms: [],
        run: None,
        runs: [],
        health,
        resumed,
    }
}

#[expect(clippy::cast_precision_loss, reason = "a tick of a day is exact")]
fn stream_channel<'a>(view: &View, index: usize, plan: &'a ChannelPlan) -> StreamChannel<'a> {
    let (zero, us) = (plan.unit.from_si(0.0), plan.quantity.us());
    StreamChannel {
        id: plan.name.as_str(),
        point: plan.name.owner(),
        label: plan.name.as_str(),
        kind: plan.quantity.word(),
        u: None,
        resolution: plan.mapping.resolution(),
        unit: plan.unit.symbol(),
        si_unit: plan.quantity.si().symbol(),
        scale: plan.unit.from_si(1.0) - zero,
        zero,
        us_unit: us.symbol(),
        us_scale: us.from_si(1.0) - us.from_si(0.0),
        us_zero: us.from_si(0.0),
        basis: plan.basis_words(),
        period_ms: view
            .board
            .period(index)
            .map_or(0.0, |period| period.micros() as f64 / 1000.0),
        simulated: view.is_simulated(plan),
    }
}

fn last_value(view: &View, last: Option<&Sample<usize>>) -> Option<(i64, f32)> {
    let last = last?;
    Some((view.utc(last.at).millis(), last.value.and_then(shown)?))
}

/// How the station does just now. `missed` is counted apart, since that takes reading.
pub(crate) fn health_of(view: &View, missed_12h: i64) -> Health {
    let trouble = trouble_of(view);
    let free = view.record.size().free;
    let ahead_us = view.axis.axis_minus_utc_us();
    Health {
        recording: trouble.is_none(),
        trouble,
        disk_free_gb: tenth(gigabytes(free)),
        disk_days: days_until_full(view, free),
        clock: if ahead_us.abs() < 200_000 {
            "in step"
        } else {
            "ahead of UTC"
        },
        clock_ms: ahead_us.div_euclid(1000),
        missed_12h,
    }
}

/// Why what is measured does not reach the disk, if so.
pub(crate) fn trouble_of(view: &View) -> Option<String> {
    if view.recording.has_changed().is_err() {
        return Some("the recorder has ended".to_owned());
    }
    let stalled = view.recording.borrow().stalled.clone();
    stalled.map(|stalled| {
        format!(
            "the disk takes nothing since {}: {}",
            view.utc(stalled.since),
            stalled.reason
        )
    })
}

fn days_until_full(view: &View, free: u64) -> Option<f64> {
    let periods = (0..view.config.channels.len()).filter_map(|index| view.board.period(index));
    let per_day: f64 = periods
        .map(|period| 86_400.0 / period.duration().as_secs_f64())
        .sum();
    (per_day > 0.0).then(|| tenth(gigabytes(free) * 1e9 / (per_day * BYTES_PER_SAMPLE)))
}

#[expect(
    clippy::cast_precision_loss,
    reason = "a size to a tenth of a gigabyte"
)]
fn gigabytes(bytes: u64) -> f64 {
    bytes as f64 / 1e9
}

fn tenth(number: f64) -> f64 {
    (number * 10.0).round() / 10.0
}

/// Gaps that are counted at most; a station with more has told its trouble already.
const GAPS_MAX: usize = 10_000;

/// Ticks without a sample in the gaps that touch the last twelve hours.
pub(super) async fn missed_12h(record: &Readable, now: Stamp) -> Result<i64, StoreError> {
    const PAGE: i64 = 1000;
    let from = now.minus(std::time::Duration::from_hours(12));
    let (mut after, mut missed, mut seen) = (None, 0, 0);
    loop {
        let page = record.gaps((from, now), after, PAGE).await?;
        missed += page.iter().map(|gap| gap.missed).sum::<i64>();
        seen += page.len();
        match page.last() {
            Some(last) if seen < GAPS_MAX => after = Some((last.from, last.id)),
            _ => return Ok(missed),
        }
    }
}

/// The clock of the record, for whoever shows the past.
pub(crate) async fn true_utc(record: &Readable) -> Result<TrueUtc, StoreError> {
    Ok(TrueUtc::new(record.clock().await?))
}
