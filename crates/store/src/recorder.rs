//! The recorder: the one task that writes the record. It is never cancelled.
//!
//! What it is handed waits in memory until the next commit. While the disk takes nothing, memory
//! holds up to a stated number of samples; what does not fit becomes a gap with cause
//! `disk_stalled`, which is written when the disk takes data again.

use std::collections::BTreeMap;
use std::pin::Pin;
use std::time::Duration;

use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions, Connection, SqliteConnection};
use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::JoinHandle;
use tokio::time::{Instant, MissedTickBehavior};
use zonda_model::{Cause, Miss, Sample, Stamp};

use crate::book::GapBook;
use crate::commit::{Batch, ClockRow, commit};
use crate::error::StoreError;
use crate::open::Store;
use crate::rollup::Rollups;
use crate::row::{ChannelId, guarded};
use crate::session::Session;

/// Hand-overs that may wait for the recorder, which takes them at once, even during a commit. When
/// they fill up all the same, whoever hands over waits: nothing is dropped here.
const WAITING_MAX: usize = 1024;
/// Events that memory holds while the disk takes nothing; further ones are counted and only logged.
const EVENTS_MAX: usize = 10_000;
/// The first and the longest wait before a failed commit is tried again.
const RETRY: (Duration, Duration) = (Duration::from_millis(500), Duration::from_secs(10));

/// How often the last commit is tried when the daemon is told to stop and the disk takes nothing.
const LAST_TRIES: u32 = 4;

/// How grave an event is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Good to know.
    Info,
    /// Somebody should look.
    Warning,
    /// Somebody must act.
    Alarm,
}

impl Severity {
    /// The word in the file and the API.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Info => "info",
            Self::Warning => "warning",
            Self::Alarm => "alarm",
        }
    }
}

/// Something that happened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Event {
    /// When, on the record's axis.
    pub at: Stamp,
    /// How grave.
    pub severity: Severity,
    /// A word for machines, such as `line_down`.
    pub kind: String,
    /// The line, channel or part it is about.
    pub subject: String,
    /// One sentence for a person.
    pub text: String,
}

/// How the recorder works.
#[derive(Clone, Copy, Debug)]
pub struct RecorderOptions {
    /// How often what is in hand is made durable.
    pub commit_every: Duration,
    /// How many samples memory holds while the disk takes nothing.
    pub memory_samples: usize,
}

/// How the recording goes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Recording {
    /// Why the disk takes nothing, since when; `None` while all is well.
    pub stalled: Option<Stalled>,
    /// Everything handed in up to here is durable.
    pub committed: Stamp,
    /// Samples in the file since the start of this session.
    pub samples: u64,
    /// Samples in memory at the last commit.
    pub held: usize,
    /// Samples of this session that neither disk nor memory could take; they are gaps.
    pub lost: u64,
}

/// A disk that takes nothing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stalled {
    /// Since when, on the record's axis.
    pub since: Stamp,
    /// What it said.
    pub reason: String,
}

enum Entry {
    Samples(Vec<Sample<ChannelId>>),
    Missed {
        channels: Vec<ChannelId>,
        tick: Stamp,
        miss: Miss,
    },
    Event(Event),
    Clock(ClockRow),
    Alive(Stamp),
    Flush(oneshot::Sender<()>),
    End(Stamp),
}

/// The way to the recorder. Cheap to clone.
#[derive(Clone, Debug)]
pub struct Recorder {
    entries: mpsc::Sender<Entry>,
    recording: watch::Receiver<Recording>,
}

impl std::fmt::Debug for Entry {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Entry")
    }
}

impl Recorder {
    /// Starts the recorder of a session. The task ends after [`end`](Self::end), or when every
    /// handle is gone; it commits what is in hand first.
    pub fn start(
        store: &Store,
        session: Session,
        options: RecorderOptions,
    ) -> (Self, JoinHandle<()>) {
        let (entries, inbox) = mpsc::channel(WAITING_MAX);
        let (say, recording) = watch::channel(Recording {
            stalled: None,
            committed: Stamp::default(),
            samples: 0,
            held: 0,
            lost: 0,
        });
        let hand = Hand::new(session, options.memory_samples);
        let writer = Writer {
            inbox,
            hand,
            say,
            options,
            connect: store.write_options().clone(),
            in_hand: None,
            flushes: Vec::new(),
            due: Vec::new(),
            ending: false,
        };
        (Self { entries, recording }, tokio::spawn(writer.run()))
    }

    /// Records samples. A channel's samples must come in the order of their times.
    ///
    /// # Errors
    /// [`StoreError::Ended`].
    pub async fn samples(&self, samples: Vec<Sample<ChannelId>>) -> Result<(), StoreError> {
        self.hand_over(Entry::Samples(samples)).await
    }

    /// Records that a tick of these channels brought nothing.
    ///
    /// # Errors
    /// [`StoreError::Ended`].
    pub async fn missed(
        &self,
        channels: Vec<ChannelId>,
        tick: Stamp,
        miss: Miss,
    ) -> Result<(), StoreError> {
        self.hand_over(Entry::Missed {
            channels,
            tick,
            miss,
        })
        .await
    }

    /// Records an event.
    ///
    /// # Errors
    /// [`StoreError::Ended`].
    pub async fn event(&self, event: Event) -> Result<(), StoreError> {
        self.hand_over(Entry::Event(event)).await
    }

    /// Records how far the axis is from UTC from `at` on.
    ///
    /// # Errors
    /// [`StoreError::Ended`].
    pub async fn clock(
        &self,
        at: Stamp,
        axis_minus_utc_us: i64,
        cause: &str,
    ) -> Result<(), StoreError> {
        self.hand_over(Entry::Clock(ClockRow {
            at,
            axis_minus_utc_us,
            cause: cause.to_owned(),
        }))
        .await
    }

    /// Says that the daemon is alive at `at`, also where no device speaks.
    ///
    /// # Errors
    /// [`StoreError::Ended`].
    pub async fn alive(&self, at: Stamp) -> Result<(), StoreError> {
        self.hand_over(Entry::Alive(at)).await
    }

    /// Waits until everything handed over before is durable.
    ///
    /// # Errors
    /// [`StoreError::Ended`].
    pub async fn flush(&self) -> Result<(), StoreError> {
        let (done, wait) = oneshot::channel();
        self.hand_over(Entry::Flush(done)).await?;
        wait.await.map_err(|_| StoreError::Ended)
    }

    /// Ends the session in order: commits what is in hand and closes the file.
    ///
    /// # Errors
    /// [`StoreError::Ended`] where it has ended already.
    pub async fn end(&self, at: Stamp) -> Result<(), StoreError> {
        self.hand_over(Entry::End(at)).await
    }

    /// How the recording goes, as it changes.
    pub fn recording(&self) -> watch::Receiver<Recording> {
        self.recording.clone()
    }

    async fn hand_over(&self, entry: Entry) -> Result<(), StoreError> {
        self.entries
            .send(entry)
            .await
            .map_err(|_| StoreError::Ended)
    }
}

/// What is in memory and not in the file.
#[derive(Debug)]
struct Hand {
    samples: Vec<Sample<ChannelId>>,
    samples_max: usize,
    /// Samples of a batch whose commit is under way or has failed.
    out: usize,
    last: BTreeMap<ChannelId, Stamp>,
    rollups: Rollups,
    book: GapBook,
    events: Vec<(i64, Event)>,
    next_event: i64,
    clocks: Vec<ClockRow>,
    session: i64,
    alive: Stamp,
    lost: u64,
}

impl Hand {
    fn new(session: Session, samples_max: usize) -> Self {
        Self {
            samples: Vec::new(),
            samples_max,
            out: 0,
            last: BTreeMap::new(),
            rollups: session.rollups,
            book: session.book,
            events: Vec::new(),
            next_event: session.next_event,
            clocks: Vec::new(),
            session: session.id,
            alive: Stamp::default(),
            lost: 0,
        }
    }

    fn take_in(&mut self, entry: Entry) -> Option<Control> {
        match entry {
            Entry::Samples(samples) => samples
                .into_iter()
                .for_each(|sample| self.sample(guarded(sample))),
            Entry::Missed {
                channels,
                tick,
                miss,
            } => {
                self.alive = self.alive.max(tick);
                for channel in channels {
                    self.book.miss(channel, tick, &miss);
                }
            }
            Entry::Event(event) => self.event(event),
            Entry::Clock(row) => self.clocks.push(row),
            Entry::Alive(at) => self.alive = self.alive.max(at),
            Entry::Flush(done) => return Some(Control::Flush(done)),
            Entry::End(at) => {
                self.alive = self.alive.max(at);
                return Some(Control::End);
            }
        }
        None
    }

    /// Two samples of one channel within a microsecond would have one key: the second is moved on by
    /// the smallest step, so that both are kept.
    fn sample(&mut self, mut sample: Sample<ChannelId>) {
        if let Some(last) = self.last.get(&sample.channel)
            && sample.at <= *last
        {
            sample.at = last.plus(Duration::from_micros(1));
        }
        self.alive = self.alive.max(sample.at);
        if self.samples.len() + self.out >= self.samples_max {
            self.lost += 1;
            let miss = Miss {
                ticks: 1,
                cause: Cause::DiskStalled,
                detail: "memory was full".to_owned(),
            };
            self.book.miss(sample.channel, sample.at, &miss);
            return;
        }
        self.last.insert(sample.channel, sample.at);
        self.book.close(sample.channel, sample.at);
        self.rollups.add(&sample);
        self.samples.push(sample);
    }

    fn event(&mut self, event: Event) {
        if self.events.len() >= EVENTS_MAX {
            tracing::warn!(
                kind = event.kind,
                subject = event.subject,
                "event not kept, memory is full: {}",
                event.text
            );
            return;
        }
        self.events.push((self.next_event, event));
        self.next_event += 1;
    }

    fn take_batch(&mut self, is_last: bool) -> Batch {
        let mut rollups = self.rollups.take_finished();
        if is_last {
            rollups.extend(self.rollups.all());
            self.book.mark_all();
        }
        self.out = self.samples.len();
        Batch {
            samples: std::mem::take(&mut self.samples),
            rollups,
            gaps: self.book.take_news(),
            events: std::mem::take(&mut self.events),
            clocks: std::mem::take(&mut self.clocks),
            alive: (self.session, self.alive),
            is_last,
            is_repeated: false,
        }
    }
}

enum Control {
    Flush(oneshot::Sender<()>),
    End,
}

/// What comes back from a commit: the connection if it may be used again, the batch, how it went.
type Outcome = (Option<SqliteConnection>, Batch, Result<(), StoreError>);
type Under = Pin<Box<dyn Future<Output = Outcome> + Send>>;

struct Writer {
    inbox: mpsc::Receiver<Entry>,
    hand: Hand,
    say: watch::Sender<Recording>,
    options: RecorderOptions,
    connect: SqliteConnectOptions,
    /// A batch whose commit failed.
    in_hand: Option<Batch>,
    /// Flushes asked for since the last batch was made up; they wait for the next one.
    flushes: Vec<oneshot::Sender<()>>,
    /// Flushes that the batch under way answers.
    due: Vec<oneshot::Sender<()>>,
    ending: bool,
}

impl Writer {
    async fn run(mut self) {
        let mut connection = None;
        let mut ticks = tokio::time::interval(self.options.commit_every);
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut wait = RETRY.0;
        let mut last_tries = LAST_TRIES;
        loop {
            self.collect(&mut ticks).await;
            let outcome = self.commit_while_collecting(connection.take()).await;
            let (kept, batch, result) = outcome;
            match result {
                Ok(()) => {
                    connection = kept;
                    wait = RETRY.0;
                    let is_last = batch.is_last;
                    self.note_done(&batch);
                    if is_last {
                        break;
                    }
                }
                Err(error) => {
                    self.note_failed(batch, &error);
                    if self.ending {
                        last_tries -= 1;
                    }
                    if last_tries == 0 {
                        let held = self.say.borrow().held;
                        tracing::error!(
                            "the disk took nothing to the end: {held} samples in memory are lost"
                        );
                        return;
                    }
                    self.pause(wait).await;
                    wait = (wait * 2).min(RETRY.1);
                }
            }
        }
        if let Some(connection) = connection {
            close(connection).await;
        }
    }

    /// Takes in until the next commit is due.
    async fn collect(&mut self, ticks: &mut tokio::time::Interval) {
        while !self.ending && self.flushes.is_empty() {
            tokio::select! {
                _ = ticks.tick() => return,
                entry = self.inbox.recv() => self.take_in(entry),
            }
        }
    }

    fn take_in(&mut self, entry: Option<Entry>) {
        match entry.map(|entry| self.hand.take_in(entry)) {
            None | Some(Some(Control::End)) => self.ending = true,
            Some(Some(Control::Flush(done))) => self.flushes.push(done),
            Some(None) => {}
        }
    }

    /// Commits one batch. The commit is never dropped half-way; meanwhile hand-overs go on being
    /// taken in, so that a slow disk makes no line wait.
    async fn commit_while_collecting(&mut self, connection: Option<SqliteConnection>) -> Outcome {
        let batch = match self.in_hand.take() {
            Some(batch) => batch,
            None => {
                self.due = std::mem::take(&mut self.flushes);
                self.hand.take_batch(self.ending)
            }
        };
        let mut under: Under = Box::pin(commit_on(connection, self.connect.clone(), batch));
        loop {
            if self.ending {
                return under.await;
            }
            tokio::select! {
                outcome = &mut under => return outcome,
                entry = self.inbox.recv() => self.take_in(entry),
            }
        }
    }

    fn note_done(&mut self, batch: &Batch) {
        self.hand.out = 0;
        let was = self.say.borrow().stalled.clone();
        if let Some(stalled) = was {
            tracing::info!(
                "the disk takes data again; {} samples were held in memory",
                batch.samples.len()
            );
            let lost = self.hand.lost;
            let text = format!(
                "the disk took nothing from {} on ({}); recording goes on, {lost} samples were lost",
                stalled.since, stalled.reason
            );
            self.hand.event(Event {
                at: self.hand.alive,
                severity: Severity::Warning,
                kind: "disk_back".to_owned(),
                subject: "record".to_owned(),
                text,
            });
        }
        let (committed, held, lost) = (batch.alive.1, self.hand.samples.len(), self.hand.lost);
        self.say.send_modify(|now| {
            now.stalled = None;
            now.committed = committed;
            now.samples += batch.samples.len() as u64;
            now.held = held;
            now.lost = lost;
        });
        for done in self.due.drain(..) {
            // Whoever no longer waits has no need of the answer.
            let _ = done.send(());
        }
    }

    fn note_failed(&mut self, mut batch: Batch, error: &StoreError) {
        batch.is_repeated = true;
        self.hand.out = batch.samples.len();
        let (held, lost, alive) = (
            self.hand.samples.len() + self.hand.out,
            self.hand.lost,
            self.hand.alive,
        );
        self.in_hand = Some(batch);
        if self.say.borrow().stalled.is_none() {
            tracing::error!(
                "the disk takes no data: {error}; memory holds up to {} samples",
                self.hand.samples_max
            );
            let text = format!("the disk takes no data: {error}");
            self.hand.event(Event {
                at: alive,
                severity: Severity::Alarm,
                kind: "disk_stalled".to_owned(),
                subject: "record".to_owned(),
                text,
            });
        }
        self.say.send_modify(|now| {
            now.stalled.get_or_insert_with(|| Stalled {
                since: alive,
                reason: error.to_string(),
            });
            now.held = held;
            now.lost = lost;
        });
    }

    /// Waits before the next try, taking in all the while.
    async fn pause(&mut self, wait: Duration) {
        let until = Instant::now() + wait;
        while let Ok(entry) = tokio::time::timeout_at(until, self.inbox.recv()).await {
            self.take_in(entry);
            if self.ending {
                tokio::time::sleep_until(until).await;
                return;
            }
        }
    }
}

/// After any error the connection is given up: the kernel may have thrown away what it could not
/// write, and only a fresh one sees what is really there.
async fn commit_on(
    connection: Option<SqliteConnection>,
    connect: SqliteConnectOptions,
    batch: Batch,
) -> Outcome {
    let connected = match connection {
        Some(connection) => Ok(connection),
        None => connect.connect().await,
    };
    let mut connection = match connected {
        Ok(connection) => connection,
        Err(error) => return (None, batch, Err(error.into())),
    };
    match commit(&mut connection, &batch).await {
        Ok(()) => (Some(connection), batch, Ok(())),
        Err(error) => {
            // The file is what counts; a second error while closing says nothing new.
            let _ = connection.close_hard().await;
            (None, batch, Err(error))
        }
    }
}

/// Folds the write-ahead log into the file, so that one file is the whole record.
async fn close(mut connection: SqliteConnection) {
    if let Err(error) = sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)")
        .execute(&mut connection)
        .await
    {
        tracing::warn!(
            "the log stays beside the record and is folded in at the next start: {error}"
        );
    }
    if let Err(error) = connection.close().await {
        tracing::warn!("the record did not close in order: {error}");
    }
}
