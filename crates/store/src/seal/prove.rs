//! The proof: the chain made anew from what the file holds, and compared.
//!
//! Everything is read in one view of the file, so that a daemon may go on recording; its log grows
//! meanwhile by what it commits. The chain is cut into stretches of links, and each core takes one
//! after the other: a link says itself what it follows on.
//!
//! Memory: some thousand links and rows for each core, and 16 bytes for every sample that came late.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};

use futures::TryStreamExt;
use sqlx::SqliteConnection;
use tokio::task::JoinSet;
use zonda_model::Stamp;

use super::bytes::{Hash, unpacked};
use super::verdict::{Fault, Flaw, Verdict};
use super::walk::Walker;
use super::{SealHead, hash_of, strays};
use crate::cut_out::{self, CutOut};
use crate::engine;
use crate::error::StoreError;
use crate::open::Readable;
use crate::read::SampleRow;

/// Links of one piece of work.
const PIECE: i64 = 512;

/// Cores that are put to work at most.
const WORKERS_MAX: usize = 4;

/// How often connections are asked for the same view of the file; the daemon commits in between once
/// in a while.
const TRIES: usize = 100;

/// Works values and flags out anew: it is handed the samples of one time, of all channels, and sets
/// `value` and `quality` to what follows from the codes. What it leaves as it is counts as right.
pub type Rule = Arc<dyn Fn(&mut [SampleRow]) + Send + Sync>;

/// What is to be proved.
#[derive(Clone, Default)]
pub struct Ask {
    /// Only that the samples with `from ≤ at < to` are those that were sealed; everything without it.
    pub stretch: Option<(Stamp, Stamp)>,
    /// The hash of a link as somebody noted it outside the record. It has to be in the chain; of a
    /// stretch the chain is followed up to it.
    pub expect: Option<Hash>,
    /// Works values out anew.
    pub rule: Option<Rule>,
}

impl std::fmt::Debug for Ask {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Ask")
            .field("stretch", &self.stretch)
            .field("expect", &self.expect)
            .finish_non_exhaustive()
    }
}

/// How far a proof is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Progress {
    /// Samples looked at.
    pub samples: u64,
    /// Of so many.
    pub of: u64,
}

/// What a proof tells of its progress to, from several threads.
pub type Watch = Arc<dyn Fn(Progress) + Send + Sync>;

impl Readable {
    /// Proves that the record, or a stretch of it, is what was sealed. Faults are in the verdict.
    ///
    /// # Errors
    /// The file cannot be read. One that SQLite finds damaged is a fault, not an error.
    pub async fn verify(&self, ask: &Ask, watch: Watch) -> Result<Verdict, StoreError> {
        match self.prove(ask, watch).await {
            Err(StoreError::Sql(error)) if engine::result_code(&error) == Some(engine::CORRUPT) => {
                let mut verdict = Verdict::default();
                verdict.add(Fault::new(Flaw::Damaged(error.to_string())));
                Ok(verdict)
            }
            other => other,
        }
    }

    async fn prove(&self, ask: &Ask, watch: Watch) -> Result<Verdict, StoreError> {
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        let mut views = self.same_view(2 * cores.min(WORKERS_MAX)).await?;
        let Some(asking) = views.first_mut() else {
            return Ok(Verdict::default());
        };
        let Some(plan) = Plan::of(asking, ask).await? else {
            let mut verdict = Verdict::default();
            strays::unsealed(asking, &mut verdict).await?;
            if ask.expect.is_some() {
                verdict.add(Fault::new(Flaw::HeadNotFound));
            }
            return Ok(verdict);
        };
        let mut verdict = Verdict {
            head: Some(plan.head),
            since: Some(plan.since),
            noted: plan.noted,
            ..Verdict::default()
        };
        let mut ends = Verdict::default();
        if ask.stretch.is_none() {
            match &plan.cut_out {
                Some(pieces) => strays::find_between(asking, pieces, &mut ends).await?,
                None => strays::find(asking, &plan, &mut ends).await?,
            }
            verdict.unsealed = std::mem::take(&mut ends.unsealed);
        }
        if ask.expect.is_some() && plan.noted.is_none() {
            ends.add(Fault::new(Flaw::HeadNotFound));
        }
        let mut found = walk(views, Arc::new(plan), ask.rule.clone(), watch).await?;
        found.sort_by_key(|(piece, _)| *piece);
        for (_, part) in found {
            verdict.merge(part);
        }
        verdict.merge(ends);
        Ok(verdict)
    }

    /// Connections that see the file as it was at one moment.
    async fn same_view(&self, count: usize) -> Result<Vec<SqliteConnection>, StoreError> {
        let mut views = Vec::with_capacity(count);
        for _ in 0..count {
            views.push(self.inspector().await?);
        }
        for _ in 0..TRIES {
            let mut seen = Vec::with_capacity(count);
            for view in &mut views {
                sqlx::query("BEGIN").execute(&mut *view).await?;
                let head: Option<i64> = sqlx::query_scalar("SELECT max(id) FROM seal")
                    .fetch_one(&mut *view)
                    .await?;
                seen.push(head);
            }
            if seen.iter().all(|head| *head == seen[0]) {
                return Ok(views);
            }
            for view in &mut views {
                sqlx::query("ROLLBACK").execute(&mut *view).await?;
            }
        }
        // Somebody commits without a pause: one connection sees one moment.
        views.truncate(2);
        sqlx::query("BEGIN").execute(&mut views[0]).await?;
        Err(StoreError::Row(
            "the record is written to so fast that no moment of it can be held; try again"
                .to_owned(),
        ))
    }
}

/// What has to be walked through.
pub(super) struct Plan {
    /// First and last link of each piece. They follow on one another, whatever links are missing.
    pieces: Vec<(i64, i64)>,
    pub(super) head: SealHead,
    since: Stamp,
    noted: Option<i64>,
    /// Samples that a later link names, by time and channel.
    pub(super) late: Vec<(i64, i64)>,
    pub(super) samples: u64,
    /// Of a cut-out, what it has of the chain; a record has all of it.
    cut_out: Option<Vec<(i64, i64)>>,
}

impl Plan {
    async fn of(view: &mut SqliteConnection, ask: &Ask) -> Result<Option<Self>, StoreError> {
        match cut_out::read(view).await? {
            Some(cut_out) => Self::of_cut_out(view, cut_out, ask).await,
            None => Self::of_record(view, ask).await,
        }
    }

    /// Each piece by itself, whatever stretch is asked for: a cut-out is small.
    async fn of_cut_out(
        view: &mut SqliteConnection,
        cut_out: CutOut,
        ask: &Ask,
    ) -> Result<Option<Self>, StoreError> {
        let (Some(head), Some((first, _))) = (cut_out.head, cut_out.pieces.first()) else {
            return Ok(None);
        };
        let noted = match ask.expect {
            Some(hash) => noted(view, &hash).await?,
            None => None,
        };
        let (mut parts, mut samples) = (Vec::new(), 0);
        for links in &cut_out.pieces {
            parts.extend(pieces(view, *links).await?);
            samples += sealed(view, *links).await?;
        }
        Ok(Some(Self {
            pieces: parts,
            head,
            since: cut_out.stretch.from,
            noted,
            late: late(view, *first).await?,
            samples,
            cut_out: Some(cut_out.pieces),
        }))
    }

    async fn of_record(view: &mut SqliteConnection, ask: &Ask) -> Result<Option<Self>, StoreError> {
        let ends: (Option<i64>, Option<i64>) = sqlx::query_as("SELECT min(id), max(id) FROM seal")
            .fetch_one(&mut *view)
            .await?;
        let (Some(first), Some(newest)) = ends else {
            return Ok(None);
        };
        let noted = match ask.expect {
            Some(hash) => noted(view, &hash).await?,
            None => None,
        };
        let links = match ask.stretch {
            None => (1, newest),
            Some(stretch) => {
                let links = covering(view, stretch, (first, newest)).await?;
                (links.0, links.1.max(noted.unwrap_or(0)))
            }
        };
        let since: i64 = sqlx::query_scalar("SELECT at FROM seal WHERE id = ?")
            .bind(first)
            .fetch_one(&mut *view)
            .await?;
        let (at, hash): (i64, Vec<u8>) =
            sqlx::query_as("SELECT at, hash FROM seal WHERE id <= ? ORDER BY id DESC LIMIT 1")
                .bind(links.1)
                .fetch_one(&mut *view)
                .await?;
        let samples = sealed(view, links).await?;
        Ok(Some(Self {
            pieces: pieces(view, links).await?,
            head: SealHead {
                link: links.1,
                at: Stamp::from_micros(at),
                hash: hash_of(&hash),
            },
            since: Stamp::from_micros(since),
            noted,
            late: late(view, links.0).await?,
            samples,
            cut_out: None,
        }))
    }
}

/// How many samples these links cover.
async fn sealed(view: &mut SqliteConnection, links: (i64, i64)) -> Result<u64, StoreError> {
    let samples: i64 =
        sqlx::query_scalar("SELECT coalesce(sum(samples), 0) FROM seal WHERE id BETWEEN ? AND ?")
            .bind(links.0)
            .bind(links.1)
            .fetch_one(view)
            .await?;
    Ok(samples.unsigned_abs())
}

async fn noted(view: &mut SqliteConnection, hash: &Hash) -> Result<Option<i64>, StoreError> {
    let id = sqlx::query_scalar("SELECT id FROM seal WHERE hash = ? ORDER BY id DESC LIMIT 1")
        .bind(hash.as_slice())
        .fetch_optional(view)
        .await?;
    Ok(id)
}

/// The links that cover a stretch: from the first whose samples reach it to the last that has one of
/// them, late ones included.
pub(crate) async fn covering(
    view: &mut SqliteConnection,
    (from, to): (Stamp, Stamp),
    ends: (i64, i64),
) -> Result<(i64, i64), StoreError> {
    let (from, to) = (from.micros(), to.micros());
    let first = first_reaching(view, from, ends).await?;
    let mut last = first_reaching(view, to.saturating_sub(1), ends).await?;
    let after = last;
    let mut links = sqlx::query_as::<_, (i64, Vec<u8>)>(
        "SELECT id, named FROM seal WHERE id > ? AND kind = 1 AND named IS NOT NULL",
    )
    .bind(after)
    .fetch(view);
    while let Some((id, named)) = links.try_next().await? {
        if unpacked(Some(&named))
            .iter()
            .any(|(at, _)| (from..to).contains(at))
        {
            last = last.max(id);
        }
    }
    Ok((first, last))
}

/// The first link whose samples reach to a time, or the last one. They reach ever further, so that it
/// is found by halving.
async fn first_reaching(
    view: &mut SqliteConnection,
    at: i64,
    (mut low, mut high): (i64, i64),
) -> Result<i64, StoreError> {
    while low < high {
        let middle = low + (high - low) / 2;
        let reach: Option<i64> =
            sqlx::query_scalar("SELECT sample_to FROM seal WHERE id >= ? ORDER BY id LIMIT 1")
                .bind(middle)
                .fetch_one(&mut *view)
                .await?;
        if reach.is_some_and(|reach| reach >= at) {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    Ok(low)
}

/// The samples that came late, as the links from this one on name them; in their order.
async fn late(view: &mut SqliteConnection, first: i64) -> Result<Vec<(i64, i64)>, StoreError> {
    let mut late = Vec::new();
    let mut links = sqlx::query_scalar::<_, Vec<u8>>(
        "SELECT named FROM seal WHERE id >= ? AND kind = 1 AND named IS NOT NULL",
    )
    .bind(first)
    .fetch(view);
    while let Some(named) = links.try_next().await? {
        late.extend(unpacked(Some(&named)));
    }
    late.sort_unstable();
    Ok(late)
}

/// Cuts a stretch of links into pieces of work, by links that are there: somebody may have numbered
/// one as no counting would reach.
async fn pieces(
    view: &mut SqliteConnection,
    (first, last): (i64, i64),
) -> Result<Vec<(i64, i64)>, StoreError> {
    let mut ends: Vec<i64> = sqlx::query_scalar(
        "SELECT id FROM (SELECT id, row_number() OVER (ORDER BY id) AS number FROM seal WHERE id BETWEEN ? AND ?)
         WHERE number % ? = 0 ORDER BY id",
    )
    .bind(first)
    .bind(last)
    .bind(PIECE)
    .fetch_all(view)
    .await?;
    if ends.last() != Some(&last) {
        ends.push(last);
    }
    let begins = std::iter::once(first).chain(ends.iter().map(|end| end.saturating_add(1)));
    Ok(begins.zip(ends.iter().copied()).collect())
}

/// Has every piece of the chain walked through. Each comes with its number.
async fn walk(
    views: Vec<SqliteConnection>,
    plan: Arc<Plan>,
    rule: Option<Rule>,
    watch: Watch,
) -> Result<Vec<(i64, Verdict)>, StoreError> {
    let next = Arc::new(AtomicUsize::new(0));
    let seen = Arc::new(AtomicU64::new(0));
    let mut workers = JoinSet::new();
    let mut views = views.into_iter();
    while let (Some(rows), Some(other)) = (views.next(), views.next()) {
        let (plan, next, seen) = (Arc::clone(&plan), Arc::clone(&next), Arc::clone(&seen));
        let (rule, watch) = (rule.clone(), Arc::clone(&watch));
        workers.spawn(async move {
            let tell = {
                let plan = Arc::clone(&plan);
                move |more: u64| {
                    let samples = seen.fetch_add(more, Ordering::Relaxed) + more;
                    watch(Progress {
                        samples,
                        of: plan.samples,
                    });
                }
            };
            let mut walker = Walker::new(rows, other, Arc::clone(&plan), rule, Box::new(tell));
            let mut found = Vec::new();
            loop {
                let Some(&(first, last)) = plan.pieces.get(next.fetch_add(1, Ordering::Relaxed))
                else {
                    return Ok::<_, StoreError>(found);
                };
                found.push((first, walker.piece(first, last).await?));
            }
        });
    }
    let mut found = Vec::new();
    while let Some(part) = workers.join_next().await {
        let part = part.map_err(|panic| StoreError::Row(panic.to_string()))?;
        found.extend(part?);
    }
    Ok(found)
}
