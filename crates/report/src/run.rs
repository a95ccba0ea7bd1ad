//! A run as exports and the report speak of it: its stretch, its channels, and what was said of it.

use serde_json::{Value, json};
use zonda_model::run::{State, Stretch};
use zonda_model::{RunId, Stamp};
use zonda_store::{
    ChannelRow, EvaluationEntry, Field, NoteEntry, Readable, RunRow, StepEntry, StoreError,
};

use crate::TrueUtc;

/// Notes that are read; a report with more would not be read either.
const NOTES_MAX: i64 = 10_000;

/// A run, and where it lies in the record.
#[derive(Clone, Debug, PartialEq)]
pub struct RunFacts {
    /// As the record has it.
    pub row: RunRow,
    /// Where it lies on the record's axis; of one that goes on, up to the last sample.
    pub stretch: Stretch,
    /// Its beginning and end in true UTC.
    pub range: (Stamp, Stamp),
    /// Its channels, in the order in which they were asked for.
    pub channels: Vec<ChannelRow>,
    /// Its notes, in the order of their writing.
    pub notes: Vec<NoteEntry>,
    /// The evaluations asked of it, in the order of asking.
    pub evaluations: Vec<EvaluationEntry>,
}

/// Why there is nothing to be said of a run.
#[derive(Debug, thiserror::Error)]
pub enum NoRun {
    /// No such run.
    #[error("the record has no run `{0}`; `zonda run list` names those that there are")]
    Unknown(String),
    /// It has no samples of its own.
    #[error("the run `{name}` is {state} and covers no stretch of the record")]
    Nowhere {
        /// Its name.
        name: String,
        /// What it is.
        state: &'static str,
    },
    /// The record cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl RunFacts {
    /// The run of this name that is not discarded.
    ///
    /// # Errors
    /// [`NoRun`].
    pub async fn named(record: &Readable, name: &str) -> Result<Self, NoRun> {
        let row = record.run_named(name).await?;
        Self::load(record, row.ok_or_else(|| NoRun::Unknown(name.to_owned()))?).await
    }

    /// The run with this key.
    ///
    /// # Errors
    /// [`NoRun`].
    pub async fn of(record: &Readable, id: RunId) -> Result<Self, NoRun> {
        let row = record.run(id).await?;
        Self::load(record, row.ok_or_else(|| NoRun::Unknown(id.0.to_string()))?).await
    }

    async fn load(record: &Readable, row: RunRow) -> Result<Self, NoRun> {
        let stretch = stretch_of(record, &row).await?;
        let utc = TrueUtc::new(record.clock().await?);
        let known = record.channels().await?;
        let by_key = |id| known.iter().find(|row| row.id == id).cloned();
        let notes = record.run_notes(row.entry.id, 0, NOTES_MAX).await?;
        let evaluations = record.run_evaluations(row.entry.id).await?;
        Ok(Self {
            channels: row
                .entry
                .channels
                .iter()
                .copied()
                .filter_map(by_key)
                .collect(),
            range: (utc.of(stretch.from), utc.of(stretch.to)),
            notes: notes.into_iter().map(|(_, note)| note).collect(),
            evaluations: evaluations.into_iter().map(|(_, asked)| asked).collect(),
            stretch,
            row,
        })
    }

    /// Its name.
    pub fn name(&self) -> &str {
        self.row.entry.name.as_str()
    }

    /// What is said of it, where it is said.
    pub fn word(&self, field: Field) -> Option<&str> {
        let word = self.row.words.get(&field)?;
        Some(word.trim()).filter(|word| !word.is_empty())
    }

    /// The configuration in force when it began, by its hash.
    pub fn config(&self) -> Option<&str> {
        let is_begin = |step: &&StepEntry| step.step.word() == "began";
        let begin = self.row.steps.iter().find(is_begin);
        begin.map(|step| step.config.as_str())
    }

    /// As JSON, for a file that lies beside an export.
    pub fn json(&self, utc: &TrueUtc) -> Value {
        let time = |at: Stamp| utc.of(at).to_string();
        let words: serde_json::Map<_, _> = self
            .row
            .words
            .iter()
            .map(|(field, text)| (field.word().to_owned(), json!(text)))
            .collect();
        let interruptions: Vec<_> = self
            .row
            .state
            .interruptions()
            .iter()
            .map(|gap| json!({ "from": time(gap.from), "to": time(gap.to) }))
            .collect();
        let notes: Vec<_> = self
            .notes
            .iter()
            .map(|note| {
                let about = time(note.about.unwrap_or(note.said));
                json!({ "at": about, "by": note.by, "text": note.text })
            })
            .collect();
        let asked: Vec<_> = self
            .evaluations
            .iter()
            .map(|asked| json!({ "kind": asked.kind, "parameters": read(&asked.parameters) }))
            .collect();
        json!({
            "id": self.row.entry.id.0,
            "name": self.name(),
            "state": self.row.state.word(),
            "from": self.range.0.to_string(),
            "to": self.range.1.to_string(),
            "said": words,
            "layout": self.row.entry.layout,
            "interruptions": interruptions,
            "notes": notes,
            "evaluations": asked,
            "configuration": self.config(),
        })
    }
}

/// A text that should be JSON; where it is not, the text.
fn read(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or_else(|_| Value::from(text))
}

async fn stretch_of(record: &Readable, row: &RunRow) -> Result<Stretch, NoRun> {
    let nowhere = || NoRun::Nowhere {
        name: row.entry.name.to_string(),
        state: row.state.word(),
    };
    let from = row.state.since().ok_or_else(nowhere)?;
    let to = match &row.state {
        State::Running(_) => {
            let last = record.extent().await?.map(|(_, last)| last);
            last.map(|last| Stamp::from_micros(last.micros() + 1))
        }
        State::Discarded(_) => None,
        state => state.until(),
    };
    to.filter(|to| from < *to)
        .map(|to| Stretch { from, to })
        .ok_or_else(nowhere)
}
