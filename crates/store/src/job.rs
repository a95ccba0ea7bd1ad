//! Jobs: work on the record that takes longer than a commit may wait, such as a correction.
//!
//! Whoever has one hands it to the recorder ([`Recorder::job`]). The writer takes jobs one after the
//! other and works on them between commits, step by step: a step is a transaction of its own and
//! should take some ten milliseconds, so that the next commit is never late by more. A job that fails
//! is told to whoever asked and dropped; one that the end of the session cuts short is dropped as
//! well. So a job has to keep in the file how far it is, and be able to go on from there.
//!
//! What fits into one commit needs no job: it is handed over as an entry of its own.

use futures::future::BoxFuture;
use sqlx::SqliteConnection;
use tokio::sync::oneshot;

use crate::error::StoreError;
use crate::recorder::{Entry, Recorder};

/// Jobs that may wait for the writer; the next one is refused. A person stands behind each.
pub(crate) const JOBS_MAX: usize = 16;

/// What a step led to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Step {
    /// There is more to do.
    More,
    /// All is done; the key of the row that says so.
    Done(i64),
}

/// Work in steps.
pub(crate) trait Job: Send {
    /// Does the next step. After an error the job is not asked again.
    fn step<'a>(
        &'a mut self,
        connection: &'a mut SqliteConnection,
    ) -> BoxFuture<'a, Result<Step, StoreError>>;
}

/// A job with whoever waits for it.
pub(crate) struct Asked {
    pub(crate) job: Box<dyn Job>,
    pub(crate) done: oneshot::Sender<Result<i64, StoreError>>,
}

impl Recorder {
    /// Has a job done, and waits for its end.
    pub(crate) async fn job(&self, job: Box<dyn Job>) -> Result<i64, StoreError> {
        let (done, wait) = oneshot::channel();
        self.hand_over(Entry::Job(Asked { job, done })).await?;
        wait.await.map_err(|_| StoreError::Ended)?
    }
}

/// Does a job without a recorder.
pub(crate) async fn run_to_end(
    job: &mut dyn Job,
    connection: &mut SqliteConnection,
) -> Result<i64, StoreError> {
    loop {
        if let Step::Done(key) = job.step(connection).await? {
            return Ok(key);
        }
    }
}
