//! Reading: pages of runs by key, newest first; each with its steps and the state that follows.

use std::collections::BTreeMap;

use zonda_model::run::{Reason, State, Step, Stretch};
use zonda_model::{RunId, Stamp};

use super::{
    EvaluationEntry, Field, NO_BOOT, NoteEntry, RunEntry, RunRow, StepEntry, TraverseEntry,
    TraverseStep,
};
use crate::error::StoreError;
use crate::open::Readable;
use crate::row::ChannelId;

/// Which runs a page holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RunPage {
    /// Keys below this; all without it.
    pub before: Option<RunId>,
    /// How many at most.
    pub limit: i64,
    /// Discarded ones too.
    pub with_discarded: bool,
}

/// `run`, before its steps are known.
struct Bare {
    id: i64,
    name: String,
    template: Option<String>,
    starts: String,
    ends: String,
    layout: Option<String>,
    asked_at: i64,
}

/// What belongs to a run, by its key.
type ByRun<T> = BTreeMap<i64, Vec<T>>;

impl Readable {
    /// Runs, newest first.
    ///
    /// # Errors
    /// The file cannot be read, or holds what this version does not know.
    pub async fn runs(&self, page: RunPage) -> Result<Vec<RunRow>, StoreError> {
        let before = page.before.map_or(i64::MAX, |id| id.0);
        let rows = sqlx::query_as!(
            Bare,
            "SELECT id, name, template, starts, ends, layout, asked_at FROM run
             WHERE id < ? AND (? OR NOT EXISTS (SELECT 1 FROM run_step WHERE run = run.id AND step = 'discarded'))
             ORDER BY id DESC LIMIT ?",
            before,
            page.with_discarded,
            page.limit
        )
        .fetch_all(&self.pool())
        .await?;
        self.complete(rows).await
    }

    /// One run.
    ///
    /// # Errors
    /// As [`runs`](Self::runs).
    pub async fn run(&self, id: RunId) -> Result<Option<RunRow>, StoreError> {
        let rows = sqlx::query_as!(
            Bare,
            "SELECT id, name, template, starts, ends, layout, asked_at FROM run WHERE id = ?",
            id.0
        )
        .fetch_all(&self.pool())
        .await?;
        Ok(self.complete(rows).await?.pop())
    }

    /// The run of this name that is not discarded.
    ///
    /// # Errors
    /// As [`runs`](Self::runs).
    pub async fn run_named(&self, name: &str) -> Result<Option<RunRow>, StoreError> {
        let rows = sqlx::query_as!(
            Bare,
            "SELECT id, name, template, starts, ends, layout, asked_at FROM run
             WHERE name = ? AND NOT EXISTS (SELECT 1 FROM run_step WHERE run = run.id AND step = 'discarded')
             ORDER BY id DESC LIMIT 1",
            name
        )
        .fetch_all(&self.pool())
        .await?;
        Ok(self.complete(rows).await?.pop())
    }

    /// The runs that have yet to begin or that go on, oldest first.
    ///
    /// # Errors
    /// As [`runs`](Self::runs).
    pub async fn open_runs(&self) -> Result<Vec<RunRow>, StoreError> {
        let rows = sqlx::query_as!(
            Bare,
            "SELECT id, name, template, starts, ends, layout, asked_at FROM run
             WHERE NOT EXISTS (SELECT 1 FROM run_step WHERE run = run.id AND step IN ('ended', 'withdrawn', 'missed', 'discarded'))
             ORDER BY id"
        )
        .fetch_all(&self.pool())
        .await?;
        self.complete(rows).await
    }

    /// When somebody last recorded before the session that has just begun, and whether that ended in
    /// order. Sessions in which the record was only opened for an order do not count.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn recorded_before(&self) -> Result<Option<(Stamp, bool)>, StoreError> {
        let row: Option<(i64, Option<String>)> = sqlx::query_as(
            "SELECT alive_at, ended FROM session WHERE id < (SELECT max(id) FROM session) AND boot <> ?
             ORDER BY id DESC LIMIT 1",
        )
        .bind(NO_BOOT)
        .fetch_optional(&self.pool())
        .await?;
        Ok(row.map(|(alive, ended)| {
            let in_order = ended.as_deref() == Some("stopped");
            (Stamp::from_micros(alive), in_order)
        }))
    }

    /// How often the wall clock was stepped within a stretch.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn clock_steps(&self, stretch: Stretch) -> Result<i64, StoreError> {
        let steps = sqlx::query_scalar(
            "SELECT count(*) FROM clock WHERE cause = 'step' AND at > ? AND at < ?",
        )
        .bind(stretch.from.micros())
        .bind(stretch.to.micros())
        .fetch_one(&self.pool())
        .await?;
        Ok(steps)
    }

    /// The key that the next run gets.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn next_run(&self) -> Result<RunId, StoreError> {
        let next =
            sqlx::query_scalar!(r#"SELECT coalesce(max(id), 0) + 1 AS "next!: i64" FROM run"#)
                .fetch_one(&self.pool())
                .await?;
        Ok(RunId(next))
    }

    /// The notes to a run with keys above `after`, in the order of their writing, each with its key.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn run_notes(
        &self,
        run: RunId,
        after: i64,
        limit: i64,
    ) -> Result<Vec<(i64, NoteEntry)>, StoreError> {
        let rows = sqlx::query!(
            "SELECT id, said_at, about_at, by, text FROM run_note WHERE run = ? AND id > ? ORDER BY id LIMIT ?",
            run.0,
            after,
            limit
        )
        .fetch_all(&self.pool())
        .await?;
        let note = |row: (i64, i64, Option<i64>, String, String)| {
            let (id, said, about, by, text) = row;
            let (said, about) = (Stamp::from_micros(said), about.map(Stamp::from_micros));
            (
                id,
                NoteEntry {
                    run,
                    said,
                    about,
                    by,
                    text,
                },
            )
        };
        Ok(rows
            .into_iter()
            .map(|row| note((row.id, row.said_at, row.about_at, row.by, row.text)))
            .collect())
    }

    /// The evaluations asked of a run, in the order of asking, each with its key.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn run_evaluations(
        &self,
        run: RunId,
    ) -> Result<Vec<(i64, EvaluationEntry)>, StoreError> {
        let rows = sqlx::query!(
            "SELECT id, said_at, by, kind, parameters FROM run_evaluation WHERE run = ? ORDER BY id",
            run.0
        )
        .fetch_all(&self.pool())
        .await?;
        Ok(rows
            .into_iter()
            .map(|row| {
                let entry = EvaluationEntry {
                    run,
                    said: Stamp::from_micros(row.said_at),
                    by: row.by,
                    kind: row.kind,
                    parameters: row.parameters,
                };
                (row.id, entry)
            })
            .collect())
    }

    /// Of the evaluations asked of a run, when what was asked of them was reached for the first time, by their keys.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn run_reached(&self, run: RunId) -> Result<BTreeMap<i64, Stamp>, StoreError> {
        let rows = sqlx::query!(
            "SELECT evaluation, at FROM run_reached WHERE evaluation IN (SELECT id FROM run_evaluation WHERE run = ?)",
            run.0
        )
        .fetch_all(&self.pool())
        .await?;
        let pairs = rows
            .into_iter()
            .map(|row| (row.evaluation, Stamp::from_micros(row.at)));
        Ok(pairs.collect())
    }

    /// What was said in the newest moved-probe traverse of a run, in order; empty where there is none.
    ///
    /// # Errors
    /// The file cannot be read, or holds what no traverse can be.
    pub async fn run_traverse(&self, run: RunId) -> Result<Vec<TraverseEntry>, StoreError> {
        let rows = sqlx::query!(
            "SELECT said_at, step, point, by, plan FROM run_traverse WHERE run = ?1 AND id >=
             (SELECT max(id) FROM run_traverse WHERE run = ?1 AND step = 'laid') ORDER BY id",
            run.0
        )
        .fetch_all(&self.pool())
        .await?;
        let entry = |step| match step {
            Some(step) => Ok(step),
            None => Err(StoreError::Row(format!(
                "run {}: a step of its traverse lacks what it is about",
                run.0
            ))),
        };
        rows.into_iter()
            .map(|row| {
                let step = match row.step.as_str() {
                    "laid" => row.plan.map(TraverseStep::Laid),
                    "confirmed" => row
                        .point
                        .and_then(|point| u32::try_from(point).ok())
                        .map(TraverseStep::Confirmed),
                    _ => Some(TraverseStep::Ended),
                };
                Ok(TraverseEntry {
                    run,
                    said: Stamp::from_micros(row.said_at),
                    by: row.by,
                    step: entry(step)?,
                })
            })
            .collect()
    }

    /// How many samples these channels have with `from ≤ at < to`.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn count_samples_of(
        &self,
        channels: &[ChannelId],
        stretch: Stretch,
    ) -> Result<i64, StoreError> {
        let mut query =
            sqlx::QueryBuilder::<sqlx::Sqlite>::new("SELECT count(*) FROM sample WHERE at >= ");
        query
            .push_bind(stretch.from.micros())
            .push(" AND at < ")
            .push_bind(stretch.to.micros())
            .push(" AND channel IN (");
        let mut list = query.separated(", ");
        for channel in channels {
            list.push_bind(channel.0);
        }
        query.push(")");
        Ok(query.build_query_scalar().fetch_one(&self.pool()).await?)
    }

    async fn complete(&self, rows: Vec<Bare>) -> Result<Vec<RunRow>, StoreError> {
        let least = rows.iter().map(|row| row.id).min().unwrap_or(0);
        let most = rows.iter().map(|row| row.id).max().unwrap_or(-1);
        let mut channels = self.run_channels((least, most)).await?;
        let mut steps = self.run_steps((least, most)).await?;
        let mut words = self.run_words((least, most)).await?;
        let notes = self.run_note_counts((least, most)).await?;
        rows.into_iter()
            .map(|row| {
                let id = row.id;
                let steps = steps.remove(&id).unwrap_or_default();
                let entry = entry_of(row, channels.remove(&id).unwrap_or_default())?;
                let begun = State::new(entry.begin.clone(), entry.finish.clone());
                let state = steps
                    .iter()
                    .try_fold(begun, |state, entry| state.after(entry.step));
                Ok(RunRow {
                    state: state.map_err(|error| bad(id, &error))?,
                    entry,
                    steps,
                    words: words.remove(&id).unwrap_or_default().into_iter().collect(),
                    notes: notes.get(&id).copied().unwrap_or(0),
                })
            })
            .collect()
    }

    async fn run_channels(
        &self,
        (least, most): (i64, i64),
    ) -> Result<ByRun<ChannelId>, StoreError> {
        let rows = sqlx::query!(
            "SELECT run, channel FROM run_channel WHERE run BETWEEN ? AND ? ORDER BY run, position",
            least,
            most
        )
        .fetch_all(&self.pool())
        .await?;
        let pairs = rows
            .into_iter()
            .map(|row| (row.run, ChannelId(row.channel)));
        Ok(by_run(pairs))
    }

    async fn run_steps(&self, (least, most): (i64, i64)) -> Result<ByRun<StepEntry>, StoreError> {
        let rows = sqlx::query!(
            "SELECT run, step, said_at, at, from_at, reason, by, text, config FROM run_step
             WHERE run BETWEEN ? AND ? ORDER BY id",
            least,
            most
        )
        .fetch_all(&self.pool())
        .await?;
        let pairs = rows.into_iter().map(|row| {
            let times = (row.from_at, row.at);
            let step = step_of(&row.step, times, row.reason.as_deref())
                .ok_or_else(|| bad(row.run, &format!("a step `{}`", row.step)))?;
            let entry = StepEntry {
                run: RunId(row.run),
                step,
                said: Stamp::from_micros(row.said_at),
                by: row.by,
                text: row.text,
                config: row.config,
            };
            Ok((row.run, entry))
        });
        Ok(by_run(pairs.collect::<Result<Vec<_>, StoreError>>()?))
    }

    /// In the order of their saying, so that the newest of a field comes last.
    async fn run_words(
        &self,
        (least, most): (i64, i64),
    ) -> Result<ByRun<(Field, String)>, StoreError> {
        let rows = sqlx::query!(
            "SELECT run, field, text FROM run_word WHERE run BETWEEN ? AND ? ORDER BY id",
            least,
            most
        )
        .fetch_all(&self.pool())
        .await?;
        let pairs = rows.into_iter().map(|row| {
            let field = Field::from_word(&row.field)
                .ok_or_else(|| bad(row.run, &format!("a field `{}`", row.field)))?;
            Ok((row.run, (field, row.text)))
        });
        Ok(by_run(pairs.collect::<Result<Vec<_>, StoreError>>()?))
    }

    async fn run_note_counts(
        &self,
        (least, most): (i64, i64),
    ) -> Result<BTreeMap<i64, i64>, StoreError> {
        let rows = sqlx::query!(
            r#"SELECT run, count(*) AS "count!: i64" FROM run_note WHERE run BETWEEN ? AND ? GROUP BY run"#,
            least,
            most
        )
        .fetch_all(&self.pool())
        .await?;
        Ok(rows.into_iter().map(|row| (row.run, row.count)).collect())
    }
}

fn by_run<T>(pairs: impl IntoIterator<Item = (i64, T)>) -> ByRun<T> {
    let mut all = ByRun::new();
    for (run, it) in pairs {
        all.entry(run).or_default().push(it);
    }
    all
}

fn entry_of(row: Bare, channels: Vec<ChannelId>) -> Result<RunEntry, StoreError> {
    let id = row.id;
    let template = row.template.map(|template| template.parse());
    Ok(RunEntry {
        id: RunId(id),
        name: row.name.parse().map_err(|error| bad(id, &error))?,
        template: template.transpose().map_err(|error| bad(id, &error))?,
        begin: row.starts.parse().map_err(|error| bad(id, &error))?,
        finish: row.ends.parse().map_err(|error| bad(id, &error))?,
        layout: row.layout,
        channels,
        asked: Stamp::from_micros(row.asked_at),
    })
}

fn step_of(
    word: &str,
    (from, at): (Option<i64>, Option<i64>),
    reason: Option<&str>,
) -> Option<Step> {
    let (from, at) = (from.map(Stamp::from_micros), at.map(Stamp::from_micros));
    Some(match word {
        "began" => Step::Began(at?),
        "interrupted" => Step::Interrupted(Stretch {
            from: from?,
            to: at?,
        }),
        "ended" => Step::Ended(at?, Reason::from_word(reason?)?),
        "withdrawn" => Step::Withdrawn,
        "missed" => Step::Missed,
        "discarded" => Step::Discarded,
        _ => return None,
    })
}

fn bad(run: i64, what: &dyn std::fmt::Display) -> StoreError {
    StoreError::Row(format!("run {run}: {what}"))
}
