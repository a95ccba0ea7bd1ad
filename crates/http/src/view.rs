//! What the HTTP side sees of the station: handles to read from, cheap to clone.

use std::path::PathBuf;
use std::sync::Arc;

use tokio::sync::{broadcast, watch};
use zonda_config::{ChannelPlan, Config};
use zonda_lines::{Axis, LineHealth};
use zonda_model::{Name, Stamp};
use zonda_station::agreement::AgreementBoard;
use zonda_station::board::Board;
use zonda_station::loopcheck::LoopChecks;
use zonda_station::runs::Runs;
use zonda_station::{Samples, Station};
use zonda_store::{Readable, Recorder, Recording};

/// A line as this side sees it.
#[derive(Clone, Debug)]
pub struct LineView {
    /// Its name.
    pub name: Name,
    /// How it is doing.
    pub health: watch::Receiver<LineHealth>,
}

/// The station, to be read.
#[derive(Clone, Debug)]
pub struct View {
    /// The file that the configuration was read from, where there was one.
    pub file: Option<PathBuf>,
    /// The configuration in force.
    pub config: Arc<Config>,
    /// The live board.
    pub board: Arc<Board>,
    /// The record's time axis.
    pub axis: Axis,
    /// The record.
    pub record: Readable,
    /// The way to the one who writes the record.
    pub recorder: Recorder,
    /// How the recording goes.
    pub recording: watch::Receiver<Recording>,
    /// The lines, in the order of the configuration.
    pub lines: Vec<LineView>,
    /// How meters that are heard both ways agree.
    pub agreements: Arc<AgreementBoard>,
    /// The loop checks under way.
    pub loop_checks: Arc<LoopChecks>,
    /// The runs.
    pub runs: Runs,
    /// Live samples as they come.
    pub samples: broadcast::Sender<Samples>,
    /// Names this start of the daemon.
    pub boot: String,
    /// The program's version.
    pub version: String,
}

impl View {
    /// Of a running station.
    pub fn of(station: &Station, version: &str) -> Self {
        let lines = station.lines();
        Self {
            file: None,
            config: station.config(),
            board: station.board(),
            axis: station.axis(),
            record: station.record(),
            recorder: station.recorder(),
            recording: station.recording(),
            lines: lines
                .map(|(name, health)| LineView { name, health })
                .collect(),
            agreements: station.agreements(),
            loop_checks: station.loop_checks(),
            runs: station.runs(),
            samples: station.live(),
            boot: station.boot().to_owned(),
            version: version.to_owned(),
        }
    }

    /// True UTC now.
    pub fn now(&self) -> Stamp {
        self.utc(self.axis.now())
    }

    /// True UTC of a stamp of this moment's axis. For the past the record's clock table knows.
    pub fn utc(&self, at: Stamp) -> Stamp {
        Stamp::from_micros(at.micros().saturating_sub(self.axis.axis_minus_utc_us()))
    }

    /// True where a rig plays the channel's device.
    pub fn is_simulated(&self, channel: &ChannelPlan) -> bool {
        let source = self.config.sources.get(channel.source.0);
        source.is_some_and(|source| source.simulated)
    }

    /// The place of a channel in the configuration.
    pub fn channel(&self, name: &str) -> Option<usize> {
        self.config
            .channels
            .iter()
            .position(|channel| channel.name.as_str() == name)
    }
}
