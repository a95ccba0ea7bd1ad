//! Evaluations of runs that go on, kept up to date without being asked.
//!
//! One task, one evaluation at a time, with a rest after each ([`REST`]): however many there are, they take a twentieth of one core
//! together. When a run ends its evaluations are worked out once more. When the coverage and the uncertainty that were asked are
//! reached for the first time, the journal says so.

use std::collections::BTreeSet;
use std::time::{Duration, Instant};

use tokio_util::sync::CancellationToken;
use zonda_assess::{Outcome, Reached};
use zonda_model::RunId;
use zonda_station::runs::{RunError, Runs};
use zonda_store::RunRow;

use super::answers::{Answers, Key, REST};

/// How often it looks whether something is due.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// Keeps `answers` up to date until `stop`.
///
/// Dropping it ends it; what was handed to the recorder is kept.
pub(crate) async fn keep_up(answers: Answers, runs: Runs, stop: CancellationToken) {
    let mut keeper = Keeper {
        answers,
        runs,
        open: BTreeSet::new(),
        told: BTreeSet::new(),
        is_failing: false,
    };
    loop {
        let Some(rest) = stop.run_until_cancelled(keeper.look()).await else {
            keeper.answers.cancel_all();
            return;
        };
        let pause = tokio::time::sleep(rest.max(LOOK_EVERY));
        if stop.run_until_cancelled(pause).await.is_none() {
            return;
        }
    }
}

struct Keeper {
    answers: Answers,
    runs: Runs,
    /// The runs that went on at the last look.
    open: BTreeSet<RunId>,
    /// Evaluations of which the journal has it already.
    told: BTreeSet<i64>,
    is_failing: bool,
}

impl Keeper {
    /// Works out what has waited longest; gives how long to rest.
    async fn look(&mut self) -> Duration {
        let begun = Instant::now();
        let looked = self.work().await;
        match &looked {
            Err(error) if !self.is_failing => {
                tracing::warn!("evaluations are not kept up to date at present: {error}");
            }
            _ => {}
        }
        self.is_failing = looked.is_err();
        begun.elapsed() * REST
    }

    async fn work(&mut self) -> Result<(), RunError> {
        let mut waiting = Vec::new();
        for run in self.watched().await? {
            for (id, entry) in self.runs.record().run_evaluations(run.entry.id).await? {
                self.tell((run.entry.id, id)).await?;
                let age = self.answers.look((run.entry.id, id)).age;
                waiting.push((age, run.clone(), id, entry));
            }
        }
        // What was never worked out goes first, then what was longest ago.
        waiting.sort_by_key(|(age, ..)| std::cmp::Reverse(age.unwrap_or(Duration::MAX)));
        for (_, run, id, entry) in waiting {
            if let Some(work) = self.answers.due(&self.runs, &run, (id, &entry)).await? {
                work.await;
                return self.tell((run.entry.id, id)).await;
            }
        }
        Ok(())
    }

    /// The runs that go on, and those that went on before and have evaluations that are of then.
    async fn watched(&mut self) -> Result<Vec<RunRow>, RunError> {
        let mut rows = self.runs.record().open_runs().await?;
        rows.retain(|row| row.state.since().is_some());
        let now: BTreeSet<RunId> = rows.iter().map(|row| row.entry.id).collect();
        let ended: Vec<RunId> = self.open.difference(&now).copied().collect();
        self.open = now;
        for id in ended {
            let row = self.runs.row(id).await?;
            let asked = self.runs.record().run_evaluations(id).await?;
            let is_done = |key: i64| self.answers.is_final((id, key));
            if row.state.until().is_some() && !asked.iter().all(|(key, _)| is_done(*key)) {
                self.open.insert(id);
                rows.push(row);
            }
        }
        Ok(rows)
    }

    /// Says once that what was asked is reached.
    async fn tell(&mut self, (run, id): Key) -> Result<(), RunError> {
        let answer = self.answers.look((run, id)).answer;
        let outcome = answer.as_ref().and_then(|answer| answer.outcome.as_ref());
        let Some(outcome) = outcome.filter(|of| of.is_reached() == Some(true)) else {
            return Ok(());
        };
        if !self.told.insert(id) {
            return Ok(());
        }
        if self.runs.record().run_reached(run).await?.contains_key(&id) {
            return Ok(());
        }
        self.runs.reach(run, id, &sentence(id, outcome)).await
    }
}

/// What is reached, and by how much.
fn sentence(id: i64, outcome: &Outcome) -> String {
    let asked = [
        ("coverage", outcome.ask.basics.coverage_min.is_some()),
        ("uncertainty", outcome.ask.basics.uncertainty_max.is_some()),
    ];
    let parts: Vec<String> = asked
        .into_iter()
        .filter(|(_, is_asked)| *is_asked)
        .filter_map(|(what, _)| worst(outcome, what))
        .collect();
    format!(
        "evaluation {id} ({}) has reached what was asked of it: {}",
        outcome.title,
        parts.join("; ")
    )
}

/// Of all that are asked the one that is nearest to its limit, in words.
fn worst(outcome: &Outcome, what: &str) -> Option<String> {
    let of = outcome.reached.iter().filter(|of| of.what == what);
    let share = |of: &&Reached| of.found.unwrap_or(f64::INFINITY) / of.wanted;
    let pick = |a: &&Reached, b: &&Reached| share(a).total_cmp(&share(b));
    if what == "coverage" {
        let least = of.min_by(pick)?;
        let percent = |share: f64| format!("{:.1} %", 100.0 * share);
        return Some(format!(
            "readings cover {} of {} ({} asked)",
            percent(least.found?),
            least.of,
            percent(least.wanted)
        ));
    }
    let most = of.max_by(pick)?;
    Some(format!(
        "U of {} is {:.3} {unit} (at most {} {unit} asked)",
        most.of,
        most.found?,
        most.wanted,
        unit = most.unit
    ))
}
