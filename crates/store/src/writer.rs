//! The writer: the one task that brings what it is handed into the file. It is never cancelled.
//!
//! It never waits for the disk alone: while a commit is under way, hand-overs go on being taken into
//! memory, so that a disk that hangs makes no line wait. A batch whose commit failed is kept as it is
//! and tried again, on a fresh connection, before anything later.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use sqlx::{Connection, SqliteConnection};
use tokio::sync::{mpsc, oneshot, watch};
use tokio::time::{Instant, MissedTickBehavior};

use crate::commit::{self, Batch, Committed};
use crate::engine;
use crate::error::StoreError;
use crate::folder::{self, Claim};
use crate::hand::Hand;
use crate::job::{Asked, JOBS_MAX, Job, Step};
use crate::open::{self, Readable, Store};
use crate::recorder::{Entry, Event, RecorderOptions, Recording, Severity, Stalled};
use crate::session::Session;

/// The first and the longest wait before a failed commit is tried again: soon enough to gain from a
/// disk that comes back, seldom enough not to hammer one that is dying.
const RETRY: (Duration, Duration) = (Duration::from_millis(250), Duration::from_secs(5));

/// How long the last commits are tried when the daemon is told to stop and the disk takes nothing:
/// less than a service manager waits before it kills.
const LAST_PATIENCE: Duration = Duration::from_secs(8);

/// Runs until [`Recorder::end`](crate::Recorder::end) or until every handle is gone.
pub(crate) fn run(
    store: &Store,
    session: Session,
    options: RecorderOptions,
    inbox: mpsc::Receiver<Entry>,
    say: watch::Sender<Recording>,
) -> impl Future<Output = ()> + Send + use<> {
    let disk = Disk {
        read: store.read().clone(),
        connection: None,
        claim: store.claim(),
    };
    Writer {
        inbox,
        hand: Hand::new(session, options.memory_samples),
        say,
        failed: None,
        flushes: Vec::new(),
        due: Vec::new(),
        jobs: VecDeque::new(),
        nudged_told: 0,
        lost_told: 0,
        ending: None,
    }
    .run(disk, options.commit_every)
}

struct Writer {
    inbox: mpsc::Receiver<Entry>,
    hand: Hand,
    say: watch::Sender<Recording>,
    /// A batch whose commit failed.
    failed: Option<Batch>,
    /// Flushes that wait for the next batch; at most one for each that waits for its answer.
    flushes: Vec<oneshot::Sender<()>>,
    /// Flushes that the batch under way answers.
    due: Vec<oneshot::Sender<()>>,
    /// Work to be done between commits, at most [`JOBS_MAX`].
    jobs: VecDeque<Asked>,
    nudged_told: u64,
    /// Lost samples that the journal knows of.
    lost_told: u64,
    ending: Option<Ending>,
}

/// Nothing comes in any more.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Ending {
    /// Asked for: the session ends in order.
    Told,
    /// Every handle is gone: what is in hand is stored, the session is left without an end.
    Left,
}

impl Writer {
    async fn run(mut self, mut disk: Disk, commit_every: Duration) {
        let mut ticks = tokio::time::interval(commit_every);
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut wait = RETRY.0;
        let mut give_up = None;
        loop {
            self.collect(&mut ticks).await;
            if self.ending == Some(Ending::Left) && self.is_all_stored() {
                break;
            }
            if !self.jobs.is_empty() && self.is_all_stored() && self.ending.is_none() {
                self.work(&mut disk, commit_every).await;
                continue;
            }
            let batch = self.next_batch();
            match self.meanwhile(disk.commit(&batch)).await {
                Ok(done) => {
                    wait = RETRY.0;
                    self.note_done(&batch, &done);
                    if batch.is_last {
                        break;
                    }
                    if done.is_log_long {
                        self.meanwhile(disk.fold_log_in()).await;
                    }
                    self.work(&mut disk, commit_every).await;
                }
                Err(error) => {
                    self.note_failed(batch, &error);
                    if self.ending.is_some()
                        && Instant::now() >= *give_up.get_or_insert(Instant::now() + LAST_PATIENCE)
                    {
                        self.tell_lost();
                        return;
                    }
                    self.meanwhile(tokio::time::sleep(wait)).await;
                    self.say_held();
                    wait = (wait * 2).min(RETRY.1);
                }
            }
        }
        disk.close().await;
    }

    fn is_all_stored(&self) -> bool {
        self.hand.has_nothing() && self.failed.is_none()
    }

    /// Takes in until the next commit is due.
    async fn collect(&mut self, ticks: &mut tokio::time::Interval) {
        loop {
            if self.is_all_stored() {
                self.flushes.drain(..).for_each(answer);
            }
            let is_due = !self.flushes.is_empty() || !self.jobs.is_empty();
            if is_due || self.failed.is_some() || self.ending.is_some() {
                return;
            }
            tokio::select! {
                _ = ticks.tick() => if !self.hand.has_nothing() { return },
                entry = self.inbox.recv() => self.take_in(entry),
            }
        }
    }

    fn take_in(&mut self, entry: Option<Entry>) {
        let Some(entry) = entry else {
            self.ending.get_or_insert(Ending::Left);
            return;
        };
        match entry {
            Entry::Samples(samples) => samples
                .into_iter()
                .for_each(|sample| self.hand.sample(sample)),
            Entry::Missed {
                channels,
                tick,
                miss,
            } => channels
                .into_iter()
                .for_each(|channel| self.hand.miss(channel, tick, &miss)),
            Entry::Event(event) => self.hand.event(event),
            Entry::Runs(changes, events) => {
                self.hand.runs(changes);
                for event in events {
                    self.hand.event(event);
                }
            }
            Entry::LoopCheck(check, event) => {
                self.hand.loop_check(*check);
                self.hand.event(event);
            }
            Entry::Clock(row) => self.hand.clock(row),
            Entry::Alive(at) => self.hand.alive(at),
            Entry::Job(asked) if self.jobs.len() < JOBS_MAX => self.jobs.push_back(asked),
            Entry::Job(asked) => {
                // Whoever no longer waits has no need of the answer.
                let _ = asked.done.send(Err(StoreError::Busy));
            }
            Entry::Flush(done) => {
                self.flushes.retain(|waiting| !waiting.is_closed());
                self.flushes.push(done);
            }
            Entry::End(at) => self.end(at),
        }
    }

    /// Lets nobody hand anything over any more, and takes in what was handed over before.
    fn end(&mut self, at: zonda_model::Stamp) {
        self.ending = Some(Ending::Told);
        self.hand.alive(at);
        self.inbox.close();
        while let Ok(entry) = self.inbox.try_recv() {
            self.take_in(Some(entry));
        }
    }

    fn next_batch(&mut self) -> Batch {
        if let Some(batch) = self.failed.take() {
            return batch;
        }
        self.due.append(&mut self.flushes);
        self.hand.take_batch(self.ending == Some(Ending::Told))
    }

    /// Works on what was asked for until the next commit is due. Told to end, it stops after the step
    /// that is under way.
    async fn work(&mut self, disk: &mut Disk, commit_every: Duration) {
        let until = Instant::now() + commit_every;
        while self.ending.is_none() {
            let Some(mut asked) = self.jobs.pop_front() else {
                return;
            };
            match self.meanwhile(disk.step(&mut *asked.job)).await {
                Ok(Step::More) => self.jobs.push_front(asked),
                Ok(Step::Done(key)) => drop(asked.done.send(Ok(key))),
                Err(error) => {
                    tracing::warn!("work on the record was given up: {error}");
                    drop(asked.done.send(Err(error)));
                }
            }
            if Instant::now() >= until || !self.flushes.is_empty() {
                return;
            }
        }
    }

    /// Sees work through, and takes in what is handed over meanwhile.
    async fn meanwhile<T>(&mut self, work: impl Future<Output = T>) -> T {
        let mut work = std::pin::pin!(work);
        loop {
            if self.ending.is_some() {
                return work.await;
            }
            tokio::select! {
                done = &mut work => return done,
                entry = self.inbox.recv() => self.take_in(entry),
            }
        }
    }

    fn note_done(&mut self, batch: &Batch, done: &Committed) {
        self.hand.settled();
        let was = self.say.borrow().stalled.clone();
        match was {
            Some(stalled) => self.tell_back(&stalled),
            None => self.tell_slow(),
        }
        let (held, lost) = (self.hand.held(), self.hand.lost());
        self.say.send_modify(|now| {
            now.stalled = None;
            now.committed = batch.alive;
            now.samples += batch.samples.len() as u64;
            now.held = held;
            now.lost = lost;
            now.nudged += done.nudged;
            now.commits += 1;
            now.commit_took = done.took;
        });
        self.due.drain(..).for_each(answer);
        self.tell_nudged();
    }

    fn note_failed(&mut self, mut batch: Batch, error: &StoreError) {
        let since = batch.alive;
        batch.is_last = false; // what is said about the stall has to be stored after it
        self.failed = Some(batch);
        let reason = error.to_string();
        let is_new = self.say.borrow().stalled.is_none();
        if is_new {
            tracing::error!("the disk takes no data: {reason}; it is held in memory");
            self.tell(
                Severity::Alarm,
                "disk_stalled",
                format!("the disk takes no data: {reason}"),
            );
        }
        self.say.send_modify(|now| {
            let stalled = now.stalled.get_or_insert_with(|| Stalled {
                since,
                reason: String::new(),
            });
            stalled.reason = reason;
        });
        self.say_held();
    }

    fn say_held(&self) {
        let (held, lost) = (self.hand.held(), self.hand.lost());
        self.say
            .send_modify(|now| (now.held, now.lost) = (held, lost));
    }

    fn tell_back(&mut self, stalled: &Stalled) {
        let lost = self.take_lost();
        tracing::info!(lost, "the disk takes data again");
        let lost = match lost {
            0 => "nothing was lost".to_owned(),
            lost => format!("{lost} samples were lost, see the gaps with cause disk_stalled"),
        };
        let text = format!(
            "the disk took nothing from {} on ({}); recording goes on, {lost}",
            stalled.since, stalled.reason
        );
        self.tell(Severity::Warning, "disk_back", text);
        let events = self.hand.take_events_lost();
        if events > 0 {
            let text = format!("memory could not hold {events} events while the disk took nothing");
            self.tell(Severity::Warning, "events_lost", text);
        }
    }

    /// A disk that takes everything, and too slowly, loses samples without any error.
    fn tell_slow(&mut self) {
        if self.hand.is_full() || self.hand.lost() == self.lost_told {
            return;
        }
        let lost = self.take_lost();
        let text = format!(
            "the disk was too slow and memory was full: {lost} samples were lost, see the gaps with cause disk_stalled"
        );
        self.tell(Severity::Alarm, "disk_slow", text);
    }

    /// Samples lost that the journal does not know of yet.
    fn take_lost(&mut self) -> u64 {
        let lost = self.hand.lost();
        lost - std::mem::replace(&mut self.lost_told, lost)
    }

    /// Says at 1, 2, 4, 8 … samples that the times of a channel collide: a fault of whoever stamps
    /// them, which has to be seen and must not flood the journal.
    fn tell_nudged(&mut self) {
        let nudged = self.say.borrow().nudged;
        if nudged == 0 || nudged < self.nudged_told.saturating_mul(2) {
            return;
        }
        self.nudged_told = nudged;
        let text = format!(
            "{nudged} samples of this session had the time of another sample of their channel and were stored at the next free microsecond"
        );
        self.tell(Severity::Warning, "time_taken", text);
    }

    fn tell(&mut self, severity: Severity, kind: &str, text: String) {
        self.hand.event(Event {
            at: self.hand.newest(),
            severity,
            kind: kind.to_owned(),
            subject: "record".to_owned(),
            text,
        });
    }

    fn tell_lost(&self) {
        let held = self.hand.held();
        tracing::error!("the disk took nothing to the end: {held} samples in memory are lost");
        self.say_held();
    }
}

/// Whoever no longer waits has no need of the answer.
fn answer(done: oneshot::Sender<()>) {
    let _ = done.send(());
}

/// The connection that writes, and what is done to it when something goes wrong.
struct Disk {
    read: Readable,
    /// `None` before the first commit and after an error.
    connection: Option<SqliteConnection>,
    /// Held as long as anything may be written.
    claim: Arc<Claim>,
}

impl Disk {
    async fn commit(&mut self, batch: &Batch) -> Result<Committed, StoreError> {
        let result = match self.connection().await {
            Ok(connection) => commit::commit(connection, batch).await,
            Err(error) => Err(error),
        };
        if let Err(error) = &result {
            self.start_afresh(error).await;
        }
        result
    }

    /// Does a step of some work. What the work itself refuses leaves the connection as it is.
    async fn step(&mut self, job: &mut dyn Job) -> Result<Step, StoreError> {
        let result = match self.connection().await {
            Ok(connection) => job.step(connection).await,
            Err(error) => Err(error),
        };
        if let Err(error @ StoreError::Sql(_)) = &result {
            self.start_afresh(error).await;
        }
        result
    }

    /// Moves the log into the file as far as readers allow. Apart from the commits, so that none pays
    /// for it.
    async fn fold_log_in(&mut self) {
        let Some(connection) = &mut self.connection else {
            return;
        };
        let folded = sqlx::query("PRAGMA wal_checkpoint(PASSIVE)")
            .execute(connection)
            .await;
        if let Err(error) = folded {
            tracing::warn!("the log could not be folded into the record and grows: {error}");
            self.start_afresh(&error.into()).await;
        }
    }

    /// Folds all of the log in, so that one file is the whole record.
    async fn close(mut self) {
        self.fold_log_in().await;
        if let Some(mut connection) = self.connection.take() {
            let folded = sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)")
                .execute(&mut connection)
                .await;
            if let Err(error) = folded {
                tracing::warn!(
                    "the log stays beside the record and is folded in at the next start: {error}"
                );
            }
            close(connection).await;
        }
        drop(self.claim);
    }

    async fn connection(&mut self) -> Result<&mut SqliteConnection, StoreError> {
        let connection = match self.connection.take() {
            Some(connection) => connection,
            None => open::reopen(self.read.dir()).await?,
        };
        Ok(self.connection.insert(connection))
    }

    /// After an error no connection is used as if nothing had happened: the kernel forgets which
    /// pages a failed `fsync` left behind, and a second one may claim that they are there.
    ///
    /// A full disk is the exception. Nothing is in doubt then, and the old connections are kept until
    /// a new one stands, because a full disk may have no room for the files that opening needs.
    async fn start_afresh(&mut self, error: &StoreError) {
        let is_full = matches!(error, StoreError::Sql(error) if engine::result_code(error) == Some(engine::FULL));
        if is_full {
            let file = folder::record_path(self.read.dir());
            if let Ok(fresh) = engine::connect_existing_writer(&file).await
                && let Some(old) = self.connection.replace(fresh)
            {
                close(old).await;
            }
            return;
        }
        if let Some(old) = self.connection.take() {
            close(old).await;
        }
        self.read.renew().await;
    }
}

async fn close(connection: SqliteConnection) {
    if let Err(error) = connection.close().await {
        tracing::warn!("a connection to the record did not close in order: {error}");
    }
}
