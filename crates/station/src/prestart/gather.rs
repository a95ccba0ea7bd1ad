//! Facts of a running station: its lines are at work, so nothing needs to be opened.

use std::time::Duration;

use zonda_config::Config;
use zonda_lines::{Axis, LineHealth};
use zonda_model::{Name, Stamp};
use zonda_store::{Readable, StoreError, Tokens};

use super::{Facts, LastCheck, SampleBytes, clock};
use crate::board::Board;
use crate::loopcheck::{range_words, span_words};

/// A record smaller than this has too much in it that is not samples.
const TELLING_BYTES: u64 = 32 << 20;

/// Where to look.
#[derive(Clone, Copy, Debug)]
pub struct Desk<'a> {
    /// The configuration.
    pub config: &'a Config,
    /// The live board.
    pub board: &'a Board,
    /// The record's time axis.
    pub axis: &'a Axis,
}

/// Gathers the facts of a station.
///
/// # Errors
/// The record cannot be read.
pub async fn gather(
    desk: Desk<'_>,
    lines: Vec<(Name, LineHealth)>,
    record: Option<&Readable>,
    night: Duration,
) -> Result<Facts, StoreError> {
    let now = desk.axis.now();
    let axis_minus_utc_us = desk.axis.axis_minus_utc_us();
    // The system may take a moment to say; others go on meanwhile.
    let clock = tokio::task::spawn_blocking(clock::look).await;
    let (loop_checks, free, sample_bytes) = match record {
        Some(record) => {
            let checks = last_checks(desk.config, record).await?;
            (
                checks,
                Some(record.size().free),
                sample_bytes(record).await?,
            )
        }
        None => (Vec::new(), None, SampleBytes::Usual),
    };
    Ok(Facts {
        now: Stamp::from_micros(now.micros().saturating_sub(axis_minus_utc_us)),
        night,
        lines,
        live: desk.board.look(now),
        loop_checks,
        free: free.or_else(|| zonda_store::free_space(&desk.config.station.data)),
        sample_bytes,
        clock: clock.unwrap_or(super::Clock::Unknown),
        axis_minus_utc_us,
        // Tokens that cannot be read open no door.
        tokens: Tokens::load(&desk.config.station.data).map_or(0, |tokens| tokens.all().len()),
    })
}

async fn last_checks(config: &Config, record: &Readable) -> Result<Vec<LastCheck>, StoreError> {
    let known = record.channels().await?;
    let clock = record.clock().await?;
    let utc = |at: Stamp| {
        let ahead = clock
            .iter()
            .rev()
            .find(|(since, _)| *since <= at)
            .map_or(0, |(_, ahead)| *ahead);
        Stamp::from_micros(at.micros() - ahead)
    };
    let of = |row: zonda_store::LoopCheckRow| {
        let name = &known
            .iter()
            .find(|channel| channel.id == row.check.channel)?
            .name;
        let channel = config.channels.iter().position(|plan| plan.name == *name)?;
        let plan = config.channels[channel].loop_check?;
        let is_of_this_loop =
            row.check.signal == span_words(plan.signal) && row.check.range == range_words(plan);
        Some(LastCheck {
            channel,
            at: utc(row.check.at),
            is_passed: row.check.is_passed,
            is_of_this_loop,
        })
    };
    Ok(record
        .latest_loop_checks()
        .await?
        .into_iter()
        .filter_map(of)
        .collect())
}

/// The size of the file over its samples, where it is large enough to tell.
#[expect(clippy::cast_precision_loss, reason = "for an estimate")]
async fn sample_bytes(record: &Readable) -> Result<SampleBytes, StoreError> {
    let size = record.size().record;
    if size < TELLING_BYTES {
        return Ok(SampleBytes::Usual);
    }
    let samples = record.sealed_samples().await?;
    Ok(if samples > 0 {
        SampleBytes::Measured(size as f64 / samples as f64)
    } else {
        SampleBytes::Usual
    })
}
