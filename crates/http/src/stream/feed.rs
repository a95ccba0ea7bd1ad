//! The task that turns samples into events, and the ring that it writes.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use serde::Serialize;
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::{broadcast, watch};
use tokio::time::{Instant, MissedTickBehavior, interval};
use tokio_util::sync::CancellationToken;
use zonda_station::Samples;

use super::frame::Coalescer;
use super::hello::{Health, health_of, missed_12h};
use super::ring::{Lost, Place, Ring};
use super::standing::{Standing, why_of};
use crate::view::View;

/// Frames a second.
pub(super) const FPS: u64 = 5;
/// How often the board is asked how channels stand.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// How often health is told although it is the same.
const HEALTH_EVERY: Duration = Duration::from_mins(1);

/// The events of the live stream. Clones share them.
#[derive(Clone, Debug)]
pub(crate) struct Feed {
    shared: Arc<Shared>,
}

#[derive(Debug)]
struct Shared {
    told: Mutex<Told>,
    newest: watch::Sender<Place>,
}

/// What readers may ask for.
#[derive(Debug)]
struct Told {
    ring: Ring,
    why: BTreeMap<String, String>,
    health: Health,
}

/// What a reader begins with, all of one moment.
#[derive(Debug)]
pub(super) struct Opening {
    pub(super) why: BTreeMap<String, String>,
    pub(super) health: Health,
    pub(super) resumed: bool,
    pub(super) place: Place,
}

impl Feed {
    pub(crate) fn new(view: &View) -> Self {
        let told = Told {
            ring: Ring::new(view.boot.clone()),
            why: BTreeMap::new(),
            health: health_of(view, 0),
        };
        let shared = Shared {
            told: Mutex::new(told),
            newest: watch::Sender::new(0),
        };
        Self {
            shared: Arc::new(shared),
        }
    }

    /// Told whenever there is something new.
    pub(super) fn newest(&self) -> watch::Receiver<Place> {
        self.shared.newest.subscribe()
    }

    /// What a reader begins with who has seen `after`, or nothing yet.
    pub(super) fn open(&self, after: Option<&str>) -> Opening {
        let told = self.lock();
        let resumed = after.and_then(|id| told.ring.resume(id));
        Opening {
            why: told.why.clone(),
            health: told.health.clone(),
            resumed: resumed.is_some(),
            place: resumed.unwrap_or(told.ring.last()),
        }
    }

    /// What came after a place.
    pub(super) fn after(&self, place: Place) -> Result<(Vec<bytes::Bytes>, Place), Lost> {
        self.lock().ring.after(place)
    }

    /// How the station did when it was last looked at.
    pub(crate) fn health(&self) -> Health {
        self.lock().health.clone()
    }

    /// Turns samples into events until `stop` is cancelled.
    pub(crate) async fn run(self, view: View, stop: CancellationToken) {
        let writer = Writer::new(self, view);
        let _ = stop.run_until_cancelled(writer.run()).await;
    }

    /// A panic while somebody held the lock leaves whole events behind; the stream goes on.
    fn lock(&self) -> MutexGuard<'_, Told> {
        self.shared
            .told
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }

    /// Writes an event; `note` keeps what it told for readers to come, under the same lock.
    fn tell(&self, name: &str, data: &impl Serialize, note: impl FnOnce(&mut Told)) {
        // Only maps with keys that are no texts cannot be written, and none is sent.
        let Ok(data) = serde_json::to_string(data) else {
            return;
        };
        let mut told = self.lock();
        note(&mut told);
        told.ring.push(Instant::now(), name, &data);
        let last = told.ring.last();
        drop(told);
        self.shared.newest.send_replace(last);
    }
}

/// The task's own things.
struct Writer {
    feed: Feed,
    view: View,
    coalescer: Coalescer,
    standings: Vec<Standing>,
    missed_12h: i64,
}

impl Writer {
    fn new(feed: Feed, view: View) -> Self {
        let channels = 0..view.config.channels.len();
        let period = |index| {
            view.board
                .period(index)
                .unwrap_or(zonda_model::Period::SECOND)
        };
        Self {
            coalescer: Coalescer::new(channels.len(), view.now()),
            standings: channels.map(|index| Standing::new(period(index))).collect(),
            feed,
            view,
            missed_12h: 0,
        }
    }

    async fn run(mut self) {
        let mut samples = self.view.samples.subscribe();
        let mut frames = every(Duration::from_millis(1000 / FPS));
        let (mut looks, mut healths) = (every(LOOK_EVERY), every(HEALTH_EVERY));
        let mut is_open = true;
        loop {
            tokio::select! {
                batch = samples.recv(), if is_open => is_open = self.take(batch),
                _ = frames.tick() => {
                    self.drain(&mut samples);
                    self.frame();
                }
                _ = looks.tick() => self.look(),
                _ = healths.tick() => self.count_missed().await,
            }
        }
    }

    /// Returns false when the station has ended. Frames go on then, as the heartbeat, until this side
    /// is stopped too.
    fn take(&mut self, batch: Result<Samples, RecvError>) -> bool {
        match batch {
            Ok(samples) => self.add(&samples),
            // Only the live view lost samples; the record has them, and history shows them.
            Err(RecvError::Lagged(batches)) => {
                tracing::warn!(
                    batches,
                    "the live view skipped samples; the record has them"
                );
            }
            Err(RecvError::Closed) => return false,
        }
        true
    }

    /// Takes in what has come before the frame is closed.
    fn drain(&mut self, samples: &mut broadcast::Receiver<Samples>) {
        while let Ok(batch) = samples.try_recv() {
            self.add(&batch);
        }
    }

    fn add(&mut self, samples: &Samples) {
        for sample in samples.iter() {
            self.coalescer.add(sample);
            if let Some(standing) = self.standings.get_mut(sample.channel) {
                standing.sample(sample);
            }
        }
    }

    fn frame(&mut self) {
        let now = self.view.axis.now();
        let mark = |channel: usize| self.standings[channel].mark(now);
        let frame = self.coalescer.frame(self.view.utc(now), mark);
        self.feed.tell("frame", &frame, |_| {});
    }

    /// Asks the board, and tells what has changed.
    fn look(&mut self) {
        let now = self.view.axis.now();
        for (standing, live) in self.standings.iter_mut().zip(self.view.board.look(now)) {
            standing.look(&live);
        }
        let why = why_of(&self.view.config.channels, &self.standings, now);
        if self.feed.lock().why != why {
            self.feed
                .tell("why", &why, |told| told.why.clone_from(&why));
        }
        let health = health_of(&self.view, self.missed_12h);
        if is_news(&self.feed.health(), &health) {
            self.tell_health(&health);
        }
    }

    async fn count_missed(&mut self) {
        // Where the record cannot be read, the last count stands; health tells the trouble itself.
        if let Ok(missed) = missed_12h(&self.view.record, self.view.axis.now()).await {
            self.missed_12h = missed;
        }
        self.tell_health(&health_of(&self.view, self.missed_12h));
    }

    fn tell_health(&self, health: &Health) {
        self.feed
            .tell("health", health, |told| told.health = health.clone());
    }
}

/// Free space and counts creep; these do not.
fn is_news(old: &Health, new: &Health) -> bool {
    (old.recording, &old.trouble, old.clock) != (new.recording, &new.trouble, new.clock)
}

/// A beat that skips what it missed rather than making up for it.
fn every(period: Duration) -> tokio::time::Interval {
    let mut beat = interval(period);
    beat.set_missed_tick_behavior(MissedTickBehavior::Skip);
    beat
}
