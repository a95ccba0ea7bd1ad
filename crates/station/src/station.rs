//! Start and end of the station, in one order and its reverse.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{broadcast, mpsc, watch};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use zonda_config::{ChannelPlan, Config, DerivedPlan};
use zonda_lines::{Axis, Clocks, LineHealth, SystemClocks};
use zonda_model::{Name, Period, Scan};
use zonda_store::{
    ChannelEntry, Event, OpenError, Readable, Recorder, RecorderOptions, Recording, Severity,
    Start, Store, StoreError,
};

use crate::Samples;
use crate::agreement::{AgreementBoard, Agreements};
use crate::board::Board;
use crate::correction;
use crate::derived::Derived;
use crate::desk::{Desk, WAITING_MAX};
use crate::loopcheck::LoopChecks;
use crate::mapper::Mapper;
use crate::patience::Patience;
use crate::runs::Runs;
use crate::supervisor::{Line, Means, supervise};

/// Hand-overs that a listener may be behind before it is told that it missed some.
const LIVE_BEHIND_MAX: usize = 1024;
/// How often the clocks are compared and the record is told that we are alive.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// Why the station did not start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The record cannot be opened.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// The record cannot be written.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// A running station.
#[derive(Debug)]
pub struct Station {
    config: Arc<Config>,
    board: Arc<Board>,
    agreements: Arc<AgreementBoard>,
    loop_checks: Arc<LoopChecks>,
    axis: Axis,
    store: Store,
    recorder: Recorder,
    lines: Vec<Line>,
    live: broadcast::Sender<Samples>,
    boot: String,
    stop: CancellationToken,
    failures: mpsc::Receiver<String>,
    desk: JoinHandle<Result<(), StoreError>>,
    writing: JoinHandle<()>,
    watching: JoinHandle<()>,
    conducting: JoinHandle<()>,
    runs: Runs,
}

/// How a station ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stopped {
    /// Samples that this session put into the record.
    pub samples: u64,
    /// Samples that neither disk nor memory could take; each is part of a gap.
    pub lost: u64,
    /// True where everything handed over is durable.
    pub is_complete: bool,
}

impl Station {
    /// Starts: the record first, then everything that feeds it, the lines last.
    ///
    /// # Errors
    /// [`StartError`]: the record cannot be opened or written. A missing port or device is none.
    pub async fn start(config: Config, version: &str) -> Result<Self, StartError> {
        let (mut station, means) = Self::furnish(config, version, SystemClocks).await?;
        station.lines = station
            .config
            .lines
            .iter()
            .map(|plan| supervise(plan.clone(), means.clone()))
            .collect();
        Ok(station)
    }

    /// Starts all but the lines, by other clocks than the machine's: whoever holds the way for scans
    /// stands for the lines. From there on everything is as with [`start`](Self::start). Before
    /// [`stop`](Self::stop) the way must be dropped.
    ///
    /// # Errors
    /// [`StartError`]: the record cannot be opened or written.
    pub async fn rehearse(
        config: Config,
        version: &str,
        clocks: impl Clocks + 'static,
    ) -> Result<(Self, mpsc::Sender<Scan>), StartError> {
        let (station, means) = Self::furnish(config, version, clocks).await?;
        Ok((station, means.scans))
    }

    /// Everything but the lines, and what they need.
    async fn furnish(
        config: Config,
        version: &str,
        clocks: impl Clocks + 'static,
    ) -> Result<(Self, Means), StartError> {
        let store = Store::open(&config.station.data).await?;
        let axis = Axis::new(clocks, store.newest().await?);
        let session = store.begin(&start_of(&config, version, &axis)).await?;
        let (keys, boot) = (session.channels.clone(), format!("s{}", session.id));
        tell_before(&session);
        let options = RecorderOptions {
            commit_every: config.station.commit_every,
            memory_samples: config.station.memory_samples,
        };
        let (recorder, writing) = Recorder::start(&store, session, options);
        recorder
            .clock(axis.now(), axis.axis_minus_utc_us(), "start")
            .await?;
        recorder
            .event(event(
                &axis,
                Severity::Info,
                "station_started",
                format!(
                    "version {version} started, {} channels",
                    config.channels.len()
                ),
            ))
            .await?;
        let config = Arc::new(config);
        let record = store.read().clone();
        let runs = Runs::of(&config, axis.clone(), record, recorder.clone()).await?;
        let board = Arc::new(Board::new(
            config
                .channels
                .iter()
                .map(|channel| period_of(&config, channel))
                .collect(),
        ));
        let (live, _) = broadcast::channel(LIVE_BEHIND_MAX);
        let (scans, inbox) = mpsc::channel(WAITING_MAX);
        let (give_up, failures) = mpsc::channel(1);
        let stop = CancellationToken::new();
        let (compared, agreements) = Agreements::new(&config);
        let checks = LoopChecks::new(Arc::clone(&config), axis.clone(), keys.clone());
        let loop_checks = Arc::new(checks);
        let desk = Desk {
            config: Arc::clone(&config),
            mapper: Mapper::new(&config),
            derived: Derived::new(&config, |channel| {
                period_of(&config, &config.channels[channel])
            }),
            board: Arc::clone(&board),
            axis: axis.clone(),
            recorder: recorder.clone(),
            live: live.clone(),
            keys,
            patience: vec![Patience::new(); config.sources.len()],
            agreements: compared,
            loop_checks: Arc::clone(&loop_checks),
        };
        tokio::spawn(correction::finish(store.read().clone(), recorder.clone()));
        let desk = tokio::spawn(desk.run(inbox));
        let watching = tokio::spawn(watch_clocks(axis.clone(), recorder.clone(), stop.clone()));
        let conducting = tokio::spawn(runs.clone().watch(live.subscribe(), stop.clone()));
        let means = Means {
            axis: axis.clone(),
            scans,
            recorder: recorder.clone(),
            stop: stop.clone(),
            give_up,
        };
        let station = Self {
            config,
            board,
            agreements,
            loop_checks,
            axis,
            store,
            recorder,
            lines: Vec::new(),
            live,
            boot,
            stop,
            failures,
            desk,
            writing,
            watching,
            conducting,
            runs,
        };
        Ok((station, means))
    }

    /// The configuration in force.
    pub fn config(&self) -> Arc<Config> {
        Arc::clone(&self.config)
    }

    /// The live board.
    pub fn board(&self) -> Arc<Board> {
        Arc::clone(&self.board)
    }

    /// How meters that are heard both ways agree.
    pub fn agreements(&self) -> Arc<AgreementBoard> {
        Arc::clone(&self.agreements)
    }

    /// The loop checks under way.
    pub fn loop_checks(&self) -> Arc<LoopChecks> {
        Arc::clone(&self.loop_checks)
    }

    /// The record's time axis.
    pub fn axis(&self) -> Axis {
        self.axis.clone()
    }

    /// The record, to be read.
    pub fn record(&self) -> Readable {
        self.store.read().clone()
    }

    /// The way to the one who writes the record, for work that is not recording.
    pub fn recorder(&self) -> Recorder {
        self.recorder.clone()
    }

    /// How the recording goes, as it changes.
    pub fn recording(&self) -> watch::Receiver<Recording> {
        self.recorder.recording()
    }

    /// The lines with their health, in the order of the configuration.
    pub fn lines(&self) -> impl Iterator<Item = (Name, watch::Receiver<LineHealth>)> {
        self.lines
            .iter()
            .map(|line| (line.name.clone(), line.health.clone()))
    }

    /// Live samples as they come; subscribe to listen.
    pub fn live(&self) -> broadcast::Sender<Samples> {
        self.live.clone()
    }

    /// The runs.
    pub fn runs(&self) -> Runs {
        self.runs.clone()
    }

    /// Names this start of the daemon.
    pub fn boot(&self) -> &str {
        &self.boot
    }

    /// Puts a remark about the station as a whole into the journal.
    ///
    /// # Errors
    /// [`StoreError::Ended`].
    pub async fn note(&self, kind: &str, text: &str) -> Result<(), StoreError> {
        let remark = event(&self.axis, Severity::Info, kind, text.to_owned());
        self.recorder.event(remark).await
    }

    /// Waits until everything that the recorder has been handed is durable.
    ///
    /// # Errors
    /// [`StoreError::Ended`].
    pub async fn flush(&self) -> Result<(), StoreError> {
        self.recorder.flush().await
    }

    /// Waits until the station cannot go on by itself; gives the reason. Safe to drop while it waits.
    pub async fn failed(&mut self) -> String {
        tokio::select! {
            Some(reason) = self.failures.recv() => reason,
            ended = &mut self.desk => format!("the desk ended: {}", how(ended)),
            ended = &mut self.writing => format!("the recorder ended: {}", ended.err().map_or_else(|| "by itself".to_owned(), |error| error.to_string())),
        }
    }

    /// Ends in order: lines, desk, recorder, file. SIGTERM loses nothing.
    pub async fn stop(self) -> Stopped {
        let Self {
            axis,
            store,
            recorder,
            lines,
            stop,
            desk,
            writing,
            watching,
            conducting,
            runs,
            ..
        } = self;
        stop.cancel();
        for line in lines {
            if let Err(error) = line.task.await {
                tracing::error!(line = %line.name, "the line did not end in order: {error}");
            }
        }
        if !desk.is_finished() {
            let ended = desk.await;
            if !matches!(ended, Ok(Ok(()))) {
                tracing::error!("the desk did not end in order: {}", how(ended));
            }
        }
        watching.abort();
        if conducting.await.is_err() {
            tracing::error!("runs were not looked after to the end");
        }
        drop(runs);
        let recording = recorder.recording();
        // If the recorder has ended, its own words are in the log already.
        let _ = recorder
            .event(event(
                &axis,
                Severity::Info,
                "station_stopped",
                "stopped in order".to_owned(),
            ))
            .await;
        let _ = recorder.end(axis.now()).await;
        drop(recorder);
        let is_whole = writing.is_finished() || writing.await.is_ok();
        store.read().close().await;
        let last = recording.borrow().clone();
        Stopped {
            samples: last.samples,
            lost: last.lost,
            is_complete: is_whole && last.stalled.is_none(),
        }
    }
}

fn how(ended: Result<Result<(), StoreError>, tokio::task::JoinError>) -> String {
    match ended {
        Ok(Ok(())) => "by itself".to_owned(),
        Ok(Err(error)) => error.to_string(),
        Err(error) => error.to_string(),
    }
}

fn start_of(config: &Config, version: &str, axis: &Axis) -> Start {
    let entry = |channel: &ChannelPlan| ChannelEntry {
        name: channel.name.clone(),
        quantity: channel.quantity,
        unit: channel.unit,
        period: period_of(config, channel),
        mapping: mapping_text(config, channel),
    };
    Start {
        boot: boot_id(),
        version: version.to_owned(),
        config_hash: config.revision.hash.clone(),
        config_text: config.revision.text.clone(),
        channels: config.channels.iter().map(entry).collect(),
        at: axis.now(),
    }
}

/// How the channel's codes become values; of a derived channel, by which law and from what it is computed.
fn mapping_text(config: &Config, channel: &ChannelPlan) -> String {
    let is_it = |plan: &&DerivedPlan| config.channels[plan.channel].name == channel.name;
    match config.derived.iter().find(is_it) {
        Some(plan) => plan.text.clone(),
        None => channel.mapping.describe().to_string(),
    }
}

/// Two sessions of one boot share a clock. Elsewhere than on Linux nobody knows.
fn boot_id() -> String {
    std::fs::read_to_string("/proc/sys/kernel/random/boot_id")
        .map_or_else(|_| "unknown".to_owned(), |id| id.trim().to_owned())
}

pub(crate) fn period_of(config: &Config, channel: &ChannelPlan) -> Period {
    let line = config
        .sources
        .get(channel.source.0)
        .and_then(|source| config.lines.get(source.line));
    line.map_or(Period::SECOND, |line| line.every)
}

fn event(axis: &Axis, severity: Severity, kind: &str, text: String) -> Event {
    Event {
        at: axis.now(),
        severity,
        kind: kind.to_owned(),
        subject: "station".to_owned(),
        text,
    }
}

fn tell_before(session: &zonda_store::Session) {
    match session.before {
        None => tracing::info!("a new record begins"),
        Some((alive, true)) => tracing::info!("the record goes on; it ended in order at {alive}"),
        Some((alive, false)) => tracing::warn!(
            "the record goes on; it was interrupted at {alive}, everything committed until then is there"
        ),
    }
}

/// Looks at the clocks, and tells the record that we are alive where no device does.
async fn watch_clocks(axis: Axis, recorder: Recorder, stop: CancellationToken) {
    let mut ticks = tokio::time::interval(LOOK_EVERY);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            () = stop.cancelled() => return,
            _ = ticks.tick() => {}
        }
        let told = match axis.look() {
            Some(jump) => tell_step(&axis, &recorder, jump).await,
            None => recorder.alive(axis.now()).await,
        };
        if told.is_err() {
            return;
        }
    }
}

#[expect(clippy::cast_precision_loss, reason = "for a sentence")]
async fn tell_step(
    axis: &Axis,
    recorder: &Recorder,
    step: zonda_lines::ClockStep,
) -> Result<(), StoreError> {
    let seconds = |us: i64| us as f64 / 1e6;
    let text = format!(
        "the wall clock was stepped by {:+.3} s; the record's axis is {:.3} s ahead of UTC from now on, and its views show true UTC",
        seconds(step.step_us),
        seconds(step.axis_minus_utc_us)
    );
    tracing::warn!("{text}");
    recorder
        .clock(step.at, step.axis_minus_utc_us, "step")
        .await?;
    recorder
        .event(event(axis, Severity::Warning, "clock_stepped", text))
        .await
}
