//! Writing: one row an addition, within the transaction of a commit.

use sqlx::SqliteConnection;
use zonda_model::Stamp;
use zonda_model::run::{Reason, Step};

use super::{
    EvaluationEntry, NoteEntry, ReachedEntry, RunChange, RunEntry, StepEntry, TraverseEntry,
    TraverseStep, WordEntry,
};

/// Adds what happened with runs, in its order.
pub(crate) async fn insert_runs(
    connection: &mut SqliteConnection,
    changes: &[RunChange],
) -> Result<(), sqlx::Error> {
    for change in changes {
        match change {
            RunChange::Asked(run) => asked(connection, run).await?,
            RunChange::Step(entry) => step(connection, entry).await?,
            RunChange::Word(entry) => word(connection, entry).await?,
            RunChange::Note(entry) => note(connection, entry).await?,
            RunChange::Evaluation(entry) => evaluation(connection, entry).await?,
            RunChange::Traverse(entry) => traverse(connection, entry).await?,
            RunChange::Reached(entry) => reached(connection, *entry).await?,
        }
    }
    Ok(())
}

async fn asked(connection: &mut SqliteConnection, run: &RunEntry) -> Result<(), sqlx::Error> {
    let (name, template) = (run.name.as_str(), run.template.as_ref());
    let template = template.map(zonda_model::Name::as_str);
    let (starts, ends) = (run.begin.to_string(), run.finish.to_string());
    let asked = run.asked.micros();
    sqlx::query!(
        "INSERT INTO run (id, name, template, starts, ends, layout, asked_at) VALUES (?, ?, ?, ?, ?, ?, ?)",
        run.id.0,
        name,
        template,
        starts,
        ends,
        run.layout,
        asked
    )
    .execute(&mut *connection)
    .await?;
    for (position, channel) in (0_i64..).zip(&run.channels) {
        sqlx::query!(
            "INSERT INTO run_channel (run, position, channel) VALUES (?, ?, ?)",
            run.id.0,
            position,
            channel.0
        )
        .execute(&mut *connection)
        .await?;
    }
    Ok(())
}

async fn step(connection: &mut SqliteConnection, entry: &StepEntry) -> Result<(), sqlx::Error> {
    let (word, said) = (entry.step.word(), entry.said.micros());
    let (from, at, reason) = columns(entry.step);
    let (from, at) = (from.map(Stamp::micros), at.map(Stamp::micros));
    let reason = reason.map(Reason::word);
    sqlx::query!(
        "INSERT INTO run_step (run, step, said_at, at, from_at, reason, by, text, config) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        entry.run.0,
        word,
        said,
        at,
        from,
        reason,
        entry.by,
        entry.text,
        entry.config
    )
    .execute(connection)
    .await?;
    Ok(())
}

/// `from_at`, `at` and `reason` of a step.
fn columns(step: Step) -> (Option<Stamp>, Option<Stamp>, Option<Reason>) {
    match step {
        Step::Began(at) => (None, Some(at), None),
        Step::Interrupted(stretch) => (Some(stretch.from), Some(stretch.to), None),
        Step::Ended(at, reason) => (None, Some(at), Some(reason)),
        Step::Withdrawn | Step::Missed | Step::Discarded => (None, None, None),
    }
}

async fn word(connection: &mut SqliteConnection, entry: &WordEntry) -> Result<(), sqlx::Error> {
    let (said, field) = (entry.said.micros(), entry.field.word());
    sqlx::query!(
        "INSERT INTO run_word (run, said_at, by, field, text) VALUES (?, ?, ?, ?, ?)",
        entry.run.0,
        said,
        entry.by,
        field,
        entry.text
    )
    .execute(connection)
    .await?;
    Ok(())
}

async fn note(connection: &mut SqliteConnection, entry: &NoteEntry) -> Result<(), sqlx::Error> {
    let (said, about) = (entry.said.micros(), entry.about.map(Stamp::micros));
    sqlx::query!(
        "INSERT INTO run_note (run, said_at, about_at, by, text) VALUES (?, ?, ?, ?, ?)",
        entry.run.0,
        said,
        about,
        entry.by,
        entry.text
    )
    .execute(connection)
    .await?;
    Ok(())
}

async fn traverse(
    connection: &mut SqliteConnection,
    entry: &TraverseEntry,
) -> Result<(), sqlx::Error> {
    let (said, word) = (entry.said.micros(), entry.step.word());
    let (point, plan) = match &entry.step {
        TraverseStep::Laid(plan) => (None, Some(plan)),
        TraverseStep::Confirmed(point) => (Some(*point), None),
        TraverseStep::Ended => (None, None),
    };
    sqlx::query!(
        "INSERT INTO run_traverse (run, said_at, step, point, by, plan) VALUES (?, ?, ?, ?, ?, ?)",
        entry.run.0,
        said,
        word,
        point,
        entry.by,
        plan
    )
    .execute(connection)
    .await?;
    Ok(())
}

async fn evaluation(
    connection: &mut SqliteConnection,
    entry: &EvaluationEntry,
) -> Result<(), sqlx::Error> {
    let said = entry.said.micros();
    sqlx::query!(
        "INSERT INTO run_evaluation (run, said_at, by, kind, parameters) VALUES (?, ?, ?, ?, ?)",
        entry.run.0,
        said,
        entry.by,
        entry.kind,
        entry.parameters
    )
    .execute(connection)
    .await?;
    Ok(())
}

async fn reached(
    connection: &mut SqliteConnection,
    entry: ReachedEntry,
) -> Result<(), sqlx::Error> {
    let at = entry.at.micros();
    sqlx::query!(
        "INSERT INTO run_reached (evaluation, at) VALUES (?, ?) ON CONFLICT DO NOTHING",
        entry.evaluation,
        at
    )
    .execute(connection)
    .await?;
    Ok(())
}
