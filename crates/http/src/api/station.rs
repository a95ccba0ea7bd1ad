//! `GET /api/v1/station`: what this station is, and how it does.

use axum::Json;
use axum::extract::State;
use serde::Serialize;
use utoipa::ToSchema;

use super::Shared;
use super::when::rfc3339;
use crate::stream::{Health, health_of};

/// The station.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Station {
    /// Its name.
    name: String,
    /// IANA name of the laboratory's time zone.
    time_zone: String,
    /// The program's version.
    version: String,
    /// Names this start of the daemon.
    boot: String,
    /// Hash of the configuration in force.
    config: String,
    /// Now, true UTC.
    now: String,
    /// True where a rig plays any of the devices.
    simulated: bool,
    /// How many channels are configured.
    channels: usize,
    /// How many lines.
    lines: usize,
    /// How it does.
    health: Health,
    /// How the recording goes.
    recording: Recording,
    /// Sizes.
    size: Size,
}

/// How the recording goes, since the start of the daemon.
#[derive(Debug, Serialize, ToSchema)]
struct Recording {
    /// Everything measured up to here is on the disk; `null` before the first commit.
    committed: Option<String>,
    /// Samples on the disk.
    samples: u64,
    /// Samples in memory.
    held: usize,
    /// Samples that neither disk nor memory could take; they are gaps.
    lost: u64,
    /// Commits.
    commits: u64,
    /// How long the last one took, ms.
    commit_ms: f64,
}

/// Sizes, in bytes.
#[derive(Debug, Serialize, ToSchema)]
struct Size {
    /// The record.
    record: u64,
    /// The write-ahead log beside it.
    log: u64,
    /// Free on its disk.
    free: u64,
    /// The whole disk.
    disk: u64,
}

/// What this station is, and how it does.
#[utoipa::path(get, path = "/api/v1/station", tag = "station", responses((status = 200, body = Station)))]
pub(crate) async fn station(State(shared): State<Shared>) -> Json<Station> {
    let view = &shared.view;
    let (config, size) = (&view.config, view.record.size());
    let recording = view.recording.borrow().clone();
    Json(Station {
        name: config.station.name.clone(),
        time_zone: config.station.time_zone.clone(),
        version: view.version.clone(),
        boot: view.boot.clone(),
        config: config.revision.hash.clone(),
        now: rfc3339(view.now()),
        simulated: config
            .channels
            .iter()
            .any(|channel| view.is_simulated(channel)),
        channels: config.channels.len(),
        lines: config.lines.len(),
        health: health_of(view, shared.feed.health().missed_12h),
        recording: Recording {
            committed: (recording.commits > 0).then(|| rfc3339(view.utc(recording.committed))),
            samples: recording.samples,
            held: recording.held,
            lost: recording.lost,
            commits: recording.commits,
            commit_ms: recording.commit_took.as_secs_f64() * 1000.0,
        },
        size: Size {
            record: size.record,
            log: size.log,
            free: size.free,
            disk: size.disk,
        },
    })
}
