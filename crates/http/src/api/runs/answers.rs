//! Outcomes of the evaluations asked of runs, worked out one at a time and kept for a while.
//!
//! Whoever asks gets what is there, and how far the rest is. An outcome of a run that is over holds as long as the record was
//! not corrected since; that of a run that goes on is worked out again when it has grown by a tenth, at most every [`PACE_MIN`] and
//! at least every [`PACE_MAX`], but not before twenty times as long as it took. [`keep_up`](super::keeping::keep_up) sees to it
//! also where nobody asks. It reads the record in short transactions of its own, and computes on a thread of its own, so that
//! recording never waits for it.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use tokio::sync::{Notify, Semaphore};
use tokio_util::sync::CancellationToken;
use zonda_assess::{Answer, Ask, Subject, Watch, assess};
use zonda_model::RunId;
use zonda_station::runs::Runs;
use zonda_store::{EvaluationEntry, Readable, RunRow, StoreError};

/// How often the evaluations of a run that goes on are worked out again: between these, as a tenth of its length says.
const PACE_MIN: Duration = Duration::from_secs(2);
const PACE_MAX: Duration = Duration::from_secs(30);
/// For each second of work so many of rest: all evaluations together take a twentieth of one core.
pub(super) const REST: u32 = 20;
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

pub(super) type Key = (RunId, i64);

/// What an answer was worked out from: the newest correction, and whether the run went on.
type Footing = (Option<i64>, bool);

#[derive(Debug, Default)]
struct Entry {
    answer: Option<Arc<Answer>>,
    /// When it was begun, and how long it took.
    made: Option<(Instant, Duration)>,
    footing: Option<Footing>,
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
        if let Some(work) = self.due(runs, run, (*id, entry)).await? {
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

    /// Ends everything that is being worked out.
    pub(super) fn cancel_all(&self) {
        for entry in self.lock().values() {
            entry.cancel.cancel();
        }
    }

    /// Whether an answer is there that was worked out after the run had ended.
    pub(super) fn is_final(&self, key: Key) -> bool {
        let kept = self.lock();
        let footing = kept.get(&key).and_then(|entry| entry.footing);
        footing.is_some_and(|(_, was_open)| !was_open)
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

    /// The work on an evaluation, where it is due and nobody has taken it on; whoever gets it sees it done.
    pub(super) async fn due(
        &self,
        runs: &Runs,
        run: &RunRow,
        (id, entry): (i64, &EvaluationEntry),
    ) -> Result<Option<impl Future<Output = ()> + Send + use<>>, StoreError> {
        let (key, record) = ((run.entry.id, id), runs.record());
        let corrections = record.corrections().await?;
        let footing = (corrections.last().map(|row| row.id), run.state.is_open());
        let since = run.state.since().unwrap_or(runs.now().axis);
        let pace = (runs.now().axis.since(since) / 10).clamp(PACE_MIN, PACE_MAX);
        let is_due = self.is_due(key, footing, pace);
        let (answers, record) = (self.clone(), record.clone());
        let (run, entry) = (run.clone(), entry.clone());
        Ok(is_due.then(|| answers.work(record, run, entry, key, footing)))
    }

    pub(super) fn look(&self, key: Key) -> State {
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
    fn is_due(&self, key: Key, footing: Footing, pace: Duration) -> bool {
        let mut kept = self.lock();
        while kept.len() >= KEPT_MAX && !kept.contains_key(&key) {
            kept.pop_first();
        }
        let entry = kept.entry(key).or_default();
        let is_stale = match (entry.footing, entry.made) {
            (Some(then), Some((begun, took))) if then == footing => {
                footing.1 && begun.elapsed() > pace.max(took * REST)
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
        footing: Footing,
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
        let answer = aside(record, run, entry, watch).await;
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

/// Works an answer out on a thread of its own: what it computes between two pages keeps no worker from the lines.
async fn aside(record: Readable, run: RunRow, entry: EvaluationEntry, watch: Watch) -> Answer {
    let title = entry.kind.clone();
    let here = tokio::runtime::Handle::current();
    let work = move || here.block_on(answered(&record, &run, &entry, &watch));
    match tokio::task::spawn_blocking(work).await {
        Ok(answer) => answer,
        Err(error) => {
            tracing::error!(evaluation = title, "an evaluation failed: {error}");
            Answer {
                title,
                outcome: None,
                refused: Some(
                    "it failed by a fault of the program; the log has the details".to_owned(),
                ),
            }
        }
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
