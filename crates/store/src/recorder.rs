//! The recorder as everybody else sees it: a handle to hand things over with, and how it goes.

use std::time::Duration;

use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::JoinHandle;
use zonda_model::{Miss, Sample, Stamp};

use crate::commit::ClockRow;
use crate::error::StoreError;
use crate::job::Asked;
use crate::loop_check::LoopCheckEntry;
use crate::open::Store;
use crate::row::ChannelId;
use crate::run::RunChange;
use crate::session::Session;
use crate::writer;

/// Hand-overs that may wait for the recorder, which takes them at once, even during a commit. When
/// they fill up all the same, whoever hands over waits: nothing is dropped here.
const WAITING_MAX: usize = 1024;

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
    /// How many samples memory holds while the disk takes nothing, some 64 bytes each. What does not
    /// fit becomes a gap with cause `disk_stalled`.
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
    /// Samples in memory, as of the last commit or try.
    pub held: usize,
    /// Samples of this session that neither disk nor memory could take; they are gaps.
    pub lost: u64,
    /// Samples of this session that were stored at a later microsecond, because their channel
    /// already had a sample at their time.
    pub nudged: u64,
    /// Commits of this session.
    pub commits: u64,
    /// How long the last commit took.
    pub commit_took: Duration,
}

/// A disk that takes nothing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stalled {
    /// Since when, on the record's axis.
    pub since: Stamp,
    /// What it said.
    pub reason: String,
}

pub(crate) enum Entry {
    Samples(Vec<Sample<ChannelId>>),
    Missed {
        channels: Vec<ChannelId>,
        tick: Stamp,
        miss: Miss,
    },
    Event(Event),
    Runs(Vec<RunChange>, Vec<Event>),
    LoopCheck(Box<LoopCheckEntry>, Event),
    Clock(ClockRow),
    Alive(Stamp),
    Flush(oneshot::Sender<()>),
    Job(Asked),
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
    /// Starts the recorder of a session, the one task that writes the record; it must not be aborted.
    /// It ends after [`end`](Self::end), or when every handle is gone, and commits what is in hand
    /// first. A session without an [`end`](Self::end) is found interrupted by the next one.
    pub fn start(
        store: &Store,
        session: Session,
        options: RecorderOptions,
    ) -> (Self, JoinHandle<()>) {
        let (entries, inbox) = mpsc::channel(WAITING_MAX);
        let (say, recording) = watch::channel(Recording {
            stalled: None,
            committed: session.at,
            samples: 0,
            held: 0,
            lost: 0,
            nudged: 0,
            commits: 0,
            commit_took: Duration::ZERO,
        });
        let task = tokio::spawn(writer::run(store, session, options, inbox, say));
        (Self { entries, recording }, task)
    }

    /// Records samples. A channel's samples should come in the order of their times; one that does
    /// not is stored at its own time all the same. Two of a channel at one time are both kept: the
    /// later one at the next free microsecond ([`Recording::nudged`]).
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

    /// Records what happened with runs, and the events that say so, in one commit.
    ///
    /// # Errors
    /// [`StoreError::Ended`].
    pub async fn runs(
        &self,
        changes: Vec<RunChange>,
        events: Vec<Event>,
    ) -> Result<(), StoreError> {
        self.hand_over(Entry::Runs(changes, events)).await
    }

    /// Records a loop check and the event that says so, in one commit. The event's text should carry
    /// the check's hash.
    ///
    /// # Errors
    /// [`StoreError::Ended`].
    pub async fn loop_check(&self, check: LoopCheckEntry, event: Event) -> Result<(), StoreError> {
        self.hand_over(Entry::LoopCheck(Box::new(check), event))
            .await
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

    pub(crate) async fn hand_over(&self, entry: Entry) -> Result<(), StoreError> {
        self.entries
            .send(entry)
            .await
            .map_err(|_| StoreError::Ended)
    }
}
