//! Outcomes of the evaluations asked of runs, worked out one at a time and kept for a while.
//!
//! Whoever asks gets what is there, and how far the rest is. An outcome of a run that is over holds as long as the record was
//! not corrected since; that of a run that goes on is worked out again while somebody asks, but not before [`PACE`] has passed, nor
//! before twenty times as long as it took: it never takes more than a twentieth of one core, and nothing where nobody looks.
//! It reads the record in short transactions of its own, so that recording never waits for it.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use tokio::sync::{Notify, Semaphore};
use tokio_util::sync::CancellationToken;
use zonda_assess::{Answer, Ask, Subject, Watch, assess};
use zonda_model::RunId;
use zonda_station::runs::Runs;
use zonda_store::{EvaluationEntry, Readable, RunRow, StoreError};

/// How often the evaluations of a run that goes on are worked out again, at most.
const PACE: Duration = Duration::from_secs(30);
/// What is kept; the oldest goes first.
const KEPT_MAX: usize = 200;

/// What is known of an evaluation at the moment.
#[derive(Clone, Debug)]
pub(crate) struct State {
    /// The last answer.
    pub(crate) answer: Option<Arc<Answer>>,
    /// How long ago it was worked out.
    pub(crate) age: Option<Duration>,
    /// How far the next one is, 0 to 1; `None` where none is being worked out.
    pub(crate) progress: Option<f64>,
}

type Key = (RunId, i64);

#[derive(Debug, Default)]
struct Entry {
    answer: Option<Arc<Answer>>,
    /// When it was begun, and how long it took.
    made: Option<(Instant, Duration)>,
    /// What it was worked out from: the newest correction, and whether the run went on.
    footing: Option<(Option<i64>, bool)>,
    working: Option<f64>,
    cancel: CancellationToken,
}

/// The answers of one daemon, or of one order without one.
#[derive(Clone, Debug)]
pub(crate) struct Answers {
    kept: Arc<Mutex<BTreeMap<Key, Entry>>>,
    /// One at a time: an evaluation is no reason to take the machine away from the recording.
    turn: Arc<Semaphore>,
    changed: Arc<Notify>,
}

impl Answers {
    pub(crate) fn new() -> Self {
        Self {
            kept: Arc::default(),
            turn: Arc::new(Semaphore::new(1)),
            changed: Arc::default(),
        }
    }

    /// What is known of an evaluation; waits for its first answer, but no longer than `patience`.
    pub(crate) async fn state(
        &self,
        runs: &Runs,
        run: &RunRow,
        (id, entry): &(i64, EvaluationEntry),
        patience: Duration,
    ) -> Result<State, StoreError> {
        let key = (run.entry.id, *id);
        let record = runs.record();
        let corrections = record.corrections().await?;
        let footing = (corrections.last().map(|row| row.id), run.state.is_open());
        if self.is_due(key, footing) {
            let work = self
                .clone()
                .work(record.clone(), run.clone(), entry.clone(), key, footing);
            tokio::spawn(work);
        }
        let begun = Instant::now();
        loop {
            let changed = self.changed.notified();
            let state = self.look(key);
            let left = patience.saturating_sub(begun.elapsed());
            if state.answer.is_some() || state.progress.is_none() || left.is_zero() {
                return Ok(state);
            }
            let _ = tokio::time::timeout(left, changed).await;
        }
    }

    /// Ends what is being worked out.
    pub(crate) fn cancel(&self, key: Key) -> bool {
        let mut kept = self.lock();
        let working = kept.get_mut(&key).filter(|entry| entry.working.is_some());
        working.is_some_and(|entry| {
            entry.cancel.cancel();
            true
        })
    }

    fn look(&self, key: Key) -> State {
        let kept = self.lock();
        let entry = kept.get(&key);
        State {
            answer: entry.and_then(|entry| entry.answer.clone()),
            age: entry
                .and_then(|entry| entry.made)
                .map(|(begun, _)| begun.elapsed()),
            progress: entry.and_then(|entry| entry.working),
        }
    }

    /// Takes the work on where it is due.
    fn is_due(&self, key: Key, footing: (Option<i64>, bool)) -> bool {
        let mut kept = self.lock();
        while kept.len() >= KEPT_MAX && !kept.contains_key(&key) {
            kept.pop_first();
        }
        let entry = kept.entry(key).or_default();
        let is_stale = match (entry.footing, entry.made) {
            (Some(then), Some((begun, took))) if then == footing => {
                footing.1 && begun.elapsed() > PACE.max(took * 20)
            }
            _ => true,
        };
        if is_stale && entry.working.is_none() {
            entry.working = Some(0.0);
            entry.cancel = CancellationToken::new();
            return true;
        }
        false
    }

    async fn work(
        self,
        record: Readable,
        run: RunRow,
        entry: EvaluationEntry,
        key: Key,
        footing: (Option<i64>, bool),
    ) {
        let cancel = self.with(key, |entry| entry.cancel.clone());
        let Ok(_turn) = self.turn.acquire().await else {
            return;
        };
        let begun = Instant::now();
        let teller = self.clone();
        let watch = Watch::new(cancel.clone(), move |done, whole| {
            let share = done.as_secs_f64() / whole.as_secs_f64().max(1e-6);
            teller.with(key, |entry| entry.working = Some(share));
        });
        let answer = answered(&record, &run, &entry, &watch).await;
        self.with(key, |entry| {
            entry.working = None;
            if !cancel.is_cancelled() {
                entry.answer = Some(Arc::new(answer));
                entry.made = Some((begun, begun.elapsed()));
                entry.footing = Some(footing);
            }
        });
        self.changed.notify_waiters();
    }

    fn with<T>(&self, key: Key, change: impl FnOnce(&mut Entry) -> T) -> T {
        change(self.lock().entry(key).or_default())
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, BTreeMap<Key, Entry>> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

async fn answered(
    record: &Readable,
    run: &RunRow,
    entry: &EvaluationEntry,
    watch: &Watch,
) -> Answer {
    let ask = match Ask::from_parts(&entry.kind, &entry.parameters) {
        Ok(ask) => ask,
        Err(why) => {
            return Answer {
                title: entry.kind.clone(),
                outcome: None,
                refused: Some(why.to_string()),
            };
        }
    };
    let result = match Subject::of(record, run).await {
        Ok(subject) => assess(record, &subject, &ask, watch).await,
        Err(why) => Err(why),
    };
    Answer::of(&ask, result)
}
