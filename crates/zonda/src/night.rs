//! A whole night in the record, in less than a minute: the rig by a clock of its own.
//!
//! From the scan on everything is the daemon's own: mapping, flags, gaps, events, rollups, seal. What
//! is left out are the wires: registers and text lines are decoded by the same code as ever, but nobody
//! waits for them. An event in the record says so.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use anyhow::Context;
use indicatif::{ProgressBar, ProgressStyle};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, ToSpan, ZonedDateTime};
use tokio::sync::mpsc;
use zonda_config::{Config, DriverPlan, ModulePlan, TextPlan};
use zonda_lines::Clocks;
use zonda_model::{Cause, Coded, Miss, Period, Quality, Scan, SourceId, Stamp};
use zonda_rig::Night;
use zonda_station::{Station, Stopped};

/// How long a night is.
pub(crate) const LENGTH: Duration = Duration::from_hours(12);
/// How long after its tick a device has answered: on the wire it takes that, too.
const ANSWERED_AFTER: Duration = Duration::from_millis(40);
/// How often the night waits for the disk: memory would not hold all of it.
const DURABLE_EVERY: Duration = Duration::from_mins(10);

/// A clock that is where it was put.
#[derive(Clone, Debug)]
struct Fast {
    begin: i64,
    elapsed: Arc<AtomicI64>,
}

impl Clocks for Fast {
    fn wall(&self) -> i64 {
        self.begin + self.boot()
    }

    fn boot(&self) -> i64 {
        self.elapsed.load(Ordering::Relaxed)
    }
}

impl Fast {
    fn put(&self, at: Stamp) {
        let elapsed = at.micros() - self.begin;
        self.elapsed.store(elapsed, Ordering::Relaxed);
    }
}

/// When the last night began that is over by `now`: six in the evening of the laboratory's clock.
///
/// # Errors
/// The zone is unknown.
pub(crate) fn last_night(now: &ZonedDateTime, zone: &TimeZone) -> anyhow::Result<Stamp> {
    let now = now.with_time_zone(zone.clone());
    let mut begin = now.with().hour(18).minute(0).second(0).subsec_nanosecond(0);
    loop {
        let evening = begin.build()?;
        let end = evening.checked_add(SignedDuration::try_from(LENGTH)?)?;
        if end < now {
            return Ok(Stamp::from_micros(evening.timestamp().as_microsecond()));
        }
        begin = evening.checked_sub(1.day())?.with();
    }
}

/// Records the night that begins then.
///
/// # Errors
/// The record cannot be written, or the configuration is not the rig's.
pub(crate) async fn record(
    config: Config,
    mut night: Night,
    begin: Stamp,
    length: Duration,
) -> anyhow::Result<Stopped> {
    let clock = Fast {
        begin: begin.micros(),
        elapsed: Arc::default(),
    };
    let (station, scans) =
        Station::rehearse(config, env!("CARGO_PKG_VERSION"), clock.clone()).await?;
    station
        .note(
            "rehearsed",
            "the night that follows was played by the rig's own clock, not measured",
        )
        .await?;
    let config = station.config();
    let bar = progress(length)?;
    let end = begin.plus(length);
    let tick = config.lines.iter().map(|line| line.every).min();
    let tick = tick.context("the rig has no lines")?;
    let durable_every = Period::new(DURABLE_EVERY)?;
    let mut at = begin.next(tick);
    while at <= end {
        clock.put(at);
        night.advance_to(at.since(begin));
        for line in config
            .lines
            .iter()
            .filter(|line| at.floor(line.every) == at)
        {
            send(&line.driver, line.name.as_str(), &night, at, &scans).await?;
        }
        if at.floor(durable_every) == at {
            station.flush().await?;
            bar.set_position(at.since(begin).as_secs());
        }
        at = at.next(tick);
    }
    drop(scans);
    let stopped = station.stop().await;
    bar.finish_and_clear();
    Ok(stopped)
}

fn progress(length: Duration) -> anyhow::Result<ProgressBar> {
    let style =
        ProgressStyle::with_template("last night at the oven {bar:40} {percent} %, {eta} left")?;
    Ok(ProgressBar::new(length.as_secs()).with_style(style))
}

/// What the sources of a line say at a tick.
async fn send(
    driver: &DriverPlan,
    line: &str,
    night: &Night,
    tick: Stamp,
    scans: &mpsc::Sender<Scan>,
) -> anyhow::Result<()> {
    let said = if let DriverPlan::Text(plan) = driver {
        vec![(plan.source, words(plan, line, night)?)]
    } else if let DriverPlan::ModbusRtu(plan) = driver {
        modules(&plan.modules, night)
    } else if let DriverPlan::ModbusTcp(plan) = driver {
        modules(&plan.modules, night)
    } else {
        anyhow::bail!("line {line} is none of the rig's")
    };
    for (source, codes) in said {
        let scan = Scan {
            source,
            tick,
            at: tick.plus(ANSWERED_AFTER),
            outcome: codes.ok_or_else(silent),
        };
        scans.send(scan).await.context("the station has ended")?;
    }
    Ok(())
}

fn modules(modules: &[ModulePlan], night: &Night) -> Vec<(SourceId, Option<Vec<Coded>>)> {
    modules
        .iter()
        .map(|module| (module.source, codes(module, night)))
        .collect()
}

fn words(plan: &TextPlan, line: &str, night: &Night) -> anyhow::Result<Option<Vec<Coded>>> {
    let said = night.words(line);
    let codes = said.map(|said| plan.format.decode_line(said.trim_end().as_bytes()));
    Ok(codes.transpose()?)
}

fn codes(module: &ModulePlan, night: &Night) -> Option<Vec<Coded>> {
    let held = night.registers(module.name.as_str())?;
    let registers = module.registers();
    let spans = registers.spans().iter().map(|span| {
        let first = usize::from(span.first());
        held.get(first..first + usize::from(span.count()))
            .map(<[u16]>::to_vec)
    });
    let codes = registers.codes(&spans.collect::<Option<Vec<_>>>()?)?;
    let input = |code| Coded {
        code: Some(code),
        quality: Quality::empty(),
    };
    Some(codes.into_iter().map(input).collect())
}

fn silent() -> Miss {
    Miss {
        ticks: 1,
        cause: Cause::Timeout,
        detail: "no answer".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_night_is_one_that_is_over() {
        let berlin = TimeZone::get("Europe/Berlin").unwrap();
        let began = |now: &str| {
            let now: ZonedDateTime = now.parse().unwrap();
            last_night(&now, &berlin).unwrap().to_string()
        };
        assert_eq!(
            began("2026-11-25T15:00:00[Europe/Berlin]"),
            "2026-11-24T17:00:00.000000Z"
        );
        assert_eq!(
            began("2026-11-25T05:59:00[Europe/Berlin]"),
            "2026-11-23T17:00:00.000000Z"
        );
        // Noon in Auckland is the hour after midnight in Berlin.
        assert_eq!(
            began("2026-07-02T11:00:00[Pacific/Auckland]"),
            "2026-06-30T16:00:00.000000Z"
        );
    }
}
