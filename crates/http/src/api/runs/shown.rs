//! What goes out: runs as programs read them, times in true UTC.

use std::time::{Duration, Instant};

use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;
use zonda_assess::Outcome;
use zonda_model::run::{Reason, Step, Stretch};
use zonda_model::{RunId, Stamp};
use zonda_report::TrueUtc;
use zonda_station::runs::{Runs, remarks};
use zonda_store::{Field, RunRow, StepEntry, StoreError};

use super::NOTES;
use super::answers::{Answers, State};
use crate::api::when::rfc3339;
use crate::problem::Problem;
use crate::stream::true_utc;

/// Loop checks of a channel that are looked through for the one in force.
const CHECKS_MAX: i64 = 100;

/// A page of runs, newest first.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct RunList {
    runs: Vec<Run>,
    /// `before` of the next page; `null` on the last.
    next: Option<i64>,
}

/// A run.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Run {
    /// Its number; later runs have higher ones.
    id: i64,
    /// Its name.
    name: String,
    /// `planned`, `waiting`, `running`, `ended`, `withdrawn`, `missed` or `discarded`.
    state: &'static str,
    /// When it was asked for.
    asked: String,
    /// When it begins, as asked.
    start: String,
    /// When it ends, as asked.
    end: String,
    /// When it began.
    since: Option<String>,
    /// When it ended.
    until: Option<String>,
    /// How long it lasted, or has lasted, on the record's axis.
    length_s: Option<f64>,
    /// Why it ended: `stopped`, `time_over`, `condition_met` or `cut`.
    ended: Option<&'static str>,
    /// Stretches in which nobody recorded.
    interruptions: Vec<Interruption>,
    /// Who sees to it.
    operator: Option<String>,
    /// What it is for.
    purpose: Option<String>,
    /// What is tested.
    object: Option<String>,
    /// The conditions around.
    ambient: Option<String>,
    /// The layout of points that it refers to.
    layout: Option<String>,
    /// The template that it came from.
    template: Option<String>,
    /// Its channels.
    channels: Vec<String>,
    /// How many notes there are.
    notes: i64,
}

/// A stretch in which nobody recorded.
#[derive(Debug, Serialize, ToSchema)]
struct Interruption {
    from: String,
    to: String,
}

/// A run with all that is known of it.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ShownRun {
    #[serde(flatten)]
    run: Run,
    /// Hash of the configuration in force when it began, or when it was asked for.
    config: Option<String>,
    /// The loop checks in force when it began: of each channel the newest one before.
    loop_checks: Vec<CheckInForce>,
    /// Samples of its channels in it, so far as they are in the file.
    samples: Option<i64>,
    /// What a reader must not overlook.
    remarks: Vec<String>,
    /// What happened, in order.
    steps: Vec<ShownStep>,
    #[serde(flatten)]
    notes: Notes,
    #[serde(flatten)]
    evaluations: Evaluations,
}

/// A loop check that was in force when a run began.
#[derive(Debug, Serialize, ToSchema)]
struct CheckInForce {
    channel: String,
    /// Its number under `/api/v1/loopchecks`.
    id: i64,
    /// When it was done.
    at: String,
    /// Whether every error was within the tolerance.
    passed: bool,
    /// Its hash, which the seal covers.
    hash: String,
}

/// Something that happened to a run.
#[derive(Debug, Serialize, ToSchema)]
struct ShownStep {
    /// `began`, `interrupted`, `ended`, `withdrawn`, `missed` or `discarded`.
    step: &'static str,
    /// When: of `interrupted` up to when, of `withdrawn`, `missed` and `discarded` when it was said.
    at: String,
    /// When this was written.
    said: String,
    /// Who, where it was somebody.
    by: Option<String>,
    /// Why, or nothing.
    text: String,
}

/// Notes, in the order of their writing.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Notes {
    noted: Vec<ShownNote>,
}

/// A note; it is never edited.
#[derive(Debug, Serialize, ToSchema)]
struct ShownNote {
    id: i64,
    /// When it was written.
    said: String,
    /// The moment that it is about, where that is another.
    about: Option<String>,
    /// Who wrote it.
    by: String,
    /// The note.
    text: String,
}

/// Evaluations asked of a run, in the order of asking.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Evaluations {
    evaluations: Vec<ShownEvaluation>,
}

/// An evaluation that was asked of a run.
#[derive(Debug, Serialize, ToSchema)]
struct ShownEvaluation {
    id: i64,
    /// When it was asked for.
    said: String,
    /// By whom.
    by: Option<String>,
    /// Which kind.
    kind: String,
    /// Its parameters.
    #[schema(value_type = Object)]
    parameters: Value,
}

/// Evaluations asked of a run with what came of them, in the order of asking.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Outcomes {
    evaluations: Vec<Evaluated>,
}

/// An evaluation that was asked of a run, with what came of it.
#[derive(Debug, Serialize, ToSchema)]
struct Evaluated {
    #[serde(flatten)]
    asked: ShownEvaluation,
    /// What it is called: its name, or its kind.
    title: String,
    /// `working` until there is a first answer, then `answered` or `refused`.
    state: &'static str,
    /// How far the next answer is, 0 to 1; `null` where none is being worked out.
    progress: Option<f64>,
    /// How many seconds ago the answer was worked out. That of a run that goes on is kept up to date, more often in its first minutes and
    /// every 30 s later, or as often as a twentieth of a core allows.
    age_s: Option<f64>,
    /// Whether the coverage and the uncertainty that were asked for are reached by now; `null` where none was asked for or there is no
    /// outcome.
    reached: Option<bool>,
    /// When they were for the first time while the run went on.
    reached_at: Option<String>,
    /// What came of it.
    outcome: Option<Outcome>,
    /// Why nothing came of it, in a sentence.
    refused: Option<String>,
}

impl Outcomes {
    pub(super) async fn load(
        runs: &Runs,
        answers: &Answers,
        id: RunId,
        patience: Duration,
    ) -> Result<Self, Problem> {
        let row = runs.row(id).await?;
        let asked = runs.record().run_evaluations(id).await?;
        let shown = Evaluations::load(runs, id).await?.evaluations;
        let reached = runs.record().run_reached(id).await?;
        let utc = true_utc(runs.record()).await?;
        let begun = Instant::now();
        let mut evaluations = Vec::new();
        for (entry, asked) in asked.iter().zip(shown) {
            let left = patience.saturating_sub(begun.elapsed());
            let state = answers.state(runs, &row, entry, left).await?;
            let at = reached.get(&entry.0).map(|at| rfc3339(utc.of(*at)));
            evaluations.push(Evaluated::of(asked, &state, at));
        }
        Ok(Self { evaluations })
    }
}

impl Evaluated {
    fn of(asked: ShownEvaluation, state: &State, reached_at: Option<String>) -> Self {
        let answer = state.answer.as_deref();
        let outcome = answer.and_then(|answer| answer.outcome.as_ref());
        let named = asked.parameters["name"].as_str().unwrap_or(&asked.kind);
        Self {
            title: answer.map_or_else(|| named.to_owned(), |answer| answer.title.clone()),
            state: match answer {
                None => "working",
                Some(answer) if answer.outcome.is_some() => "answered",
                Some(_) => "refused",
            },
            progress: state.progress,
            age_s: state.age.map(|age| age.as_secs_f64()),
            reached: outcome.and_then(Outcome::is_reached),
            reached_at,
            outcome: outcome.cloned(),
            refused: answer.and_then(|answer| answer.refused.clone()),
            asked,
        }
    }
}

/// What was discarded.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Discarded {
    /// Names, in the order of their numbers.
    pub(super) discarded: Vec<String>,
}

impl RunList {
    pub(super) async fn of(runs: &Runs, rows: Vec<RunRow>, limit: i64) -> Result<Self, StoreError> {
        let is_full = i64::try_from(rows.len()).is_ok_and(|rows| rows == limit);
        let next = rows.last().filter(|_| is_full).map(|row| row.entry.id.0);
        let sight = Sight::load(runs).await?;
        Ok(Self {
            runs: rows.iter().map(|row| sight.run(row)).collect(),
            next,
        })
    }
}

impl ShownRun {
    pub(super) async fn load(runs: &Runs, id: RunId) -> Result<Self, Problem> {
        let row = runs.row(id).await?;
        let sight = Sight::load(runs).await?;
        let began = |entry: &&StepEntry| matches!(entry.step, Step::Began(_));
        let config = row
            .steps
            .iter()
            .find(began)
            .map(|entry| entry.config.clone());
        let samples = match row.state.since() {
            Some(from) => {
                let to = row.state.until().unwrap_or(sight.now);
                let stretch = Stretch { from, to };
                Some(
                    runs.record()
                        .count_samples_of(&row.entry.channels, stretch)
                        .await?,
                )
            }
            None => None,
        };
        Ok(Self {
            config,
            loop_checks: sight.checks(runs, &row).await?,
            samples,
            remarks: remarks(runs.record(), &row, sight.now).await?,
            steps: row.steps.iter().map(|entry| sight.step(entry)).collect(),
            notes: Notes::load(runs, id).await?,
            evaluations: Evaluations::load(runs, id).await?,
            run: sight.run(&row),
        })
    }
}

impl Notes {
    pub(super) async fn load(runs: &Runs, id: RunId) -> Result<Self, StoreError> {
        let utc = true_utc(runs.record()).await?;
        let rows = runs.record().run_notes(id, 0, NOTES).await?;
        let noted = rows.into_iter().map(|(id, note)| ShownNote {
            id,
            said: rfc3339(utc.of(note.said)),
            about: note.about.map(|at| rfc3339(utc.of(at))),
            by: note.by,
            text: note.text,
        });
        Ok(Self {
            noted: noted.collect(),
        })
    }
}

impl Evaluations {
    pub(super) async fn load(runs: &Runs, id: RunId) -> Result<Self, StoreError> {
        let utc = true_utc(runs.record()).await?;
        let rows = runs.record().run_evaluations(id).await?;
        let evaluations = rows.into_iter().map(|(id, it)| {
            let parameters = serde_json::from_str(&it.parameters);
            Ok(ShownEvaluation {
                id,
                said: rfc3339(utc.of(it.said)),
                by: it.by,
                kind: it.kind,
                parameters: parameters
                    .map_err(|error| StoreError::Row(format!("evaluation {id}: {error}")))?,
            })
        });
        Ok(Self {
            evaluations: evaluations.collect::<Result<_, StoreError>>()?,
        })
    }
}

/// What it takes to show a run.
struct Sight {
    utc: TrueUtc,
    now: Stamp,
    /// Names by the channels' keys, ascending.
    names: Vec<(i64, String)>,
}

impl Sight {
    async fn load(runs: &Runs) -> Result<Self, StoreError> {
        let channels = runs.record().channels().await?;
        Ok(Self {
            utc: true_utc(runs.record()).await?,
            now: runs.now().axis,
            names: channels
                .into_iter()
                .map(|row| (row.id.0, row.name.to_string()))
                .collect(),
        })
    }

    async fn checks(&self, runs: &Runs, row: &RunRow) -> Result<Vec<CheckInForce>, StoreError> {
        let mut found = Vec::new();
        let Some(since) = row.state.since() else {
            return Ok(found);
        };
        for id in &row.entry.channels {
            let checks = runs
                .record()
                .loop_checks(Some(*id), None, CHECKS_MAX)
                .await?;
            let in_force = checks.into_iter().find(|check| check.check.at <= since);
            found.extend(in_force.map(|check| CheckInForce {
                channel: self.name(id.0),
                id: check.id,
                at: self.time(check.check.at),
                passed: check.check.is_passed,
                hash: check.hash,
            }));
        }
        Ok(found)
    }

    fn time(&self, at: Stamp) -> String {
        rfc3339(self.utc.of(at))
    }

    fn name(&self, id: i64) -> String {
        match self.names.binary_search_by_key(&id, |(id, _)| *id) {
            Ok(index) => self.names[index].1.clone(),
            Err(_) => format!("channel {id}"),
        }
    }

    fn run(&self, row: &RunRow) -> Run {
        let (entry, state) = (&row.entry, &row.state);
        let word = |field| row.words.get(&field).cloned();
        let (since, until) = (state.since(), state.until());
        let length = since.map(|since| until.unwrap_or(self.now).since(since));
        Run {
            id: entry.id.0,
            name: entry.name.to_string(),
            state: state.word(),
            asked: self.time(entry.asked),
            start: entry.begin.to_string(),
            end: entry.finish.to_string(),
            since: since.map(|at| self.time(at)),
            until: until.map(|at| self.time(at)),
            length_s: length.map(|length| length.as_secs_f64()),
            ended: state.reason().map(Reason::word),
            interruptions: state
                .interruptions()
                .iter()
                .map(|gap| Interruption {
                    from: self.time(gap.from),
                    to: self.time(gap.to),
                })
                .collect(),
            operator: word(Field::Operator),
            purpose: word(Field::Purpose),
            object: word(Field::Object),
            ambient: word(Field::Ambient),
            layout: entry.layout.clone(),
            template: entry.template.as_ref().map(ToString::to_string),
            channels: entry.channels.iter().map(|id| self.name(id.0)).collect(),
            notes: row.notes,
        }
    }

    fn step(&self, entry: &StepEntry) -> ShownStep {
        let at = match entry.step {
            Step::Began(at) | Step::Ended(at, _) => at,
            Step::Interrupted(gap) => gap.to,
            Step::Withdrawn | Step::Missed | Step::Discarded => entry.said,
        };
        ShownStep {
            step: entry.step.word(),
            at: self.time(at),
            said: self.time(entry.said),
            by: entry.by.clone(),
            text: entry.text.clone(),
        }
    }
}
