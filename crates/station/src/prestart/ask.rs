//! Facts where no daemon runs: every line is opened for a moment, and asked as it would be in the night.

use std::time::Duration;

use tokio::sync::mpsc;
use tokio::time::{Instant, timeout_at};
use tokio_util::sync::CancellationToken;
use zonda_config::Config;
use zonda_lines::{Axis, LineHealth, SystemClocks};
use zonda_model::{Name, Scan};
use zonda_store::{Readable, StoreError};

use super::{Desk, Facts, gather};
use crate::board::{Board, Missing};
use crate::mapper::Mapper;
use crate::station::period_of;

/// Ticks that a line gets: a meter that talks by itself is not believed at its first line.
const TICKS: u32 = 3;
/// Beyond its ticks, for a port that opens slowly and a device that answers late.
const GRACE: Duration = Duration::from_secs(3);
/// However slow the lines are, somebody is waiting for the table.
const WAIT_MAX: Duration = Duration::from_secs(30);
/// Scans that may wait; the lines wait when there are more.
const WAITING_MAX: usize = 256;

/// Opens every line for a moment and gathers the facts. `record` is what there is of one.
///
/// # Errors
/// The record cannot be read.
pub async fn ask(
    config: &Config,
    record: Option<&Readable>,
    night: Duration,
) -> Result<Facts, StoreError> {
    let axis = Axis::new(SystemClocks, None);
    let (scans, mut inbox) = mpsc::channel(WAITING_MAX);
    let stop = CancellationToken::new();
    let lines: Vec<_> = config
        .lines
        .iter()
        .map(|plan| zonda_lines::spawn(plan, axis.clone(), scans.clone(), stop.clone()))
        .collect();
    drop(scans);
    let board = Board::new(
        config
            .channels
            .iter()
            .map(|channel| period_of(config, channel))
            .collect(),
    );
    let mut mapper = Mapper::new(config);
    let mut heard = vec![0; config.sources.len()];
    let deadline = Instant::now() + patience(config);
    while heard.iter().any(|scans| *scans < TICKS) {
        let Ok(Some(scan)) = timeout_at(deadline, inbox.recv()).await else {
            break;
        };
        if scan.outcome.is_ok() {
            heard[scan.source.0] += 1;
        }
        put_on(&board, &mut mapper, &axis, scan);
    }
    board.note(&mapper.finish());
    let health: Vec<(Name, LineHealth)> = lines
        .iter()
        .map(|line| (line.name.clone(), line.health.borrow().clone()))
        .collect();
    stop.cancel();
    // Nobody takes scans any more, so none waits for that.
    drop(inbox);
    for line in lines {
        // A line that ended in a panic has said so in the log.
        let _ = line.task.await;
    }
    gather(
        Desk {
            config,
            board: &board,
            axis: &axis,
        },
        health,
        record,
        night,
    )
    .await
}

fn patience(config: &Config) -> Duration {
    let slowest = config.lines.iter().map(|line| line.every.duration()).max();
    (slowest.unwrap_or_default() * (TICKS + 1) + GRACE).min(WAIT_MAX)
}

fn put_on(board: &Board, mapper: &mut Mapper, axis: &Axis, scan: Scan) {
    match scan.outcome {
        Ok(codes) => {
            let when = (scan.tick, scan.at);
            board.note(&mapper.scanned(scan.source, when, axis.axis_minus_utc_us(), &codes));
        }
        Err(miss) => {
            board.note(&mapper.missed(scan.source, scan.tick, &miss));
            let missing = Missing {
                since: scan.tick,
                cause: miss.cause,
                detail: miss.detail,
            };
            board.note_missing(mapper.channels(scan.source), &missing);
        }
    }
}
